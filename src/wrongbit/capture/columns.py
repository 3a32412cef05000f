"""Which column of a capture carries which signal of the machine.

A probe point's ``columns`` decide first, then the name in the heading: ``A[15:0]`` is a bus, ``A0``,
``A[0]``, ``A_0`` and ``A<0>`` are bits of one, ``/RD`` and ``RD#`` are the signal RD, ``Time [ns]`` is the
time. Headings other than the names of signals are common practice, no source.
"""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from wrongbit.capture.capture import Layout
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.units import PICOSECONDS

PLANE_BITS = 64
_HIGHEST_BIT = 63

_STEM = r"^(?P<stem>.*?[^\d\s\[(<{._])\s*[_.]?"
_BETWEEN = r"\s*(?P<between>:|\.\.|-|\s+to\s+)\s*"
_RANGES = tuple(
    re.compile(_STEM + tail)
    for tail in (
        rf"[\[(<{{]\s*(?P<first>\d{{1,2}}){_BETWEEN}(?P<last>\d{{1,2}})\s*[\])>}}]$",  # D[7:0]
        rf"(?P<first>\d{{1,2}}){_BETWEEN}(?P=stem)[_.]?(?P<last>\d{{1,2}})$",  # D7..D0
        r"(?P<first>\d{1,2})(?P<between>:|\.\.)(?P<last>\d{1,2})$",  # D7:0, and D.0..7 of a machine file
    )
)
_UNDERLINED_BIT = re.compile(r"_\d+$")
_DOTTED_BIT = re.compile(r"^(?P<stem>[^.]*[^.\d])\.(?P<bit>\d{1,2})$")

_UNIT_WORDS = {
    **{unit: unit for unit in PICOSECONDS},
    **{f"{prefix}sec{plural}": f"{prefix}s" for prefix in ("p", "n", "u", "m", "") for plural in ("", "s")},
    "picoseconds": "ps",
    "nanoseconds": "ns",
    "microseconds": "us",
    "milliseconds": "ms",
    "seconds": "s",
    "second": "s",
}
_UNIT = "(" + "|".join(sorted((re.escape(word) for word in _UNIT_WORDS), key=len, reverse=True)) + ")"
_TIME = re.compile(
    r"^(?:(?:rel|abs|relative|absolute|sample|trigger)\.?[ _]?)?"
    r"(?:time[ _]?stamp|time|zeit|temps|tiempo|tempo|t)"
    rf"\s*(?:\(\s*{_UNIT}\s*\)|\[\s*{_UNIT}\s*\]|<\s*{_UNIT}\s*>|[/_,:]\s*{_UNIT}|\s+(?:in\s+)?{_UNIT})?$",
    re.IGNORECASE,
)
_SAMPLE = re.compile(
    r"^(?:#|index|idx|row|record|(?:samples?)?[ _]?(?:no|nr|num|number|index|#)\.?|samples?)$", re.IGNORECASE
)

TIME_TARGETS = ("time", "sample")
"""Targets of a probe point's ``columns`` that are no signals: ``time`` (or ``time [ns]``) and ``sample``."""


def unit_of(text: str) -> int | None:
    """Picoseconds in a unit as a heading spells it (``ns``, ``usec``, ``Seconds``), or None.

    >>> unit_of("usec"), unit_of("V")
    (1000000, None)
    """
    word = text.strip().lower().replace("μ", "µ")
    unit = _UNIT_WORDS.get(word)
    return None if unit is None else PICOSECONDS[unit]


def time_heading(text: str) -> tuple[bool, int | None]:
    """Whether a heading names a time, and picoseconds in its unit if it gives one.

    >>> time_heading("Time [ns]"), time_heading("t/us"), time_heading("TIMESTAMP"), time_heading("TC")
    ((True, 1000), (True, 1000000), (True, None), (False, None))
    """
    match = _TIME.match(text.strip())
    if match is None:
        return False, None
    unit = next((group for group in match.groups() if group), None)
    return True, None if unit is None else unit_of(unit)


_MARKED_UNIT = re.compile(
    rf"(?:\(\s*{_UNIT}\s*\)|\[\s*{_UNIT}\s*\]|<\s*{_UNIT}\s*>|/\s*{_UNIT})$", re.IGNORECASE
)


def heading_unit(text: str) -> int | None:
    """Picoseconds in the unit that a heading of any wording gives at its end, or None.

    For a column that is known to be a time; a unit counts where it stands in brackets or behind a stroke.

    >>> heading_unit("Zeit abs. [us]"), heading_unit("dt (ns)"), heading_unit("dt/ms"), heading_unit("ticks")
    (1000000, 1000, 1000000000, None)
    """
    match = _MARKED_UNIT.search(text.strip())
    unit = next((group for group in match.groups() if group), None) if match is not None else None
    return time_heading(text)[1] if unit is None else unit_of(unit)


def sample_heading(text: str) -> bool:
    """Whether a heading names a running number of samples.

    >>> sample_heading("Sample"), sample_heading("No."), sample_heading("SYNC")
    (True, True, False)
    """
    return _SAMPLE.match(text.strip()) is not None


# -- what a name means -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Target:
    """What a column carries.

    Args:
        name: Canonical name of the signal, or of the bus.
        bits: Bus bit of each digit, lowest digit first; None for one signal.
        counts_upward: The range counts upward, as in ``A[0:7]``.
        is_whole: A bus named without a range, so that its digits are taken to begin at bit 0.
    """

    name: str
    bits: tuple[int, ...] | None = None
    counts_upward: bool = False
    is_whole: bool = False

    @property
    def signals(self) -> tuple[str, ...]:
        """Canonical names of the wires, lowest digit first."""
        return (self.name,) if self.bits is None else tuple(bit_name(self.name, bit) for bit in self.bits)


def bit_name(bus: str, bit: int) -> str:
    """The name of a bus's bit as a signal; a bus whose name ends in a digit keeps the two apart.

    >>> bit_name("A", 3), bit_name("P1", 3)
    ('A3', 'P1_3')
    """
    return f"{bus}_{bit}" if bus[-1:].isdigit() else f"{bus}{bit}"


def target_of(text: str, widths: Mapping[str, int]) -> Target:
    """What a heading, or the right-hand side in a probe point's ``columns``, names.

    Args:
        text: Such as ``/RD``, ``A``, ``A[15:0]``, ``A.8..15``, ``D_3``.
        widths: Wires of the signals and buses that the machine needs, by canonical name.

    >>> target_of("ad[7:0]", {}).bits
    (0, 1, 2, 3, 4, 5, 6, 7)
    >>> target_of("D_3", {"D": 8}), target_of("CE_1", {"D": 8}).name
    (Target(name='D3', bits=None, counts_upward=False, is_whole=False), 'CE_1')
    >>> target_of("/RD", {}).name, len(target_of("A", {"A": 16}).bits or ())
    ('RD', 16)
    """
    base = parse_signal(text).base
    if base in widths:
        wide = widths[base] > 1
        return Target(base, tuple(range(widths[base])) if wide else None, is_whole=wide)
    ranged = next(filter(None, (pattern.match(base) for pattern in _RANGES)), None)
    if ranged is not None:
        first, last = int(ranged["first"]), int(ranged["last"])
        if max(first, last) <= _HIGHEST_BIT:
            low, high = sorted((first, last))
            upward = first < last and ranged["between"] == ":"
            return Target(ranged["stem"].strip(), tuple(range(low, high + 1)), upward)
    bit = _bit_of(base)
    if bit is None or bit[1] > _HIGHEST_BIT:
        return Target(base)
    if _UNDERLINED_BIT.search(base) and widths.get(bit[0], 1) == 1 and bit_name(*bit) not in widths:
        return Target(base)  # CE_1 is a name of its own, unless the machine has a bus CE
    return Target(bit_name(*bit))


def _bit_of(base: str) -> tuple[str, int] | None:
    dotted = _DOTTED_BIT.match(base)
    return (dotted["stem"], int(dotted["bit"])) if dotted else split_bus_bit(base)


def is_needed(target: Target, widths: Mapping[str, int]) -> bool:
    """Whether the machine needs this signal or bus, or a bus of which it is a bit."""
    stem = split_bus_bit(target.name)
    return target.name in widths or (target.bits is None and stem is not None and widths.get(stem[0], 1) > 1)


# -- a probe point's columns -------------------------------------------------------------------------------

Role = Literal["time", "sample", "signal", "ignored"]


@dataclass(frozen=True)
class Column:
    """One column of a file with what it is used for.

    Args:
        index: Number of the column in the file, from 0.
        heading: As the file spells it.
        role: What it is used for.
        target: The signal or bus, for the role ``signal``.
        mapped: The probe point's ``columns`` say so, not the heading.
        unit_ps: Picoseconds in the time's unit where the heading or the mapping gives one.
    """

    index: int
    heading: str
    role: Role
    target: Target | None = None
    mapped: bool = False
    unit_ps: int | None = None


def find_columns(wanted: Iterable[str], headings: Sequence[str], point: Point, file: str) -> dict[str, int]:
    """The number of the column that each name means: as it is spelt, else but for capitals, else as a signal.

    Args:
        wanted: Keys of the probe point's ``columns``.
        headings: The file's columns.
        point: For messages.
        file: For messages.

    Raises:
        CaptureError: The file lacks one; told with the file's columns and the nearest name.
    """
    found = {}
    for name in wanted:
        index = _find(name, headings)
        if index is None:
            raise _missing(name, headings, point, file)
        found[name] = index
    return found


def _find(name: str, headings: Sequence[str]) -> int | None:
    def canonical(text: str) -> str:
        return parse_signal(text).base

    def wire(text: str) -> str:
        return target_of(text, {}).name

    for spelling in (str.strip, _folded, canonical, wire):
        wanted = spelling(name)
        places = [index for index, heading in enumerate(headings) if heading and spelling(heading) == wanted]
        if places:
            return places[0]
    return None


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _missing(name: str, headings: Sequence[str], point: Point, file: str) -> CaptureError:
    known = [heading for heading in headings if heading]
    folded = {_folded(heading): heading for heading in known}
    near = difflib.get_close_matches(_folded(name), folded, 1)
    hint = f" The nearest is {folded[near[0]]!r}." if near else ""
    return CaptureError(
        f"The probe point {point.name!r} maps the column {name!r}, which the file does not have. "
        f"It has: {quoted(known)}.{hint}",
        f"Correct the name under 'columns' of the probe point {point.name!r}, or take the line out: a column "
        "that bears the signal's own name needs none.",
        file=file,
    )


def assign_columns(
    headings: Sequence[str], point: Point, widths: Mapping[str, int], file: str
) -> tuple[Column, ...]:
    """What every column of a file of samples is used for.

    Args:
        headings: Names of the columns; an empty name is ignored.
        point: Its ``columns`` decide first, then its ``ignore``, then the heading.
        widths: Wires of the signals and buses that the machine needs, by canonical name.
        file: For messages.

    Raises:
        CaptureError: A mapped column is not in the file.
    """
    places = find_columns(point.columns, headings, point, file)
    mapped = {index: point.columns[name] for name, index in places.items()}
    ignored = {_folded(name) for name in point.ignore}
    columns = []
    for index, heading in enumerate(headings):
        if index in mapped:
            columns.append(_mapped_column(index, heading, mapped[index], widths))
        elif not heading or _folded(heading) in ignored:
            columns.append(Column(index, heading, "ignored"))
        else:
            columns.append(_named_column(index, heading, widths))
    return tuple(columns)


def _mapped_column(index: int, heading: str, text: str, widths: Mapping[str, int]) -> Column:
    role = next((name for name in TIME_TARGETS if re.match(rf"{name}\b", text)), None)
    if role == "time":
        unit = time_heading(text)[1] or heading_unit(heading)
        return Column(index, heading, "time", mapped=True, unit_ps=unit)
    if role == "sample":
        return Column(index, heading, "sample", mapped=True)
    return Column(index, heading, "signal", target_of(text, widths), mapped=True)


def _named_column(index: int, heading: str, widths: Mapping[str, int]) -> Column:
    target = target_of(heading, widths)
    if not is_needed(target, widths):
        is_time, unit = time_heading(heading)
        if is_time:
            return Column(index, heading, "time", unit_ps=unit)
        if sample_heading(heading):
            return Column(index, heading, "sample")
    return Column(index, heading, "signal", target)


def check_one_each(columns: Iterable[Column], point: Point, file: str, line: int) -> None:
    """Refuse two columns that carry one signal, or two times.

    Raises:
        CaptureError: Two columns carry the same.
    """
    owners: dict[str, Column] = {}
    for column in columns:
        if column.role == "ignored":
            continue
        carried = column.target.signals if column.target is not None else (f"the {column.role}",)
        for name in carried:
            other = owners.setdefault(name, column)
            if other is not column:
                raise CaptureError(
                    f"Two columns carry {name}: {other.heading!r} (column {other.index + 1}) and "
                    f"{column.heading!r} (column {column.index + 1}).",
                    f"Name one of them under 'ignore' of the probe point {point.name!r}, or rename it in the "
                    "file if both are called the same.",
                    file=file,
                    line=line,
                )


# -- places in a sample ------------------------------------------------------------------------------------


def build_layout(targets: Iterable[Target], widths: Mapping[str, int]) -> Layout:
    """Give every signal its position: bits of a bus side by side, bit 0 lowest, in one plane if they fit.

    Args:
        targets: What the columns carry; no signal twice.
        widths: Wires of the buses that the machine needs; missing bits get position -1.

    >>> layout = build_layout([Target("RD"), Target("A1"), Target("A0")], {"A": 4})
    >>> dict(layout.signals), dict(layout.buses)
    ({'RD': 0, 'A0': 1, 'A1': 2}, {'A': (1, 2, -1, -1)})
    """
    groups: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for target in targets:
        if target.bits is not None:
            groups[target.name] += zip(target.bits, target.signals, strict=True)
            continue
        stem = split_bus_bit(target.name)
        if stem is None or stem[1] > _HIGHEST_BIT:
            groups[f"{target.name} alone"].append((-1, target.name))
        else:
            groups[stem[0]].append((stem[1], target.name))
    signals: dict[str, int] = {}
    buses: dict[str, tuple[int, ...]] = {}
    free = 0
    for bus, wires in groups.items():
        wires.sort()
        if free % PLANE_BITS + len(wires) > PLANE_BITS >= len(wires):
            free += PLANE_BITS - free % PLANE_BITS
        place = {bit: free + number for number, (bit, _) in enumerate(wires)}
        signals |= {name: free + number for number, (_, name) in enumerate(wires)}
        free += len(wires)
        if wires[0][0] >= 0:
            length = max(wires[-1][0] + 1, widths.get(bus, 0))
            buses[bus] = tuple(place.get(bit, -1) for bit in range(length))
    return Layout(signals, buses)


def quoted(names: Sequence[str], most: int = 12) -> str:
    """Names in quotes for a message, the first few of many.

    >>> quoted(["a", "b", "c"], 2)
    "'a', 'b' and 1 more"
    """
    shown = ", ".join(repr(name) for name in names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
