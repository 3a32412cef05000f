"""Bus cycles of processor families, drawn by hand from their data sheets' timing diagrams.

Order of edges as the data sheets draw them; slots are not to scale. The sources stand at each family; where
one is marked [M] the drawing was made from memory and not checked against the document.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from bus.emulated.drawing import Wires


@dataclass(frozen=True)
class Drawn:
    """One kind of bus cycle.

    Args:
        kind: What must be rebuilt; None where nothing must.
        drawing: See `bus.emulated.drawing`.
        known: Word bits that the cycle moves; None for the whole word.
        fixed: Address bits that this cycle always has, as (mask, value).
    """

    kind: str | None
    drawing: str
    known: int | None = None
    fixed: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Family:
    """The drawings of one family.

    Args:
        recipe: Name of the built-in recipe.
        word_bits: Width of the data bus.
        address_bits: Width of an address.
        wires: Every signal drawn.
        cycles: Name = drawing.
        missing: Signals that a probe may leave out = what each drawing is rebuilt as then, where that
            differs: another kind, or None for not at all.
    """

    recipe: str
    word_bits: int
    address_bits: int
    wires: Wires
    cycles: dict[str, Drawn]
    missing: dict[tuple[str, ...], dict[str, str | None]] = field(default_factory=dict)


def _wires(buses: dict[str, int], signals: str, lowest: dict[str, int] | None = None) -> Wires:
    return Wires({**buses, **dict.fromkeys(signals.split(), 1)}, lowest or {})


# Rockwell R6500 data sheet, timing diagram [M].
MOS_6502 = Family(
    "6502", 8, 16, _wires({"A": 16, "D": 8}, "PHI2 RW SYNC RDY"),
    {
        "fetch": Drawn("fetch", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            SYNC |.---------|
            RDY  |.---------|
            D    |......WW==|"""),
        "read": Drawn("read", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            SYNC |._________|
            RDY  |.---------|
            D    |......WW==|"""),
        "write": Drawn("write", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |._________|
            SYNC |._________|
            RDY  |.---------|
            D    |......WW==|"""),
        "write, RDY low": Drawn("write", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |._________|
            SYNC |._________|
            RDY  |._________|
            D    |......WW==|"""),
        "fetch, RDY low": Drawn("idle", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            SYNC |.---------|
            RDY  |._________|
            D    |......WW==|"""),
    },
    {
        ("SYNC",): {"fetch": "read"},
        ("RDY",): {"fetch, RDY low": "fetch"},
        ("SYNC", "RDY"): {"fetch": "read", "fetch, RDY low": "read"},
    },
)  # fmt: skip

# Motorola MC6800 data sheet DS9471, read and write in memory [M].
MOTOROLA_6800 = Family(
    "6800", 8, 16, _wires({"A": 16, "D": 8}, "PHI2 RW VMA"),
    {
        "read": Drawn("read", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            VMA  |.---------|
            D    |......WW==|"""),
        "write": Drawn("write", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |._________|
            VMA  |.---------|
            D    |......WW==|"""),
        "inside": Drawn("idle", """
            PHI2 |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            VMA  |._________|
            D    |......WW==|"""),
    },
    {
        ("VMA",): {"inside": "read"},
    },
)  # fmt: skip

# Motorola MC6802 data sheet, bus timing [M].
MOTOROLA_6802 = Family(
    "6802", 8, 16, _wires({"A": 16, "D": 8}, "E RW VMA"),
    {
        "read": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            VMA  |.---------|
            D    |......WW==|"""),
        "write": Drawn("write", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |._________|
            VMA  |.---------|
            D    |......WW==|"""),
        "inside": Drawn("idle", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            VMA  |._________|
            D    |......WW==|"""),
    },
    {
        ("VMA",): {"inside": "read"},
    },
)  # fmt: skip

# Motorola MC6809E data sheet: E falls as data is taken [C]; BA, BS, LIC, AVMA and the dead cycle at FFFF [M].
MOTOROLA_6809 = Family(
    "6809", 8, 16, _wires({"A": 16, "D": 8}, "E RW BA BS LIC AVMA"),
    {
        "vector": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |.---------|
            LIC  |._________|
            AVMA |.---------|
            D    |......WW==|"""),
        "vector, dead next": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |.---------|
            LIC  |._________|
            AVMA |._________|
            D    |......WW==|"""),
        "dead, last": Drawn("idle", """
            E    |_____----_|
            A    |..FFFF====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |.---------|
            AVMA |.---------|
            D    |......WW==|""", fixed=(0xFFFF, 0xFFFF)),
        "dead": Drawn("idle", """
            E    |_____----_|
            A    |..FFFF====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |._________|
            AVMA |.---------|
            D    |......WW==|""", fixed=(0xFFFF, 0xFFFF)),
        "opcode": Drawn("fetch", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |._________|
            AVMA |.---------|
            D    |......WW==|"""),
        "read": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |._________|
            AVMA |.---------|
            D    |......WW==|"""),
        "read, dead next": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |._________|
            AVMA |._________|
            D    |......WW==|"""),
        "read, last": Drawn("read", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |._________|
            BS   |._________|
            LIC  |.---------|
            AVMA |.---------|
            D    |......WW==|"""),
        "write, last": Drawn("write", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |._________|
            BA   |._________|
            BS   |._________|
            LIC  |.---------|
            AVMA |.---------|
            D    |......WW==|"""),
        "halted": Drawn("idle", """
            E    |_____----_|
            A    |..NNNN====|
            RW   |.---------|
            BA   |.---------|
            BS   |.---------|
            LIC  |.---------|
            AVMA |._________|
            D    |......WW==|"""),
    },
    {
    },
)  # fmt: skip

# Intel 8080A data sheet, and 8080 Microcomputer Systems User"s Manual (1975), status word chart [M].
INTEL_8080 = Family(
    "8080", 8, 16, _wires({"A": 16, "D": 8}, "SYNC DBIN WR"),
    {
        "fetch": Drawn("fetch", """
            SYNC |_---______|
            D    |.A2=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "memory read": Drawn("read", """
            SYNC |_---______|
            D    |.82=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "stack read": Drawn("read", """
            SYNC |_---______|
            D    |.86=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "memory write": Drawn("write", """
            SYNC |_---______|
            D    |.00=WW====|
            A    |.NNNN=====|
            DBIN |__________|
            WR   |-----___--|"""),
        "stack write": Drawn("write", """
            SYNC |_---______|
            D    |.04=WW====|
            A    |.NNNN=====|
            DBIN |__________|
            WR   |-----___--|"""),
        "input": Drawn("io_read", """
            SYNC |_---______|
            D    |.42=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "output": Drawn("io_write", """
            SYNC |_---______|
            D    |.10=WW====|
            A    |.NNNN=====|
            DBIN |__________|
            WR   |-----___--|"""),
        "interrupt acknowledge": Drawn("acknowledge", """
            SYNC |_---______|
            D    |.23=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "halt acknowledge": Drawn("idle", """
            SYNC |_---______|
            D    |.8A=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
        "interrupt acknowledge while halted": Drawn("acknowledge", """
            SYNC |_---______|
            D    |.2B=..WW=.|
            A    |.NNNN=====|
            DBIN |_____---__|
            WR   |----------|"""),
    },
    {
    },
)  # fmt: skip

# Intel 8085AH data sheet 231718: ALE falls as the address is latched [C]; machine cycle chart [M].
INTEL_8085 = Family(
    "8085", 8, 16, _wires({"AD": 8, "A": 8}, "ALE RD WR INTA IOM S0 S1", {"A": 8}),
    {
        "fetch": Drawn("fetch", """
            ALE  |_--_______|
            AD   |.NN=..WW=.|
            A    |NNNN======|
            RD   |----_____-|
            WR   |----------|
            INTA |----------|
            IOM  |__________|
            S1   |----------|
            S0   |----------|"""),
        "memory read": Drawn("read", """
            ALE  |_--_______|
            AD   |.NN=..WW=.|
            A    |NNNN======|
            RD   |----_____-|
            WR   |----------|
            INTA |----------|
            IOM  |__________|
            S1   |----------|
            S0   |__________|"""),
        "memory write": Drawn("write", """
            ALE  |_--_______|
            AD   |.NN=..WW==|
            A    |NNNN======|
            RD   |----------|
            WR   |-----____-|
            INTA |----------|
            IOM  |__________|
            S1   |__________|
            S0   |----------|"""),
        "input": Drawn("io_read", """
            ALE  |_--_______|
            AD   |.NN=..WW=.|
            A    |NNNN======|
            RD   |----_____-|
            WR   |----------|
            INTA |----------|
            IOM  |----------|
            S1   |----------|
            S0   |__________|"""),
        "output": Drawn("io_write", """
            ALE  |_--_______|
            AD   |.NN=..WW==|
            A    |NNNN======|
            RD   |----------|
            WR   |-----____-|
            INTA |----------|
            IOM  |----------|
            S1   |__________|
            S0   |----------|"""),
        "interrupt acknowledge": Drawn("acknowledge", """
            ALE  |_--_______|
            AD   |.NN=..WW=.|
            A    |NNNN======|
            RD   |----------|
            WR   |----------|
            INTA |----_____-|
            IOM  |----------|
            S1   |----------|
            S0   |----------|"""),
        "bus idle": Drawn(None, """
            ALE  |_--_______|
            AD   |.NN=......|
            A    |NNNN======|
            RD   |----------|
            WR   |----------|
            INTA |----------|
            IOM  |__________|
            S1   |----------|
            S0   |__________|"""),
    },
    {
        ("S0",): {"fetch": "read"},
        ("S0", "S1"): {"fetch": "read"},
        ("IOM",): {"input": "read", "output": "write"},
        ("INTA",): {"interrupt acknowledge": None},
    },
)  # fmt: skip

# Intel 8086 data sheet 231455, minimum mode: ALE falls as the address is latched [C]; the rest [M].
INTEL_8086 = Family(
    "8086", 16, 20, _wires({"AD": 16, "A": 4}, "ALE BHE MIO RD WR INTA", {"A": 16}),
    {
        "read word": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |----------------|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "read low byte": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |----------------|
            MIO  |----------------|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|""", known=0xFF, fixed=(1, 0)),
        "read high byte": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |----------------|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|""", known=0xFF00, fixed=(1, 1)),
        "write word": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |----------------|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|""", fixed=(1, 0)),
        "write low byte": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |----------------|
            MIO  |----------------|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|""", known=0xFF, fixed=(1, 0)),
        "write high byte": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |----------------|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|""", known=0xFF00, fixed=(1, 1)),
        "input word": Drawn("io_read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |________________|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "input low byte": Drawn("io_read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |----------------|
            MIO  |________________|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|""", known=0xFF, fixed=(1, 0)),
        "output high byte": Drawn("io_write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |________________|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|""", known=0xFF00, fixed=(1, 1)),
        "interrupt acknowledge": Drawn("acknowledge", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            MIO  |________________|
            RD   |----------------|
            WR   |----------------|
            INTA |-------_______--|""", fixed=(1, 0)),
    },
    {
        ("MIO",): {"input word": "read", "input low byte": "read", "output high byte": "write"},
        ("INTA",): {"interrupt acknowledge": None},
    },
)  # fmt: skip

# Intel 8086 and 8288 data sheets, maximum mode: ALE [C]; status chart and commands [M].
INTEL_8086_MAXIMUM = Family(
    "8086-maximum", 16, 20,
    _wires({"AD": 16, "A": 4}, "ALE BHE S0 S1 S2 MRDC MWTC IORC IOWC INTA", {"A": 16}),
    {
        "code": Drawn("fetch", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |_____-----------|
            S1   |_____-----------|
            S2   |----------------|
            MRDC |-------_______--|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "read": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |----------------|
            S1   |_____-----------|
            S2   |----------------|
            MRDC |-------_______--|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "write": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |_____-----------|
            S1   |----------------|
            S2   |----------------|
            MRDC |----------------|
            MWTC |-------_______--|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "input": Drawn("io_read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |----------------|
            S1   |_____-----------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |-------_______--|
            IOWC |----------------|
            INTA |----------------|""", fixed=(1, 0)),
        "output": Drawn("io_write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |_____-----------|
            S1   |----------------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |----------------|
            IOWC |-------_______--|
            INTA |----------------|""", fixed=(1, 0)),
        "interrupt acknowledge": Drawn("acknowledge", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |_____-----------|
            S1   |_____-----------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |-------_______--|""", fixed=(1, 0)),
        "read low byte": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WWWW==..|
            A    |.NNNN=20000====.|
            BHE  |----------------|
            S0   |----------------|
            S1   |_____-----------|
            S2   |----------------|
            MRDC |-------_______--|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|""", known=0xFF, fixed=(1, 0)),
        "write high byte": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WWWW===|
            A    |.NNNN=20000====.|
            BHE  |-____-----------|
            S0   |_____-----------|
            S1   |----------------|
            S2   |----------------|
            MRDC |----------------|
            MWTC |-------_______--|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|""", known=0xFF00, fixed=(1, 1)),
    },
    {
        ("S1",): {"code": "read"},
        ("S0", "S1", "S2"): {"code": "read"},
        ("IORC", "IOWC"): {"input": None, "output": None},
        ("INTA",): {"interrupt acknowledge": None},
    },
)  # fmt: skip

# Intel 8088 and 8288 data sheets, maximum mode: ALE [C]; status chart and commands [M].
INTEL_8088_MAXIMUM = Family(
    "8088-maximum", 8, 20, _wires({"AD": 8, "A": 12}, "ALE S0 S1 S2 MRDC MWTC IORC IOWC INTA", {"A": 8}),
    {
        "code": Drawn("fetch", """
            ALE  |_---____________|
            AD   |.NNNN=..WW====..|
            A    |.NNNN=NNNN====..|
            S0   |_____-----------|
            S1   |_____-----------|
            S2   |----------------|
            MRDC |-------_______--|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|"""),
        "read": Drawn("read", """
            ALE  |_---____________|
            AD   |.NNNN=..WW====..|
            A    |.NNNN=NNNN====..|
            S0   |----------------|
            S1   |_____-----------|
            S2   |----------------|
            MRDC |-------_______--|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|"""),
        "write": Drawn("write", """
            ALE  |_---____________|
            AD   |.NNNN=...WW=====|
            A    |.NNNN=NNNN====..|
            S0   |_____-----------|
            S1   |----------------|
            S2   |----------------|
            MRDC |----------------|
            MWTC |-------_______--|
            IORC |----------------|
            IOWC |----------------|
            INTA |----------------|"""),
        "input": Drawn("io_read", """
            ALE  |_---____________|
            AD   |.NNNN=..WW====..|
            A    |.NNNN=NNNN====..|
            S0   |----------------|
            S1   |_____-----------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |-------_______--|
            IOWC |----------------|
            INTA |----------------|"""),
        "output": Drawn("io_write", """
            ALE  |_---____________|
            AD   |.NNNN=...WW=====|
            A    |.NNNN=NNNN====..|
            S0   |_____-----------|
            S1   |----------------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |----------------|
            IOWC |-------_______--|
            INTA |----------------|"""),
        "interrupt acknowledge": Drawn("acknowledge", """
            ALE  |_---____________|
            AD   |.NNNN=..WW====..|
            A    |.NNNN=NNNN====..|
            S0   |_____-----------|
            S1   |_____-----------|
            S2   |_____-----------|
            MRDC |----------------|
            MWTC |----------------|
            IORC |----------------|
            IOWC |----------------|
            INTA |-------_______--|"""),
    },
    {
        ("S1",): {"code": "read"},
        ("S0", "S1", "S2"): {"code": "read"},
        ("IORC", "IOWC"): {"input": None, "output": None},
        ("INTA",): {"interrupt acknowledge": None},
    },
)  # fmt: skip

# Intel 8088 data sheet 231456, minimum mode: ALE [C]; chart of IO/M, DT/R, SSO [M].
INTEL_8088 = Family(
    "8088", 8, 20, _wires({"AD": 8, "A": 12}, "ALE IOM DTR SSO RD WR INTA", {"A": 8}),
    {
        "code": Drawn("fetch", """
            ALE  |_---____________|
            AD   |.NN===..WW====..|
            A    |.NNNN=NNNN====..|
            IOM  |________________|
            DTR  |________________|
            SSO  |________________|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|"""),
        "read": Drawn("read", """
            ALE  |_---____________|
            AD   |.NN===..WW====..|
            A    |.NNNN=NNNN====..|
            IOM  |________________|
            DTR  |________________|
            SSO  |----------------|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|"""),
        "write": Drawn("write", """
            ALE  |_---____________|
            AD   |.NN===...WW=====|
            A    |.NNNN=NNNN====..|
            IOM  |________________|
            DTR  |----------------|
            SSO  |________________|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|"""),
        "input": Drawn("io_read", """
            ALE  |_---____________|
            AD   |.NN===..WW====..|
            A    |.NNNN=NNNN====..|
            IOM  |----------------|
            DTR  |________________|
            SSO  |----------------|
            RD   |-------_______--|
            WR   |----------------|
            INTA |----------------|"""),
        "output": Drawn("io_write", """
            ALE  |_---____________|
            AD   |.NN===...WW=====|
            A    |.NNNN=NNNN====..|
            IOM  |----------------|
            DTR  |----------------|
            SSO  |________________|
            RD   |----------------|
            WR   |-------_______--|
            INTA |----------------|"""),
        "interrupt acknowledge": Drawn("acknowledge", """
            ALE  |_---____________|
            AD   |.NN===..WW====..|
            A    |.NNNN=NNNN====..|
            IOM  |----------------|
            DTR  |________________|
            SSO  |________________|
            RD   |----------------|
            WR   |----------------|
            INTA |-------_______--|"""),
    },
    {
        ("SSO",): {"code": "read"},
        ("IOM",): {"input": "read", "output": "write"},
        ("INTA",): {"interrupt acknowledge": None},
    },
)  # fmt: skip

# M68000 User’s Manual, 9th edition, section 5.1: read [C]; write, function codes, bus error [M].
MOTOROLA_68000 = Family(
    "68000", 16, 24, _wires({"A": 23, "D": 16}, "AS UDS LDS RW FC0 FC1 FC2 BERR", {"A": 1}),
    {
        "program word": Drawn("fetch", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |---________---|
            LDS  |---________---|
            RW   |--------------|
            FC2  |--------------|
            FC1  |--------------|
            FC0  |______________|
            BERR |--------------|
            D    |......WWWW=...|""", fixed=(1, 0)),
        "user program word": Drawn("fetch", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |---________---|
            LDS  |---________---|
            RW   |--------------|
            FC2  |______________|
            FC1  |--------------|
            FC0  |______________|
            BERR |--------------|
            D    |......WWWW=...|""", fixed=(1, 0)),
        "data word": Drawn("read", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |---________---|
            LDS  |---________---|
            RW   |--------------|
            FC2  |--------------|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |......WWWW=...|""", fixed=(1, 0)),
        "user data, upper byte": Drawn("read", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |---________---|
            LDS  |--------------|
            RW   |--------------|
            FC2  |______________|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |......WWWW=...|""", known=0xFF00, fixed=(1, 0)),
        "data, lower byte": Drawn("read", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |--------------|
            LDS  |---________---|
            RW   |--------------|
            FC2  |--------------|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |......WWWW=...|""", known=0xFF, fixed=(1, 0)),
        "write word": Drawn("write", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |-----______---|
            LDS  |-----______---|
            RW   |---_________--|
            FC2  |--------------|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |....WWWW====..|""", fixed=(1, 0)),
        "write upper byte": Drawn("write", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |-----______---|
            LDS  |--------------|
            RW   |---_________--|
            FC2  |--------------|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |....WWWW====..|""", known=0xFF00, fixed=(1, 0)),
        "write lower byte": Drawn("write", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |--------------|
            LDS  |-----______---|
            RW   |---_________--|
            FC2  |______________|
            FC1  |______________|
            FC0  |--------------|
            BERR |--------------|
            D    |....WWWW====..|""", known=0xFF, fixed=(1, 0)),
        "interrupt acknowledge": Drawn("acknowledge", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |--------------|
            LDS  |---________---|
            RW   |--------------|
            FC2  |--------------|
            FC1  |--------------|
            FC0  |--------------|
            BERR |--------------|
            D    |......WWWW=...|""", known=0xFF, fixed=(1, 0)),
        "bus error": Drawn("idle", """
            A    |.NNNNNN======.|
            AS   |---________---|
            UDS  |---________---|
            LDS  |---________---|
            RW   |--------------|
            FC2  |--------------|
            FC1  |--------------|
            FC0  |______________|
            BERR |------______--|
            D    |......WWWW=...|""", fixed=(1, 0)),
    },
    {
        ("FC0",): {"program word": "read", "user program word": "read", "interrupt acknowledge": "read"},
        ("FC0", "FC1", "FC2"): {
            "program word": "read", "user program word": "read", "interrupt acknowledge": "read",
        },
        ("FC2",): {"interrupt acknowledge": "read"},
        ("BERR",): {"bus error": "fetch"},
    },
)  # fmt: skip

# Zilog UM0080, Timing; see also z80_pins.
ZILOG_Z80 = Family(
    "z80", 8, 16, _wires({"A": 16, "D": 8}, "M1 MREQ IORQ RD WR RFSH"),
    {
        "fetch": Drawn("fetch", """
            A    |.NNNN====.....|
            M1   |-_______------|
            MREQ |---_____------|
            IORQ |--------------|
            RD   |---_____------|
            WR   |--------------|
            RFSH |--------------|
            D    |.....WW==.....|"""),
        "refresh after it": Drawn("refresh", """
            A    |.NNNN========.|
            M1   |--------------|
            MREQ |---_____------|
            IORQ |--------------|
            RD   |--------------|
            WR   |--------------|
            RFSH |-__________---|
            D    |..............|"""),
        "read": Drawn("read", """
            A    |.NNNN========.|
            M1   |--------------|
            MREQ |---________---|
            IORQ |--------------|
            RD   |---________---|
            WR   |--------------|
            RFSH |--------------|
            D    |.......WW===..|"""),
        "write": Drawn("write", """
            A    |.NNNN========.|
            M1   |--------------|
            MREQ |---________---|
            IORQ |--------------|
            RD   |--------------|
            WR   |------_____---|
            RFSH |--------------|
            D    |....WW======..|"""),
        "input": Drawn("io_read", """
            A    |.NNNN========.|
            M1   |--------------|
            MREQ |--------------|
            IORQ |----_______---|
            RD   |----_______---|
            WR   |--------------|
            RFSH |--------------|
            D    |.......WW===..|"""),
        "output": Drawn("io_write", """
            A    |.NNNN========.|
            M1   |--------------|
            MREQ |--------------|
            IORQ |----_______---|
            RD   |--------------|
            WR   |----_______---|
            RFSH |--------------|
            D    |...WW=======..|"""),
        "interrupt acknowledge": Drawn("acknowledge", """
            A    |.NNNN========.|
            M1   |-__________---|
            MREQ |--------------|
            IORQ |------_____---|
            RD   |--------------|
            WR   |--------------|
            RFSH |--------------|
            D    |.......WW===..|"""),
    },
    {
        ("M1",): {"fetch": "read", "interrupt acknowledge": None},
        ("RFSH",): {"refresh after it": None},
        ("IORQ",): {"input": None, "output": None, "interrupt acknowledge": None},
        ("M1", "RFSH"): {"fetch": "read", "interrupt acknowledge": None, "refresh after it": None},
    },
)  # fmt: skip

FAMILIES = (
    MOS_6502,
    MOTOROLA_6800,
    MOTOROLA_6802,
    MOTOROLA_6809,
    INTEL_8080,
    INTEL_8085,
    INTEL_8086,
    INTEL_8086_MAXIMUM,
    INTEL_8088,
    INTEL_8088_MAXIMUM,
    MOTOROLA_68000,
    ZILOG_Z80,
)
