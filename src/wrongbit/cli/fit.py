"""``wrongbit fit``: choose and plan a replacement memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.cli import fitting, options
from wrongbit.cli.show import ACCENT, QUIET, indented, out, plain_table, print_json
from wrongbit.errors import UsageError
from wrongbit.replace.fit import Choice, Fitting, Plan, Refusal
from wrongbit.replace.timing import Budget
from wrongbit.replace.wiring import (
    cautions,
    jumper_table,
    parts_list,
    plan_notes,
    wiring_table,
)
from wrongbit.units import format_time

app = typer.Typer(add_completion=False, rich_markup_mode=None)

Folder = Annotated[
    Path | None,
    typer.Option(
        "--folder", help="Write the drawing (SVG), the wiring table and the parts list (CSV) there.",
        show_default=False,
    ),
]  # fmt: skip
Terms = Annotated[bool, typer.Option("--terms", help="Show every term of every sum with its source.")]
Everything = Annotated[bool, typer.Option("--all", help="Show every memory that fits or does not, and why.")]


@app.command()
def fit(
    file: fitting.Source,
    chip: options.ChipName = None,
    chip_option: options.ChipOption = None,
    shape: fitting.ShapeName = None,
    select: fitting.SelectLevels = None,
    latched_by: fitting.LatchSignal = None,
    memory: fitting.MemoryName = None,
    grade: fitting.GradeName = None,
    latch: fitting.LatchNumber = "573",
    family: fitting.FamilyNames = None,
    buffer: fitting.BufferNumber = "auto",
    margin: fitting.Margin = 0.0,
    images: fitting.Images = None,
    made_today: fitting.CurrentOnly = False,
    capture: fitting.CapturePath = None,
    point: options.PointName = None,
    folder: Folder = None,
    terms: Terms = False,
    everything: Everything = False,
    as_json: options.Json = False,
) -> int:
    """Choose a memory that can still be bought for a chip's place, and plan its wiring and its timing."""
    chip = options.chip_meant(chip, chip_option)
    choice: Choice = fitting.choice_of(memory, grade, latch, family, buffer, margin, made_today)
    asked = fitting.Asked(file, chip, shape, tuple(select or ()), latched_by, choice, images, capture, point)
    found = fitting.find_plans(asked)
    if folder is not None and found.plans:
        write_papers(found.plans[0], folder)
    if as_json:
        from wrongbit.replace.summary import fitting_summary

        print_json(fitting_summary(found))
    else:
        _show(found, terms=terms, everything=everything)
        if folder is not None and found.plans:
            out.print(f"Drawing, wiring table and parts list written to {folder}.")
    return 0 if found.plans else 1


def _show(found: Fitting, *, terms: bool, everything: bool) -> None:
    if not found.plans:
        out.print(Text("No memory fits.", ACCENT))
        _show_refused(found.refused if everything else found.refused[:5])
        return
    plan = found.plans[0]
    _show_head(plan)
    _show_timing(plan, terms=terms)
    _show_levels(plan)
    _show_wiring(plan)
    _show_parts(plan)
    _show_jumpers(plan)
    for title, lines in (("Notes", plan_notes(plan)), ("Cautions", cautions(plan))):
        out.print(Text(f"\n{title}", "bold"))
        for line in lines:
            out.print(f"  • {line}", soft_wrap=True, markup=False)
    _show_others(found.plans[1:] if everything else found.plans[1:4])
    if everything:
        _show_refused(found.refused)


def _show_head(plan: Plan) -> None:
    need = plan.need
    out.print(Text(f"{need.designator}: {plan.name} {plan.verdict}", "bold"), end="")
    out.print("" if not need.machine else f"  ({need.machine})", markup=False)
    how = "goes into the socket as it is" if plan.drop_in else "on an adapter"
    logic = ", ".join(sorted({f"74{plan.family}{d.number}" for d in plan.circuit.devices
                              if d.part in ("latch", "gate", "buffer")}))  # fmt: skip
    out.print(f"  instead of {need.socket.name}, {how}" + (f", with {logic}" if logic else ""), markup=False)


def _margin(budget: Budget) -> tuple[str, str]:
    if budget.margin_ps is None:
        return "?", "?"
    percent = budget.margin_percent
    return f"{budget.margin_ps / 1000:.1f}", "" if percent is None else f"{percent:.0f} %"


def _show_timing(plan: Plan, *, terms: bool) -> None:
    out.print(Text("\nWorst-case timing, ns", "bold"))
    rows = plain_table(
        ("edge", "left"), ("there is", "right"), ("needed", "right"), ("margin", "right"), ("", "right"),
        ("figures", "left"),
    )  # fmt: skip
    for budget in plan.timing:
        there = "?" if budget.available_ps is None else f"{budget.available_ps / 1000:.1f}"
        status = f"{budget.missing} not stated" if budget.missing else budget.status
        rows.add_row(budget.edge, there, f"{budget.needed_ps / 1000:.1f}", *_margin(budget), status)
        if terms:
            for term in (*(budget.available or ()), *budget.needs):
                text = Text(f"  {term.name}", QUIET)
                rows.add_row(text, "", f"{term.ps / 1000:.1f}", "", "", f"{term.status}: {term.source}")
    out.print(indented(rows))


def _show_levels(plan: Plan) -> None:
    out.print(Text("\nLevels", "bold"))
    rows = plain_table(
        ("output", "left"), ("drives", "left"), ("margin high", "right"), ("low", "right"), ("load", "right"),
        ("figures", "left"),
    )  # fmt: skip
    for check in plan.levels:
        share = max(check.share_high, check.share_low)
        rows.add_row(
            check.driver, ", ".join(check.loads), f"{check.margin_high:.2f} V", f"{check.margin_low:.2f} V",
            f"{100 * share:.0f} %", check.status,
        )  # fmt: skip
    out.print(indented(rows))


def _show_wiring(plan: Plan) -> None:
    if plan.drop_in:
        return
    out.print(Text("\nWiring (→ where pins that lie on each other do not meet)", "bold"))
    rows = plain_table(
        ("signal", "left"), ("old pin", "left"), ("", "left"), ("through", "left"), ("new pin", "left"),
        ("", "left"),
    )  # fmt: skip
    for row in wiring_table(plan):
        mark = Text("→", ACCENT) if row.moved else ""
        rows.add_row(row.signal, row.old, mark, "\n".join(row.through), row.new, row.note)
    out.print(indented(rows))


def _show_parts(plan: Plan) -> None:
    out.print(Text("\nParts", "bold"))
    rows = plain_table(("", "right"), ("part", "left"), ("for", "left"), ("", "left"))
    for line in parts_list(plan):
        rows.add_row(str(line.count), line.what, " ".join(line.refs), Text(line.note, QUIET))
    out.print(indented(rows))


def _show_jumpers(plan: Plan) -> None:
    if not plan.circuit.jumpers:
        return
    from wrongbit.replace.programmer import setting_text

    out.print(Text("\nJumpers", "bold"))
    for setting in jumper_table(plan):
        out.print(
            f"  contents {setting.image + 1} at {setting.offset:04X}: {setting_text(setting)}", markup=False
        )


def _show_others(plans: Sequence[Plan]) -> None:
    if not plans:
        return
    out.print(Text("\nOther memories that fit", "bold"))
    for plan in plans:
        worst = plan.worst
        margin = (
            "" if worst is None or worst.margin_ps is None else f", margin {format_time(worst.margin_ps)}"
        )
        how = "as it is" if plan.drop_in else "adapter"
        out.print(f"  {plan.name}: {plan.verdict}, {how}{margin}", markup=False)


def _show_refused(refused: Sequence[Refusal]) -> None:
    if refused:
        out.print(Text("\nDo not fit", "bold"))
    for refusal in refused:
        remedy = f" {refusal.remedy}" if refusal.remedy else ""
        out.print(f"  {refusal.memory}: {'; '.join(refusal.reasons)}.{remedy}", soft_wrap=True, markup=False)


# -- papers ------------------------------------------------------------------------------------------------


def write_papers(plan: Plan, folder: Path) -> None:
    """Drawing, wiring table and parts list, each whole or not at all.

    Raises:
        UsageError: The folder cannot be written.
    """
    from wrongbit.replace.papers import papers

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in papers(plan).items():
            part = folder / f".{name}.part"
            try:
                part.write_text(text, "utf-8")
                part.replace(folder / name)
            finally:
                part.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror}.", "Choose another folder.") from None
