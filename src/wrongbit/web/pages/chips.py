"""The chips: their readings, their maps, their rebuilt contents with what is known of every bit."""

from __future__ import annotations

from typing import Literal

import numpy as np
from nicegui import ui
from nicegui.element import Element

from wrongbit.case.entries import ReadingAdded
from wrongbit.casework.sources import Rebuilding
from wrongbit.casework.wanted import parse_wanted
from wrongbit.casework.words import known_word
from wrongbit.errors import UsageError
from wrongbit.image.formats import FORMATS, FormatName
from wrongbit.image.lanes import as_bytes
from wrongbit.job import Progress
from wrongbit.machine.model import Chip
from wrongbit.reading.examine import Examination
from wrongbit.reading.rebuild import CLASSES, PROVEN, UNKNOWN, Rebuilt, image_of, map_text, say_sources
from wrongbit.report.content import Figure
from wrongbit.report.figures import chip_map
from wrongbit.report.sections.chips import readings_section, rebuilt_section, rebuilt_told
from wrongbit.report.theme import LIGHT
from wrongbit.units import format_word
from wrongbit.web.blocks import draw_blocks
from wrongbit.web.browse import step
from wrongbit.web.elements import (
    Check,
    Choice,
    Field,
    button,
    heading,
    link,
    live,
    paragraph,
    quiet,
    section,
    set_attributes,
    tag,
    tell,
)
from wrongbit.web.page_style import add_page_style
from wrongbit.web.workbench import Workbench

WORDS = 16
"""Words whose bits are shown at once."""

SUFFIXES: dict[FormatName, str] = {"binary": ".bin", "intel-hex": ".hex", "s-record": ".srec"}


def page(bench: Workbench) -> None:
    """Put the chips on the page."""
    add_page_style()
    _ChipsPage(bench).draw()


class _ChipsPage:
    """The ROMs of the machine, one of which is looked at."""

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench
        request = ui.context.client.request
        self.asked = "" if request is None else request.query_params.get("chip", "")

    def draw(self) -> None:
        machine = self.bench.casework.machine
        roms = {chip.name: chip for chip in machine.chip if chip.kind == "rom"}
        if not roms:
            paragraph("The machine file has no ROM.")
            link("To the machine file", "/machine")
            return
        passes: dict[str, int] = dict.fromkeys(roms, 0)
        for _, reading in self.bench.case.of_kind(ReadingAdded):
            if reading.chip in passes:
                passes[reading.chip] += 1
        first = next((name for name, count in passes.items() if count), next(iter(roms)))
        texts = {name: _title(chip, passes[name]) for name, chip in roms.items()}
        with tag("div", classes="wb-row wb-controls"):
            Choice("Chip", texts, self.asked if self.asked in roms else first, on_change=self.choose)
        self.area = tag("div")
        self.choose(self.asked if self.asked in roms else first)

    def choose(self, name: str) -> None:
        """Look at another chip."""
        self.area.clear()
        with self.area:
            chip = next(each for each in self.bench.casework.machine.chip if each.name == name)
            _readings(self.bench, chip)
            _Contents(self.bench, chip).draw()


def _title(chip: Chip, passes: int) -> str:
    kind = f" {chip.type}" if chip.type else ""
    count = "not read yet" if not passes else "1 pass" if passes == 1 else f"{passes} passes"
    return f"{chip.name}{kind}: {count}"


def _readings(bench: Workbench, chip: Chip) -> None:
    """What the readings tell, in the report's words."""
    with section(f"Readings of {chip.name}"):
        link("Bring a reading in", "/bring_in")

        def work(progress: Progress) -> Examination | None:
            if not bench.casework.readings(chip.name, proof=False):
                return None
            progress(0, 0)
            return bench.casework.examination(chip.name)

        live(bench, f"Looking at the readings of {chip.name}", work, lambda found: _examined(chip, found))


def _examined(chip: Chip, found: Examination | None) -> None:
    if found is None:
        paragraph(
            f"Nothing was read from {chip.name} yet. Read it several times, at different supply voltages if "
            "the reader can, and bring every pass in."
        )
        return
    blocks = readings_section(found).blocks
    draw_blocks(blocks)
    if any(isinstance(each, Figure) and "cells" in each.caption for each in blocks):
        svg = chip_map(found, LIGHT, title=f"Chip map: {chip.name}")
        button("Download the chip map (SVG)", lambda: _download(svg.encode(), f"{chip.name}-map.svg"))


def _download(content: bytes, name: str) -> None:
    ui.download.content(content, name)


# -- rebuilt contents ---------------------------------------------------------------------------------------


class _Contents:
    """The contents of a chip, rebuilt from everything in the case."""

    def __init__(self, bench: Workbench, chip: Chip) -> None:
        self.bench, self.chip = bench, chip
        self.checksums: list[str] = []
        self.undo: list[str] = []

    def draw(self) -> None:
        with section(f"Rebuilt contents of {self.chip.name}"):
            with tag("div", classes="wb-row wb-controls"):
                self.sums = Field(
                    "Checksums",
                    width=34,
                    hint="If any is known, such as: crc-32 0..0x1FFB = stored 0x1FFC le",
                )
                self.faults = Field(
                    "Faults to take back", width=34, hint="Left empty: what the readings show; none: nothing"
                )
                button("Rebuild", self.again, main=True)
            self.area = tag("div")
            self.again()

    def again(self) -> None:
        """Rebuild with what was typed."""
        self.checksums = [text.strip() for text in self.sums.value.split(";") if text.strip()]
        self.undo = [text.strip() for text in self.faults.value.split(";") if text.strip()]
        self.area.clear()

        def work(progress: Progress) -> Rebuilding:
            return self.bench.casework.rebuilding(
                self.chip.name, checksums=self.checksums, undo=self.undo, progress=progress
            )

        with self.area:
            live(self.bench, f"Rebuilding {self.chip.name}", work, self.show)

    def show(self, found: Rebuilding) -> None:
        """How far it is rebuilt, every bit, and the files."""
        paragraph(rebuilt_told(self.chip, found.rebuilt), classes="wb-big")
        if found.sources:
            quiet(f"From {'; '.join(each.name for each in found.sources)}.")
        _files(self.chip, self.bench, found.rebuilt)
        _Bits(self.chip, found.rebuilt).draw()
        draw_blocks(rebuilt_section(self.chip, found.rebuilt, found.undone).blocks)


def _files(chip: Chip, bench: Workbench, rebuilt: Rebuilt) -> None:
    """The image and the map to take away."""
    texts = {name: FORMATS[name].title for name in SUFFIXES}
    with tag("div", classes="wb-row wb-controls"):
        form = Choice("Format", {str(name): text for name, text in texts.items()})
        allow = Check("write unknown bits as their likelier level") if rebuilt.count(UNKNOWN) else None

        def image() -> None:
            name = next(each for each in SUFFIXES if each == form.value)
            contents = image_of(rebuilt, allow_unknown=allow is not None and allow.value)
            order: Literal["little", "big"] = bench.casework.machine.processor_of(chip.processor).byte_order
            narrow = contents if chip.bits <= 8 else as_bytes(contents, order)
            write = FORMATS[name].write
            assert write is not None
            _download(write(narrow, None), f"{chip.name}{SUFFIXES[name]}")
            for note in contents.notes:
                tell(note)

        button("Download the image", image, main=True)
        button("Download the map of every word (CSV)", lambda: _download(
            map_text(rebuilt).encode(), f"{chip.name}-map.csv"))  # fmt: skip


class _Bits:
    """Every bit with how sure it is, some words at a time."""

    def __init__(self, chip: Chip, rebuilt: Rebuilt) -> None:
        self.chip, self.rebuilt = chip, rebuilt
        self.digits = max((chip.words - 1).bit_length(), 1)
        self.first = 0
        weak = (rebuilt.classes < PROVEN).any(axis=1)
        unknown = (rebuilt.classes == UNKNOWN).any(axis=1)
        self.wanted = np.flatnonzero(unknown if unknown.any() else weak)

    def draw(self) -> None:
        heading("Every bit, and how sure it is", 3)
        with tag("p", classes="ct-key"):
            for code in reversed(range(len(CLASSES))):
                tag("span", _sign(1, code), classes=f"ct-bit ct-{CLASSES[code]}")
                tag("span", f"{CLASSES[code]}   ")
        with tag("div", classes="wb-row wb-controls"):
            button("◀", lambda: self.move(self.first - WORDS), says="earlier words", classes="wb-small")
            button("▶", lambda: self.move(self.first + WORDS), says="later words", classes="wb-small")
            self.address = Field("Go to address", width=8, on_enter=self.go)
            what = "unknown" if self.rebuilt.count(UNKNOWN) else "not proven"
            back = button(f"◀ {what}", lambda: self.seek(False))
            on = button(f"{what} ▶", lambda: self.seek(True))
            for each in (back, on):
                set_attributes(each, disabled=None if len(self.wanted) else True)
        self.area: Element = tag("div", classes="ct-words")
        self.move(int(self.wanted[0]) - 2 if len(self.wanted) else 0)

    def go(self) -> None:
        """Go to the address that was typed."""
        wanted = parse_wanted(self.address.value, max(self.digits, 1))
        if wanted.low >= self.chip.words:
            raise UsageError(f"The chip has {self.chip.words} words.", "Give an address of the chip.")
        self.move(wanted.low)

    def seek(self, forward: bool) -> None:
        """Go to the next word that is not sure."""
        at = self.first + 2 if self.first else 0
        target = step(self.wanted, at if forward else at - 1, forward=forward)
        if target is None:
            tell(f"There is none {'after' if forward else 'before'} these.")
        else:
            self.move(target - 2)

    def move(self, first: int) -> None:
        """Show other words."""
        self.first = max(0, min(first, self.chip.words - WORDS))
        self.area.clear()
        with self.area, tag("table", classes="wb-table ct-table"):
            tag("caption", "Words with their bits", classes="wb-unseen")
            with tag("thead"), tag("tr"):
                for name in ("address", "word", "bits", "sources of the weakest"):
                    tag("th", name, scope="col")
            with tag("tbody"):
                for at in range(self.first, min(self.first + WORDS, self.chip.words)):
                    self._word(at)

    def _word(self, at: int) -> None:
        rebuilt, bits = self.rebuilt, self.chip.bits
        classes = rebuilt.classes[at]
        weakest = int(np.argmin(rebuilt.confidence[at]))
        open_ = bool((classes == UNKNOWN).any())
        with tag("tr", classes="wb-differs" if open_ else ""):
            tag("td", format_word(at, self.digits), classes="wb-mono")
            known = int(rebuilt.contents.known[at])
            tag("td", known_word(int(rebuilt.contents.words[at]), known, bits), classes="wb-mono")
            with tag("td", classes="ct-bits"):
                for bit in reversed(range(bits)):
                    code = int(classes[bit])
                    level = int(rebuilt.guess[at]) >> bit & 1
                    says = f"bit {bit}: {level}, {CLASSES[code]} ({rebuilt.confidence[at, bit]:.4%})"
                    gap = " ct-gap" if bit % 8 == 7 and bit != bits - 1 else ""
                    sign = _sign(level, code)
                    tag("span", sign, classes=f"ct-bit ct-{CLASSES[code]}{gap}", title=says)
            told = say_sources(int(rebuilt.provenance[at, weakest])) or "nothing"
            tag("td", f"bit {weakest}: {told}", classes="wb-quiet")


def _sign(level: int, code: int) -> str:
    return "?" if code == UNKNOWN else str(level)
