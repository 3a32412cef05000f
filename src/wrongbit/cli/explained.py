"""How a wrong word's explanation is shown: both instructions side by side, the verdict, what followed."""

from __future__ import annotations

from collections import Counter
from typing import Any

from rich.text import Text

from wrongbit.bus.cycles import NO_TIME
from wrongbit.casework.words import known_word, wrong_chips
from wrongbit.cli.compared import show_word
from wrongbit.cli.show import (
    ACCENT,
    hex_word,
    indented,
    out,
    plain_table,
    show_cautions,
    show_notes,
)
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.instructions.flow import FlowEvidence
from wrongbit.instructions.instruction import Instruction
from wrongbit.instructions.loops import Loop
from wrongbit.job import WORDS_EXPLAINED, Explanation, Job
from wrongbit.units import format_time

LOOPS_SHOWN = 3
"""Loops that are told, the longest ones."""
NOTEWORTHY = 0.02
"""A loop's time may differ so much from the published before it is worth a remark. A choice."""

VERDICTS = {
    "wrong word": "It acted on the wrong word: the processor received what the probe saw.",
    "right word": "It acted on the right word: look at the probe, its clip, or the far side.",
    "can't tell": "Can't tell on which word it acted.",
}
"""What each verdict means, in one line."""


def show_explanation(job: Job, explanation: Explanation) -> None:
    """Everything that the explanation says, for a person."""
    out.print(
        Text(job.machine.machine.name, "bold"), f"— {job.processor.name} at probe point {job.point.name}"
    )
    show_cautions(job.machine.machine.cautions)
    evidence = explanation.evidence
    out.print()
    if evidence is None:
        out.print("No word that could be judged is wrong: there is nothing to explain.")
    else:
        _show_word(job, explanation, evidence)
        _show_verdict(job, explanation, evidence)
    _show_loops(explanation)
    if explanation.comparison.notes:
        out.print()
        show_notes(explanation.comparison.notes)


def _show_word(job: Job, explanation: Explanation, evidence: FlowEvidence) -> None:
    """Where the word stands, what it means by either reading, and its bits."""
    wrong = explanation.comparison.verdicts.verdict[evidence.row] == DIFFERS
    show_word(job, explanation.comparison, evidence.row, "Wrong word" if wrong else "Word")
    if evidence.expected is not None or evidence.seen is not None:
        out.print(indented(_side_by_side(job, explanation, evidence)))
        out.print()


def _side_by_side(job: Job, explanation: Explanation, evidence: FlowEvidence) -> Any:
    """Expected and seen instruction, one line a property."""
    table = plain_table(("", "left"), ("expected", "left"), ("seen", "left"))
    both = (evidence.expected, evidence.seen)
    table.add_row("instruction", *(_text(each) for each in both))
    table.add_row("words", *(_words(explanation, each) for each in both))
    table.add_row("leads to", *(_leads(job, each) for each in both))
    if evidence.went is not None:
        went = hex_word(evidence.went, job.processor.address_bits)
        marks = [
            f"{went} ◀" if each is not None and evidence.went in (each.successors or ()) else went
            for each in both
        ]
        table.add_row("it went to", *marks)
    return table


def _text(found: Instruction | None) -> str:
    if found is None:
        return "not known"
    return found.text + ("" if found.documented else "  (not documented)")


def _words(explanation: Explanation, found: Instruction | None) -> str:
    if found is None:
        return ""
    bits = explanation.execution.instruction_set.habits.unit_bits
    return f"{_address(explanation, found.address)}: " + " ".join(hex_word(w, bits) for w in found.words)


def _address(explanation: Explanation, address: int) -> str:
    return hex_word(address, explanation.execution.processor.address_bits)


def _leads(job: Job, found: Instruction | None) -> str:
    """Where an instruction leads, in words."""
    if found is None:
        return ""
    if found.successors is None:
        return {"return": "where the stack says", "indirect": "where a register says"}.get(
            found.flow, "not known"
        )
    bits = job.processor.address_bits
    names = [
        hex_word(address, bits)
        + (" in another bank" if found.bank_change and address != found.following else "")
        for address in sorted(found.successors)
    ]
    return " or ".join(names) + (" (stops)" if found.flow == "stop" else "")


def _show_verdict(job: Job, explanation: Explanation, evidence: FlowEvidence) -> None:
    """On which word it acted, why, what followed, and how the other wrong words stand."""
    out.print(Text.assemble(("→ ", ACCENT), (VERDICTS[evidence.acted], "bold")), soft_wrap=True)
    for reason in evidence.reasons:
        out.print(f"  {reason}", soft_wrap=True)
    if explanation.consequence.events:
        out.print()
        out.print(Text("What followed", "bold"))
        out.print()
        out.print(f"  {explanation.consequence.text}", soft_wrap=True)
    _show_tally(explanation, evidence)


def _show_tally(explanation: Explanation, evidence: FlowEvidence) -> None:
    """All wrong instruction words, and the first that decides where the one shown does not."""
    every = explanation.all_evidence
    if not every or (len(every) == 1 and every[0].row == evidence.row):
        return
    counts = Counter(each.acted for each in every)
    untold = counts["can't tell"]
    first = "first " if len(every) == WORDS_EXPLAINED else ""
    out.print()
    out.print(
        f"Of the {first}{len(every)} wrong words of instructions it acted on the wrong one in "
        f"{counts['wrong word']}, on the right one in {counts['right word']}; {untold} "
        "do not tell.",
        soft_wrap=True,
    )
    if evidence.acted == "can't tell":
        telling = next((each for each in every if each.acted != "can't tell"), None)
        if telling is not None:
            out.print(
                f"The first that tells is cycle {telling.row}: {telling.acted}. See --cycle {telling.row}.",
                soft_wrap=True,
            )


def _show_loops(explanation: Explanation) -> None:
    """Where the processor halted; the longest loops and their time."""
    halts = [(loop, loop.halted_by) for loop in explanation.loops if loop.halted_by is not None]
    for loop, by in halts[:LOOPS_SHOWN]:
        out.print()
        out.print(
            f"The processor halted on {by.text} at {_address(explanation, by.address)}: from cycle "
            f"{loop.first_row} on it only fetches {_address(explanation, by.following)}, {loop.iterations} "
            "times, and waits for an interrupt or a reset.",
            soft_wrap=True,
        )
    loops = longest(explanation)
    if not loops:
        return
    table = plain_table(
        ("cycle", "right"),
        ("loop", "left"),
        ("rounds", "right"),
        ("clocks a round", "right"),
        ("published", "right"),
        ("captured", "right"),
        ("", "left"),
    )
    for loop in loops:
        cycles, expected = loop.cycles, loop.expected_ps
        table.add_row(
            str(loop.first_row),
            _body(explanation, loop),
            str(loop.iterations),
            "not known" if cycles is None else _span(str(cycles[0]), str(cycles[1])),
            "not known" if expected is None else _span(format_time(expected[0]), format_time(expected[1])),
            "no time" if loop.measured_ps is None else format_time(loop.measured_ps),
            _remark(loop),
        )
    out.print()
    out.print(Text("Loops", "bold"))
    out.print()
    out.print(indented(table))


def longest(explanation: Explanation) -> list[Loop]:
    """The loops that took most cycles, in the order in which they ran."""
    loops = [
        loop
        for loop in explanation.loops
        if loop.halted_by is None and not any(each.flow == "stop" for each in loop.body)
    ]
    by_length = sorted(loops, key=lambda loop: loop.first_row - loop.last_row)
    return sorted(by_length[:LOOPS_SHOWN], key=lambda loop: loop.first_row)


def _span(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _body(explanation: Explanation, loop: Loop) -> str:
    addresses = [found.address for found in loop.body]
    if not addresses:
        return "not known"
    at = _span(_address(explanation, min(addresses)), _address(explanation, max(addresses)))
    return f"{at}: {loop.body[-1].text}" if len(loop.body) <= 1 else f"{at}, {len(loop.body)} long"


def _remark(loop: Loop) -> str:
    ratio = loop.ratio
    if ratio is None or abs(ratio - 1) <= NOTEWORTHY:
        return ""
    more = "longer" if ratio > 1 else "shorter"
    return f"{abs(ratio - 1):.0%} {more}: waits, interrupts, or another clock"


def explanation_as_json(job: Job, explanation: Explanation) -> dict[str, Any]:
    """An explanation for programs."""
    counts = Counter(each.acted for each in explanation.all_evidence)
    return {
        "machine": job.machine.machine.name,
        "processor": job.processor.name,
        "point": job.point.name,
        "instructions": explanation.execution.instruction_set.name,
        "notes": list(explanation.comparison.notes),
        "fetches_marked": explanation.execution.marked,
        "instructions_found": len(explanation.execution.starts),
        "evidence": None
        if explanation.evidence is None
        else evidence_as_json(job, explanation, explanation.evidence),
        "wrong_instruction_words": {
            "looked_at": len(explanation.all_evidence),
            "acted_on_wrong": counts["wrong word"],
            "acted_on_right": counts["right word"],
            "cannot_tell": counts["can't tell"],
        },
        "consequence": [
            {"event": event, "says": sentence} for event, sentence in explanation.consequence.events
        ],
        "loops": [_loop_as_json(explanation, loop) for loop in longest(explanation)],
    }


def evidence_as_json(job: Job, explanation: Explanation, evidence: FlowEvidence) -> dict[str, Any]:
    """Flow evidence for programs."""
    cycles, verdicts = explanation.comparison.cycles, explanation.comparison.verdicts
    row = evidence.row
    time = int(cycles.time_ps[row])
    word_bits = job.processor.word_bits
    return {
        "cycle": row,
        "time_ps": None if time == NO_TIME else time,
        "address": hex_word(int(cycles.address[row]), job.processor.address_bits),
        "bank": int(cycles.bank[row]),
        "expected_word": known_word(int(verdicts.expected[row]), int(verdicts.judged[row]), word_bits),
        "seen_word": known_word(int(cycles.word[row]), int(cycles.known[row]), word_bits),
        "chips": list(wrong_chips(job, explanation.comparison, row)),
        "begins_in_cycle": evidence.start,
        "expected": _instruction_as_json(job, evidence.expected),
        "seen": _instruction_as_json(job, evidence.seen),
        "went_to": None if evidence.went is None else hex_word(evidence.went, job.processor.address_bits),
        "went_in_cycle": evidence.next_row,
        "acted_on": evidence.acted,
        "reasons": list(evidence.reasons),
    }


def _instruction_as_json(job: Job, found: Instruction | None) -> dict[str, Any] | None:
    if found is None:
        return None
    bits = job.processor.address_bits
    return {
        "address": hex_word(found.address, bits),
        "words": list(found.words),
        "text": found.text,
        "flow": found.flow,
        "documented": found.documented,
        "leads_to": None
        if found.successors is None
        else [hex_word(address, bits) for address in sorted(found.successors)],
    }


def _loop_as_json(explanation: Explanation, loop: Loop) -> dict[str, Any]:
    return {
        "first_cycle": loop.first_row,
        "last_cycle": loop.last_row,
        "instructions": [
            {"address": _address(explanation, found.address), "text": found.text} for found in loop.body
        ],
        "rounds": loop.iterations,
        "halted_by": None if loop.halted_by is None else loop.halted_by.text,
        "clock_cycles_a_round": loop.cycles,
        "published_ps": loop.expected_ps,
        "measured_ps": loop.measured_ps,
        "ratio": loop.ratio,
    }
