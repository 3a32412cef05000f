"""A 6809 followed cycle by cycle, against an emulator that knows which instruction it executes.

Reference: MC6809 (PyPI). Where its table of clock cycles and the package's differ, Motorola's MC6809 data
sheet is named (from memory, not checked).
"""

from __future__ import annotations

import random
from typing import ClassVar

import capstone
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instructions.captures import by_hand
from instructions.emulated_6809 import CODES, INDEX_CLOCKS, Board, Row, random_memory, run
from wrongbit.instructions.cycles_6809 import forms_of, length_of
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import flow_evidence, is_instruction_word
from wrongbit.instructions.loops import find_loops
from wrongbit.machine.model import Processor

LONGEST = 24
"""Cycles; no instruction and no interrupt that does not wait takes more."""

seeds = st.integers(0, 100_000)


def followed(rows: list[Row], expected: dict[int, int] | None = None) -> Execution:
    return by_hand(rows, expected or {}, instructions="6809")


class TestTable:
    """Lengths, counts and documented codes, one by one."""

    DIFFERENT: ClassVar = {0x1F: 6, 0x7E: 4, 0x13: 3}
    """MC6809 0.9.0 has TFR 7, JMP extended 3, SYNC 2; the data sheet 6, 4 and at least 4 (from memory; the
    form of SYNC ends before the cycles in which it waits)."""

    @pytest.mark.parametrize("code", sorted(CODES))
    def test_as_the_emulator_has_it(self, code: int) -> None:
        row = CODES[code]
        words = (*code.to_bytes(2 if code > 0xFF else 1, "big"), 0x84, 0, 0)  # ,X where it is a post-byte
        length = length_of(*words[:3])
        assert length == row["bytes"]
        if code in (0x34, 0x35, 0x36, 0x37, 0x3C):
            return
        counts = [form.clocks for form in forms_of(words[:length])]
        assert counts[0] == self.DIFFERENT.get(code, row["cycles"])

    def test_no_other_code_is_an_instruction(self) -> None:
        known = {code for code in range(256) if length_of(code, 0x84, 0)}
        known |= {page << 8 | code for page in (16, 17) for code in range(256) if length_of(page, code, 0x84)}
        assert known - {0x10, 0x11} == set(CODES)

    def test_lengths_of_every_post_byte_as_capstone_has_them(self) -> None:
        engine = capstone.Cs(capstone.CS_ARCH_M680X, capstone.CS_MODE_M680X_6809)
        for code in CODES:
            for post in range(256):
                words = (*code.to_bytes(2 if code > 0xFF else 1, "big"), post, 0x12, 0x34)
                theirs = [each[1] for each in engine.disasm_lite(bytes(words), 0, 1) if each[2] != "fcb"]
                if code not in (0x1E, 0x1F):  # it knows not all pairs of registers
                    assert length_of(*words[:3]) == (theirs[0] if theirs else 0), words

    @pytest.mark.parametrize("post", range(256))
    def test_stacked_registers_and_index_modes(self, post: int) -> None:
        for code in (0x34, 0x35, 0x36, 0x37):
            (form,) = forms_of((code, post))
            assert form.clocks == 5 + bin(post & 0xF).count("1") + 2 * bin(post >> 4).count("1")
        length = length_of(0xA6, post, 0)
        if length:
            (form,) = forms_of((0xA6, post, 0, 0)[:length])
            indirect = 3 * (post & 0x90 == 0x90)
            assert form.clocks == 4 + (1 if post < 0x80 else INDEX_CLOCKS[post & 0xF] + indirect)


class TestWorkedExamples:
    """Motorola MC6809 data sheet, the worked examples of its cycle-by-cycle section (from memory)."""

    def test_lbsr(self) -> None:
        """LBSR $A000 at 8000 with the stack at F000: nine cycles."""
        rows: list[Row] = [
            ("read", 0x8000, 0x17), ("read", 0x8001, 0x1F), ("read", 0x8002, 0xFD), ("idle", 0xFFFF, 0),
            ("idle", 0xFFFF, 0), ("read", 0xA000, 0x12), ("idle", 0xFFFF, 0), ("write", 0xEFFF, 0x03),
            ("write", 0xEFFE, 0x80),
        ]  # fmt: skip
        self.leads(rows, 0xA000)

    def test_dec_extended(self) -> None:
        """DEC $A000 at 8000: seven cycles."""
        rows: list[Row] = [
            ("read", 0x8000, 0x7A), ("read", 0x8001, 0xA0), ("read", 0x8002, 0x00), ("idle", 0xFFFF, 0),
            ("read", 0xA000, 0x80), ("idle", 0xFFFF, 0), ("write", 0xA000, 0x7F),
        ]  # fmt: skip
        self.leads(rows, 0x8003)

    @staticmethod
    def leads(rows: list[Row], to: int) -> None:
        vector: list[Row] = [("read", 0xFFFE, 0x80), ("read", 0xFFFF, 0), ("idle", 0xFFFF, 0)]
        after: list[Row] = [(kind, to + k, 0x12) for k in range(9) for kind in ("read",) * (1 + (k > 0))]
        execution = followed([*vector, *rows, *after])
        begins = [len(vector), *range(len(vector) + len(rows), len(vector) + len(rows) + len(after), 2)]
        assert execution.starts.tolist() == begins


class TestRealCode:
    @pytest.mark.parametrize("status", [True, False])
    @pytest.mark.parametrize("seed", range(8))
    def test_every_instruction_from_reset_on(self, seed: int, status: bool) -> None:
        """All documented codes occur, with interrupts, SYNC and CWAI; dead cycles told or not."""
        board = run(Board(random_memory(seed), status), 1500, seed)
        assert followed(board.rows).starts.tolist() == board.starts

    def test_all_documented_codes_occur(self) -> None:
        seen = set()
        for seed in range(8):
            board = run(Board(random_memory(seed)), 1500, seed)
            for start in board.starts:
                first, second = board.rows[start][2], board.rows[start + 1][2]
                seen.add(first << 8 | second if first in (0x10, 0x11) else first)
        assert len(seen & set(CODES)) == len(CODES)

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

    def test_that_the_capture_ends_is_no_evidence(self) -> None:
        """LDA #$87 at E000, again and again, is no program; the last of them only has nothing after it."""
        rows: list[Row] = [("read", 0xE000 + k % 2, 0x86 + k % 2) for k in range(200)]
        assert followed(rows).starts.tolist() == []

    def test_but_a_vector_decides(self) -> None:
        vector: list[Row] = [("read", 0xFFFE, 0x80), ("read", 0xFFFF, 0), ("read", 0xFFFF, 0)]
        rows: list[Row] = [("read", 0x8000 + k, 0x86) for k in range(200)]
        assert followed([*vector, *rows]).starts.tolist() == list(range(3, 203, 2))


class TestLoops:
    def test_a_delay_loop_takes_as_long_as_published(self) -> None:
        memory = random_memory(0)
        memory[0xFFFE:0x10000] = [0x10, 0x00]
        # DECB 2, BNE 3 (Motorola's programming aid, from memory): 5 µs a round at 1 MHz.
        memory[0x1000:0x1005] = [0xC6, 0xC8, 0x5A, 0x26, 0xFD]
        board = Board(memory)
        board.reset()
        while len(board.starts) < 300:
            board.step()
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="6809", clock="1 MHz")
        execution = by_hand(board.rows, {}, instructions="6809", processor=processor, period_ns=1000)
        (loop,) = find_loops(execution)
        assert [found.text.split()[0] for found in loop.body] == ["decb", "bne"]
        assert loop.cycles == (5, 5)
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

    vector: tuple[Row, ...] = (("read", 0xFFFE, 0x80), ("read", 0xFFFF, 0x00), ("idle", 0xFFFF, 0))

    def test_a_second_wrong_word_is_not_held_against_the_right_one(self) -> None:
        """LDA # over and over; the probe shows the first of two as LDX #, the second as no instruction.

        By the words seen only LDX # goes on, one byte out of step; by those that should be there LDA # does.
        """
        data = [0x86, 0x00] * 10 + [0x8E, 0x86, 0x87] + [0x86] * 120
        rows = [*self.vector, *(("read", 0x8000 + k, byte) for k, byte in enumerate(data))]
        evidence = flow_evidence(followed(rows, {23: 0x86, 25: 0x86}), 23)
        assert evidence.expected is not None
        assert evidence.seen is not None
        assert (evidence.expected.length, evidence.seen.length, evidence.acted) == (2, 3, "can't tell")
        alone = flow_evidence(followed(rows, {23: 0x86}), 23)
        assert alone.acted == "wrong word"

    def test_wrong_words_before_leave_it_open(self) -> None:
        """JSR seen as a comparison, and nobody went to the subroutine: the word before decides nothing."""
        program = [0x86, 0x00] * 10 + [0xBC, 0x90, 0x00]
        rows = [*self.vector, *(("read", 0x8000 + k, byte) for k, byte in enumerate(program))]
        rows += [("idle", 0xFFFF, 0), ("read", 0x9000, 0x12), ("read", 0x9001, 0x12), ("idle", 0xFFFF, 0)]
        rows += [("read", 0x8017 + k, 0x86 * (k % 2 == 0)) for k in range(80)]
        at = 3 + 20
        assert flow_evidence(followed(rows, {at: 0xBD}), at).acted == "wrong word"
        evidence = flow_evidence(followed(rows, {at: 0xBD, at - 3: 0x01}), at)
        assert evidence.acted == "can't tell"
        assert "wrong words before" in evidence.reasons[0]
