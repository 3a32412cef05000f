"""What the board demands of the chip in a socket, checked on construction.

`wrongbit.replace.requirement_file` makes one from a file of its own or from a chip of a machine file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from wrongbit.errors import UsageError
from wrongbit.machine.model import Level
from wrongbit.machine.names import parse_signal
from wrongbit.replace.buses import BusTimes
from wrongbit.replace.catalogue import Socket

Role = Literal["chip", "output"]
"""What a select does: choose the chip, or switch its outputs on (a read strobe)."""

_ADDRESS = re.compile(r"^A(\d+)$")
_DATA = re.compile(r"^(?:[DQO]|DQ|IO)(\d+)$")
_SHARED = re.compile(r"^AD(\d+)$")
_OTHER_SUPPLY = re.compile(r"^(?:VDD|VBB|VGG|VEE|[+-]\d+V)$")
_UNUSED = ("NC", "VPP", "PGM", "WE", "RDY", "BUSY")
_OUTPUT_NAMES = re.compile(r"^(?:OE|OD|G|RD|READ)\d*$")
_SELECT_NAMES = re.compile(r"^(?:CE|CS|S|E|ME)\d*$")


@dataclass(frozen=True)
class PinUse:
    """What a socket pin carries.

    Args:
        address: Address line, or None.
        data: Data bit, or None; both for a shared pin.
        supply: 'VCC' or 'GND'.
        signal: Canonical name of a select or latch signal.
        idle: The new chip makes no use of it (programming pins, not connected, other supplies).
    """

    address: int | None = None
    data: int | None = None
    supply: Literal["VCC", "GND"] | None = None
    signal: str | None = None
    idle: bool = False


def pin_use(name: str) -> PinUse:
    """What a pin of this name carries; ``A3+D3`` and ``AD3`` carry both.

    >>> pin_use("A3+D4").data, pin_use("AD2").address, pin_use("/CE").signal, pin_use("VSS").supply
    (4, 2, 'CE', 'GND')
    """
    address = data = None
    for part in name.split("+") if not name.startswith("+") else [name]:
        base = parse_signal(part).base
        if match := _SHARED.match(base):
            address = data = int(match[1])
        elif match := _ADDRESS.match(base):
            address = int(match[1])
        elif match := _DATA.match(base):
            data = int(match[1])
        elif base in ("VCC", "+5V"):
            return PinUse(supply="VCC")
        elif base in ("GND", "VSS"):
            return PinUse(supply="GND")
        elif base in _UNUSED or _OTHER_SUPPLY.match(part.upper()):
            return PinUse(idle=True)
        else:
            return PinUse(signal=base)
    return PinUse(address=address, data=data)


@dataclass(frozen=True)
class Select:
    """A signal at the socket that chooses the chip or switches its outputs on.

    Args:
        pin: Canonical pin name, such as ``CE`` or ``CS1``.
        active: Level at which it selects.
        role: 'output' for a read strobe, 'chip' for everything else.
    """

    pin: str
    active: Level
    role: Role = "chip"


@dataclass(frozen=True)
class LatchNeed:
    """The old chip latches its address itself; the new one needs a latch beside it.

    Args:
        signal: Canonical name of the socket pin whose edge latches the address.
        closes: Edge at which the address is kept.
        lines: Address lines that are latched; None: all.
    """

    signal: str
    closes: Literal["falling", "rising"]
    lines: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Requirement:
    """Everything that a replacement must meet.

    Args:
        designator: Reference designator of the chip, such as ``U7``.
        words: Number of words that the chip holds.
        bits: Number of its outputs.
        socket: Its pins.
        selects: Its selects with their active levels.
        latch: How it latches its address, None where it does not.
        times: What the bus gives.
        driver: Family that drives addresses and selects.
        load: Family whose inputs the outputs drive.
        loads: Number of such inputs on a data line.
        address_loads: Inputs of the load family that already hang on each address line.
        supply_volts: Nominal supply.
        supply_percent: How far it may be off.
        celsius: Highest temperature around the chip.
        images: Number of contents to choose from by jumpers.
        machine: Name of the machine, for labels.

    Raises:
        UsageError: Pins missing, a level that nobody stated, or numbers that do not fit together.
    """

    designator: str
    words: int
    bits: int
    socket: Socket
    selects: tuple[Select, ...] = ()
    latch: LatchNeed | None = None
    times: BusTimes = field(default_factory=BusTimes)
    driver: str = "NMOS"
    load: str = "LS"
    loads: int = 1
    address_loads: int = 0
    supply_volts: float = 5.0
    supply_percent: float = 5.0
    celsius: float = 70.0
    images: int = 1
    machine: str = ""

    def __post_init__(self) -> None:
        _check_numbers(self)
        _check_pins(self)
        _check_selects(self)

    @property
    def address_lines(self) -> int:
        """Number of address lines that the words need."""
        return (self.words - 1).bit_length()

    @property
    def latched_lines(self) -> tuple[int, ...]:
        """Address lines that go through a latch."""
        if self.latch is None:
            return ()
        return tuple(range(self.address_lines)) if self.latch.lines is None else self.latch.lines

    @property
    def latch_selects(self) -> bool:
        """Whether the signal that closes the latch also chooses the chip."""
        return self.latch is not None and any(select.pin == self.latch.signal for select in self.selects)

    @property
    def shares_pins(self) -> bool:
        """Whether some pin carries both address and data."""
        uses = map(pin_use, self.socket.pins)
        return any(use.address is not None and use.data is not None for use in uses)


def _check_numbers(need: Requirement) -> None:
    limits = (
        ("words", need.words, 2, 1 << 24),
        ("bits", need.bits, 1, 64),
        ("images", need.images, 1, 64),
        ("loads", need.loads, 0, 50),
        ("address_loads", need.address_loads, 0, 50),
    )
    for name, value, low, high in limits:
        if not low <= value <= high:
            raise UsageError(f"{name} is {value}; {low} to {high} is expected.", "Correct the number.")
    if not 4.0 <= need.supply_volts <= 6.0 or not 0 <= need.supply_percent <= 20:
        raise UsageError(
            f"the supply is {need.supply_volts:g} V ± {need.supply_percent:g} %; "
            "the data files hold 5 V parts.",
            "State a supply of about 5 V and its tolerance in percent.",
        )


def missing_pins(pins: Sequence[str], words: int, bits: int) -> list[str]:
    """What a chip of this size needs and none of these pins carries.

    >>> missing_pins(["A0", "D0", "/CE", "VCC"], 4, 1)
    ['A1', 'GND']
    """
    uses = [pin_use(name) for name in pins]
    lines = (words - 1).bit_length()
    wanted = {
        **{f"A{line}": any(use.address == line for use in uses) for line in range(lines)},
        **{f"D{bit}": any(use.data == bit for use in uses) for bit in range(bits)},
        **{supply: any(use.supply == supply for use in uses) for supply in ("VCC", "GND")},
    }
    return [name for name, found in wanted.items() if not found]


def _check_pins(need: Requirement) -> None:
    if missing := missing_pins(need.socket.pins, need.words, need.bits):
        raise UsageError(
            f"the socket of {need.designator} ({need.socket.name}, {len(need.socket.pins)} pins) has no pin "
            f"for {', '.join(missing)}; {need.words} words of {need.bits} bits need A0 to "
            f"A{need.address_lines - 1} and D0 to D{need.bits - 1}.",
            "Correct the words, the bits or the pins.",
        )


def _check_selects(need: Requirement) -> None:
    signals = {use.signal for use in map(pin_use, need.socket.pins)} - {None}
    stated = {select.pin for select in need.selects}
    wired = stated | ({need.latch.signal} if need.latch else set())
    if unknown := sorted(wired - signals):
        known = ", ".join(sorted(str(signal) for signal in signals)) or "none"
        raise UsageError(
            f"the socket of {need.designator} has no select or latch pin {unknown[0]!r}.",
            f"It has: {known}.",
        )
    if need.latch is not None and need.latch.lines is not None:
        wrong = [line for line in need.latch.lines if line >= need.address_lines]
        if wrong or not need.latch.lines:
            raise UsageError(
                f"the latch is to hold A{wrong[0]}." if wrong else "the latch is to hold no line.",
                f"Name lines from 0 to {need.address_lines - 1}.",
            )


def selects_of(
    socket: Socket,
    stated: Mapping[str, str],
    *,
    latch: str | None = None,
    outputs: Sequence[str] = (),
) -> tuple[Select, ...]:
    """The socket's selects with their levels.

    Args:
        socket: The socket.
        stated: Pin name = 'high', 'low' or 'unused', for mask options and for what the names do not tell.
        latch: Canonical name of the latch signal; it is a select only if its name says so.
        outputs: Pins that are read strobes; names such as OE and RD are taken for them anyway.

    Raises:
        UsageError: A mask option whose level nobody stated, or a name that the socket does not have.
    """
    levels = {parse_signal(name).base: level for name, level in stated.items()}
    strobes = {parse_signal(name).base for name in outputs}
    found: dict[str, Select] = {}
    open_questions = []
    for name in socket.pins:
        signal = pin_use(name).signal
        if signal is None or signal in found or levels.get(signal) == "unused":
            continue
        if signal == latch and not (_SELECT_NAMES.match(signal) or signal in levels):
            continue
        if signal in socket.mask_options and signal not in levels:
            open_questions.append(signal)
            continue
        default = "low" if parse_signal(name).active_low else "high"
        level = _level(signal, levels.get(signal, default))
        role: Role = "output" if signal in strobes or _OUTPUT_NAMES.match(signal) else "chip"
        found[signal] = Select(signal, level, role)
    if open_questions:
        example = ", ".join(f'{name} = "low"' for name in open_questions)
        raise UsageError(
            f"the active level of {', '.join(open_questions)} of the {socket.name} was ordered with its mask "
            "and is not stated.",
            f"Measure it on the board and state it (low, high or unused): selects = {{ {example} }} in a "
            f"requirement file, --select {open_questions[0]}=low with a machine file.",
        )
    known = {pin_use(name).signal for name in socket.pins}
    if strange := sorted((set(levels) | strobes) - known):
        raise UsageError(f"the {socket.name} has no select {strange[0]!r}.", "Correct the name.")
    return tuple(found.values())


def _level(signal: str, text: str) -> Level:
    if text not in ("high", "low"):
        raise UsageError(
            f"the active level of {signal} is {text!r}; high, low or unused is expected.", "Correct it."
        )
    return "high" if text == "high" else "low"
