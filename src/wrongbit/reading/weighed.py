"""The outcome of weighing the faults behind readings."""

from __future__ import annotations

from dataclasses import dataclass

from wrongbit.faults.fault import Fault


@dataclass(frozen=True)
class Pattern:
    """One explanation of what was read.

    Args:
        model: Name of its family, or of both families; "no fault seen" for none.
        faults: The fault or faults; none: noise alone.
        says: What is wrong, in plain sentences.
        advice: What to do about it.
        probability: Posterior probability among everything that was weighed.
        score: Log of prior times likelihood, up to a constant.
        explained: Wrong bits in the weighed observations that it predicts or leaves open.
        unexplained: Judged bits there that were read otherwise than it allows.
    """

    model: str
    faults: tuple[Fault, ...]
    says: str
    advice: str
    probability: float
    score: float
    explained: int
    unexplained: int


@dataclass(frozen=True)
class Weighed:
    """All explanations, best first.

    Args:
        patterns: By falling probability.
        ties: Number of patterns at the front that cannot be told apart.
        wrong_words: Addresses with a wrong bit in some pass.
        wrong_cells: Bits that were wrong in some pass.
        always_wrong: Bits that were wrong in every pass.
        rises: Bits that should be 0 and were read as 1 in some pass; the other wrong ones fell.
        judged_cells: Bits that have an expectation and were read.
        addresses: Addresses that were weighed; fewer than the chip has where there are very many.
        wrong_bits: Wrong bits in the weighed observations.
        allowed: Bits that may stay unexplained by noise alone.
        considered: Number of faults and pairs that were weighed.
        noise: The noise rate.
    """

    patterns: tuple[Pattern, ...]
    ties: int
    wrong_words: int
    wrong_cells: int
    always_wrong: int
    rises: int
    judged_cells: int
    addresses: int
    wrong_bits: int
    allowed: int
    considered: int
    noise: float

    @property
    def best(self) -> Pattern:
        """The likeliest explanation."""
        return self.patterns[0]

    @property
    def fault_seen(self) -> bool:
        """The best explanation is a fault."""
        return bool(self.best.faults)

    def remark(self) -> str:
        """How far to trust the best explanation."""
        if not self.judged_cells:
            return "Nothing could be judged: no bit was both read and expected."
        if self.best.unexplained > self.allowed:
            return (
                f"Nothing in the table explains everything: the best leaves {self.best.unexplained} bits "
                f"over, where noise makes {self.allowed} credible. There may be more than two faults, or the "
                "reference is of another version."
            )
        if not self.fault_seen and not self.wrong_cells:
            return "Every bit that could be judged is as the reference says, in every pass."
        if not self.fault_seen:
            return "What differs is no more than single misreads make credible."
        if self.ties > 1:
            return f"{self.ties} explanations cannot be told apart by these readings."
        told = f"It explains {self.best.explained} of {self.wrong_bits} wrong bits that were weighed"
        rest = "; the rest is no more than single misreads make credible" if self.best.unexplained else ""
        return f"{told}{rest}."
