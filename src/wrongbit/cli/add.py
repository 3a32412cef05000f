"""``wrongbit add``: what was captured, read, measured, done to the object, or is known of it, into a case."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, cast

import typer

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.entries import (
    Entry,
    MeasurementAdded,
    NoteAdded,
    ObjectDescribed,
    ReferenceKind,
    ValueAdded,
    WorkDone,
)
from wrongbit.case.folder import Case
from wrongbit.case.journal import person
from wrongbit.casework.accept import (
    check_capture,
    check_capture_is_new,
    check_measurement,
    check_reading,
    check_reading_is_new,
    check_reference,
    check_reference_is_new,
    check_value,
    conditions_for,
    parsed_conditions,
)
from wrongbit.casework.casework import Casework
from wrongbit.casework.described import check_object, object_of
from wrongbit.casework.questions import question_capture, question_reading, question_reference
from wrongbit.casework.work_done import REVERSIBLE, WORK_KINDS, check_work, corrected, refuse_known
from wrongbit.cli import options
from wrongbit.cli.entered import entry_as_json, plain, says
from wrongbit.cli.show import out, print_json, progress_bar, show_notes
from wrongbit.errors import QuestionedError, UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine

app = typer.Typer(add_completion=False, rich_markup_mode=None)

OneFile = Annotated[Path, typer.Argument(metavar="FILE", help="The file to keep.", show_default=False)]
Note = Annotated[str, typer.Option("--note", help="A remark for people.", show_default=False)]
Anyway = Annotated[
    bool, typer.Option("--anyway", help="Keep it although it is probably not what it is said to be.")
]
Format = Annotated[str, typer.Option("--format", help="auto, binary, intel-hex, s-record or listing.")]


KINDS = "capture, reading, reference, measurement, value, note, object or work"


@app.callback(invoke_without_command=True)
def add(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The case's folder.", show_default=False)],
) -> None:
    """Add to a case. Files are copied into it byte for byte; yours stays where it is."""
    if context.invoked_subcommand is None:
        raise UsageError(
            "What is to be added?",
            f"Say {KINDS} after the folder; 'wrongbit add FOLDER capture --help' tells more of one.",
        )
    context.obj = folder


@app.command()
def capture(
    context: typer.Context,
    file: OneFile,
    point: options.PointName = None,
    note: Note = "",
    anyway: Anyway = False,
    as_json: options.Json = False,
) -> int:
    """Keep a capture: CSV, VCD or typed text."""
    with Case.open(context.obj) as case:
        name, notes = check_capture(_machine(case), file, point)
        check_capture_is_new(case, file, name)
        with _questions(anyway):
            question_capture(Casework(case), file, name)
        with progress_bar("Keeping the capture", quiet=as_json) as progress:
            entry = case.add_capture(file, name, note=note, progress=progress)
    return _told([entry], notes, as_json)


@app.command()
def reading(
    context: typer.Context,
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE…", help="What the reader gave, one file a pass.")
    ],
    chip: Annotated[str, typer.Option("--chip", help="The chip that was read.", show_default=False)],
    format_: Format = "auto",
    condition: Annotated[
        list[str] | None,
        typer.Option(
            "--condition", metavar="'KEY = VALUE'", show_default=False,
            help="How it was read: voltage, temperature, speed, time, reader, orientation, notes; otherwise "
            "from readings.toml or readings.csv beside the file.",
        ),
    ] = None,
    note: Note = "",
    anyway: Anyway = False,
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Keep readings of a chip, one file a pass."""
    given = parsed_conditions(condition or [])
    with Case.open(context.obj) as case:
        machine, notes = _machine(case), list[str]()
        conditions = [conditions_for(each, given) for each in files]
        for each, known in zip(files, conditions, strict=True):
            notes += check_reading(machine, each, chip, format_, known)
        work = Casework(case)
        for each in files:
            check_reading_is_new(case, each, chip)
            with _questions(anyway):
                question_reading(work, each, chip, format_)
        entries = [
            case.add_reading(each, chip, format=format_, conditions=known, note=note)
            for each, known in zip(files, conditions, strict=True)
        ]
    return _told(entries, notes, as_json)


@app.command()
def reference(
    context: typer.Context,
    file: OneFile,
    kind: Annotated[
        str,
        typer.Option(
            "--kind", show_default=False,
            help="image (what a chip should hold), listing (addresses as the processor sees them), or twin "
            "(the same chip of another machine).",
        ),
    ],
    chip: Annotated[str, typer.Option("--chip", help="The chip that it is of.", show_default=False)] = "",
    format_: Format = "auto",
    note: Note = "",
    anyway: Anyway = False,
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Keep a further source of what a chip should hold."""
    with Case.open(context.obj) as case:
        notes = check_reference(_machine(case), file, kind, chip, format_)
        check_reference_is_new(case, file, kind, chip)
        with _questions(anyway):
            question_reference(Casework(case), file, kind, chip, format_)
        entry = case.add_reference(file, cast(ReferenceKind, kind), chip, format=format_, note=note)
    return _told([entry], notes, as_json)


@app.command()
def measurement(
    context: typer.Context,
    kind: Annotated[
        str,
        typer.Option(
            "--kind", show_default=False,
            help="continuity, short, activity, swapped, reseated, reclipped or reading.",
        ),
    ],
    part: Annotated[str, typer.Option("--part", help="Part, chip or probe point.", show_default=False)],
    outcome: Annotated[str, typer.Option("--outcome", help="What was found.", show_default=False)],
    line: Annotated[
        str, typer.Option("--line", help="Line, such as D5 or A12; left out: all.", show_default=False)
    ] = "",
    carries: Annotated[
        str, typer.Option("--carries", help="What the line carries, where it matters.", show_default=False)
    ] = "",
    note: Note = "",
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Write down something measured or done by hand."""
    with Case.open(context.obj) as case:
        detail = MeasurementAdded(kind, part, line, carries, outcome, note)
        entry = case.add(check_measurement(_machine(case), detail))
    return _told([entry], (), as_json)


@app.command()
def value(
    context: typer.Context,
    text: Annotated[
        str,
        typer.Argument(
            metavar="'NAME = VALUE'", show_default=False,
            help="A value of the bring-up ladder, such as 'VCC = 4.9 V' or 'CLK duty = 48 %'.",
        ),
    ],
    note: Note = "",
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Write down a value of a rail, a clock or a start-up input."""
    with Case.open(context.obj) as case:
        check_value(_machine(case), text)
        entry = case.add(ValueAdded(" ".join(text.split()), note))
    return _told([entry], (), as_json)


@app.command()
def note(
    context: typer.Context,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Your own words.", show_default=False)],
    as_json: options.Json = False,
) -> int:
    """Write down a remark."""
    if not text.strip():
        raise UsageError("The note is empty.", "Write it between quotes.")
    with Case.open(context.obj) as case:
        entry = case.add(NoteAdded(text))
    return _told([entry], (), as_json)


@app.command("object")
def object_(
    context: typer.Context,
    inventory: Annotated[
        str | None, typer.Option("--inventory", help="Inventory or accession number.", show_default=False)
    ] = None,
    owner: Annotated[
        str | None, typer.Option("--owner", help="Owner or institution.", show_default=False)
    ] = None,
    maker: Annotated[str | None, typer.Option("--maker", help="Who made it.", show_default=False)] = None,
    model: Annotated[str | None, typer.Option("--model", help="Model or type.", show_default=False)] = None,
    serial: Annotated[str | None, typer.Option("--serial", help="Serial number.", show_default=False)] = None,
    place: Annotated[str | None, typer.Option("--place", help="Where it stands.", show_default=False)] = None,
    note: Annotated[str | None, typer.Option("--note", help="A remark.", show_default=False)] = None,
    as_json: options.Json = False,
) -> int:
    """Write down which object this is, for its keeper. What is left out stays as it was; '' takes it away."""
    with Case.open(context.obj) as case:
        given = ObjectDescribed(inventory, owner, maker, model, serial, place, note)
        entry = case.add(check_object(object_of(case.entries()), given))
    return _told([entry], (), as_json)


@app.command()
def work(
    context: typer.Context,
    kind: Annotated[
        str | None,
        typer.Option("--kind", help=f"What was done: {', '.join(WORK_KINDS)}.", show_default=False),
    ] = None,
    part: Annotated[
        str | None,
        typer.Option("--part", help="Reference designator, or what it was done to.", show_default=False),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(
            "--date", show_default=False, help="When: 2024-05-17, 2024-05 or 2024; left out: today."
        ),
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", help="Who did it; left out: who writes this.", show_default=False)
    ] = None,
    old: Annotated[
        str | None, typer.Option("--old", help="Marking of the part that came out.", show_default=False)
    ] = None,
    new: Annotated[
        str | None, typer.Option("--new", help="Marking of the part that went in.", show_default=False)
    ] = None,
    reversible: Annotated[
        str | None,
        typer.Option(
            "--reversible", help=f"Can it be undone: {', '.join(REVERSIBLE)}.", show_default=False
        ),
    ] = None,
    kept: Annotated[
        str | None, typer.Option("--kept", help="Where the old part is kept.", show_default=False)
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="A remark.", show_default=False)] = None,
    corrects: Annotated[
        int | None,
        typer.Option(
            "--corrects", metavar="NUMBER", show_default=False,
            help="The entry that this one takes the place of; what is left out stays as it was there.",
        ),
    ] = None,
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Write down what was done to the object: a part removed, fitted, cleaned; where the old part is kept."""
    given = {
        "kind": kind, "part": part, "date": date, "person": by, "old": old, "new": new,
        "reversible": reversible, "kept": kept, "note": note,
    }  # fmt: skip
    with Case.open(context.obj) as case:
        said = WorkDone(**{key: value or "" for key, value in given.items()})
        if corrects is not None:
            said = corrected(*case.entry_of(corrects, WorkDone), given)
        made, notes = check_work(_machine(case), said, datetime.now().astimezone().date())
        refuse_known(case.entries(), made, person())
        entry = case.add(made) if corrects is None else case.correct(corrects, made)
    return _told([entry], notes, as_json)


@contextmanager
def _questions(anyway: bool) -> Iterator[None]:
    """What is probably a slip is told and not kept, unless the person has said that it is meant."""
    try:
        yield
    except QuestionedError as error:
        if not anyway:
            error.remedy = f"{error.remedy} To keep it all the same, say --anyway.".lstrip()
            raise


def _machine(case: Case) -> Machine:
    return load_machine(case.machine_file, require_files=False, recipe_names=recipe_names())


def _told(entries: list[Entry], notes: Any, as_json: bool) -> int:
    if as_json:
        print_json({"entries": [entry_as_json(each) for each in entries], "notes": list(notes)})
        return 0
    for each in entries:
        out.print(f"Entry {each.number}: {says(each)}", soft_wrap=True)
    show_notes([plain(each) for each in dict.fromkeys(notes)])
    return 0
