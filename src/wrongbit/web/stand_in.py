"""The stand-in computation on the page: what is wanted, what gives it, its drawing and its files."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

from nicegui import background_tasks, ui

from wrongbit.bringup.circuit import wiring_lines
from wrongbit.bringup.ladder import Rung
from wrongbit.bringup.schematic import schematic_svg
from wrongbit.bringup.series import Series, engineering
from wrongbit.bringup.standin import CAUTIONS, StandIn, Timer, check_capture, plan, train_changes
from wrongbit.bringup.timer555 import Band, Tolerances, Wanted
from wrongbit.bringup.timer555 import Choice as Circuit555
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import open_samples
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.machine.limits import Limits, parse_limits
from wrongbit.machine.model import Point, StartInput
from wrongbit.machine.names import parse_signal
from wrongbit.machine.start_up import InputFamily
from wrongbit.report.figures import recoloured
from wrongbit.report.theme import LIGHT
from wrongbit.units import HERTZ, format_time, parse_quantity
from wrongbit.web.elements import (
    Choice,
    Field,
    attempt,
    button,
    cautions,
    figure,
    guarded,
    heading,
    paragraph,
    quiet,
    table,
    tag,
    tell,
)
from wrongbit.web.file_drop import FileDrop
from wrongbit.web.incoming import drop, waiting_place
from wrongbit.web.page_style import add_page_style
from wrongbit.web.rungs import draw_rungs
from wrongbit.web.workbench import Workbench

OWN = "other times"
SHOWN = 5
FAMILIES = {"ttl": "TTL", "cmos5": "CMOS at 5 V"}


class _Form:
    """Fields for what is wanted and what parts there are."""

    def __init__(self, bench: Workbench) -> None:
        self.inputs = {each.name: each for each in bench.casework.machine.input if _has_width(each)}
        first = next(iter(self.inputs.values()), None)
        with tag("div", classes="wb-row"):
            self.name = Choice("Signal", [*self.inputs, OWN], on_change=self.fill)
            self.level = Choice("Active", ("low", "high"), "low" if first is None else first.active)
            self.width = Field("How long it is active", _width(first), hint="50 us ± 20 %", width=16)
            self.period = Field("From pulse to pulse", _period(first), hint="10 ms; empty: once", width=16)
            self.family = Choice("Levels", FAMILIES, "ttl" if first is None else first.family)
        with tag("div", classes="wb-row"):
            self.series = Choice("Resistors", ("E24", "E12"))
            self.resistor = Field("Their tolerance, %", "5", width=6)
            self.capacitor = Field("Capacitor's, %", "10", width=6)
            self.clock = Field("Microcontroller's clock", "8 MHz", width=10)
            self.bits = Field("Timer's bits", "16", width=4)

    def fill(self, name: str) -> None:
        """Take a start-up input's times from the machine file."""
        entry = self.inputs.get(name)
        self.width.value = _width(entry)
        self.period.value = _period(entry)
        if entry is not None:
            self.level.value = entry.active
            self.family.value = entry.family

    def wanted(self) -> Wanted:
        """The signal that the fields ask for.

        Raises:
            WrongbitError: A time cannot be used.
        """
        return own_times(self.level.value, self.width.value.strip(), self.period.value.strip())

    def asked(self) -> StandIn:
        """What the fields say, computed.

        Raises:
            WrongbitError: A field cannot be used.
        """
        known = self.name.value in self.inputs
        return plan(
            self.name.value if known else "the missing signal",
            self.wanted(),
            family=cast(InputFamily, self.family.value),
            tolerances=Tolerances(
                resistor=_percent(self.resistor.value), capacitor=_percent(self.capacitor.value)
            ),
            resistors=cast(Series, self.series.value),
            timer=Timer(_clock(self.clock.value), _bits(self.bits.value)),
        )


def draw_stand_in(bench: Workbench) -> None:
    """The form, and the result below it."""
    add_page_style()
    guarded(lambda: _draw(bench))


def _draw(bench: Workbench) -> None:
    cautions(CAUTIONS)
    with tag("div", classes="wb-controls"):
        form = _Form(bench)

        async def compute() -> None:
            def work(progress: Progress) -> StandIn:
                return form.asked()

            found = await bench.run("Computing the stand-in", work)
            result.clear()
            with result:
                _show(found)

        button("Compute", compute, main=True)
    result = tag("div", aria_live="polite")
    _check(bench, form)


def _has_width(entry: StartInput) -> bool:
    return bool(_width(entry))


def _width(entry: StartInput | None) -> str:
    if entry is None:
        return ""
    return (entry.low if entry.active == "low" else entry.high) or ""


def _period(entry: StartInput | None) -> str:
    return "" if entry is None else entry.period or ""


def own_times(level: str, width: str, period: str) -> Wanted:
    """A signal by its times.

    Raises:
        WrongbitError: A time cannot be read, or the pulse is not shorter than the period.
    """
    pulse = parse_limits(width, "time", bare=True)
    train = parse_limits(period, "time", bare=True) if period else None
    for what, limits in (("width", pulse), ("period", train)):
        if limits is not None and (limits.target or 0) <= 0:
            raise UsageError(f"The {what} ({limits}) is not above zero.", "Check the time.")
    if train is not None and (pulse.target or 0) >= (train.target or 0):
        raise UsageError(
            f"The pulse ({pulse}) is not shorter than the period ({train}).", "Check the two times."
        )
    return Wanted(pulse, "low" if level == "low" else "high", train)


def _percent(text: str) -> float:
    try:
        share = float(text.strip().removesuffix("%")) / 100
    except ValueError:
        share = -1.0
    if not 0 <= share <= 0.5:
        raise UsageError(f"{text!r} is no tolerance.", "Give per cent from 0 to 50, such as 5.")
    return share


def _clock(text: str) -> Fraction:
    clock = Fraction(parse_quantity(text, HERTZ, "a frequency such as '8 MHz'"))
    if clock <= 0:
        raise UsageError(f"The timer's clock {text!r} is not above zero.", "Write it such as 8 MHz.")
    return clock


def _bits(text: str) -> int:
    if not text.strip().isdecimal() or not 1 <= int(text.strip()[:4]) <= 64:
        raise UsageError(f"{text!r} is no width of a counter.", "Give the timer's bits, such as 16.")
    return int(text)


# -- the result --------------------------------------------------------------------------------------------


def _show(found: StandIn) -> None:
    wanted = found.wanted
    every = "once" if wanted.period is None else f"every {_wish(wanted.period)}"
    heading(f"Stand-in for {found.name}: {wanted.level} for {_wish(wanted.pulse)}, {every}", 3)
    if found.choices:
        _choices(found)
        _circuit(found)
    else:
        paragraph(f"No 555 circuit: {found.why_none}.", classes="wb-bad-text")
    _counts(found)
    for note in found.notes:
        quiet(note)
    with tag("div", classes="wb-row wb-controls"):
        button("Download the wanted signal (CSV)", lambda: download(train_csv(found), "signal.csv"))


def _wish(limits: Limits) -> str:
    target = format_time(limits.target or 0)
    return target if limits.low is None and limits.high is None else f"{target} ({limits})"


def _span(band: Band | None) -> str:
    if band is None:
        return "–"
    first, middle, last = (format_time(each * 1e12) for each in (band.least, band.nominal, band.most))
    return f"{middle} ({first} to {last})"


def _choices(found: StandIn) -> None:
    fits = {True: "✓ fits", False: "▲ may not fit", None: ""}
    table(
        ("", "circuit", "R1", "R2", "C1", "period", "pulse", "worst case"),
        [_choice(each, fits[each.fits]) for each in found.choices[:SHOWN]],
        caption="555 circuits by worst-case error",
        right=(2, 3, 4, 7),
        mono=(0, 2, 3, 4),
    )


def _choice(each: Circuit555, fits: str) -> Sequence[Any]:
    second = engineering(each.rb, "Ω") if each.rb else "–"
    return (
        fits,
        each.title,
        engineering(each.ra, "Ω"),
        second,
        engineering(each.c, "F"),
        _span(each.period),
        _span(each.pulse),
        f"{100 * each.error:.1f} %",
    )


def _circuit(found: StandIn) -> None:
    circuit = found.circuit
    if circuit is None:
        return
    title = f"Stand-in for {found.name}"
    svg = schematic_svg(circuit, found.choices[0], found.wanted, title)
    figure(recoloured(svg, LIGHT), says=f"Circuit diagram: {title}")
    table(
        ("part", "value", ""),
        [(part.ref, part.value, part.note) for part in circuit.parts],
        caption="Parts",
        mono=(0, 1),
    )
    wiring = wiring_lines(circuit)
    with tag("ul", classes="wb-mono"):
        for line in wiring:
            tag("li", line)
    with tag("div", classes="wb-row wb-controls"):
        button("Download the diagram (SVG)", lambda: download(svg, "stand-in.svg"))
        button("Download the wiring (text)", lambda: download("\n".join([*wiring, ""]), "wiring.txt"))
        button("Download the parts list (CSV)", lambda: download(parts_csv(found), "parts.csv"))


def _counts(found: StandIn) -> None:
    if not found.counts:
        return
    heading("Or a microcontroller's timer", 3)
    table(
        ("prescaler", "counts of the period", "counts of the pulse", "error"),
        [
            (each.prescaler, each.period_counts or "–", each.pulse_counts, f"{float(100 * each.error):.1f} %")
            for each in found.counts[:SHOWN]
        ],
        caption="Timer settings",
        right=(0, 1, 2, 3),
    )


# -- a capture of it ---------------------------------------------------------------------------------------


def _check(bench: Workbench, form: _Form) -> None:
    """A place for a capture of the stand-in, and what it shows of the signal in the fields above."""
    with tag("div", classes="wb-controls"):
        heading("Check a capture of it", 3)
        signal = Field("Its signal in the capture", hint="the column's name; empty: the only one", width=18)
        FileDrop(
            lambda name: waiting_place(bench.case.derived, name),
            lambda path, name: background_tasks.create(measure(path, name)),
            lambda text: tell(text, bad=True),
        )
        quiet("The capture is measured and let go; bring it in to keep it.")
    shown = tag("div", aria_live="polite")

    async def measure(path: Path, name: str) -> None:
        def work(progress: Progress) -> tuple[Rung, ...]:
            return check_file(path, name, form.wanted(), signal.value.strip(), progress)

        async def show() -> None:
            rungs = await bench.run("Measuring the capture", work)
            shown.clear()
            with shown:
                _checked(name, rungs)

        try:
            with shown:
                await attempt(show)
        finally:
            drop(path)


def check_file(path: Path, name: str, wanted: Wanted, signal: str, progress: Progress) -> tuple[Rung, ...]:
    """What a capture shows of a signal.

    Raises:
        UsageError: The capture has no such signal, or several and none is named.
        CaptureError: It cannot be read, or has no time.
    """
    base = parse_signal(signal).base if signal else ""
    source = open_samples(path, Point(name="stand-in", mode="timing"), {base: 1} if base else {})
    signals = source.layout.signals
    known = ", ".join(signals)
    if base and base not in signals:
        raise UsageError(f"{name} has no signal {base!r}; it has {known}.", "Name the stand-in's.")
    if not base and len(signals) != 1:
        raise UsageError(f"{name} has several signals: {known}.", "Name the stand-in's in the field.")

    def chunks() -> Iterator[Capture]:
        for chunk in source.chunks():
            yield chunk
            progress(source.bytes_done(), source.byte_count)

    return check_capture(base or known, wanted, chunks, signals[base or known], name)


def _checked(name: str, rungs: Sequence[Rung]) -> None:
    failed = any(rung.verdict == "outside" for rung in rungs)
    measured = all(rung.verdict == "within" for rung in rungs)
    said = "✓ The stand-in holds" if measured else "The stand-in holds as far as it could be measured"
    verdict = "▲ The stand-in does not do" if failed else said
    paragraph(f"{verdict}: {name}.", classes="wb-bad-text" if failed else "wb-good-text")
    draw_rungs(rungs)


def parts_csv(found: StandIn) -> str:
    """The parts list."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(("part", "value", "note"))
    if found.circuit is not None:
        writer.writerows((part.ref, part.value, part.note) for part in found.circuit.parts)
    return text.getvalue()


def train_csv(found: StandIn) -> str:
    """The wanted signal as changes, for a pattern generator."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(("Time [ns]", "OUT"))
    writer.writerows(
        (f"{time // 1000}.{time % 1000:03d}", level) for time, level in train_changes(found.wanted)
    )
    return text.getvalue()


def download(content: str, name: str) -> None:
    """Hand a file to the browser."""
    ui.download.content(content.encode(), name)
