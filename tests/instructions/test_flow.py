"""Flow evidence on cycles written by hand, each worked from the instruction's definition."""

from __future__ import annotations

import pytest

from instructions.captures import by_hand
from wrongbit.instructions.consequence import Consequence, Place, consequence
from wrongbit.instructions.execution import Execution
from wrongbit.instructions.flow import FlowEvidence, flow_evidence, is_instruction_word
from wrongbit.machine.model import Processor

S16 = Processor(name="U1", word_bits=16, address_bits=16, recipe="own", start_address=0)
Row = tuple[str, int, int]


def s16(rows: list[Row], expected: dict[int, int], reference: dict[int, int] | None = None) -> Execution:
    return by_hand(rows, expected, instructions="s16", processor=S16, reference=reference)


def judged(execution: Execution, row: int = 0) -> FlowEvidence:
    return flow_evidence(execution, row)


class TestS16:
    """JUMP is 4000 and its address, BZ 50dd, BNZ 51dd, NOP 0000, HALT 0100, CALL 4100, CALLB 4300."""

    jump: tuple[Row, ...] = (("fetch", 0x10, 0x4000), ("read", 0x11, 0x0042))

    def test_it_went_where_the_seen_word_leads(self) -> None:
        found = judged(s16([*self.jump, ("fetch", 0x42, 0), ("fetch", 0x43, 0)], {1: 0x0040}), 1)
        assert (found.acted, found.went, found.start) == ("wrong word", 0x42, 0)
        assert "leads to 0040" in found.reasons[0]
        assert (found.expected.text, found.seen.text) == ("JUMP 0x0040", "JUMP 0x0042")  # type: ignore[union-attr]

    def test_it_went_where_the_expected_word_leads(self) -> None:
        found = judged(s16([*self.jump, ("fetch", 0x40, 0), ("fetch", 0x41, 0)], {1: 0x0040}), 1)
        assert (found.acted, found.went) == ("right word", 0x40)

    def test_it_went_somewhere_else(self) -> None:
        found = judged(s16([*self.jump, ("fetch", 0x99, 0), ("fetch", 0x9A, 0)], {1: 0x0040}), 1)
        assert found.acted == "can't tell"
        assert "Neither word explains" in found.reasons[-1]

    def test_the_capture_ends(self) -> None:
        found = judged(s16([*self.jump], {1: 0x0040}), 1)
        assert (found.acted, found.next_row) == ("can't tell", None)
        assert "ends" in found.reasons[0]

    def test_same_way_by_either_word(self) -> None:
        """BZ and BNZ to one place: which way depends on a flag that nobody sees."""
        rows: list[Row] = [("fetch", 0x10, 0x5005), ("fetch", 0x11, 0), ("fetch", 0x12, 0)]
        found = judged(s16(rows, {0: 0x5105}))
        assert (found.acted, found.reasons) == ("can't tell", ("Both words lead to what was captured next.",))

    def test_bits_that_mean_nothing(self) -> None:
        """The lower byte of NOP is not looked at."""
        found = judged(s16([("fetch", 0x10, 0x0004), ("fetch", 0x11, 0), ("fetch", 0x12, 0)], {0: 0x0000}))
        assert found.acted == "can't tell"
        assert "mean the same" in found.reasons[0]

    def test_length_tells(self) -> None:
        """LDI (1000) reads a second word, STEPX (2700) does not."""
        short: list[Row] = [("fetch", 0x10, 0x2700), ("fetch", 0x11, 0x0001), ("fetch", 0x12, 0)]
        assert judged(s16(short, {0: 0x1000}, {0x11: 1})).acted == "wrong word"
        long: list[Row] = [
            ("fetch", 0x10, 0x2700),
            ("read", 0x11, 0x0001),
            ("fetch", 0x12, 0),
            ("fetch", 0x13, 0),
        ]
        assert judged(s16(long, {0: 0x1000})).acted == "right word"

    @pytest.mark.parametrize(("bank", "acted"), [(1, "wrong word"), (0, "right word")])
    def test_the_bank_tells(self, bank: int, acted: str) -> None:
        """CALLB goes to the other bank, CALL stays."""
        rows: list[Row] = [
            ("fetch@0", 0x10, 0x4300), ("read@0", 0x11, 0x0300), ("write@0", 0x83FF, 0x12),
            ("write@0", 0x83FE, 0), (f"fetch@{bank}", 0x300, 0), (f"fetch@{bank}", 0x301, 0),
        ]  # fmt: skip
        assert judged(s16(rows, {0: 0x4100})).acted == acted

    @pytest.mark.parametrize(("kind", "acted"), [("write", "wrong word"), ("read", "right word")])
    def test_data_that_moves_tells(self, kind: str, acted: str) -> None:
        """LDA is 1100, STA is 1200."""
        rows: list[Row] = [
            ("fetch", 0x10, 0x1200), ("read", 0x11, 0x8000), (kind, 0x8000, 5), ("fetch", 0x12, 0),
            ("fetch", 0x13, 0),
        ]  # fmt: skip
        assert judged(s16(rows, {0: 0x1100})).acted == acted

    def test_a_halt_is_fetched_again(self) -> None:
        halted: list[Row] = [("fetch", 0x10, 0x0100)] * 4
        assert judged(s16(halted, {0: 0x0000})).acted == "wrong word"
        passed: list[Row] = [("fetch", 0x10 + n, 0x0100 * (n == 0)) for n in range(4)]
        assert judged(s16(passed, {0: 0x0000})).acted == "right word"

    def test_an_interrupt_hides_it(self) -> None:
        rows: list[Row] = [*self.jump, ("acknowledge", 0, 0), ("fetch", 0x42, 0), ("fetch", 0x43, 0)]
        found = judged(s16(rows, {1: 0x0040}), 1)
        assert (found.acted, "interrupt" in found.reasons[0]) == ("can't tell", True)

    def test_data_is_no_instruction(self) -> None:
        rows: list[Row] = [
            ("fetch", 0x10, 0x1100), ("read", 0x11, 0x0200), ("read", 0x200, 5), ("fetch", 0x12, 0),
        ]  # fmt: skip
        execution = s16(rows, {2: 7})
        assert not is_instruction_word(execution, 2)
        assert judged(execution, 2).acted == "can't tell"
        assert is_instruction_word(execution, 1)

    def test_what_the_other_reading_needs_may_be_unknown(self) -> None:
        """BZ seen, JUMP expected: its address was never read and no reference tells it."""
        rows: list[Row] = [("fetch", 0x10, 0x5005), ("fetch", 0x16, 0), ("fetch", 0x17, 0)]
        assert judged(s16(rows, {0: 0x4000})).acted == "can't tell"
        assert judged(s16(rows, {0: 0x4000}, {0x11: 0x77})).acted == "wrong word"


class TestZ80:
    def test_halt_executes_nothing(self) -> None:
        """Zilog UM0080: in HALT the processor fetches on and on without executing. 76 HALT, 7E LD A,(HL)."""
        halted: list[Row] = [("fetch", 0x10, 0x76)] + [("fetch", 0x11, 0x3C)] * 5
        assert judged(by_hand(halted, {0: 0x7F}, instructions="z80")).acted == "wrong word"
        passed: list[Row] = [("fetch", 0x10, 0x76), ("fetch", 0x11, 0x3C), ("fetch", 0x12, 0x3C)]
        assert judged(by_hand(passed, {0: 0x7F}, instructions="z80")).acted == "right word"

    def test_a_prefix_in_doubt(self) -> None:
        """CB seen as 8B: whether the next fetch begins an instruction is open; with the operand it shows."""
        rows: list[Row] = [
            ("fetch", 0x10, 0x8B),
            ("fetch", 0x11, 0xAC),
            ("fetch", 0x12, 0),
            ("fetch", 0x13, 0),
        ]
        execution = by_hand(rows, {0: 0xCB, 1: 0xEC}, instructions="z80")
        assert judged(execution, 1).acted == "can't tell"

    def test_operands_are_not_fetched(self) -> None:
        """CB 40 (BIT 0,B) has two fetches; C3 (JP) has one and two reads."""
        rows: list[Row] = [
            ("fetch", 0x10, 0xC3), ("fetch", 0x11, 0x40), ("fetch", 0x12, 0), ("fetch", 0x13, 0),
        ]  # fmt: skip
        assert judged(by_hand(rows, {0: 0xCB}, instructions="z80")).acted == "right word"

    def test_conditional_return(self) -> None:
        """C9 RET, C0 RET NZ that is not taken: nothing is popped."""
        rows: list[Row] = [("fetch", 0x10, 0xC9), ("fetch", 0x11, 0), ("fetch", 0x12, 0)]
        found = judged(by_hand(rows, {0: 0xC0}, instructions="z80"))
        assert found.acted == "right word"
        assert "does a read, which did not follow" in found.reasons[0]


class Test6502:
    def test_clock_cycles_tell(self) -> None:
        """A9 LDA # takes 2 cycles, A5 LDA zero page 3 (MOS programming manual, appendix B; from memory)."""
        three: list[Row] = [("fetch", 0x10, 0xA5), ("read", 0x11, 7), ("read", 7, 1), ("fetch", 0x12, 0)]
        two: list[Row] = [("fetch", 0x10, 0xA5), ("read", 0x11, 7), ("fetch", 0x12, 0), ("fetch", 0x13, 0)]
        assert judged(by_hand(three, {0: 0xA9}, instructions="6502")).acted == "wrong word"
        found = judged(by_hand(two, {0: 0xA9}, instructions="6502"))
        assert found.acted == "right word"
        assert "takes 3 clock cycles, but 2 passed" in found.reasons[0]

    @pytest.mark.parametrize(("went", "acted"), [(0xE000, "wrong word"), (0xF000, "right word")])
    def test_the_reset_vector(self, went: int, acted: str) -> None:
        rows: list[Row] = [
            ("read", 0xFFFC, 0),
            ("read", 0xFFFD, 0xE0),
            ("fetch", went, 0xEA),
            ("read", went + 1, 0),
        ]
        found = judged(by_hand(rows, {1: 0xF0}, instructions="6502"), 1)
        assert (found.acted, found.went) == (acted, went)

    def test_a_code_that_nobody_documents_stays_open_after_an_interrupt(self) -> None:
        """EA NOP expected, 02 seen: pushes and another place are what an interrupt does too."""
        rows: list[Row] = [
            ("fetch", 0x10, 2), ("read", 0x11, 0), ("write", 0x1FF, 0), ("write", 0x1FE, 0),
            ("write", 0x1FD, 0), ("read", 0xFFFE, 0), ("read", 0xFFFF, 0x80),
            ("fetch", 0x8000, 0), ("fetch", 0x8001, 0),
        ]  # fmt: skip
        assert judged(by_hand(rows, {0: 0xEA}, instructions="6502")).acted == "can't tell"
        quiet: list[Row] = [("fetch", 0x10, 2), ("read", 0x11, 0), ("fetch", 0x77, 0), ("fetch", 0x78, 0)]
        assert judged(by_hand(quiet, {0: 0xEA}, instructions="6502")).acted == "wrong word"


I8086 = Processor(
    name="U1", word_bits=16, address_bits=20, address_unit="byte", recipe="8086-maximum", byte_order="little"
)
M68000 = Processor(
    name="U1", word_bits=16, address_bits=24, address_unit="byte", recipe="68000", byte_order="big"
)


class TestPrefetch:
    """8086: queue of six bytes (Intel 8086 Family User's Manual). EB dd JMP, 90 NOP, E9 JMP near."""

    @staticmethod
    def run(begin: int, *words: int) -> list[Row]:
        return [("fetch", begin + 2 * n, word) for n, word in enumerate(words)]

    def test_a_jump_that_was_not_taken(self) -> None:
        """Seen EB 10 where 40 10 (INC AX, then 10 ..) stood; fetches go on far past the queue."""
        rows = [*self.run(0x100, 0x10EB, *[0x9090] * 9), *self.run(0x400, 0x9090)]
        found = flow_evidence(by_hand(rows, {0: 0x9090}, instructions="8086", processor=I8086), 0)
        assert found.acted == "right word"
        assert "past the queue" in found.reasons[0]

    def test_a_jump_that_was_taken(self) -> None:
        rows = [*self.run(0x100, 0x10EB, 0x9090, 0x9090), *self.run(0x112, 0x9090, 0x9090)]
        found = flow_evidence(by_hand(rows, {0: 0x9090}, instructions="8086", processor=I8086), 0)
        assert (found.acted, found.went) == ("wrong word", 0x112)

    def test_another_jump_in_the_queue_hides_it(self) -> None:
        """C3 (RET) within the queue may have broken off the run as well."""
        rows = [*self.run(0x100, 0x10EB, 0x90C3, 0x9090), *self.run(0x112, 0x9090, 0x9090)]
        found = flow_evidence(by_hand(rows, {0: 0x9090}, instructions="8086", processor=I8086), 0)
        assert found.acted == "can't tell"

    def test_behind_a_jump_nothing_is_executed(self) -> None:
        rows = [*self.run(0x100, 0x10EB, 0x9090, 0x9090), *self.run(0x112, 0x9090, 0x9090)]
        found = flow_evidence(by_hand(rows, {1: 0x90C3}, instructions="8086", processor=I8086), 1)
        assert found.acted == "can't tell"
        assert "never executed" in found.reasons[0]

    def test_the_end_of_the_capture(self) -> None:
        rows = self.run(0x100, 0x10EB, 0x9090, 0x9090)
        found = flow_evidence(by_hand(rows, {0: 0x9090}, instructions="8086", processor=I8086), 0)
        assert found.acted == "can't tell"

    def test_68000_branch(self) -> None:
        """BRA.S is 60dd, NOP 4E71 (M68000 Programmer's Reference Manual; from memory)."""
        taken = [*self.run(0x1000, 0x6020, 0x4E71, 0x4E71), *self.run(0x1022, 0x4E71, 0x4E71)]
        found = flow_evidence(by_hand(taken, {0: 0x4E71}, instructions="68000", processor=M68000), 0)
        assert (found.acted, found.went) == ("wrong word", 0x1022)
        passed = [*self.run(0x1000, 0x6020, *[0x4E71] * 8), *self.run(0x1400, 0x4E71)]
        found = flow_evidence(by_hand(passed, {0: 0x4E71}, instructions="68000", processor=M68000), 0)
        assert found.acted == "right word"

    @pytest.mark.parametrize(("went", "acted"), [(0x1400, "wrong word"), (0x1000, "right word")])
    def test_68000_where_to_begin_after_reset(self, went: int, acted: str) -> None:
        """0 to 3 the stack pointer, 4 to 7 where to begin (M68000 User's Manual, reset; from memory)."""
        rows = [*self.run(0, 0x0001, 0x0000, 0x0000, 0x1400), *self.run(went, 0x4E71, 0x4E71)]
        execution = by_hand(rows, {3: 0x1000}, instructions="68000", processor=M68000)
        found = flow_evidence(execution, 3)
        assert (found.acted, found.went) == (acted, went)
        assert found.seen is not None and found.seen.text == "begin at 001400"
        assert is_instruction_word(execution, 3)

    def test_68000_stack_pointer_is_no_instruction(self) -> None:
        """60FE would be BRA to itself."""
        rows = [
            *self.run(0, 0x60FE, 0x0000, 0x0000, 0x0008),
            *self.run(8, 0x4E71, 0x6020),
            *self.run(0x2C, 0),
        ]
        found = flow_evidence(by_hand(rows, {0: 0x0001}, instructions="68000", processor=M68000), 0)
        assert found.acted == "can't tell" and "stack pointer" in found.reasons[0]
        code = flow_evidence(by_hand(rows, {5: 0x4E71}, instructions="68000", processor=M68000), 5)
        assert (code.acted, code.went) == (
            "wrong word",
            0x2C,
        )  # what follows the vectors is code all the same

    def test_68000_capture_that_ends_after_the_vectors(self) -> None:
        rows = self.run(0, 0x0001, 0x0000, 0x0000, 0x1400)
        found = flow_evidence(by_hand(rows, {3: 0x1000}, instructions="68000", processor=M68000), 3)
        assert found.acted == "can't tell" and "not wholly in the capture" in found.reasons[0]

    def test_unmarked(self) -> None:
        rows: list[Row] = [("read", 0x100, 0x10EB), ("read", 0x102, 0x9090)]
        found = flow_evidence(by_hand(rows, {0: 0x9090}, instructions="8086", processor=I8086), 0)
        assert found.acted == "can't tell"
        assert "status leads" in found.reasons[0]


class TestConsequence:
    @staticmethod
    def follow(rows: list[Row], expected: dict[int, int], row: int) -> Consequence:
        execution = s16(rows, expected)

        def mapped(bank: int, address: int) -> Place | None:
            return "rom" if address < 0x1000 else "ram" if 0x8000 <= address < 0x8400 else None

        return consequence(execution, flow_evidence(execution, row), mapped)

    def test_entry_never_reached_and_unmapped(self) -> None:
        rows: list[Row] = [("fetch", 0, 0x4000), ("read", 1, 0x2040)] + [
            ("fetch", 0x2040 + n, 0x0000) for n in range(5)
        ]
        found = self.follow(rows, {1: 0x0040}, 1)
        assert [event for event, _ in found.events] == ["entry", "unmapped"]
        assert "0040, which it never reached" in found.text
        assert "found at 2040, where no chip answers" in found.text

    def test_entry_reached_later(self) -> None:
        rows: list[Row] = [
            ("fetch", 0, 0x4000),
            ("read", 1, 0x0042),
            ("fetch", 0x42, 0),
            ("fetch", 0x43, 0x4000),
        ]
        rows += [("read", 0x44, 0x40), ("fetch", 0x40, 0), ("fetch", 0x41, 0)]
        assert "only in cycle 5" in self.follow(rows, {1: 0x0040}, 1).text

    def test_endless_loop(self) -> None:
        """BNZ to itself and NOP: the capture ends in it."""
        loop: list[Row] = [("fetch", 0x10, 0), ("fetch", 0x11, 0x51FE)]
        found = self.follow([("fetch", 0x0F, 0x0000), *loop * 40], {0: 0x0100}, 0)
        assert [event for event, _ in found.events][-1] == "loop"
        assert "2 instructions at 0010 to 0011, 40 times" in found.text
        left = [
            ("fetch", 0x0F, 0x0000),
            *loop * 40,
            ("fetch", 0x12, 0),
            ("fetch", 0x13, 0),
            ("fetch", 0x14, 0),
        ]
        assert "loop" not in [event for event, _ in self.follow(left, {0: 0x0100}, 0).events]

    def test_stop(self) -> None:
        rows: list[Row] = [("fetch", 0x10, 0x0000), ("fetch", 0x11, 0x0100)] + [("fetch", 0x11, 0x0100)] * 30
        found = self.follow(rows, {0: 0x0000 ^ 0x0400}, 0)
        assert ("stop", "In cycle 1 it executed HALT at 0011 and stopped.") in found.events

    def test_stack_disturbed(self) -> None:
        """CALL at 0 leaves 0002; the return goes to 0300."""
        rows: list[Row] = [
            ("fetch", 0, 0x4100), ("read", 1, 0x0100), ("write", 0x83FF, 2), ("write", 0x83FE, 0),
            ("fetch", 0x100, 0x0000), ("fetch", 0x101, 0x4200), ("read", 0x83FF, 0), ("read", 0x83FE, 0x300),
            ("fetch", 0x300, 0), ("fetch", 0x301, 0),
        ]  # fmt: skip
        found = self.follow(rows, {4: 0x0400}, 4)
        (said,) = [sentence for event, sentence in found.events if event == "stack"]
        assert "went to 0300" in said
        assert "left 0002" in said

    def test_ram_that_was_never_written(self) -> None:
        rows: list[Row] = [
            ("fetch", 0, 0x4000),
            ("read", 1, 0x8040),
            ("fetch", 0x8040, 0),
            ("fetch", 0x8041, 0),
        ]
        assert "RAM that had not been written" in self.follow(rows, {1: 0x0040}, 1).text
        written: list[Row] = [("write", 0x8040, 0), ("write", 0x8041, 0), *rows]
        assert "RAM" not in self.follow(written, {3: 0x0040}, 3).text

    def test_nothing_to_tell_where_it_acted_on_the_right_word(self) -> None:
        rows: list[Row] = [("fetch", 0, 0x4000), ("read", 1, 0x2040), ("fetch", 0x40, 0), ("fetch", 0x41, 0)]
        assert self.follow(rows, {1: 0x0040}, 1).events == ()
