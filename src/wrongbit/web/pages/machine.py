"""The machine file: written here as text, checked while it is written, saved only when it can be used."""

from __future__ import annotations

from wrongbit.errors import MachineFileError, WrongbitError
from wrongbit.machine.model import Machine
from wrongbit.web.elements import Field, button, message, paragraph, quiet, section, tag, tell
from wrongbit.web.machine_draft import (
    MachineText,
    check_text,
    drop_draft,
    keep_draft,
    problems,
    read_text,
    save_text,
)
from wrongbit.web.workbench import Workbench

LINES = 28


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    try:
        begun = read_text(bench.case)
    except WrongbitError as error:
        message(error)
        return
    _Editor(bench, begun)


class _Editor:
    """The text on the screen, and what it was on disk."""

    def __init__(self, bench: Workbench, begun: MachineText) -> None:
        self.bench, self.on_disk = bench, begun.on_disk
        with section("Text"):
            self.draft = tag("div")
            with self.draft:
                self._tell_draft(begun.is_draft)
            self.field = Field(
                bench.case.machine_file.name,
                begun.text,
                lines=LINES,
                hint="TOML; docs/machine-file.md has every key. Nothing is written until you save it.",
            )
            self.field.input.classes("wb-mono wb-tall")
            with tag("div", classes="wb-controls"):
                button("Save", self.save, main=True)
                button("Check", self.check)
                button("Keep as a draft", self.keep)
            self.found = tag("div", aria_live="polite")
            quiet("What stood there before a save stays in the case's store; the journal has its hash.")

    def _tell_draft(self, is_draft: bool) -> None:
        if not is_draft:
            return
        with tag("div", classes="wb-controls"):
            paragraph("This is a draft: the machine file itself is as it was.")
            button("Drop the draft", self.drop)

    async def check(self) -> None:
        """Say what is wrong with the text, or what it describes."""
        await self._checked()

    async def _checked(self) -> bool:
        text = self.field.value
        self.found.clear()
        try:
            machine = await self.bench.run(
                "Checking the text", lambda progress: check_text(self.bench.case, text)
            )
        except MachineFileError as error:
            with self.found:
                tag("strong", "It cannot be used yet:")
                with tag("ul", classes="wb-bad-text"):
                    for problem in problems(error):
                        tag("li", problem)
            return False
        with self.found:
            paragraph(f"✓ It can be used: {_told(machine)}.", classes="wb-good-text")
        return True

    async def save(self) -> None:
        """Write it when it can be used."""
        if not await self._checked():
            tell("Not saved: the text cannot be used yet. It can be kept as a draft.", bad=True)
            return
        text, before = self.field.value, self.on_disk
        self.on_disk = await self.bench.run(
            "Saving the machine file", lambda progress: save_text(self.bench.case, text, before)
        )
        self.draft.clear()
        tell("The machine file is saved.")
        self.bench.changed()

    async def keep(self) -> None:
        """Keep it for later, whatever is in it."""
        text = self.field.value
        await self.bench.run("Keeping the draft", lambda progress: keep_draft(self.bench.case, text))
        self.draft.clear()
        with self.draft:
            self._tell_draft(True)
        tell("Kept as a draft; the machine file itself is as it was.")

    async def drop(self) -> None:
        """Go back to the machine file."""
        await self.bench.run("Dropping the draft", lambda progress: drop_draft(self.bench.case))
        begun = read_text(self.bench.case)
        self.on_disk = begun.on_disk
        self.field.value = begun.text
        self.draft.clear()
        self.found.clear()


def _told(machine: Machine) -> str:
    """What a machine has, in a line."""
    counts = (
        (len(machine.processor), "processor"),
        (len(machine.chip), "chip"),
        (len(machine.point), "probe point"),
        (len(machine.path), "path"),
    )
    return f"{machine.machine.name}, " + ", ".join(f"{n} {name}{'' if n == 1 else 's'}" for n, name in counts)
