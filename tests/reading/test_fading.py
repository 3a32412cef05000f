"""How many cells have faded: against scipy's beta-binomial, sums worked by hand, and simulated chips."""

from __future__ import annotations

import zlib
from math import comb, log

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import beta, betabinom

from wrongbit.image.contents import Contents
from wrongbit.reading.conditions import NOTHING_KNOWN, Conditions
from wrongbit.reading.constraints import Constraint, algorithm_named
from wrongbit.reading.faded import Fading, erased_level, say_fading, with_fading
from wrongbit.reading.fading import Witnessed, beta_binomial, estimate, relative_rates, supply_ratio
from wrongbit.reading.readings import Reading
from wrongbit.reading.rebuild import LIKELY, PROVEN, UNKNOWN, Rebuilt, Shape, _by_likelihood, rebuild
from wrongbit.reading.sources import Source, bits_of, faded, from_contents, from_passes

SIZE = 4096
Words = np.ndarray  # type: ignore[type-arg]


def passes(words: list[Words], volts: list[float] | None = None) -> tuple[Reading, ...]:
    mask = np.full(len(words[0]), 255, np.uint64)
    conditions = (
        [NOTHING_KNOWN] * len(words)
        if volts is None
        else [Conditions(voltage_mv=round(1000 * each)) for each in volts]
    )
    return tuple(
        Reading(Contents(each.astype(np.uint64), mask, 8), condition, f"pass {number}")
        for number, (each, condition) in enumerate(zip(words, conditions, strict=True))
    )


def packed(levels: Words) -> Words:
    return np.packbits(levels, axis=1, bitorder="little")[:, 0].astype(np.uint64)


def worn(gone: int, leaky: int, count: int = 6, *, seed: int = 1) -> tuple[Words, list[Words]]:
    """Random contents of which so many 0s read 1 always, and so many in half of the passes."""
    draw = np.random.default_rng(seed)
    truth = draw.integers(0, 256, SIZE, dtype=np.uint64)
    cells = bits_of(truth, 8).astype(bool)
    places = draw.permutation(np.flatnonzero(~cells.reshape(-1)))
    made = []
    for _ in range(count):
        levels = cells.reshape(-1).copy()
        levels[places[:gone]] = True
        levels[places[gone : gone + leaky]] = draw.random(leaky) < 0.5
        made.append(packed(levels.reshape(SIZE, 8)))
    return truth, made


def done(
    readings: tuple[Reading, ...], *others: Source, level: int = 1, constraints: tuple[Constraint, ...] = ()
) -> Rebuilt:
    sources = [from_passes(readings, "reading", "readings"), *others]
    told, fading, notes = with_fading(readings, sources, level, noise=1e-4)
    return rebuild(
        Shape(len(readings[0].contents), 8), told, fading=fading, notes=notes, constraints=constraints
    )


# -- the distribution and the estimate ---------------------------------------------------------------------


@pytest.mark.parametrize(("reads", "a", "b"), [(3, 0.02, 0.1), (6, 0.4, 0.4), (20, 1.7, 2.5)])
def test_counts_of_leaky_cells_are_scipys(reads: int, a: float, b: float) -> None:
    given = np.arange(reads + 1)
    ours = beta_binomial(given, reads, np.float64(a), np.float64(b))  # type: ignore[arg-type]
    np.testing.assert_allclose(ours, betabinom.logpmf(given, reads, a, b), rtol=1e-9)


def test_by_hand() -> None:
    """Beta(1, 1) makes every count as likely; at two reads of Beta(2, 1): 1/6, 1/3, 1/2."""
    even = beta_binomial(np.arange(5), 4, np.float64(1), np.float64(1))  # type: ignore[arg-type]
    np.testing.assert_allclose(np.exp(even), 0.2)
    tilted = beta_binomial(np.arange(3), 2, np.float64(2), np.float64(1))  # type: ignore[arg-type]
    np.testing.assert_allclose(np.exp(tilted), [1 / 6, 1 / 3, 1 / 2])
    # The window of 4.5 to 5.5 V: 2.5 V below it, times 1.3, over 1.1 V.
    assert supply_ratio(4.5, 5.5) == pytest.approx(1.3 * 2.5 / 1.1)


def test_by_an_integral() -> None:
    value, _ = quad(lambda p: comb(6, 2) * p**2 * (1 - p) ** 4 * beta.pdf(p, 0.7, 1.3), 0, 1)
    ours = beta_binomial(2, 6, np.array([0.7]), np.array([1.3]))
    assert float(ours[0]) == pytest.approx(log(value), rel=1e-6)


def test_misreads_are_not_taken_for_fading() -> None:
    """Cells that were wrong once of six, on both sides alike, are misreads: the majority is right."""
    found = estimate(np.array([16000, 10, 0, 0, 0, 10, 16000]), noise=1e-4)
    assert found is not None
    assert found.faded < 10
    assert found.programmed(1, 6) < 0.02
    assert found.programmed(5, 6) > 0.99


def test_what_is_in_between_fades_and_gives_it_away() -> None:
    found = estimate(np.array([16000, 4, 5, 6, 5, 4, 16000]), noise=1e-4)
    assert found is not None
    for given in range(1, 6):
        assert found.programmed(given, 6) > 0.9
    assert found.low < found.faded < found.high
    assert found.high > 24
    assert found.programmed(3, 6) == pytest.approx(0.995, abs=1e-3)  # half of 1 % waver for another cause


def test_a_witness_counts_for_more_than_any_extrapolation() -> None:
    """200 of 10 000 programmed cells that a listing covers have faded: of all 16 000 and more, 2 %."""
    counts = np.array([16400, 1, 1, 1, 1, 1, 16000])
    found = estimate(counts, noise=1e-4, witnessed=Witnessed(200, 10_000))
    assert found is not None
    # f / (f + 16 005) = 0.02 gives 327; a binomial's spread is 14 of 200.
    assert found.faded == pytest.approx(327, rel=0.05)
    assert 327 * (1 - 3 * 14 / 200) < found.low < found.high < 327 * (1 + 3 * 14 / 200)
    assert found.none_of(found.faded) < 1e-9
    assert found.none_of(0.0) == pytest.approx(1.0)


def test_nothing_wavers_nothing_fades() -> None:
    assert estimate(np.array([16000, 0, 0, 16000]), noise=1e-4) is None
    assert estimate(np.array([16000, 0, 0, 16000]), noise=1e-4, witnessed=Witnessed(0, 9000)) is None


def test_regions_differ_only_where_chance_does_not_explain_it() -> None:
    draw = np.random.default_rng(5)
    alike = relative_rates(draw.poisson(6, 16).astype(float), np.full(16, 6.0))
    assert alike.min() > 0.7
    assert alike.max() < 1.4
    apart = relative_rates(np.array([60.0, *[2.0] * 15]), np.full(16, 90 / 16))
    assert apart[0] > 8
    assert apart[1:].max() < 0.6


# -- odds --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [1, 0])
def test_a_leak_is_bayes_rule_over_both_ways_to_the_erased_level(level: int) -> None:
    """Held erased: gives it. Held programmed: has leaked once in 100 times as often as it is erased."""
    sign = 1 if level else -1
    odds = faded(np.array([sign * 6.0, sign * -6.0], np.float32), np.full(2, sign * 0.01, np.float32))
    chance = np.exp(6.0) / (np.exp(6.0) + 1)
    held = 0.01 * chance + (1 - 0.01) * (1 - chance)
    assert float(odds[0]) * sign == pytest.approx(log(chance / held), abs=1e-4)
    assert float(odds[1]) * sign == pytest.approx(-6.0)


# -- whole chips -------------------------------------------------------------------------------------------


def test_a_bit_that_ever_gave_0_held_it() -> None:
    truth, made = worn(60, 40)
    rebuilt = done(passes(made))
    wavers = np.bitwise_or.reduce(made) & ~np.bitwise_and.reduce(made)
    mask = bits_of(wavers, 8) == 1
    assert mask.sum() >= 35
    assert not (bits_of(rebuilt.guess, 8)[mask] == 1).any()
    assert (rebuilt.classes[mask] == LIKELY).mean() > 0.9
    # Without the direction they are a matter of votes.
    plain = rebuild(Shape(SIZE, 8), [from_passes(passes(made), "reading", "readings")])
    assert (plain.classes[mask] == UNKNOWN).mean() > 0.5
    known = bits_of(rebuilt.contents.known, 8) == 1
    wrong = bits_of(rebuilt.guess ^ truth, 8) == 1
    assert (wrong & known).sum() <= 0.01 * known.sum()


def test_levels_the_other_way_round_are_its_mirror() -> None:
    _, made = worn(60, 40)
    one = done(passes(made))
    two = done(passes([each ^ np.uint64(255) for each in made]), level=0)
    assert (two.guess ^ np.uint64(255) == one.guess).all()
    np.testing.assert_allclose(two.confidence, one.confidence, atol=1e-6)


def test_chips_that_do_not_fade_are_as_before() -> None:
    truth, _ = worn(0, 0)
    readings = passes([truth] * 5)
    assert done(readings).fading is None
    plain = rebuild(Shape(SIZE, 8), [from_passes(readings, "reading", "readings")])
    assert (done(readings).confidence == plain.confidence).all()


def test_a_region_that_fades_is_called_unknown_and_the_rest_is_not() -> None:
    """An eighth of the chip has a tenth of its 0s gone and wavering."""
    draw = np.random.default_rng(3)
    truth = draw.integers(0, 256, SIZE, dtype=np.uint64)
    cells = bits_of(truth, 8).astype(bool)
    here = (np.arange(SIZE) // (SIZE // 8) == 2)[:, None] & ~cells
    kind = draw.random((SIZE, 8))
    gone, leaky = here & (kind < 0.08), here & (kind > 0.96)
    made = [packed(cells | gone | leaky & (draw.random((SIZE, 8)) < 0.5)) for _ in range(6)]
    rebuilt = done(passes(made, [4.5, 4.5, 5.0, 5.0, 5.5, 5.5]))
    steady = bits_of(np.bitwise_and.reduce(made), 8) == 1
    unknown = rebuilt.classes == UNKNOWN
    inside = np.zeros((SIZE, 8), bool)
    inside[SIZE // 4 : SIZE * 3 // 8] = True
    assert unknown[steady & inside].mean() > 0.95
    assert unknown[steady & ~inside].mean() < 0.05


def test_filler_is_not_suspected() -> None:
    """Where no word has a 0, none can have faded; where code stands, one may have."""
    truth, made = worn(150, 60)
    for each in [truth, *made]:
        each[SIZE // 2 :] = 0xFF
    rebuilt = done(passes(made))
    assert rebuilt.confidence[SIZE // 2 + 16 :].min() > 0.998
    code = bits_of(np.bitwise_and.reduce(made), 8)[: SIZE // 2] == 1
    assert np.median(rebuilt.confidence[: SIZE // 2][code]) < 0.992


def test_a_listing_that_shows_fading_settles_how_much() -> None:
    truth, made = worn(300, 30)
    known = np.where(np.arange(SIZE) < SIZE // 2, 255, 0).astype(np.uint64)
    rebuilt = done(passes(made), from_contents(Contents(truth & known, known, 8), "listing", "listing"))
    assert rebuilt.fading is not None
    assert rebuilt.fading.estimate.faded == pytest.approx(300, rel=0.2)
    _, low, high = rebuilt.fading.faded
    assert low < 150 < high  # half of them lie where the listing says nothing
    told = " ".join(say_fading(rebuilt.fading))
    assert "counted where other sources say" in told
    assert "steady 1s are the weak ones" in told


def test_bits_wrong_the_other_way_are_no_fading() -> None:
    truth, made = worn(0, 30)
    lost = np.where(np.arange(SIZE) < 40, np.uint64(0), np.uint64(255))
    listing = from_contents(Contents(truth, np.full(SIZE, 255, np.uint64), 8), "listing", "listing")
    rebuilt = done(passes([each & lost for each in made]), listing)
    assert rebuilt.fading is None
    assert "not lost charge" in rebuilt.notes[0]


def test_a_bad_contact_is_no_fading() -> None:
    draw = np.random.default_rng(8)
    truth = draw.integers(0, 256, SIZE, dtype=np.uint64)
    made = [truth.copy() for _ in range(4)]
    for each in made:
        start = int(draw.integers(0, SIZE - 200))
        each[start : start + 200] |= 0x10
    rebuilt = done(passes(made))
    assert rebuilt.fading is None
    assert "bad contact" in rebuilt.notes[0]


@pytest.mark.parametrize(
    ("technology", "type_", "level"),
    [
        ("eprom", "", 1), ("eprom", "1702A", 0), (None, "EPROM 27C64", 1), (None, "EEPROM 28C64", None),
        ("mask", "EPROM", None), ("fuse", "", None),
        ("eeprom", "", None), ("flash", "", None), (None, "", None),
    ],
)  # fmt: skip
def test_charge_has_a_direction_in_eproms_alone(
    technology: str | None, type_: str, level: int | None
) -> None:
    assert erased_level(technology, type_) == level


# -- checksums ---------------------------------------------------------------------------------------------


def crc_of(words: Words) -> Constraint:
    return Constraint(algorithm_named("CRC-32"), 0, len(words), zlib.crc32(words.astype(np.uint8).tobytes()))


def test_a_crc_stands_for_the_steady_bits_too() -> None:
    """Enough waver that many steady bits are unknown; none has faded, and the CRC shows it."""
    truth, made = worn(0, 14)
    readings = passes(made)
    alone = done(readings)
    assert alone.count(UNKNOWN) > 100
    proven = done(readings, constraints=(crc_of(truth),))
    assert proven.complete
    assert (proven.contents.words == truth).all()
    assert proven.count(LIKELY) + proven.count(PROVEN) == SIZE * 8


def test_a_faded_bit_that_no_pass_shows_is_turned_by_the_crc() -> None:
    """One steady bit of a fading chip is wrong: turning it alone makes the CRC hold."""
    truth, made = worn(1, 8)
    assert (np.bitwise_and.reduce(made) & ~truth).any()
    rebuilt = done(passes(made), constraints=(crc_of(truth),))
    assert rebuilt.solved is not None
    assert not rebuilt.solved.conflict
    assert (rebuilt.contents.words & rebuilt.contents.known == truth & rebuilt.contents.known).all()
    assert any("it was taken as unknown" in note for note in rebuilt.notes)


def test_candidates_come_in_the_order_of_their_likelihood() -> None:
    """Three bits would do: wrong once in 11, in 101 and in 100 001 times, worked by hand."""
    odds = np.full((4, 2), np.log(1e6), np.float32)
    odds[0, 0], odds[2, 1], odds[3, 0] = np.log([100_000, 10, 100])
    none = np.zeros(odds.shape, bool)
    flips, spent = _by_likelihood([(0, 0), (2, 1), (3, 0)], odds, none)
    assert flips == [(2, 1), (3, 0), (0, 0)]
    total = 1 / 11 + 1 / 101 + 1 / 100_001 + 5 / 1_000_001
    assert spent == pytest.approx(np.log2(total * 11), rel=1e-4)
    # Where the next one is a thousand times less likely, the first is taken alone.
    assert _by_likelihood([(0, 0), (2, 1)], odds, none)[0] == [(2, 1)]


def test_nobody_is_told_of_fading_that_is_not_there() -> None:
    found = estimate(np.array([100, 1, 1, 100]), noise=1e-4)
    assert found is not None
    assert say_fading(Fading(1, found))[0].startswith("2 bits waver")


def test_faded_cells_among_some_are_a_mixture_of_poissons() -> None:
    """The number drawn from the belief in it, then the cells: quantiles of many such draws."""
    found = estimate(np.array([16000, 4, 5, 6, 5, 4, 16000]), noise=1e-4)
    assert found is not None
    expected, low, high = found.among(found.faded / 8)
    draw = np.random.default_rng(2)
    number = draw.poisson(draw.choice(found.numbers, 200_000, p=found.chances) / 8)
    assert number.mean() == pytest.approx(expected, rel=0.03)
    assert np.quantile(number, 0.025) == low
    assert np.quantile(number, 0.975) == pytest.approx(high, rel=0.05)
