"""``wrongbit standin``: parts for a signal that takes a missing start-up signal's place."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.text import Text

from wrongbit.bringup.circuit import wiring_lines
from wrongbit.bringup.counter import Counts
from wrongbit.bringup.ladder import Rung
from wrongbit.bringup.schematic import schematic_svg
from wrongbit.bringup.series import engineering
from wrongbit.bringup.standin import CAUTIONS, StandIn, Timer, check_capture, plan, train_changes, wanted_of
from wrongbit.bringup.timer555 import Band, Choice, Tolerances, Wanted
from wrongbit.bus.recipes import recipe_names
from wrongbit.capture.capture import Capture, Layout
from wrongbit.capture.formats import open_samples
from wrongbit.cli import options
from wrongbit.cli.bringup import rung_as_json
from wrongbit.cli.show import (
    ACCENT,
    QUIET,
    indented,
    out,
    plain_table,
    print_json,
    progress_bar,
    show_cautions,
    show_notes,
)
from wrongbit.errors import UsageError
from wrongbit.machine.limits import Limits, parse_limits
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Point, StartInput
from wrongbit.machine.names import parse_signal
from wrongbit.machine.start_up import InputFamily
from wrongbit.units import HERTZ, format_time, parse_quantity

app = typer.Typer(add_completion=False, rich_markup_mode=None)

MachineFile = Annotated[
    Path | None, typer.Argument(metavar="[MACHINE]", help="The machine file (TOML).", show_default=False)
]
InputName = Annotated[
    str | None, typer.Option("--input", help="Start-up input of the machine file.", show_default=False)
]
Period = Annotated[
    str | None,
    typer.Option("--period", help="From pulse to pulse, '10 ms' or '10 ms ± 10 %'; left out: one pulse.",
                 show_default=False),
]  # fmt: skip
Low = Annotated[str | None, typer.Option("--low", help="How long it is low.", show_default=False)]
High = Annotated[str | None, typer.Option("--high", help="How long it is high.", show_default=False)]
Levels = Annotated[
    Literal["ttl", "cmos5"] | None,
    typer.Option("--level", help="Levels that the input wants; left out: the machine file's, or ttl.",
                 show_default=False),
]  # fmt: skip
Resistors = Annotated[Literal["E12", "E24"], typer.Option("--resistors", help="Series of the resistors.")]
ResistorTolerance = Annotated[
    float, typer.Option("--resistor-tolerance", min=0, max=50, help="Of the resistors, per cent.")
]
CapacitorTolerance = Annotated[
    float, typer.Option("--capacitor-tolerance", min=0, max=50, help="Of the timing capacitor, per cent.")
]
TimerClock = Annotated[str, typer.Option("--timer-clock", help="Clock of a microcontroller's timer.")]
TimerBits = Annotated[int, typer.Option("--timer-bits", min=1, max=64, help="Width of its counter.")]
Prescalers = Annotated[str, typer.Option("--prescalers", help="Ratios of its prescaler.")]
Count = Annotated[int, typer.Option("--count", min=1, help="Choices to show.")]
Folder = Annotated[
    Path | None,
    typer.Option("--folder", help="Write circuit diagram (SVG), wiring (text) and parts list (CSV) there.",
                 show_default=False),
]  # fmt: skip
Train = Annotated[
    Path | None,
    typer.Option("--train", help="Write the wanted signal as CSV, for a pattern generator.",
                 show_default=False),
]  # fmt: skip
Check = Annotated[
    Path | None,
    typer.Option("--check", help="Check a capture of the stand-in instead.", show_default=False),
]
Signal = Annotated[
    str | None, typer.Option("--signal", help="Its signal in that capture.", show_default=False)
]


@app.command()
def standin(
    machine: MachineFile = None,
    input_name: InputName = None,
    period: Period = None,
    low: Low = None,
    high: High = None,
    level: Levels = None,
    resistors: Resistors = "E24",
    resistor_tolerance: ResistorTolerance = 5,
    capacitor_tolerance: CapacitorTolerance = 10,
    timer_clock: TimerClock = "8 MHz",
    timer_bits: TimerBits = 16,
    prescalers: Prescalers = "1,8,64,256,1024",
    count: Count = 5,
    folder: Folder = None,
    train: Train = None,
    check: Check = None,
    signal: Signal = None,
    as_json: options.Json = False,
) -> int:
    """Compute a stand-in for a missing start-up signal, or check a capture of one."""
    entry = _entry(machine, input_name)
    if entry is None:
        name, wanted, family = "the missing signal", _wanted(period, low, high), level or "ttl"
    else:
        if period or low or high:
            raise UsageError("Both a machine's input and times are given.", "Give one of the two.")
        name, wanted, family = entry.name, wanted_of(entry), level or entry.family
    if check is not None:
        own = None if entry is None else entry.signal or entry.name
        return _check(name, wanted, check, signal or own, as_json)
    found = _plan(
        name, wanted, family, resistors, resistor_tolerance, capacitor_tolerance,
        Timer(_clock(timer_clock), timer_bits, _ratios(prescalers)),
    )  # fmt: skip
    if folder is not None:
        _write_papers(found, folder)
    if train is not None:
        _write_train(name if entry is not None else "OUT", wanted, train)
    if as_json:
        print_json(_as_json(found))
    else:
        _show(found, count)
        if folder is not None:
            out.print(f"Written to {folder}: {', '.join(_papers(found))}.", markup=False)
        if train is not None:
            out.print(f"The wanted signal is written to {train}.", markup=False)
    return 0 if found.choices or found.counts else 1


# -- what was asked ----------------------------------------------------------------------------------------


def _entry(machine: Path | None, name: str | None) -> StartInput | None:
    if machine is None and name is None:
        return None
    if machine is None:
        raise UsageError(
            "An input is named, but no machine file.", f"Run: wrongbit standin MACHINE --input {name}"
        )
    described = load_machine(machine, require_files=False, recipe_names=recipe_names())
    names = ", ".join(each.name for each in described.input)
    if not names:
        raise UsageError(
            f"{described.machine.name} has no start-up input.",
            "Add [[input]] to the machine file, or give times.",
        )
    if name is None and len(described.input) > 1:
        raise UsageError("The machine has several start-up inputs.", f"Name one with --input: {names}.")
    wanted = (name or described.input[0].name).casefold()
    for each in described.input:
        if each.name.casefold() == wanted:
            return each
    raise UsageError(f"There is no start-up input {name!r}.", f"The machine has {names}.")


def _wanted(period: str | None, low: str | None, high: str | None) -> Wanted:
    if (low is None) == (high is None):
        raise UsageError(
            "One width is needed: how long the pulse is low, or how long it is high.",
            "Give --low or --high, such as --period '10 ms' --low '50 us'.",
        )
    pulse = parse_limits(low or high or "", "time", bare=True)
    train = None if period is None else parse_limits(period, "time", bare=True)
    for what, limits in (("width", pulse), ("period", train)):
        _must_be_positive(what, limits)
    if train is not None and (pulse.target or 0) >= (train.target or 0):
        raise UsageError(
            f"The pulse ({pulse}) is not shorter than the period ({train}).", "Check the two times."
        )
    return Wanted(pulse, "low" if low is not None else "high", train)


def _must_be_positive(what: str, limits: Limits | None) -> None:
    if limits is not None and (limits.target or 0) <= 0:
        raise UsageError(f"The {what} ({limits}) is not above zero.", "Check the time.")


def _clock(text: str) -> Fraction:
    clock = Fraction(parse_quantity(text, HERTZ, "a frequency such as '8 MHz'"))
    if clock <= 0:
        raise UsageError(f"The timer's clock {text!r} is not above zero.", "Write it such as '8 MHz'.")
    return clock


def _ratios(text: str) -> tuple[int, ...]:
    try:
        ratios = tuple(int(each) for each in text.split(","))
    except ValueError:
        ratios = ()
    if not ratios or min(ratios) < 1:
        raise UsageError(f"{text!r} is no list of prescaler ratios.", "Write it such as '1,8,64'.")
    return ratios


def _plan(
    name: str, wanted: Wanted, family: InputFamily, resistors: Literal["E12", "E24"], resistor: float,
    capacitor: float, timer: Timer,
) -> StandIn:  # fmt: skip
    tolerances = Tolerances(resistor=resistor / 100, capacitor=capacitor / 100)
    return plan(name, wanted, family=family, tolerances=tolerances, resistors=resistors, timer=timer)


# -- checking ----------------------------------------------------------------------------------------------


def _check(name: str, wanted: Wanted, path: Path, signal: str | None, as_json: bool) -> int:
    base = None if signal is None else parse_signal(signal).base
    source = open_samples(path, Point(name="stand-in", mode="timing"), {} if base is None else {base: 1})
    position = _position(source.layout, base, path)
    with progress_bar("Measuring the capture", quiet=as_json) as progress:

        def chunks() -> Iterator[Capture]:
            for chunk in source.chunks():
                yield chunk
                progress(source.bytes_done(), source.byte_count)

        rungs = check_capture(name, wanted, chunks, position, path.name)
    failed = any(rung.verdict == "outside" for rung in rungs)
    if as_json:
        print_json({"signal": name, "fits": not failed, "rungs": [rung_as_json(rung) for rung in rungs]})
        return 1 if failed else 0
    _show_check(name, rungs, failed)
    show_notes(source.notes)
    return 1 if failed else 0


def _position(layout: Layout, base: str | None, path: Path) -> int:
    if base is None and len(layout.signals) == 1:
        return next(iter(layout.signals.values()))
    if base is not None and base in layout.signals:
        return layout.signals[base]
    names = ", ".join(layout.signals)
    if base is None:
        raise UsageError(f"{path} has several signals: {names}.", "Name the stand-in's with --signal.")
    raise UsageError(f"{path} has no signal {base!r}; it has {names}.", "Name the stand-in's with --signal.")


def _show_check(name: str, rungs: Sequence[Rung], failed: bool) -> None:
    rows = plain_table(("", "left"), ("", "left"), ("should be", "left"), ("measured", "left"), ("", "left"))
    for rung in rungs:
        style = {"outside": ACCENT, "not measured": QUIET}.get(rung.verdict, "")
        mark = {"outside": "▲", "within": "✓"}.get(rung.verdict, "·")
        rows.add_row(
            Text(mark, style),
            rung.key,
            rung.wanted,
            Text(rung.measured, style),
            Text(rung.note or rung.off, style),
        )
    out.print(rows)
    open_rungs = any(rung.verdict == "not measured" for rung in rungs)
    verdict = "does not do" if failed else "holds as far as it could be measured" if open_rungs else "holds"
    out.print(f"The stand-in for {name} {verdict}.", markup=False)


# -- showing -----------------------------------------------------------------------------------------------


def _span(band: Band | None) -> str:
    if band is None:
        return ""
    first, middle, last = (format_time(each * 1e12) for each in (band.least, band.nominal, band.most))
    return f"{middle} ({first} to {last})"


def _show(found: StandIn, count: int) -> None:
    show_cautions(CAUTIONS)
    wanted = found.wanted
    out.print()
    out.print(Text(f"Stand-in for {found.name}: ", "bold"), end="")
    every = "once" if wanted.period is None else f"every {_wish(wanted.period)}"
    out.print(f"{wanted.level} for {_wish(wanted.pulse)}, {every}", markup=False)
    if found.choices:
        _show_choices(found, count)
        _show_parts(found)
    else:
        out.print(Text(f"\nNo 555 circuit: {found.why_none}.", ACCENT))
    _show_levels(found)
    _show_counts(found, count)
    out.print()
    show_notes(found.notes)


def _wish(limits: Limits) -> str:
    target = format_time(limits.target or 0)
    return target if limits.low is None and limits.high is None else f"{target} ({limits})"


def _show_choices(found: StandIn, count: int) -> None:
    out.print(Text("\n555, by worst-case error", "bold"))
    single = found.wanted.period is None
    rows = plain_table(
        ("circuit", "left"), ("R1", "right"), *(() if single else (("R2", "right"),)), ("C1", "right"),
        *(() if single else (("period", "left"),)), ("pulse", "left"), ("error", "right"), ("", "left"),
    )  # fmt: skip
    for choice in found.choices[:count]:
        fits = {True: "fits", False: "may not fit", None: ""}[choice.fits]
        cells = [choice.title, engineering(choice.ra, "Ω")]
        cells += [] if single else [engineering(choice.rb, "Ω")]
        cells += [engineering(choice.c, "F")]
        cells += [] if single else [_span(choice.period)]
        rows.add_row(*cells, _span(choice.pulse), f"{100 * choice.error:.1f} %", fits)
    out.print(indented(rows))


def _show_parts(found: StandIn) -> None:
    if found.circuit is None:
        return
    out.print(Text("\nParts of the first", "bold"))
    rows = plain_table(("", "left"), ("", "left"), ("", "left"))
    rows.show_header = False
    for part in found.circuit.parts:
        rows.add_row(part.ref, part.value, Text(part.note, QUIET))
    out.print(indented(rows))
    out.print(Text("\nWiring", "bold"))
    for line in wiring_lines(found.circuit):
        out.print(f"  {line}", soft_wrap=True, markup=False)
    if found.trims:
        out.print(Text("\nTo set the times exactly", "bold"))
    for trim in found.trims:
        fixed, trimmer = engineering(trim.fixed, "Ω"), engineering(trim.trimmer, "Ω")
        out.print(f"  {trim.replaces}: {fixed} in series with a trimmer of {trimmer}", markup=False)


def _show_levels(found: StandIn) -> None:
    out.print(Text("\nLevels at 5 V", "bold"))
    rows = plain_table(
        ("output", "left"), ("into", "left"), ("margin high", "right"), ("low", "right"), ("figures", "left")
    )
    for each in found.margins:
        style = "" if each.fits else ACCENT
        rows.add_row(
            Text(each.output.name, style), each.input.name, Text(f"{each.high:.2f} V", style),
            Text(f"{each.low:.2f} V", style), each.status,
        )  # fmt: skip
    out.print(indented(rows))


def _show_counts(found: StandIn, count: int) -> None:
    if not found.counts:
        return
    single = found.wanted.period is None
    out.print(Text("\nThe timer of a microcontroller", "bold"))
    rows = plain_table(
        ("prescaler", "right"), *(() if single else (("top", "right"),)), ("compare", "right"),
        *(() if single else (("period error", "right"),)), ("pulse error", "right"),
    )  # fmt: skip
    for each in found.counts[:count]:
        cells = [str(each.prescaler)]
        cells += [] if single else [str(each.top)]
        cells += [str(each.compare)]
        cells += [] if single else [_error(each.period_error)]
        rows.add_row(*cells, _error(each.pulse_error))
    out.print(indented(rows))


def _error(error: Fraction) -> str:
    return "none" if error == 0 else f"{float(100 * error):+.4g} %"


# -- for programs and for the bench ------------------------------------------------------------------------


def _band(band: Band | None) -> dict[str, float] | None:
    return None if band is None else {"least": band.least, "nominal": band.nominal, "most": band.most}


def _choice(choice: Choice) -> dict[str, Any]:
    return {
        "circuit": choice.kind, "inverted": choice.inverted, "ra_ohm": choice.ra, "rb_ohm": choice.rb,
        "c_farad": choice.c, "period_s": _band(choice.period), "pulse_s": _band(choice.pulse),
        "worst_error": choice.error, "fits": choice.fits,
    }  # fmt: skip


def _counts(each: Counts) -> dict[str, Any]:
    return {
        "prescaler": each.prescaler, "period_counts": each.period_counts, "pulse_counts": each.pulse_counts,
        "top": each.top, "compare": each.compare,
        "period_error": str(each.period_error), "pulse_error": str(each.pulse_error),
    }  # fmt: skip


def _as_json(found: StandIn) -> dict[str, Any]:
    circuit, wanted = found.circuit, found.wanted
    return {
        "signal": found.name,
        "wanted": {
            "level": wanted.level,
            "pulse_ps": wanted.pulse.target,
            "period_ps": None if wanted.period is None else wanted.period.target,
        },
        "cautions": list(CAUTIONS),
        "choices": [_choice(each) for each in found.choices],
        "no_555_because": found.why_none,
        "parts": [] if circuit is None else [vars(part) for part in circuit.parts],
        "nets": {} if circuit is None else circuit.nets,
        "trimmers": [vars(trim) for trim in found.trims],
        "levels": [
            {
                "output": each.output.name, "input": each.input.name, "margin_high": each.high,
                "margin_low": each.low, "fits": each.fits, "source": each.output.source,
                "status": each.status,
            }
            for each in found.margins
        ],
        "timer": [_counts(each) for each in found.counts],
        "notes": list(found.notes),
    }  # fmt: skip


def _papers(found: StandIn) -> dict[str, str]:
    if found.circuit is None:
        return {}
    title = f"Stand-in for {found.name}: {found.choices[0].title}"
    parts = io.StringIO()
    rows = [(part.ref, part.value, part.note) for part in found.circuit.parts]
    csv.writer(parts, lineterminator="\n").writerows([("designator", "part", "note"), *rows])
    lines = [title, *(f"caution: {each}" for each in CAUTIONS), "", *wiring_lines(found.circuit), ""]
    return {
        "standin.svg": schematic_svg(found.circuit, found.choices[0], found.wanted, title),
        "wiring.txt": "\n".join(lines),
        "parts.csv": parts.getvalue(),
    }


def _write_papers(found: StandIn, folder: Path) -> None:
    """Each paper whole or not at all.

    Raises:
        UsageError: There is no circuit, or the folder cannot be written.
    """
    if found.circuit is None:
        raise UsageError(f"There is no circuit to write: {found.why_none}.", "Leave --folder out.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror}.", "Choose another folder.") from None
    for name, text in _papers(found).items():
        _write(folder / name, text)


def _write_train(name: str, wanted: Wanted, path: Path) -> None:
    """The wanted signal, one line a change."""
    rows = [f"{time // 1000}.{time % 1000:03d},{level}" for time, level in train_changes(wanted)]
    _write(path, "\n".join([f"Time [ns],{parse_signal(name).base}", *rows, ""]))


def _write(path: Path, text: str) -> None:
    """A file that is there whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, "utf-8")
        part.replace(path)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}.", "Choose another place.") from None
    finally:
        part.unlink(missing_ok=True)
