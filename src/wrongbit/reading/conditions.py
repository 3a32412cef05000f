"""Under which conditions a chip was read: a table beside the files, ``readings.toml`` or ``readings.csv``.

    [[reading]]
    file = "u2-1.bin"
    voltage = "5.0 V"
    temperature = "22 °C"
    speed = "450 ns"

A CSV table has the same names as its first line. Everything but ``file`` may be left out.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from wrongbit.errors import InputError
from wrongbit.units import parse_time

TABLE_NAMES = ("readings.toml", "readings.csv")
"""Names under which the table is looked for, beside the readings."""

KEYS = ("file", "voltage", "temperature", "time", "reader", "speed", "orientation", "notes")
"""Keys of an entry."""

_NUMBER = re.compile(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([^\s0-9.,]+)\s*")
_MILLIVOLTS = {"mV": 1.0, "V": 1000.0}
_CELSIUS = {"°C": 0.0, "C": 0.0, "K": -273.15}


@dataclass(frozen=True)
class Conditions:
    """What is known of how a pass was made; None or an empty text where nothing is.

    Args:
        voltage_mv: Supply voltage of the chip in millivolts.
        temperature_c: Temperature of the chip in degrees Celsius.
        time: Date and time, as written down.
        reader: Reader and its settings, as written down.
        speed_ns: Time from address to taking the word, in nanoseconds: how long the reader waited.
        orientation: How the chip sat in the reader, as written down.
        notes: Anything else.
    """

    voltage_mv: int | None = None
    temperature_c: float | None = None
    time: str = ""
    reader: str = ""
    speed_ns: float | None = None
    orientation: str = ""
    notes: str = ""

    def say(self) -> str:
        """The conditions in one line, or an empty text.

        >>> Conditions(voltage_mv=4750, speed_ns=450.0).say()
        '4.75 V, 450 ns'
        """
        parts = [] if self.voltage_mv is None else [f"{self.voltage_mv / 1000:g} V"]
        parts += [] if self.temperature_c is None else [f"{self.temperature_c:g} °C"]
        parts += [] if self.speed_ns is None else [f"{self.speed_ns:g} ns"]
        parts += [text for text in (self.reader, self.orientation, self.time, self.notes) if text]
        return ", ".join(parts)


NOTHING_KNOWN = Conditions()
"""Conditions of a pass that no table mentions."""


def load_conditions(path: Path) -> dict[str, Conditions]:
    """Conditions by file name.

    Args:
        path: A TOML or CSV table.

    Raises:
        InputError: The table cannot be read, has an unknown key, a value without its unit, an entry without
            a file, or a file twice.
    """
    file = str(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(
            f"the table cannot be opened: {error.strerror}.", "Check its name.", file=file
        ) from None
    except UnicodeDecodeError as error:
        raise InputError(
            "the table is not UTF-8 text.", "Save it as UTF-8.", file=file, byte=error.start
        ) from None
    entries = _csv_entries(text, file) if path.suffix.lower() == ".csv" else _toml_entries(text, file)
    found: dict[str, Conditions] = {}
    for place, entry in entries:
        name, conditions = _conditions(entry, file, place)
        if name in found:
            raise InputError(
                f"{name!r} stands in the table twice.",
                "Keep one entry for each file.",
                file=file,
                **_where(place, "file"),
            )
        found[name] = conditions
    return found


def conditions_of(values: Mapping[str, object], file: str) -> Conditions:
    """Conditions from their texts, as a table's entry has them but for ``file``.

    Args:
        values: Keys of `KEYS`.
        file: What the reading is called.

    Raises:
        InputError: A key is not known, or a value lacks its unit.
    """
    entry = {key: value for key, value in values.items() if key != "file" and value != ""}
    return _conditions({**entry, "file": file or "reading"}, file, "conditions")[1]


Place = int | str
"""Line of a CSV table, or key path in a TOML table."""


def _where(place: Place, key: str) -> dict[str, Any]:
    return {"line": place, "key": key} if isinstance(place, int) else {"key": f"{place}.{key}"}


def _toml_entries(text: str, file: str) -> list[tuple[Place, Mapping[str, object]]]:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(
            f"this is not valid TOML: {error}.", "Write [[reading]] and then key = value lines.", file=file
        ) from None
    other = [key for key in data if key != "reading"]
    entries = data.get("reading")
    if other or not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(
            f"found {other[0]!r}; only [[reading]] entries were expected."
            if other
            else "there is no [[reading]] entry.",
            "Write one [[reading]] for each file.",
            file=file,
            key=other[0] if other else "reading",
        )
    return [(f"reading[{number}]", entry) for number, entry in enumerate(entries)]


def _csv_entries(text: str, file: str) -> list[tuple[Place, Mapping[str, object]]]:
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=mark)
    try:
        rows = [row for row in enumerate(reader, 1) if any(row[1])]
    except csv.Error as error:
        raise InputError(
            f"this is not CSV: {error}.",
            "Look for a quotation mark that is never closed.",
            file=file,
            line=max(reader.line_num, 1),
        ) from None
    if not rows:
        raise InputError(
            "the table is empty.", f"Begin with a line of names: {', '.join(KEYS)}.", file=file, line=1
        )
    names = [name.strip() for name in rows[0][1]]
    entries: list[tuple[Place, Mapping[str, object]]] = []
    for line, row in rows[1:]:
        if len(row) > len(names):
            raise InputError(
                f"there are {len(row)} cells under {len(names)} names.",
                "Put a cell that holds the separator between quotes.",
                file=file,
                line=line,
            )
        entries.append((line, {name: cell.strip() for name, cell in zip(names, row, strict=False) if cell}))
    return entries


def _conditions(entry: Mapping[str, object], file: str, place: Place) -> tuple[str, Conditions]:
    """Name and conditions of one entry, checked."""
    for key in entry:
        if key not in KEYS:
            near = get_close_matches(key, KEYS, 1)
            raise InputError(
                f"there is no key {key!r}.",
                f"Did you mean {near[0]!r}?" if near else f"The keys are {', '.join(KEYS)}.",
                file=file,
                **_where(place, key),
            )
    name = entry.get("file")
    if not isinstance(name, str) or not name:
        raise InputError(
            "the entry names no file.",
            "Say with 'file' which reading it is about.",
            file=file,
            **_where(place, "file"),
        )

    def value(key: str, units: Mapping[str, float]) -> tuple[float, str] | None:
        given = entry.get(key)
        if given is None:
            return None
        match = _NUMBER.fullmatch(given) if isinstance(given, str) else None
        if match is None or match[2] not in units:
            raise InputError(
                f"{given!r} is not a value with its unit.",
                f"Write a number and one of {', '.join(units)}, between quotes.",
                file=file,
                **_where(place, key),
            )
        return float(match[1].replace(",", ".")), match[2]

    voltage, temperature = value("voltage", _MILLIVOLTS), value("temperature", _CELSIUS)
    speed = entry.get("speed")
    try:
        speed_ps = None if speed is None else parse_time(speed if isinstance(speed, str) else f"{speed}")
    except InputError as error:
        error.file, error.key = file, _where(place, "speed")["key"]
        raise
    return Path(name).name, Conditions(
        voltage_mv=None if voltage is None else round(voltage[0] * _MILLIVOLTS[voltage[1]]),
        temperature_c=None if temperature is None else temperature[0] + _CELSIUS[temperature[1]],
        time=str(entry.get("time", "")),
        reader=str(entry.get("reader", "")),
        speed_ns=None if speed_ps is None else speed_ps / 1000,
        orientation=str(entry.get("orientation", "")),
        notes=str(entry.get("notes", "")),
    )
