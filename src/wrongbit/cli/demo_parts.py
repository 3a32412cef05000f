"""The search for a faulty part, step by step, on an invented machine: from the first capture to one part.

``run_walk`` is what the demo shows for a machine with several processors or parts to tell apart. The files
are those of a case folder, and everything is read back from them like a user's own.
"""

from __future__ import annotations

import shlex
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rich.text import Text

from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.unkept import UnkeptCase
from wrongbit.casework.words import counted, share_text, trigger_text, weighing_conclusion
from wrongbit.cli.demo_case import keep_values, sound_values, tell_set_aside
from wrongbit.cli.show import ACCENT, QUIET, out, print_json, show_cautions
from wrongbit.cli.suspected import proposals_as_json, show_suspects, weighing_as_json
from wrongbit.demo.bench import DEFAULT_CYCLES, PartBench, parse_part_fault
from wrongbit.demo.case import REPAIRED, case_text, set_aside, write_files
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.machines import machine_named
from wrongbit.demo.wiring import PartFault
from wrongbit.diagnose.case import CASE_FILE, MACHINE_FILE
from wrongbit.diagnose.entropy import doubt_text, removes_text
from wrongbit.diagnose.figure import board_map
from wrongbit.diagnose.planning import Proposal, proposals
from wrongbit.diagnose.suspects import SMALL, Weighing
from wrongbit.errors import UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine

MOST_STEPS = 12
"""Measurements after which the search is given up."""

PICTURE = "board.svg"


@dataclass(frozen=True)
class WalkStep:
    """One measurement of the search.

    Args:
        number: Counted from 1.
        proposal: Why it was made and what was expected; None for the first capture.
        done: What was done, in words.
        found: What came out, in words.
        weighing: The suspects afterwards.
    """

    number: int
    proposal: Proposal | None
    done: str
    found: str
    weighing: Weighing


def walk(
    folder: Path,
    machine_name: str = "hollowmere",
    fault: str | None = None,
    *,
    seed: int = 1,
    cycles: int = DEFAULT_CYCLES,
) -> Iterator[WalkStep]:
    """Search for a faulty part until one is left, writing the case folder as it grows.

    Args:
        folder: Case folder, made if it is missing.
        machine_name: Which machine.
        fault: The faulty part in the notation of `wrongbit.demo.bench`; None: the machine's usual one.
        seed: Source of everything that varies.
        cycles: Bus cycles in each capture at most.

    Raises:
        UsageError: Machine or fault are not known, or the folder cannot be written.
    """
    bench = _set_up(folder, machine_name, fault, seed, cycles)
    first = next(point.name for point in bench.machine.point if point.mode == "cycles" and not point.on)
    entries = [_capture(folder, bench, first)]
    weighing = _weigh(folder, entries)
    yield WalkStep(1, None, f"capture at {first}", _seen(weighing), weighing)
    for number in range(2, MOST_STEPS + 1):
        found = proposals(weighing, most=1)
        if len(weighing.top()) == 1 or not found:
            return
        proposal = found[0]
        if proposal.measurement is None:
            entries.append(_capture(folder, bench, _in_cycles(bench.machine, proposal.place)))
            weighing = _weigh(folder, entries)
            told = _seen(weighing)
        else:
            asked = proposal.measurement
            told = bench.answer(asked.kind, asked.part, asked.line, asked.carries)
            entries.append(_measurement(proposal, told))
            weighing = _weigh(folder, entries)
        yield WalkStep(number, proposal, proposal.text, told, weighing)


def run_walk(
    folder: Path,
    machine_name: str = "hollowmere",
    fault: str | None = None,
    *,
    seed: int = 1,
    files_only: bool = False,
    as_json: bool = False,
) -> int:
    """Show the whole search, or only leave its files as a case; exit code 0.

    Which captures and measurements belong to the case is found by searching, also where nothing is shown.
    """
    demo = machine_named(machine_name)
    with tempfile.TemporaryDirectory() as aside:
        steps = list(walk(Path(aside), machine_name, fault, seed=seed))
        bench = _bench(demo, Path(aside) / MACHINE_FILE, fault, seed, DEFAULT_CYCLES)
        written = {path.name: path.read_bytes() for path in sorted(Path(aside).iterdir())}
    assert bench.fault is not None
    later = _keep(folder, bench, written)
    if files_only:
        return _files_only(demo, bench.machine, folder, later, as_json=as_json)
    if as_json:
        print_json({"steps": [_step_as_json(bench.machine, step) for step in steps], **_truth(bench.fault)})
        return 0
    _introduce(demo, bench.machine, folder)
    for step in steps:
        _show(bench.machine, step)
    last = steps[-1].weighing
    _write(folder / PICTURE, board_map(last).encode())
    show_suspects(last, most=4)
    out.print()
    out.print(Text.assemble(("→ ", ACCENT), (weighing_conclusion(last), "bold")), soft_wrap=True)
    out.print()
    out.print(Text("What had been done to the machine, which the search was not told:", "bold"))
    out.print(f"  {bench.fault.sentence}", soft_wrap=True)
    out.print()
    going_on, ending = _commands(folder, later)
    out.print("Go on with the same files:")
    for command in going_on:
        out.print(f"  {command}", soft_wrap=True)
    out.print("Follow the repair in the browser, or end it here:")
    for command in ending:
        out.print(f"  {command}", soft_wrap=True)
    return 0


def _commands(folder: Path, later: dict[str, str]) -> tuple[list[str], list[str]]:
    """What a person can run on the case: to go on, and to end it."""
    place, picture = shlex.quote(str(folder)), shlex.quote(str(folder / PICTURE))
    fresh = " ".join(
        f"--capture {shlex.quote(str(folder / name))} --point {point}" for point, name in later.items()
    )
    return (
        [f"wrongbit suspects {place} --picture {picture}", f"wrongbit next {place}"],
        [f"wrongbit serve {place}", f"wrongbit report {place}", f"wrongbit prove {place} {fresh}"],
    )


def _files_only(
    demo: DemoMachine, machine: Machine, folder: Path, later: dict[str, str], *, as_json: bool
) -> int:
    """What was written, and what can be run on it."""
    going_on, ending = _commands(folder, later)
    if as_json:
        files = sorted(path.name for path in folder.iterdir() if path.is_file())
        print_json({"folder": folder, "files": files, "commands": [*going_on, *ending]})
        return 0
    _introduce(demo, machine, folder)
    for command in (*going_on, *ending):
        out.print(f"$ {command}", soft_wrap=True)
    return 0


def _keep(folder: Path, bench: PartBench, written: dict[str, bytes]) -> dict[str, str]:
    """Write the search's files as a case, with captures of the repaired machine to be added later.

    Returns:
        Probe point = name of the capture that was taken after the repair.
    """
    sound = replace(bench, fault=None, cycles=2 * bench.cycles, _runs={})
    points = [each.name for each in bench.machine.point if f"{each.name}.csv" in written]
    later = {point: f"{REPAIRED}{point}.csv" for point in points}
    body = written.pop(CASE_FILE).decode()
    contents = written | {name: sound.capture(point) for point, name in later.items()}
    contents[CASE_FILE] = case_text([body], MACHINE_FILE, contents)
    tell_set_aside(set_aside(folder, contents))
    write_files(folder, contents)
    with Case.open(folder) as case:
        keep_values(case, sound_values(bench.machine))
    return later


# The bench and the folder --------------------------------------------------------------------------


def _set_up(folder: Path, machine_name: str, fault: str | None, seed: int, cycles: int) -> PartBench:
    """Write the machine file and what it names, and put the machine on the bench."""
    demo = machine_named(machine_name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder} cannot be made: {error.strerror}.", "Name another folder.") from error
    for name, data in demo.build().files.items():
        _write(folder / (MACHINE_FILE if name == f"{demo.name}.toml" else name), data)
    return _bench(demo, folder / MACHINE_FILE, fault, seed, cycles)


def _bench(demo: DemoMachine, machine_file: Path, fault: str | None, seed: int, cycles: int) -> PartBench:
    from wrongbit.bus.recipes import recipe_names

    machine = load_machine(machine_file, recipe_names=recipe_names())
    text = fault or demo.part_fault
    if not text:
        raise UsageError(f"The {demo.title} has no usual faulty part.", "Name one, such as U9.D4.open@0.6.")
    return PartBench(demo, machine, parse_part_fault(text, machine, demo), seed, cycles)


def _write(path: Path, data: bytes) -> None:
    """A whole file, or none."""
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(data)
        shutil.move(beside, path)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror or error}.", "Name a folder that you may write to."
        ) from error


def _in_cycles(machine: Machine, name: str) -> str:
    """A probe point at the same place whose captures are whole bus cycles."""
    wanted = machine.point_of(name)
    if wanted.mode == "cycles":
        return name
    return next(
        point.name
        for point in machine.point
        if point.mode == "cycles" and point.on == wanted.on and point.processor == wanted.processor
    )


def _capture(folder: Path, bench: PartBench, point: str) -> str:
    file = f"{point}.csv"
    _write(folder / file, bench.capture(point))
    return f'[[capture]]\npoint = "{point}"\nfile = "{file}"\n'


def _measurement(proposal: Proposal, outcome: str) -> str:
    asked = proposal.measurement
    assert asked is not None
    if asked.kind == "reading":
        return f'[[measurement]]\nkind = "reading"\npart = "{asked.part}"\noutcome = "{outcome}"\n'
    line = ""
    if asked.line >= 0:
        letter = "D" if asked.carries == "data" else "A"
        line = f'line = "{letter}{asked.line}"\ncarries = "{asked.carries}"\n'
    return f'[[measurement]]\nkind = "{asked.kind}"\npart = "{asked.part}"\n{line}outcome = "{outcome}"\n'


def _weigh(folder: Path, entries: list[str]) -> Weighing:
    _write(folder / CASE_FILE, "\n".join(entries).encode())
    weighing = Casework(UnkeptCase(folder)).weighing()
    assert weighing is not None  # the machine has paths
    return weighing


def _seen(weighing: Weighing) -> str:
    look = weighing.looks[-1]
    if not look.wrong:
        return "no wrong word"
    return f"wrong words from {' and '.join(sorted(look.chips_wrong))}"


# What is shown -------------------------------------------------------------------------------------


def _introduce(demo: DemoMachine, machine: Machine, folder: Path) -> None:
    out.print(Text(f"The {demo.title}", "bold"), "— an invented machine, with invented data.")
    out.print(demo.text, soft_wrap=True)
    show_cautions(machine.machine.cautions)
    out.print(f"It has power and does not start. The case is kept in {folder}.", soft_wrap=True)
    out.print()


def _show(machine: Machine, step: WalkStep) -> None:
    """One step: why, what, what came out, and who is still suspected."""
    out.print(
        Text.assemble((f"{step.number}  ", ACCENT), (f"{step.done[:1].upper()}{step.done[1:]}", "bold")),
        soft_wrap=True,
    )
    if step.proposal is None:
        out.print("   why: the processor's own pins are the easiest to reach.", soft_wrap=True)
    else:
        out.print(f"   why: {why(step.proposal)}", soft_wrap=True)
        told = trigger_text(machine, step.proposal)
        if told:
            out.print(Text(f"   {told}", QUIET), soft_wrap=True)
    out.print(Text.assemble("   found: ", (step.found, "bold")), soft_wrap=True)
    suspects = [each for each in step.weighing.suspects() if each.share >= SMALL]
    shares = ", ".join(f"{each.part} {share_text(each.share)}" for each in suspects[:8])
    more = f" and {len(suspects) - 8} more" if len(suspects) > 8 else ""
    out.print(
        f"   {counted(len(suspects), 'suspect')}: {shares}{more}; doubt: {doubt_text(step.weighing.doubt)}",
        soft_wrap=True,
    )
    out.print()


def why(proposal: Proposal) -> str:
    """Why a measurement is the next one, in a sentence."""
    meant = "; ".join(
        f"“{outcome.text}” leaves {', '.join(name for name, _ in outcome.parts[:4])}"
        for outcome in proposal.outcomes[:2]
    )
    removes = removes_text(proposal.gain, proposal.remaining)
    return (
        f"it is expected to remove {removes} in {proposal.minutes:g} min, more for "
        f"its effort than anything else: {meant}."
    )


def _truth(fault: PartFault) -> dict[str, Any]:
    return {"put_in": {"part": fault.part, "says": fault.sentence}}


def _step_as_json(machine: Machine, step: WalkStep) -> dict[str, Any]:
    return {
        "step": step.number,
        "done": step.done,
        "found": step.found,
        "proposal": None if step.proposal is None else proposals_as_json(machine, [step.proposal])[0],
        **weighing_as_json(step.weighing),
    }
