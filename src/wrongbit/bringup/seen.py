"""What a capture shows of a machine's clocks, resets and start-up inputs, as values for the rungs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from wrongbit.bringup.ladder import Key, Measured
from wrongbit.bringup.pulses import Edge, PulseTrain, measure_all
from wrongbit.capture.capture import Capture, Layout
from wrongbit.machine.limits import format_value
from wrongbit.machine.model import Clock, Machine, StartInput
from wrongbit.machine.names import parse_signal

Values = dict[tuple[str, Key], Measured]

_LEVEL = ("low", "high")


def signal_of(entry: Clock | StartInput) -> str:
    """Canonical name of the signal that carries a clock or an input.

    >>> signal_of(StartInput(name="/MARK"))
    'MARK'
    """
    return parse_signal(entry.signal or entry.name).base


def leading_edge(entry: Clock | StartInput) -> Edge:
    """The edge with which a pulse begins."""
    return "falling" if isinstance(entry, StartInput) and entry.active == "low" else "rising"


def entries_in(machine: Machine, layout: Layout) -> tuple[Clock | StartInput, ...]:
    """Clocks and inputs whose signal the capture has."""
    entries: tuple[Clock | StartInput, ...] = (*machine.clock, *machine.input)
    return tuple(each for each in entries if signal_of(each) in layout.signals)


def measure_start_up(
    machine: Machine, layout: Layout, chunks: Callable[[], Iterable[Capture]], source: str
) -> Values:
    """Values of every clock and input whose signal the capture has, in constant memory.

    Args:
        machine: The machine file.
        layout: Positions of the signals.
        chunks: Gives the capture from its start; called once or twice.
        source: What to call the capture.

    Raises:
        CaptureError: The capture cannot be read, or has no time.
    """
    entries = {each.name: each for each in entries_in(machine, layout)}
    places = {name: (layout.signals[signal_of(each)], leading_edge(each)) for name, each in entries.items()}
    values: Values = {}
    for name, train in measure_all(chunks, places).items() if places else ():
        for key, found in values_of(entries[name], train, source):
            values[name, key] = found
    return values


def values_of(entry: Clock | StartInput, train: PulseTrain, source: str) -> Iterator[tuple[Key, Measured]]:
    """What a pulse train says of a clock or an input."""
    if isinstance(entry, Clock):
        yield from _clock(train, source)
    elif entry.kind == "reset":
        yield from _reset(entry, train, source)
    else:
        yield from _input(entry, train, source)


def _stuck(train: PulseTrain, source: str) -> Measured | None:
    """What to say of a signal that does not move, or of which no level is known."""
    if train.first_level is None:
        return Measured(source=source, why_not="No level of it is known in this capture.")
    if not train.edges:
        says = f"never moves, stays {_LEVEL[train.first_level]}"
        return Measured(source=source, stuck=True, says=says)
    return None


def _clock(train: PulseTrain, source: str) -> Iterator[tuple[Key, Measured]]:
    stuck = _stuck(train, source)
    period = train.period
    if stuck is not None:
        yield "frequency", stuck
        return
    if period is None or train.frequency is None or train.duty is None:
        yield "frequency", Measured(source=source, why_not="The capture holds less than two periods of it.")
        return
    step = train.resolution_ps
    allowance = train.frequency * step / (period.mean * period.count)
    yield "frequency", Measured(train.frequency, train.frequency, source, allowance)
    duty = 100 * train.duty
    yield "duty", Measured(duty, duty, source, 100 * step / period.mean)
    jitter = float(period.peak_to_peak)
    says = f"{format_value(jitter, 'time')} peak to peak, {format_value(period.rms, 'time')} r.m.s."
    yield "jitter", Measured(jitter, jitter, source, 2.0 * step, says=says)
    yield from _irregular(train, source)


def _irregular(train: PulseTrain, source: str) -> Iterator[tuple[Key, Measured]]:
    missing = float(train.missing.count)
    says = f"{train.missing.count}{_first(train, train.missing.first_ps)}"
    if train.silent_ps:
        missing += 1
        says = f"{says if train.missing.count else ''}{', ' if train.missing.count else ''}"
        says += f"silent for the last {format_value(train.silent_ps, 'time')}"
    yield "missing pulses", Measured(missing, missing, source, says=says)
    short = train.short.count + train.extra.count
    first = train.short.first_ps if train.short.first_ps is not None else train.extra.first_ps
    yield "short pulses", Measured(short, short, source, says=f"{short}{_first(train, first)}")


def _first(train: PulseTrain, when: int | None) -> str:
    return (
        ""
        if when is None
        else f", the first {format_value(when - train.begin_ps, 'time')} after the beginning"
    )


def _input(entry: StartInput, train: PulseTrain, source: str) -> Iterator[tuple[Key, Measured]]:
    stuck = _stuck(train, source)
    step = float(train.resolution_ps)
    if entry.period is not None:
        if stuck is not None:
            yield "period", stuck
            return
        if train.period is None:
            yield "period", Measured(source=source, why_not="The capture holds less than two pulses of it.")
        else:
            yield "period", Measured(train.period.least, train.period.most, source, step)
            yield from _irregular(train, source)
    widths: tuple[tuple[Key, int], ...] = (("low", 0), ("high", 1))
    for key, level in widths:
        spread = (train.low, train.high)[level]
        if spread is not None:
            yield key, Measured(spread.least, spread.most, source, step)
        elif train.first_level == level:
            yield key, Measured(train.before_first_ps, None, source, step)
        else:
            yield key, Measured(source=source, why_not=f"The capture holds no whole {key} pulse.")


def _reset(entry: StartInput, train: PulseTrain, source: str) -> Iterator[tuple[Key, Measured]]:
    if train.first_level is None:
        yield "ended", Measured(source=source, why_not="No level of it is known in this capture.")
        return
    active = 0 if entry.active == "low" else 1
    widths: tuple[tuple[Key, int], ...] = (("low", 0), ("high", 1))
    for key, level in widths:
        spread = (train.low, train.high)[level]
        if train.first_level == level and level == active:
            # The capture may have begun within the pulse: it lasted at least so long.
            yield key, Measured(train.before_first_ps, None, source, float(train.resolution_ps))
        elif spread is not None:
            yield key, Measured(spread.least, spread.most, source, float(train.resolution_ps))
        else:
            yield key, Measured(source=source, why_not=f"No {key} pulse: begin the capture before power-on.")
    ended = float(train.last_level != active)
    says = f"{'yes' if ended else 'no'}, {_LEVEL[train.last_level or 0]}"
    yield "ended", Measured(ended, ended, source, says=says)
