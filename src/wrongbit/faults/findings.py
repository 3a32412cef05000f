"""What the weighing found, for people and programs."""

from __future__ import annotations

from dataclasses import dataclass

from wrongbit.faults.fault import Fault
from wrongbit.faults.models.cells import ScatteredCells

MOST_SCATTERED = 0.05
"""More than this share of the cell bits that were read is not called scattered. Judgement, no source."""


@dataclass(frozen=True)
class Finding:
    """One explanation of what was seen: a fault, or two at once.

    Args:
        faults: The fault or faults, with the rate and drift that explain best.
        probability: Posterior probability among everything that was weighed.
        log_prior: Logarithm of the prior.
        cost: Fall of the log likelihood below a perfect prediction, in nats.
        explained: Wrong bits in unique observations that it predicts, or leaves open.
        unexplained: Judged bits in unique observations that were seen otherwise than it allows: wrong bits
            that it does not predict, and changes that it predicts and that were not seen.
    """

    faults: tuple[Fault, ...]
    probability: float
    log_prior: float
    cost: float
    explained: int
    unexplained: int

    @property
    def model(self) -> str:
        """Name of the family, or of both families; "no fault seen" for none."""
        return " + ".join(fault.model for fault in self.faults) or "no fault seen"

    @property
    def parts(self) -> tuple[str, ...]:
        """Parts at fault, each once."""
        return tuple(dict.fromkeys(fault.part for fault in self.faults))

    @property
    def score(self) -> float:
        """Logarithm of prior times likelihood, up to a constant."""
        return self.log_prior - self.cost

    def say(self) -> str:
        """What is wrong, in a sentence for each fault."""
        if self.faults:
            return " ".join(fault.say() for fault in self.faults)
        noise = f"; {_bits(self.unexplained)} taken for noise" if self.unexplained else ""
        return f"No fault shows in what was captured{noise}."


@dataclass(frozen=True)
class Separation:
    """A read that would tell two findings apart.

    Args:
        bank: Bank to read in.
        address: Address to read.
        write: Word to write there first, where it is RAM, else None.
        held: What must be on the data lines just before, all 0 or all 1; None where that does not matter.
        first: Word that the first finding predicts, as the processor sees it.
        second: Word that the second one predicts.
        bits: Bits in which they surely differ.
        other: Index in `Findings.findings` of the second; the first is the best one.
    """

    bank: int
    address: int
    write: int | None
    held: int | None
    first: int
    second: int
    bits: int
    other: int

    def say(self) -> str:
        """What to read and what each finding predicts, in a sentence."""
        before = "" if self.write is None else f"write 0x{self.write:X} to it, then "
        lines = "" if self.held is None else f" with the data lines at {int(self.held > 0)} just before"
        return (
            f"Address 0x{self.address:X}: {before}read it{lines}; the first predicts 0x{self.first:X}, "
            f"the other 0x{self.second:X}."
        )


@dataclass(frozen=True)
class Findings:
    """Everything that was weighed, best first.

    Args:
        findings: Explanations by falling probability, as far as `wrongbit.faults.posterior.MARGIN` reaches.
        groups: Indices into ``findings`` that cannot be told apart by what was captured; the first group
            holds the best.
        separations: Reads that would tell the best from others of its group, where one was found.
        observations: Number of unique observations.
        wrong_observations: Of these, those with a wrong bit.
        judged_bits: Judged bits in all unique observations.
        wrong_bits: Of these, the wrong ones.
        considered: Number of faults and pairs that were weighed.
        allowed: Number of unexplained bits that noise makes credible.
        noise: The noise rate.
    """

    findings: tuple[Finding, ...]
    groups: tuple[tuple[int, ...], ...]
    separations: tuple[Separation, ...]
    observations: int
    wrong_observations: int
    judged_bits: int
    wrong_bits: int
    considered: int
    allowed: int
    noise: float

    @property
    def best(self) -> Finding:
        """The likeliest explanation."""
        return self.findings[0]

    @property
    def ties(self) -> tuple[Finding, ...]:
        """The best and everything that cannot be told from it by what was captured."""
        return tuple(self.findings[index] for index in self.groups[0])

    @property
    def fault_seen(self) -> bool:
        """The best explanation is a fault."""
        return bool(self.best.faults)

    @property
    def fits(self) -> bool:
        """The best explanation leaves no more unexplained than noise makes credible, and is not crowded."""
        return self.best.unexplained <= self.allowed and not self.crowded

    @property
    def crowded(self) -> bool:
        """The best explanation needs more scattered cells than scatter: a structure nobody listed."""
        cells = [fault for fault in self.best.faults if isinstance(fault, ScatteredCells)]
        return any(fault.bad_bits > MOST_SCATTERED * fault.read for fault in cells)

    def remark(self) -> str:
        """How far to trust the best explanation, in a sentence or two."""
        if not self.observations:
            return "Nothing that was captured could be judged."
        if self.crowded:
            return (
                "So many bad cells do not scatter by chance: a fault that is not in the table is likelier, "
                "or the reference is wrong."
            )
        if not self.fits:
            return (
                "No single fault or pair in the table explains everything: the best leaves "
                f"{self.best.unexplained} of {self.judged_bits} judged bits unexplained, where noise makes "
                f"{self.allowed} credible. The fault may be of another kind, there may be more than two, or "
                "the reference or the probe is wrong."
            )
        if not self.fault_seen:
            return (
                "No fault is seen in what was captured; one in parts that were not exercised would not show."
            )
        if len(self.groups[0]) > 1:
            return f"{len(self.groups[0])} explanations cannot be told apart by what was captured."
        told = f"It explains {self.best.explained} of {self.wrong_bits} wrong bits"
        return f"{told}, each different read counted once."

    def weighed(self) -> str:
        """What was weighed, in a sentence."""
        return (
            f"{self.observations} different reads, {self.wrong_observations} of them wrong; "
            f"{self.considered} faults and pairs of faults weighed; chance is taken to turn one bit in "
            f"{1 / self.noise:,.0f}."
        )


def _bits(count: int) -> str:
    return "1 wrong bit is" if count == 1 else f"{count} wrong bits are"
