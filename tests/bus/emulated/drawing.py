"""Waveforms drawn as text, the way a data sheet draws them.

One line a signal, one character a slot of time:

    ALE |_--_______|      _ low, - high, . floating
    AD  |.NN=..WW=.|      a bus: N the address, W the word, or hex digits; = goes on with it
    RD  |----_____-|

A bus that carries only part of the address takes its own wires of N (AD0 to AD7 the low byte, A8 to A15 the
high one), so the number of letters says how long, not how much. Levels are physical.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from bus.emulated.wave import NS, Wave

_TOKEN = re.compile(r"(\.)|(N+|W+|[0-9A-F]+)=*")


@dataclass(frozen=True)
class Wires:
    """The wires of a drawing.

    Args:
        widths: Signal or bus = number of wires.
        lowest: Bus = number of its lowest wire, where that is not 0.
    """

    widths: Mapping[str, int]
    lowest: Mapping[str, int]


def draw(wires: Wires, pieces: Iterable[tuple[str, int, int]], slot_ns: int = 100) -> Wave:
    """Drawings one after the other, as one waveform.

    Args:
        wires: Every signal that the drawings have.
        pieces: (drawing, address, word) each.
        slot_ns: Length of a slot in nanoseconds.
    """
    wave = Wave(wires.widths, None, wires.lowest)
    slot = 0
    for text, address, word in pieces:
        length = 0
        for line in text.strip().splitlines():
            name, drawn = line.split("|")[:2]
            length = length or len(drawn)
            assert len(drawn) == length, f"{name.strip()} has {len(drawn)} slots, not {length}:\n{text}"
            for start, value in _levels(wires, name.strip(), drawn, address, word):
                wave.put((slot + start) * slot_ns * NS, **{name.strip(): value})
        slot += length
    wave.rest_as_first()
    return wave


def _levels(wires: Wires, name: str, drawn: str, address: int, word: int) -> Iterable[tuple[int, int | None]]:
    """(slot, level) at every token of one line."""
    width, lowest = wires.widths[name], wires.lowest.get(name, 0)
    if width == 1:
        yield from ((at, {"_": 0, "-": 1, ".": None}[level]) for at, level in enumerate(drawn))
        return
    at = 0
    while at < len(drawn):
        match = _TOKEN.match(drawn, at)
        assert match, f"{name}: cannot read {drawn[at:]!r}"
        token = match[2]
        if token is None:
            yield at, None
        else:
            value = word if token[0] == "W" else address if token[0] == "N" else int(token, 16)
            yield at, (value >> lowest) & ((1 << width) - 1)
        at = match.end()
