"""A case at a glance: plain values only, so that it can be kept as JSON and shown anywhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

RungVerdict = Literal["within", "outside", "not measured"]
ChipState = Literal["good", "bad", "wavers", "not compared", "not read", "not usable"]


@dataclass(frozen=True)
class RungLine:
    """A rung of the bring-up ladder.

    Args:
        group: rail, clock, reset or input.
        name: Name in the machine file.
        key: Which quantity of it.
        title: Both, as a measurement by hand names it.
        wanted: The limits, for people.
        measured: The measured value, for people; empty where there is none.
        verdict: What came out.
        off: By how much it is outside, for people; empty where it is not.
        test_point: Where to measure.
        source: Where the value comes from.
        note: What else to know.
        assumed: The limits follow from the input's family, not from the machine file.
    """

    group: str
    name: str
    key: str
    title: str
    wanted: str
    measured: str
    verdict: RungVerdict
    off: str = ""
    test_point: str = ""
    source: str = ""
    note: str = ""
    assumed: bool = False


@dataclass(frozen=True)
class WrongWord:
    """A word that is not what it should be.

    Args:
        cycle: Number of the bus cycle in its capture, counted from 0.
        bank: Bank, -1 where it is not known.
        address: As the processor counts.
        expected: The word that should have been there, unknown bits 0.
        seen: The word that was there.
        mask: A 1 for each judged bit in which they differ.
        judged: A 1 for each bit that could be judged.
        word_bits: Width of the word.
        address_bits: Width of the address.
        chips: Chips with a wrong bit in their lane.
        lanes: Of each of these, the word bit that each output feeds, output 0 first.
        sentence: All this for people.
    """

    cycle: int
    bank: int
    address: int
    expected: int
    seen: int
    mask: int
    judged: int
    word_bits: int
    address_bits: int
    chips: tuple[str, ...]
    lanes: tuple[tuple[int, ...], ...]
    sentence: str


@dataclass(frozen=True)
class FoundFault:
    """One explanation of a capture's wrong words.

    Args:
        sentence: What is wrong.
        probability: Among everything that was weighed.
        parts: Parts at fault.
        tied: It cannot be told from the best by what was captured; the best itself is tied only with others.
    """

    sentence: str
    probability: float
    parts: tuple[str, ...]
    tied: bool


@dataclass(frozen=True)
class CaptureLine:
    """A capture.

    Args:
        entry: Its number in the journal.
        file: Name that its file came with.
        sha256: Of the original.
        point: Probe point.
        note: A person's.
        at: When it was added, ISO 8601.
        proof: It was taken to prove a repair.
        problem: Why nothing could be made of it, in one line; then the counts are 0.
        mode: timing, state or cycles; empty where the point is unknown.
        cycles: Bus cycles.
        reading: Of these, cycles in which a memory drives the bus.
        agrees: Of these, those that agree.
        differs: Those that differ.
        not_known: Those that could not be judged.
        judged_share: Share of the reading cycles that could be judged.
        first_wrong: The first wrong word, or None.
        findings: The best explanations, the likeliest first.
        tied: Several cannot be told apart.
        fault_seen: The best explanation is a fault.
        remark: How far to trust the best.
        check_first: Mistakes at the clips or in the machine file that explain it about as well, in sentences.
        notes: What the readers want a person to know.
    """

    entry: int
    file: str
    sha256: str
    point: str
    note: str = ""
    at: str = ""
    proof: bool = False
    problem: str = ""
    mode: str = ""
    cycles: int = 0
    reading: int = 0
    agrees: int = 0
    differs: int = 0
    not_known: int = 0
    judged_share: float = 0.0
    first_wrong: WrongWord | None = None
    findings: tuple[FoundFault, ...] = ()
    tied: bool = False
    fault_seen: bool = False
    remark: str = ""
    check_first: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SuspectLine:
    """A part under suspicion.

    Args:
        part: Reference designator.
        kind: What it is; empty where the machine file does not tell.
        share: Its share of the suspicion, 0 to 1.
        prior: Its share before anything was measured.
        way: The likeliest way in which it is wrong.
        tied: It is among the first, which cannot be told apart.
    """

    part: str
    kind: str
    share: float
    prior: float
    way: str
    tied: bool


@dataclass(frozen=True)
class OutcomeLine:
    """What a proposed measurement may show.

    Args:
        text: What would be seen.
        share: Its probability.
        parts: Parts that would then be suspected, for people.
    """

    text: str
    share: float
    parts: str


@dataclass(frozen=True)
class ConfirmationLine:
    """One way to make sure of the part that the odds have decided for.

    Args:
        part: The part.
        sentence: What to do.
        confirms: What is seen if it is the part.
        clears: What it is otherwise.
        minutes: Effort.
    """

    part: str
    sentence: str
    confirms: str
    clears: str
    minutes: float


@dataclass(frozen=True)
class ProposalLine:
    """A measurement that could be made next.

    Args:
        kind: ``capture`` or a kind of measurement by hand.
        place: Probe point, part or chip.
        sentence: What to do.
        minutes: Effort.
        risk: Probability that it spoils something.
        gain: Bits of doubt that it is expected to remove.
        remaining: Bits that are expected to remain.
        setting: Captures: how to set the instrument, for people.
        line: By hand: the line as D5 or A12; empty where all are meant.
        carries: By hand: what the line carries, where it matters.
        outcomes: What may be seen.
        can_be: By hand: the outcomes that a measurement of this kind can have, as the journal names them.
    """

    kind: str
    place: str
    sentence: str
    minutes: float
    risk: float
    gain: float
    remaining: float
    setting: str = ""
    line: str = ""
    carries: str = ""
    outcomes: tuple[OutcomeLine, ...] = ()
    can_be: tuple[str, ...] = ()


@dataclass(frozen=True)
class ChipLine:
    """A chip.

    Args:
        name: Reference designator.
        type: Type number.
        kind: rom, ram or io.
        processor: Processor that sees it.
        words: Number of words.
        bits: Number of outputs.
        has_reference: Something of what it should hold is known.
        readings: Passes in a reader that count.
        state: What they say.
        sentence: The same for people.
    """

    name: str
    type: str
    kind: str
    processor: str
    words: int
    bits: int
    has_reference: bool
    readings: int
    state: ChipState
    sentence: str


@dataclass(frozen=True)
class Overview:
    """A case at a glance.

    Args:
        machine: The machine's name.
        about: Its notes.
        cautions: Dangers, to be shown first.
        machine_file: File name.
        rungs: The bring-up ladder, in the order in which to look.
        ladder_next: What to do about the ladder, in a sentence; empty without rungs.
        captures: In the order in which they were added.
        suspects: By falling suspicion; empty where the machine file has no paths.
        doubt: Bits of doubt among the suspects.
        conclusion: What the suspects come to, in a sentence.
        proposals: What to measure next, the most telling first.
        confirmations: What would make sure of the part that the odds have decided for, before it is
            unsoldered or replaced; nothing while they are open.
        chips: All of the machine.
        questions: What is open, in sentences, the most urgent first.
        proved: Verdict of the last proof, as `ProofVerdict` has them; empty without one, or where
            something was added or changed since.
        entries: Number of the journal's last entry that is no finding.
        up_to_date: Everything shown was computed from what is in the case now, by this version.
        key: Of all that went in.
        version: That computed it.
    """

    machine: str
    about: str
    cautions: tuple[str, ...]
    machine_file: str
    rungs: tuple[RungLine, ...]
    ladder_next: str
    captures: tuple[CaptureLine, ...]
    suspects: tuple[SuspectLine, ...]
    doubt: float
    conclusion: str
    proposals: tuple[ProposalLine, ...]
    confirmations: tuple[ConfirmationLine, ...]
    chips: tuple[ChipLine, ...]
    questions: tuple[str, ...]
    proved: str
    entries: int
    up_to_date: bool
    key: str
    version: str

    @property
    def first_outside(self) -> RungLine | None:
        """The first rung that fails."""
        return next((rung for rung in self.rungs if rung.verdict == "outside"), None)


def as_values(overview: Overview) -> dict[str, Any]:
    """As JSON values."""
    return asdict(overview)


def from_values(values: Mapping[str, Any]) -> Overview:
    """Back from `as_values`, also when it went through JSON.

    Raises:
        TypeError, KeyError: They are not those of an overview of this version.
    """
    plain = dict(values)
    return Overview(
        **{
            **plain,
            "cautions": tuple(plain["cautions"]),
            "rungs": tuple(RungLine(**each) for each in plain["rungs"]),
            "captures": tuple(capture_from(each) for each in plain["captures"]),
            "suspects": tuple(SuspectLine(**each) for each in plain["suspects"]),
            "proposals": tuple(proposal_from(each) for each in plain["proposals"]),
            "confirmations": tuple(ConfirmationLine(**each) for each in plain["confirmations"]),
            "chips": tuple(ChipLine(**each) for each in plain["chips"]),
            "questions": tuple(plain["questions"]),
        }
    )


def capture_from(values: Mapping[str, Any]) -> CaptureLine:
    """One capture's line back from JSON values; errors as `from_values`."""
    first = values["first_wrong"]
    word = None
    if first is not None:
        lanes = tuple(tuple(lane) for lane in first["lanes"])
        word = WrongWord(**{**first, "chips": tuple(first["chips"]), "lanes": lanes})
    findings = tuple(FoundFault(**{**each, "parts": tuple(each["parts"])}) for each in values["findings"])
    return CaptureLine(
        **{
            **values,
            "first_wrong": word,
            "findings": findings,
            "check_first": tuple(values["check_first"]),
            "notes": tuple(values["notes"]),
        }
    )


def proposal_from(values: Mapping[str, Any]) -> ProposalLine:
    """One proposal's line back from JSON values; errors as `from_values`."""
    outcomes = tuple(OutcomeLine(**each) for each in values["outcomes"])
    return ProposalLine(**{**values, "outcomes": outcomes, "can_be": tuple(values["can_be"])})
