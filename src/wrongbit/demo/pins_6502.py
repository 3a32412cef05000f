"""A 6502's pins, drawn from its bus cycles.

Times follow the Rockwell R6500 data sheet for 1 MHz: address and R/W valid at most 225 ns after PHI2 falls,
data set up at least 100 ns before PHI2 falls, held 10 ns after it (from memory, not checked against the
document). Edges are drawn within those limits.
"""

from __future__ import annotations

import numpy as np

from wrongbit.demo.trace import CODE, BusTrace
from wrongbit.demo.waveform import (
    Pen,
    Unrest,
    Waveforms,
    clock_line,
    draw_drift,
    draw_memory,
    gaps,
    starts_ps,
)

_ADDRESS = 140_000
"""From the fall of PHI2 to address, R/W and SYNC, in picoseconds."""
_ENABLE, _ACCESS = 20_000, 90_000
"""From the rise of PHI2 to a memory that drives, and to its word."""
_WRITTEN = 100_000
"""From the rise of PHI2 to the processor's word."""
_HOLD = 30_000
"""The word stays so long after the fall of PHI2."""


def waveforms(trace: BusTrace, rng: np.random.Generator, unrest: Unrest) -> Waveforms:
    """Address, data, R/W, PHI2 and SYNC.

    Args:
        trace: One cycle for each clock period.
        rng: Source of what lines do where nothing looks at them.
        unrest: How much of it.
    """
    begin = starts_ps(trace)
    period = round(1e12 / trace.clock_hz)
    rise, fall = begin + period // 2, begin + period
    writes = trace.kind == CODE["write"]
    data = Pen(0xFF, 8)
    reads = np.flatnonzero(~writes)
    wandering = reads[(rng.random(len(reads)) < unrest.wandering) & (trace.driven[reads] == 0xFF)]
    draw_memory(
        data,
        rng,
        rise[wandering] + _ENABLE,
        rise[wandering] + _ACCESS,
        trace.held[wandering],
        trace.word[wandering],
        8,
    )
    data.to(rise[reads] + _ACCESS, trace.word[reads])
    data.to(rise[writes] + _WRITTEN, trace.word[writes])
    free = gaps(trace, unrest.drift, rng, 8)
    draw_drift(data, rng, fall[free] + _HOLD, trace.word[free], 8)
    lines = {
        "A": Pen(0xFFFF, 16).to(begin + _ADDRESS, trace.address).line(),
        "D": data.line(),
        "R/W": Pen(1).to(begin + _ADDRESS, (~writes).astype(np.uint64)).line(),
        "PHI2": clock_line(trace, int(trace.clock[-1]) + 1, 0),
        "SYNC": Pen(0).to(begin + _ADDRESS, (trace.kind == CODE["fetch"]).astype(np.uint64)).line(),
    }
    return Waveforms(lines, ("A", "D"), "PHI2", 0, 0, int(fall[-1]))
