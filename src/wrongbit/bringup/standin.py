"""A stand-in for a missing start-up signal: what is wanted, what gives it, and whether a capture shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction

from wrongbit.bringup.circuit import TRIGGER_TIME, Circuit, circuit_of
from wrongbit.bringup.counter import PRESCALERS, Counts, timer_counts
from wrongbit.bringup.ladder import Group, Rung, input_rungs, judge_rungs
from wrongbit.bringup.levels import OUTPUTS, Margins, margins
from wrongbit.bringup.pulses import Edge, measure
from wrongbit.bringup.seen import values_of
from wrongbit.bringup.series import Series
from wrongbit.bringup.timer555 import Choice, Tolerances, Trim, Wanted, choices, trims, why_none
from wrongbit.capture.capture import Capture
from wrongbit.errors import UsageError
from wrongbit.machine.limits import Limits, parse_limits
from wrongbit.machine.model import StartInput
from wrongbit.machine.start_up import InputFamily

CHECK_SPREAD = 0.10
"""How far a checked train may be off where no limits were given; a choice."""

CAUTIONS: tuple[str, ...] = (
    "Disconnect the missing source before the stand-in is connected: two outputs on one line fight each "
    "other.",
    "Feed the stand-in from the machine's own +5 V and GND, so that it never drives a chip without power; "
    "connect and disconnect it with the machine switched off.",
    "A stand-in also hides what the missing signal protected, such as a power-fail or overspeed stop: keep "
    "motors, heaters and high voltages disconnected while it is in place.",
)


@dataclass(frozen=True)
class Timer:
    """A microcontroller's timer.

    Args:
        clock_hz: Its clock, exactly.
        bits: Width of its counter.
        prescalers: Ratios that it offers.
    """

    clock_hz: Fraction = Fraction(8_000_000)
    bits: int = 16
    prescalers: tuple[int, ...] = PRESCALERS


@dataclass(frozen=True)
class StandIn:
    """Everything that can take a signal's place.

    Args:
        name: Of the signal.
        wanted: The signal.
        family: Levels that the input wants.
        timer_family: Which 555 reaches them: bipolar or cmos.
        choices: 555 circuits, the best first.
        why_none: Why there is none; empty where there is one.
        circuit: Of the best choice.
        trims: Trimmers for it.
        margins: Level margins of the output that drives the machine, then of the other outputs.
        counts: Timer settings, the best first.
        notes: What else to know.
    """

    name: str
    wanted: Wanted
    family: InputFamily
    timer_family: str
    choices: tuple[Choice, ...]
    why_none: str
    circuit: Circuit | None
    trims: tuple[Trim, ...]
    margins: tuple[Margins, ...]
    counts: tuple[Counts, ...]
    notes: tuple[str, ...]


def wanted_of(entry: StartInput) -> Wanted:
    """The signal that a start-up input waits for.

    Raises:
        UsageError: The machine file does not say how wide its pulse is.
    """
    width = entry.low if entry.active == "low" else entry.high
    if width is None:
        raise UsageError(
            f"The machine file does not say how long {entry.name} is {entry.active}, its active level.",
            f'Give [[input]] {entry.name} the key {entry.active}, such as {entry.active} = "50 us ± 20 %".',
        )
    period = None if entry.period is None else parse_limits(entry.period, "time")
    return Wanted(parse_limits(width, "time"), entry.active, period)


def plan(
    name: str,
    wanted: Wanted,
    *,
    family: InputFamily = "ttl",
    tolerances: Tolerances | None = None,
    resistors: Series = "E24",
    timer: Timer | None = None,
) -> StandIn:
    """All ways to make a signal.

    Args:
        name: Of the signal, for titles.
        wanted: The signal.
        family: Levels that the input wants.
        tolerances: Of the parts; left out: 5 % resistors and a 10 % capacitor.
        resistors: Series of the resistors.
        timer: A microcontroller's timer; left out: 16 bits at 8 MHz.
    """
    tolerances, timer = tolerances or Tolerances(), timer or Timer()
    found = choices(wanted, tolerances, resistors)
    best = found[0] if found else None
    inverted = best is not None and best.inverted  # the gate takes TTL levels, and drives the machine itself
    timer_family = "bipolar" if inverted or margins(OUTPUTS["bipolar"], family).fits else "cmos"
    counts = timer_counts(
        None if wanted.period is None else round(wanted.period.target or 0),
        round(wanted.pulse.target or 0),
        timer.clock_hz,
        bits=timer.bits,
        prescalers=timer.prescalers,
    )
    reason = why_none(wanted)
    if not found and not reason:
        reason = "no values from 1 kΩ to 1 MΩ and 1 nF to 100 µF give it"
    driver = "hct" if inverted else timer_family
    others = [each for each in OUTPUTS if each != driver]
    return StandIn(
        name,
        wanted,
        family,
        timer_family,
        found,
        reason,
        None if best is None else circuit_of(best, timer_family),
        () if best is None else trims(best, wanted, tolerances),
        tuple(margins(OUTPUTS[each], family) for each in (driver, *others)),
        counts,
        tuple(_notes(best, wanted, timer_family, counts)),
    )


def _notes(best: Choice | None, wanted: Wanted, family: str, counts: tuple[Counts, ...]) -> Iterable[str]:
    if best is not None and best.fits is False:
        yield (
            "The worst case leaves the limits: use 1 % resistors and a tighter capacitor, or the trimmers, "
            "set with an oscilloscope or with --check."
        )
    if best is not None and best.kind == "monostable":
        if wanted.pulse_seconds < 3 * TRIGGER_TIME:
            yield (
                f"The trigger stays low for about {TRIGGER_TIME * 1e6:.0f} µs, and the output cannot end "
                "before it: make C4 smaller."
            )
        yield "The supply must rise faster than R4 · C4, or the pulse does not come at power-on."
    if family == "cmos":
        yield "A bipolar 555 does not reach the high level of 5 V CMOS for certain: use the CMOS kind."
    if counts:
        yield (
            "The timer's exact error comes on top of its clock's own: some 50 ppm for a crystal, several per "
            "cent for an oscillator inside the chip (its data sheet tells)."
        )
    else:
        yield "The timer cannot hold these counts: choose another clock, more bits, or count several rounds."


def train_changes(wanted: Wanted, pulses: int = 20) -> tuple[tuple[int, int], ...]:
    """The signal at its nominal times, as changes: (picoseconds from the beginning, level).

    It begins and ends at rest, with a period (or, for a single pulse, one width) before the first pulse.
    """
    level = int(wanted.level == "high")
    pulse = round(wanted.pulse.target or 0)
    period = 2 * pulse if wanted.period is None else round(wanted.period.target or 0)
    changes = [(0, 1 - level)]
    count = 1 if wanted.period is None else pulses
    for number in range(1, count + 1):
        changes += [(number * period, level), (number * period + pulse, 1 - level)]
    return (*changes, ((count + 1) * period, 1 - level))


# -- the check of a capture --------------------------------------------------------------------------------


def check_capture(
    name: str, wanted: Wanted, chunks: Callable[[], Iterable[Capture]], position: int, source: str
) -> tuple[Rung, ...]:
    """A capture of the stand-in against the signal that is wanted.

    Args:
        name: Of the signal.
        wanted: The signal; where it has no limits, `CHECK_SPREAD` either way.
        chunks: Gives the capture from its start; called once or twice.
        position: Position of the signal in it.
        source: What to call the capture.

    Returns:
        Rungs for period, width, missing and short pulses; for a single pulse its width and its end.

    Raises:
        CaptureError: The capture cannot be read, or has no time.
    """
    entry = StartInput(
        name=name,
        kind="reset" if wanted.period is None else "start",
        active=wanted.level,
        period=None if wanted.period is None else _text(wanted.period),
        low=_text(wanted.pulse) if wanted.level == "low" else None,
        high=_text(wanted.pulse) if wanted.level == "high" else None,
    )
    leading: Edge = "falling" if wanted.level == "low" else "rising"
    train = measure(chunks, position, leading=leading)
    measured = {(name, key): value for key, value in values_of(entry, train, source)}
    group: Group = "reset" if entry.kind == "reset" else "input"
    rungs = [rung for rung in input_rungs(group, entry) if not rung.key.endswith("level")]
    return judge_rungs(rungs, measured)


def _text(limits: Limits) -> str:
    """Limits in the machine file's notation."""
    low, high = limits.low, limits.high
    if low is None and high is None:
        nominal = limits.nominal or 0.0
        low, high = nominal * (1 - CHECK_SPREAD), nominal * (1 + CHECK_SPREAD)
    if low is None:
        return f"at most {high:.0f} ps"
    return f"at least {low:.0f} ps" if high is None else f"{low:.0f} ps .. {high:.0f} ps"
