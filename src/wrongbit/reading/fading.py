"""How many bits of a fading chip read as erased in every pass although they held a charge.

Charge only leaks: an EPROM's cell that was programmed (0) drifts to the erased level (1), never back
(encyclopaedia-style article on EEPROM failure modes; Euzent et al., "Reliability Aspects of a Floating Gate
E2PROM", IRPS 1981, abstract). So a cell that gives the programmed level even now and then very likely held
it, and a steady erased level is the weak case: never programmed, or faded altogether. Readings alone do not
tell these two apart. How many have faded is extrapolated from the cells that waver, and counted where
another source says what was held.

The model (judgement, no source, but for the Beta-binomial distribution, J. G. Skellam, "A probability
distribution derived from the binomial distribution", Journal of the Royal Statistical Society B 10 (1948),
pp. 257-261, from memory): a leaky cell gives the programmed level in a share of the passes, and that share
is drawn from a Beta distribution whose two shapes are unknown. Misreads of sound cells, at an unknown rate,
add cells that were wrong once. Where passes were made at different supplies, a window of thresholds is seen,
and those that sank below it are reckoned from its width.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Account = Literal["spread", "supply"]

SHAPES = (np.geomspace(0.02, 2.0, 9), np.geomspace(0.1, 3.0, 5))
"""First and second shape of the Beta distribution, all believed alike. A choice: at the lower end 20 cells
have faded for each that wavers."""

MISREADS = np.geomspace(1e-3, 3.0, 8)
"""Rate of misreads, as a multiple of the noise rate that is reckoned with; all believed alike. A choice."""

LEAKY_SHARES = np.geomspace(1e-7, 0.5, 36)
"""Share of programmed cells that waver for lost charge, all believed alike. A choice."""

OTHER_CAUSE = 0.01
"""Share of wavering cells that waver for another cause, half of them erased ones. A choice."""

SPREAD = 0.7
"""Standard deviation of the logarithm of what the extrapolation may be wrong by. A choice: a factor of 2."""

ONE_SUPPLY, AS_WINDOW, WINDOW_SHAPE = 30.0, 0.5, 0.6
"""Faded cells for each that wavers at one supply, if the window of thresholds is as narrow as the noise of a
read (3 V over 0.1 V); the belief that it is so and not as the Beta distribution has it; the shapes up to
which that can be, as such a window gives mostly cells that are rarely wrong or rarely right. A choice."""

BOTTOM = 2.0
"""Volts below which no cell turns on: threshold of an erased cell and what the sense amplifier wants. From
memory, not checked."""

PILED = 1.3
"""How much denser sunk cells stand below the window of supplies than in it: most go on sinking. A choice."""

NARROWEST = 0.1
"""Volts over which a cell wavers at one supply. A choice."""


@dataclass(frozen=True)
class Witnessed:
    """Cells of which another source says what was held.

    Args:
        programmed: Cells that it says to have been programmed and that are steadily at the erased level.
        total: Of how many that were programmed.
        error: Share of ``total`` that the source wrongly adds to them.
    """

    programmed: int
    total: int
    error: float = 0.0


@dataclass(frozen=True)
class Estimate:
    """What repeated readings tell of fading.

    Args:
        passes: Reads of each cell in the counts.
        steady: Cells that gave the erased level in every pass.
        wavering: Cells that gave both levels.
        faded: Expected number of steady ones that were programmed.
        low: At least so many, at 95 %.
        high: At most so many, at 95 %.
        account: What the extrapolation rests on: the spread of the wavering cells over their counts, or the
            supplies of the passes.
        witnessed: What another source told.
        weight: ``float64 (m,)`` belief in each combination of what is unknown; it sums up to 1.
        noise: ``float64 (m,)`` its rate of misreads.
        shapes: ``float64 (m, 2)`` its shapes of the Beta distribution.
        leaky: ``float64 (m,)`` its number of leaky cells, wavering or not.
        erased: Cells that were never programmed, about.
        sound: Programmed cells that do not leak, about.
        numbers: ``float64 (k,)`` numbers of faded cells.
        chances: ``float64 (k,)`` belief in each of them; it sums up to 1.
    """

    passes: int
    steady: int
    wavering: int
    faded: float
    low: float
    high: float
    account: Account
    witnessed: Witnessed | None
    weight: Floats
    noise: Floats
    shapes: Floats
    leaky: Floats
    erased: float
    sound: float
    numbers: Floats
    chances: Floats

    @property
    def share(self) -> float:
        """Expected share of the steady ones that were programmed."""
        return self.faded / self.steady if self.steady else 0.0

    def among(self, expected: float) -> tuple[float, float, float]:
        """Expected number of faded cells among some of the steady ones, and its interval at 95 %.

        Args:
            expected: How many of them are expected to have faded.
        """
        from scipy.stats import poisson

        if not self.faded or expected <= 0:
            return 0.0, 0.0, 0.0
        mean = self.numbers * expected / self.faded
        ends = []
        for at in (0.025, 0.975):
            low, high = 0, int(mean.max() + 10 * np.sqrt(mean.max()) + 10)
            while low < high:
                middle = (low + high) // 2
                if float(self.chances @ poisson.cdf(middle, mean)) < at:
                    low = middle + 1
                else:
                    high = middle
            ends.append(float(low))
        return expected, ends[0], ends[1]

    def none_of(self, expected: float) -> float:
        """Probability that no cell has faded among some of which so many are expected to have."""
        if not self.faded:
            return 1.0
        return float(self.chances @ np.exp(-self.numbers * expected / self.faded))

    def programmed(self, given: int, reads: int) -> float:
        """Probability that a wavering cell was programmed.

        Args:
            given: Reads that gave the programmed level, at least one.
            reads: All its reads, more than ``given``.
        """
        a, b = self.shapes[:, 0], self.shapes[:, 1]
        fading = self.leaky * np.exp(beta_binomial(given, reads, a, b))
        wrong, right = np.log(self.noise), np.log1p(-self.noise)
        ways = _log_choose(reads, given)
        held = self.sound * np.exp(ways + (reads - given) * wrong + given * right)
        erased = self.erased * np.exp(ways + given * wrong + (reads - given) * right)
        other = fading * OTHER_CAUSE / 2
        held, erased = held + fading - other, erased + other
        return float(self.weight @ (held / (held + erased)))


def beta_binomial(given: int | Counts, reads: int, a: Floats, b: Floats) -> Floats:
    """Log probability of so many of all reads, each with a probability that a Beta(a, b) has drawn."""
    from scipy.special import betaln  # here, not above: it is slow to load

    return np.asarray(_log_choose(reads, given) + betaln(given + a, reads - given + b) - betaln(a, b))


def _log_choose(reads: int, given: int | Counts) -> Floats:
    from scipy.special import betaln

    return np.asarray(-np.log(reads + 1) - betaln(given + 1, reads - np.asarray(given) + 1))


def supply_ratio(lowest: float, highest: float) -> float:
    """Faded cells for each that wavers, where passes were made at supplies (volts) from one to the other.

    >>> round(supply_ratio(4.5, 5.5), 1)
    3.0
    """
    return PILED * max(lowest - BOTTOM, 0.1) / (highest - lowest + NARROWEST)


def estimate(
    counts: Counts,
    *,
    noise: float,
    supplies: tuple[float, float] | None = None,
    witnessed: Witnessed | None = None,
) -> Estimate | None:
    """How many steady cells have faded, with its uncertainty; None if nothing wavers and nobody differs.

    Args:
        counts: ``int64 (passes + 1,)`` number of cells by how many passes gave the programmed level.
        noise: Rate of misreads that is reckoned with.
        supplies: Lowest and highest supply of the passes in volts, if they are known and differ.
        witnessed: What another source says of steady cells.
    """
    passes = len(counts) - 1
    wavering = int(counts[1:-1].sum())
    if not wavering and not (witnessed is not None and witnessed.programmed):
        return None
    steady, sound = int(counts[0]), int(counts[-1])
    rates, a, b, shares = (
        each.ravel()
        for each in np.meshgrid(noise * MISREADS, SHAPES[0], SHAPES[1], LEAKY_SHARES, indexing="ij")
    )
    between = np.arange(1, passes)
    spread = np.exp(beta_binomial(between, passes, a[:, None], b[:, None]))
    seen = spread.sum(axis=1)
    leaky = shares * (sound + wavering + 1) / np.maximum(seen, 1e-12)
    expected = leaky[:, None] * spread
    ways = _log_choose(passes, between)
    for cells, wrong in ((steady, between), (sound, passes - between)):
        chance = ways + wrong * np.log(rates[:, None]) + (passes - wrong) * np.log1p(-rates[:, None])
        expected = expected + cells * np.exp(chance)
    fits = (counts[1:-1] * np.log(np.maximum(expected, 1e-300)) - expected).sum(axis=1)
    if supplies is None:
        ratio = np.exp(beta_binomial(0, passes, a, b)) / np.maximum(seen, 1e-12)
        narrow = np.where((a <= WINDOW_SHAPE) & (b <= WINDOW_SHAPE), AS_WINDOW, 0.0)
        ratios = [(1 - narrow, ratio), (narrow, np.full(len(a), ONE_SUPPLY))]
    else:
        ratios = [(np.ones(len(a)), np.full(len(a), supply_ratio(*supplies)))]
    accounts = [(belief, shares * (sound + wavering + 1) * each) for belief, each in ratios]
    number, chance, fits = _faded(accounts, fits, (steady, sound + wavering), witnessed)
    weight = np.exp(fits - fits.max())
    keep = np.argsort(-weight)[:MOST_KEPT]
    weight = weight[keep] / weight[keep].sum()
    total = np.cumsum(chance)
    low, high = (
        float(number[min(int(np.searchsorted(total, at)), len(number) - 1)]) for at in (0.025, 0.975)
    )
    low = low if low >= 1 else 0.0  # less than one cell is none
    return Estimate(
        passes, steady, wavering, float(chance @ number), low, high,
        "spread" if supplies is None else "supply", witnessed, weight, rates[keep],
        np.column_stack([a, b])[keep], leaky[keep], float(steady), float(sound), number, chance,
    )  # fmt: skip


MOST_KEPT = 400
"""Combinations that are kept: the likeliest, which have all but all of the belief."""


def _faded(
    accounts: list[tuple[Floats, Floats]], fits: Floats, cells: tuple[int, int], witnessed: Witnessed | None
) -> tuple[Floats, Floats, Floats]:
    """Numbers of faded cells with their probability, and the log belief in each combination.

    Args:
        accounts: Belief in each account of the extrapolation, and its number for each combination.
        fits: Log belief in each combination before.
        cells: Steady erased-level cells, and others.
        witnessed: What another source says.
    """
    grid = np.linspace(log(1e-3), log(max(cells[0], 2)), 160)
    number = np.exp(grid)
    said = np.zeros(len(grid))
    if witnessed is not None and witnessed.total:
        rate = np.clip(number / (number + cells[1] + 1e-9) + witnessed.error, 1e-12, 1 - 1e-9)
        right = witnessed.total - witnessed.programmed
        said = witnessed.programmed * np.log(rate) + right * np.log1p(-rate)
        said -= said.max()
    near = np.zeros((len(fits), len(grid)))
    for belief, centre in accounts:
        away = (grid - np.clip(np.log(centre), grid[0], grid[-1])[:, None]) / SPREAD
        each = np.exp(-(away**2) / 2)
        near += belief[:, None] * each / each.sum(axis=1, keepdims=True)
    told = near * np.exp(said)
    weight = np.exp(fits - fits.max())
    chance = weight @ told
    if not chance.sum():  # so far from what was reckoned with that the other source alone counts
        return number, np.exp(said) / np.exp(said).sum(), fits
    return number, chance / chance.sum(), fits + np.log(np.maximum(told.sum(axis=1), 1e-300))


# -- where on the chip -------------------------------------------------------------------------------------

DISPERSIONS = np.array([0.3, 1.0, 3.0, 10.0, 100.0, 1e4])
"""How alike the parts of a chip fade: 10 000, all alike; 0.3, some not at all and some very much."""

REGIONS = 16
"""Stretches of addresses that may fade each in its own way."""

NEIGHBOURS, TAKEN = 8, 4.0
"""Words over which the share of programmed cells is taken; cells of the chip's own share that are added."""


def relative_rates(events: Floats, expected: Floats) -> Floats:
    """How much more than expected happens in each part, drawn to 1 as far as chance may have made it.

    Gamma-Poisson shrinkage; the dispersion is the likeliest of `DISPERSIONS` (common statistical practice).

    >>> relative_rates(np.array([0.0, 40.0, 0.0, 0.0]), np.full(4, 10.0)).round(1).tolist()
    [0.0, 3.9, 0.0, 0.0]
    """
    from scipy.stats import nbinom

    fits = [
        nbinom.logpmf(np.round(events), each, each / (each + np.maximum(expected, 1e-9))).sum()
        for each in DISPERSIONS
    ]
    # Nearly as likely and more alike is preferred: chance alone makes parts look different.
    most = float(np.max(fits))
    alike = max(float(each) for each, fit in zip(DISPERSIONS, fits, strict=True) if float(fit) >= most - 1)
    return np.asarray((events + alike) / (expected + alike))


def local_odds(
    found: Estimate,
    steady: NDArray[np.bool_],
    events: Floats,
    exposed: NDArray[np.bool_],
    seen: Floats | float = 1.0,
) -> NDArray[np.float32]:
    """``float32 (n, bits)`` odds that a steady cell was programmed, by its place on the chip.

    Stretches of addresses and outputs in which more cells waver have more faded ones; where hardly any cell
    gives the programmed level, as in filler, hardly any can have faded.

    Args:
        found: The estimate for the whole chip.
        steady: ``bool (n, bits)`` cells steadily at the erased level.
        events: ``float64 (n, bits)`` how surely each cell shows lost charge, 0 to 1.
        exposed: ``bool (n, bits)`` cells that are known to have been programmed.
        seen: ``float64 (n, bits)`` share of the lost charge that would show in ``events``: less where no
            other source tells of the steady cells.
    """
    n = len(steady)
    region = np.arange(n) * min(REGIONS, n) // max(n, 1)
    charged_cells = np.where(exposed, seen, 0.0)
    total = max(float(events.sum()), 1e-9) / max(float(charged_cells.sum()), 1.0)
    events_in, exposed_in = (
        np.bincount(region, cells.sum(axis=1)).astype(np.float64) for cells in (events, charged_cells)
    )
    first = relative_rates(events_in, exposed_in * total)
    expected = first[region][:, None] * charged_cells * total
    second = relative_rates(events.sum(axis=0), np.asarray(expected.sum(axis=0)))
    block = np.arange(n) // NEIGHBOURS
    all_cells = (steady | exposed).sum(axis=1)
    charged, all_ = (np.bincount(block, each) for each in (exposed.sum(axis=1), all_cells))
    usual = float(exposed.sum()) / max(float(all_cells.sum()), 1.0)
    share = np.clip((charged + TAKEN * usual) / (all_ + TAKEN), 1e-3, 1 - 1e-3)
    odds = np.asarray(first[region][:, None] * second * (share / (1 - share))[block][:, None])
    scale = found.faded / max(float(odds[steady].sum()), 1e-9)
    return np.asarray(np.minimum(odds * scale, 1.0), np.float32)
