"""A fault that was put into a part: what it is and where, and a sentence for people."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

ARRAY_LINES = ("dead-row", "dead-column", "weak-column")
"""Models that concern a row or a column of a chip's array."""

BUS = "bus"
"""Place of a fault that sits on the lines which all chips share."""


@dataclass(frozen=True)
class InjectedFault:
    """One fault, or several at once (then ``parts`` holds them and nothing else counts).

    Args:
        model: Name of its kind, as ``FaultKind.name``; joined by ``+`` when there are parts.
        chip: Reference designator of the chip, or ``"bus"``.
        bits: Outputs of the chip (0 first), or word bits on the bus.
        lines: Address lines of the chip, or processor address bits on the bus.
        addresses: Chip addresses of single cells.
        masks: For each of ``addresses`` the outputs whose cell is wrong there.
        line: Number of the row or column of the chip's array.
        level: Level that a dead or weak cell reads, or bank that a stuck bank line chooses.
        other: Second chip, where two are concerned.
        rate: Share of accesses in which it shows; for floating lines the share in which a line has drifted
            high.
        sentence: What is wrong, for people.
        parts: Several faults at once.
    """

    model: str
    chip: str = BUS
    bits: tuple[int, ...] = ()
    lines: tuple[int, ...] = ()
    addresses: tuple[int, ...] = ()
    masks: tuple[int, ...] = ()
    line: int = 0
    level: int = 0
    other: str = ""
    rate: float = 0.0
    sentence: str = ""
    parts: tuple[InjectedFault, ...] = field(default=())

    @property
    def on_bus(self) -> bool:
        """It sits on the shared lines, not at one chip."""
        return self.chip == BUS

    def single(self) -> Iterator[InjectedFault]:
        """The single faults that this one is made of."""
        if self.parts:
            for part in self.parts:
                yield from part.single()
        else:
            yield self

    @property
    def notation(self) -> str:
        """All of it as ``NAME:DETAIL+…``, which `wrongbit.demo.injection.inject_into` reads back."""
        return "+".join(
            part.model if part.model == "none" else f"{part.model}:{part.detail}" for part in self.single()
        )

    @property
    def detail(self) -> str:
        """Place and parameters of a single fault."""
        pieces = [f"{self.chip}-{self.other}" if self.other else self.chip]
        if self.model == "wrong-bank":
            pieces.append(f"bank{self.level}")
        if self.bits:
            pieces.append("-".join(f"D{bit}" for bit in self.bits))
        if self.lines:
            pieces.append("-".join(f"A{line}" for line in self.lines))
        if self.model == "dead-row":
            pieces = [pieces[0], f"row{self.line}"]
        elif self.model in ARRAY_LINES:
            pieces.append(f"column{self.line}")
        if self.model in ARRAY_LINES:
            pieces.append("high" if self.level else "low")
        pieces.extend(f"0x{a:X}=0x{m:X}" for a, m in zip(self.addresses, self.masks, strict=True))
        return ".".join(pieces) + (f"@{self.rate:g}" if self.rate else "")
