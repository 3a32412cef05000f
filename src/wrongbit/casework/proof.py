"""Whether a repair is proved: everything that was wrong before is looked at again and is right now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ProofVerdict = Literal["proved", "waived", "not proved", "not covered"]
"""*waived*: all else is proved, and a person has given a reason why the rest may stay unread."""


@dataclass(frozen=True)
class ProofLine:
    """One bar of the case, before and after.

    Args:
        group: capture, ladder, reading or image.
        title: What is looked at: a processor's bus, a rung, a chip.
        before: What was found before the repair.
        after: What is found now; empty where nothing looked at it again.
        verdict: "not covered" where nothing, or not enough, was looked at again.
        says: Why, in a sentence.
        remedy: What to do about it; empty where nothing is to be done.
    """

    group: Literal["capture", "ladder", "reading", "image"]
    title: str
    before: str
    after: str
    verdict: ProofVerdict
    says: str
    remedy: str = ""


@dataclass(frozen=True)
class Uncovered:
    """A word that was wrong before and was not judged again.

    Args:
        processor: On whose bus.
        bank: Bank, -1 where it is not known.
        address: As the processor counts.
        bits: A 1 for each bit that was wrong and was not judged again.
        sentence: For people.
        why_not: Why a fresh reading of its chip does not count for it; empty where there is none.
    """

    processor: str
    bank: int
    address: int
    bits: int
    sentence: str
    why_not: str = ""


@dataclass(frozen=True)
class Credited:
    """Words that the machine did not read again, and that a reader saw right in their chip.

    Args:
        processor: On whose bus they were wrong.
        bank: Bank.
        addresses: As the processor counts, rising.
        chips: Which chips were read.
        sentence: For people.
    """

    processor: str
    bank: int
    addresses: tuple[int, ...]
    chips: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class Waived:
    """Words that nothing fresh has looked at, and that a person lets be, with a reason.

    Args:
        processor: On whose bus they were wrong.
        bank: Bank, -1 where it is not known.
        addresses: As the processor counts, rising.
        entry: The journal's entry that says so.
        by: Who.
        at: When, as ISO 8601.
        why: The reason, in that person's words.
        sentence: For people.
    """

    processor: str
    bank: int
    addresses: tuple[int, ...]
    entry: int
    by: str
    at: str
    why: str
    sentence: str


@dataclass(frozen=True)
class WaiverHint:
    """Words that the sound program may never read, and what speaks for it. It is for a person to judge.

    Args:
        processor: On whose bus they were wrong.
        bank: Bank, -1 where it is not known.
        addresses: As the processor counts, rising.
        where: The addresses as `wrongbit prove --waive` takes them.
        why: A reason that could be given.
        sentence: For people.
    """

    processor: str
    bank: int
    addresses: tuple[int, ...]
    where: str
    why: str
    sentence: str


@dataclass(frozen=True)
class Proof:
    """The case's own bars, before and after the repair.

    Args:
        machine: The machine's name.
        lines: Every bar.
        uncovered: Words that were wrong before and were not judged again, by address.
        verdict: "not proved" when any line is; else "not covered" when any is; else "waived"; else "proved".
        sentence: The whole in a sentence.
        captures_before: Journal numbers of the captures before the repair.
        captures_after: Of the fresh ones.
        readings_before: Of the readings before the repair.
        readings_after: Of the fresh ones.
        key: Of all that went in.
        files_before: Captures and readings before the repair, for people.
        files_after: The fresh ones.
        credited: Words that a reader saw right, not the machine.
        waived: Words that a person lets be.
        hints: Words that the sound program may never read.
        notes: What a person should know of the fresh captures and of the waivers.
        looked_at: Processors whose bus the fresh captures look at.
    """

    machine: str
    lines: tuple[ProofLine, ...]
    uncovered: tuple[Uncovered, ...]
    verdict: ProofVerdict
    sentence: str
    captures_before: tuple[int, ...] = ()
    captures_after: tuple[int, ...] = ()
    readings_before: tuple[int, ...] = ()
    readings_after: tuple[int, ...] = ()
    key: str = ""
    files_before: tuple[str, ...] = ()
    files_after: tuple[str, ...] = ()
    credited: tuple[Credited, ...] = ()
    waived: tuple[Waived, ...] = ()
    hints: tuple[WaiverHint, ...] = ()
    notes: tuple[str, ...] = ()
    looked_at: tuple[str, ...] = ()

    @property
    def remedies(self) -> tuple[str, ...]:
        """What to do about the bars that are not met, each once."""
        return tuple(dict.fromkeys(each.remedy for each in self.lines if each.remedy))


def still_to_judge(proof: Proof) -> str:
    """The words that were wrong, in one sentence, before anything fresh has looked at them.

    Returns:
        The sentence; empty where something fresh has looked, or no word was wrong.
    """
    if not proof.uncovered or proof.captures_after:
        return ""
    words = proof.uncovered
    first, last = min(each.address for each in words), max(each.address for each in words)
    where = f"at 0x{first:04X}" if first == last else f"between 0x{first:04X} and 0x{last:04X}"
    told = "1 word was" if len(words) == 1 else f"{len(words)} words were"
    return (
        f"{told} wrong, {where}: a fresh capture that is to prove the repair has to read all of them again."
    )


def say_state(verdict: str) -> str:
    """Where the repair stands, in a sentence.

    >>> say_state("not covered")
    'The repair is not covered.'
    """
    if verdict == "waived":
        return "The repair is proved, but for words that a person has waived."
    return f"The repair is {verdict}."
