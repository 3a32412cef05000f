"""Before something is kept in a case: does it fit the machine file, and can it be read?

Captures are opened and their beginning is read, in constant memory; what lies further on is found when the
capture is compared.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

from wrongbit.bringup.ladder import rungs_of
from wrongbit.bringup.measured import read_measured
from wrongbit.bus.recipes import bus_widths
from wrongbit.bus.rows import row_widths
from wrongbit.capture.formats import open_samples, read_cycle_rows
from wrongbit.capture.store import file_hash
from wrongbit.case.entries import (
    CaptureAdded,
    Entry,
    MeasurementAdded,
    ReadingAdded,
    ReferenceAdded,
    ReferenceKind,
    Stored,
)
from wrongbit.case.folder import Case
from wrongbit.casework.inputs import loaded_reading
from wrongbit.casework.witnesses import withdrawing
from wrongbit.diagnose.case import measurement_of
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import CaptureError, InputError, UsageError, WrongbitError, why_unreadable
from wrongbit.image.load import load_chip_contents, load_listing
from wrongbit.machine.lookup import point_named, rom_named
from wrongbit.machine.model import ImageFile, Listing, Machine
from wrongbit.reading.conditions import KEYS, TABLE_NAMES, Conditions, conditions_of, load_conditions
from wrongbit.reading.readings import load_reading

FORMATS = ("auto", "binary", "intel-hex", "s-record", "listing")
"""How a reading or a reference may be written."""

BEGINNING = 4 << 20
"""Bytes of a table of whole bus cycles that are looked at before it is kept."""


def check_capture(machine: Machine, path: Path, point: str | None) -> tuple[str, tuple[str, ...]]:
    """A capture can be read at a probe point.

    Args:
        machine: The machine file.
        path: CSV, VCD or typed text.
        point: Probe point; may be left out where there is only one.

    Returns:
        The probe point's name, and what the reader wants a person to know.

    Raises:
        UsageError: There is no such probe point, or it must be named.
        CaptureError: The file cannot be used there.
    """
    _a_file(path)
    chosen = point_named(machine, point)
    processor = machine.processor_of(chosen.processor)
    if chosen.mode == "cycles":
        widths = row_widths(processor)
        with beginning_of(path) as short:
            return chosen.name, read_cycle_rows(short, chosen, widths).notes
    source = open_samples(path, chosen, bus_widths(processor))
    if next(source.chunks(), None) is None:
        raise CaptureError(
            "The capture has no sample.", "Export it again from the instrument.", file=str(path)
        )
    return chosen.name, source.notes


def _a_file(path: Path) -> None:
    """A folder in a file's place is told before anything else is asked for.

    Raises:
        InputError: It is a folder.
    """
    if path.is_dir():
        raise InputError(*why_unreadable(IsADirectoryError()), file=str(path))


# -- not twice ----------------------------------------------------------------------------------------------


def check_capture_is_new(case: Case, path: Path, point: str, name: str = "") -> None:
    """The same capture twice would count twice as evidence.

    Args:
        case: The case.
        path: Where the file lies.
        point: Probe point.
        name: What the person calls the file, where that is not its path.

    Raises:
        UsageError: The case has it.
    """
    there = ((each, detail.file, detail.point == point) for each, detail in case.of_kind(CaptureAdded))
    _refuse_known(case, there, path, name)


def check_reading_is_new(case: Case, path: Path, chip: str, name: str = "") -> None:
    """Two passes may well give the same bytes; the same file of the same name is the same pass.

    Raises:
        UsageError: The case has it.
    """
    alike = (chip, name or path.name)
    there = (
        (each, detail.file, (detail.chip, detail.file.name) == alike)
        for each, detail in case.of_kind(ReadingAdded)
    )
    _refuse_known(case, there, path, name)


def check_reference_is_new(case: Case, path: Path, kind: str, chip: str, name: str = "") -> None:
    """A source that stands twice in a case would count twice.

    Raises:
        UsageError: The case has it.
    """
    there = (
        (each, detail.file, (detail.kind, detail.chip) == (kind, chip))
        for each, detail in case.of_kind(ReferenceAdded)
    )
    _refuse_known(case, there, path, name)


def _refuse_known(case: Case, there: Iterable[tuple[Entry, Stored, bool]], path: Path, name: str) -> None:
    """Only files of the same length are looked at from end to end."""
    size = path.stat().st_size
    known = [(entry, file.sha256) for entry, file, alike in there if alike and file.byte_count == size]
    sha256 = file_hash(path) if known else ""
    for entry, theirs in known:
        if theirs == sha256:
            raise UsageError(
                f"{name or path} is in the case already, as entry {entry.number}.",
                f"Nothing is to be done. If that entry is wrong, withdraw it first: "
                f"{withdrawing(case.folder, entry.number)}",
            )


@contextmanager
def beginning_of(path: Path) -> Iterator[Path]:
    """A file, or where it is long a passing file with its first lines."""
    try:
        long = path.stat().st_size > BEGINNING
    except (OSError, ValueError):
        long = False  # the reader tells what is wrong
    if not long:
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="wrongbit-look-") as folder:
        short = Path(folder) / f"beginning{path.suffix}"
        with path.open("rb") as file:
            short.write_bytes(whole_lines(file.read(BEGINNING)))
        try:
            yield short
        except WrongbitError as error:
            error.file = str(path)
            raise


def whole_lines(head: bytes) -> bytes:
    """The beginning of a file up to the end of its last whole line, also of UTF-16; all of it without one.

    >>> whole_lines(b"a,b\\n1,"), whole_lines("a\\nb".encode("utf-16-le"))
    (b'a,b\\n', b'a\\x00\\n\\x00')
    """
    if head[1:2] == b"\0" or head[:2] == b"\xff\xfe":
        end = head.rfind(b"\n\0")
        while end % 2 == 1 and end > 0:
            end = head.rfind(b"\n\0", 0, end + 1)
        return head[: end + 2] if end > 0 else head
    return head[: head.rfind(b"\n") + 1] or head


def check_reading(
    machine: Machine, path: Path, chip: str, format_: str, conditions: Mapping[str, str]
) -> tuple[str, ...]:
    """A reading fits its chip.

    Returns:
        What the reader wants a person to know.

    Raises:
        UsageError: There is no such ROM or format.
        ImageError: The file does not fit the chip.
        InputError: A condition cannot be understood.
    """
    _a_file(path)
    rom_named(machine, chip)
    detail = ReadingAdded(chip, Stored("", path.name, 0), _format(format_), dict(conditions))
    return loaded_reading(machine, path, detail).contents.notes


def check_reference(machine: Machine, path: Path, kind: str, chip: str, format_: str) -> tuple[str, ...]:
    """A reference fits the machine.

    Args:
        machine: The machine file.
        path: The file.
        kind: image, listing or twin.
        chip: ROM that it is of; may be empty for a listing.
        format_: One of `FORMATS`.

    Returns:
        What the reader wants a person to know.

    Raises:
        UsageError: There is no such kind, ROM or format.
        ImageError: The file does not fit.
    """
    _a_file(path)
    _one_of(kind, get_args(ReferenceKind), "kind of reference")
    if kind == "listing" and not chip:
        entry = {"file": path.name, "format": "listing" if _format(format_) == "auto" else format_}
        processor = machine.processor[0]
        order, bits = processor.byte_order, processor.word_bits
        return load_listing(Listing.model_validate(entry), bits, path.parent, byte_order=order).notes
    if not chip:
        raise UsageError(f"Of which chip is this {kind}?", "Name it with --chip.")
    wanted = rom_named(machine, chip)
    processor = machine.processor_of(wanted.processor)
    if kind == "listing":
        entry = {"file": path.name, "format": "listing" if _format(format_) == "auto" else format_}
        listing = Listing.model_validate(entry)
        return load_listing(listing, processor.word_bits, path.parent, byte_order=processor.byte_order).notes
    order = processor.byte_order
    if kind == "twin":
        _format(format_)
        return load_reading(path, wanted.words, wanted.bits, byte_order=order).notes
    image = ImageFile.model_validate({"file": path.name, "format": _format(format_)})
    return load_chip_contents(image, wanted.words, wanted.bits, path.parent, byte_order=order).notes


def check_measurement(machine: Machine, detail: MeasurementAdded) -> MeasurementAdded:
    """A measurement by hand that the weighing understands.

    Returns:
        The measurement with its line as it is kept.

    Raises:
        InputError: It names something that is not there.
    """
    detail = replace(detail, line=detail.line.strip().upper())
    names = ("kind", "part", "line", "carries", "outcome", "note")
    table: dict[str, Any] = {name: value for name in names if (value := getattr(detail, name))}
    try:
        measured = measurement_of(Structure(machine), table, Path(), "")
    except InputError as error:
        error.file, error.key = None, (error.key or "").strip(".") or None
        raise
    if measured.line >= 0:
        _there_is_a_line(machine, measured.carries, measured.line, detail.line)
    return detail


def _there_is_a_line(machine: Machine, carries: str, number: int, written: str) -> None:
    """A slip such as D33 for D3 would be kept and then say nothing for or against any part."""
    if carries not in ("data", "address"):
        return
    letter = "D" if carries == "data" else "A"
    lines = max(
        (each.word_bits if carries == "data" else each.address_bits for each in machine.processor), default=0
    )
    if number >= lines:
        there = f"{letter}0 to {letter}{lines - 1}" if lines else "none"
        raise InputError(
            f"{machine.machine.name} has no {carries} line {written!r}.",
            f"Its {carries} lines, as the processor counts, are {there}.",
            key="line",
        )


def check_value(machine: Machine, text: str) -> None:
    """A value measured by hand that the bring-up ladder understands.

    Raises:
        InputError: It names nothing that is measured there, or is no value.
    """
    read_measured((text,), (), rungs_of(machine))


def conditions_for(path: Path, given: Mapping[str, str]) -> dict[str, str]:
    """What is known of how a pass was made: as given, else from a table beside the file.

    Args:
        path: The reading.
        given: Keys as `wrongbit.reading.conditions.KEYS`, values with their units.

    Raises:
        InputError: A key or value cannot be understood, or the table cannot.
    """
    conditions_of(given, path.name)
    table = next((path.parent / name for name in TABLE_NAMES if (path.parent / name).is_file()), None)
    beside = load_conditions(table).get(path.name) if table is not None else None
    return {**(_texts(beside) if beside is not None else {}), **given}


def _texts(conditions: Conditions) -> dict[str, str]:
    """Conditions as a table has them."""
    known = {
        "voltage": "" if conditions.voltage_mv is None else f"{conditions.voltage_mv} mV",
        "temperature": "" if conditions.temperature_c is None else f"{conditions.temperature_c:.10g} °C",
        "speed": "" if conditions.speed_ns is None else f"{conditions.speed_ns:.10g} ns",
        "time": conditions.time,
        "reader": conditions.reader,
        "orientation": conditions.orientation,
        "notes": conditions.notes,
    }
    return {key: value for key, value in known.items() if value}


def parsed_conditions(texts: list[str]) -> dict[str, str]:
    """Conditions written as ``voltage = 4.75 V``.

    Raises:
        UsageError: One has no '=', an unknown key, or stands twice.
    """
    keys = [key for key in KEYS if key != "file"]
    found: dict[str, str] = {}
    for text in texts:
        key, sign, value = (each.strip() for each in text.partition("="))
        if not sign or not value:
            raise UsageError(f"{text!r} is no condition.", "Write it as 'voltage = 4.75 V'.")
        _one_of(key, keys, "condition")
        if key in found:
            raise UsageError(f"The condition {key!r} is given twice.", "Keep the one that counts.")
        found[key] = value
    return found


def _format(name: str) -> str:
    return _one_of(name, FORMATS, "format")


def _one_of(value: str, known: tuple[str, ...] | list[str], what: str) -> str:
    if value in known:
        return value
    near = get_close_matches(value, known, 1)
    guess = f"Did you mean {near[0]!r}? " if near else ""
    raise UsageError(f"There is no {what} {value!r}.", f"{guess}There are: {', '.join(known)}.")
