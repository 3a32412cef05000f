"""How an examined chip is shown: passes, stability, the pattern with its odds, the chip map."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from rich.text import Text

from wrongbit.cli.show import ACCENT, QUIET, hex_word, indented, out, plain_table, show_cautions
from wrongbit.machine.model import Chip
from wrongbit.reading.array import (
    NOT_JUDGED,
    UNSTABLE,
    WRONG,
    Gathering,
    Geometry,
    map_geometry,
    picture,
)
from wrongbit.reading.examine import Examination, Twin
from wrongbit.reading.intervals import Rate
from wrongbit.reading.weighed import Pattern, Weighed
from wrongbit.units import format_bits

SHOWN = 5
"""Further explanations that are listed after the best ones."""

MOST_BAD = 0.2
"""Share of bad cells beyond which a map tells nothing."""

MARKS = {NOT_JUDGED: ("?", QUIET), UNSTABLE: ("~", "#0072b2"), WRONG: ("×", ACCENT)}
"""Mark and colour of each state on the map; a good place is a dot."""

MAP_ROWS, MAP_ACROSS = 32, 64
"""Places of the map, down and across at most."""

CAUTION = (
    "Switch the reader off before a chip goes in or comes out, check which way round pin 1 is, and work on "
    "an earthed mat with a wrist strap."
)
"""Common practice, no source."""


def show_examination(machine: str, chip: Chip, found: Examination) -> None:
    """Everything that the readings say, for a person."""
    kind = f" ({chip.type})" if chip.type else ""
    out.print(
        Text(machine, "bold"), f"— {chip.name}{kind} in a reader: {chip.words} words of {chip.bits} bits"
    )
    show_cautions([CAUTION])
    out.print()
    _show_passes(found)
    _show_stability(found)
    if found.weighed is not None:
        _show_weighed("What explains it", found.weighed)
    elif found.twin is None:
        out.print()
        out.print("There is no reference: what follows is what the contents show by themselves.")
    _show_structure(found)
    if found.twin is not None:
        _show_twin(found.twin)
    _show_map(found)


# Passes and stability ------------------------------------------------------------------------------


def _show_passes(found: Examination) -> None:
    judged = "wrong words" if found.wrong is not None else "not as the majority"
    table = plain_table(("pass", "right"), ("file", "left"), (judged, "right"), ("conditions", "left"))
    for number, (reading, count) in enumerate(zip(found.readings, found.by_pass, strict=True), 1):
        table.add_row(
            str(number),
            reading.name,
            str(count),
            reading.conditions.say(),
            style=ACCENT if count else None,
        )
    out.print(indented(table))


def _show_stability(found: Examination) -> None:
    stable = found.stability
    out.print()
    if stable.passes == 1:
        out.print("One pass tells nothing about how stable the chip is: read it several times.")
    elif not stable.cells.count:
        out.print(
            f"All {stable.passes} passes are the same, bit for bit (a cell that wavers in up to "
            f"{Rate(0, stable.passes).exact[1]:.0%} of the reads may still hide, at 95 %).",
            soft_wrap=True,
        )
    else:
        out.print(
            Text.assemble(
                ("Stability  ", "bold"),
                f"{stable.cells.count} of {stable.cells.total} cells waver, in {stable.words.count} words: "
                f"{rate_text(stable.cells)}. Of all reads of a bit {rate_text(stable.reads)} gave the rarer "
                "level.",
            ),
            soft_wrap=True,
        )
        if stable.passes == 2:
            out.print("  Two passes cannot outvote each other: make a third.")
        _show_where(found)
    for dependence in found.dependences:
        out.print(f"  {dependence.say()}", soft_wrap=True)


def rate_text(rate: Rate) -> str:
    """A rate with its exact interval at 95 %.

    >>> rate_text(Rate(1, 10))
    '10 % (0.253 to 44.5 %)'
    """
    low, high = rate.exact
    return f"{100 * rate.value:.3g} % ({100 * low:.3g} to {100 * high:.3g} %)"


def _show_where(found: Examination) -> None:
    """Outputs with wavering cells, and address lines that go with them."""
    table = plain_table(
        ("output", "right"),
        ("cells that waver", "right"),
        ("95 % (Wilson)", "left"),
        ("95 % (exact)", "left"),
        ("rarer level read", "right"),
    )
    for output in found.stability.outputs:
        if output.cells.count:
            ends = [
                f"{100 * low:.3g}–{100 * high:.3g} %"
                for low, high in (output.cells.wilson, output.cells.exact)
            ]
            table.add_row(f"D{output.output}", str(output.cells.count), *ends, str(output.reads.count))
    out.print()
    out.print(indented(table))
    told = []
    for line in found.stability.lines:
        if line.telling:
            level = int(line.levels[1].value > line.levels[0].value)
            less, more = (100 * line.levels[each].value for each in (1 - level, level))
            told.append(f"A{line.line} = {level} ({more:.3g} % of the cells against {less:.3g} %)")
    if told:
        out.print(f"  Cells waver more where {', '.join(told)}.", soft_wrap=True)


# The pattern ---------------------------------------------------------------------------------------


def _show_weighed(title: str, weighed: Weighed, reference: str = "the reference") -> None:
    out.print()
    if not weighed.fault_seen:
        out.print(Text("No fault seen. ", "bold"), weighed.remark())
        return
    out.print(
        Text.assemble(
            ("Compared  ", "bold"),
            f"{weighed.wrong_cells} of {weighed.judged_cells} bits were read wrong, in {weighed.wrong_words} "
            f"words; {weighed.always_wrong} of them in every pass. {weighed.rises} read 1 for 0, "
            f"{weighed.wrong_cells - weighed.rises} read 0 for 1.",
        ),
        soft_wrap=True,
    )
    out.print()
    out.print(Text(title, "bold"))
    out.print()
    table = plain_table(("", "left"), ("odds", "right"), ("pattern", "left"), ("left over", "right"))
    shown = weighed.patterns[: weighed.ties + SHOWN]
    for index, each in enumerate(shown):
        tied = index < weighed.ties
        table.add_row(
            ("=" if weighed.ties > 1 else "▶") if tied else "",
            _percent(each.probability),
            each.says.replace("the reference", reference),
            str(each.unexplained),
            style="bold" if tied else None,
        )
    out.print(table)
    out.print()
    out.print(f"  {weighed.remark()}", soft_wrap=True)
    out.print()
    for advice in _advice(weighed.patterns[: weighed.ties]):
        out.print(Text.assemble(("→ ", ACCENT), (advice, "bold")), soft_wrap=True)
    out.print(
        Text(
            f"  {weighed.addresses} addresses weighed, {weighed.considered} faults and pairs; noise rate "
            f"{weighed.noise:g} a bit and pass.",
            QUIET,
        )
    )


def _percent(probability: float) -> str:
    if probability > 0.9995:
        return "> 99.9 %"
    return f"{probability:.1%}" if probability >= 0.001 else "< 0.1 %"


def _advice(patterns: Sequence[Pattern]) -> list[str]:
    return list(dict.fromkeys(each.advice for each in patterns if each.advice))


def _show_structure(found: Examination) -> None:
    """With a reference only what the weighing cannot say: sums that hold or fail."""
    structure = found.structure
    remarks = [
        each
        for each in structure.remarks
        if found.weighed is None or each.kind in ("checksum fails", "entropy break")
    ]
    if not remarks and not structure.rules and not structure.zero_sums and found.weighed is not None:
        return
    out.print()
    out.print(Text("The contents by themselves", "bold"), "(majority of the passes)")
    for each in remarks:
        mark, style = ("▲ ", ACCENT) if each.suspicious else ("  ", "")
        out.print(Text.assemble((f"  {mark}", style), each.says), soft_wrap=True)
        if each.advice and each.suspicious:
            out.print(Text(f"      → {each.advice}"), soft_wrap=True)
    for rule in structure.rules:
        if rule.check.holds:
            out.print(
                f"    The {rule.check.rule} header at 0x{rule.at:X} covers {rule.check.size} bytes, and its "
                "sum holds."
            )
    for name in structure.zero_sums:
        out.print(f"    Over the whole the {name}, is zero; that may be chance.")
    if found.weighed is None:
        if not any(each.suspicious for each in remarks):
            out.print("    Nothing suspicious.")
        _show_stretches(found)


def _show_stretches(found: Examination) -> None:
    digits = 4 * -(-(len(found.chip.contents) - 1).bit_length() // 4)
    shown = found.structure.stretches[:12]
    told = [f"{hex_word(each.first, digits)}: {each.entropy:.1f}" for each in shown]
    more = len(found.structure.stretches) - len(shown)
    out.print(
        f"    Entropy from each address on, in bits a byte: {', '.join(told)}"
        + (f", {more} more." if more else "."),
        soft_wrap=True,
    )


def _show_twin(twin: Twin) -> None:
    out.print()
    if not twin.words:
        out.print(Text("Twin  ", "bold"), f"The majority is the same as {twin.name}.")
    else:
        out.print(
            Text.assemble(
                ("Twin  ", "bold"),
                f"{twin.words} words differ from {twin.name}, the first at 0x{twin.first:X}: {twin.rises} "
                f"bits are 1 here and 0 there, {twin.falls} the other way.",
            ),
            soft_wrap=True,
        )
    if twin.against_reference is not None:
        told = (
            "agrees with" if not twin.against_reference else f"differs in {twin.against_reference} words from"
        )
        out.print(f"  The twin itself {told} the reference.")
    if twin.weighed.fault_seen:
        _show_weighed("What would make one of the other", twin.weighed, twin.name)


# The map -------------------------------------------------------------------------------------------


def _show_map(found: Examination) -> None:
    """The array by its rows and columns, where any place of it is bad."""
    gathering = found.gathering
    bad = found.stability.cells.count
    if found.always_wrong is not None:
        bad += int(np.bitwise_count(found.always_wrong).sum())
    if not bad:
        return
    if bad > MOST_BAD * found.stability.cells.total:
        out.print()
        out.print("So many cells are bad that a map of the chip would show nothing.")
        return
    geometry = map_geometry(found.chip, gathering)
    outputs = len(found.chip.lane)
    across = max(1, min(1 << len(geometry.columns), MAP_ACROSS // outputs))
    drawn = picture(
        found.chip,
        geometry,
        found.always_wrong,
        found.stack.unstable,
        found.judged,
        height=min(1 << len(geometry.rows), MAP_ROWS),
        across=across,
    )
    out.print()
    out.print(
        Text("Chip map", "bold"),
        f"rows by A {format_bits(geometry.rows) or 'none'}, "
        f"columns by A {format_bits(geometry.columns) or 'none'} ({_source(geometry, gathering)}); "
        f"a place is {drawn.rows_each} rows × {drawn.columns_each} columns",
        soft_wrap=True,
    )
    out.print()
    wide = drawn.states.shape[2]
    head = " ".join(f"{'D' + str(output):<{max(wide, 3)}}" for output in range(outputs))
    digits = len(str((1 << len(geometry.rows)) - 1))
    out.print(Text(f"  {'':>{digits}}  {head}", QUIET))
    for row in range(drawn.states.shape[0]):
        line = Text(f"  {row * drawn.rows_each:>{digits}}  ", QUIET)
        for output in range(outputs):
            for state in drawn.states[row, output].tolist():
                mark, style = MARKS.get(state, ("·", QUIET))
                line.append(mark, style)
            line.append(" " * (max(wide, 3) - wide + 1))
        line.rstrip()
        out.print(line)
    out.print(Text("  · good   × wrong in every pass   ~ wavers   ? not judged", QUIET))
    for place in gathering.places[:3]:
        text = place.say()
        out.print(f"  {text[0].upper()}{text[1:]} ({_percent(place.probability)}).", soft_wrap=True)
    if not gathering.places:
        out.print("  The bad cells gather in no row or column.")


def _source(geometry: Geometry, gathering: Gathering) -> str:
    """Where the split into rows and columns comes from."""
    if geometry.declared:
        return "machine file"
    if geometry == gathering.geometry and gathering.sure > 0.9:
        return f"the split that gathers the errors, {_percent(gathering.sure)} sure"
    return "chosen for the map only"


# For programs --------------------------------------------------------------------------------------


def examination_as_json(machine: str, found: Examination, notes: Sequence[str]) -> dict[str, Any]:
    """An examination for programs."""
    stable = found.stability
    return {
        "machine": machine,
        "chip": found.chip.name,
        "words": len(found.chip.contents),
        "bits": len(found.chip.lane),
        "notes": list(notes),
        "fault_seen": found.fault_seen,
        "passes": [
            {"name": reading.name, "wrong_words": count, "conditions": vars(reading.conditions)}
            for reading, count in zip(found.readings, found.by_pass, strict=True)
        ],
        "stability": {
            "words": _rate(stable.words),
            "cells": _rate(stable.cells),
            "reads": _rate(stable.reads),
            "outputs": [
                {"output": each.output, "cells": _rate(each.cells), "reads": _rate(each.reads)}
                for each in stable.outputs
            ],
            "address_lines": [
                {"line": each.line, "levels": [_rate(level) for level in each.levels]}
                for each in stable.lines
            ],
        },
        "dependences": [
            {"quantity": each.quantity, "rises": each.rises, "chance": each.chance, "says": each.say()}
            for each in found.dependences
        ],
        "array": {
            "rows": list(found.gathering.geometry.rows),
            "columns": list(found.gathering.geometry.columns),
            "declared": found.gathering.geometry.declared,
            "sure": found.gathering.sure,
            "even": found.gathering.even,
            "places": [
                {
                    "kind": place.kind,
                    "lines": list(place.lines),
                    "number": place.number,
                    "output": place.output,
                    "inside": _rate(place.inside),
                    "elsewhere": _rate(place.elsewhere),
                    "probability": place.probability,
                }
                for place in found.gathering.places
            ],
        },
        "reference": None if found.weighed is None else _weighed(found.weighed),
        "contents": {
            "remarks": [vars(each) for each in found.structure.remarks],
            "entropy": [vars(each) for each in found.structure.stretches],
            "rules": [
                {"at": rule.at, "uncertain_words": rule.uncertain, **vars(rule.check)}
                for rule in found.structure.rules
            ],
            "zero_sums": list(found.structure.zero_sums),
        },
        "twin": None
        if found.twin is None
        else {
            "name": found.twin.name,
            "words": found.twin.words,
            "rises": found.twin.rises,
            "falls": found.twin.falls,
            "judged_bits": found.twin.judged,
            "first": found.twin.first,
            "differs_from_reference": found.twin.against_reference,
            **_weighed(found.twin.weighed),
        },
    }


def _rate(rate: Rate) -> dict[str, Any]:
    return {
        "count": rate.count,
        "total": rate.total,
        "wilson_95": list(rate.wilson),
        "exact_95": list(rate.exact),
    }


def _weighed(weighed: Weighed) -> dict[str, Any]:
    return {
        "fault_seen": weighed.fault_seen,
        "remark": weighed.remark(),
        "wrong_words": weighed.wrong_words,
        "wrong_bits": weighed.wrong_cells,
        "always_wrong_bits": weighed.always_wrong,
        "read_as_one": weighed.rises,
        "judged_bits": weighed.judged_cells,
        "considered": weighed.considered,
        "noise": weighed.noise,
        "ties": weighed.ties,
        "patterns": [
            {
                "model": each.model,
                "says": each.says,
                "advice": each.advice,
                "probability": each.probability,
                "explained": each.explained,
                "unexplained": each.unexplained,
            }
            for each in weighed.patterns
        ],
    }
