"""A reference emulator of the Z80 runs a real ROM; its own memory and I/O accesses are the truth.

The emulator tells reads from writes; which reads are opcode fetches (M1) follows from the published
instruction format (UM0080: one M1 for each prefix CB, DD, ED, FD and one for the opcode, but only two for
DD CB and FD CB), and is checked against the emulator's own count of M1 cycles, the R register.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from z80 import HL, Z80Machine

from bus.emulated.wave import Access

DD_FD = (0xDD, 0xFD)
LD_R_A = [0xED, 0x4F]


@dataclass
class Step:
    """One instruction or interrupt as the emulator executed it.

    Args:
        accesses: Its accesses in order, opcode fetches marked.
        refresh: Refresh address after each fetch or acknowledge.
    """

    accesses: list[Access] = field(default_factory=list)
    refresh: list[int] = field(default_factory=list)


class Z80Board:
    """ROM from 0000, RAM above it, a port that remembers, and ports that read FF.

    Args:
        rom: Contents from address 0; writes to it are ignored.
        ports: Low byte of a port address = what it reads.
        remembers: Port that reads back what was written to it.
    """

    def __init__(self, rom: bytes, ports: dict[int, int] | None = None, remembers: int = 0xA8) -> None:
        self.memory = bytearray(65536)
        self.memory[: len(rom)] = rom
        self._top = len(rom)
        self._ports = {remembers: 0} | (ports or {})
        self._remembers = remembers
        self._log: list[Access] = []
        machine = self.machine = Z80Machine()
        machine.set_memory_block(0, bytes(self.memory))
        machine.set_read_callback(self._read)
        machine.set_write_callback(self._write)
        machine.mark_addrs(0, 65536, machine.READ_MARK | machine.WRITE_MARK)
        machine.set_input_callback(self._input)
        machine.set_output_callback(self._output)

    def _read(self, address: int) -> int:
        self._log.append(Access("read", address, self.memory[address]))
        return self.memory[address]

    def _write(self, address: int, word: int) -> None:
        self._log.append(Access("write", address, word))
        if address >= self._top:
            self.memory[address] = word

    def _input(self, port: int) -> int:
        word = self._ports.get(port & 0xFF, 0xFF)
        self._log.append(Access("io_read", port, word))
        return word

    def _output(self, port: int, word: int) -> None:
        self._log.append(Access("io_write", port, word))
        if port & 0xFF == self._remembers:
            self._ports[self._remembers] = word

    def step(self) -> Step:
        """Execute one instruction (a DD or FD prefix may be a step of its own)."""
        machine = self.machine
        indexed = machine.index_rp_kind is not HL
        page, counter = machine.i << 8, machine.r
        self._log = []
        machine.ticks_to_stop = 1
        machine.run()
        reads = [access for access in self._log if access.kind == "read"]
        count = _opcode_fetches([access.word for access in reads], indexed)
        for index in range(count):
            assert self._log[index].kind == "read"
            self._log[index] = self._log[index]._replace(kind="fetch")
        if [access.word for access in reads[:2]] != LD_R_A:
            assert machine.r == (counter & 0x80) | ((counter + count) & 0x7F), "M1 count differs from R"
        refresh = [page | (counter & 0x80) | ((counter + n) & 0x7F) for n in range(count)]
        return Step(self._log, refresh)

    def interrupt(self) -> Step | None:
        """Interrupt mode 1, where enabled: an acknowledge cycle, then the return address is pushed."""
        machine = self.machine
        if not machine.iff1 or machine.int_disabled:
            return None
        here, refresh = machine.pc, machine.ir
        self._log = []
        machine.on_handle_active_int()
        assert machine.pc == 0x38
        return Step([Access("acknowledge", here, 0xFF), *self._log], [refresh])


def _opcode_fetches(words: list[int], indexed: bool) -> int:
    """How many of the bytes that an instruction read first came by M1 cycles."""
    count = 1
    while count < len(words) and words[count - 1] in DD_FD:
        indexed = True
        count += 1
    if words[count - 1] == 0xED or (words[count - 1] == 0xCB and not indexed):
        count += 1
    return count
