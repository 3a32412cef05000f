"""A chip's contents from all sources, each bit with its sources, its confidence and its class.

*Proven*: wrong with a probability of at most 1 in 100 000, which takes two independent sources, or a
checksum with bits to spare. *Likely*: at most 1 in 100. Everything else is *unknown*, also where sources
contradict each other. Checksums settle unknown bits only as surely as the other bits under them are right:
that is computed from the check bits which the unknown bits did not use up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.lanes import ByteOrder
from wrongbit.reading.constraints import Bytes, Constraint
from wrongbit.reading.faded import Fading
from wrongbit.reading.solve import Part, Solved, single_flips, solve, unknown_places
from wrongbit.reading.sources import (
    CHECKSUM,
    CODES,
    DEFAULT_RATES,
    PARTNER,
    ErrorRates,
    Odds,
    Source,
    bits_of,
    combine,
)
from wrongbit.reading.undo import Partner

UNKNOWN, LIKELY, PROVEN = 0, 1, 2
"""Codes of `Rebuilt.classes`."""

CLASSES = ("unknown", "likely", "proven")
"""Their names."""

LIKELY_ERROR = 1e-2
"""Probability of being wrong at which a bit is still likely. A choice."""

PROVEN_ERROR = 1e-5
"""The same for proven. A choice: less than one bit of an 8 KiB chip wrong."""

SAID = 0.5
"""Log odds above which a source says something about a bit."""


@dataclass(frozen=True)
class Conflict:
    """A word on which sources contradict each other.

    Args:
        address: The chip's address.
        mask: The bits.
        says: For each source that says anything of these bits: its name, its word, and the bits it gives.
    """

    address: int
    mask: int
    says: tuple[tuple[str, int, int], ...]


@dataclass(frozen=True)
class Rebuilt:
    """Contents with what is known of every bit.

    Args:
        contents: The likelier level of each bit that is likely or proven; others are not known.
        guess: ``uint64 (n,)`` the likelier level of every bit, whatever its class; 1 where neither is.
        classes: ``uint8 (n, bits)`` `UNKNOWN`, `LIKELY` or `PROVEN`.
        confidence: ``float64 (n, bits)`` probability that ``guess`` is right, ½ to 1.
        provenance: ``uint8 (n, bits)`` codes of the sources that say something, see `sources.CODES`.
        conflicts: Words on which sources contradict each other.
        constraints: Checksums that were used.
        solved: What they say, None without any.
        flips: Single bits (address, bit) of which one alone, if wrong, would explain that the checksums do
            not hold.
        notes: What a person should know.
        fading: What the readings tell of lost charge; None: no sign of it, or it does not come into it.
    """

    contents: Contents
    guess: NDArray[np.uint64]
    classes: Bytes
    confidence: NDArray[np.float64]
    provenance: Bytes
    conflicts: tuple[Conflict, ...] = ()
    constraints: tuple[Constraint, ...] = ()
    solved: Solved | None = None
    flips: tuple[tuple[int, int], ...] = ()
    notes: tuple[str, ...] = field(default=())
    fading: Fading | None = None

    def count(self, code: int) -> int:
        """Number of bits of a class."""
        return int(np.count_nonzero(self.classes == code))

    @property
    def complete(self) -> bool:
        """Every bit is at least likely, and no checksum contradicts."""
        return not self.count(UNKNOWN) and not (self.solved is not None and self.solved.conflict)


@dataclass(frozen=True)
class Shape:
    """Size of a chip.

    Args:
        words: Number of words.
        bits: Number of outputs.
        byte_order: For a chip wider than a byte: how checksums and files take its bytes.
    """

    words: int
    bits: int
    byte_order: ByteOrder = "little"

    @property
    def byte_count(self) -> int:
        """Bytes of the whole: one a word up to 8 bits, else as many as a word has."""
        return self.words * self.size

    @property
    def size(self) -> int:
        """Bytes of a word."""
        return max(self.bits // 8, 1)

    def check(self) -> None:
        """See that words are made of bytes.

        Raises:
            ImageError: They are not.
        """
        if self.bits > 8 and self.bits % 8:
            raise ImageError(
                f"words of {self.bits} bits are not made of bytes, which checksums are about.",
                "Leave the checksums out.",
            )

    def to_bytes(self, table: NDArray[np.bool_]) -> Bytes:
        """``uint8 (byte_count,)`` from ``bool (words, bits)``."""
        whole = np.zeros((self.words, self.size * 8), np.bool_)
        whole[:, : self.bits] = table
        parts = np.packbits(whole.reshape(self.words, self.size, 8), axis=2, bitorder="little")[:, :, 0]
        return (parts if self.byte_order == "little" else parts[:, ::-1]).reshape(-1).copy()

    def places(self, byte: NDArray[np.int64], bit: Bytes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Word and bit of places in bytes."""
        part = byte % self.size
        if self.byte_order == "big":
            part = self.size - 1 - part
        return byte // self.size, part * 8 + bit


def rebuild(
    shape: Shape,
    sources: Sequence[Source],
    *,
    partners: Sequence[Partner] = (),
    constraints: Sequence[Constraint] = (),
    rates: ErrorRates = DEFAULT_RATES,
    notes: Sequence[str] = (),
    fading: Fading | None = None,
) -> Rebuilt:
    """Contents from everything there is.

    Args:
        shape: The chip's size.
        sources: What readings, captures, twins and listings say.
        partners: Bridged outputs of the readings.
        constraints: Checksums, over the chip's bytes.
        rates: Error rates.
        notes: To be handed on.
        fading: What `wrongbit.reading.faded.with_fading` found beside these sources.

    Raises:
        ImageError: Checksums are given for words that are not made of bytes.
    """
    size = (shape.words, shape.bits)
    odds = combine(sources, size, rates)
    provenance = np.zeros(size, np.uint8)
    for source in sources:
        provenance[np.abs(source.odds) > SAID] |= np.uint8(source.code)
    odds = _with_partners(odds, partners, provenance, rates)
    contradicted, conflicts = _conflicts(sources, size)
    told = [*notes, *_same_reader(sources)]
    outcome: _Outcome | None = None
    if constraints:
        shape.check()
        doubtful = contradicted.copy()
        for source in sources:
            doubtful |= source.wavers
        weak = _Weak.of(sources, fading, odds, contradicted)
        outcome = _solve(shape, odds, constraints, doubtful, weak, told)
        odds = _with_solution(shape, odds, constraints, outcome, weak, provenance)
    made = _rebuilt(
        odds,
        provenance,
        conflicts,
        constraints=tuple(constraints),
        solved=None if outcome is None else outcome.solved,
        flips=() if outcome is None else outcome.flips,
        notes=tuple(told),
    )
    return made if fading is None else replace(made, fading=_left(fading, sources, made))


def _left(fading: Fading, sources: Sequence[Source], made: Rebuilt) -> Fading:
    """What is left of the weak bits once everything else has had its say."""
    leaked = next(each.leaked for each in sources if each.kind == "reading" and each.leaked is not None)
    ones = bits_of(made.guess, made.classes.shape[1]) == 1
    weak = (leaked != 0) & (ones == bool(fading.level)) & (made.classes != PROVEN)
    for source in sources:
        if source.kind not in ("reading", "bus"):
            weak &= np.abs(source.odds) <= SAID
    expected = float((np.abs(leaked) / (1 + np.abs(leaked)))[weak].sum())
    faded = fading.estimate.among(expected)
    unknown = int(np.count_nonzero(weak & (made.classes == UNKNOWN)))
    return replace(fading, weak=int(np.count_nonzero(weak)), faded=faded, open=unknown)


def _same_reader(sources: Sequence[Source]) -> list[str]:
    """What the odds leave out: one reader may harm the chip's readings and the twin's alike."""
    read = [source for source in sources if source.kind in ("reading", "twin")]
    if len(read) < 2:
        return []
    return [
        "The chip and its twins count as independent. A fault of the reader that hits all of them alike "
        "would not show: use another adapter for a twin, or read a chip whose contents are known first."
    ]


def _rebuilt(odds: Odds, provenance: Bytes, conflicts: tuple[Conflict, ...], **rest: object) -> Rebuilt:
    error = _error(odds)
    classes = np.where(error <= PROVEN_ERROR, PROVEN, np.where(error <= LIKELY_ERROR, LIKELY, UNKNOWN))
    known = classes != UNKNOWN
    ones = odds >= 0  # a bit of which nothing is known is guessed as erased
    contents = Contents(
        _packed(ones & known),
        _packed(known),
        odds.shape[1],
        source="rebuilt",
    )
    guess = _packed(ones)
    return Rebuilt(contents, guess, classes.astype(np.uint8), 1 - error, provenance, conflicts, **rest)  # type: ignore[arg-type]


def _error(odds: Odds) -> NDArray[np.float64]:
    """Probability that the likelier level is wrong."""
    return np.asarray(1 / (1 + np.exp(np.abs(odds.astype(np.float64)))))


# -- bridges and conflicts ---------------------------------------------------------------------------------


def _with_partners(odds: Odds, partners: Sequence[Partner], provenance: Bytes, rates: ErrorRates) -> Odds:
    """What each of two bridged bits tells of the other, given what other sources say.

    Where a low level wins and a low was read, the two are not both 1: the odds of one fall by the probability
    that the other is 0. Where a high level wins, the other way round.
    """
    result = odds.copy()
    wrong = rates.reader + rates.chip
    for partner in partners:
        sign = 1.0 if partner.level else -1.0
        for mine, other in ((partner.first, partner.second), (partner.second, partner.first)):
            winner = 1 / (1 + np.exp(-sign * odds[partner.address, other]))
            message = np.log1p(-wrong) - np.log(winner * (1 - wrong) + (1 - winner) * wrong)
            result[partner.address, mine] += (sign * message).astype(np.float32)
            told = partner.address[message > SAID]
            provenance[told, mine] |= np.uint8(PARTNER)
    return result


def _conflicts(
    sources: Sequence[Source], size: tuple[int, int]
) -> tuple[NDArray[np.bool_], tuple[Conflict, ...]]:
    """Bits on which sources contradict each other, and what each says there."""
    high, low = np.zeros(size, np.bool_), np.zeros(size, np.bool_)
    for source in sources:
        high |= source.odds > SAID
        low |= source.odds < -SAID
    both = high & low
    address = np.flatnonzero(both.any(axis=1))
    mask = _packed(both[address])
    words = [_packed(source.odds[address] > SAID) & mask for source in sources]
    given = [_packed(np.abs(source.odds[address]) > SAID) & mask for source in sources]
    conflicts = []
    for row, at in enumerate(address.tolist()):
        says = [
            (source.name, int(word[row]), int(said[row]))
            for source, word, said in zip(sources, words, given, strict=True)
            if said[row]
        ]
        conflicts.append(Conflict(at, int(mask[row]), tuple(says)))
    return both, tuple(conflicts)


def _packed(table: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """``uint64 (n,)`` words from ``bool (n, bits)``."""
    weight = np.uint64(1) << np.arange(table.shape[1], dtype=np.uint64)
    return np.asarray((weight * table).sum(axis=1, dtype=np.uint64))


# -- checksums ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Outcome:
    """What the checksums gave.

    Args:
        solved: The solution, or the contradiction.
        flips: Single known bits (address, bit) that would explain a contradiction.
        spent: Check bits that were spent on choosing among so many possible wrong bits.
    """

    solved: Solved
    flips: tuple[tuple[int, int], ...] = ()
    spent: float = 0.0


SPARE_FOR_FLIP = 7
"""Check bits that must be to spare before a bit that nothing else speaks against is turned over. A choice: by
chance such a bit turns up once in 128 times."""


@dataclass(frozen=True)
class _Weak:
    """Bits that steadily give the level of a cell without charge, and that nobody contradicts.

    Args:
        bits: ``bool (n, bits)``.
        fading: How many of them are expected to have faded; None: there are none.
    """

    bits: NDArray[np.bool_]
    fading: Fading | None

    @classmethod
    def of(
        cls, sources: Sequence[Source], fading: Fading | None, odds: Odds, contradicted: NDArray[np.bool_]
    ) -> _Weak:
        """The weak bits of these sources."""
        leaked = next((each.leaked for each in sources if each.kind == "reading"), None)
        if fading is None or leaked is None:
            return cls(np.zeros(odds.shape, np.bool_), None)
        return cls((leaked * odds > 0) & ~contradicted, fading)

    def wrong(self, errors: NDArray[np.float64], base: NDArray[np.bool_]) -> float:
        """Probability that some bit is wrong of those that the checksums take for right."""
        mine = base & self.bits
        before = min(float(errors[base & ~mine].sum()), 0.5)
        if self.fading is None:
            return before
        return 1 - (1 - before) * self.fading.estimate.none_of(float(errors[mine].sum()))


def _solve(
    shape: Shape,
    odds: Odds,
    constraints: Sequence[Constraint],
    doubtful: NDArray[np.bool_],
    weak: _Weak,
    told: list[str],
) -> _Outcome:
    """Solve the unknown bits; if that fails, take more bits as unknown, the most doubtful first.

    A weak bit counts as known at first, even where too many have faded to call it likely: which of very many
    have, no checksum can tell, but that none has it can.
    """
    unknown = (_error(odds) > LIKELY_ERROR) & ~weak.bits
    solved = _solve_for(shape, odds, constraints, unknown)
    wider = doubtful & ~unknown
    if not solved.conflict:
        return _Outcome(solved)
    if wider.any():
        again = _solve_for(shape, odds, constraints, unknown | wider)
        if not again.conflict:
            told.append(
                "With the likely bits taken as right the checksums have no solution; "
                f"{int(wider.sum())} bits that wavered, or on which sources do not agree, were taken as "
                "unknown too."
            )
            return _Outcome(again)
    return _turn_one(shape, odds, constraints, unknown, weak, solved, told)


def _turn_one(
    shape: Shape,
    odds: Odds,
    constraints: Sequence[Constraint],
    unknown: NDArray[np.bool_],
    weak: _Weak,
    solved: Solved,
    told: list[str],
) -> _Outcome:
    """Look for the one known bit that, turned over, lets the checksums hold.

    Where the chip fades, the bits that can do so are weighed by how likely each is to be wrong.
    """
    found = single_flips(shape.to_bytes(odds > 0), ~shape.to_bytes(unknown), constraints)
    word, place = shape.places(found.byte, found.bit)
    flips = [(int(at), int(bit)) for at, bit in zip(word, place, strict=True) if bit < shape.bits]
    spent = float(np.log2(max(found.tried, 1)))
    if weak.fading is not None and flips:
        flips, spent = _by_likelihood(flips, odds, unknown)
    if len(flips) != 1:
        return _Outcome(solved, tuple(flips))
    wider = unknown.copy()
    wider[flips[0]] = True
    again = _solve_for(shape, odds, constraints, wider)
    tied = [part for part in again.parts if len(part.bits)]
    if again.conflict or min((part.spare for part in tied), default=0.0) - spent < SPARE_FOR_FLIP:
        return _Outcome(solved, tuple(flips))
    at, bit = flips[0]
    told.append(
        f"Bit {bit} of 0x{at:X} is steadily {int(odds[at, bit] > 0)}, but of {found.tried} known bits "
        "it alone lets the checksums hold when turned over: it was taken as unknown."
    )
    return _Outcome(again, spent=spent)


FLIP_SHARE = 0.999
"""Share of the likelihood that one bit must have among all that would do, before it alone is considered. A
choice."""


def _by_likelihood(
    flips: list[tuple[int, int]], odds: Odds, unknown: NDArray[np.bool_]
) -> tuple[list[tuple[int, int]], float]:
    """Bits of which one, turned over, would do: likeliest first, and it alone where it outweighs the others.

    Returns:
        The bits, and the check bits that the choice uses up: how unlikely a priori it is that it is this one
        of all known bits.
    """
    errors = _error(odds)
    flips = sorted(flips, key=lambda at: -errors[at])
    share = errors[flips[0]] / sum(errors[at] for at in flips)
    spent = float(np.log2(max(float(errors[~unknown].sum()), errors[flips[0]]) / errors[flips[0]]))
    return (flips[:1] if share >= FLIP_SHARE else flips), spent


def _solve_for(
    shape: Shape, odds: Odds, constraints: Sequence[Constraint], unknown: NDArray[np.bool_]
) -> Solved:
    data, known = shape.to_bytes(odds > 0), ~shape.to_bytes(unknown)
    byte, bit = unknown_places(known)
    word, place = shape.places(byte, bit)
    chance = 1 / (1 + np.exp(-odds[word, place].astype(np.float64)))
    return solve(data, known, constraints, chance)


def _with_solution(
    shape: Shape,
    odds: Odds,
    constraints: Sequence[Constraint],
    outcome: _Outcome,
    weak: _Weak,
    provenance: Bytes,
) -> Odds:
    """Log odds after the checksums.

    That bits under a checksum are wrong where nobody doubts them is left possible: with the probability that
    follows from their own errors over 2 to the number of spare check bits.
    """
    result, solved = odds.astype(np.float64), outcome.solved
    word, bit = shape.places(solved.byte, solved.bit)
    open_ = np.zeros(odds.shape, np.bool_)
    open_[word, bit] = True
    errors = _error(odds)
    for part in solved.parts:
        if part.count == 0:
            continue
        base = _covered(shape, constraints, part) & ~open_
        wrong = _wrong_base(weak.wrong(errors, base), max(part.spare - outcome.spent, 0.0))
        _raise(result, base, wrong, provenance)
        if part.probability is None and not (part.can_be_zero & part.can_be_one).all():
            chance = np.where(part.can_be_zero, np.where(part.can_be_one, np.nan, 0.0), 1.0)
        elif part.probability is None:
            continue
        else:
            forced = part.can_be_zero ^ part.can_be_one
            chance = np.where(forced, part.can_be_one.astype(np.float64), part.probability)
        at = (word[part.bits], bit[part.bits])
        before = 1 / (1 + np.exp(-odds[at].astype(np.float64)))
        after = np.clip((1 - wrong) * chance + wrong * before, 1e-15, 1 - 1e-15)
        told = ~np.isnan(after)
        moved = np.where(told, np.log(after) - np.log1p(-after), odds[at])
        changed = told & (np.abs(moved - odds[at]) > 0.01)
        result[at] = moved
        provenance[at[0][changed], at[1][changed]] |= np.uint8(CHECKSUM)
    return result.astype(np.float32)


def _covered(shape: Shape, constraints: Sequence[Constraint], part: Part) -> NDArray[np.bool_]:
    """``bool (words, bits)`` bits that a part's constraints look at."""
    bytes_ = np.zeros(shape.byte_count, np.bool_)
    for number in part.constraints:
        for run in constraints[number].covered():
            bytes_[run] = True
    at = np.flatnonzero(bytes_)
    covered = np.zeros((shape.words, shape.bits), np.bool_)
    for bit in range(min(8, shape.bits)):
        word, place = shape.places(at, np.full(len(at), bit, np.uint8))
        covered[word, place] = True
    return covered


def _wrong_base(before: float, spare: float) -> float:
    """Probability that a bit is wrong that nobody doubted, although the checksums have a solution."""
    by_chance = before * 2.0**-spare
    return float(by_chance / (by_chance + 1 - before))


def _raise(odds: NDArray[np.float64], base: NDArray[np.bool_], wrong: float, provenance: Bytes) -> None:
    """Bits that the checksums confirm are at most as doubtful as all of them together."""
    sure = np.log1p(-wrong) - np.log(max(wrong, 1e-15))
    lifted = base & (np.abs(odds) < sure)
    odds[lifted] = np.copysign(sure, odds[lifted])
    provenance[lifted] |= np.uint8(CHECKSUM)


# -- what is written ---------------------------------------------------------------------------------------


def image_of(rebuilt: Rebuilt, *, allow_unknown: bool = False) -> Contents:
    """Contents for a file.

    Args:
        rebuilt: The contents.
        allow_unknown: Write the likelier level of unknown bits, and 1 where neither is likelier.

    Raises:
        ImageError: Bits are unknown, or the checksums do not hold, and that was not allowed.
    """
    unknown = rebuilt.count(UNKNOWN)
    if not unknown and (rebuilt.complete or allow_unknown):
        note = "The checksums do not hold: at least one bit is wrong."
        return rebuilt.contents if rebuilt.complete else replace(rebuilt.contents, notes=(note,))
    if not unknown:
        raise ImageError(
            "the checksums do not hold, so that at least one bit is wrong; no image was written.",
            "Add another source, correct the checksum, or write it all the same with --allow-unknown.",
        )
    if not allow_unknown:
        first = int(np.flatnonzero((rebuilt.classes == UNKNOWN).any(axis=1))[0])
        raise ImageError(
            f"{unknown} bits are unknown, the first at 0x{first:X}; no image was written.",
            "Add another source, or write their likelier levels all the same with --allow-unknown.",
        )
    mask = np.full(len(rebuilt.guess), rebuilt.contents.mask, np.uint64)
    note = f"{unknown} bits are unknown; their likelier level was written, 1 where neither is."
    return replace(rebuilt.contents, words=rebuilt.guess, known=mask, notes=(note,))


def map_text(rebuilt: Rebuilt) -> str:
    """The map as CSV (RFC 4180): a line a word, what of it is known, how surely, and from where.

    ``class`` and ``confidence`` are those of the word's weakest bit; ``sources`` are all that say something.
    """
    digits = -(-rebuilt.contents.word_bits // 4)
    lines = ["address,word,known mask,proven mask,class,confidence,sources,conflict mask"]
    proven = _packed(rebuilt.classes == PROVEN)
    least, sure = rebuilt.classes.min(axis=1), rebuilt.confidence.min(axis=1)
    codes = np.bitwise_or.reduce(rebuilt.provenance, axis=1)
    names = {int(code): say_sources(int(code)) for code in np.unique(codes)}
    against = {conflict.address: conflict.mask for conflict in rebuilt.conflicts}
    columns = (rebuilt.contents.words, rebuilt.contents.known, proven, least, sure, codes)
    for address, (word, known, safe, class_, chance, code) in enumerate(
        zip(*(column.tolist() for column in columns), strict=True)
    ):
        lines.append(
            f"0x{address:X},{word:0{digits}X},{known:0{digits}X},{safe:0{digits}X},{CLASSES[class_]},"
            f"{chance:.7f},{names[code]},{against.get(address, 0):0{digits}X}"
        )
    return "\r\n".join(lines) + "\r\n"


def say_sources(code: int) -> str:
    """Names of a provenance code.

    >>> say_sources(17)
    'reading+checksum'
    """
    return "+".join(name for bit, name in CODES.items() if code & bit)
