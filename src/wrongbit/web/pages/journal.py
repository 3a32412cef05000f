"""The journal: everything that was added, in order. Nothing in it is changed; an entry can be withdrawn."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.case.details import stored_in
from wrongbit.case.entries import Entry, FindingRecorded, MachineSeen, NoteAdded, Withdrawn
from wrongbit.casework.said import kind_text, say_entry
from wrongbit.errors import UsageError
from wrongbit.web.elements import (
    Cell,
    Check,
    Field,
    button,
    copyable,
    live,
    paragraph,
    quiet,
    section,
    table,
    tag,
    tell,
)
from wrongbit.web.workbench import Workbench

FIXED = (MachineSeen, FindingRecorded, Withdrawn)
"""What a person cannot withdraw: it follows from the rest."""


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    _note(bench)
    _verify(bench)
    with section("Entries"):
        with tag("div", classes="wb-controls"):
            chosen = Check("Show findings that were computed, too", on_change=lambda value: area.again())
        area = live(
            bench,
            "Reading the journal",
            lambda progress: bench.case.entries(withdrawn=True),
            lambda entries: _entries(bench, entries, chosen.value),
        )


def _note(bench: Workbench) -> None:
    with section("Add a note", classes="wb-controls"):
        field = Field("Note", lines=3, hint="What you saw, did, or were told.")

        async def add() -> None:
            text = field.value.strip()
            if not text:
                raise UsageError("The note is empty.", "Write something into the field.")
            await bench.run("Adding the note", lambda progress: bench.case.add(NoteAdded(text)))
            field.value = ""
            bench.changed()

        button("Add the note", add, main=True)


def _verify(bench: Workbench) -> None:
    with section("Is everything as it was?"):
        result = tag("div", aria_live="polite")

        async def verify() -> None:
            found = await bench.run("Checking every file", bench.case.verify)
            result.clear()
            with result:
                if not found:
                    paragraph("✓ Every original has the hash that the journal says.", classes="wb-good-text")
                for trouble in found:
                    paragraph(str(trouble), classes="wb-bad-text")

        with tag("div", classes="wb-controls"):
            button("Check every file", verify)
        quiet("Each original is read again and its SHA-256 compared with the journal's.")


def _entries(bench: Workbench, entries: Sequence[Entry], findings: bool) -> None:
    shown = [each for each in entries if findings or not isinstance(each.detail, FindingRecorded)]
    table(
        ("no.", "when (UTC)", "by", "kind", "what", "file and SHA-256", ""),
        [_row(bench, each) for each in reversed(shown)],
        caption="Journal",
        right=(0,),
        mono=(0, 1),
    )


def _row(bench: Workbench, entry: Entry) -> tuple[Cell, ...]:
    detail = entry.detail
    gone = entry.withdrawn_by is not None
    stored = stored_in(detail)

    def what() -> None:
        tag("span", say_entry(entry), classes="wb-withdrawn" if gone else "")
        if gone:
            tag("div", f"withdrawn by entry {entry.withdrawn_by}", classes="wb-quiet")

    def file() -> None:
        if stored is not None:
            tag("div", f"{stored.name}, {grouped(stored.byte_count)} bytes")
            copyable(stored.sha256, says=f"the SHA-256 of {stored.name}")

    def withdraw() -> None:
        if not gone and not isinstance(detail, FIXED):
            _withdraw(bench, entry)

    when = f"{entry.at:%Y-%m-%d %H:%M}"
    return entry.number, when, entry.by, kind_text(detail), what, file, withdraw


def _withdraw(bench: Workbench, entry: Entry) -> None:
    """A button that opens a field for the reason; a second one does it."""
    place = tag("div", classes="wb-controls")

    def ask() -> None:
        place.clear()
        with place:
            why = Field("Why?", width=18)

            async def do() -> None:
                reason = why.value.strip()
                await bench.run(
                    "Withdrawing the entry", lambda progress: bench.case.withdraw(entry.number, reason)
                )
                tell(f"Entry {entry.number} is withdrawn; it stays in the journal.")
                bench.changed()

            button("Withdraw", do, main=True, classes="wb-small", says=f"withdraw entry {entry.number}")
            button("Keep", closed, classes="wb-small", says=f"keep entry {entry.number}")

    def closed() -> None:
        place.clear()
        with place:
            button("Withdraw …", ask, classes="wb-small", says=f"withdraw entry {entry.number} …")

    closed()


def grouped(number: int) -> str:
    """A number whose digits stand in threes.

    >>> grouped(79719)
    '79 719'
    """
    return f"{number:,}".replace(",", " ")
