"""The wiring between old socket and new memory as a list of nets.

`build_circuit` lays down what each pin is connected to. Everything else is read off the nets: the wiring
table, the drawing, the levels, the paths that `timing` adds up, and how the file for the programmer must be
arranged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from wrongbit.errors import UsageError
from wrongbit.machine.names import parse_signal
from wrongbit.replace.catalogue import Catalogue, Memory
from wrongbit.replace.requirement import Requirement, Select, pin_use

Part = Literal["plug", "memory", "latch", "gate", "buffer", "jumper"]
NetKind = Literal["address", "data", "select", "supply", "jumper"]
Scheme = Literal["straight", "outputs only"]
"""How the memory is enabled: its chip enable follows the select, or is always active and only outputs switch.

The second is faster, because outputs switch on sooner than the whole chip; it draws its full current always.
"""

SCHEMES: tuple[Scheme, ...] = ("straight", "outputs only")


@dataclass(frozen=True)
class Device:
    """A package in the drawing.

    Args:
        ref: Reference designator, such as ``IC1``; the plug into the old socket is ``P1``.
        part: What it is.
        number: Type number without family, such as ``573`` or ``27C512``; the socket's shape for the plug,
            the pull-up resistor for a jumper.
        pins: Pin names, pin 1 first.
    """

    ref: str
    part: Part
    number: str
    pins: tuple[str, ...]


@dataclass(frozen=True)
class Terminal:
    """A pin of a device, pins counted from 1."""

    ref: str
    pin: int


@dataclass(frozen=True)
class Net:
    """Pins that are connected.

    Args:
        name: Signal name.
        kind: What it carries.
        terminals: Its pins in the order in which they were connected; a plug pin comes first.
    """

    name: str
    kind: NetKind
    terminals: tuple[Terminal, ...]


@dataclass(frozen=True)
class EnablePath:
    """How selects reach an enable pin.

    Args:
        pin: ``/CE`` or ``/OE`` of the memories, or ``buffer`` for the buffer's outputs.
        selects: The selects on this path.
        gate: Type number of the gate between, or None.
    """

    pin: Literal["/CE", "/OE", "buffer"]
    selects: tuple[Select, ...]
    gate: str | None


@dataclass(frozen=True)
class Jumper:
    """A jumper that chooses between contents: open is 1 through the pull-up, closed to GND is 0.

    Args:
        ref: Its designator, such as ``JP1``.
        pull_up: Its pull-up resistor, such as ``R1``.
        address_pin: Memory address line that it sets.
    """

    ref: str
    pull_up: str
    address_pin: int


JUMPER_PINS = ("line", "GND", "VCC through the pull-up")
"""Pins of a jumper with its pull-up resistor, as a device."""


@dataclass(frozen=True)
class Circuit:
    """A replacement's wiring.

    Args:
        devices: Plug first, memories next.
        nets: All nets; pins in none are left open.
        scheme: How the memory is enabled.
        enables: Paths from the selects to each enable pin.
        latch_gate: Gate between the latch signal and the latch, or None.
        jumpers: Jumpers for the contents, lowest address first.
        lanes: For each memory the data bits that it holds, its output 0 first.
        address_pins: Memory address line on each address line of the old chip, line 0 first.
    """

    devices: tuple[Device, ...]
    nets: tuple[Net, ...]
    scheme: Scheme
    enables: tuple[EnablePath, ...]
    latch_gate: str | None
    jumpers: tuple[Jumper, ...]
    lanes: tuple[tuple[int, ...], ...]
    address_pins: tuple[int, ...]

    def device(self, ref: str) -> Device:
        """The device with this designator."""
        return next(device for device in self.devices if device.ref == ref)

    def of_part(self, part: Part) -> tuple[Device, ...]:
        """Devices of this kind."""
        return tuple(device for device in self.devices if device.part == part)

    def net_at(self, ref: str, pin: int) -> Net | None:
        """The net of a pin, None where the pin is open."""
        wanted = Terminal(ref, pin)
        return next((net for net in self.nets if wanted in net.terminals), None)

    def pin_name(self, terminal: Terminal) -> str:
        """Name of a pin."""
        return self.device(terminal.ref).pins[terminal.pin - 1]


@dataclass(frozen=True)
class Wishes:
    """Choices about the wiring.

    Args:
        latch: Latch type number.
        buffer: Buffer type number, or None.
        address_wires: Memory address line on each old address line, for a layout that is easier so.
        data_wires: Memory output on each old data line.
    """

    latch: str = "573"
    buffer: str | None = None
    address_wires: tuple[int, ...] | None = None
    data_wires: tuple[int, ...] | None = None


def build_circuit(
    need: Requirement,
    memory: Memory,
    catalogue: Catalogue,
    scheme: Scheme = "straight",
    wishes: Wishes = Wishes(),
) -> Circuit:
    """Wire a memory into the old chip's place.

    Raises:
        UsageError: The memory is too small, too narrow to divide evenly, has too few address lines for the
            contents, or there are more selects than one decoder can join.
    """
    builder = _Builder(need, memory, catalogue, scheme, wishes)
    return builder.build()


def image_lines(images: int) -> int:
    """Address lines that choose between so many contents.

    >>> [image_lines(n) for n in (1, 2, 3, 4)]
    [0, 1, 2, 2]
    """
    return (images - 1).bit_length()


def _check_size(need: Requirement, memory: Memory) -> None:
    lines = need.address_lines + image_lines(need.images)
    if lines > memory.address_lines:
        raise UsageError(
            f"the {memory.name} has {memory.words} words; {need.images} × {need.words} need {1 << lines}.",
            "Choose a larger one.",
        )
    if need.bits > memory.bits and need.bits % memory.bits:
        raise UsageError(
            f"{need.bits} outputs cannot be shared out over memories of {memory.bits} bits.",
            "Choose one that is wide enough.",
        )


def _permutation(wires: Sequence[int] | None, count: int, what: str) -> tuple[int, ...]:
    wires = tuple(range(count)) if wires is None else tuple(wires)
    if sorted(wires) != list(range(count)):
        raise UsageError(
            f"the {what} wires are {', '.join(map(str, wires))}; every number from 0 to {count - 1} is "
            "expected once.",
            "Correct the order.",
        )
    return wires


@dataclass
class _Builder:
    need: Requirement
    memory: Memory
    catalogue: Catalogue
    scheme: Scheme
    wishes: Wishes
    devices: list[Device] = field(default_factory=list)
    terminals: dict[str, list[Terminal]] = field(default_factory=dict)
    kinds: dict[str, NetKind] = field(default_factory=dict)
    enables: list[EnablePath] = field(default_factory=list)
    jumpers: list[Jumper] = field(default_factory=list)
    latch_gate: str | None = None
    _inverters: int = 0
    _units: dict[str, int] = field(default_factory=dict)

    def build(self) -> Circuit:
        need, memory = self.need, self.memory
        _check_size(need, memory)
        count = max(1, need.bits // memory.bits)
        per_chip = min(need.bits, memory.bits)
        data = _permutation(self.wishes.data_wires, per_chip, "data")
        address = _permutation(self.wishes.address_wires, need.address_lines, "address")
        order = sorted(range(per_chip), key=data.__getitem__)
        lanes = tuple(tuple(chip * per_chip + bit for bit in order) for chip in range(count))
        self._add_plug()
        memories = [self._add("memory", memory.name, memory.pins) for _ in range(count)]
        self._wire_addresses(memories, address)
        self._wire_enables(memories)
        self._wire_data(memories, lanes)
        self._tie_special_pins(memories)
        self._finish()
        nets = tuple(
            Net(name, self.kinds[name], tuple(pins)) for name, pins in self.terminals.items() if len(pins) > 1
        )
        return Circuit(
            tuple(self.devices), nets, self.scheme, tuple(self.enables), self.latch_gate,
            tuple(self.jumpers), lanes, address,
        )  # fmt: skip

    # -- small steps

    def _add(self, part: Part, number: str, pins: tuple[str, ...]) -> Device:
        chips = sum(device.part not in ("plug", "jumper") for device in self.devices)
        device = Device("P1" if part == "plug" else f"IC{chips + 1}", part, number, pins)
        self.devices.append(device)
        for supply in ("VCC", "GND"):
            for pin, name in enumerate(pins, 1):
                if part != "plug" and name == supply:
                    self._join(supply, "supply", Terminal(device.ref, pin))
        return device

    def _join(self, net: str, kind: NetKind, terminal: Terminal) -> None:
        self.kinds.setdefault(net, kind)
        self.terminals.setdefault(net, []).append(terminal)

    def _connect(self, net: str, device: Device, pin_name: str) -> None:
        """Put the pin of this name on a net that exists already, or on a supply."""
        pin = device.pins.index(pin_name) + 1
        kind = self.kinds.get(net, "supply" if net in ("VCC", "GND") else "select")
        self._join(net, kind, Terminal(device.ref, pin))

    def _add_plug(self) -> None:
        plug = self._add("plug", self.need.socket.name, self.need.socket.pins)
        for pin, name in enumerate(plug.pins, 1):
            use = pin_use(name)
            terminal = Terminal(plug.ref, pin)
            if use.supply:
                self._join(use.supply, "supply", terminal)
            elif use.data is not None and use.data < self.need.bits:
                self._join(name, "data", terminal)
            elif use.address is not None and use.address < self.need.address_lines:
                self._join(name, "address", terminal)
            elif use.signal is not None and self._wanted(use.signal):
                self._join(name, "select", terminal)

    def _wanted(self, signal: str) -> bool:
        latch = self.need.latch
        return any(select.pin == signal for select in self.need.selects) or (
            latch is not None and latch.signal == signal
        )

    def _plug_net(self, *, address: int | None = None, data: int | None = None, signal: str = "") -> str:
        for name in self.need.socket.pins:
            use = pin_use(name)
            if name in self.terminals and (
                (address is not None and use.address == address)
                or (data is not None and use.data == data)
                or (signal and use.signal == signal)
            ):
                return name
        raise AssertionError("the requirement was checked to have this pin")

    # -- addresses

    def _wire_addresses(self, memories: Sequence[Device], wires: Sequence[int]) -> None:
        sources = {
            line: self._plug_net(address=line)
            for line in range(self.need.address_lines)
            if line not in self.need.latched_lines
        }
        sources |= self._add_latches()
        for line, wire in enumerate(wires):
            for memory in memories:
                self._connect(sources[line], memory, f"A{wire}")
        spare = range(self.need.address_lines, self.memory.address_lines)
        choosing = image_lines(self.need.images)
        for index, wire in enumerate(spare):
            if index < choosing:
                jumper = Jumper(f"JP{index + 1}", f"R{index + 1}", wire)
                self.jumpers.append(jumper)
                net = f"A{wire} by {jumper.ref}"
                self._add_jumper(jumper, net)
            else:
                net = "GND"
            for memory in memories:
                self._connect(net, memory, f"A{wire}")

    def _add_jumper(self, jumper: Jumper, net: str) -> None:
        self.devices.append(Device(jumper.ref, "jumper", jumper.pull_up, JUMPER_PINS))
        self._join(net, "jumper", Terminal(jumper.ref, 1))
        self._join("GND", "supply", Terminal(jumper.ref, 2))
        self._join("VCC", "supply", Terminal(jumper.ref, 3))

    def _add_latches(self) -> dict[int, str]:
        """Latches of eight; returns the net that carries each latched address line."""
        need = self.need
        if need.latch is None:
            return {}
        pins = self.catalogue.pins_of(self.wishes.latch)
        closing = self._plug_net(signal=need.latch.signal)
        if need.latch.closes == "rising":  # the latch closes when its enable falls
            closing = self._invert(closing)
            self.latch_gate = "04"
        nets = {}
        lines = sorted(need.latched_lines)
        for start in range(0, len(lines), 8):
            latch = self._add("latch", self.wishes.latch, pins)
            self._connect(closing, latch, "LE")
            self._connect("GND", latch, "/OE")
            for bit in range(8):
                if start + bit >= len(lines):
                    self._connect("GND", latch, f"D{bit}")
                    continue
                line = lines[start + bit]
                self._connect(self._plug_net(address=line), latch, f"D{bit}")
                nets[line] = f"A{line} latched"
                self.kinds[nets[line]] = "address"
                self._connect(nets[line], latch, f"Q{bit}")
        return nets

    # -- enables

    def _wire_enables(self, memories: Sequence[Device]) -> None:
        chip, output = self._divide()
        single = self.memory.single_enable
        if single:
            chip, output = (*chip, *output), ()
        elif self.scheme == "outputs only":
            chip, output = (), (*chip, *output)
        self._enable(memories, "/CE", chip)
        if not single:
            # With one group of selects both pins follow it; the memory is off the bus and at rest.
            self._enable(memories, "/OE", output if output or self.scheme == "outputs only" else chip)

    def _divide(self) -> tuple[tuple[Select, ...], tuple[Select, ...]]:
        """Selects for the chip enable and for the output enable."""
        selects = self.need.selects
        chip = tuple(select for select in selects if select.role == "chip")
        output = tuple(select for select in selects if select.role == "output")
        if not output and len(chip) == 2:  # two alike: one for each pin saves a gate
            return chip[:1], chip[1:]
        return chip, output

    def _enable(
        self, memories: Sequence[Device], pin: Literal["/CE", "/OE"], selects: tuple[Select, ...]
    ) -> None:
        net, gate = self._active_low(selects)
        for memory in memories:
            self._connect(net, memory, pin)
        if selects:
            self.enables.append(EnablePath(pin, selects, gate))

    def _active_low(self, selects: tuple[Select, ...]) -> tuple[str, str | None]:
        """A net that is low when all these selects are active, and the gate that it takes."""
        if not selects:
            return "GND", None
        if len(selects) == 1:
            net = self._plug_net(signal=selects[0].pin)
            return (net, None) if selects[0].active == "low" else (self._invert(net), "04")
        return self._combine(selects), "138"

    def _invert(self, net: str) -> str:
        """The complement of a net, through the next free inverter; made once for each net."""
        result = f"not {net}"
        if result in self.terminals:
            return result
        if self._inverters % 6 == 0:
            self._add("gate", "04", self.catalogue.pins_of("04"))
        gate = [device for device in self.devices if device.number == "04"][-1]
        unit = self._inverters % 6 + 1
        self._inverters += 1
        self._connect(net, gate, f"{unit}A")
        self.kinds[result] = "select"
        self._connect(result, gate, f"{unit}Y")
        return result

    def _combine(self, selects: tuple[Select, ...]) -> str:
        """One output of a decoder that is low when all selects are active.

        The enables of a 138 take one active-high and two active-low signals; its three address inputs take
        further ones of either polarity, which fixes the number of the output.
        """
        name = "all of " + ", ".join(select.pin for select in selects)
        if name in self.terminals:
            return name
        decoder = self._add("gate", "138", self.catalogue.pins_of("138"))
        free = {"high": ["G1"], "low": ["/G2A", "/G2B"]}
        rest = ["A", "B", "C"]
        output = 0
        for select in selects:
            pool = free[select.active] or rest
            if not pool:
                raise UsageError(
                    f"{len(selects)} selects are more than one decoder can join.",
                    "State those that are always active on this board as unused.",
                )
            pin = pool.pop(0)
            if pin in "ABC" and select.active == "high":
                output |= 1 << "ABC".index(pin)
            self._connect(self._plug_net(signal=select.pin), decoder, pin)
        for pin in (*free["high"], *free["low"], *rest):
            self._connect("VCC" if pin == "G1" else "GND", decoder, pin)
        self.kinds[name] = "select"
        self._connect(name, decoder, f"/Y{output}")
        return name

    # -- data

    def _wire_data(self, memories: Sequence[Device], lanes: Sequence[Sequence[int]]) -> None:
        number = self.wishes.buffer
        for memory, lane in zip(memories, lanes, strict=True):
            for start in range(0, len(lane), 8):
                bits = lane[start : start + 8]
                buffer = None if number is None else self._add_buffer(number)
                for channel, bit in enumerate(bits):
                    outer, pin = self._plug_net(data=bit), f"D{start + channel}"
                    if buffer is None:
                        self._connect(outer, memory, pin)
                        continue
                    source, result = _channel_pins(buffer.number, channel)
                    inner = f"D{bit} before the buffer"
                    self.kinds[inner] = "data"
                    self._connect(inner, memory, pin)
                    self._connect(inner, buffer, source)
                    self._connect(outer, buffer, result)
                for channel in range(len(bits), 8 if buffer else 0):
                    assert buffer is not None
                    self._connect("GND", buffer, _channel_pins(buffer.number, channel)[0])

    def _add_buffer(self, number: str) -> Device:
        buffer = self._add("buffer", number, self.catalogue.pins_of(number))
        net, gate = self._active_low(self.need.selects)
        for pin in ("/OE", "/1OE", "/2OE"):
            if pin in buffer.pins:
                self._connect(net, buffer, pin)
        if "DIR" in buffer.pins:
            self._connect("VCC", buffer, "DIR")
        if self.need.selects and not any(path.pin == "buffer" for path in self.enables):
            self.enables.append(EnablePath("buffer", self.need.selects, gate))
        return buffer

    # -- the rest

    def _tie_special_pins(self, memories: Sequence[Device]) -> None:
        """Pins that read mode needs at a fixed level; through to the board for a chip of the same pins."""
        for memory in memories:
            for pin, name in enumerate(memory.pins, 1):
                level = self.memory.tie.get(name)
                if level is None:
                    continue
                if memory.pins == self.need.socket.pins:
                    self._join(name, "supply", Terminal("P1", pin))
                    self._join(name, "supply", Terminal(memory.ref, pin))
                elif level != "open":
                    self._join(level, "supply", Terminal(memory.ref, pin))

    def _finish(self) -> None:
        """Tie the inputs of unused inverters; a CMOS input that floats draws current and oscillates."""
        gates = [device for device in self.devices if device.number == "04"]
        for index, gate in enumerate(gates):
            used = min(6, self._inverters - 6 * index)
            for unit in range(used + 1, 7):
                self._connect("GND", gate, f"{unit}A")


def _channel_pins(number: str, channel: int) -> tuple[str, str]:
    """Input and output pin of a buffer's channel.

    >>> _channel_pins("244", 5), _channel_pins("245", 5)
    (('2A1', '2Y1'), ('A5', 'B5'))
    """
    if number == "245":
        return f"A{channel}", f"B{channel}"
    half, unit = divmod(channel, 4)
    return f"{half + 1}A{unit}", f"{half + 1}Y{unit}"


def is_straight(socket_pins: int, memory_pins: int, old: int, new: int) -> bool:
    """Whether two pins meet when the packages lie on each other, ground ends together.

    >>> is_straight(24, 28, 12, 14), is_straight(28, 28, 1, 27)
    (True, False)
    """
    return new == old + (memory_pins - socket_pins) // 2


def is_drop_in(circuit: Circuit) -> bool:
    """Whether the memory goes into the old socket as it is: every pin meets what it needs."""
    plug, *others = circuit.devices
    if len(others) != 1 or circuit.jumpers or len(others[0].pins) != len(plug.pins):
        return False
    memory = others[0]
    for pin in range(1, len(memory.pins) + 1):
        net = circuit.net_at(memory.ref, pin)
        if net is not None and Terminal(plug.ref, pin) not in net.terminals:
            return False
    return True


def select_text(select: Select) -> str:
    """A select as people write it.

    >>> select_text(Select("CS1", "low"))
    '/CS1'
    """
    return ("/" if select.active == "low" else "") + parse_signal(select.pin).base


def pin_label(circuit: Circuit, terminal: Terminal) -> str:
    """A pin as people write it, such as ``IC1.21 A11``."""
    return f"{terminal.ref}.{terminal.pin} {circuit.pin_name(terminal)}"
