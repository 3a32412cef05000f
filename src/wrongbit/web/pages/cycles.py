"""Every bus cycle of a capture beside what should have been there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from nicegui import background_tasks, ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement

from wrongbit.bus.cycles import UNSETTLED
from wrongbit.case.entries import CaptureAdded, Entry
from wrongbit.errors import UsageError, WrongbitError
from wrongbit.instructions.consequence import Consequence
from wrongbit.instructions.flow import FlowEvidence
from wrongbit.instructions.instruction import Instruction
from wrongbit.job import Progress
from wrongbit.machine.recipe import KINDS
from wrongbit.report.figures import Marked, bit_strip, level_drawing, strip_word
from wrongbit.report.theme import LIGHT
from wrongbit.web.browse import (
    VERDICT_NAMES,
    WHATS,
    Browser,
    Numbers,
    What,
    explain_word,
    listing_of,
    read_mnemonics,
    search,
    step,
)
from wrongbit.web.cycle_browser import CycleBrowser
from wrongbit.web.elements import (
    Choice,
    Field,
    button,
    copyable,
    figure,
    heading,
    link,
    live,
    message,
    paragraph,
    quiet,
    set_attributes,
    table,
    tag,
    tell,
)
from wrongbit.web.page_style import add_page_style
from wrongbit.web.workbench import Cancelled, Workbench

ACTED = {
    "wrong word": "The processor acted on the wrong word: it received what the probe saw.",
    "right word": "The processor acted on the right word: look at the probe, its clip, or the far side.",
    "can't tell": "On which word the processor acted cannot be told.",
}
"""What each verdict of the flow means."""

KEYS = (
    "Keys: ↑ ↓ or j k a row, Page, Home, End; n p next and previous wrong word, f the first, N P ones found; "
    "/ search, g go to a number; + − [ ] levels."
)
"""Of the rows, while they have the focus."""

FOLLOWED = 200_000
"""Cycles without marked fetches whose program is followed unasked."""

MOST_SAMPLES = 20_000
"""Samples that are drawn at most."""


def page(bench: Workbench) -> None:
    """Put the cycles on the page."""
    add_page_style()
    _CyclesPage(bench).draw()


class _CyclesPage:
    """The captures to choose from, and the one that is looked at."""

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench
        asked = ui.context.client.request.query_params if ui.context.client.request else {}
        self.number = _number(asked.get("capture", ""))
        self.cycle = _number(asked.get("cycle", ""))
        self.area: Element | None = None

    def draw(self) -> None:
        captures = self.bench.case.of_kind(CaptureAdded)
        if not captures:
            paragraph("There is no capture in this case yet.")
            link("Bring one in", "/bring_in")
            return
        options = {str(entry.number): _title(entry, detail) for entry, detail in captures}
        wanted = str(self.number) if str(self.number) in options else str(captures[-1][0].number)
        with tag("div", classes="wb-row"):
            Choice("Capture", options, wanted, on_change=self.choose)
        self.area = tag("div")
        self.choose(wanted)

    def choose(self, number: str) -> None:
        """Look at another capture."""
        entry = next(each for each, _ in self.bench.case.of_kind(CaptureAdded) if str(each.number) == number)
        if self.number is not None and str(self.number) != number:
            self.cycle = None
        self.number = int(number)
        assert self.area is not None
        self.area.clear()
        with self.area:
            _Look(self.bench, entry, self.cycle).start()


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None


def _title(entry: Entry, capture: CaptureAdded) -> str:
    return f"{entry.number}: {capture.file.name} at {capture.point}"


class _Look:
    """One capture with everything that is known of its cycles."""

    def __init__(self, bench: Workbench, entry: Entry, cycle: int | None) -> None:
        self.bench, self.entry = bench, entry
        self.wanted = cycle  # None: the first wrong one
        self.cycle = 0
        assert isinstance(entry.detail, CaptureAdded)
        self.point = entry.detail.point
        self.verdict = self.kind = ""
        self.what: What = "address"
        self.found: Numbers = np.empty(0, np.int64)
        self.turn = 0
        self.why_not = ""

    def start(self) -> None:
        """Read the capture; the page is drawn when that is done."""

        def work(progress: Progress) -> Browser:
            job = self.bench.casework.job(self.point)
            comparison = self.bench.casework.comparison(self.entry, progress)
            if not len(comparison.cycles):
                raise UsageError("There is no bus cycle in this capture.", "Look at its probe point.")
            try:
                return Browser(job, comparison, self.bench.casework.execution(self.entry))
            except WrongbitError as error:  # no instruction set is named, or it cannot be used
                self.why_not = str(error)
                return Browser(job, comparison)

        live(self.bench, "Reading the cycles", work, self.draw)

    # -- the page -------------------------------------------------------------------------------------------

    def draw(self, browser: Browser) -> None:
        """The rows, with everything around them."""
        self.browser = browser
        first = int(browser.wrong[0]) if len(browser.wrong) else 0
        wanted = first if self.wanted is None else self.wanted
        self.cycle = min(wanted, len(browser) - 1)
        self.samples: tuple[int, int] | None = None
        self._controls()
        self.status = tag("p", "…", classes="cy-status", role="status", aria_live="polite")
        self.rows = CycleBrowser(
            browser,
            self._listing(),
            self.cycle,
            on_chosen=self.chosen,
            on_wish=self.wish,
            on_zoom=self.zoom,
        )
        tag("p", KEYS, classes="wb-quiet cy-keys wb-controls")
        with tag("div", classes="cy-detail"):
            self.word = tag("section", classes="wb-section", aria_label="The chosen cycle")
            with tag("section", classes="wb-section cy-levels", aria_label="Levels around it"):
                heading("Levels around it")
                self._zoom_buttons()
                self.levels = tag("div")
        self.tell_status()
        self.chosen(self.cycle)
        if not self.takes_long:
            background_tasks.create(self.decode(), name="decode")

    def _controls(self) -> None:
        kinds = np.flatnonzero(np.bincount(self.browser.comparison.cycles.kind, minlength=len(KINDS)))
        with tag("div", classes="wb-row wb-controls"):
            Choice(
                "Verdict",
                {"": "all", **{str(code): name for code, name in VERDICT_NAMES.items()}},
                self.verdict,
                on_change=lambda value: self.filter(verdict=value),
            )
            Choice(
                "Kind",
                {"": "all", **{str(code): KINDS[code].replace("_", " ") for code in kinds.tolist()}},
                self.kind,
                on_change=lambda value: self.filter(kind=value),
            )
            with tag("div", data_go=True):
                self.go = Field("Go to cycle", kind="text", width=9, on_enter=self.go_to)
            self.choice = Choice("Search for", WHATS, self.what)
            self.text = Field("Search", kind="search", width=14, on_enter=self.look_for)
            button("Search", self.look_for)
            button("◀", lambda: self.wish("previous found"), says="previous one found")
            button("▶", lambda: self.wish("next found"), says="next one found")
        with tag("div", classes="wb-row wb-controls"):
            some = bool(len(self.browser.wrong))
            for text, wish in (
                ("First wrong word", "first wrong"),
                ("◀ wrong", "previous wrong"),
                ("wrong ▶", "next wrong"),
            ):
                made = button(text, partial(self.wish, wish), main=wish == "first wrong")
                set_attributes(made, disabled=None if some else True)

    # -- going about ----------------------------------------------------------------------------------------

    def _listing(self) -> Any:
        return listing_of(
            self.browser.comparison,
            verdicts={int(self.verdict)} if self.verdict else set(),
            kinds={int(self.kind)} if self.kind else set(),
        )

    def filter(self, *, verdict: str | None = None, kind: str | None = None) -> None:
        """List other cycles."""
        self.verdict = self.verdict if verdict is None else verdict
        self.kind = self.kind if kind is None else kind
        self.rows.list(self._listing())
        self.tell_status()

    def tell_status(self, extra: str = "") -> None:
        """How many there are."""
        total, listed, wrong = len(self.browser), len(self.rows.listing), len(self.browser.wrong)
        told = f"{spaced(total)} cycles, {spaced(wrong)} differ"
        if listed != total:
            told += f"; {spaced(listed)} listed"
        _say(self.status, f"{told}. {extra}")

    def wish(self, wish: str) -> None:
        """Go to the first, next or previous wrong word, or one that a search found."""
        which, _, what = wish.partition(" ")
        numbers = self.browser.wrong if what == "wrong" else self.found
        if not len(numbers):
            tell("No word differs." if what == "wrong" else "Search for something first.")
            return
        at = -1 if which == "first" else self.rows.cycle
        target = step(numbers, at, forward=which != "previous")
        if target is None:
            tell(f"There is none {'after' if which == 'next' else 'before'} this one.")
            return
        self.reach(target)

    def reach(self, cycle: int) -> None:
        """Go to a cycle, also one that the filter leaves out."""
        if self.rows.listing.chosen is not None:
            place = self.rows.listing.place(cycle)
            if not len(self.rows.listing) or int(self.rows.listing.numbers(place, 1)[0]) != cycle:
                self.verdict = self.kind = ""
                self.rows.list(self._listing())
                self.tell_status("The filter was taken away to show it.")
        self.rows.go(cycle)

    def go_to(self) -> None:
        """Go to the cycle whose number was typed."""
        number = _number(self.go.value.strip().replace(" ", ""))
        if number is None or number >= len(self.browser):
            raise UsageError(
                f"There is no cycle {self.go.value.strip()!r}.",
                f"Cycles are counted from 0 to {len(self.browser) - 1}.",
            )
        self.reach(number)

    def look_for(self) -> None:
        """Search all cycles, and go to the next that is found."""
        self.what = next(each for each in WHATS if each == self.choice.value)
        self.found = search(self.browser, self.what, self.text.value)
        count = len(self.found)
        if not count:
            self.tell_status(f"No {self.what} {self.text.value.strip()!r} found.")
            return
        target = step(self.found, self.rows.cycle - 1, forward=True)
        target = int(self.found[0]) if target is None else target
        place = int(np.searchsorted(self.found, target)) + 1
        self.tell_status(f"{spaced(count)} found; this is number {spaced(place)}.")
        self.reach(target)

    # -- instructions ---------------------------------------------------------------------------------------

    @property
    def takes_long(self) -> bool:
        """Fetches are not marked: a long program has to be followed from its start, only when asked."""
        execution = self.browser.execution
        if execution is None or self.browser.mnemonics is not None:
            return False
        follows = not execution.marked and execution.instruction_set.habits.marks != "code"
        return follows and len(self.browser) > FOLLOWED

    async def decode(self) -> None:
        """Decode all instructions, and show them then."""
        browser = self.browser
        execution = browser.execution
        if execution is None:
            return

        def work(progress: Progress) -> Browser:
            return replace(browser, mnemonics=read_mnemonics(execution, progress))

        try:
            decoded = await self.bench.run("Decoding the instructions", work)
        except Cancelled:
            return
        if self.browser is browser and not self.rows.is_deleted:
            self.browser = decoded
            self.rows.replace(decoded)

    # -- the chosen cycle -----------------------------------------------------------------------------------

    def chosen(self, cycle: int) -> None:
        """Show what is known of a cycle."""
        self.cycle = self.wanted = cycle
        self.turn += 1
        self.samples = None
        self.word.clear()
        with self.word:
            heading(f"Cycle {cycle}")
            self._word(cycle)
            explained = tag("div")
        turn = self.turn
        background_tasks.create(self._levels(turn), name="levels")
        if self.browser.row(cycle).verdict == "differs":
            with explained:
                self._begin_explaining(turn, cycle, explained)

    def _begin_explaining(self, turn: int, cycle: int, area: Element) -> None:
        """Explain the word, at once where that is quick."""
        if self.browser.execution is None:
            quiet(self.why_not)
        elif self.takes_long:
            quiet("Fetches are not marked in this long capture: its program has to be followed first.")

            async def follow() -> None:
                await self.decode()
                await self._explain(turn, cycle, area)

            button("Follow the program, and explain the word", follow)
        else:
            background_tasks.create(self._explain(turn, cycle, area), name="explain")

    def _word(self, cycle: int) -> None:
        row = self.browser.row(cycle)
        with tag("dl", classes="wb-facts"):
            where = f"bank {row.bank}, " if row.bank else ""
            _fact("what", f"{row.kind} at {where}", copied=row.address)
            if row.time:
                _fact("when", f"{row.time} after the first cycle")
            if row.expected:
                _fact("expected", copied=row.expected)
            _fact("seen", copied=row.seen)
            if row.verdict:
                mark = {"differs": "≠ ", "agrees": "= "}.get(row.verdict, "· ")
                _fact("verdict", mark + row.verdict, bad=row.verdict == "differs")
            if self.browser.comparison.cycles.flags[cycle] & UNSETTLED:
                _fact("!", "the data changed within the set-up time before it was taken")
        word = strip_word(self.browser.job, self.browser.comparison, cycle)
        if row.verdict in ("differs", "agrees"):
            figure(bit_strip(word, LIGHT, title=f"Bits of cycle {cycle}"), says=word.say())

    async def _explain(self, turn: int, cycle: int, area: Element) -> None:
        try:
            browser = self.browser
            found = await self.bench.run("Explaining the word", lambda _: explain_word(browser, cycle))
        except Cancelled:
            return
        except WrongbitError as error:
            if turn == self.turn and not area.is_deleted:
                with area:
                    quiet(str(error))
            return
        if turn == self.turn and not area.is_deleted:
            area.clear()
            with area:
                _explanation(self.browser, *found)

    # -- levels ---------------------------------------------------------------------------------------------

    def _zoom_buttons(self) -> None:
        with tag("div", classes="wb-row wb-controls"):
            for text, wish, says in (
                ("◀", "left", "earlier samples"),
                ("▶", "right", "later samples"),
                ("+", "in", "zoom in"),
                ("−", "out", "zoom out"),
                ("This cycle", "cycle", "zoom to this cycle"),
            ):
                button(text, partial(self.zoom, wish), says=says, classes="wb-small")

    def zoom(self, wish: str) -> None:
        """Draw fewer, more, earlier or later samples."""
        if self.samples is None:
            return
        first, last = self.samples
        size = last - first + 1
        middle = int(self.browser.comparison.cycles.sample[self.cycle])
        if wish == "cycle":
            self.samples = None
        elif wish in ("in", "out"):
            size = max(size // 2, 4) if wish == "in" else min(size * 2, MOST_SAMPLES)
            middle = middle if first <= middle <= last else (first + last) // 2
            self.samples = middle - size // 2, middle - size // 2 + size - 1
        else:
            shift = max(size // 3, 1) * (-1 if wish == "left" else 1)
            self.samples = first + shift, last + shift
        background_tasks.create(self._levels(self.turn), name="levels")

    def _own_samples(self) -> tuple[int, int]:
        """The samples of the chosen cycle, with some of its neighbours."""
        sample = self.browser.comparison.cycles.sample
        cycle = self.cycle
        last = int(sample[cycle])
        before = int(sample[cycle - 1]) if cycle else max(last - 12, -1)
        size = max(min(last - before, MOST_SAMPLES // 4), 4)
        return last - size - size // 2, last + size // 2

    async def _levels(self, turn: int) -> None:
        if self.browser.job.point.mode == "cycles":
            self._put_levels(
                turn, lambda: quiet("Each row of this capture is a whole cycle: there are no levels.")
            )
            return
        first, last = self.samples or self._own_samples()
        size = last - first
        first = max(first, 0)
        last = first + size
        try:
            window = await self.bench.run(
                "Reading the samples", lambda _: self.bench.casework.samples(self.entry, first, last)
            )
        except Cancelled:
            return
        except WrongbitError as error:
            failure = error
            self._put_levels(turn, lambda: message(failure))
            return
        if turn == self.turn:
            self.samples = first, last
            if len(window):
                last = min(last, window.first_sample + len(window) - 1)
            svg = level_drawing(
                window, LIGHT, first=first, last=last, marks=self._marks(first, last), width=940
            )
            self._put_levels(turn, lambda: figure(svg, says=f"Levels of samples {first} to {last}"))

    def _marks(self, first: int, last: int) -> Sequence[Marked]:
        """The chosen cycle's own samples."""
        sample = self.browser.comparison.cycles.sample
        end = int(sample[self.cycle])
        begin = int(sample[self.cycle - 1]) + 1 if self.cycle else end
        wrong = self.browser.row(self.cycle).verdict == "differs"
        return (Marked(min(begin, end), end, f"cycle {self.cycle}", wrong),)

    def _put_levels(self, turn: int, draw: Any) -> None:
        if turn == self.turn and not self.levels.is_deleted:
            self.levels.clear()
            with self.levels:
                draw()


def spaced(count: int) -> str:
    """A count with its thousands apart.

    >>> spaced(20000)
    '20\u202f000'
    """
    return f"{count:,}".replace(",", "\u202f")


def _say(element: Element, text: str) -> None:
    assert isinstance(element, TextElement)
    element.text = text


def _fact(name: str, text: str = "", *, copied: str = "", bad: bool = False) -> None:
    tag("dt", name)
    with tag("dd", classes="wb-bad-text" if bad else ""):
        if text:
            tag("span", text)
        if copied:
            copyable(copied, says=name)


# -- the explanation ---------------------------------------------------------------------------------------


def _explanation(browser: Browser, evidence: FlowEvidence, followed: Consequence) -> None:
    heading("What the processor made of it", 3)
    if evidence.expected is not None or evidence.seen is not None:
        _side_by_side(browser, evidence)
    tag("p", ACTED[evidence.acted], classes="wb-bad-text" if evidence.acted == "wrong word" else "")
    if evidence.reasons:
        with tag("ul"):
            for reason in evidence.reasons:
                tag("li", reason)
    if followed.events:
        heading("What followed", 3)
        paragraph(followed.text)


def _side_by_side(browser: Browser, evidence: FlowEvidence) -> None:
    bits = browser.job.processor.address_bits
    rows = [
        [name, _instruction(each), _leads(each, bits)]
        for name, each in (("expected", evidence.expected), ("seen", evidence.seen))
    ]
    if evidence.went is not None:
        rows.append(["it went to", f"{evidence.went:0{-(-bits // 4)}X}", f"in cycle {evidence.next_row}"])
    table(("", "instruction", "leads to"), rows, caption="The instruction by either reading", mono=(1, 2))


def _instruction(found: Instruction | None) -> str:
    if found is None:
        return "not known"
    return found.text + ("" if found.documented else " (not documented)")


def _leads(found: Instruction | None, bits: int) -> str:
    if found is None:
        return ""
    if found.successors is None:
        return {"return": "where the stack says", "indirect": "where a register says"}.get(
            found.flow, "not known"
        )
    return " or ".join(f"{address:0{-(-bits // 4)}X}" for address in sorted(found.successors))
