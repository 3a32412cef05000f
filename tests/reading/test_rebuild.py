"""Contents from several sources, against chips damaged at known places, and odds worked by hand."""

from __future__ import annotations

import csv
import io
import zlib
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, UNSETTLED, Cycles
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.reading.constraints import Constraint, algorithm_named, parse_constraint
from wrongbit.reading.readings import Reading
from wrongbit.reading.rebuild import (
    LIKELY,
    PROVEN,
    UNKNOWN,
    Rebuilt,
    Shape,
    image_of,
    map_text,
    rebuild,
)
from wrongbit.reading.sources import (
    CHECKSUM,
    DEFAULT_RATES,
    PARTNER,
    READING,
    TWIN,
    Source,
    bits_of,
    combine,
    from_bus,
    from_contents,
    from_counts,
    from_passes,
    through,
)
from wrongbit.reading.undo import Partner, parse_step, undo, undo_all

SIZE = 512
SHAPE = Shape(SIZE, 8)
TRUE = np.random.default_rng(11).integers(0, 256, SIZE, dtype=np.uint64)


def contents(words: np.ndarray, known: np.ndarray | int = 255) -> Contents:  # type: ignore[type-arg]
    words = np.asarray(words, np.uint64)
    mask = np.broadcast_to(np.asarray(known, np.uint64), words.shape).copy()
    return Contents(words & mask, mask, 8)


def readings(*passes: np.ndarray) -> tuple[Reading, ...]:  # type: ignore[type-arg]
    return tuple(Reading(contents(words), name=f"pass {number}") for number, words in enumerate(passes))


def passes_of(words: np.ndarray, count: int = 3) -> Source:  # type: ignore[type-arg]
    return from_passes(readings(*[words] * count), "reading", "readings")


def crc_of(words: np.ndarray) -> Constraint:  # type: ignore[type-arg]
    return Constraint(algorithm_named("CRC-32"), 0, len(words), zlib.crc32(words.astype(np.uint8).tobytes()))


def never_wrong(rebuilt: Rebuilt, true: np.ndarray) -> None:  # type: ignore[type-arg]
    """Every bit that is called known is right."""
    assert not ((rebuilt.contents.words ^ true) & rebuilt.contents.known).any()


# -- odds --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reads", [40, 5_000, 60_000])
def test_a_steady_level_is_as_sure_however_often_a_loop_read_it(reads: int) -> None:
    odds = from_counts(np.array([[0, reads]]), np.full((1, 2), reads), noise=1e-4)
    assert odds.tolist() == [[pytest.approx(-34.5, abs=0.1), pytest.approx(34.5, abs=0.1)]]


def test_common_causes_are_what_bayes_rule_says_over_all_cases() -> None:
    """One pass, a capture and a twin: the same as summing over every combination of true bit and errors."""
    rates, noise = DEFAULT_RATES, 0.01
    seen = {"reading": 1, "bus": 1, "twin": 0}
    chance = {0: 0.0, 1: 0.0}
    for true, chip, reader, bus, twin in product((0, 1), repeat=5):
        held = true ^ chip
        weight = 0.5 * np.prod(
            [
                rate if flag else 1 - rate
                for flag, rate in (
                    (chip, rates.chip), (reader, rates.reader), (bus, rates.bus), (twin, rates.twin),
                )
            ]
        )  # fmt: skip
        for kind, shown in (("reading", held ^ reader), ("bus", held ^ bus), ("twin", true ^ twin)):
            weight *= 1 - noise if shown == seen[kind] else noise
        chance[true] += float(weight)
    odds = np.log((1 - noise) / noise)
    sources = [
        Source(kind, kind, np.full((1, 1), odds if level else -odds, np.float32), np.zeros((1, 1), np.bool_))  # type: ignore[arg-type]
        for kind, level in seen.items()
    ]
    ours = float(combine(sources, (1, 1))[0, 0])
    assert ours == pytest.approx(np.log(chance[1] / chance[0]), abs=1e-4)


def test_no_number_of_passes_proves_more_than_the_chip_allows() -> None:
    one, many = (rebuild(SHAPE, [passes_of(TRUE, count)]) for count in (2, 200))
    for rebuilt in (one, many):
        assert rebuilt.count(LIKELY) == SIZE * 8
        assert rebuilt.confidence.max() <= 1 - DEFAULT_RATES.chip
    never_wrong(many, TRUE)


@given(st.floats(-50, 50), st.floats(1e-6, 0.4))
def test_a_channel_weakens_and_keeps_its_side(odds: float, error: float) -> None:
    after = float(through(np.array([odds], np.float32), error)[0])
    assert abs(after) <= abs(odds) + 1e-5
    assert abs(after) <= np.log((1 - error) / error) + 1e-4
    assert np.sign(after) in (0, np.sign(odds))


def test_two_sources_of_different_origin_prove() -> None:
    twin = from_passes(readings(TRUE), "twin", "twin")
    rebuilt = rebuild(SHAPE, [passes_of(TRUE), twin])
    assert rebuilt.count(PROVEN) == SIZE * 8
    assert (rebuilt.contents.words == TRUE).all()
    assert set(np.unique(rebuilt.provenance)) == {READING | TWIN}
    assert rebuilt.complete
    assert not rebuilt.conflicts


def test_a_contradiction_is_shown_and_not_averaged() -> None:
    """A reading and a twin disagree in two bits of one word: unknown there, and both are quoted."""
    other = TRUE.copy()
    other[77] ^= 0x21
    rebuilt = rebuild(SHAPE, [passes_of(TRUE), from_passes(readings(other), "twin", "twin 1")])
    assert rebuilt.count(UNKNOWN) == 2
    assert not rebuilt.complete
    (conflict,) = rebuilt.conflicts
    assert (conflict.address, conflict.mask) == (77, 0x21)
    assert conflict.says == (
        ("readings", int(TRUE[77]) & 0x21, 0x21),
        ("twin 1", int(other[77]) & 0x21, 0x21),
    )
    assert int(rebuilt.contents.known[77]) == 0xDE
    # A listing as third witness decides, and the contradiction is still told.
    third = rebuild(
        SHAPE,
        [
            passes_of(TRUE),
            from_passes(readings(other), "twin", "twin 1"),
            from_contents(contents(TRUE), "listing", "listing"),
        ],
    )
    assert third.complete
    assert len(third.conflicts) == 1
    never_wrong(third, TRUE)


# -- checksums ---------------------------------------------------------------------------------------------


def test_faded_bits_come_back_by_crc_and_say_how_sure() -> None:
    """Ten bits that waver evenly: unknown without the CRC, settled with it."""
    worn = TRUE.copy()
    places = np.random.default_rng(5).choice(SIZE * 8, 10, replace=False)
    for place in places:
        worn[place // 8] ^= np.uint64(1 << place % 8)
    source = from_passes(readings(TRUE, worn), "reading", "readings")
    assert rebuild(SHAPE, [source]).count(UNKNOWN) == 10
    rebuilt = rebuild(SHAPE, [source], constraints=[crc_of(TRUE)])
    assert rebuilt.complete
    assert (rebuilt.contents.words == TRUE).all()
    assert rebuilt.solved is not None
    assert rebuilt.solved.count == 1
    # 32 check bits less 10 unknown ones: 22 are spare, so that all is wrong together once in 4 million.
    assert rebuilt.count(PROVEN) == SIZE * 8
    assert rebuilt.confidence.min() == pytest.approx(1 - 2.0**-22, abs=1e-8)
    assert (rebuilt.provenance & CHECKSUM).all()


def test_bits_settled_without_spare_check_bits_are_not_called_proven() -> None:
    """A whole byte unknown under an 8-bit sum: settled, but no check is left that the rest is right."""
    source = from_passes([Reading(contents(TRUE, np.where(np.arange(SIZE) == 9, 0, 255)))], "reading", "r")
    total = int(TRUE.sum()) % 256
    rebuilt = rebuild(SHAPE, [source], constraints=[parse_constraint(f"sum8 = {total}", SIZE)])
    assert rebuilt.solved is not None
    assert (rebuilt.solved.count, rebuilt.solved.parts[0].spare) == (1, 0)
    assert int(rebuilt.guess[9]) == int(TRUE[9])
    # The other 511 bytes are each likely only, and all of them right together is not: it stays unknown.
    assert (rebuilt.classes[9] == UNKNOWN).all()
    twin = from_passes(readings(np.where(np.arange(SIZE) == 9, 0, TRUE)), "twin", "t")
    twin = Source("twin", "t", np.where(np.arange(SIZE)[:, None] == 9, 0, twin.odds), twin.wavers)
    surer = rebuild(SHAPE, [source, twin], constraints=[parse_constraint(f"sum8 = {total}", SIZE)])
    assert (surer.classes[9] >= LIKELY).all()
    assert int(surer.contents.words[9]) == int(TRUE[9])


def test_one_steady_wrong_bit_is_found_by_a_crc_and_turned() -> None:
    """4096 bits, one wrong in every pass: 32 check bits less 1 less log2(4095) leave 19 to spare."""
    wrong = TRUE.copy()
    wrong[300] ^= 0x10
    rebuilt = rebuild(SHAPE, [passes_of(wrong)], constraints=[crc_of(TRUE)])
    assert rebuilt.complete
    assert (rebuilt.contents.words == TRUE).all()
    assert "Bit 4 of 0x12C" in rebuilt.notes[0]
    assert rebuilt.confidence[300, 4] == pytest.approx(1 - 2.0 ** -(31 - 12), abs=1e-6)


def test_one_steady_wrong_bit_beside_unknown_ones_is_found_as_well() -> None:
    """A third of worn cells read wrong in every pass: with 9 unknown bits the CRC still has 10 to spare."""
    wrong = TRUE.copy()
    wrong[300] ^= 0x10
    known = np.full(SIZE, 255, np.uint64)
    known[np.arange(9) * 50] = 0xBF
    source = from_passes([Reading(contents(wrong, known))] * 3, "reading", "r")
    rebuilt = rebuild(SHAPE, [source], constraints=[crc_of(TRUE)])
    assert rebuilt.complete
    assert (rebuilt.contents.words == TRUE).all()
    assert rebuilt.count(PROVEN) == 0  # 10 spare bits are 1 in 1000, no proof
    # With 14 there are 5: too few to turn a bit that was read so in every pass, although no other one fits.
    known = np.full(SIZE, 255, np.uint64)
    known[np.arange(14) * 30] = 0xBF
    source = from_passes([Reading(contents(wrong, known))] * 3, "reading", "r")
    rebuilt = rebuild(SHAPE, [source], constraints=[crc_of(TRUE)])
    assert rebuilt.flips == ((300, 4),)
    assert not rebuilt.complete
    # With 20 unknown bits none would be to spare: told, not turned.
    known = np.full(SIZE, 255, np.uint64)
    known[np.arange(20) * 20] = 0xBF
    source = from_passes([Reading(contents(wrong, known))] * 3, "reading", "r")
    rebuilt = rebuild(SHAPE, [source], constraints=[crc_of(TRUE)])
    assert not rebuilt.complete
    assert (300, 4) in rebuilt.flips
    never_wrong(rebuilt, wrong)


def test_a_sum_that_does_not_hold_is_told_with_the_bits_that_would_explain_it() -> None:
    """Too many bits explain an 8-bit sum that is off by 16: none is turned."""
    wrong = TRUE.copy()
    wrong[300] ^= 0x10
    rebuilt = rebuild(
        SHAPE, [passes_of(wrong)], constraints=[parse_constraint(f"sum8 = {int(TRUE.sum()) % 256}", SIZE)]
    )
    assert rebuilt.solved is not None
    assert rebuilt.solved.conflict == (0,)
    assert not rebuilt.complete
    assert rebuilt.count(PROVEN) == 0
    assert (rebuilt.contents.words == wrong).all()
    with pytest.raises(ImageError, match="do not hold"):
        image_of(rebuilt)


def test_bits_that_wavered_are_taken_as_unknown_when_nothing_else_explains() -> None:
    """Eight of nine passes read one bit wrong: likely, and wrong. The CRC finds it."""
    wrong = TRUE.copy()
    wrong[40] ^= 0x80
    source = from_passes(readings(*[wrong] * 8, TRUE), "reading", "readings")
    alone = rebuild(SHAPE, [source], constraints=[crc_of(wrong)])
    assert (alone.contents.words == wrong).all()
    rebuilt = rebuild(SHAPE, [source], constraints=[crc_of(TRUE)])
    assert rebuilt.complete
    assert (rebuilt.contents.words == TRUE).all()


@pytest.mark.debian
def test_a_worn_option_rom_comes_back_bit_for_bit() -> None:
    """seabios's VGA ROM in a worn chip: 0s fade to 1 in some passes; sum rule (PnP BIOS 1.0A) and CRC."""
    path = Path("/usr/share/seabios/vgabios-stdvga.bin")
    if not path.exists():
        pytest.skip("Debian's seabios is not installed")
    data = np.frombuffer(path.read_bytes(), np.uint8)
    draw = np.random.default_rng(12)
    zeros = np.flatnonzero((np.unpackbits(data[:, None], axis=1, bitorder="little") == 0).reshape(-1))
    weak = draw.choice(zeros[zeros > 24], 18, replace=False)
    passes = []
    for _ in range(4):
        words = data.astype(np.uint64)
        for place in weak[draw.random(len(weak)) < 0.5]:
            words[place // 8] |= np.uint64(1 << place % 8)
        passes.append(words)
    source = from_passes(readings(*passes), "reading", "readings")
    shape = Shape(len(data), 8)
    rule = parse_constraint("option-rom", len(data), passes[0].astype(np.uint8).tobytes())
    crc = Constraint(algorithm_named("CRC-32"), 0, len(data), zlib.crc32(data.tobytes()))
    rebuilt = rebuild(shape, [source], constraints=[rule, crc])
    assert rebuilt.complete
    assert rebuilt.contents.words.astype(np.uint8).tobytes() == data.tobytes()
    # With the rule alone there are many solutions, and what is called known is still right.
    less = rebuild(shape, [source], constraints=[rule])
    assert less.solved is not None
    assert less.solved.count is not None
    assert less.solved.count > 1
    never_wrong(less, data.astype(np.uint64))


# -- faults taken back -------------------------------------------------------------------------------------


def read_through(step: str) -> np.ndarray:  # type: ignore[type-arg]
    """What a reader shows, by a wiring model of the test's own: lines as lists of bits."""
    words = []
    what, *lines = step.split()
    numbers = [int(line[1:]) for line in lines if len(line) > 1 and line[1:].isdigit()]
    for address in range(SIZE):
        a = [address >> k & 1 for k in range(9)]
        if lines[0][0] == "A":
            damage(what, numbers, lines, a)
        word = int(TRUE[sum(level << k for k, level in enumerate(a))])
        d = [word >> k & 1 for k in range(8)]
        if lines[0] == "D":
            d = [1 - level for level in d]
        elif lines[0][0] == "D":
            damage(what, numbers, lines, d)
        words.append(sum(level << k for k, level in enumerate(d)))
    return np.array(words, np.uint64)


def damage(what: str, numbers: list[int], lines: list[str], levels: list[int]) -> None:
    high = lines[-1] == "high"
    first, second = numbers[0], numbers[-1]
    if what == "swap":
        levels[first], levels[second] = levels[second], levels[first]
    elif what == "invert":
        levels[first] ^= 1
    elif what == "stuck":
        levels[first] = int(high)
    else:
        both = levels[first] | levels[second] if high else levels[first] & levels[second]
        levels[first] = levels[second] = both


@pytest.mark.parametrize(
    "step", ["swap A3 A7", "swap D0 D6", "invert A8", "invert A0", "invert D5", "invert D"]
)
def test_what_loses_nothing_is_taken_back_whole(step: str) -> None:
    read = read_through(step)
    assert (read != TRUE).any()
    undone = undo(contents(read), [parse_step(step, 8, SIZE)])
    assert (undone.contents.words == TRUE).all()
    assert (undone.contents.known == 255).all()
    assert undone.notes == (f"{step}: taken back.",)


@pytest.mark.parametrize(
    ("step", "known_words", "lost_bits"),
    [
        ("stuck A4 low", 256, 256 * 8),
        ("stuck A8 high", 256, 256 * 8),
        ("bridge A2 A3", 256, 256 * 8),
        ("bridge A2 A3 high", 256, 256 * 8),
        ("stuck D3 high", 512, 512),
    ],
)
def test_what_loses_bits_says_so_and_the_rest_is_right(step: str, known_words: int, lost_bits: int) -> None:
    """One address line without effect halves what is reached; of two bridged, 00 and 11 are reached."""
    undone = undo(contents(read_through(step)), [parse_step(step, 8, SIZE)])
    assert not ((undone.contents.words ^ TRUE) & undone.contents.known).any()
    assert np.count_nonzero(undone.contents.known) == known_words
    assert int(np.bitwise_count(undone.contents.known).sum()) == SIZE * 8 - lost_bits
    assert undone.notes[-1].endswith(f"{lost_bits} bits are lost.")


def test_steps_that_do_not_fit_are_seen_in_the_words() -> None:
    """The reading is sound, so that a line claimed to have no effect shows contradictions."""
    undone = undo(contents(TRUE), [parse_step("stuck A4 low", 8, SIZE)])
    assert "differ; not known" in undone.notes[0]


@pytest.mark.parametrize(("level", "twin_known"), [("low", 0x06), ("high", 0x06), ("low", 0x02)])
def test_a_bridged_pair_is_told_apart_where_the_other_bit_is_known(level: str, twin_known: int) -> None:
    """Wired AND: 1 means both are 1; 0 with the partner known to be 1 means this one is 0. OR: mirrored."""
    step = f"bridge D1 D2 {level}"
    bench = undo_all(readings(*[read_through(step)] * 3), [parse_step(step, 8, SIZE)])
    source = from_passes(bench.readings, "reading", "readings")
    alone = rebuild(SHAPE, [source], partners=bench.partners)
    never_wrong(alone, TRUE)
    read = read_through(step) >> np.uint64(1) & np.uint64(1)
    losing = int(np.count_nonzero(read == (0 if level == "high" else 1)))
    assert alone.count(UNKNOWN) == 2 * (SIZE - losing)
    # Another source gives D1 only: D2 follows where D1 has the losing level.
    listing = from_contents(contents(TRUE, 0x02), "listing", "listing")
    both = rebuild(SHAPE, [source, listing], partners=bench.partners)
    never_wrong(both, TRUE)
    d1 = bits_of(TRUE, 8)[:, 1]
    follows = (read == (1 if level == "high" else 0)) & (d1 == (0 if level == "high" else 1))
    assert follows.any()
    assert (both.classes[follows, 2] >= LIKELY).all()
    assert (both.provenance[follows, 2] & PARTNER).all()
    open_ = (read == (1 if level == "high" else 0)) & ~follows
    assert (both.classes[open_, 2] == UNKNOWN).all()


def test_a_partner_says_what_bayes_rule_says_over_all_cases() -> None:
    """Wired AND read as 0, the other bit known by a listing: summed over both bits and a wrong reading."""
    wrong = DEFAULT_RATES.reader + DEFAULT_RATES.chip
    listed = 1 - DEFAULT_RATES.listing
    chance = {0: 0.0, 1: 0.0}
    for mine, other, error in product((0, 1), repeat=3):
        if (mine & other) ^ error == 0:
            chance[mine] += (listed if other else 1 - listed) * (wrong if error else 1 - wrong)
    listing = from_contents(Contents(np.array([2], np.uint64), np.array([2], np.uint64), 2), "listing", "l")
    partner = Partner(0, 1, 0, np.array([0]))
    rebuilt = rebuild(Shape(1, 2), [listing], partners=[partner])
    assert int(rebuilt.guess[0]) == 2
    assert rebuilt.confidence[0, 0] == pytest.approx(chance[0] / (chance[0] + chance[1]), rel=1e-5)


def test_a_pass_that_shows_the_losing_level_closes_the_question_for_all() -> None:
    read = read_through("bridge D1 D2")
    other = read.copy()
    one = int(np.flatnonzero((read & np.uint64(6)) == 6)[0])
    other[one] &= np.uint64(0xF9)
    bench = undo_all(readings(read, other), [parse_step("bridge D1 D2", 8, SIZE)])
    assert one not in bench.partners[0].address
    assert len(bench.partners[0].address) == np.count_nonzero((read & np.uint64(6)) == 0)


def test_order_of_steps_does_not_matter() -> None:
    read = read_through("swap A3 A7")
    twisted = (
        (read & np.uint64(0xFC))
        | (read >> np.uint64(1) & np.uint64(1))
        | (read << np.uint64(1) & np.uint64(2))
    )
    steps = [parse_step(text, 8, SIZE) for text in ("swap A3 A7", "swap D0 D1")]
    for order in (steps, steps[::-1]):
        assert (undo(contents(twisted), order).contents.words == TRUE).all()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("swap A3", "Write"),
        ("swap A3 D4", "Write"),
        ("swap A3 A3", "same line twice"),
        ("swap A3 A9", "there is no line A9"),
        ("stuck D8", "D0 to D7"),
        ("stuck A3", "at which level"),
        ("invert A", "Write"),
        ("melt D0", "Write"),
    ],
)
def test_a_wrong_step_is_told(text: str, told: str) -> None:
    with pytest.raises(Exception, match=told):
        parse_step(text, 8, SIZE)


# -- what a capture saw ------------------------------------------------------------------------------------


def bus_map(*, inverted: bool = False) -> MemoryMap:
    """A chip on bits 8 to 15, from 0x1000 on; a RAM overlays its last 16 words in bank 1."""
    none = np.zeros(SIZE, np.uint64)
    rom = ChipMap(
        "U1",
        "rom",
        tuple(range(8, 16)),
        tuple(range(9)),
        (ChipRegion(None, 0x1000, SIZE),),
        none,
        none,
        inverted,
    )
    ram = ChipMap(
        "U2", "ram", tuple(range(16)), (0, 1, 2, 3), (ChipRegion(1, 0x11F0, 16),), none[:16], none[:16]
    )
    return MemoryMap("P", 16, 16, (rom, ram))


def cycles_of(address: np.ndarray, word: np.ndarray, **columns: np.ndarray) -> Cycles:  # type: ignore[type-arg]
    n = len(address)
    full = np.full(n, 0xFFFF, np.uint64)
    values = {
        "sample": np.arange(n),
        "time_ps": np.full(n, NO_TIME),
        "kind": np.full(n, KIND_CODE["read"], np.uint8),
        "bank": np.zeros(n, np.int32),
        "address": address.astype(np.uint64),
        "address_known": full,
        "word": word.astype(np.uint64),
        "known": full,
        "held": np.zeros(n, np.uint64),
        "flags": np.zeros(n, np.uint8),
    }
    return Cycles(**(values | columns))


@pytest.mark.parametrize("inverted", [False, True])
def test_words_on_the_bus_are_this_chips_lane_and_address(inverted: bool) -> None:
    memory_map = bus_map(inverted=inverted)
    cell = np.array([0, 5, 5, 500, 300])
    lane = TRUE[cell] ^ np.uint64(255 if inverted else 0)
    columns = {
        "bank": np.array([0, 0, 0, 1, 0], np.int32),  # the fourth is the RAM's
        "flags": np.array([0, 0, 0, 0, UNSETTLED], np.uint8),  # the fifth had not settled
    }
    source = from_bus(
        cycles_of(0x1000 + cell, lane << np.uint64(8), **columns), memory_map, memory_map.chips[0], "c"
    )
    seen = np.flatnonzero((source.odds != 0).any(axis=1))
    assert seen.tolist() == [0, 5]
    assert ((source.odds[seen] > 0) == (bits_of(TRUE[seen], 8) == 1)).all()
    assert (np.abs(source.odds[5]) > np.abs(source.odds[0])).all()  # seen twice


def test_words_that_changed_on_the_bus_waver() -> None:
    memory_map = bus_map()
    address = np.full(2, 0x1003)
    word = np.array([TRUE[3] << np.uint64(8), (TRUE[3] ^ np.uint64(4)) << np.uint64(8)])
    source = from_bus(cycles_of(address, word), memory_map, memory_map.chips[0], "capture")
    assert np.argwhere(source.wavers).tolist() == [[3, 2]]
    assert source.odds[3, 2] == 0


# -- words wider than a byte, files, maps ------------------------------------------------------------------


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_wide_chip_under_a_crc_of_its_bytes(order: str) -> None:
    true = np.random.default_rng(3).integers(0, 1 << 16, 64, dtype=np.uint64)
    raw = true.astype("<u2" if order == "little" else ">u2").tobytes()
    known = np.full(64, 0xFFFF, np.uint64)
    known[[7, 30]] = [0x0FFF, 0xFF7E]
    source = from_passes([Reading(Contents(true & known, known, 16))], "reading", "r")
    shape = Shape(64, 16, order)  # type: ignore[arg-type]
    assert shape.byte_count == 128
    crc = Constraint(algorithm_named("CRC-32"), 0, 128, zlib.crc32(raw))
    rebuilt = rebuild(shape, [source], constraints=[crc])
    assert rebuilt.complete
    assert (rebuilt.contents.words == true).all()


def test_words_not_made_of_bytes_take_no_checksum() -> None:
    source = from_passes(
        [Reading(Contents(np.zeros(4, np.uint64), np.full(4, 1023, np.uint64), 10))], "reading", "r"
    )
    assert rebuild(Shape(4, 10), [source]).complete
    with pytest.raises(ImageError, match="not made of bytes"):
        rebuild(Shape(4, 10), [source], constraints=[parse_constraint("sum8 = 0", 4)])


def test_narrow_words_are_a_byte_each() -> None:
    """A 4-bit PROM: common practice, a file has a byte for each word."""
    true = np.arange(16, dtype=np.uint64)
    known = np.full(16, 15, np.uint64)
    known[9] = 0
    source = from_passes([Reading(Contents(true & known, known, 4))], "reading", "r")
    rebuilt = rebuild(Shape(16, 4), [source], constraints=[parse_constraint("sum8 = 120", 16)])
    assert int(rebuilt.guess[9]) == 9
    assert rebuilt.solved is not None
    assert rebuilt.solved.count == 1


def test_unknown_bits_are_refused_or_marked() -> None:
    known = np.full(SIZE, 255, np.uint64)
    known[200] = 0xF0
    source = from_passes([Reading(contents(TRUE, known))], "reading", "r")
    rebuilt = rebuild(SHAPE, [source])
    with pytest.raises(ImageError, match=r"4 bits are unknown, the first at 0xC8"):
        image_of(rebuilt)
    image = image_of(rebuilt, allow_unknown=True)
    assert (image.known == 255).all()
    assert int(image.words[200]) == int(TRUE[200]) & 0xF0 | 0x0F
    assert "4 bits are unknown" in image.notes[0]


def test_the_map_is_a_table_of_every_word() -> None:
    known = np.full(SIZE, 255, np.uint64)
    known[200] = 0xF0
    other = TRUE.copy()
    other[3] ^= 1
    twin = from_passes(readings(other), "twin", "twin")
    text = map_text(rebuild(SHAPE, [from_passes([Reading(contents(TRUE, known))], "reading", "r"), twin]))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == SIZE
    assert rows[0] | {"confidence": ""} == {
        "address": "0x0",
        "word": f"{int(TRUE[0]):02X}",
        "known mask": "FF",
        "proven mask": "FF",
        "class": "proven",
        "confidence": "",
        "sources": "reading+twin",
        "conflict mask": "00",
    }
    assert (rows[3]["class"], rows[3]["known mask"], rows[3]["conflict mask"]) == ("unknown", "FE", "01")
    assert (rows[200]["class"], rows[200]["proven mask"]) == ("likely", "F0")
