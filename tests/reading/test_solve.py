"""Unknown bits from checksums, against trying everything, z3, and real ROM files with a published rule."""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Callable
from pathlib import Path

import crccheck.crc as reference
import numpy as np
import pytest
import z3
from hypothesis import given, settings
from hypothesis import strategies as st

from wrongbit.errors import UsageError
from wrongbit.image.checksums import ALGORITHMS
from wrongbit.reading import solve as solving
from wrongbit.reading.constraints import Constraint, algorithm_named, crc_columns, parse_constraint
from wrongbit.reading.solve import Solved, single_flips, solve

Bytes = np.ndarray[tuple[int], np.dtype[np.uint8]]


def forget(data: Bytes, places: list[int]) -> Bytes:
    """A mask of known bits that lacks these bits, counted from the first byte's lowest."""
    known = np.full(len(data), 255, np.uint8)
    for place in places:
        known[place // 8] &= 255 ^ (1 << place % 8)
    return known


def every_solution(
    data: Bytes, known: Bytes, obeys: Callable[[bytes], bool], places: list[int]
) -> list[tuple[int, ...]]:
    """All assignments of the unknown bits that a predicate accepts, by trying each."""
    found = []
    for values in itertools.product((0, 1), repeat=len(places)):
        attempt = data & known
        for place, value in zip(places, values, strict=True):
            attempt[place // 8] |= value << place % 8
        if obeys(attempt.tobytes()):
            found.append(values)
    return found


def check_against(solved: Solved, found: list[tuple[int, ...]], probability: np.ndarray) -> None:  # type: ignore[type-arg]
    """Count, bits that are settled, probabilities, and the best, all beside the list of solutions."""
    assert bool(solved.conflict) == (not found)
    assert solved.count == len(found)
    if not found:
        assert solved.best is None
        return
    table = np.array(found).reshape(len(found), len(probability))
    weight = np.where(table == 1, probability, 1 - probability).prod(axis=1)
    weight /= weight.sum()
    same = (table == table[0]).all(axis=0)
    assert solved.forced.tolist() == np.where(same, table[0], -1).tolist()
    assert solved.weighed.all()
    np.testing.assert_allclose(solved.probability, weight @ table, atol=1e-9)
    assert solved.best is not None
    assert tuple(solved.best.tolist()) in found
    np.testing.assert_allclose(weight[found.index(tuple(solved.best.tolist()))], weight.max())
    np.testing.assert_allclose(solved.best_probability, weight.max())


# -- columns of CRCs ---------------------------------------------------------------------------------------

# Names in crccheck, an independent implementation of Cook's catalogue.
CRC_NAMES = {
    "CRC-8/SMBUS": "Crc8Smbus",
    "CRC-16/ARC": "Crc16Arc",
    "CRC-16/MODBUS": "Crc16Modbus",
    "CRC-16/IBM-3740": "Crc16Ibm3740",
    "CRC-16/XMODEM": "Crc16Xmodem",
    "CRC-16/KERMIT": "Crc16Kermit",
    "CRC-16/X-25": "Crc16IbmSdlc",
    "CRC-16/GENIBUS": "Crc16Genibus",
    "CRC-32": "Crc32IsoHdlc",
    "CRC-32/BZIP2": "Crc32Bzip2",
    "CRC-32/MPEG-2": "Crc32Mpeg2",
    "CRC-32/CKSUM": "Crc32Cksum",
}


@pytest.mark.parametrize("row", [row for row in ALGORITHMS if row.crc is not None], ids=lambda row: row.name)
def test_columns_are_what_crccheck_says_a_flipped_bit_does(row: object) -> None:
    compute = getattr(reference, CRC_NAMES[row.name]).calc  # type: ignore[attr-defined]
    draw = np.random.default_rng(4)
    data = draw.integers(0, 256, 700, dtype=np.uint8)
    places = np.array([0, 1, 17, 511, 512, 698, 699])
    bits = np.array([0, 7, 3, 5, 1, 0, 7])
    columns = crc_columns(row.crc, row.width, 699 - places, (1 << bits).astype(np.uint8))  # type: ignore[attr-defined]
    for place, bit, column in zip(places, bits, columns, strict=True):
        flipped = data.copy()
        flipped[place] ^= 1 << bit
        assert compute(data.tobytes()) ^ compute(flipped.tobytes()) == int(column)


# -- against trying everything -----------------------------------------------------------------------------


@st.composite
def problems(draw: st.DrawFn) -> tuple[Bytes, list[int], list[Constraint], np.ndarray]:  # type: ignore[type-arg]
    """A few bytes, some of whose bits are unknown, and constraints that the bytes obey or not."""
    data = np.frombuffer(draw(st.binary(min_size=3, max_size=9)), np.uint8).copy()
    if draw(st.booleans()):
        data[:] = draw(st.sampled_from([0, 255]))  # the two zeros of the one's complement
    places = sorted(draw(st.sets(st.integers(0, len(data) * 8 - 1), max_size=9)))
    if draw(st.booleans()):
        data &= forget(data, places)
    constraints = []
    for _ in range(draw(st.integers(1, 3))):
        row = draw(st.sampled_from([row for row in ALGORITHMS if row.width // 8 <= len(data)]))
        first = draw(st.integers(0, len(data) - 1))
        end = draw(st.integers(first + 1, len(data)))
        if draw(st.booleans()):
            value = row.compute(data[first:end].tobytes())
            if draw(st.integers(0, 3)) == 0:
                value = draw(st.sampled_from([0, (1 << row.width) - 1, value ^ 1]))
            constraints.append(Constraint(row, first, end, value))
        else:
            stored = draw(st.integers(0, len(data) - row.width // 8))
            order = draw(st.sampled_from(["little", "big"]))
            constraints.append(Constraint(row, first, end, stored=stored, order=order))
    chances = draw(st.lists(st.floats(0.01, 0.99), min_size=len(places), max_size=len(places)))
    return data, places, constraints, np.array(chances)


@pytest.mark.parametrize("cheap", [solving.CHEAP_BITS, -1], ids=["all tried", "by residues"])
def test_small_problems_against_every_assignment(cheap: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two ways of ours, each against the checksums themselves, which have outside checks of their own."""
    monkeypatch.setattr(solving, "CHEAP_BITS", cheap)

    @settings(max_examples=150 if cheap > 0 else 60)
    @given(problems())
    def run(problem: tuple[Bytes, list[int], list[Constraint], np.ndarray]) -> None:  # type: ignore[type-arg]
        data, places, constraints, chances = problem
        known = forget(data, places)
        solved = solve(data, known, constraints, chances)
        found = every_solution(data, known, lambda d: all(c.holds(d) for c in constraints), places)
        check_against(solved, found, chances)
        for part in solved.parts:
            if found and part.count and part.count <= solving.LISTED:
                table = np.array(found, np.uint8).reshape(len(found), len(places))
                mine = [tuple(row) for row in table[:, part.bits].tolist()]
                assert sorted(set(mine)) == sorted(tuple(row) for row in part.solutions.tolist())
        if solved.conflict:
            kept = [constraints[number] for number in solved.conflict]
            assert not every_solution(data, known, lambda d: all(c.holds(d) for c in kept), places)
            for left_out in range(len(kept) if len(kept) > 1 else 0):
                fewer = [each for number, each in enumerate(kept) if number != left_out]
                assert every_solution(
                    data, known, lambda d, some=fewer: all(c.holds(d) for c in some), places
                )

    run()


@pytest.mark.parametrize("cheap", [solving.CHEAP_BITS, -1], ids=["all tried", "by residues"])
def test_the_two_zeros_of_the_ones_complement_by_hand(cheap: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 1071: words that are all 0 add up to 0000, and nothing else does; a stored 0000 cannot be FFFF."""
    monkeypatch.setattr(solving, "CHEAP_BITS", cheap)
    data = np.array([0x00, 0x00, 0xFF, 0xFF, 0x00, 0x00], np.uint8)
    known = np.array([255, 255, 255, 255, 0, 0], np.uint8)
    solved = solve(data, known, [parse_constraint("ones-sum 0..3 = stored 4 be", 6)])
    assert (solved.count, solved.forced.tolist()) == (1, [1] * 16)
    solved = solve(data, known, [parse_constraint("internet 0..3 = stored 4 be", 6)])
    assert (solved.count, solved.forced.tolist()) == (1, [0] * 16)
    # No known bit is 1: a word W and a word 000Z. They add up to 0000 if both are 0, and to FFFF for each of
    # 16 values of Z with W = FFFF - Z; a carry would need 1FFFE.
    data = np.zeros(4, np.uint8)
    known = np.array([0, 0, 255, 0xF0], np.uint8)
    for value, places in ((0x0000, 1), (0xFFFF, 2**4)):
        solved = solve(data, known, [parse_constraint(f"ones-sum = {value}", 4)])
        assert solved.count == places
        solved = solve(data, known, [parse_constraint(f"internet = {value ^ 0xFFFF}", 4)])
        assert solved.count == places


# -- against z3 --------------------------------------------------------------------------------------------


def count_with_z3(formula: z3.BoolRef, unknown: list[z3.BitVecRef], most: int = 300) -> set[tuple[int, ...]]:
    solver = z3.Solver()
    solver.add(formula)
    found: set[tuple[int, ...]] = set()
    while len(found) < most and solver.check() == z3.sat:
        model = solver.model()
        values = [model.eval(each, model_completion=True).as_long() for each in unknown]
        found.add(tuple(values))
        solver.add(z3.Or([each != value for each, value in zip(unknown, values, strict=True)]))
    return found


def crc16_arc_in_z3(data: list[z3.BitVecRef]) -> z3.BitVecRef:
    """CRC-16/ARC as a shift register: polynomial 8005 reflected is A001, register 0 (Cook's catalogue)."""
    register = z3.BitVecVal(0, 16)
    for byte in data:
        register = register ^ z3.ZeroExt(8, byte)
        for _ in range(8):
            shifted = z3.LShR(register, 1)
            register = z3.If(z3.Extract(0, 0, register) == 1, shifted ^ 0xA001, shifted)
    return register


def test_crc_and_sum_together_against_z3() -> None:
    """Three bytes unknown under a CRC-16 and an 8-bit sum: the same solutions as z3 finds."""
    data = np.frombuffer(b"an invented machine's program", np.uint8).copy()
    holes = [3, 4, 17]
    known = np.full(len(data), 255, np.uint8)
    known[holes] = 0
    constraints = [
        Constraint(algorithm_named("CRC-16/ARC"), 0, len(data), 0x1234),
        Constraint(algorithm_named("sum of bytes, 8 bits"), 2, 20, 0x56),
    ]
    unknown = [z3.BitVec(f"b{hole}", 8) for hole in holes]
    whole = [
        unknown[holes.index(place)] if place in holes else z3.BitVecVal(int(byte), 8)
        for place, byte in enumerate(data)
    ]
    total = z3.BitVecVal(0, 8)
    for byte in whole[2:20]:
        total = total + byte
    expected = count_with_z3(z3.And(crc16_arc_in_z3(whole) == 0x1234, total == 0x56), unknown)
    solved = solve(data, known, constraints)
    assert solved.count == len(expected)
    bits = solved.parts[0].solutions if solved.parts else np.empty((0, 24), np.uint8)
    if expected:
        mine = {
            tuple(np.packbits(row.reshape(3, 8), axis=1, bitorder="little")[:, 0].tolist()) for row in bits
        }
        assert mine <= expected
        assert len(mine) == min(len(expected), solving.LISTED)


def test_a_crc_alone_against_z3() -> None:
    data = np.frombuffer(b"words of a kiln programmer", np.uint8).copy()
    holes = [0, 11, 25]
    known = np.full(len(data), 255, np.uint8)
    known[holes] = [0x0F, 0, 0]
    crc = reference.Crc16Arc.calc(data.tobytes())
    unknown = [z3.BitVec(f"b{hole}", 8) for hole in holes]
    whole = [
        unknown[holes.index(place)] if place in holes else z3.BitVecVal(int(byte), 8)
        for place, byte in enumerate(data)
    ]
    formula = z3.And(crc16_arc_in_z3(whole) == crc, unknown[0] & 0x0F == int(data[0]) & 0x0F)
    expected = count_with_z3(formula, unknown)
    assert tuple(data[holes].tolist()) in expected
    solved = solve(data, known, [Constraint(algorithm_named("CRC-16/ARC"), 0, len(data), crc)])
    assert solved.count == len(expected) == 16  # 20 unknown bits, 16 equations


# -- counts by closed form ---------------------------------------------------------------------------------


def test_a_dead_output_under_a_sum_has_the_binomial_count() -> None:
    """1000 bytes lack bit 3. The sum fixes the number k of ones modulo 32: Σ C(1000, k) over such k."""
    from math import comb

    draw = np.random.default_rng(2)
    data = draw.integers(0, 256, 1000, dtype=np.uint8)
    known = np.full(1000, 0xF7, np.uint8)
    solved = solve(
        data, known, [Constraint(algorithm_named("sum of bytes, 8 bits"), 0, 1000, int(data.sum()) % 256)]
    )
    ones = int(np.count_nonzero(data & 8))
    assert solved.count == sum(comb(1000, k) for k in range(ones % 32, 1001, 32))
    np.testing.assert_allclose(solved.probability, 0.5, atol=0.01)
    assert solved.say_count().startswith("about 2^995")


def test_a_crc_with_many_unknown_bits_counts_by_rank() -> None:
    draw = np.random.default_rng(3)
    data = draw.integers(0, 256, 4096, dtype=np.uint8)
    known = np.full(4096, 255, np.uint8)
    known[100:200] = 0
    solved = solve(data, known, [Constraint(algorithm_named("CRC-32"), 0, 4096, zlib.crc32(data.tobytes()))])
    assert solved.count == 1 << (800 - 32)  # any 32 bits in a row meet CRC-32's full rank
    assert not solved.weighed.any()
    assert "too many to weigh" in solved.parts[0].how


def test_a_problem_out_of_reach_is_said_and_not_guessed() -> None:
    """CRC-32 and a 16-bit sum over 100 unknown bits: too many free bits, too many states."""
    data = np.arange(256, dtype=np.uint8)
    known = np.full(256, 255, np.uint8)
    known[:13] = 0
    rows = [
        Constraint(algorithm_named("CRC-32"), 0, 256, zlib.crc32(data.tobytes())),
        Constraint(algorithm_named("sum of bytes, 16 bits"), 0, 256, int(data.sum(dtype=np.int64))),
    ]
    solved = solve(data, known, rows)
    assert solved.count is None
    assert np.isnan(solved.log2_count)
    assert solved.best is None
    assert (solved.forced == -1).all()
    assert "would help" in solved.parts[0].how
    assert solved.say_count() == "solutions not counted"


def test_parities_settle_bits_even_where_the_whole_is_out_of_reach() -> None:
    """A CRC-32 over four unknown bytes settles them; a sum ties them to nine more that stay open."""
    data = np.random.default_rng(1).integers(0, 256, 64, dtype=np.uint8)
    known = np.full(64, 255, np.uint8)
    known[:13] = 0
    rows = [
        Constraint(algorithm_named("CRC-32"), 0, 4, zlib.crc32(data[:4].tobytes())),
        Constraint(algorithm_named("sum of bytes, 16 bits"), 0, 64, int(data.sum(dtype=np.int64))),
    ]
    solved = solve(data, known, rows)
    assert solved.count is None
    assert np.packbits(solved.forced[:32], bitorder="little").tolist() == data[:4].tolist()
    assert (solved.forced[32:] == -1).all()


def test_constraints_apart_are_solved_apart() -> None:
    """Two halves with a sum each: counts multiply, and a bit that neither covers doubles them."""
    data = np.zeros(9, np.uint8)
    known = np.array([255, 0, 255, 255, 255, 0, 255, 255, 0xFE], np.uint8)
    sums = [parse_constraint("sum8 0..3 = 0x21", 9), parse_constraint("xor8 4..7 = 0x42", 9)]
    solved = solve(data, known, sums)
    assert solved.count == 2
    assert len(solved.parts) == 2
    assert solved.forced[:8].tolist() == [1, 0, 0, 0, 0, 1, 0, 0]
    assert solved.forced[8:16].tolist() == [0, 1, 0, 0, 0, 0, 1, 0]
    assert solved.forced[16] == -1
    assert not solved.touched[16]


def test_nothing_unknown_is_a_check() -> None:
    data = np.frombuffer(b"123456789", np.uint8).copy()
    known = np.full(9, 255, np.uint8)
    # Check value of CRC-32 in Cook's catalogue.
    right, wrong = (Constraint(algorithm_named("CRC-32"), 0, 9, value) for value in (0xCBF43926, 0xCBF43927))
    assert solve(data, known, [right]).count == 1
    assert solve(data, known, [right]).parts[0].spare == 32
    assert solve(data, known, [right, wrong]).conflict == (1,)


def test_single_flips_against_turning_every_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solving, "MOST_FLIPS", 100)

    @settings(max_examples=60)
    @given(problems())
    def run(problem: tuple[Bytes, list[int], list[Constraint], np.ndarray]) -> None:  # type: ignore[type-arg]
        data, places, constraints, _ = problem
        places = places[:4]
        known = forget(data, places)
        flips = single_flips(data, known, constraints)
        covered = {at for each in constraints for run in each.covered() for at in range(run.start, run.stop)}
        candidates = [at for at in range(len(data) * 8) if at not in places and at // 8 in covered]
        expected = []
        for place in candidates:
            turned = data.copy()
            turned[place // 8] ^= 1 << place % 8
            if every_solution(turned, known, lambda d: all(c.holds(d) for c in constraints), places):
                expected.append(place)
        assert (flips.byte * 8 + flips.bit).tolist() == expected
        assert flips.tried == len(candidates)

    run()


# -- real ROMs ---------------------------------------------------------------------------------------------

ROMS = {
    "seabios": ("/usr/share/seabios", "vgabios-*.bin"),
    "vgabios": ("/usr/share/vgabios", "vgabios*.bin"),
    "ipxe-qemu": ("/usr/lib/ipxe/qemu", "pxe-*.rom"),
}
CRCS = {
    # Package file: CRC-32 by zlib, once, for the version in the facts (1.0.0+git-20190125.36a4c85-5.1).
    "/usr/lib/ipxe/qemu/pxe-e1000.rom": 0x7CE7BB44,
    "/usr/lib/ipxe/qemu/pxe-rtl8139.rom": 0x997CCC76,
}


@pytest.mark.debian
@pytest.mark.parametrize("package", ROMS)
def test_one_lost_byte_of_an_option_rom_comes_back(package: str) -> None:
    """The bytes of a ROM with 55 AA add up to 0 (Plug and Play BIOS Specification 1.0A, appendix A)."""
    folder, pattern = ROMS[package]
    files = sorted(path for path in Path(folder).glob(pattern) if path.is_file())
    if not files:
        pytest.skip(f"Debian's {package} is not installed")
    draw = np.random.default_rng(7)
    for path in files:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        known = np.full(len(data), 255, np.uint8)
        lost = int(draw.integers(3, int(data[2]) * 512))
        known[lost] = 0
        rule = parse_constraint("option-rom", len(data), (data & known).tobytes())
        solved = solve(data, known, [rule])
        assert solved.count == 1
        assert int(np.packbits(solved.forced, bitorder="little")[0]) == data[lost]
        # A second one: 2^8 solutions, with the true one among them, and no bit settled.
        known[3 + (lost - 2) % (int(data[2]) * 512 - 3)] = 0
        solved = solve(data, known, [rule])
        assert (solved.count, set(solved.forced.tolist())) == (256, {-1})
        assert rule.holds(data.tobytes())


@pytest.mark.debian
@pytest.mark.parametrize("path", CRCS)
def test_scattered_bits_of_a_real_rom_come_back_from_rule_and_crc(path: str) -> None:
    file = Path(path)
    if not file.exists():
        pytest.skip("Debian's ipxe-qemu is not installed")
    data = np.frombuffer(file.read_bytes(), np.uint8)
    if zlib.crc32(data.tobytes()) != CRCS[path]:
        pytest.skip("another version of ipxe-qemu; the CRC-32 is of 1.0.0+git-20190125.36a4c85-5.1")
    draw = np.random.default_rng(8)
    for lost in (24, 40, 46):
        places = np.sort(draw.choice(np.arange(24, len(data) * 8), lost, replace=False))
        known = forget(data, places.tolist())
        constraints = [
            parse_constraint("option-rom", len(data), (data & known).tobytes()),
            Constraint(algorithm_named("CRC-32"), 0, len(data), CRCS[path]),
        ]
        solved = solve(data, known, constraints)
        true = (data[solved.byte] >> solved.bit) & 1
        settled = solved.forced >= 0
        assert (solved.forced[settled] == true[settled]).all()
        assert solved.count is not None
        assert solved.count >= 1
        if lost <= 32:
            assert solved.count == 1
            assert settled.all()
        if solved.count <= solving.LISTED:
            assert true.tolist() in solved.parts[0].solutions.tolist()


@pytest.mark.debian
def test_the_sum_of_an_fcode_image_gives_back_a_word() -> None:
    """IEEE Std 1275-1994 (from memory; holds for three real images): 16-bit sum from byte 8, stored at 2."""
    files = sorted(Path("/usr/share/qemu").glob("QEMU,*.bin"))
    if not files:
        pytest.skip("Debian's qemu-system-data is not installed")
    for path in files:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        known = np.full(len(data), 255, np.uint8)
        known[2:4] = 0  # the stored sum itself
        rule = parse_constraint("fcode", len(data), (data & known).tobytes())
        solved = solve(data, known, [rule])
        assert solved.count == 1
        assert np.packbits(solved.forced, bitorder="little").tolist() == data[2:4].tolist()
        known[20] = 0  # and a byte under it: each of 256 values has its own sum
        solved = solve(data, known, [rule])
        assert (solved.count, set(solved.forced[16:].tolist())) == (256, {-1})


# -- as a person writes it ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("crc32 0..3 = 5", "Did you mean 'crc-32'?"),
        ("sum8 0..0x100 = 0", "reaches to 0x100"),
        ("sum8 5..4 = 0", "empty"),
        ("sum8 = 0x100", "more than 8 bits"),
        ("crc-32 0..3 = stored 4", "byte order"),
        ("crc-32 0..3 = stored 254 le", "reaches to 0x101"),
        ("sum8", "is not a checksum"),
        ("sum8 0..08 = 0", "not a whole number"),
        ("option-rom", "55 AA"),
        ("fcode", "F1 08"),
        ("abc = 0", "Choose one of"),
    ],
)
def test_a_wrong_text_is_told(text: str, told: str) -> None:
    from wrongbit.errors import WrongbitError

    with pytest.raises(WrongbitError) as caught:
        parse_constraint(text, 256, bytes(256))
    assert told in str(caught.value)
    assert isinstance(caught.value, UsageError) or "whole number" in told


def test_a_right_text() -> None:
    constraint = parse_constraint("CRC-16/XMODEM 0x10..0x1f = stored at 0x20 be", 256)
    assert (constraint.first, constraint.end, constraint.stored, constraint.order) == (16, 32, 32, "big")
    assert constraint.say() == "CRC-16/XMODEM of 0x10..0x1F equals the value stored at 0x20 (high byte first)"
