"""A 6800 followed cycle by cycle, against an emulator that knows which instruction it executes.

References: m68hc11 (PyPI), whose HD6303 executes the 6800's instructions; capstone for lengths; examples of
Motorola's MC6800 data sheet and M6800 Programming Reference Manual, from memory, not checked.
"""

from __future__ import annotations

import random
import shutil
import subprocess
from pathlib import Path

import capstone
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instructions.captures import by_hand
from instructions.emulated_6800 import CLOCKS, WAI, Board, Row, random_memory, run
from wrongbit.instructions.cycles_6800 import forms_of, length_of
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import flow_evidence, is_instruction_word
from wrongbit.instructions.loops import find_loops
from wrongbit.machine.model import Processor

LONGEST = 12
"""Cycles; no instruction and no interrupt that does not wait takes more."""

seeds = st.integers(0, 100_000)


def followed(rows: list[Row], expected: dict[int, int] | None = None) -> Execution:
    return by_hand(rows, expected or {}, instructions="6800")


class TestTable:
    engine = capstone.Cs(capstone.CS_ARCH_M680X, capstone.CS_MODE_M680X_6800)

    def test_197_codes_are_listed(self) -> None:
        """M6800 Programming Reference Manual: 197 valid machine codes (from memory)."""
        assert sum(length_of(code, 0, 0) > 0 for code in range(256)) == 197 == len(CLOCKS)

    @pytest.mark.parametrize("code", range(256))
    def test_code(self, code: int) -> None:
        """Length as capstone has it, clock cycles as the tests' own list."""
        theirs = [each[1] for each in self.engine.disasm_lite(bytes([code, 1, 2]), 0, 1) if each[2] != "fcb"]
        length = length_of(code, 1, 2)
        assert length == (theirs[0] if theirs else 0)
        if length:
            (form,) = forms_of((code, 1, 2)[:length])
            assert form.clocks == CLOCKS[code]

    def test_jsr_extended_and_rts(self) -> None:
        """MC6800 data sheet, cycle-by-cycle table: JSR extended nine cycles, RTS five (from memory)."""
        rows: list[Row] = [
            ("read", 0xFFFE, 0x10), ("read", 0xFFFF, 0x00), ("read", 0x1000, 0xBD), ("read", 0x1001, 0x20),
            ("read", 0x1002, 0x00), ("read", 0x2000, 0x39), ("write", 0x7F, 0x03), ("write", 0x7E, 0x10),
            ("idle", 0x7D, 0), ("idle", 0x1002, 0), ("read", 0x1002, 0x00), ("read", 0x2000, 0x39),
            ("read", 0x2001, 0x00), ("idle", 0x7D, 0), ("read", 0x7E, 0x10), ("read", 0x7F, 0x03),
            ("read", 0x1003, 0x01), ("read", 0x1004, 0x01), ("read", 0x1004, 0x01), ("read", 0x1005, 0x01),
        ]  # fmt: skip
        assert followed(rows).starts.tolist() == [2, 11, 16, 18]


class TestRealCode:
    @pytest.mark.parametrize("status", [True, False])
    @pytest.mark.parametrize("seed", range(8))
    def test_every_instruction_from_reset_on(self, seed: int, status: bool) -> None:
        """All listed codes occur, with interrupts, SWI and WAI; dead cycles told or not."""
        board = run(Board(random_memory(seed), status), 1500, seed)
        assert followed(board.rows).starts.tolist() == board.starts

    def test_all_listed_codes_occur(self) -> None:
        seen = set()
        for seed in range(8):
            board = run(Board(random_memory(seed)), 1500, seed)
            for start in board.starts:
                seen.add(board.rows[start][2])
        assert seen == set(CLOCKS)

    @pytest.mark.parametrize("bit", range(8))
    @pytest.mark.parametrize("level", [0, 1])
    def test_a_bit_stuck_on_the_board(self, bit: int, level: int) -> None:
        """The processor executes what it sees, and so it is read."""

        def through(address: int, byte: int) -> int:
            return byte | 1 << bit if level else byte & ~(1 << bit)

        memory = random_memory(bit)
        board = Board(memory, through=through)
        run(board, 300, bit, interrupts=0)
        assert followed(board.rows).starts.tolist() == board.starts

    @settings(max_examples=20, deadline=None)
    @given(seeds, st.floats(0.1, 0.9), st.booleans())
    def test_from_anywhere_no_beginning_is_invented(self, seed: int, share: float, status: bool) -> None:
        board = run(Board(random_memory(seed), status), 300, seed)
        first = int(share * len(board.rows))
        found = {first + row for row in followed(board.rows[first:]).starts.tolist()}
        true = {start for start in board.starts if start >= first}
        assert found <= true
        late = {start for start in true if first + 300 < start < len(board.rows) - LONGEST}
        assert late <= found

    @settings(max_examples=20, deadline=None)
    @given(seeds, seeds)
    def test_the_thread_is_found_again_after_gaps(self, seed: int, gaps: int) -> None:
        """Cycles are missing: of those found, none is false; of those far from a gap, all are found."""
        board = run(Board(random_memory(seed)), 400, seed)
        rng = random.Random(gaps)
        ends = [*sorted(rng.sample(range(len(board.rows)), 3)), len(board.rows)]
        kept: list[int] = []
        cuts, begin = [], 0
        for end in ends:
            kept += range(begin, end)
            cuts.append(len(kept))
            begin = end + rng.randrange(1, 40)
        found = set(followed([board.rows[row] for row in kept]).starts.tolist())
        true = {at for at, row in enumerate(kept) if row in set(board.starts)}
        # Cycles before and after a gap may look like one instruction.
        near = {row for cut in cuts for row in range(cut - LONGEST, cut + LONGEST)}
        assert found - near <= true
        assert {row for row in true - near if all(not cut <= row < cut + 400 for cut in cuts)} <= found

    def test_two_ways_to_read_it_are_not_decided(self) -> None:
        """LDA #$86 over and over: as good from any second byte, since the addresses step evenly."""
        rows: list[Row] = [("read", 0x8000 + k, 0x86) for k in range(200)]
        execution = followed(rows, {100: 0x87})
        assert execution.starts.tolist() == []
        evidence = flow_evidence(execution, 100)
        assert evidence.acted == "can't tell"
        assert "in no way, or in several" in evidence.reasons[0]

    def test_but_a_vector_decides(self) -> None:
        vector: list[Row] = [("read", 0xFFFE, 0x80), ("read", 0xFFFF, 0)]
        rows: list[Row] = [("read", 0x8000 + k, 0x86) for k in range(200)]
        assert followed([*vector, *rows]).starts.tolist() == list(range(2, 202, 2))


class TestLoops:
    def test_a_delay_loop_takes_as_long_as_published(self) -> None:
        memory = random_memory(0)
        memory[0xFFFE:0x10000] = [0x10, 0x00]
        # DECB 2, BNE 4 (M6800 Programming Reference Manual, from memory): 6 µs a round at 1 MHz.
        memory[0x1000:0x1005] = [0xC6, 0xC8, 0x5A, 0x26, 0xFD]
        board = Board(memory)
        board.reset()
        while len(board.starts) < 300:
            board.step()
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="6800", clock="1 MHz")
        execution = by_hand(board.rows, {}, instructions="6800", processor=processor, period_ns=1000)
        (loop,) = find_loops(execution)
        assert [found.text.split()[0] for found in loop.body] == ["decb", "bne"]
        assert loop.cycles == (6, 6)
        assert loop.ratio == 1


class TestVerdicts:
    """The processor acted on what the probe sees, or it did not: the verdict may not be the opposite."""

    def test_a_fault_on_the_board(self) -> None:
        acted = []
        for seed in range(6):
            rng = random.Random(seed)
            bad = {rng.randrange(0x10000): 1 << rng.randrange(8) for _ in range(1500)}
            board = Board(random_memory(seed), through=lambda at, byte, bad=bad: byte ^ bad.get(at, 0))
            run(board, 1000, seed)
            execution = followed(board.rows, board.right)
            acted += [flow_evidence(execution, row).acted for row in board.right]
        assert "right word" not in acted
        assert acted.count("wrong word") >= 0.03 * len(acted) > 10

    @pytest.mark.parametrize("seed", range(6))
    def test_a_probe_that_glitches(self, seed: int) -> None:
        board = run(Board(random_memory(seed)), 1500, seed)
        rng = random.Random(seed)
        expected = {}
        rows = list(board.rows)
        for row in sorted(rng.sample(range(len(rows)), 25)):
            kind, address, word = rows[row]
            if kind == "read":
                expected[row] = word
                rows[row] = (kind, address, word ^ 1 << rng.randrange(8))
        execution = followed(rows, expected)
        acted = [
            flow_evidence(execution, row).acted for row in expected if is_instruction_word(execution, row)
        ]
        assert "wrong word" not in acted
        assert acted.count("right word") >= 1

    @pytest.mark.parametrize("bit", range(8))
    @pytest.mark.parametrize("level", [0, 1])
    def test_a_probe_lead_that_is_stuck(self, bit: int, level: int) -> None:
        board = run(Board(random_memory(bit)), 600, bit, interrupts=0)
        mask = 1 << bit
        rows, expected = [], {}
        for row, (kind, address, word) in enumerate(board.rows):
            seen = word | mask if level else word & ~mask
            rows.append((kind, address, seen))
            if kind == "read" and seen != word:
                expected[row] = word
        execution = followed(rows, expected)
        acted = [flow_evidence(execution, row).acted for row in expected]
        assert "wrong word" not in acted


PROGRAM = """
        cpu 6800
        * = $e000
start   lds #$7f
        ldx #table
        clr $10
again   ldaa 0,x
        beq done
        jsr add
        inx
        bra again
add     psha
        adda $10
        staa $10
        pulb
        rts
done    ldab #5
wait    decb
        bne wait
        stx $20
        tst $20
        swi
        jmp start
table   db 1,2,3,200,7,0
        code
        * = $fff8
        dw start,start,start,start
"""


@pytest.mark.debian
@pytest.mark.skipif(shutil.which("crasm") is None, reason="crasm is missing: apt-get install crasm")
@pytest.mark.parametrize("status", [True, False])
def test_a_program_that_crasm_assembles(tmp_path: Path, status: bool) -> None:
    source, made = tmp_path / "sum.asm", tmp_path / "sum.s19"
    source.write_text(PROGRAM)
    subprocess.run(["crasm", "-o", str(made), str(source)], check=True, capture_output=True)
    memory = bytearray(0x10000)
    for line in made.read_text().split():
        if line.startswith("S1"):
            address, data = int(line[4:8], 16), bytes.fromhex(line[8:-2])
            memory[address : address + len(data)] = data
    board = Board(memory, status)
    board.reset()
    while len(board.starts) < 2000:
        board.step()
    assert WAI not in {board.rows[start][2] for start in board.starts}
    assert followed(board.rows).starts.tolist() == board.starts
    first = 777
    found = [first + row for row in followed(board.rows[first:]).starts.tolist()]
    assert found == [start for start in board.starts if start >= found[0]]
    assert found[0] < first + 100
