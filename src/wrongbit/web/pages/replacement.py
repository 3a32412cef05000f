"""The replacement of a chip: a memory that can still be bought, its wiring, its timing, its files."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from nicegui import ui

from wrongbit.case.entries import CaptureAdded, Entry
from wrongbit.errors import UsageError, WrongbitError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents
from wrongbit.job import Progress
from wrongbit.machine.lookup import point_named, rom_named
from wrongbit.reading.rebuild import image_of
from wrongbit.replace.catalogue import load_catalogue
from wrongbit.replace.fit import Choice as Wanted
from wrongbit.replace.fit import Fitting, Plan, Refusal
from wrongbit.replace.papers import papers
from wrongbit.replace.programmer import setting_text, write_programmer_files
from wrongbit.replace.wiring import cautions as plan_cautions
from wrongbit.replace.wiring import jumper_table, parts_list, plan_notes, wiring_table
from wrongbit.report.figures import replacement_drawing
from wrongbit.report.theme import LIGHT
from wrongbit.units import format_time
from wrongbit.web.elements import (
    Check,
    Choice,
    Field,
    Live,
    button,
    cautions,
    figure,
    heading,
    live,
    paragraph,
    quiet,
    section,
    table,
    tag,
    tell,
)
from wrongbit.web.workbench import Workbench

AS_WRITTEN = "as the machine file says"
ANY = "any that fits"
REFERENCE, REBUILT = "reference", "rebuilt"
REFUSED = 12
"""Memories that do not fit, of which the page says why."""


@dataclass(frozen=True)
class _Asked:
    """What a person has chosen.

    Args:
        chip: Reference designator.
        shape: Whose pins the old chip has; empty: as the machine file says.
        selects: Active levels of selects, as ``CS1=low``.
        latched_by: Pin and edge that latch the address.
        memory: Type number; empty: any.
        made_today: Leave out what is no longer made.
        margin: Least margin in percent.
        capture: Journal number of a capture to take bus times from; None: from the processor's data sheet.
    """

    chip: str
    shape: str = ""
    selects: tuple[str, ...] = ()
    latched_by: str = ""
    memory: str = ""
    made_today: bool = False
    margin: float = 0.0
    capture: int | None = None


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    roms = [chip.name for chip in bench.casework.machine.chip if chip.kind == "rom"]
    if not roms:
        paragraph("The machine file has no ROM: there is nothing to replace.")
        return
    _Replacement(bench, roms, _suspected(bench, roms))


def _suspected(bench: Workbench, roms: Sequence[str]) -> str:
    """The ROM that is suspected most, as far as that is known already; else the first."""
    try:
        suspects = bench.casework.overview(compute=False).suspects
    except WrongbitError:
        return roms[0]
    return next((each.part for each in suspects if each.part in roms), roms[0])


class _Replacement:
    def __init__(self, bench: Workbench, roms: Sequence[str], chosen: str) -> None:
        self.bench = bench
        self.asked = _Asked(chosen)
        with section("The old chip", classes="wb-controls"):
            self._form(roms)
        self.live: Live = live(bench, "Trying every memory", self.work, self.draw)

    # -- what is wanted -------------------------------------------------------------------------------------

    def _form(self, roms: Sequence[str]) -> None:
        catalogue = load_catalogue()
        shapes = {"": AS_WRITTEN, **{each.name: each.name for each in catalogue.socket}}
        memories = {"": ANY, **{each.name: each.name for each in catalogue.memory}}
        captures = {"": "from the processor's data sheet", **self._captures()}
        with tag("div", classes="wb-row"):
            Choice("Chip", list(roms), self.asked.chip, on_change=lambda chip: self._ask(chip=chip))
            Choice("Its pins are those of", shapes, on_change=lambda shape: self._ask(shape=shape))
            Field(
                "Selects", hint="Active levels, as CS1=low CS2=high.", width=22,
                on_change=lambda text: self._ask(selects=tuple(text.replace(",", " ").split())),
            )  # fmt: skip
            Field(
                "Address latched by", hint="Pin and edge, as ALE falling.", width=16,
                on_change=lambda text: self._ask(latched_by=text.strip()),
            )  # fmt: skip
        with tag("div", classes="wb-row"):
            Choice("Memory", memories, on_change=lambda memory: self._ask(memory=memory))
            Choice(
                "Bus times", captures,
                on_change=lambda number: self._ask(capture=int(number) if number else None),
            )  # fmt: skip
            Field(
                "Least margin, percent", "0", kind="number", width=6,
                on_change=lambda text: self._ask(margin=_percent(text)),
            )  # fmt: skip
            Check("Only what is made today", on_change=lambda value: self._ask(made_today=value))

    def _captures(self) -> dict[str, str]:
        """Captures that show times within a cycle."""
        machine = self.bench.casework.machine
        known = {point.name: point for point in machine.point}
        return {
            str(entry.number): f"{entry.number}: {detail.file.name}"
            for entry, detail in self.bench.case.of_kind(CaptureAdded)
            if detail.point in known and point_named(machine, detail.point).mode == "timing"
        }

    def _ask(self, **changed: object) -> None:
        self.asked = replace(self.asked, **changed)  # type: ignore[arg-type]
        self.live.again()

    def work(self, progress: Progress) -> Fitting:
        """Every memory tried; called in a thread."""
        asked = self.asked
        return self.bench.casework.fitting(
            asked.chip,
            shape=asked.shape or None,
            selects=asked.selects,
            latched_by=asked.latched_by or None,
            choice=Wanted(
                memory=asked.memory or None, margin_percent=asked.margin, old_stock=not asked.made_today
            ),
            capture=None if asked.capture is None else self._entry(asked.capture),
        )

    def _entry(self, number: int) -> Entry:
        return next(entry for entry, _ in self.bench.case.of_kind(CaptureAdded) if entry.number == number)

    # -- what comes out -------------------------------------------------------------------------------------

    def draw(self, found: Fitting) -> None:
        """The best plan, the others, and what does not fit."""
        if found.plans:
            self._plan(found.plans[0])
            self._others(found.plans[1:])
        else:
            paragraph("▲ No memory fits.", classes="wb-bad-text wb-big")
        _refused(found.refused)

    def _plan(self, plan: Plan) -> None:
        with tag("div", classes="wb-panel wb-now"):
            paragraph(f"{plan.need.designator}: {plan.name} {plan.verdict}", classes="wb-big")
            how = "goes into the socket as it is" if plan.drop_in else "on an adapter"
            paragraph(f"Instead of {plan.need.socket.name}, {how}.")
            notes = plan_notes(plan)
            if notes:
                with tag("ul"):
                    for note in notes:
                        tag("li", note)
        cautions(plan_cautions(plan))
        with section("Drawing"):
            figure(
                replacement_drawing(plan, LIGHT), says=f"{plan.name} in the place of {plan.need.designator}"
            )
        with section("Worst-case timing"):
            _timing(plan)
        with section("Levels"):
            _levels(plan)
        if not plan.drop_in:
            with section("Wiring"):
                _wiring(plan)
        with section("Parts"):
            _parts(plan)
        with section("Files", classes="wb-controls"):
            self._files(plan)

    def _files(self, plan: Plan) -> None:
        source = Choice(
            "Contents", {REFERENCE: "what the chip should hold", REBUILT: "rebuilt from all sources"},
            hint="Every file is read back and compared before you get it; the label has checksum and CRC-32.",
        )  # fmt: skip

        async def programmer() -> None:
            chosen = source.value
            content = await self.bench.run(
                "Writing the programmer's files", lambda progress: _zip(self._contents(plan, chosen), plan)
            )
            ui.download.content(content, f"{plan.need.designator}-programmer.zip")
            tell("The programmer's files are in the browser's downloads.")

        def paper(name: str) -> Callable[[], None]:
            return lambda: ui.download.content(papers(plan)[name].encode(), f"{plan.need.designator}-{name}")

        with tag("div", classes="wb-row"):
            button("Files for the programmer (zip)", programmer, main=True)
            button("Drawing (SVG)", paper("drawing.svg"))
            button("Wiring (CSV)", paper("wiring.csv"))
            button("Parts (CSV)", paper("parts.csv"))

    def _contents(self, plan: Plan, source: str) -> Contents:
        """What the replacement is to hold.

        Raises:
            UsageError: The machine file names no image.
            ImageError: Bits of the rebuilt contents are not known.
        """
        casework, need = self.bench.casework, plan.need
        if source == REBUILT:
            return image_of(casework.rebuilt(need.designator))
        machine = casework.machine
        chip = rom_named(machine, need.designator)
        if chip.image is None:
            should = casework.reference(chip.name)
            if should.known.any():  # a listing of the processor's words has it
                return Contents(should.contents, should.known, chip.bits, source="the listings")
            raise UsageError(
                f"Nothing names an image for {chip.name}.",
                "Bring one in, or take the contents as they were rebuilt.",
            )
        return load_chip_contents(
            chip.image,
            need.words,
            need.bits,
            self.bench.case.machine_file.parent,
            byte_order=machine.processor_of(chip.processor).byte_order,
        )

    def _others(self, plans: Sequence[Plan]) -> None:
        if not plans:
            return
        with section("Other memories that fit"):
            table(
                ("memory", "verdict", "how", "least margin"),
                [
                    (each.name, each.verdict, "as it is" if each.drop_in else "adapter", _worst(each))
                    for each in plans
                ],
                caption="Other memories that fit",
                right=(3,),
            )
            quiet("Choose one above to see its wiring.")


def _percent(text: str) -> float:
    try:
        value = float(text.replace(",", ".") or 0)
    except ValueError:
        raise UsageError(f"{text!r} is no number of percent.", "Write a number from 0 to 90.") from None
    if not 0 <= value <= 90:
        raise UsageError(f"A margin of {text} percent cannot be.", "Write a number from 0 to 90.")
    return value


def _worst(plan: Plan) -> str:
    worst = plan.worst
    return "" if worst is None or worst.margin_ps is None else format_time(worst.margin_ps)


def _nanoseconds(picoseconds: int | None) -> str:
    return "?" if picoseconds is None else f"{picoseconds / 1000:.1f}"


def _timing(plan: Plan) -> None:
    rows = []
    for budget in plan.timing:
        percent = budget.margin_percent
        rows.append(
            (
                budget.edge,
                _nanoseconds(budget.available_ps),
                f"{budget.needed_ps / 1000:.1f}",
                _nanoseconds(budget.margin_ps),
                "" if percent is None else f"{percent:.0f} %",
                f"{budget.missing} not stated" if budget.missing else budget.status,
            )
        )
    table(
        ("edge", "there is, ns", "needed, ns", "margin, ns", "", "figures"),
        rows,
        caption="Worst-case timing",
        right=(1, 2, 3, 4),
        marked=[n for n, budget in enumerate(plan.timing) if (budget.margin_ps or 0) < 0],
    )
    with tag("details"):
        tag("summary", "Every term of every sum, with its source")
        table(
            ("edge", "term", "ns", "figure", "source"),
            [
                (budget.edge, term.name, f"{term.ps / 1000:.1f}", term.status, term.source)
                for budget in plan.timing
                for term in (*(budget.available or ()), *budget.needs)
            ],
            caption="Terms of the timing",
            right=(2,),
        )


def _levels(plan: Plan) -> None:
    table(
        ("output", "drives", "margin high", "margin low", "load", "figures"),
        [
            (
                check.driver, ", ".join(check.loads),
                f"{check.margin_high:.2f} V", f"{check.margin_low:.2f} V",
                f"{100 * max(check.share_high, check.share_low):.0f} %", check.status,
            )
            for check in plan.levels
        ],
        caption="Levels",
        right=(2, 3, 4),
    )  # fmt: skip


def _wiring(plan: Plan) -> None:
    quiet("→ stands where pins that lie on each other do not meet.")
    rows = wiring_table(plan)
    table(
        ("signal", "old pin", "", "through", "new pin", ""),
        [
            (row.signal, row.old, "→" if row.moved else "", "; ".join(row.through), row.new, row.note)
            for row in rows
        ],
        caption="Wiring",
        mono=(0, 1, 4),
    )


def _parts(plan: Plan) -> None:
    table(
        ("", "part", "for", ""),
        [(line.count, line.what, " ".join(line.refs), line.note) for line in parts_list(plan)],
        caption="Parts",
        right=(0,),
    )
    if plan.circuit.jumpers:
        heading("Jumpers", 3)
        with tag("ul"):
            for setting in jumper_table(plan):
                tag(
                    "li",
                    f"contents {setting.image + 1} at {setting.offset:04X}: {setting_text(setting)}",
                )


def _refused(refused: Sequence[Refusal]) -> None:
    if not refused:
        return
    with tag("details"):
        tag("summary", f"{len(refused)} memories that do not fit, and why")
        with tag("ul"):
            for each in refused[:REFUSED]:
                tag("li", f"{each.memory}: {'; '.join(each.reasons)}. {each.remedy}".strip())
        if len(refused) > REFUSED:
            quiet(f"… and {len(refused) - REFUSED} more: wrongbit fit --all tells them.")


def _zip(contents: Contents, plan: Plan) -> bytes:
    """All files for the programmer with labels and papers, as one file."""
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="wrongbit-files-") as folder:
        for each in write_programmer_files(contents, plan, Path(folder)):
            assert each.path.exists()
        for name, text in papers(plan).items():
            (Path(folder) / name).write_text(text, "utf-8")
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
            for path in sorted(Path(folder).iterdir()):
                file.write(path, path.name)
    return packed.getvalue()
