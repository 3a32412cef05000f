"""The machine, what can hurt at it, and the ladder of what must be right before any bus."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.bringup.advice import next_step
from wrongbit.bringup.ladder import Ladder
from wrongbit.casework.words import listed
from wrongbit.machine.lookup import shown_file
from wrongbit.machine.model import Chip, Machine
from wrongbit.report.content import Block, Column, Figure, Paragraph, Section, Table
from wrongbit.report.figures import ladder_figure
from wrongbit.report.sections.words import absent
from wrongbit.units import format_address, format_bits


def machine_section(machine: Machine) -> Section:
    """Processors, chips, parts and probe points as the machine file has them."""
    blocks: list[Block] = []
    if machine.machine.invented:
        blocks.append(Paragraph("This machine is invented; it stands for an example.", "note"))
    if machine.machine.notes:
        blocks.append(Paragraph(machine.machine.notes))
    blocks.append(_processors(machine))
    blocks.append(_chips(machine) if machine.chip else absent("The machine file names no memory."))
    if machine.part:
        blocks.append(_parts(machine))
    if machine.point:
        blocks.append(_points(machine))
    return Section("The machine", tuple(blocks))


def _processors(machine: Machine) -> Table:
    rows = []
    for each in machine.processor:
        recipe = each.recipe if isinstance(each.recipe, str) else "a recipe of its own"
        sets = each.instructions or "of the recipe's family"
        start = "–" if each.start_address is None else format_address(each.start_address, each.address_bits)
        rows.append(
            (
                each.name,
                recipe,
                f"{each.word_bits} bits",
                f"{each.address_bits} bits",
                start,
                sets,
            )
        )
    columns = (
        Column("processor"), Column("bus recipe", share=1.4), Column("word"), Column("address"),
        Column("starts at", "word"), Column("instructions", share=1),
    )  # fmt: skip
    return Table(columns, tuple(rows), "Processors.")


def _chips(machine: Machine) -> Table:
    rows = [
        (
            chip.name,
            chip.kind,
            chip.type or "–",
            f"{chip.words} × {chip.bits}",
            format_bits(chip.lane),
            _regions(machine, chip),
            "–" if chip.image is None else shown_file(chip.image.file),
        )
        for chip in machine.chip
    ]
    columns = (
        Column("chip"), Column("kind"), Column("type", share=1), Column("words × bits", "word"),
        Column("feeds word bits", "word"), Column("answers at", "word", 1.3),
        Column("reference file", share=1),
    )  # fmt: skip
    caption = "Memories and ports."
    if machine.listing:
        files = list(dict.fromkeys(shown_file(each.file) for each in machine.listing))
        caption += f" Further references: {listed(files)}."
    return Table(columns, tuple(rows), caption)


def _regions(machine: Machine, chip: Chip) -> str:
    bits = machine.processor_of(chip.processor).address_bits
    told = []
    for region in chip.region:
        bank = "" if region.bank is None else f"bank {region.bank}: "
        last = min(region.base + region.size - 1, (1 << bits) - 1)
        told.append(f"{bank}{format_address(region.base, bits)}–{format_address(last, bits)[2:]}")
    return ", ".join(told)


def _parts(machine: Machine) -> Table:
    rows = []
    for part in machine.part:
        on = [path.name for path in machine.path if part.name in path.through]
        rows.append((part.name, part.kind, part.type or "–", ", ".join(on) or "no path"))
    columns = (Column("part"), Column("kind"), Column("type"), Column("signals pass it on", share=1))
    return Table(columns, tuple(rows), "What lies between chips and processors.")


def _points(machine: Machine) -> Table:
    modes = {
        "timing": "samples at the instrument's own clock",
        "state": "one sample a clock edge",
        "cycles": "one row a bus cycle",
    }
    rows = []
    for point in machine.point:
        trust = "" if point.address_trusted else "; its address is not to be relied on"
        where = f"on the outputs of {point.chip}" if point.chip else _where(point.on)
        rows.append(
            (point.name, point.processor or machine.processor[0].name, where, modes[point.mode] + trust)
        )
    columns = (
        Column("probe point"),
        Column("bus of"),
        Column("clipped on", share=1),
        Column("records", share=1),
    )
    return Table(columns, tuple(rows), "Probe points.")


def _where(on: dict[str, str]) -> str:
    if not on:
        return "the processor's pins"
    return ", ".join(
        f"{path} behind {part}" if part else f"{path} at its beginning" for path, part in on.items()
    )


def cautions_section(cautions: Sequence[str]) -> Section:
    """Dangers, each set apart."""
    told = tuple(Paragraph(text, "caution") for text in dict.fromkeys(cautions))
    return Section("Cautions", told or (absent("The machine file names no danger of this machine."),))


def ladder_section(ladder: Ladder, machine: Machine) -> Section:
    """Rails, clocks, reset and inputs with what was measured."""
    title = "Bring-up ladder"
    if not ladder.rungs:
        return Section(
            title, (absent("Not looked at: the machine file has no rail, clock or start-up input to judge."),)
        )
    if ladder.count("not measured") == len(ladder.rungs):
        return Section(title, (absent("None of its steps has been measured."), _ladder_table(ladder)))
    figure = Figure(
        lambda theme: ladder_figure(ladder, theme),
        "Rails, clocks, reset and inputs in the order in which to look: ✓ within its limits, ▲ outside, an "
        "empty ring where nothing was measured.",
    )
    told = Paragraph(next_step(ladder, machine), "conclusion")
    return Section(title, (figure, _ladder_table(ladder), told))


def _ladder_table(ladder: Ladder) -> Table:
    rows = tuple(
        (
            rung.title,
            rung.wanted + (" *" if rung.assumed else ""),
            rung.measured or "–",
            rung.verdict + (f", {rung.off}" if rung.off else ""),
            rung.source if rung.measured else "–",
            rung.note or "–",
        )
        for rung in ladder.rungs
    )
    columns = (
        Column("rung"), Column("should be"), Column("measured"), Column("verdict"), Column("source", share=1),
        Column("note", share=1),
    )  # fmt: skip
    marked = frozenset(number for number, rung in enumerate(ladder.rungs) if rung.verdict == "outside")
    assumed = " * By the input's logic family; the machine file does not say." if any(
        rung.assumed for rung in ladder.rungs
    ) else ""  # fmt: skip
    return Table(columns, rows, f"Every step with its limits.{assumed}", marked)
