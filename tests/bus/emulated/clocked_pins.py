"""What a processor with one clocked, separate bus does on its pins: the 6502, 6800, 6802 and 6809.

A cycle runs from one fall of the clock (PHI2 or E) to the next. Address, R/W and status change a while after
the fall that begins it; write data stands from a while after the clock's rise until a little after its
fall; read data is there one set-up time before the fall. Sources: Rockwell R6500 data sheet, Motorola
MC6800 (DS9471), MC6802 and MC6809E data sheets, bus timing; numbers for 1 MHz parts, from memory, not
checked against the documents, except the 6809E's set-up of 80 ns.
"""

from __future__ import annotations

from bus.emulated.wave import NS, Wave

ADDRESS = 180
"""Nanoseconds from the clock's fall to a new address, R/W and status (225 or 270 at most)."""

WRITE = 150
"""Nanoseconds from the clock's rise to write data (200 or 225 at most)."""

HOLD = 20
"""Nanoseconds for which data outlasts the clock's fall (10 at least)."""


class ClockedPins:
    """Draws bus cycles one after the other.

    Args:
        clock: Name of the clock: PHI2 or E.
        status: Further outputs, one wire each, with their level at rest.
        period: Clock period in nanoseconds.
        access: Memory answers this many nanoseconds after the address.
        ideal: No delays: everything that the processor does happens at a clock edge.
    """

    def __init__(
        self,
        clock: str,
        status: dict[str, int],
        period: int = 1000,
        access: int = 450,
        *,
        ideal: bool = False,
    ) -> None:
        self.clock = clock
        self.period = period * NS
        self.address, self.write_delay, self.hold = (0, 0, 0) if ideal else (ADDRESS, WRITE, HOLD)
        self.access = access
        self.wave = Wave(
            {clock: 1, "RW": 1, **dict.fromkeys(status, 1), "A": 16, "D": 8}, {"RW": 1, **status}
        )
        self.now = 0
        self.wave.put(0, **{clock: 0})

    def _cycle(self, levels: dict[str, int], data_from: int, word: int | None) -> None:
        put = self.wave.put
        put(self.now + self.address * NS, **levels)
        put(self.now + self.period // 2, **{self.clock: 1})
        if word is not None:
            put(self.now + data_from, D=word)
            put(self.now + self.period + self.hold * NS, D=None)
        self.now += self.period
        put(self.now, **{self.clock: 0})

    def read(self, address: int, word: int | None, **status: int) -> None:
        """A read; a word of None is a cycle in which nobody drives the data bus."""
        self._cycle({"A": address, "RW": 1, **status}, (self.address + self.access) * NS, word)

    def write(self, address: int, word: int, **status: int) -> None:
        """A write."""
        from_rise = self.period // 2 + self.write_delay * NS
        self._cycle({"A": address, "RW": 0, **status}, from_rise, word)
