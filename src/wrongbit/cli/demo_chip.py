"""The chip stage of ``wrongbit demo``: from readings of an invented machine's chip to programmer files.

Every command that is shown is run by the verb itself, in the folder that was written.
"""

from __future__ import annotations

import io
import json
import shlex
from collections.abc import Sequence
from contextlib import chdir, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.text import Text

from wrongbit.capture.store import file_hash
from wrongbit.case.entries import ReadingAdded, ReferenceAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.cli.demo_case import NOTE, keep_values, sound_values, tell_set_aside
from wrongbit.cli.main import EXIT_FINE, EXIT_INPUT, main
from wrongbit.cli.show import ACCENT, QUIET, out, plain_table, print_json
from wrongbit.demo.case import CASE_FILE, set_aside, write_files
from wrongbit.demo.machine import WornChip
from wrongbit.demo.readings import CELSIUS, ChipCase, differing_bits, passes_of_new, write_chip_case

WIDTH = 74
"""Columns that a shown command takes before it goes on in the next line."""

PROGRAMMER = "programmer"
"""Folder of the programmer's files."""


@dataclass(frozen=True)
class Step:
    """One command of the walk.

    Args:
        title: What it is for.
        says: Why, in a sentence or two.
        arguments: The verb and its arguments.
        goes_on: Exit codes with which the walk goes on.
    """

    title: str
    says: str
    arguments: tuple[str, ...]
    goes_on: tuple[int, ...] = (EXIT_FINE,)


def chip_stage(
    folder: Path, machine: str, trouble: str | None, seed: int, *, files_only: bool, as_json: bool
) -> int:
    """Write a chip's case and walk through it, or write it only.

    Returns:
        0 when the rebuilt contents are the true ones, or nothing had to be rebuilt; 1 when the contents could
        not be rebuilt or are wrong; 2 when a command failed.
    """
    case = write_chip_case(folder, machine, trouble, seed=seed)
    steps = _steps(case)
    tell_set_aside(case.set_aside)
    if files_only:
        return _files_only(case, steps, as_json=as_json)
    _keep(case)
    for path in (case.folder / _rebuilt(case), *_programmer_files(case)):
        path.unlink(missing_ok=True)  # of an earlier walk: only what this one writes counts
    if as_json:
        return _told_to_programs(case, steps)
    _introduce(case)
    for number, step in enumerate(steps, 1):
        out.print()
        out.print(Text(f"{number}  {step.title}", "bold"), f"— {step.says}", soft_wrap=True)
        out.print()
        out.print(f"$ {wrapped(step.arguments)}", soft_wrap=True, markup=False)
        out.print()
        with chdir(case.folder):
            code = main(list(step.arguments))
        if code not in step.goes_on:
            return _stopped(case, step, code)
    return _close(case, _programmed(case))


def _programmed(case: ChipCase) -> tuple[Path, ...]:
    """Read the new chip, which holds what was rebuilt and programmed, and keep the image in the case."""
    image = case.folder / _rebuilt(case)
    if case.worn is None or not image.exists():
        return case.later
    passes = passes_of_new(case.chip.name, image.read_bytes())
    tell_set_aside(set_aside(case.folder, passes))
    write_files(case.folder, passes)
    with Case.open(case.folder) as kept:
        known = {each.file.sha256 for _, each in kept.of_kind(ReferenceAdded)}
        if file_hash(image) not in known:
            kept.add_reference(image, "image", case.chip.name, note="programmed")
    return tuple(case.folder / name for name in passes)


def _files_only(case: ChipCase, steps: Sequence[Step], *, as_json: bool) -> int:
    """What was written, and what can be run on it."""
    if as_json:
        commands = [shlex.join(("wrongbit", *step.arguments)) for step in steps]
        print_json({"folder": case.folder, "files": _names(case), "commands": commands})
        return EXIT_FINE
    _introduce(case)
    for step in steps:
        out.print(f"$ {wrapped(step.arguments)}", soft_wrap=True, markup=False)
    return EXIT_FINE


def _names(case: ChipCase) -> list[str]:
    return [path.name for path, _ in _files(case)]


def _told_to_programs(case: ChipCase, steps: Sequence[Step]) -> int:
    told: list[dict[str, Any]] = []
    code = EXIT_FINE
    for step in steps:
        printed = io.StringIO()
        with chdir(case.folder), redirect_stdout(printed):
            code = main([*step.arguments, "--json"])
        text = printed.getvalue()
        told.append(
            {
                "command": shlex.join(("wrongbit", *step.arguments)),
                "exit_code": code,
                "result": json.loads(text) if text else None,
            }
        )
        if code not in step.goes_on:
            break
    wrong = {str(path.relative_to(case.folder)): differing_bits(case, path) for path in _proofs(case)}
    done = len(told) == len(steps) and code in steps[-1].goes_on
    if done:
        _programmed(case)
    print_json(
        {
            "folder": case.folder,
            "files": _names(case),
            "put_in": {"trouble": case.trouble, "chip": case.chip.name, "says": case.bench.sentence},
            "steps": told,
            "bits": len(case.truth) * len(case.chip.lane),
            "wrong_bits_of_passes": {path.name: differing_bits(case, path) for path in case.readings},
            "wrong_bits": wrong,
        }
    )
    return _verdict(case, done=done, code=code, wrong=sum(wrong.values()))


def _verdict(case: ChipCase, *, done: bool, code: int, wrong: int) -> int:
    if not done:
        return EXIT_INPUT if code == EXIT_INPUT else 1
    return int(case.worn is not None and wrong > 0)


# The steps -----------------------------------------------------------------------------------------


def _steps(case: ChipCase) -> tuple[Step, ...]:
    machine, chip = case.machine_file.name, case.chip.name
    readings = tuple(path.name for path in case.readings)
    examined = Step(
        "What is wrong with the chip",
        "all passes beside each other, and beside what the machine file says that it should hold.",
        ("chip", machine, chip, *readings),
        (0, 1),
    )
    if case.worn is None:
        return (examined,)
    return (examined, *_repair(case, case.worn, machine, chip, readings))


def _repair(
    case: ChipCase, worn: WornChip, machine: str, chip: str, readings: Sequence[str]
) -> tuple[Step, ...]:
    """Rebuild, fit, files."""
    assert case.twin is not None and case.printout is not None
    each = [part for name in readings for part in ("--reading", name)]
    sources = [*each, "--twin", case.twin.name, "--listing", case.printout.name, "--checksum", worn.checksum]
    memory = ("--memory", worn.memory, "--margin", "10")
    return (
        Step(
            "Its contents, from everything there is",
            f"no source holds all of it, and each is wrong somewhere. {worn.says}",
            ("rebuild", machine, chip, *sources, "--output", _rebuilt(case)),
        ),
        Step(
            "A memory for its place",
            "one that can be bought, with a margin of a tenth of the time that there is.",
            ("fit", machine, chip, *memory, "--folder", "replacement"),
        ),
        Step(
            "Files for the programmer",
            "written in three formats, read back, and labelled.",
            ("files", machine, chip, _rebuilt(case), *memory, "--folder", PROGRAMMER, "--replace"),
        ),
    )


def _rebuilt(case: ChipCase) -> str:
    return f"{case.chip.name.lower()}-rebuilt.bin"


def _programmer_files(case: ChipCase) -> tuple[Path, ...]:
    folder = case.folder / PROGRAMMER
    return tuple(folder / f"{case.chip.name}.{suffix}" for suffix in ("bin", "hex", "srec"))


def _proofs(case: ChipCase) -> list[Path]:
    """What the walk has written of the contents."""
    if case.worn is None:
        return []
    return [path for path in (case.folder / _rebuilt(case), *_programmer_files(case)) if path.exists()]


def wrapped(arguments: Sequence[str]) -> str:
    """A command as it is typed, over several lines where it is long.

    >>> wrapped(("chip", "a.toml", "U3", "a b.bin"))
    "wrongbit chip a.toml U3 'a b.bin'"
    """
    lines = ["wrongbit"]
    position = 0
    while position < len(arguments):
        word = shlex.quote(arguments[position])
        if arguments[position].startswith("--") and position + 1 < len(arguments):
            follower = arguments[position + 1]
            if not follower.startswith("--"):  # an option stays in one line with its value
                word += f" {shlex.quote(follower)}"
                position += 1
        position += 1
        if len(lines[-1]) + 1 + len(word) > WIDTH:
            lines.append(f"   {word}")
        else:
            lines[-1] += f" {word}"
    return " \\\n".join(lines)


# The page ------------------------------------------------------------------------------------------


def _introduce(case: ChipCase) -> None:
    machine, chip = case.machine, case.chip
    out.print(Text(f"The {machine.title}", "bold"), "— an invented machine, with invented data.")
    out.print(
        f"Its {chip.name} is under suspicion. It was taken out of the board and read {len(case.readings)} "
        "times in a reader. The repairer now has:",
        soft_wrap=True,
    )
    out.print()
    table = plain_table((f"in {case.folder}", "left"), ("", "left"))
    for path, says in _files(case):
        table.add_row(path.name, says)
    out.print(table)
    out.print()
    out.print(f"$ cd {shlex.quote(str(case.folder))}", soft_wrap=True, markup=False)


def _files(case: ChipCase) -> list[tuple[Path, str]]:
    """The files of the case with what each is."""
    chip = case.chip.name
    rows = [(case.machine_file, "the machine file: what is on the board")]
    rows += [
        (path, f"{chip} in the reader, pass {number}: {volts:g} V, {wait:g} ns")
        for number, (path, volts, wait) in enumerate(
            zip(case.readings, case.bench.volts, case.bench.waits_ns, strict=True), 1
        )
    ]
    rows.append((case.folder / "readings.toml", "the conditions of each pass"))
    if case.twin is not None:
        rows.append((case.twin, f"{chip} of another machine, lent by its owner: one pass"))
    if case.printout is not None:
        rows.append(
            (case.printout, f"{chip} printed in the service book: the last page is gone, a stain elsewhere")
        )
    held = "what ROMs should hold" if case.worn is None else "what another ROM should hold"
    rows += [(path, held) for path in case.images]
    rows.append((case.folder / CASE_FILE, "the case: which of these belong to it"))
    rows += [(path, f"for later: the new {chip} in the reader") for path in case.later]
    return rows


def _keep(case: ChipCase) -> None:
    """Put what was read into the case, with the conditions of each pass, and the twin."""
    name = case.chip.name
    with Case.open(case.folder, take_in=False) as kept:
        known = {each.file.sha256 for _, each in kept.of_kind(ReadingAdded)}
        known |= {each.file.sha256 for _, each in kept.of_kind(ReferenceAdded)}
        waits = zip(case.readings, case.bench.volts, case.bench.waits_ns, strict=True)
        for path, volts, wait in waits:
            if file_hash(path) not in known:
                told = {"voltage": f"{volts:g} V", "temperature": f"{CELSIUS:g} °C", "speed": f"{wait:g} ns"}
                kept.add_reading(path, name, conditions=told, note=NOTE)
        if case.twin is not None and file_hash(case.twin) not in known:
            kept.add_reference(case.twin, "twin", name, note=NOTE)
        kept.refresh()
        keep_values(kept, sound_values(Casework(kept).machine))


def _stopped(case: ChipCase, step: Step, code: int) -> int:
    """The walk ends early: a command failed, or the sources did not suffice."""
    out.print()
    if code == EXIT_INPUT:
        out.print(Text(f"{step.arguments[0]} failed: this should not happen in a demo.", ACCENT))
        return EXIT_INPUT
    out.print(
        Text.assemble(
            ("▲ ", ACCENT),
            (
                f"With these sources {case.chip.name} cannot be rebuilt as a whole, and nothing is made up. ",
                "bold",
            ),
            "A further twin or another checksum is needed; chance was against this one: try another --seed.",
        ),
        soft_wrap=True,
    )
    return 1


def _close(case: ChipCase, later: Sequence[Path]) -> int:
    out.print()
    out.print(Text("What had been done to the chip, which the commands were not told:", "bold"))
    out.print(f"  {case.bench.sentence}", soft_wrap=True)
    wrong = 0
    if case.worn is not None:
        wrong = _check(case)
    out.print()
    out.print(f"Go on with the same files, in {case.folder}:", soft_wrap=True, markup=False)
    for line in _further(case):
        out.print(f"  {line}", soft_wrap=True, markup=False)
    out.print("Follow the repair in the browser, or end it here:")
    for line in _case_commands(case, later):
        out.print(f"  {line}", soft_wrap=True, markup=False)
    out.print("  wrongbit demo --list", Text("  other machines and other faults", QUIET))
    return _verdict(case, done=True, code=EXIT_FINE, wrong=wrong)


def _check(case: ChipCase) -> int:
    """Compare with the truth; number of wrong bits in what was written."""
    bits = len(case.truth) * len(case.chip.lane)
    passes = [differing_bits(case, path) for path in case.readings]
    out.print()
    out.print(Text("The truth, which was kept back:", "bold"))
    table = plain_table(("", "left"), (f"wrong of {bits} bits", "right"), ("", "left"))
    table.add_row(f"the {len(passes)} passes", f"{min(passes)} to {max(passes)}", "")
    if case.twin is not None:
        table.add_row(case.twin.name, str(differing_bits(case, case.twin)), "")
    total = 0
    for path in _proofs(case):
        wrong = differing_bits(case, path)
        total += wrong
        table.add_row(
            str(path.relative_to(case.folder)),
            str(wrong),
            "▲ not the truth" if wrong else "equal, bit for bit",
        )
    out.print(table)
    return total


def _case_commands(case: ChipCase, later: Sequence[Path]) -> list[str]:
    fresh = " ".join(f"--reading {path.name}" for path in later)
    return [
        "wrongbit serve .",
        "wrongbit report .",
        f"wrongbit prove . {fresh} --chip {case.chip.name}",
    ]


def _further(case: ChipCase) -> list[str]:
    machine, chip = case.machine_file.name, case.chip.name
    picture = f"wrongbit chip {machine} {chip} {' '.join(p.name for p in case.readings)} --picture map.svg"
    if case.worn is None:
        return [picture]
    return [
        picture,
        f"wrongbit fit {machine} {chip} --made-today",
        f"cat {PROGRAMMER}/{chip}.label.txt",
    ]
