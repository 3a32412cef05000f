"""A case folder opened and weighed, and how suspects and proposals are shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.text import Text

from wrongbit.cli.show import ACCENT, QUIET, hex_word, indented, out, plain_table
from wrongbit.compare.build import build_memory_map
from wrongbit.diagnose.case import CaseFile, machine_file_of, read_case
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.planning import Proposal
from wrongbit.diagnose.structure import Structure
from wrongbit.diagnose.suspects import Suspect, Weighing, weigh_suspects
from wrongbit.errors import UsageError
from wrongbit.faults.evidence import gather_evidence
from wrongbit.job import DEFAULT_NOISE, Progress, compare_capture, open_job
from wrongbit.machine.model import Machine

SHOWN = 8
"""Suspects, and proposals, that are listed."""


@dataclass(frozen=True)
class OpenedCase:
    """A case folder with everything in it weighed.

    Args:
        case: What the folder says.
        machine: Its machine.
        weighing: Suspects.
        notes: What the readers want a person to know.
    """

    case: CaseFile
    machine: Machine
    weighing: Weighing
    notes: tuple[str, ...]


def open_case(folder: Path, *, noise: float = DEFAULT_NOISE, progress: Progress | None = None) -> OpenedCase:
    """Read a case folder and weigh the suspects by all that is in it.

    Args:
        folder: With ``machine.toml`` and ``case.toml``.
        noise: Probability that a bit is read wrong for no other reason.
        progress: Told how far the reading of each capture is.
    """
    if not 0 < noise < 0.5:
        raise UsageError(f"The noise rate is {noise}.", "Give a number above 0 and below 0.5.")
    machine_file = machine_file_of(folder)
    from wrongbit.bus.recipes import recipe_names
    from wrongbit.machine.load import load_machine

    machine = load_machine(machine_file, recipe_names=recipe_names())
    if not machine.path:
        raise UsageError(
            f"{machine.machine.name} has no [[path]], so that nothing is known between chips and processor.",
            "Add [[part]] and [[path]] to the machine file (see docs/diagnosis.md).",
        )
    structure = Structure(machine)

    def maps() -> list[Any]:
        return [build_memory_map(machine, each, machine_file.parent) for each in machine.processor]

    case = read_case(folder, structure, maps)
    looks: list[Look] = []
    notes: list[str] = []
    for capture in case.captures:
        job = open_job(machine_file, point=capture.point)
        comparison = compare_capture(job, capture.file, progress)
        evidence = gather_evidence(comparison.cycles, comparison.verdicts)
        label = f"{capture.file.name} at {capture.point}"
        seen = structure.chips_seen(job.point)
        looks.append(Look.of(job.point, label, evidence, job.memory_map, noise, seen))
        notes += [note for note in comparison.notes if note not in notes]
    return OpenedCase(case, machine, weigh_suspects(structure, looks, case.measurements), tuple(notes))


# Suspects ------------------------------------------------------------------------------------------


def show_suspects(weighing: Weighing, *, most: int = SHOWN) -> None:
    """Parts by suspicion, with what speaks for and against the first ones, and the conflicts."""
    suspects = weighing.suspects()
    top = weighing.top()
    out.print(Text("Suspects", "bold"), Text(f"doubt: {weighing.doubt:.2f} bits", QUIET))
    out.print()
    table = plain_table(
        ("", "left"), ("part", "left"), ("share", "right"), ("before", "right"), ("most likely", "left")
    )
    for suspect in suspects[:most]:
        tied = suspect.part in top
        mark = ("=" if len(top) > 1 else "▶") if tied else " "
        kind = _kind(weighing, suspect.part)
        table.add_row(
            Text(mark, ACCENT if tied else ""),
            Text(f"{suspect.part}{kind}", "bold" if tied else ""),
            share_text(suspect.share),
            share_text(suspect.prior),
            suspect.ways[0][0] if suspect.ways else "",
        )
    out.print(indented(table))
    if weighing.labels:
        out.print()
        _witnesses(weighing, suspects[:4])
    _reasons(weighing)


def _kind(weighing: Weighing, part: str) -> str:
    found = weighing.structure.parts.get(part)
    if found is not None:
        return f" ({found.kind})"
    chip = weighing.structure.chips.get(part)
    return f" ({chip.kind})" if chip is not None else ""


def _witnesses(weighing: Weighing, suspects: Sequence[Suspect]) -> None:
    out.print(Text("What speaks for and against", "bold"))
    out.print()
    table = plain_table(("", "left"), *((suspect.part, "left") for suspect in suspects))
    for number, label in enumerate(weighing.labels):
        table.add_row(label, *(_speaks(suspect.witnesses[number].nats) for suspect in suspects))
    out.print(indented(table))


def _speaks(nats: float) -> str:
    """A change of log odds in words: 2.3 nats are ten to one."""
    if abs(nats) < 0.1:
        return "neither"
    odds = f"{min(2.718281828 ** abs(nats), 1e6):.3g}".replace("1e+06", "over a million")
    return f"{'for' if nats > 0 else 'against'}, {odds} to 1"


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


def conclusion(weighing: Weighing) -> str:
    """What to do, in a sentence or two."""
    if not weighing.labels:
        return "Nothing was measured yet: the shares are those of failure rates alone."
    if not weighing.fault_seen:
        return "Nothing that was measured is wrong; a fault in what was not exercised would not show."
    top = weighing.top()
    if not weighing.explained:
        return (
            f"{top[0]} explains it best, but leaves more unexplained than noise makes credible: look for a "
            "second fault, or check clips and reference."
        )
    if len(top) == 1:
        return f"It is {top[0]}: {weighing.suspects()[0].ways[0][0]}."
    return f"What was measured does not tell {', '.join(top[:-1])} and {top[-1]} apart."


def share_text(share: float) -> str:
    """A probability as a percentage that never claims certainty.

    >>> share_text(0.5), share_text(0.99999), share_text(0.00001)
    ('50.0 %', '> 99.9 %', '< 0.1 %')
    """
    if share > 0.999:
        return "> 99.9 %"
    return f"{share:.1%}".replace("%", " %") if share >= 0.001 else "< 0.1 %"


def weighing_as_json(weighing: Weighing) -> dict[str, Any]:
    """Suspects for programs."""
    return {
        "fault_seen": weighing.fault_seen,
        "explained": weighing.explained,
        "doubt_bits": weighing.doubt,
        "top": list(weighing.top()),
        "conclusion": conclusion(weighing),
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
        out.print("No measurement that the machine file knows of would tell more.")
        return
    for number, proposal in enumerate(proposals[:most], 1):
        out.print(
            Text.assemble((f"{number}  ", ACCENT if number == 1 else ""), (_sentence(proposal.text), "bold")),
            soft_wrap=True,
        )
        out.print(
            Text(
                f"   {proposal.minutes:g} min; removes {proposal.gain:.2f} bits of doubt on average, leaves "
                f"{proposal.remaining:.2f}",
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
        out.print(indented(indented_twice(table)))
        out.print()
    rest = proposals[most : most + SHOWN]
    if rest:
        out.print(Text("Also possible", QUIET))
        table = plain_table(("", "left"), ("min", "right"), ("removes", "right"))
        for proposal in rest:
            table.add_row(proposal.text, f"{proposal.minutes:g}", f"{proposal.gain:.2f} bits")
        out.print(indented(table))


def indented_twice(table: Any) -> Any:
    """A little further in."""
    return indented(table)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def trigger_text(machine: Machine, proposal: Proposal) -> str:
    """How to set the instrument, in words."""
    trigger = proposal.trigger
    if proposal.kind != "capture":
        return ""
    point = machine.point_of(proposal.place)
    processor = machine.processor_of(point.processor)
    if trigger is None:
        return "Trigger: reset goes away. Depth: as much as the instrument has."
    digits = processor.address_bits
    where = hex_word(trigger.address, digits) + (f" in bank {trigger.bank}" if trigger.bank else "")
    about = ""
    if trigger.expected is not None and trigger.seen is not None:
        about = (
            f" (first wrong word: expected {hex_word(trigger.expected, processor.word_bits)}, "
            f"seen {hex_word(trigger.seen, processor.word_bits)})"
        )
    return f"Trigger: address {where}{about}. Depth: {trigger.cycles} bus cycles or more from reset."


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
