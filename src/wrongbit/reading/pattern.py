"""The fault behind wrong bits of a chip in a reader, with posterior odds.

The faults of `wrongbit.faults` and those of `wrongbit.reading.models` compete on one scale. What a line of
the reader does and what the chip's own pin does look the same in a reading, so such pairs are told as one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from wrongbit.bits import count_bits
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.faults.cellwise import CellwiseFault
from wrongbit.faults.evidence import Evidence
from wrongbit.faults.fault import BUS, Fault
from wrongbit.faults.findings import Findings
from wrongbit.faults.likelihood import cost_of, forms_of
from wrongbit.faults.models.cells import ScatteredCells
from wrongbit.faults.models.selection import ChipSilent, LaneInverted
from wrongbit.faults.models.wires import WireFault
from wrongbit.faults.noise import Noise
from wrongbit.faults.posterior import weigh
from wrongbit.faults.predict import predict
from wrongbit.faults.rows import MOST_WEIGHT, Rows, Words
from wrongbit.faults.separate import likeliest_word
from wrongbit.image.contents import Contents
from wrongbit.reading.advice import advice_for, twin_of
from wrongbit.reading.bursts import find_bursts, gain_by_group
from wrongbit.reading.dependence import Dependence
from wrongbit.reading.evidence import gather, reader_map, wrong_bits
from wrongbit.reading.loose import speeds_of, telling_reads
from wrongbit.reading.models import Unrelated
from wrongbit.reading.own import MARGIN, explanation, weigh_own
from wrongbit.reading.own import own_faults as list_own
from wrongbit.reading.pairs import Own, pairs_with_an_output
from wrongbit.reading.stack import READ_NOISE, Stack
from wrongbit.reading.weighed import Pattern, Weighed

TIE = float(np.log(20))
"""Explanations whose odds against each other are shorter than 20 to 1 are not told apart. Bench sense, no
source."""

PAIR_COST, FEWEST = 200.0, 64
"""Pairs are weighed only where single cells explain so badly, in nats, and so many wrong bits were seen."""

PLAIN = 8
"""Bits, each wrong more than once, that the best single fault may leave over without pairs being tried."""

THIN = 1 << 10
"""Wrong reads, and addresses without one, on which pairs of faults are weighed."""

SHOWN = 24
"""Explanations that are kept, ties aside."""


def weigh_readings(
    stack: Stack,
    chip: ChipMap,
    *,
    reference: Contents | None = None,
    others: Mapping[str, Contents] | None = None,
    dependences: Sequence[Dependence] = (),
    chip_type: str = "",
    noise: float = READ_NOISE,
) -> Weighed:
    """Which fault explains the readings, and how surely.

    Args:
        stack: The passes.
        chip: The chip on its board, with what it should hold.
        reference: What to compare with instead, such as a twin's contents.
        others: What other chips of the machine should hold, by name.
        dependences: Conditions with which the errors go.
        chip_type: Its type in the machine file; "mask" in it tells how it holds its contents, where nothing
            else does.
        noise: Probability that a bit is read wrong for no other reason.

    Raises:
        ValueError: The noise rate is not between 0 and ½, or the reference is not as long as the chip.
    """
    if chip.technology is None and "mask" in chip_type.lower():
        chip = replace(chip, technology="mask")
    memory_map = reader_map(chip, reference)
    alone = memory_map.chips[0]
    if len(alone.contents) != len(stack):
        raise ValueError(f"{len(alone.contents)} words of reference, {len(stack)} words were read")
    rate = Noise(noise)
    evidence, addresses = gather(stack, memory_map)
    rows = Rows.of(evidence, memory_map)
    if not rows.wrong.any() or _mere_noise(stack, alone, noise):
        found = [Pattern("no fault seen", (), "No fault shows in these readings.", "", 1.0, 0.0, 0, 0)]
        return _result(found, 1, stack, alone, rows, addresses, 1, noise)
    own = weigh_own(rows, alone, others or {}, rate)
    findings = weigh(evidence, memory_map, noise=noise, pairs=False)
    considered = findings.considered + len(own)
    listed = [*own, *_patterns(findings, rows)]
    special = _special(listed, stack, memory_map, dependences, rate)
    listed += special
    if not special and _pairs_needed(listed, rows, stack.passes):
        least = max(each.score for each in listed) - MARGIN

        def own_faults(some: Rows) -> list[tuple[Fault, float]]:
            return list_own(some, alone, others or {}, rate)

        doubles, tried = _pairs(stack, memory_map, evidence, rows, own_faults, least, noise)
        listed += doubles
        considered += tried
    one_way = _one_way(rows)
    listed = [_worded(each, alone, one_way) for each in _together(listed)]
    return _ranked(listed, stack, alone, rows, addresses, considered, noise)


def _mere_noise(stack: Stack, chip: ChipMap, noise: float) -> bool:
    """Wrong bits are few, and none of them was wrong twice: what single misreads do.

    A cell that is read wrong in two passes is no chance: at the usual noise that happens once in millions.
    """
    if stack.passes < 3:
        return False
    _, always = wrong_bits(stack, chip)
    if always.any():
        return False
    waver = stack.wavering
    expected = chip.contents[waver.address] >> waver.bit.astype(np.uint64) & np.uint64(1)
    judged = (chip.known[waver.address] >> waver.bit.astype(np.uint64) & np.uint64(1)) == 1
    wrong = np.where(expected == 1, waver.reads - waver.ones, waver.ones)[judged]
    credible = _allowed(int(stack.known_counts().sum()), noise)
    cells = int(stack.known_counts().sum()) / stack.passes
    twice = cells * (stack.passes * noise) ** 2 / 2
    places = np.unique(waver.address[judged])
    # Neighbours belong together: a stretch of bad contact hits many words in a row.
    apart = not len(places) or np.count_nonzero(np.diff(places) <= 2) <= len(places) / 4 + 1
    return bool(wrong.sum() <= credible and (wrong > 1).sum() <= twice and apart)


def _allowed(bits: int, rate: float) -> int:
    """Wrong bits that noise makes credible: the mean, four standard deviations and one."""
    mean = bits * rate
    return int(mean + 4 * np.sqrt(mean * (1 - rate)) + 1)


def _patterns(findings: Findings, rows: Rows) -> list[Pattern]:
    listed = []
    for each in findings.findings:
        explained, unexplained = each.explained, each.unexplained
        if len(each.faults) == 1 and isinstance(each.faults[0], CellwiseFault):
            explained, unexplained = _by_cells(each.faults[0], rows)
        listed.append(
            Pattern(
                each.model or "no fault seen",
                each.faults,
                each.say() or "No fault: single misreads only.",
                "",
                0.0,
                each.score,
                explained,
                unexplained,
            )
        )
    return listed


def _by_cells(fault: CellwiseFault, rows: Rows) -> tuple[int, int]:
    """Wrong bits in bad cells, and in others: a bad cell may waver, so its right reads are no objection."""
    where = np.array([cell for cell, _ in fault.cells], np.uint64)
    masks = np.array([mask for _, mask in fault.cells], np.uint64)
    if not len(where):
        return 0, int(count_bits(rows.wrong).sum())
    place = np.minimum(np.searchsorted(where, rows.address), len(where) - 1)
    bad = np.where(where[place] == rows.address, masks[place], np.uint64(0))
    return int(count_bits(rows.wrong & bad).sum()), int(count_bits(rows.wrong & ~bad).sum())


def _pairs_needed(listed: Sequence[Pattern], rows: Rows, passes: int) -> bool:
    """The best single fault leaves bits over, more than once each, or merely lists the wrong ones."""
    best = max(listed, key=lambda each: each.score)
    if count_bits(rows.wrong).sum() < FEWEST:
        return False
    if any(isinstance(fault, CellwiseFault | Unrelated) for fault in best.faults):
        return best.score < -PAIR_COST
    left = _refused(best.faults, rows)
    return bool(count_bits(left[rows.weight >= min(passes, 2)]).sum() > PLAIN)


def _pairs(
    stack: Stack, memory_map: MemoryMap, evidence: Evidence, rows: Rows, own: Own, least: float, noise: float
) -> tuple[list[Pattern], int]:
    """Pairs of faults, chosen on a thin part of the evidence and then costed on all of it.

    Args:
        stack: The passes.
        memory_map: The chip alone in a reader.
        evidence: All observations.
        rows: The same, made ready for costs.
        own: Lists the reader's own faults.
        least: Pairs with a lower score do not compete.
        noise: The noise rate.
    """
    thin, _ = gather(stack, memory_map, most=THIN)
    weighed = weigh(thin, memory_map, noise=noise)
    pairs = [
        (each.faults, each.log_prior, cost_of(each.faults, rows, Noise(noise)))
        for each in weighed.findings
        if len(each.faults) == 2 and each.probability > 1e-6
    ]
    found = [_explained(cost.faults, log_prior - cost.nats, rows) for _, log_prior, cost in pairs]
    listed = pairs_with_an_output(evidence, rows, memory_map, own, Noise(noise))
    found += [_explained(each.faults, each.log_prior - each.nats, rows) for each in listed]
    kept = {(each.says, each.model): each for each in found if each.score >= least}
    return list(kept.values()), weighed.considered + len(listed)


def _explained(faults: tuple[Fault, ...], score: float, rows: Rows) -> Pattern:
    return explanation(faults, score, rows, _refused(faults, rows))


def _refused(faults: tuple[Fault, ...], rows: Rows) -> Words:
    """Bits that were read otherwise than the faults allow in any of their forms."""
    refused = rows.judged
    for form in forms_of(faults):
        prediction = predict(form, rows)
        open_ = prediction.soft
        if any(fault.drift for fault in faults):
            open_ = open_ | (prediction.floating & ~prediction.value)
        if prediction.unknown is not None:
            open_ = open_ | prediction.unknown
        refused = refused & (prediction.value ^ rows.seen) & ~open_
    return refused


def _special(
    listed: Sequence[Pattern],
    stack: Stack,
    memory_map: MemoryMap,
    dependences: Sequence[Dependence],
    noise: Noise,
) -> list[Pattern]:
    """A loose fault that acts in stretches, and data that is late only where the reader hurries."""
    best = max(each.score for each in listed)
    hurried = next((each for each in dependences if each.quantity == "speed_ns" and not each.rises), None)
    scale = min(stack.passes, MOST_WEIGHT) / stack.passes
    found: list[Pattern] = []
    for each in listed:
        if len(each.faults) != 1 or each.score < best - MARGIN or each.faults[0].part == BUS:
            continue
        fault = each.faults[0]
        late = each.model == "slow data"
        pin = isinstance(fault, WireFault | ChipSilent) and not late and fault.shapes()[-1] is None
        if pin and fault.rate < 1:
            telling = telling_reads(fault, stack, memory_map, noise)
            bursts = find_bursts(telling.ratio, telling.place)
            if bursts.gain > TIE:
                says = (
                    f"{fault.say()} It acts in stretches of about {bursts.stretch:.0f} reads: a contact that "
                    "comes and goes."
                )
                score = each.score + bursts.gain * scale
                found.append(replace(each, model="contact comes and goes", says=says, score=score))
        if late and hurried is not None:
            telling = telling_reads(fault, stack, memory_map, noise, late=True)
            gain = gain_by_group(telling.ratio, speeds_of(hurried, telling.number))
            says = f"{fault.part} was read too fast: words came late. {hurried.say()}"
            score = each.score + gain * scale + hurried.gain
            found.append(replace(each, model="read too fast", says=says, score=score))
    return found


# Wording and order ---------------------------------------------------------------------------------


def _together(listed: Sequence[Pattern]) -> list[Pattern]:
    """A pin of the chip and the reader's line to it, told as one."""
    groups: dict[object, list[Pattern]] = {}
    for each in listed:
        groups.setdefault(_place(each), []).append(each)
    merged = []
    for same in groups.values():
        first = next((each for each in same if all(fault.part != BUS for fault in each.faults)), same[0])
        score = float(np.logaddexp.reduce([each.score for each in same]))
        merged.append(replace(first, score=score))
    return merged


def _place(pattern: Pattern) -> object:
    """What two explanations share that no reading can tell apart."""
    keys: list[tuple[object, ...]] = []
    for fault in pattern.faults:
        if isinstance(fault, WireFault):
            keys.append((twin_of(fault.model), fault.what, int(fault.first), int(fault.second)))
        else:
            keys.append((fault.model, repr(fault)))
    return pattern.model if pattern.model in _SPECIAL else "", tuple(sorted(map(str, keys)))


_SPECIAL = ("contact comes and goes", "read too fast", "slow data")


def _one_way(rows: Rows) -> int | None:
    """The level that every wrong bit was read as, or None where both occur."""
    ones, zeros = (rows.wrong & rows.seen).any(), (rows.wrong & ~rows.seen).any()
    return None if ones and zeros else int(ones)


def _worded(pattern: Pattern, chip: ChipMap, one_way: int | None) -> Pattern:
    """The sentence and the advice as they fit a chip in a reader.

    Args:
        pattern: The explanation.
        chip: The chip.
        one_way: The level that every wrong bit was read as, or None.
    """
    says = pattern.says.replace(" of the bus", f" of {chip.name}")
    if len(pattern.faults) == 1:
        fault = pattern.faults[0]
        if isinstance(fault, LaneInverted):
            says = f"Every bit of {chip.name} is inverted: the file, an adapter, or the reference."
        if isinstance(fault, ScatteredCells) and not chip.stores_charge and one_way is not None:
            says = (
                f"Cells of {chip.name} read {one_way} where they should hold {1 - one_way}, never the other "
                "way: opens in the array (such a chip holds no charge that could be lost)."
            )
        if isinstance(fault, WireFault) and fault.what == "open" and pattern.model not in _SPECIAL:
            if "address" in fault.model and fault.rate in (0.0, 1.0):
                says = f"{says.partition(':')[0]} and reads {'high' if fault.rate else 'low'} throughout."
            says += " A pin may be bent under, broken, or not touching."
    return replace(pattern, says=says, advice=advice_for(pattern.model))


def _ranked(
    listed: Sequence[Pattern],
    stack: Stack,
    chip: ChipMap,
    rows: Rows,
    addresses: int,
    considered: int,
    noise: float,
) -> Weighed:
    ordered = sorted(listed, key=lambda each: -each.score)
    total = float(np.logaddexp.reduce([each.score for each in ordered]))
    ordered = [replace(each, probability=float(np.exp(each.score - total))) for each in ordered]
    best = ordered[0]
    tied = [each for each in ordered if best.score - each.score < TIE or _same(best, each, rows)]
    rest = [each for each in ordered if each not in tied and each.score >= best.score - MARGIN]
    return _result([*tied, *rest[:SHOWN]], len(tied), stack, chip, rows, addresses, considered, noise)


def _same(one: Pattern, two: Pattern, rows: Rows) -> bool:
    """Both predict the same for everything that was read, and chance cannot decide."""
    if one.score - two.score > 2 * TIE or not one.faults or not two.faults:
        return False
    (value, settled), (other, also) = (likeliest_word(each.faults, rows) for each in (one, two))
    both = np.array_equal(settled & rows.judged, also & rows.judged)
    return both and not ((value ^ other) & settled & rows.judged).any()


def _result(
    patterns: Sequence[Pattern],
    ties: int,
    stack: Stack,
    chip: ChipMap,
    rows: Rows,
    addresses: int,
    considered: int,
    noise: float,
) -> Weighed:
    ever, always = wrong_bits(stack, chip)
    expected = chip.contents.astype(ever.dtype)
    return Weighed(
        patterns=tuple(patterns),
        ties=ties,
        wrong_words=int(np.count_nonzero(ever)),
        wrong_cells=int(np.bitwise_count(ever).sum()),
        always_wrong=int(np.bitwise_count(always).sum()),
        rises=int(np.bitwise_count(ever & ~expected).sum()),
        judged_cells=int(np.bitwise_count(chip.known.astype(ever.dtype) & stack.ever_known).sum()),
        addresses=addresses,
        wrong_bits=int(count_bits(rows.wrong).sum()),
        allowed=_allowed(int(stack.known_counts().sum()), noise),
        considered=considered,
        noise=noise,
    )
