"""The S16's pins, drawn from its bus cycles. Everything about it is invented.

A cycle takes four clock periods T1 to T4. LAD is high in T1 and the address is on AD until a little after it
ends. GET is low from the middle of T2 to the middle of T4; the word is taken when it ends. PUT is low from
the middle of T2 to the end of T3, and the word is on AD from before until after it.
"""

from __future__ import annotations

import numpy as np

from wrongbit.demo.trace import CODE, BusTrace
from wrongbit.demo.waveform import (
    Pen,
    Unrest,
    Waveforms,
    clock_line,
    draw_memory,
    starts_ps,
)

_NS = 1_000
_OUTPUT = 50 * _NS
"""From the beginning of T1 to address, FIRST, PORT and BK."""
_LAD = 20 * _NS
_DRIVES, _ACCESS = 60 * _NS, 350 * _NS
"""From GET to a memory that drives, and to its word."""
_TURN = 80 * _NS
"""From LAD to the processor's word when it writes."""


def waveforms(trace: BusTrace, rng: np.random.Generator, unrest: Unrest) -> Waveforms:
    """AD, LAD, GET and PUT (active low), FIRST, PORT, BK and CK.

    Args:
        trace: Cycles of four clock periods, with further ones between them now and then.
        rng: Source of what lines do where nothing looks at them.
        unrest: How much of it; lines that nobody drives keep the address.
    """
    begin = starts_ps(trace)
    period = 1e12 / trace.clock_hz

    def after(periods: float) -> np.typing.NDArray[np.int64]:
        return begin + round(periods * period)

    kind = trace.kind
    write = (kind == CODE["write"]) | (kind == CODE["io_write"])
    read = ~write
    port = (kind == CODE["io_read"]) | (kind == CODE["io_write"])
    bus = Pen(0xFFFF, 16).to(begin + _OUTPUT, trace.address)
    restless = read & (trace.driven == 0xFFFF) & (rng.random(len(trace)) < unrest.wandering)
    draw_memory(
        bus,
        rng,
        after(1.5)[restless] + _DRIVES,
        after(1.5)[restless] + _ACCESS,
        trace.held[restless],
        trace.word[restless],
        16,
    )
    bus.to(after(1.5)[read] + _ACCESS, trace.word[read])
    bus.to(after(1.0)[write] + _TURN, trace.word[write])
    lines = {
        "AD": bus.line(),
        "LAD": Pen(0).pulse(begin + _LAD, after(1.0) - _LAD, 1).line(),
        "GET": Pen(1).pulse(after(1.5)[read], after(3.5)[read], 0).line(),
        "PUT": Pen(1).pulse(after(1.5)[write], after(3.0)[write], 0).line(),
        "FIRST": Pen(0).to(begin + _OUTPUT, (kind == CODE["fetch"]).astype(np.uint64)).line(),
        "PORT": Pen(0).to(begin + _OUTPUT, port.astype(np.uint64)).line(),
        "BK": Pen(0).to(begin + _OUTPUT, trace.bank.astype(np.uint64)).line(),
        "CK": clock_line(trace, int(trace.clock[-1]) + 4, 1),
    }
    return Waveforms(lines, ("AD",), "CK", 0, 0, int(after(4.0)[-1]))
