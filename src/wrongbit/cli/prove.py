"""``wrongbit prove``: everything that was wrong is looked at again, before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.capture.store import file_hash
from wrongbit.case.entries import Entry
from wrongbit.case.folder import Case
from wrongbit.casework.accept import check_capture, check_reading
from wrongbit.casework.casework import Casework
from wrongbit.casework.proof import Proof, still_to_judge
from wrongbit.casework.unkept import open_or_look
from wrongbit.casework.waivers import waiver_of
from wrongbit.casework.words import counted
from wrongbit.cli import options
from wrongbit.cli.entered import plain
from wrongbit.cli.show import ACCENT, QUIET, err, out, plain_table, print_json, progress_bar, show_cautions
from wrongbit.errors import UsageError
from wrongbit.job import Progress
from wrongbit.machine.lookup import point_named, rom_named

app = typer.Typer(add_completion=False, rich_markup_mode=None)

NOTE = "proof"
LISTED = 12
"""Words that were not judged again, as far as they are listed; JSON has them all."""

_MARK = {"proved": "✓", "waived": "○", "not proved": "▲", "not covered": "·"}

Captures = Annotated[
    list[Path] | None,
    typer.Option("--capture", help="A fresh capture; it is added to the case as proof.", show_default=False),
]
Points = Annotated[
    list[str] | None,
    typer.Option(
        "--point",
        help="Probe point of the captures, one for all or one for each.",
        show_default=False,
    ),
]
Readings = Annotated[
    list[Path] | None,
    typer.Option(
        "--reading",
        help="A fresh pass of a chip, or of its replacement; it is added to the case as proof.",
        show_default=False,
    ),
]
Chips = Annotated[
    list[str] | None,
    typer.Option("--chip", help="Chip of the readings, one for all or one for each.", show_default=False),
]
Waived = Annotated[
    list[str] | None,
    typer.Option(
        "--waive",
        metavar="ADDRESS",
        help="Let words be that nothing fresh has read: 0x1F3A, 1F00..1FFF, 2:1F3A in bank 2. Needs --why.",
        show_default=False,
    ),
]
Why = Annotated[
    str, typer.Option("--why", help="Your reason; it stands in journal and report.", show_default=False)
]
OnBus = Annotated[
    str | None,
    typer.Option("--processor", help="On whose bus to waive, where there are several.", show_default=False),
]


@app.command("prove")
def prove_verb(
    folder: options.CaseFolder,
    capture: Captures = None,
    point: Points = None,
    reading: Readings = None,
    chip: Chips = None,
    waive: Waived = None,
    why: Why = "",
    processor: OnBus = None,
    as_json: options.Json = False,
) -> int:
    """Prove a repair by the case's own bars: what was wrong before is judged again, and nothing differs.

    Without files, what was noted as proof in the case counts, or the newest since the last wrong one. Words
    that the sound program never reads can be waived with a reason: they are shown as waived, not as proved.
    Exit code 0 when the repair is proved, or all that is left is waived, else 1.
    """
    _goes_with_waive(waive or (), why, processor, [*(capture or ()), *(reading or ())])
    captures = _paired(capture or (), point or (), "--capture", "--point")
    readings = _paired(reading or (), chip or (), "--reading", "--chip")
    case = open_or_look(folder)
    try:
        work = Casework(case)
        with progress_bar("Reading the captures", quiet=as_json) as progress:
            _check(work, captures, readings)
            fresh = _captures_added(work, captures, progress)
            passes = _readings_added(work, readings)
            proof = work.proof(fresh or None, passes or None, progress)
            written = _waivers_added(work, proof, waive or (), why, processor)
            if written:
                proof = work.proof(progress=progress)
        cautions = work.machine.machine.cautions
    finally:
        case.close()
    if as_json:
        print_json(asdict(proof))
    else:
        show_cautions(cautions)
        show_proof(proof)
        if fresh or passes:
            err.print(
                f"{counted(len({each.number for each in (*fresh, *passes)}), 'file is', 'files are')} "
                "in the case as proof.",
                soft_wrap=True,
                style=QUIET,
            )
        for entry in written:
            err.print(
                f"Entry {entry.number} keeps the waiver; 'wrongbit history {folder} --withdraw "
                f"{entry.number} --why …' takes it back.",
                soft_wrap=True,
                style=QUIET,
                markup=False,
            )
    return 0 if proof.verdict in ("proved", "waived") else 1


def _goes_with_waive(where: Sequence[str], why: str, processor: str | None, files: Sequence[Path]) -> None:
    """What goes together.

    Raises:
        UsageError: A reason or a processor without something to waive, or files beside it.
    """
    if not where and (why or processor is not None):
        option = "--why" if why else "--processor"
        raise UsageError(f"{option} goes with --waive.", "Name the address with --waive ADDRESS.")
    if where and files:
        raise UsageError(
            "What is to be waived shows only when the fresh files are in the case.",
            "Prove with them first; then waive what is left.",
        )


def _waivers_added(
    work: Casework, proof: Proof, where: Sequence[str], why: str, processor: str | None
) -> list[Entry]:
    """Waivers as entries: all of them, or none where one cannot be."""
    waivers = [waiver_of(work.machine, proof, each, why, processor) for each in where]
    return [_writable(work).add(each) for each in waivers]


def _paired(
    files: Sequence[Path], names: Sequence[str], option: str, goes_with: str
) -> list[tuple[Path, str | None]]:
    """Files with the names that go with them.

    Raises:
        UsageError: There are other than one name for all, or one for each.
    """
    if names and not files:
        raise UsageError(f"{goes_with} goes with {option}.", f"Give {option} too.")
    if len(names) > 1 and len(names) != len(files):
        raise UsageError(
            f"{len(files)} files, but {len(names)} times {goes_with}.",
            f"Give {goes_with} once for all files, or once for each in the same order.",
        )
    return [(file, names[k if len(names) > 1 else 0] if names else None) for k, file in enumerate(files)]


def _writable(work: Casework) -> Case:
    if not isinstance(work.case, Case):
        raise UsageError(
            "The folder may only be read: nothing can be added to it.", "Copy it to where you may write."
        )
    return work.case


def _check(
    work: Casework,
    captures: Sequence[tuple[Path, str | None]],
    readings: Sequence[tuple[Path, str | None]],
) -> None:
    """Look at all files before one is added: what cannot be read would stop every later proof.

    Raises:
        WrongbitError: One cannot be used.
    """
    machine = work.machine
    for path, name in captures:
        check_capture(machine, path, name)
    for path, name in readings:
        if name is None:
            roms = ", ".join(each.name for each in machine.chip if each.kind == "rom") or "none"
            raise UsageError(f"Of which chip {path} was read is not told.", f"Say it with --chip: {roms}.")
        check_reading(machine, path, name, "auto", {})


def _captures_added(
    work: Casework, captures: Sequence[tuple[Path, str | None]], progress: Progress
) -> list[Entry]:
    """The fresh captures as entries; one that is there as proof already is not added again."""
    found = []
    for path, name in captures:
        point = point_named(work.machine, name).name
        there = [
            entry
            for entry, each in work.captures(proof=True)
            if each.point == point and each.file.sha256 == file_hash(path)
        ]
        if there:
            found.append(there[-1])
        else:
            found.append(_writable(work).add_capture(path, point, note=NOTE, progress=progress))
    return found


def _readings_added(work: Casework, readings: Sequence[tuple[Path, str | None]]) -> list[Entry]:
    """The same of readings. Passes of a sound chip are all alike: one is there when its name is, too."""
    found = []
    for path, name in readings:
        chip = rom_named(work.machine, name or "").name
        there = [
            entry
            for entry, each in work.readings(chip, proof=True)
            if (each.file.name, each.file.sha256) == (path.name, file_hash(path))
        ]
        if there:
            found.append(there[-1])
        else:
            found.append(_writable(work).add_reading(path, chip, note=NOTE))
    return found


def show_proof(proof: Proof) -> None:
    """The table of before and after, and the verdict, for a person."""
    out.print(Text(proof.machine, "bold"), "— the repair, by the case's own bars")
    out.print()
    table = plain_table(("", "left"), ("", "left"), ("before", "left"), ("after", "left"), ("", "left"))
    for line in proof.lines:
        style = {"not proved": ACCENT, "not covered": QUIET}.get(line.verdict, "")
        table.add_row(
            Text(_MARK[line.verdict], style),
            Text(line.title, "bold"),
            line.before or "–",
            Text(line.after or "–", style),
            line.says,
        )
    if proof.lines:
        out.print(table)
        out.print()
        out.print(Text(f"before: {', '.join(proof.files_before) or 'nothing'}", QUIET), soft_wrap=True)
        out.print(Text(f"after: {', '.join(proof.files_after) or 'nothing'}", QUIET), soft_wrap=True)
    _listed("Seen right by a reader, not by the machine", [each.sentence for each in proof.credited])
    _listed("Waived, not proved", [each.sentence for each in proof.waived])
    if summary := still_to_judge(proof):
        out.print()
        out.print(f"{summary} --json lists them.", soft_wrap=True)
    else:
        _listed("Was wrong, and was not judged again", [each.sentence for each in proof.uncovered])
    _hints(proof)
    _listed("Note", proof.notes)
    if proof.uncovered and proof.looked_at:
        out.print()
        out.print(Text("To waive with a reason: --waive ADDRESS --why '…'", QUIET), soft_wrap=True)
    out.print()
    mark = {"proved": ("✓ ", ""), "waived": ("○ ", "")}.get(proof.verdict, ("▲ ", ACCENT))
    head = proof.verdict[:1].upper() + proof.verdict[1:]
    out.print(Text.assemble(mark, (f"{head}. ", "bold"), proof.sentence), soft_wrap=True)
    for each in proof.remedies:
        out.print(f"  → {each}", soft_wrap=True, markup=False)


def _listed(title: str, sentences: Sequence[str]) -> None:
    """Sentences under a title, as far as they are listed."""
    if not sentences:
        return
    out.print()
    out.print(Text(title, "bold"))
    for each in sentences[:LISTED]:
        out.print(f"  {plain(each)}", soft_wrap=True, markup=False)
    if (more := len(sentences) - LISTED) > 0:
        out.print(Text(f"  … and {more} more; --json lists them.", QUIET))


def _hints(proof: Proof) -> None:
    """Words that the sound program may never read, with what a person could give as the reason."""
    if not proof.hints:
        return
    out.print()
    out.print(Text("Perhaps never read by the sound program: that is for you to judge", "bold"))
    several = len({each.processor for each in proof.hints}) > 1
    for each in proof.hints[:LISTED]:
        bus = f" --processor {each.processor}" if several else ""
        out.print(f"  {each.sentence} If so:", soft_wrap=True, markup=False)
        out.print(f"    --waive {each.where}{bus} --why '{plain(each.why)}'", soft_wrap=True, markup=False)
