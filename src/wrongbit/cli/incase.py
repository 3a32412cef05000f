"""Verbs that take a machine file with files, or a case folder that has them all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wrongbit.cli.show import err
from wrongbit.errors import CaptureError, UsageError
from wrongbit.faults.noise import DEFAULT_RATE

if TYPE_CHECKING:  # a case brings a database and much else, which a verb on files can do without
    from wrongbit.case.entries import CaptureAdded, Entry
    from wrongbit.casework.casework import Casework

MachineOrCase = Annotated[
    Path,
    typer.Argument(metavar="MACHINE", help="The machine file (TOML), or a case folder.", show_default=False),
]
CaptureOrEntry = Annotated[
    str | None,
    typer.Argument(
        metavar="CAPTURE",
        help="CSV, VCD or typed text. Of a case folder: a capture's name or number in it; left out: its "
        "first at the probe point.",
        show_default=False,
    ),
]


@contextmanager
def working(folder: Path, *, noise: float = DEFAULT_RATE) -> Iterator[Casework]:
    """What is computed of the case in a folder; a folder that may only be read is looked at.

    Raises:
        InputError: It is no case.
        CaseError: The case cannot be used.
    """
    from wrongbit.casework.casework import Casework
    from wrongbit.casework.unkept import open_or_look

    case = open_or_look(folder)
    try:
        yield Casework(case, noise=noise)
    finally:
        case.close()


def named_capture(capture: str | None) -> Path:
    """The capture that goes with a machine file.

    Raises:
        UsageError: None was named.
    """
    if capture is None:
        raise UsageError("No capture was named.", "Name one, or a case folder instead of the machine file.")
    return Path(capture)


def file_of(work: Casework, entry: Entry) -> Path:
    """The file of a capture, to be named in a command: as the person knows it, else as it is kept."""
    detail = next(detail for each, detail in work.captures() if each.number == entry.number)
    beside = work.case.machine_file.parent / detail.file.name
    return beside if beside.is_file() else work.case.path_of(detail.file)


def capture_in(work: Casework, capture: str | None, point: str | None) -> Entry:
    """The capture of a case that is meant.

    Args:
        work: The case.
        capture: Name or number; None: the first at the probe point.
        point: Probe point; None: any.

    Raises:
        UsageError: The case has none, or no such one.
    """
    from wrongbit.capture.store import file_hash
    from wrongbit.casework.inputs import is_proof
    from wrongbit.machine.lookup import point_named

    if point is not None:
        point_named(work.machine, point)
    there = work.captures()
    if not there:
        raise UsageError(
            "The case has no capture yet.",
            "Add one with 'wrongbit add', or a [[capture]] with point and file to case.toml.",
        )
    # A file is known by its contents: one of the same name may be another.
    sha256 = file_hash(Path(capture)) if capture is not None and Path(capture).is_file() else ""
    # One that was taken to prove a repair is meant only when it is named; of one name the newest is meant.
    order = sorted(there, key=lambda each: is_proof(each[1].note)) if capture is None else reversed(there)
    meant = [
        entry
        for entry, detail in order
        if (point is None or detail.point == point) and _is_meant(entry, detail, capture, sha256)
    ]
    if meant:
        return meant[0] if capture is not None else _readable(work, meant)
    listed = ", ".join(f"{each.point} ({entry.number}: {each.file.name})" for entry, each in there)
    what = f"no capture {capture!r}" if capture is not None else "no capture"
    where = f" at the probe point {point!r}" if point is not None else ""
    raise UsageError(f"The case has {what}{where}.", f"It has captures at: {listed}.")


def _readable(work: Casework, meant: Sequence[Entry]) -> Entry:
    """The first capture that can be read, where any of several will do; those before it are told of."""
    from wrongbit.casework.witnesses import left_out

    told = []
    for entry in meant:
        try:
            if len(meant) > 1:
                work.comparison(entry)
        except CaptureError as error:
            told.append(left_out(work.case.folder, entry, error))
        else:
            for each in told:
                err.print(f"note: {each}", soft_wrap=True)
            return entry
    return meant[0]


def _is_meant(entry: Entry, detail: CaptureAdded, capture: str | None, sha256: str) -> bool:
    if sha256:
        return detail.file.sha256 == sha256
    return capture is None or capture in (str(entry.number), detail.file.name)
