"""A Z80's pins, drawn from its machine cycles.

The order of edges is that of Zilog's CPU user manual UM0080, chapter "Timing": opcode fetch with refresh,
memory read or write, input or output with the wait state that the processor puts in by itself. An opcode is
taken at the rise of T3, any other word at the fall of T3. The delays of single edges lie within the limits of
the 2.5 MHz part as they are remembered (from memory, not checked against the document).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wrongbit.demo.trace import CODE, BusTrace
from wrongbit.demo.waveform import (
    Pen,
    Times,
    Unrest,
    Waveforms,
    clock_line,
    draw_drift,
    draw_memory,
    starts_ps,
)

_NS = 1_000
_ADDRESS = 110 * _NS
"""From the rise of T1 (or of T3, refresh) to the address."""
_M1 = 100 * _NS
_STROBE = 85 * _NS
"""From a clock edge to MREQ, IORQ, RD or WR."""
_RFSH = 150 * _NS
_WRITTEN = 150 * _NS
"""From the fall of T1 to the processor's word."""
_DRIVES, _ACCESS = 40 * _NS, 200 * _NS
"""From RD to a memory that drives, and to its word."""
_HOLD = 20 * _NS
"""The memory's word stays so long after RD."""
_FETCH, _READ, _WRITE = CODE["fetch"], CODE["read"], CODE["write"]
_REFRESH, _IN, _OUT = CODE["refresh"], CODE["io_read"], CODE["io_write"]


def waveforms(trace: BusTrace, rng: np.random.Generator, unrest: Unrest) -> Waveforms:
    """Address, data, M1, MREQ, IORQ, RD, WR, RFSH (all active low) and CLK.

    Args:
        trace: Machine cycles, each M1 cycle as a fetch and a refresh.
        rng: Source of what lines do where nothing looks at them.
        unrest: How much of it.
    """
    pens = {name: Pen(1) for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")}
    address, data = Pen(0xFFFF, 16), Pen(0xFF, 8)
    begin = starts_ps(trace)
    address.to(begin + _ADDRESS, trace.address)
    _strobes(pens, trace, begin)
    _data(data, trace, begin, rng, unrest)
    periods = int(trace.clock[-1]) + _LONGEST
    lines = {"A": address.line(), "D": data.line(), **{name: pen.line() for name, pen in pens.items()}}
    lines["CLK"] = clock_line(trace, periods, 1)
    return Waveforms(lines, ("A", "D"), "CLK", 1, 0, int(lines["CLK"].at_ps[-1]))


_LONGEST = 4
"""Clock periods that the last cycle of a trace may take."""


class _Edges:
    """Clock edges of each cycle: ``rise(2)`` is the rise of T2."""

    def __init__(self, trace: BusTrace, begin: Times) -> None:
        self._begin = begin
        self._period = 1e12 / trace.clock_hz

    def rise(self, number: int) -> Times:
        """Rise of T<number>, counted from the cycle's beginning."""
        return self._begin + round((number - 1) * self._period)

    def fall(self, number: int) -> Times:
        """Fall of T<number>."""
        return self._begin + round((number - 0.5) * self._period)


def _strobes(pens: dict[str, Pen], trace: BusTrace, begin: Times) -> None:
    """Control signals, for each kind of cycle as in the manual's figure."""
    edges = _Edges(trace, begin)
    kind = trace.kind

    def low(name: str, chosen: NDArray[np.bool_], falls: Times, rises: Times) -> None:
        pens[name].pulse(falls[chosen] + _STROBE, rises[chosen] + _STROBE, 0)

    fetch = kind == _FETCH
    pens["M1"].pulse(edges.rise(1)[fetch] + _M1, edges.rise(3)[fetch] + _M1, 0)
    low("MREQ", fetch, edges.fall(1), edges.rise(3))
    low("RD", fetch, edges.fall(1), edges.rise(3))
    refresh = kind == _REFRESH  # its T1 is T3 of the M1 cycle
    pens["RFSH"].pulse(edges.rise(1)[refresh] + _RFSH, edges.rise(3)[refresh] + _RFSH, 0)
    low("MREQ", refresh, edges.fall(1), edges.fall(2))
    read, write = kind == _READ, kind == _WRITE
    low("MREQ", read | write, edges.fall(1), edges.fall(3))
    low("RD", read, edges.fall(1), edges.fall(3))
    low("WR", write, edges.fall(2), edges.fall(3))
    # T3 of the figure is the fourth period: one wait state comes between T2 and T3.
    taken, given = kind == _IN, kind == _OUT
    low("IORQ", taken | given, edges.rise(2), edges.fall(4))
    low("RD", taken, edges.rise(2), edges.fall(4))
    low("WR", given, edges.rise(2), edges.fall(4))


def _data(data: Pen, trace: BusTrace, begin: Times, rng: np.random.Generator, unrest: Unrest) -> None:
    edges = _Edges(trace, begin)
    kind = trace.kind
    for one, reads_from, until in (
        (_FETCH, edges.fall(1), edges.rise(3)),
        (_READ, edges.fall(1), edges.fall(3)),
        (_IN, edges.rise(2), edges.fall(4)),
    ):
        here = kind == one
        restless = here & (trace.driven == 0xFF) & (rng.random(len(trace)) < unrest.wandering)
        strobe = reads_from + _STROBE
        draw_memory(
            data,
            rng,
            strobe[restless] + _DRIVES,
            strobe[restless] + _ACCESS,
            trace.held[restless],
            trace.word[restless],
            8,
        )
        data.to(strobe[here] + _ACCESS, trace.word[here])
        free = here & _driven_next(trace) & (rng.random(len(trace)) < unrest.drift)
        draw_drift(data, rng, until[free] + _STROBE + _HOLD, trace.word[free], 8)
    writes = (kind == _WRITE) | (kind == _OUT)
    data.to(edges.fall(1)[writes] + _WRITTEN, trace.word[writes])


def _driven_next(trace: BusTrace) -> NDArray[np.bool_]:
    """Cycles whose next one that moves a word drives every line; refreshes move nothing."""
    full = trace.driven == 0xFF
    after, later = np.append(full[1:], False), np.append(full[2:], [False, False])
    refreshed = np.append(trace.kind[1:] == _REFRESH, False)
    return np.where(refreshed, later, after)
