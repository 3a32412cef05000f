"""The board map: parts between chip and processor; one that is chosen tells what speaks for and against."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.sax.saxutils import quoteattr, unescape

from nicegui.element import Element
from nicegui.events import GenericEventArguments

from wrongbit.diagnose.entropy import odds_text
from wrongbit.diagnose.suspects import Suspect, Weighing
from wrongbit.machine.model import Point
from wrongbit.report.figures import board_map, percent
from wrongbit.report.theme import LIGHT
from wrongbit.web.elements import (
    Check,
    Choice,
    figure,
    heading,
    live,
    paragraph,
    quiet,
    section,
    table,
    tag,
)
from wrongbit.web.pages.measure import measurement_form
from wrongbit.web.workbench import Workbench

_PART = re.compile(r"<rect ([^<>]*)><title>([^<>]*)</title></rect>")
"""A part's box, as the drawing names it."""

CONFLICTS = 6


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    live(bench, "Weighing the suspects", bench.casework.weighing, lambda found: _draw(bench, found))


def _draw(bench: Workbench, weighing: Weighing | None) -> None:
    if weighing is None:
        paragraph("The machine file tells no [[part]] and [[path]], so that there is no map to draw.")
        quiet("Add them to the machine file; docs/diagnosis.md tells how.")
        return
    suspects = {each.part: each for each in weighing.suspects()}
    first = next(iter(suspects), "")

    def choose(part: str) -> None:
        details.clear()
        with details:
            _part(bench, weighing, suspects.get(part), part)

    names = _names(weighing, list(suspects))
    map_ = figure(selectable(board_map(weighing, LIGHT)), says="Board map", classes="wb-board")
    map_.on("click", lambda event: _clicked(event, names, choose), js_handler=_CLICK)
    with tag("div", classes="wb-row wb-controls"):
        Choice("Part", names, first, on_change=choose, hint="Or press a part on the map.")
        Check("Larger map, to be scrolled", on_change=lambda large: _enlarge(map_, large))
    details: Element = tag("div", aria_live="polite")
    choose(first)
    _structure(weighing)
    _listed(weighing)


_CLICK = (
    "(e) => { const part = e.target.closest('[data-part]'); "
    "if (!part) return; emit(part.dataset.part); "
    "document.getElementById('part')?.scrollIntoView({block: 'nearest'}); }"
)


def _enlarge(map_: Element, large: bool) -> None:
    map_.classes(add="wb-board-large") if large else map_.classes(remove="wb-board-large")


def _names(weighing: Weighing, suspected: list[str]) -> list[str]:
    """Parts and chips, the most suspected first."""
    machine = weighing.structure.machine
    every = [*(each.name for each in machine.part), *(each.name for each in machine.chip)]
    return list(dict.fromkeys([*suspected, *every]))


def _clicked(event: GenericEventArguments, names: list[str], choose: Callable[[str], None]) -> None:
    given = event.args
    part = str(given[0] if isinstance(given, list) else given)
    if part in names:
        choose(part)


def selectable(svg: str) -> str:
    """The board map with each part's box as something that can be pressed."""

    def button(found: re.Match[str]) -> str:
        name = unescape(found[2], {"&quot;": '"'})
        says = quoteattr(f"{name}: reasons")
        return (
            f'<rect {found[1].rstrip("/ ")} role="button" tabindex="0" data-part={quoteattr(name)} '
            f"aria-label={says}><title>{found[2]}</title></rect>"
        )

    return _PART.sub(button, svg).replace('role="img"', 'role="group"', 1)


def _part(bench: Workbench, weighing: Weighing, suspect: Suspect | None, part: str) -> None:
    """What is known of one part, and fields for what was done to it."""
    with section(f"{part or 'No part'}{_kind(weighing, part)}", key="part"):
        if suspect is None:
            quiet("Nothing that it could have wrong is among what was weighed.")
        else:
            _suspect(weighing, suspect)
        if part in bench.places("swapped"):
            heading("Enter what was done to it", 3, classes="wb-controls")
            measurement_form(bench, part)


def _kind(weighing: Weighing, part: str) -> str:
    found = weighing.structure.parts.get(part)
    if found is not None:
        return f", {found.kind}"
    chip = weighing.structure.chips.get(part)
    return f", {chip.kind}" if chip is not None else ""


def _suspect(weighing: Weighing, suspect: Suspect) -> None:
    with tag("p"):
        tag("strong", percent(suspect.share))
        tag("span", f" of the doubt; {percent(suspect.prior)} before anything was measured. ")
        if suspect.part in weighing.top() and weighing.labels:
            alone = len(weighing.top()) == 1
            says = (
                "▲ The most suspected part."
                if alone
                else "▲ One of the most suspected parts, which cannot be told apart."
            )
            tag("span", says, classes="wb-bad-text")
    with tag("div", classes="wb-columns"):
        with tag("div"):
            heading("How it may be wrong", 3)
            table(
                ("share", "what"),
                [(percent(share), says) for says, share in suspect.ways],
                caption="Ways",
                right=(0,),
            )
        with tag("div"):
            heading("For and against", 3)
            if suspect.witnesses:
                table(
                    ("observation", "speaks"),
                    [(each.label, odds_text(each.nats)) for each in suspect.witnesses],
                    caption="What each observation says of it",
                )
            else:
                quiet("Nothing was captured or measured yet.")


def _structure(weighing: Weighing) -> None:
    """Reasons that need no probabilities."""
    if not weighing.conflicts:
        return
    with section("By structure alone"):
        with tag("ul"):
            for conflict in weighing.conflicts[:CONFLICTS]:
                tag("li", f"Not all of these are sound: {', '.join(sorted(conflict))}.")
        single = sorted(next(iter(each)) for each in weighing.diagnoses if len(each) == 1)
        if single:
            paragraph(f"One part alone would do: {', '.join(single)}.")


def _listed(weighing: Weighing) -> None:
    """The map in words: nothing on it can be had only by pointing at it."""
    machine = weighing.structure.machine
    looks: dict[str, bool] = {}
    for look in weighing.looks:
        looks[look.point.name] = looks.get(look.point.name, False) or bool(look.wrong)
    with section("The map in words"):
        heading("Paths", 3)
        table(
            ("path", "carries", "from", "through", "to"),
            [_path(weighing, number) for number in range(len(machine.path))],
            caption="Paths",
        )
        heading("Probe points", 3)
        seen = {True: "▲ wrong words seen", False: "✓ no wrong word seen", None: "not captured yet"}
        table(
            ("point", "where", "captured"),
            [(point.name, _where(point), seen[looks.get(point.name)]) for point in machine.point],
            caption="Probe points",
            mono=(0,),
        )


def _path(weighing: Weighing, number: int) -> tuple[str, ...]:
    path = weighing.structure.machine.path[number]
    chips, processors = ", ".join(path.chips), ", ".join(weighing.structure.processors[number])
    ends = (chips, processors) if path.carries == "data" else (processors, chips)
    return path.name, path.carries, ends[0], " → ".join(path.through), ends[1]


def _where(point: Point) -> str:
    if not point.on:
        return "at the processor's own pins"
    places = ((path, f"behind {part}" if part else "at the chip") for path, part in point.on.items())
    return "; ".join(f"{path}: {place}" for path, place in places)
