"""Instruction sets that the capstone library decodes, behind the same interface as the tables.

The library gives text and length; where an instruction leads is read off its operands here, because its own
groups put conditional and unconditional jumps together. It publishes no clock cycles and no data accesses.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypedDict

from wrongbit.instructions.cycles_6800 import TABLE_6800
from wrongbit.instructions.cycles_6809 import TABLE_6809
from wrongbit.instructions.expression import Context, stored
from wrongbit.instructions.form import CycleTable, Form, clock_count
from wrongbit.instructions.instruction import BusHabits, ClockCount, Fetch, Flow, Instruction

_PLAIN_NUMBER = r"0x[0-9a-f]+|[0-9]+"
LONGEST = 16
"""Bytes that are offered to the library; no instruction of these processors is longer."""


@dataclass(frozen=True)
class Leads:
    """Where an instruction leads, as a family's rules tell it.

    Args:
        flow: Its kind.
        targets: Addresses besides the next; None where the words do not hold them.
    """

    flow: Flow
    targets: tuple[int, ...] | None = ()


Rules = Callable[["Decoded"], Leads]


@dataclass(frozen=True)
class Decoded:
    """What the library says, with what a rule needs besides.

    Args:
        mnemonic: In small letters.
        operands: As text.
        data: The instruction's bytes.
        address: Of its first byte.
        following: Address after it.
        fetch: Memory, byte by byte.
        habits: The processor's way with the bus.
    """

    mnemonic: str
    operands: str
    data: bytes
    address: int
    following: int
    fetch: Fetch
    habits: BusHabits

    @property
    def number(self) -> int | None:
        """The last number among the operands, where an address stands."""
        found = re.findall(r"(?:0x|\$)([0-9a-f]+)", self.operands)
        return int(found[-1], 16) & self.mask if found else None

    @property
    def mask(self) -> int:
        """All bits of an address."""
        return (1 << self.habits.address_bits) - 1

    def at(self, base: int) -> tuple[int, ...] | None:
        """The address that memory holds at ``base``, as targets."""
        value = stored(Context({}, self.address, self.following, self.fetch, self.habits), base)
        return None if value is None else (value,)


@dataclass(frozen=True)
class LibrarySet:
    """An instruction set that capstone decodes.

    Args:
        name: What it is called.
        habits: The processor's way with the bus; units are bytes, or 16-bit words on the 68000.
        architecture: Name of capstone's architecture constant.
        mode: Name of its mode constant.
        rules: Where an instruction leads.
        stray: True for bytes that the library decodes though this processor has no such instruction.
        clocks: Published clock cycles of an instruction's bytes, None where they are not told.
    """

    name: str
    habits: BusHabits
    architecture: str
    mode: str
    rules: Rules
    stray: Callable[[bytes], bool] = lambda data: False
    clocks: Callable[[bytes], ClockCount | None] = lambda data: None
    _engine: list[Any] = field(default_factory=list, repr=False, compare=False)

    def decode(self, fetch: Fetch, address: int) -> Instruction | None:
        """The instruction at an address; None where a unit that decides is not known."""
        habits = self.habits
        per_unit = habits.unit_bits // 8
        mask = (1 << habits.address_bits) - 1
        units: list[int] = []
        while len(units) * per_unit < LONGEST:
            unit = fetch((address + len(units) * habits.step) & mask)
            if unit is None:
                break
            units.append(unit)
        if not units:
            return None
        data = b"".join(unit.to_bytes(per_unit, "big") for unit in units)
        # The library must see enough: what is not known is filled up and must then not be needed.
        mnemonic, operands, size = self._disassemble(data + bytes(LONGEST), address)
        if size > len(data):
            return None
        count = max(size // per_unit, 1)
        following = (address + count * habits.step) & mask
        words = tuple(units[:count])
        text = f"{mnemonic} {operands}".strip()
        if not mnemonic or self.stray(data[:size]):
            text = " ".join(f"{word:0{2 * per_unit}X}" for word in words)
            return Instruction(address, words, following, f"? {text}", "unknown", None, documented=False)
        decoded = Decoded(mnemonic.lower(), operands.lower(), data[:size], address, following, fetch, habits)
        leads = self.rules(decoded)
        if self.rules is _rules_8086 and leads.targets and re.fullmatch(_PLAIN_NUMBER, decoded.operands):
            # The library cuts a near target to 16 bits.
            text = f"{mnemonic} 0x{leads.targets[0]:X}"
        clocks = self.clocks(data[:size])
        return Instruction(address, words, following, text, leads.flow, leads.targets, cycles=clocks)

    def _disassemble(self, data: bytes, address: int) -> tuple[str, str, int]:
        """Mnemonic, operands and length; an empty mnemonic where the library knows none."""
        if not self._engine:
            import capstone  # heavy, and only some processors need it

            self._engine.append(
                capstone.Cs(getattr(capstone, self.architecture), getattr(capstone, self.mode))
            )
        for _, size, mnemonic, operands in self._engine[0].disasm_lite(data, address, 1):
            if mnemonic not in ("fcb", "dc.w"):
                return mnemonic, operands, size
        return "", "", self.habits.unit_bits // 8


# Where instructions lead, family by family --------------------------------------------------------------

_MOS_BRANCHES = frozenset(["bcc", "bcs", "beq", "bmi", "bne", "bpl", "bvc", "bvs"])


def _absolute(code: Decoded) -> tuple[int, ...] | None:
    return None if code.number is None else (code.number,)


def _rules_65c02(code: Decoded) -> Leads:
    name = code.mnemonic
    if name in _MOS_BRANCHES or name.startswith(("bbr", "bbs")):
        return Leads("branch", _absolute(code))
    if name == "bra":
        return Leads("jump", _absolute(code))
    if name == "jsr":
        return Leads("call", _absolute(code))
    if name == "brk":
        return Leads("call", code.at(0xFFFE))
    if name == "jmp":
        if "," in code.operands:
            return Leads("indirect", None)
        return Leads("jump", code.at(code.number or 0) if "(" in code.operands else _absolute(code))
    if name in ("rts", "rti"):
        return Leads("return", None)
    return Leads("stop", (code.following,)) if name in ("stp", "wai") else Leads("next")


_CYCLES_65C02 = (
    "76..5355322.6465" "255.5465242.6465" "66..3355422.4465" "255.4465242.4465"
    "66...355322.3465" "255..465243..465" "66..3355422.6465" "255.4465244.6465"
    "36..3335222.4445" "265.4445252.4555" "262.3335222.4445" "255.4445242.4445"
    "26..335522234465" "255..4652433.475" "26..3355222.4465" "255..465244..475"
)  # fmt: skip
"""Clock cycles by operation code, none for codes that are not documented (WDC W65C02S data sheet, table of
operation codes; from memory, held against py65's table by the tests)."""

_ADDS, _ROTATES = (0x60, 0xE0), (0x1E, 0x3E, 0x5E, 0x7E)
"""ADC and SBC, by the upper three bits; shifts and rotations of an indexed word."""
_CROSSING = frozenset(
    (0x3C, 0xBC, 0xBE, *(row + column for row in range(0x10, 0x100, 0x20) for column in (1, 9, 0xD)))
)
_STORES = frozenset((0x91, 0x99, 0x9D))


def _clocks_65c02(data: bytes) -> ClockCount | None:
    """One more where an index crosses a page, in decimal arithmetic, and for a taken branch.

    >>> _clocks_65c02(bytes([0x69, 1])).all == {2, 3}, _clocks_65c02(bytes([0xF0, 2])).all == {2, 3, 4}
    (True, True)
    """
    code = data[0]
    told = _CYCLES_65C02[code]
    if told == ".":
        return None
    base = int(told)
    if code & 0x1F == 0x10 or code == 0x80:  # branches; BRA is always taken
        return ClockCount(base, 3, 1)
    if code & 0xF == 0xF:  # BBR and BBS
        return ClockCount(base, base + 1, 1)
    extra = int(code in _CROSSING - _STORES) + int(code in _ROTATES)
    decimal = code & 0xE0 in _ADDS and (code & 3 == 1 or code & 0x1F == 0x12)
    return ClockCount(base, base, extra + int(decimal))


def _rules_680x(code: Decoded) -> Leads:
    name, operands = code.mnemonic, code.operands
    short = name.removeprefix("l")
    if short in ("bra", "brn", "bsr"):
        flows: dict[str, Flow] = {"bra": "jump", "brn": "next", "bsr": "call"}
        return Leads(flows[short], () if short == "brn" else _absolute(code))
    if short in _CONDITIONS_680X:
        return Leads("branch", _absolute(code))
    if name in ("jmp", "jsr"):
        # Direct page (two bytes) is relative to a register that the words do not hold, but on the 6800.
        fixed = re.fullmatch(r"\$[0-9a-f]+", operands) and len(code.data) > 2
        flow: Flow = "call" if name == "jsr" else "jump" if fixed else "indirect"
        return Leads(flow, _absolute(code) if fixed else None)
    if name in ("rts", "rti"):
        return Leads("return", None)
    if name.startswith("swi"):
        vector = {"swi": 0xFFFA, "swi2": 0xFFF4, "swi3": 0xFFF2}[name]
        return Leads("call", code.at(vector))
    if name in ("wai", "cwai", "sync"):
        return Leads("stop", (code.following,))
    if name in ("puls", "pulu", "tfr", "exg") and "pc" in operands.replace(" ", "").split(","):
        return Leads("return" if name.startswith("pul") else "indirect", None)
    return Leads("next")


_CONDITIONS_680X = frozenset(
    f"b{condition}"
    for condition in ("cc", "cs", "eq", "ge", "gt", "hi", "hs", "le", "lo", "ls", "lt", "mi", "ne", "pl")
) | {"bvc", "bvs"}
_CONDITIONS_68K = _CONDITIONS_680X


def _rules_68000(code: Decoded) -> Leads:
    name = code.mnemonic.split(".")[0]
    if name in ("bra", "bsr"):
        return Leads("jump" if name == "bra" else "call", _absolute(code))
    if name in _CONDITIONS_68K or (name.startswith("db") and name != "dbt"):
        return Leads("branch", _absolute(code))
    if name in ("jmp", "jsr"):
        fixed = re.fullmatch(r"\$[0-9a-f]+(?:\.[lw]|\(pc\))", code.operands)
        flow: Flow = "call" if name == "jsr" else "jump" if fixed else "indirect"
        return Leads(flow, _68000_target(code) if fixed else None)
    if name in ("rts", "rte", "rtr"):
        return Leads("return", None)
    if name == "stop":
        return Leads("stop", (code.following,))
    if name in ("trap", "trapv", "chk", "illegal", "divu", "divs"):
        return Leads("unknown", None)  # an exception may follow, at a vector that a register may move
    return Leads("next")


def _68000_target(code: Decoded) -> tuple[int, ...] | None:
    """A short absolute address is extended by its sign."""
    number = code.number
    if number is None:
        return None
    if code.operands.endswith(".w") and number & 0x8000:
        number |= code.mask & ~0xFFFF
    return (number & code.mask,)


def _rules_8086(code: Decoded) -> Leads:
    name = code.mnemonic.split()[-1]
    conditional = (name.startswith("j") and name != "jmp") or name.startswith("loop")
    if conditional or name in ("jmp", "call"):
        near = re.fullmatch(_PLAIN_NUMBER, code.operands)
        flow: Flow = "branch" if conditional else "call" if name == "call" else "jump" if near else "indirect"
        return Leads(flow, _near(code) if near else None)
    if name in ("ljmp", "lcall"):
        far = re.fullmatch(_PLAIN_NUMBER, re.split("[:,]", code.operands)[0].strip())
        flow = "call" if name == "lcall" else "jump" if far else "indirect"
        return Leads(flow, (_far(code),) if far else None)
    if name in ("ret", "retf", "iret"):
        return Leads("return", None)
    if name == "hlt":
        return Leads("stop", (code.following,))
    if name.startswith(("int", "div", "idiv", "aam")):
        return Leads("unknown", None)
    return Leads("next")


def _near(code: Decoded) -> tuple[int, ...]:
    """A near target from the displacement in the bytes, since the library knows no segments.

    The segment is not known either: a jump around its end is not seen as such.
    """
    size = 2 if code.data[-3:-2] in (b"\xe8", b"\xe9") and len(code.data) >= 3 else 1
    displacement = int.from_bytes(code.data[-size:], "little", signed=True)
    return ((code.following + displacement) & code.mask,)


def _far(code: Decoded) -> int:
    offset, segment = (int.from_bytes(code.data[at : at + 2 or None], "little") for at in (-4, -2))
    return (segment * 16 + offset) & code.mask


_8086_PREFIXES = frozenset([0x26, 0x2E, 0x36, 0x3E, 0xF0, 0xF2, 0xF3])
_LATER_THAN_8086 = frozenset([*range(0x60, 0x70), 0x0F, 0xC0, 0xC1, 0xC8, 0xC9, 0xD6, 0xF1])
"""First bytes that only later processors define (Intel 8086 Family User's Manual, 1979; from memory)."""


def _not_8086(data: bytes) -> bool:
    first = next((byte for byte in data if byte not in _8086_PREFIXES), 0)
    return first in _LATER_THAN_8086


class _ByTable(TypedDict):
    stray: Callable[[bytes], bool]
    clocks: Callable[[bytes], ClockCount | None]


def _by(table: CycleTable) -> _ByTable:
    """Clock cycles by a cycle table; what it does not list, the data sheet does not either."""

    def forms(data: bytes) -> tuple[Form, ...]:
        length = table.length_of(*(*data, 0, 0, 0)[:3])
        return table.forms_of(tuple(data)) if length == len(data) else ()

    return _ByTable(stray=lambda data: not forms(data), clocks=lambda data: clock_count(forms(data)))


def _8086_habits(ahead: int) -> BusHabits:
    return BusHabits(8, 20, marks="code", ahead=ahead)


_MOS = BusHabits(8, 16, dummy_reads=True, every_clock=True, vectors_from=0xFFFA)
_6800 = BusHabits(8, 16, dummy_reads=True, big_endian=True, vectors_from=0xFFF8, cycle_table=TABLE_6800)
_6809 = BusHabits(8, 16, dummy_reads=True, big_endian=True, vectors_from=0xFFF0, cycle_table=TABLE_6809)

LIBRARY_SETS: dict[str, LibrarySet] = {
    each.name: each
    for each in (
        LibrarySet(
            "65c02",
            _MOS,
            "CS_ARCH_MOS65XX",
            "CS_MODE_MOS65XX_W65C02",
            _rules_65c02,
            clocks=_clocks_65c02,
        ),
        LibrarySet("6800", _6800, "CS_ARCH_M680X", "CS_MODE_M680X_6800", _rules_680x, **_by(TABLE_6800)),
        LibrarySet("6809", _6809, "CS_ARCH_M680X", "CS_MODE_M680X_6809", _rules_680x, **_by(TABLE_6809)),
        LibrarySet(
            "68000",
            # Two words are fetched ahead of the one that is executed (M68000 User's Manual; from memory).
            # Addresses 0 to 7 hold the stack pointer and where to begin (the same, section on reset).
            BusHabits(16, 24, step=2, marks="code", ahead=4, big_endian=True, reset_reads=8),
            "CS_ARCH_M68K",
            "CS_MODE_M68K_000",
            _rules_68000,
        ),
        # The queue holds six bytes in the 8086 and four in the 8088 (Intel 8086 Family User's Manual).
        LibrarySet("8086", _8086_habits(6), "CS_ARCH_X86", "CS_MODE_16", _rules_8086, _not_8086),
        LibrarySet("8088", _8086_habits(4), "CS_ARCH_X86", "CS_MODE_16", _rules_8086, _not_8086),
    )
}
"""By name."""
