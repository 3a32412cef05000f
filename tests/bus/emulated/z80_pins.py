"""What a Z80 does on its pins, machine cycle by machine cycle.

Source: Zilog Z80 CPU User Manual UM0080, chapter "Timing" (opcode fetch, memory read or write, input or
output, interrupt acknowledge). Which half of which clock moves a pin is as published; the delays after
the clock edge are within the maxima of a 4 MHz part from memory, not checked against the document.
"""

from __future__ import annotations

from bus.emulated.wave import NS, Access, Wave

WIDTHS = {"A": 16, "D": 8, "M1": 1, "MREQ": 1, "IORQ": 1, "RD": 1, "WR": 1, "RFSH": 1}
IDLE = {"M1": 1, "MREQ": 1, "IORQ": 1, "RD": 1, "WR": 1, "RFSH": 1}

DELAY = {"A": 70, "M1": 65, "MREQ": 55, "RD": 60, "WR": 50, "IORQ": 58, "RFSH": 80, "D": 90}
"""Nanoseconds from a clock edge to the pin."""

HOLD = 15
"""Nanoseconds for which a memory still drives the bus after RD has risen."""


class Z80Pins:
    """Draws machine cycles one after the other.

    Args:
        clock_ps: Clock period; 4 MHz unless said.
        access: Memory answers this many nanoseconds after RD falls.
        ideal: All pins change at the clock edge itself, as in a simulation without delays.
    """

    def __init__(self, clock_ps: int = 250 * NS, access: int = 150, *, ideal: bool = False) -> None:
        self.wave = Wave(WIDTHS, IDLE)
        self.clock = clock_ps
        self.access = access * NS
        self.delay = dict.fromkeys(DELAY, 0) if ideal else DELAY
        self.now = clock_ps
        self.expected: list[Access] = []

    def _put(self, half: int, **levels: int | None) -> None:
        """Pins change after the clock edge this many half clocks from the start of the machine cycle."""
        edge = self.now + half * self.clock // 2
        for name, level in levels.items():
            self.wave.put(edge + self.delay[name] * NS, **{name: level})

    def _answer(self, half: int, word: int, release: int) -> None:
        """A memory or port drives the bus a while after RD falls, until RD has risen."""
        edge = self.now + half * self.clock // 2
        self.wave.put(edge + self.delay["RD"] * NS + self.access, D=word)
        self.wave.put(self.now + release * self.clock // 2 + (self.delay["RD"] + HOLD) * NS, D=None)

    def idle(self, clocks: int) -> None:
        """Clocks in which the processor works inside."""
        self.now += clocks * self.clock

    def fetch(self, address: int, word: int, refresh: int, waits: int = 0) -> None:
        """T1, T2, waits, T3, T4: the opcode is taken at the rise of T3, then the refresh address stands."""
        third = 4 + 2 * waits
        self._put(0, A=address, M1=0)
        self._put(1, MREQ=0, RD=0)
        self._answer(1, word, third)
        self._put(third, M1=1, MREQ=1, RD=1, A=refresh, RFSH=0)
        self._put(third + 1, MREQ=0)
        self._put(third + 3, MREQ=1)
        self._put(third + 4, RFSH=1)
        self.expected += [Access("fetch", address, word), Access("refresh", refresh, 0)]
        self.now += (4 + waits) * self.clock

    def read(self, address: int, word: int, waits: int = 0) -> None:
        """T1, T2, waits, T3: the byte is taken at the fall of T3."""
        last = 5 + 2 * waits
        self._put(0, A=address)
        self._put(1, MREQ=0, RD=0)
        self._answer(1, word, last)
        self._put(last, MREQ=1, RD=1)
        self.expected.append(Access("read", address, word))
        self.now += (3 + waits) * self.clock

    def write(self, address: int, word: int, waits: int = 0) -> None:
        """T1, T2, waits, T3: WR is low from the fall of T2 to the fall of T3, the byte stands around it."""
        last = 5 + 2 * waits
        self._put(0, A=address)
        self._put(1, MREQ=0, D=word)
        self._put(3, WR=0)
        self._put(last, MREQ=1, WR=1)
        self._put(last + 1, D=None)
        self.expected.append(Access("write", address, word))
        self.now += (3 + waits) * self.clock

    def io_read(self, port: int, word: int, waits: int = 0) -> None:
        """T1, T2, one wait of its own, further waits, T3."""
        last = 7 + 2 * waits
        self._put(0, A=port)
        self._put(2, IORQ=0, RD=0)
        self._answer(2, word, last)
        self._put(last, IORQ=1, RD=1)
        self.expected.append(Access("io_read", port, word))
        self.now += (4 + waits) * self.clock

    def io_write(self, port: int, word: int, waits: int = 0) -> None:
        """T1, T2, one wait of its own, further waits, T3."""
        last = 7 + 2 * waits
        self._put(0, A=port)
        self._put(1, D=word)
        self._put(2, IORQ=0, WR=0)
        self._put(last, IORQ=1, WR=1)
        self._put(last + 1, D=None)
        self.expected.append(Access("io_write", port, word))
        self.now += (4 + waits) * self.clock

    def acknowledge(self, address: int, vector: int, refresh: int, waits: int = 0) -> None:
        """T1, T2, two waits of its own, further waits, T3, T4: IORQ is low within M1, RD stays high."""
        third = 8 + 2 * waits
        self._put(0, A=address, M1=0)
        self._put(5, IORQ=0)
        edge = self.now + 5 * self.clock // 2
        self.wave.put(edge + (self.delay["IORQ"] + 60) * NS, D=vector)
        self.wave.put(self.now + third * self.clock // 2 + (self.delay["IORQ"] + HOLD) * NS, D=None)
        self._put(third, M1=1, IORQ=1, A=refresh, RFSH=0)
        self._put(third + 1, MREQ=0)
        self._put(third + 3, MREQ=1)
        self._put(third + 4, RFSH=1)
        self.expected += [Access("acknowledge", address, vector), Access("refresh", refresh, 0)]
        self.now += (6 + waits) * self.clock
