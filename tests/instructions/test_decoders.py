"""Decoders against other people's decoders and models of the same processors.

References: capstone (MOS65XX in 6502 mode), py65's counts of clock cycles, the z80 package's disassembler and
its models of Z80 and 8080. All are from PyPI and none is used by the tables.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import capstone
import pytest
from py65.devices.mpu6502 import MPU
from z80 import I8080Machine, Z80InstrBuilder, Z80Machine

from wrongbit.instructions.instruction import Instruction, InstructionSet, decode
from wrongbit.instructions.library import LIBRARY_SETS
from wrongbit.instructions.sets import built_in_set, set_names

START = 0x1000


def known_set(name: str) -> InstructionSet:
    found = built_in_set(name)
    assert found is not None
    return found


def of(name: str, data: bytes, address: int = START) -> Instruction:
    found = decode(known_set(name), memory(data, address), address)
    assert found is not None
    return found


def memory(data: bytes, base: int = START) -> Callable[[int], int | None]:
    return lambda address: data[address - base] if 0 <= address - base < len(data) else None


class Test6502:
    """All 256 operation codes."""

    engine = capstone.Cs(capstone.CS_ARCH_MOS65XX, capstone.CS_MODE_MOS65XX_6502)
    engine.detail = True

    @pytest.mark.parametrize("code", range(256))
    def test_as_capstone_has_it(self, code: int) -> None:
        data = bytes([code, 0xF4, 0x12])
        ours = of("6502", data)
        theirs = list(self.engine.disasm(data, START, 1))
        assert ours.documented == bool(theirs)
        if not theirs:
            return
        text = f"{theirs[0].mnemonic} {theirs[0].op_str}".upper().replace("0X", "$").replace(", ", ",")
        assert ours.text == ("BRK" if code == 0 else text.strip())  # the byte after BRK has no name here
        assert ours.length == theirs[0].size
        assert ours.flow in self.flows_of(theirs[0])
        if ours.flow in ("branch", "call", "jump") and "(" not in text and code:
            assert ours.targets == (int(text.split("$")[1], 16),)

    @staticmethod
    def flows_of(instruction: capstone.CsInsn) -> set[str]:
        groups = {instruction.group_name(group) for group in instruction.groups}
        if "branch_relative" in groups:
            return {"branch"}
        if "jump" in groups:
            return {"jump"}
        if groups & {"call", "int"}:
            return {"call"}
        return {"return"} if groups & {"ret", "iret"} else {"next"}

    def test_151_are_documented(self) -> None:
        """MOS Technology's programming manual lists 151 (from memory, not checked)."""
        assert sum(of("6502", bytes([code, 0, 0])).documented for code in range(256)) == 151

    @pytest.mark.parametrize("code", range(256))
    def test_cycles_as_py65_counts_them(self, code: int) -> None:
        ours = of("6502", bytes([code, 0x10, 0x12]))
        mpu = MPU()
        if not ours.documented:
            assert ours.cycles is None
            return
        assert ours.cycles is not None
        if ours.flow == "branch":
            # py65 keeps branches' two cycles in the table and adds one when taken, one more over a page.
            assert (ours.cycles.base, ours.cycles.taken, ours.cycles.extra) == (2, 3, 1)
        if code == 0xCE:
            # py65 1.2.0 has 3 for DEC absolute; the programming manual has 6, as for INC (from memory).
            assert (mpu.cycletime[0xCE], ours.cycles.base) == (3, mpu.cycletime[0xEE])
            return
        # py65 notes one more cycle where an address crosses a page.
        assert ours.cycles.base == mpu.cycletime[code]
        assert ours.cycles.extra == min(mpu.extracycles[code], 1)


class TestZ80:
    """Every code of every prefix, against the z80 package's disassembler and model."""

    builder = Z80InstrBuilder()

    @staticmethod
    def codes() -> list[bytes]:
        tail = bytes([0x05, 0x12])
        found = [bytes([code]) + tail for code in range(256) if code not in (0xCB, 0xDD, 0xED, 0xFD)]
        found += [bytes([prefix, code]) + tail for prefix in (0xCB, 0xED) for code in range(256)]
        for prefix in (0xDD, 0xFD):
            found += [bytes([prefix, code]) + tail for code in range(256) if code != 0xCB]
            found += [bytes([prefix, 0xCB, 0x05, code]) for code in range(256)]
        return found

    def test_text_and_length(self) -> None:
        checked = 0
        for data in self.codes():
            ours = of("z80", data + bytes(2))
            theirs, size = self.builder.build_instr(START, data + bytes(2))
            if ours.text.startswith("prefix"):
                # They take a prefix without effect and what follows as one, or name the prefix alone.
                rest = of("z80", data[1:] + bytes(3), START + 1) if data[1] not in (0xDD, 0xFD) else None
                assert size == 1 or (rest and size == 1 + rest.length), data.hex()
                continue
            assert ours.length == size, data.hex()
            checked += 1
            if data[:1] in (b"\xdd", b"\xfd") and data[1] == 0xCB and not ours.documented:
                # They name the register that also receives the result, in another place than we do.
                assert set(pieces(ours.text)) <= set(pieces(str(theirs))), data.hex()
                continue
            assert plain(ours.text) == plain(str(theirs)), data.hex()
        assert checked > 1400

    def test_clock_cycles(self) -> None:
        """One instruction on the model, with flags that let conditions hold and flags that do not."""
        for data in self.codes():
            ours = of("z80", data + bytes(2))
            assert ours.cycles is not None
            if ours.text.startswith("prefix"):
                continue
            for flags in (0x00, 0xFF):
                for bc in (0x0101, 0x0202):
                    ticks, pc = self.run_one(data, flags, bc)
                    went_on = pc == ours.following
                    if ours.flow == "stop":
                        continue  # the model's HALT does not come back
                    if ours.flow == "branch" and ours.targets == (ours.following,):
                        continue
                    want = ours.cycles.base if went_on else ours.cycles.taken
                    assert ticks == want, (data.hex(), ours.text, flags, ticks, want)
                    if not went_on and ours.successors is not None:
                        assert pc in ours.successors, (data.hex(), ours.text)

    @staticmethod
    def run_one(data: bytes, flags: int, bc: int) -> tuple[int, int]:
        machine = Z80Machine()
        machine.set_memory_block(START, data)
        machine.pc, machine.sp, machine.hl, machine.de = START, 0x8000, 0x9000, 0xA000
        machine.ix, machine.iy = 0xB000, 0xC000
        machine.f, machine.bc, machine.a = flags, bc, 0x55
        machine.set_input_callback(lambda port: 0)
        machine.set_output_callback(lambda port, word: None)
        before = machine.frame_tick
        machine.ticks_to_stop = 5 if data[0] in (0xCB, 0xDD, 0xED, 0xFD) else 1
        machine.run()
        return machine.frame_tick - before, machine.pc


def pieces(text: str) -> list[str]:
    return [plain(piece) for piece in re.split(r"[ ,]+", text.lower().replace(" + ", "+"))]


def plain(text: str) -> str:
    """Texts that differ only in how numbers and blanks are written, as one."""
    text = text.removeprefix("x").replace(" ", "").lower()
    if text.startswith("nop"):
        return "nop"
    text = re.sub(r"0xed[0-9a-f]{2}(,|$)", "", text)
    text = re.sub(r"(ix|iy)\+0x5", r"\1+5", text)
    return re.sub(r"0x0*([0-9a-f]+)", r"\1", text)


class Test8080:
    MODEL_COUNTS_MORE = {
        code: 1 for code in range(0x40, 0x80) if (code & 7 == 6) != (code & 0x38 == 0x30)
    } | {0xEB: 1}
    """The z80 package 1.2.0 gives MOV with M 8 and XCHG 5; Intel's manual gives 7 and 4 (from memory)."""

    @pytest.mark.parametrize("code", range(256))
    def test_length_flow_and_clock_cycles(self, code: int) -> None:
        data = bytes([code, 0x05, 0x12])
        ours = of("8080", data)
        assert ours.cycles is not None
        for flags in (0x00, 0xFF):
            machine = I8080Machine()
            reads: list[int] = []
            image = bytearray(65536)
            image[START : START + 3] = data
            machine.set_read_callback(
                lambda address, reads=reads, image=image: reads.append(address) or image[address]
            )
            machine.mark_addrs(0, 65536, machine.READ_MARK)
            machine.set_input_callback(lambda port: 0)
            machine.set_output_callback(lambda port, word: None)
            machine.pc, machine.sp, machine.hl, machine.f = START, 0x8000, 0x9000, flags
            before = machine.frame_tick
            machine.ticks_to_stop = 1
            machine.run()
            if ours.flow == "stop":
                continue
            assert {a for a in reads if START <= a < START + 8} == set(range(START, ours.following))
            went_on = machine.pc == ours.following
            if ours.flow in ("next", "branch", "jump", "call"):
                assert ours.successors is not None
                assert machine.pc in ours.successors
            ticks = ours.cycles.base if went_on else ours.cycles.taken
            assert machine.frame_tick - before == ticks + self.MODEL_COUNTS_MORE.get(code, 0)

    def test_8085_has_two_more(self) -> None:
        assert of("8085", b"\x20\0\0").text == "RIM"
        assert of("8085", b"\x30\0\0").text == "SIM"
        assert of("8085", b"\xcb\0\0").flow == "unknown"
        assert of("8085", b"\xc3\x34\x12").targets == (0x1234,)
        assert of("8085", b"\x00\0\0").cycles is None


class TestS16:
    """Against the interpreter's own table, from which the packaged table was not made."""

    def test_every_operation_has_the_text_and_length_of_the_assembler(self) -> None:
        from wrongbit.demo.s16 import encode, instructions

        for row in instructions():
            operand = {"none": "", "short": " 5", "signed": " -3", "relative": " 0x1008"}.get(
                row.operand, " 0x1234"
            )
            words = encode(row.mnemonic + operand, START, lambda text: int(text, 0))
            ours = decode(known_set("s16"), lambda a, w=words: dict(enumerate(w, START)).get(a), START)
            assert ours is not None
            assert ours.text.split()[0] == row.mnemonic
            assert ours.length == row.words
            if row.operand == "relative":
                assert ours.targets == (0x1008,)


LIBRARY_CASES = [
    # Encodings and where each leads by the makers' manuals (from memory, not checked).
    ("8086", "eb05", "jump", (0x1007,)),
    ("8086", "e90500", "jump", (0x1008,)),
    ("8086", "ea34120001", "jump", (0x2234,)),  # 0100:1234 is 0x01000 + 0x1234
    ("8086", "75fe", "branch", (0x1000,)),
    ("8086", "e2fe", "branch", (0x1000,)),
    ("8086", "e80500", "call", (0x1008,)),
    ("8086", "9a34120001", "call", (0x2234,)),
    ("8086", "ffe0", "indirect", None),
    ("8086", "c3", "return", None),
    ("8086", "f4", "stop", (0x1001,)),
    ("8086", "f3a4", "next", ()),
    ("8086", "6005", "unknown", None),
    ("68000", "4ef900001234", "jump", (0x1234,)),
    ("68000", "4ef88234", "jump", (0xFF8234,)),
    ("68000", "4ed0", "indirect", None),
    ("68000", "61fe", "call", (0x1000,)),
    ("68000", "66fe", "branch", (0x1000,)),
    ("68000", "51c8fffc", "branch", (0x0FFE,)),
    ("68000", "4e75", "return", None),
    ("68000", "4e722700", "stop", (0x1004,)),
    ("6809", "7e1234", "jump", (0x1234,)),
    ("6809", "0e12", "indirect", None),
    ("6809", "161234", "jump", (0x2237,)),
    ("6809", "2105", "next", ()),
    ("6809", "10260005", "branch", (0x1009,)),
    ("6809", "35ff", "return", None),
    ("6800", "7e1234", "jump", (0x1234,)),
    ("6800", "8d05", "call", (0x1007,)),
    ("6800", "3e", "stop", (0x1001,)),
    ("6800", "02", "unknown", None),
    ("65c02", "8005", "jump", (0x1007,)),
    ("65c02", "0f12fe", "branch", (0x1001,)),
    ("65c02", "7c3412", "indirect", None),
]


@pytest.mark.parametrize(("name", "code", "flow", "targets"), LIBRARY_CASES)
def test_library_sets_lead_where_the_manual_says(
    name: str, code: str, flow: str, targets: tuple[int, ...] | None
) -> None:
    data = bytes.fromhex(code)
    habits = known_set(name).habits
    per = habits.unit_bits // 8

    def unit(address: int) -> int | None:
        at = address - START
        return int.from_bytes(data[at : at + per], "big") if 0 <= at < len(data) else None

    found = decode(known_set(name), unit, START)
    assert found is not None
    assert found.flow == flow
    assert found.targets == targets


@pytest.mark.parametrize("name", ["8086", "6809", "65c02", "68000", "z80", "6502", "s16"])
def test_what_is_not_known_is_not_decoded(name: str) -> None:
    assert decode(known_set(name), lambda address: None, START) is None


def test_a_torn_instruction_is_not_decoded() -> None:
    assert decode(known_set("8086"), memory(b"\xe9\x05"), START) is None
    assert decode(known_set("z80"), memory(b"\xcd\x05"), START) is None


def test_every_set_has_a_paragraph_of_the_document() -> None:
    from pathlib import Path

    page = (Path(__file__).parents[2] / "docs" / "instructions.md").read_text("utf-8")
    assert [name for name in set_names() if f"`{name}`" not in page] == []


def test_clock_cycles_of_the_65c02_are_those_of_py65() -> None:
    """py65's table (MPU of the 65C02, BSD licence), but for its own slips.

    py65 gives DEC absolute 3 cycles and BRA 1, where they read and write as INC does and branch as a taken
    one does; it counts the crossing of a page in shifts of an indexed word always; it has no BBR, BBS, STP.
    """
    from py65.devices.mpu65c02 import MPU

    chip = MPU()
    clocks = LIBRARY_SETS["65c02"].clocks
    slips = {0xCE, 0x80}
    for code in range(256):
        found, name = clocks(bytes([code, 0, 0])), chip.disassemble[code][0]
        if name == "???":
            assert found is None or code & 15 == 15 or code == 0xDB
        elif code not in slips:
            assert found is not None and chip.cycletime[code] in found.all, hex(code)
            # Decimal arithmetic has one more, which py65 does not count.
            crossing = 1 if chip.extracycles[code] else 0
            assert max(found.all) - chip.cycletime[code] in (crossing, crossing + 1, 2 * crossing), hex(code)
