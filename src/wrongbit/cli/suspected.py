"""A case folder opened and weighed, and how suspects and proposals are shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.padding import Padding
from rich.text import Text

from wrongbit.casework.casework import Casework
from wrongbit.casework.words import part_kind, sentence, share_text, trigger_text, weighing_conclusion
from wrongbit.cli.incase import working
from wrongbit.cli.show import ACCENT, QUIET, indented, out, plain_table, show_cautions, show_next
from wrongbit.diagnose.confirm import CAUTION, confirmations, confirmed_by, decided_part
from wrongbit.diagnose.entropy import doubt_text, odds_text, removes_text
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.suspects import Suspect, Weighing
from wrongbit.errors import UsageError
from wrongbit.job import DEFAULT_NOISE, Progress
from wrongbit.machine.model import Machine

SHOWN = 8
"""Suspects, and proposals, that are listed."""


@dataclass(frozen=True)
class OpenedCase:
    """A case with everything in it weighed.

    Args:
        machine: Its machine.
        weighing: Suspects.
        proposals: What to measure next, the most telling first.
        notes: What the readers want a person to know, and what did not count.
        read: Chips of which the case has a reading.
    """

    machine: Machine
    weighing: Weighing
    proposals: tuple[Proposal, ...]
    notes: tuple[str, ...]
    read: frozenset[str] = frozenset()


def open_case(folder: Path, *, noise: float = DEFAULT_NOISE, progress: Progress | None = None) -> OpenedCase:
    """Weigh the suspects of a case by all that is in it.

    Args:
        folder: A case folder.
        noise: Probability that a bit is read wrong for no other reason.
        progress: Told how far the reading of each capture is.

    Raises:
        UsageError: The machine file has no paths.
        WrongbitError: The case cannot be used.
    """
    with working(folder, noise=noise) as work:
        return weigh_case(work, progress)


def weigh_case(work: Casework, progress: Progress | None = None) -> OpenedCase:
    """The same of a case that is open."""
    at_once = work.at_once()
    machine = at_once.machine
    weighing = at_once.weighing(progress)
    if weighing is None:
        raise UsageError(
            f"{machine.machine.name} has no [[path]], so that nothing is known between chips and processor.",
            "Add [[part]] and [[path]] to the machine file (see docs/diagnosis.md).",
        )
    read = frozenset(each.chip for _, each in at_once.readings(proof=False))
    return OpenedCase(machine, weighing, at_once.proposals(), at_once.weighing_notes(), read)


# Suspects ------------------------------------------------------------------------------------------


def show_suspects(weighing: Weighing, *, most: int = SHOWN) -> None:
    """Parts by suspicion, with what speaks for and against the first ones, and the conflicts."""
    suspects = weighing.suspects()
    top = weighing.top()
    out.print(Text("Suspects", "bold"), Text(f"doubt: {doubt_text(weighing.doubt)}", QUIET))
    out.print()
    table = plain_table(
        ("", "left"), ("part", "left"), ("share", "right"), ("before", "right"), ("most likely", "left")
    )
    for suspect in suspects[:most]:
        tied = suspect.part in top
        mark = ("=" if len(top) > 1 else "▶") if tied else " "
        kind = part_kind(weighing, suspect.part)
        table.add_row(
            Text(mark, ACCENT if tied else ""),
            Text(f"{suspect.part} ({kind})" if kind else suspect.part, "bold" if tied else ""),
            share_text(suspect.share),
            share_text(suspect.prior),
            suspect.ways[0][0] if suspect.ways else "",
        )
    out.print(indented(table))
    if weighing.labels:
        out.print()
        _witnesses(weighing, suspects[:4])
    _reasons(weighing)


def _witnesses(weighing: Weighing, suspects: Sequence[Suspect]) -> None:
    out.print(Text("What speaks for and against", "bold"))
    out.print()
    table = plain_table(("", "left"), *((suspect.part, "left") for suspect in suspects))
    for number, label in enumerate(weighing.labels):
        table.add_row(label, *(odds_text(suspect.witnesses[number].nats) for suspect in suspects))
    out.print(indented(table))


def _reasons(weighing: Weighing) -> None:
    """Conflicts, and the parts that all of them have in common."""
    if not weighing.conflicts:
        return
    out.print()
    out.print(Text("Why", "bold"), Text("structure alone, without probabilities", QUIET))
    out.print()
    for conflict in weighing.conflicts[:SHOWN]:
        out.print(f"  not all of these are sound: {', '.join(sorted(conflict))}", soft_wrap=True)
    single = [next(iter(each)) for each in weighing.diagnoses if len(each) == 1]
    pairs = [each for each in weighing.diagnoses if len(each) == 2]
    if single:
        out.print(f"  one part alone would do: {', '.join(sorted(single))}", soft_wrap=True)
    if pairs:
        some = "; ".join(" with ".join(sorted(each)) for each in pairs[:4])
        more = f" and {len(pairs) - 4} more" if len(pairs) > 4 else ""
        out.print(f"  or two together: {some}{more}", soft_wrap=True)


def weighing_as_json(weighing: Weighing) -> dict[str, Any]:
    """Suspects for programs."""
    return {
        "fault_seen": weighing.fault_seen,
        "explained": weighing.explained,
        "doubt_bits": weighing.doubt,
        "top": list(weighing.top()),
        "conclusion": weighing_conclusion(weighing),
        "observations": list(weighing.labels),
        "suspects": [
            {
                "part": suspect.part,
                "share": suspect.share,
                "before": suspect.prior,
                "ways": [{"says": says, "share": share} for says, share in suspect.ways],
                "witnesses": [{"observation": w.label, "nats": w.nats} for w in suspect.witnesses],
            }
            for suspect in weighing.suspects()
        ],
        "conflicts": [sorted(each) for each in weighing.conflicts],
        "diagnoses": [sorted(each) for each in weighing.diagnoses],
    }


# Proposals -----------------------------------------------------------------------------------------


def show_proposals(machine: Machine, proposals: Sequence[Proposal], *, most: int = 3) -> None:
    """What to measure next, with what each outcome would mean."""
    if not proposals:
        out.print("No measurement that the machine file knows of would tell the parts apart any further.")
        return
    for number, proposal in enumerate(proposals[:most], 1):
        out.print(
            Text.assemble((f"{number}  ", ACCENT if number == 1 else ""), (sentence(proposal.text), "bold")),
            soft_wrap=True,
        )
        out.print(
            Text(
                f"   {proposal.minutes:g} min; removes {removes_text(proposal.gain, proposal.remaining)} on "
                "average",
                QUIET,
            ),
            soft_wrap=True,
        )
        told = trigger_text(machine, proposal)
        if told:
            out.print(f"   {told}", soft_wrap=True)
        table = plain_table(("if you see", "left"), ("chance", "right"), ("suspects are then", "left"))
        for outcome in proposal.outcomes[:5]:
            parts = ", ".join(f"{name} {share_text(share)}" for name, share in outcome.parts)
            table.add_row(outcome.text, share_text(outcome.share), parts)
        out.print(Padding(indented(table), (0, 0, 0, 2)))
        out.print()
    rest = proposals[most : most + SHOWN]
    if rest:
        out.print(Text("Also possible", QUIET))
        table = plain_table(("", "left"), ("min", "right"), ("removes", "right"))
        for proposal in rest:
            table.add_row(
                proposal.text, f"{proposal.minutes:g}", removes_text(proposal.gain, proposal.remaining)
            )
        out.print(indented(table))


def show_confirmations(weighing: Weighing) -> None:
    """What would make sure of the part that the odds have decided for; nothing while they are open."""
    part = decided_part(weighing)
    if not part:
        return
    out.print(Text(f"Before {part} is unsoldered or replaced, make sure of it", "bold"))
    out.print()
    for told in confirmed_by(weighing):
        out.print(f"  already speaks for it: {told}", soft_wrap=True)
    ways = confirmations(weighing)
    for number, each in enumerate(ways, 1):
        out.print(Text.assemble((f"{number}  ", ACCENT if number == 1 else ""), (f"{each.text}.", "bold")),
                  soft_wrap=True)  # fmt: skip
        out.print(Text(f"   {each.minutes:g} min", QUIET))
        out.print(f"   it is {part} if: {each.confirms}", soft_wrap=True)
        out.print(f"   it is not if: {each.clears}", soft_wrap=True)
    if not ways:
        out.print("  All that the machine file knows of was done.")
    if ways:
        out.print()
        show_cautions((CAUTION,))


def show_repair(folder: Path, opened: OpenedCase) -> None:
    """How a ROM that the odds have decided for is replaced, command by command; nothing for other parts."""
    part = decided_part(opened.weighing)
    chip = next((each for each in opened.machine.chip if each.name == part and each.kind == "rom"), None)
    if chip is None:
        return
    file = f"{part.lower()}.bin"
    if part in opened.read:
        show_next(f"what the readings of {part} tell", "chip", folder, part)
        show_next(f"what {part} should hold, from all that is there", "rebuild", folder, part, "-o", file)
    else:
        show_next(f"read {part} in a reader and add it", "add", folder, "reading", file, "--chip", part)
    show_next(f"a memory that can take the place of {part}", "fit", folder, part)


def confirmations_as_json(weighing: Weighing) -> dict[str, Any]:
    """The same for programs."""
    return {
        "part": decided_part(weighing) or None,
        "confirmed_by": list(confirmed_by(weighing)),
        "ways": [
            {
                "says": each.text,
                "confirms": each.confirms,
                "clears": each.clears,
                "minutes": each.minutes,
                "risk": each.risk,
                "measurement": None
                if each.measurement is None
                else {"kind": each.measurement.kind, "part": each.measurement.part},
            }
            for each in confirmations(weighing)
        ],
    }


def proposals_as_json(machine: Machine, proposals: Sequence[Proposal]) -> list[dict[str, Any]]:
    """Proposals for programs."""
    return [
        {
            "kind": each.kind,
            "place": each.place,
            "says": each.text,
            "minutes": each.minutes,
            "risk": each.risk,
            "gain_bits": each.gain,
            "remaining_bits": each.remaining,
            "bits_per_minute": each.merit,
            "setting": trigger_text(machine, each),
            "trigger": None
            if each.trigger is None
            else {
                "address": each.trigger.address,
                "bank": each.trigger.bank,
                "expected": each.trigger.expected,
                "seen": each.trigger.seen,
                "cycles": each.trigger.cycles,
            },
            "outcomes": [
                {
                    "text": outcome.text,
                    "chance": outcome.share,
                    "suspects": [{"part": name, "share": share} for name, share in outcome.parts],
                }
                for outcome in each.outcomes
            ],
        }
        for each in proposals
    ]
