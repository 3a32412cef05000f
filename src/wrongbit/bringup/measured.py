"""Values that a person measured: one by one (``VCC = 4.9 V``), or in a small TOML or CSV file."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from wrongbit.bringup.ladder import QUANTITY, Key, Measured, Rung
from wrongbit.bringup.seen import Values
from wrongbit.errors import InputError
from wrongbit.machine.limits import parse_value

LARGEST_FILE = 1 << 20
"""Bytes. A sheet of measured values has a page or two."""

_YES = {"yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0}


@dataclass(frozen=True)
class _Line:
    """One value with the place where it stands."""

    name: str
    value: str
    file: str | None = None
    line: int | None = None
    key: str | None = None


def read_measured(given: Sequence[str], files: Iterable[Path], rungs: Sequence[Rung]) -> Values:
    """Measured values by rung.

    Args:
        given: Texts such as ``VCC = 4.9 V`` or ``CLK duty = 48 %``.
        files: TOML (``"CLK duty" = "48 %"``, or a table for each name) or CSV with the columns ``name``,
            ``quantity`` (may be left out or empty) and ``value``.
        rungs: The machine's rungs.

    Raises:
        InputError: A file cannot be read; a name, a quantity or a value cannot be used; one stands twice.
    """
    lines = [_split(text) for text in given]
    for path in files:
        lines += _read(path)
    values: Values = {}
    for line in lines:
        rung = _rung_named(line, rungs)
        if (rung.name, rung.key) in values:
            raise _error(line, f"{rung.title!r} is given twice.", "Keep the value that counts.")
        values[rung.name, rung.key] = _value(line, rung.key)
    return values


def _error(line: _Line, message: str, remedy: str) -> InputError:
    return InputError(message, remedy, file=line.file, line=line.line, key=line.key)


def _split(text: str) -> _Line:
    name, sign, value = text.partition("=")
    if not sign or not name.strip() or not value.strip():
        raise InputError(
            f"{text!r} is not a measured value.", "Write it as 'NAME = VALUE', such as 'VCC = 4.9 V'."
        )
    return _Line(" ".join(name.split()), value.strip())


def _rung_named(line: _Line, rungs: Sequence[Rung]) -> Rung:
    wanted = line.name.casefold()
    for rung in rungs:
        if rung.title.casefold() == wanted:
            return rung
    own = [rung for rung in rungs if rung.name.casefold() == wanted]
    fits = [rung for rung in own if _is_of(line.value, rung.key)]
    if len(fits) == 1 or (fits and fits[0].key == "voltage"):
        return fits[0]
    if own:
        titles = ", ".join(repr(rung.title) for rung in fits or own)
        if fits:
            raise _error(line, f"{line.value!r} of {line.name!r} may mean several.", f"Name one of {titles}.")
        raise _error(
            line,
            f"{line.value!r} is no value that {line.name!r} can have.",
            f"Give the value with its unit, such as '4.9 V', and name one of {titles}.",
        )
    titles_of = {rung.title.casefold(): rung.title for rung in rungs}
    names_of = {rung.name.casefold(): rung.name for rung in rungs}
    near = get_close_matches(wanted, [*titles_of, *names_of], 1)
    guess = f"Did you mean {(titles_of | names_of)[near[0]]!r}? " if near else ""
    known = (
        ", ".join(dict.fromkeys(rung.name for rung in rungs)) or "nothing: add [[rail]], [[clock]], [[input]]"
    )
    raise _error(line, f"The machine has no {line.name!r} to measure.", f"{guess}It has {known}.")


def _is_of(value: str, key: Key) -> bool:
    try:
        _number(value, key)
    except InputError:
        return False
    return True


def _number(value: str, key: Key) -> float:
    kind = QUANTITY[key]
    if kind == "state":
        if value.casefold() not in _YES:
            raise InputError(f"{value!r} is neither yes nor no.", "Write yes or no.")
        return _YES[value.casefold()]
    if kind == "count":
        raise InputError("Pulses are counted in a capture.", "Name the capture with --capture.")
    return parse_value(value, kind)


def _value(line: _Line, key: Key) -> Measured:
    try:
        number = _number(line.value, key)
    except InputError as error:
        raise _error(line, f"{line.name}: {error.message}", error.remedy) from None
    if QUANTITY[key] in ("frequency", "time", "share") and number < 0:
        raise _error(line, f"{line.name}: {line.value!r} is negative.", "Check the value.")
    return Measured(number, number, line.file or "by hand")


# -- files -------------------------------------------------------------------------------------------------


def _read(path: Path) -> Iterator[_Line]:
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InputError(
            f"The file cannot be read: {error.strerror or error}.", "Check its name.", file=str(path)
        ) from None
    if len(content) > LARGEST_FILE:
        raise InputError(
            "The file is too large for a sheet of measured values.",
            "Name a capture with --capture.",
            file=str(path),
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            "The file is not UTF-8 text.", "Save it as UTF-8.", file=str(path), byte=error.start
        ) from None
    if path.suffix.lower() == ".toml":
        return _toml(text, str(path))
    return _csv(text, str(path))


def _toml(text: str, file: str) -> Iterator[_Line]:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise InputError(
            f"This is not valid TOML: {error}.", 'Write lines such as VCC = "4.9 V".', file=file
        ) from None
    for name, entry in data.items():
        if isinstance(entry, dict):
            for key, value in entry.items():
                yield _Line(f"{name} {key}", _text(value, file, f"{name}.{key}"), file, key=f"{name}.{key}")
        else:
            yield _Line(name, _text(entry, file, name), file, key=name)


def _text(value: object, file: str, key: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, str):
        raise InputError(
            f"{value!r} has no unit.", "Write the value with its unit between quotes, such as \"4.9 V\".",
            file=file, key=key,
        )  # fmt: skip
    return value


def _csv(text: str, file: str) -> Iterator[_Line]:
    separator = ";" if ";" in text.partition("\n")[0] else ","
    reader = csv.DictReader(io.StringIO(text), delimiter=separator)
    heads = [head.strip().casefold() for head in reader.fieldnames or ()]
    if "name" not in heads or "value" not in heads:
        raise InputError(
            "The first line lacks the columns 'name' and 'value'.",
            "Begin the file with: name,quantity,value",
            file=file,
            line=1,
        )
    reader.fieldnames = heads
    for row in reader:
        name, key = (row.get("name") or "").strip(), (row.get("quantity") or "").strip()
        if name or key or row.get("value"):
            yield _Line(f"{name} {key}".strip(), (row.get("value") or "").strip(), file, reader.line_num)
