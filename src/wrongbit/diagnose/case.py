"""A case as a folder: ``machine.toml`` and ``case.toml`` with what was captured, read and measured.

    [[capture]]
    point = "u1-cycles"
    file = "u1.csv"

    [[reading]]
    chip = "U4"
    file = "u4-read.bin"

    [[measurement]]
    kind = "continuity"
    part = "X4"
    line = "D5"
    outcome = "open"
    note = "0.2 ohm on all others"

A reading is compared with what the chip should hold. Files are named relative to the folder.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, cast

import numpy as np

from wrongbit.compare.memory_map import MemoryMap
from wrongbit.diagnose.hand import OUTCOMES, Measurement
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import InputError
from wrongbit.image.load import load_chip_contents
from wrongbit.machine.model import ImageFile, Machine

CASE_FILE, MACHINE_FILE = "case.toml", "machine.toml"

_LINE = re.compile(r"([DA])(\d{1,2})")


@dataclass(frozen=True)
class CaseCapture:
    """A capture of a case.

    Args:
        point: Probe point.
        file: The file.
    """

    point: str
    file: Path


@dataclass(frozen=True)
class CaseFile:
    """What a case folder says.

    Args:
        folder: The folder.
        machine_file: Its machine file.
        captures: In the order in which they were taken.
        measurements: What was measured by hand, and readings with their outcomes.
    """

    folder: Path
    machine_file: Path
    captures: tuple[CaseCapture, ...]
    measurements: tuple[Measurement, ...]


Table = dict[str, Any]

_KEYS = ("machine", "capture", "reading", "measurement", "notes")
"""What a case file may have."""


@dataclass(frozen=True)
class CaseRow:
    """A row of a case file, as it was written.

    Args:
        kind: capture, reading or measurement.
        table: Its keys and values.
        at: Its key path, for messages.
    """

    kind: str
    table: Table
    at: str


def rows_of(folder: Path) -> tuple[CaseRow, ...]:
    """The rows of a folder's case file, with their values unchecked.

    Raises:
        InputError: There is no such file, it is no TOML, or has something else than rows in it.
    """
    table = _read_known(folder)
    kinds = ("capture", "reading", "measurement")
    return tuple(CaseRow(kind, *each) for kind in kinds for each in _tables(folder, table, kind))


def check_row(folder: Path, structure: Structure, row: CaseRow) -> None:
    """Hold a row of a case file against the machine file; the contents of files are not looked at.

    Raises:
        InputError: A file is not there, or the row says something impossible.
    """
    if row.kind == "capture":
        _capture(folder, structure.machine, row.table, row.at)
    elif row.kind == "measurement":
        _measurement(folder, structure, row.table, row.at)
    else:
        _reading_of(folder, structure, row.table, row.at)


def machine_file_of(folder: Path) -> Path:
    """The machine file of a case folder.

    Raises:
        InputError: The folder or the file is not there.
    """
    if folder.is_file():
        raise InputError(
            "This is a file, not a case folder.",
            f"Name the folder that it lies in: {folder.parent}.",
            file=str(folder),
        )
    if not folder.is_dir():
        raise InputError(
            "There is no such folder.",
            f"Name a case folder, with {MACHINE_FILE} and {CASE_FILE} in it.",
            file=str(folder),
        )
    if not (folder / CASE_FILE).exists() and _is_file(folder / MACHINE_FILE):
        return folder / MACHINE_FILE  # a case whose journal has it all
    table = _read(folder / CASE_FILE)
    named = table.get("machine", MACHINE_FILE)
    if not isinstance(named, str):
        raise _error(
            folder, "machine", f"{named!r} is given; a file name is expected.", 'Write machine = "…".'
        )
    found = folder / named
    if not _is_file(found):
        raise InputError(
            f"The case has no machine file {named!r}.",
            f'Put it there, or name it in {CASE_FILE} as machine = "…".',
            file=str(folder / CASE_FILE),
            key="machine",
        )
    return found


def read_case(folder: Path, structure: Structure, maps: Callable[[], Sequence[MemoryMap]]) -> CaseFile:
    """Read and check what a case folder says.

    Args:
        folder: The folder.
        structure: Its machine.
        maps: Gives the memory maps of its processors, for readings; asked only where there are any.

    Raises:
        InputError: A file is not there or says something impossible.
        ImageError: A reading cannot be read.
    """
    table = _read_known(folder)
    captures = tuple(_capture(folder, structure.machine, *each) for each in _tables(folder, table, "capture"))
    measurements = [_measurement(folder, structure, *each) for each in _tables(folder, table, "measurement")]
    readings = list(_tables(folder, table, "reading"))
    measurements += [_reading(folder, structure, maps(), *each) for each in readings]
    return CaseFile(folder, machine_file_of(folder), captures, tuple(measurements))


def captures_of(folder: Path, machine: Machine) -> tuple[CaseCapture, ...]:
    """The captures that a case folder names, in its order.

    Args:
        folder: The folder.
        machine: Its machine, from `machine_file_of`.

    Raises:
        InputError: The folder names none, or a file is not there.
    """
    captures = tuple(
        _capture(folder, machine, *each) for each in _tables(folder, _read(folder / CASE_FILE), "capture")
    )
    if not captures:
        raise InputError(
            "The case has no capture yet.",
            'Add a [[capture]] with point = "…" and file = "…".',
            file=str(folder / CASE_FILE),
        )
    return captures


def measurement_of(structure: Structure, table: Table, folder: Path, at: str) -> Measurement:
    """A measurement by hand from its texts, checked against the machine.

    Args:
        structure: The machine.
        table: Keys as in a ``[[measurement]]``.
        folder: The case's folder, for messages.
        at: What messages call the entry.

    Raises:
        InputError: It says something impossible.
    """
    return _measurement(folder, structure, table, at)


def _read_known(folder: Path) -> Table:
    """A case file that has only keys that are known."""
    table = _read(folder / CASE_FILE)
    for key in table:
        if key not in _KEYS:
            raise _error(
                folder,
                key,
                f"there is no key {key!r}.",
                _near(key, _KEYS) + f"It may have: {', '.join(_KEYS)}.",
            )
    return table


def _read(path: Path) -> Table:
    try:
        return tomllib.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise InputError(
            f"The case folder has no {CASE_FILE}.",
            "Write one with [[capture]] point = …, file = …, and so on (see docs/diagnosis.md).",
            file=str(path),
        ) from None
    except UnicodeDecodeError as error:
        raise InputError(
            "This is not UTF-8 text.", "Save it as UTF-8.", file=str(path), byte=error.start
        ) from None
    except OSError as error:
        raise InputError(
            f"It cannot be read: {error.strerror}.", "Check its name and permissions.", file=str(path)
        ) from None
    except RecursionError:
        raise InputError(
            "Brackets are nested too deeply to be a case.", "Check for a missing ] or }.", file=str(path)
        ) from None
    except ValueError as error:  # TOMLDecodeError, and what int() says of a number of thousands of digits
        place = re.search(r"line (\d+)", str(error))
        raise InputError(
            f"This is not valid TOML: {error}.",
            "Each line is a header [[capture]] or key = value; text stands between quotes.",
            file=str(path),
            line=int(place[1]) if place else None,
        ) from None


def _tables(folder: Path, table: Table, name: str) -> list[tuple[Table, str]]:
    """The tables of one kind, each with its key."""
    found = table.get(name, [])
    if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
        raise _error(folder, name, "a list of tables is expected.", f"Write the header as [[{name}]].")
    return [(each, f"{name}[{index}]") for index, each in enumerate(found)]


def _error(folder: Path, key: str, message: str, remedy: str) -> InputError:
    return InputError(message[:1].upper() + message[1:], remedy, file=str(folder / CASE_FILE), key=key)


def _near(name: str, known: Sequence[str]) -> str:
    near = get_close_matches(name, known, 1)
    return f"Did you mean {near[0]!r}? " if near else ""


def _text(folder: Path, table: Table, at: str, key: str, *, needed: bool = True) -> str:
    value = table.get(key, "" if not needed else None)
    if value is None:
        raise _error(folder, f"{at}.{key}", f"the key {key!r} is missing.", f"Add {key} = …")
    if not isinstance(value, str) or (needed and not value):
        raise _error(
            folder, f"{at}.{key}", f"{value!r} is given; text is expected.", 'Write it between quotes: "…".'
        )
    return value


def _only(folder: Path, table: Table, at: str, known: Sequence[str]) -> None:
    for key in table:
        if key not in known:
            raise _error(
                folder,
                f"{at}.{key}",
                f"there is no key {key!r}.",
                _near(key, known) + f"It may have: {', '.join(known)}.",
            )


def _file(folder: Path, table: Table, at: str) -> Path:
    name = _text(folder, table, at, "file")
    found = folder / name
    if not _is_file(found):
        there = [each.name for each in folder.iterdir() if each.is_file()]
        raise _error(
            folder,
            f"{at}.file",
            f"there is no file {name!r} in {str(folder)!r}.",
            _near(name, there) + "File names are taken relative to the case folder.",
        )
    return found


def _is_file(path: Path) -> bool:
    """Whether there is such a file; a name that the system cannot have, as it is too long, is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def _one_of(folder: Path, at: str, key: str, value: str, known: Sequence[str], what: str) -> str:
    if value not in known:
        there = f"there are: {', '.join(known)}" if known else "there are none"
        raise _error(
            folder,
            f"{at}.{key}",
            f"there is no {what} {value!r}; {there}.",
            _near(value, known) + "Correct the name.",
        )
    return value


def _capture(folder: Path, machine: Machine, table: Table, at: str) -> CaseCapture:
    _only(folder, table, at, ("point", "file", "note"))
    point = _text(folder, table, at, "point")
    _one_of(folder, at, "point", point, [each.name for each in machine.point], "probe point")
    return CaseCapture(point, _file(folder, table, at))


def _measurement(folder: Path, structure: Structure, table: Table, at: str) -> Measurement:
    _only(folder, table, at, ("kind", "part", "line", "carries", "outcome", "note"))
    kind = _one_of(
        folder, at, "kind", _text(folder, table, at, "kind"), list(OUTCOMES), "kind of measurement"
    )
    names = [*structure.parts, *structure.chips]
    if kind == "reclipped":
        names = [point.name for point in structure.machine.point]
    if kind == "reading":
        names = list(structure.chips)
    part = _one_of(folder, at, "part", _text(folder, table, at, "part"), names, "part")
    outcome = _one_of(folder, at, "outcome", _text(folder, table, at, "outcome"), OUTCOMES[kind], "outcome")
    carries, line = _line(folder, table, at)
    return Measurement(kind, part, line, carries, outcome, _text(folder, table, at, "note", needed=False))


def _line(folder: Path, table: Table, at: str) -> tuple[str, int]:
    text = _text(folder, table, at, "line", needed=False)
    if not text:
        return "", -1
    match = _LINE.fullmatch(text.strip().upper())
    if match is None:
        raise _error(
            folder, f"{at}.line", f"{text!r} is no line.", "Write it as D5 or A12, as the processor counts."
        )
    given = _text(folder, table, at, "carries", needed=False)
    carries = "data" if match[1] == "D" else given or "address"
    return carries, int(match[2])


def _reading(
    folder: Path, structure: Structure, maps: Sequence[MemoryMap], table: Table, at: str
) -> Measurement:
    """A reading as a measurement: good when it holds what the chip should hold."""
    name, file, format_ = _reading_of(folder, structure, table, at)
    chip = structure.chips[name]
    read = load_chip_contents(
        ImageFile(file=file.name, format=cast(Any, format_)),
        chip.words,
        chip.bits,
        file.parent,
        byte_order="little",
    )
    should = next(each for map_ in maps for each in map_.chips if each.name == name)
    known = should.known & read.known
    if not known.any():
        raise _error(
            folder, at, f"nothing of what {name} should hold is known.", "Give its image in the machine file."
        )
    wrong = int(np.bitwise_count((should.contents ^ read.words) & known).sum())
    note = f"{wrong} of {int(np.bitwise_count(known).sum())} bits differ" if wrong else "as it should be"
    return Measurement("reading", name, outcome="bad" if wrong else "good", note=note)


def _reading_of(folder: Path, structure: Structure, table: Table, at: str) -> tuple[str, Path, str]:
    """A reading's chip, file and format."""
    _only(folder, table, at, ("chip", "file", "format", "note"))
    roms = [chip.name for chip in structure.chips.values() if chip.kind == "rom"]
    name = _one_of(folder, at, "chip", _text(folder, table, at, "chip"), roms, "ROM")
    file = _file(folder, table, at)
    format_ = _text(folder, table, at, "format", needed=False) or "auto"
    _one_of(folder, at, "format", format_, ("auto", "binary", "intel-hex", "s-record", "listing"), "format")
    return name, file, format_
