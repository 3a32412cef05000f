"""Contents that nothing is known about: what they show by themselves.

No reference is needed to see that half of a chip repeats the other, that an output never moves, that an
address line changes nothing, that a checksum of the contents' own does not hold, or that code gives way to
noise in the middle of a chip. None of it proves a fault: some ROMs are really like that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wrongbit.image.checksums import ALGORITHMS, HeaderCheck, check_headers
from wrongbit.image.contents import Contents
from wrongbit.image.lanes import ByteOrder, as_bytes

Words = NDArray[np.uint64]

MOST_BLOCKS = 512
"""Blocks into which contents are cut for their entropy."""

HEADER_STEP = 2048
"""Bytes between the places where a ROM header may stand (the scan of PC expansion ROMs; from memory, not
checked)."""

ZERO_SUMS = (
    "sum of bytes, 8 bits",
    "sum of bytes, 16 bits",
    "sum of words, low byte first",
    "sum of words, high byte first",
    "exclusive-or of bytes",
    "CRC-16/XMODEM",
    "CRC-16/KERMIT",
    "CRC-16/ARC",
)
"""Results that a programmer may have made zero by choosing the last bytes."""


@dataclass(frozen=True)
class Remark:
    """Something that the contents show.

    Args:
        kind: Short name.
        says: A plain sentence.
        advice: What to do about it, or an empty text.
        suspicious: It may be a fault.
    """

    kind: str
    says: str
    advice: str = ""
    suspicious: bool = True


@dataclass(frozen=True)
class Stretch:
    """Blocks one after another with about the same distribution of bytes.

    Args:
        first: First address.
        end: Address behind the last.
        entropy: Bits a byte (or a word of fewer bits).
    """

    first: int
    end: int
    entropy: float


@dataclass(frozen=True)
class RuleCheck:
    """A rule of a ROM header, at a place.

    Args:
        at: Byte offset of the header.
        check: What it says and whether it holds.
        uncertain: Words in the covered part that are not certain.
    """

    at: int
    check: HeaderCheck
    uncertain: int


@dataclass(frozen=True)
class Structure:
    """Everything that contents show by themselves.

    Args:
        remarks: Suspicious ones first.
        stretches: The contents cut where their entropy changes.
        rules: Headers with a sum of their own: the one at the start, and others whose sum holds.
        zero_sums: Names of sums over the whole that come out as zero; each does so by chance once in 2 to the
            power of its width.
    """

    remarks: tuple[Remark, ...]
    stretches: tuple[Stretch, ...]
    rules: tuple[RuleCheck, ...]
    zero_sums: tuple[str, ...]

    @property
    def suspicious(self) -> bool:
        """Something may be a fault."""
        return any(remark.suspicious for remark in self.remarks)


def look(
    contents: Contents, *, uncertain: Words | None = None, byte_order: ByteOrder = "little"
) -> Structure:
    """What contents show by themselves.

    Args:
        contents: The majority of the readings, from address 0.
        uncertain: ``uint64 (n,)`` masks of bits that are not certain, such as unstable ones.
        byte_order: How the bytes of wider words are added up.
    """
    doubt = np.zeros(len(contents), np.uint64) if uncertain is None else uncertain.astype(np.uint64)
    doubt = doubt | (~contents.known & np.uint64(contents.mask))
    blank = list(_filled(contents))
    whole = any(remark.kind == "blank" for remark in blank)
    remarks = blank
    if not whole:
        remarks = [*_halves(contents), *_outputs(contents), *_lines(contents), *_echo(contents), *blank]
    stretches = cut_by_entropy(contents.words, contents.word_bits)
    remarks += _noisy(stretches, len(contents))
    rules, sums = _sums(contents, doubt, byte_order)
    if any(remark.kind in ("mirrored", "dead address line") for remark in remarks):
        sums = ()  # words that stand there twice cancel
    remarks += [remark for rule in rules if (remark := _broken(rule)) is not None]
    remarks.sort(key=lambda remark: not remark.suspicious)
    return Structure(tuple(remarks), stretches, rules, sums)


# Repetition and dead lines -------------------------------------------------------------------------


def _is_power_of_two(number: int) -> bool:
    return number & (number - 1) == 0


def _halves(contents: Contents) -> Iterator[Remark]:
    """The contents repeat with the period of a smaller chip."""
    words, total = contents.words, len(contents)
    if not _is_power_of_two(total) or total < 4:
        return
    period = total
    while period > 1 and (words[: period // 2] == words[period // 2 : period]).all():
        period //= 2
    if period < total:
        times = total // period
        yield Remark(
            "mirrored",
            f"The same {period} words stand there {times} times.",
            "The chip is smaller, the reader was set to a smaller one, or the upper address lines do not "
            "reach it: check type, setting and pins.",
        )


def _outputs(contents: Contents) -> Iterator[Remark]:
    """Outputs that never move, and outputs that always equal another."""
    known = contents.known == np.uint64(contents.mask)
    words = contents.words[known]
    if not len(words):
        return
    ones, zeros = int(np.bitwise_and.reduce(words)), int(np.bitwise_or.reduce(words))
    width = contents.word_bits
    dead = []
    for bit in range(width):
        if ones >> bit & 1 or not zeros >> bit & 1:
            dead.append(bit)
            yield Remark(
                "dead output",
                f"Output D{bit} reads {ones >> bit & 1} at every address.",
                "Clean and check this pin; a driver may have failed, or the line of the reader.",
            )
    alive = [bit for bit in range(width) if bit not in dead]
    for place, bit in enumerate(alive):
        for other in alive[place + 1 :]:
            differs = np.uint64(1 << bit) | np.uint64(1 << other)
            both = words & differs
            if not ((both != 0) & (both != differs)).any():
                yield Remark(
                    "equal outputs",
                    f"Outputs D{bit} and D{other} are equal at every address.",
                    "Look for a bridge between these pins, in the socket and in the reader.",
                )


def _lines(contents: Contents) -> Iterator[Remark]:
    """Address lines that change nothing, or next to nothing."""
    words, total = contents.words, len(contents)
    if not _is_power_of_two(total):
        return
    top = total.bit_length() - 1
    shares = line_shares(words)
    mirrored = top
    while mirrored > 0 and shares[mirrored - 1] == 0:
        mirrored -= 1  # the upper lines are told as a mirror
    usual = float(np.median(shares)) if top else 0.0
    for line, share in enumerate(shares[:mirrored]):
        if share == 0:
            says = f"Address line A{line} changes nothing: every word stands there at both of its levels."
        elif share < 0.02 * usual:
            says = f"Address line A{line} hardly matters: only {share:.2%} of the words change with it."
        else:
            continue
        yield Remark(
            "dead address line",
            says,
            "Clean and check this pin and its line in the reader, and read again.",
        )


def line_shares(words: Words) -> tuple[float, ...]:
    """For each address line, the share of addresses whose word changes with it.

    Args:
        words: ``uint64 (n,)``, n a power of two.
    """
    total = len(words)
    shares = []
    for line in range(total.bit_length() - 1):
        pairs = words.reshape(-1, 2, 1 << line)
        shares.append(float(np.count_nonzero(pairs[:, 0] != pairs[:, 1])) / (total / 2))
    return tuple(shares)


def _echo(contents: Contents) -> Iterator[Remark]:
    """Words that are the low address: nobody drives the lines of a multiplexed bus."""
    address = np.arange(len(contents), dtype=np.uint64) & np.uint64(contents.mask)
    if len(contents) > 16 and (contents.words == address).mean() > 0.9:
        yield Remark(
            "address echoed",
            "The words are their own addresses: nothing drives the lines.",
            "Check the chip's enables, orientation and supply.",
        )


def _filled(contents: Contents) -> Iterator[Remark]:
    """One word everywhere, or large parts of one word."""
    words = contents.words
    digits = -(-contents.word_bits // 4)
    if (words == words[0]).all():
        yield Remark(
            "blank",
            f"Every word is {int(words[0]):0{digits}X}.",
            "Check type, orientation, seat and enables; else the chip is erased or dead.",
        )
        return
    for first, end in runs(words, max(len(words) // 16, 16)):
        where = "at the end" if end == len(words) else "at the start" if first == 0 else "within"
        yield Remark(
            "filler",
            f"{end - first} words from 0x{first:X} to 0x{end - 1:X} ({where}) are all "
            f"{int(words[first]):0{digits}X}.",
            suspicious=False,
        )


def runs(words: Words, least: int) -> list[tuple[int, int]]:
    """Stretches of one word, at least so long, as (first, end).

    >>> runs(np.array([1, 7, 7, 7, 2], np.uint64), 3)
    [(1, 4)]
    """
    edges = np.flatnonzero(np.concatenate([[True], words[1:] != words[:-1], [True]]))
    long = np.flatnonzero(np.diff(edges) >= least)
    return [(int(edges[index]), int(edges[index + 1])) for index in long]


# Entropy -------------------------------------------------------------------------------------------


def cut_by_entropy(words: Words, word_bits: int) -> tuple[Stretch, ...]:
    """Contents cut where the distribution of their bytes changes.

    A cut is made where two distributions describe the bytes better than one by more than the Bayesian
    information criterion charges for the second (G. Schwarz, "Estimating the dimension of a model", Annals of
    Statistics 6 (1978), pp. 461-464; from memory, not checked). Wider words count by their bytes.

    Args:
        words: ``uint64 (n,)``.
        word_bits: Their width.
    """
    size = max(64, -(-len(words) // MOST_BLOCKS))
    columns = -(-word_bits // 8)
    counts = np.zeros((-(-len(words) // size), 256), np.int64)
    block = np.arange(len(words)) // size
    for column in range(columns):
        value = (words >> np.uint64(8 * column)).astype(np.uint8)
        counts += np.bincount(block * 256 + value, minlength=counts.size).reshape(counts.shape)
    sums = np.concatenate([np.zeros((1, 256), np.int64), np.cumsum(counts, axis=0)])
    edges = sorted(_cuts(sums, 0, len(counts)))
    stretches = []
    for first, end in zip([0, *edges], [*edges, len(counts)], strict=True):
        mine = sums[end] - sums[first]
        entropy = float(_total_entropy(mine[None, :])[0] / max(mine.sum(), 1) / np.log(2))
        stretches.append(Stretch(first * size, min(end * size, len(words)), entropy))
    return tuple(stretches)


def _total_entropy(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Nats that it takes to write all bytes down, by the counts' own distribution: ``float64 (k,)``."""
    total = counts.sum(axis=1).astype(np.float64)
    logs = np.log(np.maximum(counts, 1))
    return np.asarray(total * np.log(np.maximum(total, 1)) - (counts * logs).sum(axis=1))


def _cuts(sums: NDArray[np.int64], first: int, end: int) -> list[int]:
    """Blocks before which to cut, by halving recursively at the best place."""
    if end - first < 4:
        return []
    places = np.arange(first + 2, end - 1)
    whole = _total_entropy((sums[end] - sums[first])[None, :])[0]
    saved = whole - _total_entropy(sums[places] - sums[first]) - _total_entropy(sums[end] - sums[places])
    best = int(np.argmax(saved))
    mine = sums[end] - sums[first]
    # 255 more parameters, but only the values that occur can carry any.
    price = 0.5 * max(int(np.count_nonzero(mine)) - 1, 1) * np.log(max(mine.sum(), 2)) + np.log(len(places))
    if saved[best] <= price:
        return []
    at = int(places[best])
    return [*_cuts(sums, first, at), at, *_cuts(sums, at, end)]


def _noisy(stretches: Sequence[Stretch], total: int) -> Iterator[Remark]:
    """Breaks of entropy that code and data do not usually make."""
    for stretch in stretches:
        size = stretch.end - stretch.first
        if stretch.entropy > 7.8 and size >= 2048 and size < total:
            yield Remark(
                "entropy break",
                f"0x{stretch.first:X} to 0x{stretch.end - 1:X} looks like noise ({stretch.entropy:.2f} bits "
                "a byte), the rest does not: compressed data, or cells that hold nothing.",
                "Read again: words of noise change from pass to pass, compressed data does not.",
                suspicious=False,
            )


# Sums ----------------------------------------------------------------------------------------------


def _sums(
    contents: Contents, doubt: Words, byte_order: ByteOrder
) -> tuple[tuple[RuleCheck, ...], tuple[str, ...]]:
    narrow = contents if contents.word_bits <= 8 else None
    if narrow is None and contents.word_bits % 8 == 0:
        narrow = as_bytes(contents, byte_order)
    if narrow is None or contents.word_bits < 8:
        return (), ()
    data = narrow.words.astype(np.uint8).tobytes()
    each = contents.word_bits // 8
    rules = []
    for at in range(0, max(len(data) - 8, 1), HEADER_STEP):
        for check in check_headers(data[at:]):
            # Further on, data may look like a header by chance, and EFI images need no sum of their own.
            if not check.size or at + check.size > len(data) or (at and not check.holds):
                continue
            covered = doubt[at // each : (at + check.size) // each]
            rules.append(RuleCheck(at, check, int(np.count_nonzero(covered))))
    constant = len(set(data[:4096])) == 1 and len(set(data)) == 1
    zero = [
        row.name for row in ALGORITHMS if row.name in ZERO_SUMS and not constant and not row.compute(data)
    ]
    return tuple(rules), tuple(zero)


def _broken(rule: RuleCheck) -> Remark | None:
    """A sum that does not hold; one that holds is told apart."""
    if rule.check.holds:
        return None
    unsure = f"; {rule.uncertain} of its words are uncertain" if rule.uncertain else ""
    return Remark(
        "checksum fails",
        f"The {rule.check.rule} header at 0x{rule.at:X} covers {rule.check.size} bytes, but its sum fails: "
        f"{rule.check.found}{unsure}.",
        "At least one bit of these bytes is wrong; the rule can serve to rebuild it.",
    )
