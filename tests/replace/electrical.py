"""An adapter at work: levels go from pin to pin along the nets, through latches, gates and buffers.

Knows nothing of how the wiring or the files were computed: each part here is its own data sheet's truth
table, and a memory is an array that answers on its own address pins.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wrongbit.machine.names import parse_signal
from wrongbit.replace.circuit import Circuit, Device
from wrongbit.replace.requirement import pin_use


class Adapter:
    """An adapter with programmed memories in the old chip's socket."""

    def __init__(self, circuit: Circuit, memories: Sequence[Sequence[int]], *, closed: Sequence[str] = ()):
        self.circuit = circuit
        self.net_of = {t: net.name for net in circuit.nets for t in net.terminals}
        self.levels: dict[str, int] = {"VCC": 1, "GND": 0}
        self.kept: dict[tuple[str, int], int] = {}
        self.memories = dict(zip((d.ref for d in circuit.of_part("memory")), memories, strict=True))
        for jumper in circuit.of_part("jumper"):
            self._set(jumper, "line", 0 if jumper.ref in closed else 1)

    def _net(self, device: Device, name: str) -> str | None:
        for terminal, net in self.net_of.items():
            if terminal.ref == device.ref and device.pins[terminal.pin - 1] == name:
                return net
        return None

    def _get(self, device: Device, name: str) -> int:
        net = self._net(device, name)
        assert net is not None, f"input {device.ref} {name} floats"
        return self.levels.get(net, 1)

    def _set(self, device: Device, name: str, level: int) -> None:
        net = self._net(device, name)
        if net is not None:
            self.levels[net] = level

    def drive(self, pins: Mapping[str, int]) -> None:
        """Set levels at the old socket's pins, by their names in the socket."""
        plug = self.circuit.devices[0]
        for name, level in pins.items():
            self._set(plug, name, level)
        for _ in range(4):  # the longest way is gate, latch, memory, buffer
            for device in self.circuit.devices:
                self._work(device)

    def data(self) -> int:
        """The word at the old socket's data pins."""
        plug = self.circuit.devices[0]
        word = 0
        for name in plug.pins:
            bit = pin_use(name).data
            if bit is not None:
                word |= self._get(plug, name) << bit
        return word

    def _work(self, device: Device) -> None:
        if device.part == "latch":
            self._latch(device)
        elif device.number == "04":
            for unit in range(1, 7):
                self._set(device, f"{unit}Y", 1 - self._get(device, f"{unit}A"))
        elif device.number == "138":
            self._decoder(device)
        elif device.part == "buffer":
            self._buffer(device)
        elif device.part == "memory":
            self._memory(device)

    def _latch(self, device: Device) -> None:
        assert self._get(device, "/OE") == 0
        for bit in range(8):
            if self._get(device, "LE"):
                self.kept[device.ref, bit] = self._get(device, f"D{bit}")
            self._set(device, f"Q{bit}", self.kept.get((device.ref, bit), 0))

    def _decoder(self, device: Device) -> None:
        enabled = self._get(device, "G1") and not self._get(device, "/G2A") and not self._get(device, "/G2B")
        chosen = sum(self._get(device, name) << place for place, name in enumerate("ABC"))
        for output in range(8):
            self._set(device, f"/Y{output}", 0 if enabled and output == chosen else 1)

    def _buffer(self, device: Device) -> None:
        for name in device.pins:
            if device.number == "245" and name.startswith("B") and not self._get(device, "/OE"):
                assert self._get(device, "DIR") == 1
                self._set(device, name, self._get(device, f"A{name[1:]}"))
            elif name[1:2] == "Y" and not self._get(device, f"/{name[0]}OE"):
                level = self._get(device, f"{name[0]}A{name[2:]}")
                self._set(device, name, 1 - level if device.number == "240" else level)

    def _memory(self, device: Device) -> None:
        for name in ("VPP", "/PGM", "/WE"):
            net = self._net(device, name)
            assert name not in device.pins or net in ("VCC", name), f"{name} is at {net}"
        enables = [self._get(device, name) for name in ("/CE", "/OE") if name in device.pins]
        if any(enables):
            return
        address = 0
        for name in device.pins:
            if name.startswith("A"):
                address |= self._get(device, name) << int(name[1:])
        word = self.memories[device.ref][address]
        for name in device.pins:
            if name.startswith("D"):
                self._set(device, name, word >> int(name[1:]) & 1)


def socket_levels(circuit: Circuit, address: int) -> dict[str, int]:
    """Levels of the address pins of the old socket for an address."""
    levels = {}
    for name in circuit.devices[0].pins:
        line = pin_use(name).address
        if line is not None:
            levels[name] = address >> line & 1
    return levels


def pin_named(circuit: Circuit, signal: str) -> str:
    """Spelling of a signal at the old socket."""
    return next(name for name in circuit.devices[0].pins if parse_signal(name).base == signal)
