"""The time that the board gives its memory: from a data sheet, a person, the old chip, or a capture.

Every time is a sum of terms. Available times are minima: what is there even in the worst case.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from difflib import get_close_matches
from fractions import Fraction
from typing import Any

from wrongbit.errors import UsageError
from wrongbit.replace.catalogue import Bus, BusSum, Catalogue
from wrongbit.replace.figures import Term, total_ps
from wrongbit.units import format_time, parse_frequency

Sum = tuple[Term, ...]
"""Terms that add up to a time; terms with a negative value shorten it."""


@dataclass(frozen=True)
class BusTimes:
    """What is available on the bus. None: not known.

    Args:
        address_to_data: Address valid to data needed, the processor's set-up already taken off.
        enable_to_data: Chip enable active (or clock phase begun) to data needed.
        output_to_data: Read strobe active to data needed.
        open_to_data: Address latch opens to data needed.
        address_before_close: Address valid to address latch closing.
        hold_after_close: Address latch closing to address leaving.
        open_width: How long the address latch is open.
        float_time: Read strobe or enable inactive to somebody else driving the data lines.
        release_before_output: Address off shared lines to read strobe active.
        address_hold: Data taken to address or enable leaving.
        data_hold: How long the data must stay after it is taken.
        select_delay: Address valid to chip enable active, through the board's decoder (a maximum).
    """

    address_to_data: Sum | None = None
    enable_to_data: Sum | None = None
    output_to_data: Sum | None = None
    open_to_data: Sum | None = None
    address_before_close: Sum | None = None
    hold_after_close: Sum | None = None
    open_width: Sum | None = None
    float_time: Sum | None = None
    release_before_output: Sum | None = None
    address_hold: Sum | None = None
    data_hold: Sum | None = None
    select_delay: Sum | None = None
    notes: tuple[str, ...] = field(default=())

    def over(self, other: BusTimes) -> BusTimes:
        """These times, completed by the other's where these do not say."""
        mine = {name: getattr(self, name) for name in TIME_NAMES if getattr(self, name) is not None}
        return replace(other, **mine, notes=(*self.notes, *other.notes))

    def ps(self, name: str) -> int | None:
        """A time in picoseconds, None where it is not known."""
        terms: Sum | None = getattr(self, name)
        return None if terms is None else total_ps(terms)


TIME_NAMES: tuple[str, ...] = tuple(each.name for each in fields(BusTimes) if each.name != "notes")
"""Names of all times, as a requirement file writes them."""


def processor_times(
    catalogue: Catalogue, processor: str, clock: str, *, waits: int = 0, grade: str | None = None
) -> BusTimes:
    """Times by a processor's data sheet.

    Args:
        catalogue: The data files.
        processor: Processor, such as '8086'.
        clock: Frequency at which it runs, such as '5 MHz'.
        waits: Wait states in every memory read.
        grade: Clock grade of the part; None: the slowest grade that may run at this clock.

    Raises:
        UsageError: The processor or the grade is unknown, or the clock is above every grade or below 1 Hz.

    >>> from wrongbit.replace.catalogue import load_catalogue
    >>> processor_times(load_catalogue(), "8086", "5 MHz").ps("address_to_data")
    460000
    """
    bus = _bus_row(catalogue, processor, clock, grade)
    hertz = round(parse_frequency(clock))
    if not hertz:
        raise UsageError(f"no processor runs at {clock}.", "Correct the clock, such as '4 MHz'.")
    period = Fraction(10**12, hertz)
    times = {
        name: _terms(getattr(bus, name), period, waits, bus.source)
        for name in TIME_NAMES
        if getattr(bus, name, None) is not None
    }
    note = f"Bus times: {bus.source}; a {bus.clock} part at {clock}" + (
        f", {waits} wait states" if waits else ""
    )
    return BusTimes(**times, notes=(f"{note}.",))


def _bus_row(catalogue: Catalogue, processor: str, clock: str, grade: str | None) -> Bus:
    rows = [row for row in catalogue.bus if row.processor.casefold() == processor.casefold()]
    if not rows:
        names = sorted({row.processor for row in catalogue.bus})
        near = get_close_matches(processor, names, 1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UsageError(
            f"there is no bus timing for a processor {processor!r}.",
            f"{hint}Known: {', '.join(names)}. For others, give the times themselves.",
        )
    rows.sort(key=lambda row: parse_frequency(row.clock))
    if grade is not None:
        wanted = [row for row in rows if parse_frequency(row.clock) == parse_frequency(grade)]
    else:
        wanted = [row for row in rows if parse_frequency(row.clock) >= parse_frequency(clock)]
    if not wanted or parse_frequency(wanted[0].clock) < parse_frequency(clock):
        raise UsageError(
            f"no {grade + ' ' if grade else ''}grade of the {rows[0].processor} runs at {clock}.",
            f"Known grades: {', '.join(row.clock for row in rows)}.",
        )
    return wanted[0]


def _terms(row: BusSum, period: Fraction, waits: int, source: str) -> Sum:
    """A data sheet's sum at this clock period (picoseconds), rounded down."""
    terms = []
    if row.clocks:
        count = f"{float(row.clocks):.4g}" if row.clocks.denominator != 3 else str(row.clocks)
        name = f"{count} clock period{'' if row.clocks <= 1 else 's'} of {format_time(int(period))}"
        terms.append(Term(name, int(row.clocks * period), "given", "clock"))
    if row.wait and waits:
        terms.append(Term(f"{waits} wait states", int(waits * period), "given", "clock"))
    terms += [Term(less.name, -round(less.ns * 1000), less.status, source) for less in row.less]
    return tuple(terms)


def given_times(times_ps: Mapping[str, int], source: str = "stated by the planner") -> BusTimes:
    """Times that a person states, in picoseconds by name.

    Raises:
        UsageError: A name that is none of `TIME_NAMES`, or a negative time.

    >>> given_times({"address_to_data": 300_000}).ps("address_to_data")
    300000
    """
    for name, ps in times_ps.items():
        if name not in TIME_NAMES:
            near = get_close_matches(name, TIME_NAMES, 1)
            hint = f"Did you mean {near[0]!r}? " if near else ""
            raise UsageError(f"there is no bus time {name!r}.", f"{hint}Known: {', '.join(TIME_NAMES)}.")
        if ps < 0:
            raise UsageError(f"the bus time {name!r} is negative.", "Give a time from 0 upward.")
    times: dict[str, Any] = {
        name: (Term(name.replace("_", " "), ps, "given", source),) for name, ps in times_ps.items()
    }
    return BusTimes(**times)


def old_chip_times(access_ps: int, enable_ps: int | None = None, source: str = "the old chip") -> BusTimes:
    """What the old chip was allowed to take: the new one must be no slower, whatever the board would bear.

    Args:
        access_ps: Its access time from the address.
        enable_ps: Its time from any of its enables; None: nothing is known of them.
        source: Where the figures are from.
    """
    access = (Term("access time of the old chip", access_ps, "given", source),)
    enable = None if enable_ps is None else (Term("enable time of the old chip", enable_ps, "given", source),)
    note = "The board's own times are not known: the new chip is held to the old chip's figures."
    return BusTimes(address_to_data=access, enable_to_data=enable, output_to_data=enable, notes=(note,))
