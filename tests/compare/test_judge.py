"""Verdicts, counts and the memory map, with answers worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.bus.cycles import DOUBTFUL_BYTE, KIND_CODE, NO_TIME, Cycles
from wrongbit.compare import blocks
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.compare.summary import summarise
from wrongbit.compare.verdicts import AGREES, BASIS_RAM, BASIS_ROM, DIFFERS, NOT_KNOWN
from wrongbit.machine.recipe import Kind


def rom(
    name: str, lane: tuple[int, ...], contents: list[int], known: int | None = None, **more: object
) -> ChipMap:
    words = np.array(contents, np.uint64)
    full = (1 << len(lane)) - 1
    lines = tuple(range((len(contents) - 1).bit_length()))
    settings: dict[str, object] = {
        "name": name,
        "kind": "rom",
        "lane": lane,
        "address_lines": lines,
        "regions": (ChipRegion(None, 0, len(contents)),),
        "contents": words,
        "known": np.full(len(contents), full if known is None else known, np.uint64),
    }
    return ChipMap(**(settings | more))  # type: ignore[arg-type]


def ram(name: str, lane: tuple[int, ...], base: int, size: int) -> ChipMap:
    return ChipMap(
        name,
        "ram",
        lane,
        tuple(range((size - 1).bit_length())),
        (ChipRegion(None, base, size),),
        np.zeros(size, np.uint64),
        np.zeros(size, np.uint64),
    )


def table(*rows: tuple[Kind, int, int], known: int = 0xFFFF, address_known: int = 0xFF) -> Cycles:
    count = len(rows)
    return Cycles(
        sample=np.arange(count, dtype=np.int64),
        time_ps=np.full(count, NO_TIME),
        kind=np.array([KIND_CODE[kind] for kind, _, _ in rows], np.uint8),
        bank=np.zeros(count, np.int32),
        address=np.array([address for _, address, _ in rows], np.uint64),
        address_known=np.full(count, address_known, np.uint64),
        word=np.array([word & known for _, _, word in rows], np.uint64),
        known=np.full(count, known, np.uint64),
        held=np.zeros(count, np.uint64),
        flags=np.zeros(count, np.uint8),
    )


LOWER = rom("U7", tuple(range(8)), [0x11, 0x22, 0x33, 0x44])
UPPER = rom("U8", tuple(range(8, 16)), [0xAA, 0xBB, 0xCC, 0xDD])
PAIR = MemoryMap("U1", 16, 8, (LOWER, UPPER, ram("U9", tuple(range(16)), 0x80, 16)))


def test_two_byte_wide_chips_make_one_word() -> None:
    """Common practice, no source: bit n ≥ 8 belongs to the upper chip's output n − 8."""
    word, known = PAIR.expected(np.zeros(2, np.int32), np.array([0, 2], np.uint64))
    assert word.tolist() == [0xAA11, 0xCC33]
    assert known.tolist() == [0xFFFF, 0xFFFF]
    for bit in range(8, 16):
        assert int(UPPER.from_bus(np.array([1 << bit], np.uint64))[0]) == 1 << (bit - 8)


def test_rom_reads_agree_or_differ_and_the_bit_is_named() -> None:
    cycles = table(("fetch", 0, 0xAA11), ("fetch", 1, 0xBB22 ^ 0x0204), ("io_read", 1, 0), ("read", 9, 0))
    verdicts = judge(cycles, PAIR)
    assert verdicts.verdict.tolist() == [AGREES, DIFFERS, NOT_KNOWN, NOT_KNOWN]
    assert verdicts.wrong.tolist() == [0, 0x0204, 0, 0]
    assert verdicts.basis.tolist() == [BASIS_ROM, BASIS_ROM, 0, 0]
    summary = summarise(cycles, verdicts, PAIR)
    assert summary.first_wrong == 1
    assert (summary.reading, summary.agrees, summary.differs, summary.not_known) == (3, 1, 1, 1)
    assert summary.judged_share == 2 / 3
    by_bit = {count.bit: count for count in summary.bits}
    # 0xBB22 has bit 9 set and bit 2 clear.
    assert (by_bit[9].read_as_zero, by_bit[9].read_as_one, by_bit[9].chips) == (1, 0, ("U8", "U9"))
    assert (by_bit[2].read_as_zero, by_bit[2].read_as_one, by_bit[2].chips) == (0, 1, ("U7", "U9"))
    assert {count.name: count.wrong for count in summary.chips} == {"U7": 1, "U8": 1}
    assert summary.lines[0].wrong == (0, 1)
    assert summary.lines[0].judged == (1, 1)


def test_a_torn_reference_judges_only_what_it_has() -> None:
    torn = MemoryMap("U1", 16, 8, (rom("U7", tuple(range(8)), [0x11, 0x22], known=0x0F), UPPER))
    verdicts = judge(table(("read", 0, 0xAAF1), ("read", 0, 0xAA12)), torn)
    assert verdicts.verdict.tolist() == [AGREES, DIFFERS]
    assert verdicts.judged.tolist() == [0xFF0F, 0xFF0F]


def test_unknown_levels_and_unknown_addresses_are_not_judged() -> None:
    assert judge(table(("read", 0, 0x0011), known=0x00FF), PAIR).judged.tolist() == [0xFF]
    assert judge(table(("read", 0, 0xAA11), address_known=0x7F), PAIR).verdict.tolist() == [NOT_KNOWN]


def test_ram_is_judged_by_the_last_write_seen() -> None:
    cycles = table(
        ("read", 0x80, 1),
        ("write", 0x80, 0x1234),
        ("read", 0x80, 0x1234),
        ("write", 0x81, 7),
        ("write", 0x80, 0x5678),
        ("read", 0x80, 0x5679),
        ("read", 0x81, 7),
    )
    verdicts = judge(cycles, PAIR)
    assert verdicts.verdict.tolist() == [NOT_KNOWN, NOT_KNOWN, AGREES, NOT_KNOWN, NOT_KNOWN, DIFFERS, AGREES]
    assert verdicts.wrong.tolist()[5] == 1
    assert verdicts.basis.tolist()[5] == BASIS_RAM


def test_a_byte_write_leaves_the_other_byte_as_it_was() -> None:
    words = table(("write", 0x80, 0x1234), ("write", 0x80, 0xEE99), ("read", 0x80, 0x1299))
    bytewise = Cycles(**{**vars(words), "known": np.array([0xFFFF, 0x00FF, 0xFFFF], np.uint64)})
    verdicts = judge(bytewise, PAIR)
    assert verdicts.expected.tolist()[2] == 0x1299
    assert verdicts.verdict.tolist()[2] == AGREES


def test_a_write_whose_levels_were_not_seen_is_no_older_write() -> None:
    """The cell holds something new that nobody knows: what it held before is no expectation."""
    rows = table(("write", 0x80, 0x1234), ("write", 0x80, 0), ("read", 0x80, 0x5678), ("read", 0x81, 1))
    unseen = Cycles(**{**vars(rows), "known": np.array([0xFFFF, 0, 0xFFFF, 0xFFFF], np.uint64)})
    assert judge(unseen, PAIR).verdict.tolist()[2:] == [NOT_KNOWN, NOT_KNOWN]


def test_a_byte_that_may_not_have_moved_accuses_no_ram() -> None:
    """An 8086 without BHE: after a write to an even address nobody knows what the upper byte holds."""
    rows: list[tuple[Kind, int, int]] = [
        ("write", 0x80, 0x1234),  # word or lower byte
        ("read", 0x80, 0x5634),
        ("write", 0x80, 0x7700),  # upper byte for sure
        ("read", 0x80, 0x7834),  # word or lower byte
        ("read", 0x80, 0x7800),  # upper byte for sure
        ("write", 0x80, 0x9935),
        ("read", 0x80, 0x7700),
    ]
    known = np.array([0xFFFF, 0xFFFF, 0xFF00, 0xFFFF, 0xFF00, 0xFFFF, 0xFF00], np.uint64)
    flags = np.where(known == 0xFFFF, DOUBTFUL_BYTE << 1, 0).astype(np.uint8)
    cycles = replace(table(*rows), known=known, flags=flags)
    verdicts = judge(cycles, PAIR)
    assert verdicts.judged.tolist() == [0, 0xFF, 0, 0xFF, 0xFF00, 0, 0]
    assert verdicts.wrong.tolist() == [0, 0, 0, 0, 0x0F00, 0, 0]
    whole = judge(replace(cycles, flags=np.zeros(7, np.uint8)), PAIR)
    assert whole.wrong[[1, 3]].tolist() == [0x4400, 0x0F00]  # what BHE would have been needed for


def test_banks_and_inverted_outputs() -> None:
    first = rom("U1", tuple(range(8)), [1, 2], regions=(ChipRegion(0, 0x10, 2),))
    second = rom("U2", tuple(range(8)), [3, 4], regions=(ChipRegion(1, 0x10, 2),), inverted=True)
    both = MemoryMap("P", 8, 8, (first, second))
    word, _ = both.expected(np.array([0, 1, 2], np.int32), np.array([0x11, 0x11, 0x11], np.uint64))
    assert word.tolist() == [2, 0xFB, 0]
    unknown_bank = Cycles(**{**vars(table(("read", 0x11, 2), known=0xFF)), "bank": np.array([-1], np.int32)})
    assert judge(unknown_bank, both).verdict.tolist() == [NOT_KNOWN]


def test_without_the_bank_only_what_does_not_depend_on_it_is_judged() -> None:
    """Where the bank is not seen, a sound word of another bank is no wrong one; RAM in all banks stays."""
    low = rom("U1", tuple(range(8)), [1, 2], regions=(ChipRegion(0, 0x10, 2),))
    high = rom("U2", tuple(range(8)), [3, 4], regions=(ChipRegion(1, 0x10, 2),))
    common = rom("U3", tuple(range(8)), [5, 6], regions=(ChipRegion(None, 0x20, 2),))
    board = MemoryMap("P", 8, 8, (low, high, common, ram("U4", tuple(range(8)), 0x80, 16)))
    seen = table(
        ("read", 0x10, 3),
        ("read", 0x20, 5),
        ("read", 0x21, 7),
        ("write", 0x80, 9),
        ("read", 0x80, 9),
        ("read", 0x30, 1),
        known=0xFF,
    )
    cycles = Cycles(**{**vars(seen), "bank": np.full(len(seen), -1, np.int32)})
    verdicts = judge(cycles, board)
    assert verdicts.verdict.tolist() == [NOT_KNOWN, AGREES, DIFFERS, NOT_KNOWN, AGREES, NOT_KNOWN]
    why = summarise(cycles, verdicts, board).unjudged
    assert (why.no_address, why.nobody) == (1, 1)
    in_bank_0 = Cycles(**{**vars(seen), "bank": np.zeros(len(seen), np.int32)})
    assert judge(in_bank_0, board).verdict.tolist()[0] == DIFFERS


def test_ram_below_a_banked_rom_is_not_judged_without_the_bank() -> None:
    """It may have been the ROM that answered, with a word that was never written."""
    over = rom("U1", tuple(range(8)), [1, 2], regions=(ChipRegion(1, 0x80, 2),))
    board = MemoryMap("P", 8, 8, (over, ram("U4", tuple(range(8)), 0x80, 16)))
    rows = table(("write", 0x80, 9), ("read", 0x80, 1), ("write", 0x82, 9), ("read", 0x82, 1), known=0xFF)
    blind = Cycles(**{**vars(rows), "bank": np.full(4, -1, np.int32)})
    assert judge(blind, board).verdict.tolist() == [NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, DIFFERS]


def test_many_blocks_give_what_one_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks are judged by several threads; RAM is written in one and read in another."""
    random = np.random.default_rng(5)
    kinds: list[Kind] = ["read", "write", "fetch"]
    rows = [
        (kinds[kind], int(address), int(word))
        for kind, address, word in zip(
            random.integers(0, 3, 500),
            random.choice([0, 1, 3, 0x20, 0x80, 0x81, 0x8F], 500),
            random.choice([0xAA11, 0xBB22, 0x5678], 500),
            strict=True,
        )
    ]
    cycles = table(*rows)
    whole = judge(cycles, PAIR)
    assert set(whole.verdict.tolist()) == {NOT_KNOWN, AGREES, DIFFERS}
    monkeypatch.setattr(blocks, "BLOCK", 16)
    monkeypatch.setattr(blocks, "cores", lambda: 3)
    parts = judge(cycles, PAIR)
    for column in ("expected", "judged", "wrong", "verdict", "basis"):
        assert getattr(parts, column).tolist() == getattr(whole, column).tolist()
    assert summarise(cycles, parts, PAIR) == summarise(cycles, whole, PAIR)


def test_a_failure_in_a_thread_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "cores", lambda: 2)

    def work(part: slice) -> None:
        if part.start == 3 * blocks.BLOCK:
            raise ValueError("in the last block")

    with pytest.raises(ValueError, match="in the last block"):
        blocks.over_blocks(4 * blocks.BLOCK, work)


def test_a_lane_that_shows_what_the_lines_still_held_is_counted() -> None:
    cycles = table(("read", 0, 0xAA99), ("read", 1, 0xBB98))
    held = Cycles(**{**vars(cycles), "held": np.array([0x0099, 0x0099], np.uint64)})
    summary = summarise(held, judge(held, PAIR), PAIR)
    counts = {count.name: count for count in summary.chips}
    assert (counts["U7"].wrong, counts["U7"].held) == (2, 1)


def test_every_read_that_is_not_judged_has_its_reason() -> None:
    torn = MemoryMap("U1", 16, 8, (rom("U7", tuple(range(8)), [0x11, 0x22], known=0), *PAIR.chips[2:]))
    cycles = table(("read", 0, 5), ("read", 0x80, 6), ("read", 0x20, 6), ("read", 0x21, 9), ("io_read", 0, 0))
    cycles = Cycles(**{**vars(cycles), "held": np.array([0, 0, 6, 0, 0], np.uint64)})
    why = summarise(cycles, judge(cycles, torn), torn).unjudged
    assert (why.no_reference, why.unwritten, why.nobody, why.open_bus) == (1, 1, 2, 1)
    assert [count for count, _ in why.reasons()] == [2, 1, 1]
    blind = table(("read", 0, 0), address_known=0x7F)
    assert summarise(blind, judge(blind, PAIR), PAIR).unjudged.no_address == 1


@given(
    st.lists(
        st.tuples(
            st.booleans(), st.integers(0, 3), st.integers(0, 0xFFFF), st.sampled_from([0xFF, 0xFF00, 0xFFFF])
        ),
        max_size=60,
    )
)
def test_ram_against_a_dictionary(rows: list[tuple[bool, int, int, int]]) -> None:
    """Independent model: one dictionary of bytes, cycle after cycle."""
    cycles = table(*(("write" if w else "read", 0x80 + a, word) for w, a, word, _ in rows))
    strobes = np.array([mask for *_, mask in rows], np.uint64)
    cycles = Cycles(**{**vars(cycles), "known": strobes, "word": cycles.word & strobes})
    verdicts = judge(cycles, PAIR)
    memory: dict[tuple[int, int], int] = {}
    for row, (write, address, word, mask) in enumerate(rows):
        judged = wrong = 0
        for byte in (0, 1):
            bits = 0xFF << (8 * byte)
            if not mask & bits:
                continue
            if write:
                memory[address, byte] = word & bits
            elif (address, byte) in memory:
                judged |= bits
                wrong |= (memory[address, byte] ^ word) & bits
        assert (int(verdicts.judged[row]), int(verdicts.wrong[row])) == (judged, wrong)
