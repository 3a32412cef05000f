"""``wrongbit demo``: an invented machine with a fault, its capture, and the main job on it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.capture.store import file_hash
from wrongbit.case.entries import Entry
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.cli import options
from wrongbit.cli.demo_case import keep_values, sound_values, tell_set_aside
from wrongbit.cli.show import QUIET, out, plain_table, print_json
from wrongbit.cli.weighed import diagnosis_as_json, show_diagnosis
from wrongbit.demo.case import DEFAULT_CYCLES, DemoCase, write_case
from wrongbit.demo.machines import machine_named, machines
from wrongbit.demo.readings import troubles_of, usual_trouble
from wrongbit.errors import UsageError
from wrongbit.job import Diagnosis

app = typer.Typer(add_completion=False, rich_markup_mode=None)

MachineName = Annotated[
    str | None,
    typer.Option(
        "--machine",
        help="Which invented machine; --list shows them.",
        show_default="saltmarsh; quarrybank for the chip stage",
    ),
]
StageName = Annotated[
    str | None,
    typer.Option(
        "--stage",
        help="board: a capture of the machine is diagnosed; parts: the faulty part between chip and "
        "processor is searched, measurement after measurement; chip: a chip out of it is read, its contents "
        "are rebuilt, and a replacement is planned.",
        show_default="parts for hollowmere, board for others",
    ),
]
FaultName = Annotated[
    str | None,
    typer.Option(
        "--fault",
        help="Fault to put into machine or chip, as NAME or NAME:DETAIL; --list shows them.",
        show_default=False,
    ),
]
Folder = Annotated[
    Path | None,
    typer.Option(
        "--folder",
        help="Where to write the files; left out: demo/MACHINE, or demo/MACHINE-chip….",
        show_default=False,
    ),
]
Cycles = Annotated[
    int, typer.Option("--cycles", min=1, max=2_000_000, help="Bus cycles from reset that are captured.")
]
Seed = Annotated[int, typer.Option("--seed", min=0, help="Source of everything that varies.")]

CHIP_MACHINE = "quarrybank"
"""The machine whose chip is shown when none is named."""

PARTS_MACHINE = "hollowmere"
"""The machine that is there to show the search for a part: two processors, one ROM pair."""


@app.command()
def demo(
    machine: MachineName = None,
    stage: StageName = None,
    fault: FaultName = None,
    point: options.PointName = None,
    folder: Folder = None,
    cycles: Cycles = DEFAULT_CYCLES,
    seed: Seed = 1,
    files_only: Annotated[
        bool, typer.Option("--files-only", help="Write the files and run nothing.")
    ] = False,
    list_them: Annotated[bool, typer.Option("--list", help="List machines and faults.")] = False,
    as_json: options.Json = False,
) -> int:
    """Put a fault into an invented machine, capture its bus, and diagnose the capture.

    The parts stage searches for the faulty part between chip and processor, one measurement after another.
    The chip stage reads a worn chip, rebuilds its contents and plans its replacement.
    The files are written to a folder, so that every command can be tried on them afterwards.
    """
    if list_them:
        return _list(as_json)
    stage = stage or ("parts" if machine == PARTS_MACHINE else "board")
    if stage == "chip":
        return _chip(machine, fault, point, folder, seed, files_only=files_only, as_json=as_json)
    if stage == "parts":
        return _parts(machine, fault, point, folder, seed, files_only=files_only, as_json=as_json)
    if stage != "board":
        raise UsageError(f"There is no stage {stage!r}.", "Choose board, parts or chip.")
    machine = machine or "saltmarsh"
    where = Path("demo") / machine if folder is None else folder
    case = write_case(
        where, machine, fault, points=(point,) if point else (), cycles=cycles, seed=seed, whole=True
    )
    tell_set_aside(case.set_aside)
    if files_only:
        return _files_only(case, as_json)
    with Case.open(case.folder) as kept:
        work = Casework(kept)
        keep_values(kept, sound_values(work.machine))
        entry = _entry(work, case)
        job, diagnosis = work.job_of(entry), work.diagnosis(entry)
    if as_json:
        print_json(
            {
                "files": [str(path) for path, _ in _files(case)],
                "commands": _commands(case),
                "put_in": {"model": case.fault.model, "part": case.fault.chip, "says": case.fault.sentence},
                **diagnosis_as_json(job, diagnosis),
            }
        )
        return 0
    _introduce(case)
    show_diagnosis(job, diagnosis)
    _close(case, diagnosis)
    return 0


def _files_only(case: DemoCase, as_json: bool) -> int:
    if as_json:
        files = [path.name for path, _ in _files(case)]
        print_json({"folder": case.folder, "files": files, "commands": _commands(case)})
        return 0
    _introduce(case)
    for command in _commands(case)[1:]:
        out.print(f"$ {command}", soft_wrap=True)
    return 0


def _chip(
    machine: str | None,
    trouble: str | None,
    point: str | None,
    folder: Path | None,
    seed: int,
    *,
    files_only: bool,
    as_json: bool,
) -> int:
    from wrongbit.cli.demo_chip import chip_stage

    if point is not None:
        raise UsageError("A chip in a reader has no probe points.", "Leave --point out.")
    machine = machine or CHIP_MACHINE
    # A worn chip's folder must not hold what another fault's may: the chip's true contents.
    name = (trouble or "worn").partition(":")[0]
    own = f"{machine}-chip" if name == "worn" else f"{machine}-chip-{name}"
    where = Path("demo") / own if folder is None else folder
    return chip_stage(where, machine, trouble, seed, files_only=files_only, as_json=as_json)


def _parts(
    machine: str | None,
    fault: str | None,
    point: str | None,
    folder: Path | None,
    seed: int,
    *,
    files_only: bool,
    as_json: bool,
) -> int:
    from wrongbit.cli.demo_parts import run_walk

    if point is not None:
        raise UsageError(
            "The search chooses its own probe points.", "Leave --point out, or choose --stage board."
        )
    machine = machine or PARTS_MACHINE
    where = Path("demo") / f"{machine}-parts" if folder is None else folder
    return run_walk(where, machine, fault, seed=seed, files_only=files_only, as_json=as_json)


def _introduce(case: DemoCase) -> None:
    machine = case.machine
    out.print(Text(f"The {machine.title}", "bold"), "— an invented machine, with invented data.")
    out.print(machine.text, soft_wrap=True)
    out.print("It has power, its clock runs, it leaves reset, and then it does not start.")
    out.print("A logic analyser was clipped on, and the machine switched on. The repairer now has:")
    out.print()
    table = plain_table((f"in {case.folder}", "left"), ("", "left"))
    for path, says in _files(case):
        table.add_row(path.name, says)
    out.print(table)
    out.print()
    out.print(f"$ {_commands(case)[0]}", soft_wrap=True)
    out.print()


def _files(case: DemoCase) -> list[tuple[Path, str]]:
    """The files with what each is."""
    rows = [(case.machine_file, "the machine file: what is on the board")]
    rows += [(image, "what ROMs should hold") for image in case.images]
    rows += [(each.path, f"the capture, from probe point {each.point}") for each in case.captures]
    rows += [
        (path, f"{case.suspect} in a reader, pass {number}") for number, path in enumerate(case.readings, 1)
    ]
    assert case.case_file is not None
    rows.append((case.case_file, "the case: which of these belong to it"))
    new = f"the new {case.suspect} in a reader" if case.suspect else ""
    rows += [
        (path, f"for later: {new if path.suffix == '.bin' else 'a capture'} after the repair")
        for path in case.later
    ]
    return rows


def _entry(work: Casework, case: DemoCase) -> Entry:
    """The case's entry of the capture that was written last."""
    capture = case.captures[0]
    there = [
        entry
        for entry, detail in work.captures()
        if detail.point == capture.point and detail.file.sha256 == file_hash(capture.path)
    ]
    return there[-1]


def _close(case: DemoCase, diagnosis: Diagnosis) -> None:
    out.print()
    out.print(Text("What had been done to the machine, which the diagnosis was not told:", "bold"))
    out.print(f"  {case.fault.sentence}", soft_wrap=True)
    out.print()
    out.print("Go on with the same files:")
    for command in _commands(case)[1:]:
        out.print(f"  {command}", soft_wrap=True)
    out.print("Follow the repair in the browser, or end it here:")
    for command in _case_commands(case):
        out.print(f"  {command}", soft_wrap=True)
    if case.machine.worn is not None:
        out.print(
            f"  wrongbit demo --machine {case.machine.name} --stage chip",
            Text("  its worn EPROM, rebuilt and replaced", QUIET),
        )
    out.print("  wrongbit demo --list", Text("  other machines and faults", QUIET))


def _commands(case: DemoCase) -> list[str]:
    """What a person can run on the written files."""
    capture = case.captures[0]
    machine, file = shlex.quote(str(case.machine_file)), shlex.quote(str(capture.path))
    point = f" --point {shlex.quote(capture.point)}"
    return [
        f"wrongbit diagnose {machine} {file}{point}",
        f"wrongbit check {machine}",
        f"wrongbit cycles {machine} {file}{point}",
        f"wrongbit compare {machine} {file}{point} --wrong 3",
    ]


def _case_commands(case: DemoCase) -> list[str]:
    """What a person can run on the case."""
    folder = shlex.quote(str(case.folder))
    captured = [path for path in case.later if path.suffix != ".bin"]
    fresh = [f"--capture {shlex.quote(str(path))}" for path in captured]
    fresh += [f"--point {shlex.quote(each.point)}" for each in case.captures[:1]]
    read = [path for path in case.later if path.suffix == ".bin"]
    fresh += [f"--reading {shlex.quote(str(path))}" for path in read]
    fresh += [f"--chip {case.suspect}"] if read else []
    return [
        f"wrongbit serve {folder}",
        f"wrongbit report {folder}",
        f"wrongbit prove {folder} {' '.join(fresh)}",
    ]


def _list(as_json: bool) -> int:
    if as_json:
        print_json(
            [
                {
                    "machine": machine.name,
                    "title": machine.title,
                    "text": machine.text,
                    "fault": machine.default_fault,
                    "more_faults": list(machine.more_faults),
                    "points": [export.point for export in machine.exports],
                    "faults": [
                        {"name": f.name, "says": f.text, "example": f.example} for f in machine.faults()
                    ],
                    "chip_fault": usual_trouble(machine),
                    "chip_faults": [
                        {"name": name, "says": says, "example": example}
                        for name, (says, example) in troubles_of(machine).items()
                    ],
                }
                for machine in machines()
            ]
        )
        return 0
    for machine in machines():
        out.print(Text(machine.name, "bold"), f"— the {machine.title}. {machine.text}", soft_wrap=True)
        out.print(f"  usual fault: {machine.default_fault}", soft_wrap=True)
        out.print(f"  worth trying: {', '.join(machine.more_faults)}", soft_wrap=True)
        out.print(f"  probe points: {', '.join(export.point for export in machine.exports)}", soft_wrap=True)
        out.print(
            f"  usual fault of a chip in a reader (--stage chip): {usual_trouble(machine)}", soft_wrap=True
        )
    out.print()
    table = plain_table(("fault", "left"), ("what it is", "left"), ("example of a detail", "left"))
    seen: set[str] = set()
    for machine in machines():
        for fault in machine.faults():
            if fault.name not in seen:
                seen.add(fault.name)
                table.add_row(fault.name, fault.text, fault.example)
    out.print(table)
    out.print()
    table = plain_table(
        ("fault of a chip in a reader", "left"), ("what it is", "left"), ("example of a detail", "left")
    )
    for name, (says, example) in troubles_of(machine_named(CHIP_MACHINE)).items():
        table.add_row(name, says, example)
    out.print(table)
    return 0
