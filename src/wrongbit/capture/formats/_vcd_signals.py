"""Which variables of a VCD file are used, under which names, and where their bits sit in a sample."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from wrongbit.capture.capture import Layout
from wrongbit.capture.columns import Target, bit_name, find_columns, is_needed, target_of
from wrongbit.capture.formats._vcd_header import LEVEL_KINDS, Header, Variable
from wrongbit.capture.formats._vcd_words import IGNORED, Slots
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.machine.names import parse_signal, split_bus_bit

MANY_BITS = 512
"""With more bits than an instrument has channels, only those that the machine needs are packed."""

_MOST_WIRES = 1 << 20
"""Places of all buses together; more are a file's claim, not a board's wires."""

_HIGHEST_BIT = 63
_LONGEST_BUS = 128
_VALUELESS = frozenset(("event", "real", "realtime", "shortreal", "string"))

Wire = tuple[bytes, int]
"""Id code and digit of its value, counted from the right."""


@dataclass(frozen=True)
class Selection:
    """What is read from a file.

    Args:
        layout: Positions of the signals.
        slots: Where the values of each id code go.
        notes: What a person should be told.
    """

    layout: Layout
    slots: Slots
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Offer:
    """A variable under the name that it will have.

    Args:
        variable: The declaration.
        name: Canonical name of the signal, or of the bus of which it carries some bits.
        bits: Bus bit of each digit, rightmost digit first; None for a signal of its own.
        mapped: A person gave the name.
    """

    variable: Variable
    name: str
    bits: Sequence[int] | None
    mapped: bool

    def claims(self) -> Iterable[tuple[int | None, Wire]]:
        """(bus bit, wire) of each of its wires."""
        for digit, bit in enumerate((None,) if self.bits is None else self.bits):
            yield bit, (self.variable.code, digit)


def select_signals(header: Header, point: Point, widths: Mapping[str, int], file: str) -> Selection:
    """Choose and name the variables that a probe point's capture gives.

    Args:
        header: The file's declarations.
        point: Its ``columns`` name variables, by leaf name or full dotted path, and its ``ignore`` leaves
            variables or whole scopes out.
        widths: The signals and buses that the machine needs, with their number of wires.
        file: For messages.

    Raises:
        CaptureError: A column is not in the file, a needed name has several meanings, or nothing is left.
    """
    notes: list[str] = []
    offers = _offers(header.variables, point, widths, notes, file)
    offers = _without_excess(offers, widths, notes, file)
    offers = _without_rivals(offers, widths, notes, file)
    if not offers:
        raise CaptureError(
            "No variable of the file is left to read: all are ignored, carry no levels or are not clear.",
            "Take one off the probe point's ignore list, or map one in its columns.",
            file=file,
            notes=tuple(notes),
        )
    offers.sort(key=lambda offer: not _is_wanted(offer, widths))  # needed signals share the first plane
    slots, positions = _place([offer.variable for offer in offers], header.variables, file)
    _tell_of_ascending(offers, notes)
    return Selection(_layout(offers, positions, widths, file), slots, tuple(notes))


# -- names -------------------------------------------------------------------------------------------------


def _offers(
    variables: Sequence[Variable], point: Point, widths: Mapping[str, int], notes: list[str], file: str
) -> list[_Offer]:
    """Every variable that carries levels and is not ignored, with its name."""
    finder = _Finder(variables)
    columns = _columns_by_variable(finder, point, file)
    ignored = {number for column in point.ignore for number, _ in finder.find(column)}
    scopes = {column.strip().casefold() for column in point.ignore}
    offers = []
    valueless = []
    for number, variable in enumerate(variables):
        column = columns.get(number)
        if column is None and (number in ignored or (scopes and not scopes.isdisjoint(_scopes(variable)))):
            continue
        unfit = variable.kind in _VALUELESS or variable.width == 0
        if unfit or (column is None and variable.kind not in LEVEL_KINDS):
            valueless.append(f"{variable.kind} {variable.path}")
        elif column is None:
            offers.append(_offer(variable, variable.name, widths, mapped=False, is_bit=False, file=file))
        else:
            is_bit = column.endswith("]")  # not the whole bus of which the variable is a bit
            target = point.columns[column]
            offers.append(_offer(variable, target, widths, mapped=True, is_bit=is_bit, file=file))
    if valueless:
        notes.append(f"Left out, as they carry no levels of wires: {_shortened(valueless)}.")
    return offers


def _offer(
    variable: Variable, text: str, widths: Mapping[str, int], *, mapped: bool, is_bit: bool, file: str
) -> _Offer:
    base, target = parse_signal(text).base, target_of(text, widths)
    if target.bits is not None and target.name != base:  # the name gives the bits
        if len(target.bits) == variable.width:
            return _Offer(variable, target.name, target.bits, mapped)
        if mapped:
            raise CaptureError(
                f"The variable {variable.path} has {variable.width} bits, but is mapped to the "
                f"{len(target.bits)} wires {text!r}.",
                "Correct the probe point's columns.",
                file=file,
                line=variable.line,
            )
    if variable.width > 1 or (variable.bits is not None and not is_bit):
        return _Offer(variable, base, _bits(variable), mapped)
    if target.bits is not None:
        return _Offer(variable, base, (0,), mapped)  # one wire where the machine has a bus
    return _Offer(variable, target.name, None, mapped)


def _bits(variable: Variable) -> Sequence[int]:
    """Bus bit of each digit, rightmost first: the lowest number of the range belongs to the lowest digit."""
    lowest = 0 if variable.bits is None else max(min(variable.bits), 0)
    return range(lowest, lowest + variable.width)  # a claim of a file, which costs nothing yet


def _columns_by_variable(finder: _Finder, point: Point, file: str) -> dict[int, str]:
    """For each mapped variable its key in the probe point's ``columns``; the most exact key decides."""
    chosen: dict[int, tuple[int, str]] = {}
    for column in point.columns:
        found = finder.find(column)
        if not found:
            find_columns([column], finder.names(), point, file)  # tells what the file has instead
        for number, rank in found:
            if number not in chosen or rank < chosen[number][0]:
                chosen[number] = (rank, column)
    return {number: column for number, (_, column) in chosen.items()}


class _Finder:
    """Finds variables by name: as it is spelt, else but for capitals, else as a signal."""

    def __init__(self, variables: Sequence[Variable]) -> None:
        self._variables = variables
        self._tables: dict[Callable[[str], str], dict[str, list[tuple[int, int]]]] = {}

    def find(self, name: str) -> list[tuple[int, int]]:
        """Number of each variable that is meant, with how exactly (0: path and range)."""
        for spelling in (str, str.casefold, _canonical):
            if found := self._table(spelling).get(spelling(_tight(name))):
                return found
        return []

    def _table(self, spelling: Callable[[str], str]) -> dict[str, list[tuple[int, int]]]:
        """Made when first asked for: a simulator's dump may have a hundred thousand variables."""
        if spelling not in self._tables:
            table = self._tables[spelling] = defaultdict(list)
            for number, variable in enumerate(self._variables):
                for rank, name in enumerate(_spellings(variable)):
                    table[spelling(name)].append((number, rank))
        return self._tables[spelling]

    def names(self) -> list[str]:
        """Every name, for a message."""
        return list(dict.fromkeys(name for v in self._variables for name in (v.name, v.path)))


def _spellings(variable: Variable) -> tuple[str, ...]:
    """Ways to name a variable, the most exact first."""
    path = ".".join((*variable.scope, variable.name))
    ranged = variable.range_text
    return (path + ranged, path, variable.name + ranged, variable.name)


def _tight(text: str) -> str:
    """A name without blanks around its range."""
    return re.sub(r"\s*([\[\]:])\s*", r"\1", text.strip())


def _canonical(text: str) -> str:
    return parse_signal(text).base


def _scopes(variable: Variable) -> Iterable[str]:
    return (".".join(variable.scope[:depth]).casefold() for depth in range(1, len(variable.scope) + 1))


# -- names that mean several things ------------------------------------------------------------------------


def _without_rivals(
    offers: list[_Offer], widths: Mapping[str, int], notes: list[str], file: str
) -> list[_Offer]:
    """Settle names that several different wires claim: a mapped one wins, a needed one must be mapped."""
    by_name: dict[str, list[_Offer]] = defaultdict(list)
    for offer in offers:
        by_name[offer.name].append(offer)
    kept = []
    wanted: list[tuple[_Offer, _Offer]] = []
    left_out = []
    for group in by_name.values():
        mapped = [offer for offer in group if offer.mapped]
        group = [offer for offer in group if offer.mapped or _rivals([*mapped, offer]) is None]
        rivals = _rivals(group)
        if rivals is None:
            kept += group
        elif not widths or rivals[0].mapped or _is_wanted(rivals[0], widths):
            wanted.append(rivals)
        else:
            left_out.append(f"{rivals[0].variable.path} and {rivals[1].variable.path}")
    if wanted:
        raise _rival_error(wanted, file)
    if left_out:
        notes.append(f"Left out, as not needed and not clear which is meant: {_shortened(left_out)}.")
    return kept


def _rivals(group: Sequence[_Offer]) -> tuple[_Offer, _Offer] | None:
    """Two variables that claim the same wire's name for different wires."""
    owners: dict[int | None, tuple[Wire, _Offer]] = {}
    for offer in group:
        for bit, wire in offer.claims():
            owner, first = owners.setdefault(bit, (wire, offer))
            if owner != wire:
                return first, offer
    return None


def _rival_error(rivals: Sequence[tuple[_Offer, _Offer]], file: str) -> CaptureError:
    first, second = rivals[0]
    one, other = first.variable, second.variable
    notes = tuple(f"{a.name}: {a.variable.path} and {b.variable.path}" for a, b in rivals[1:])
    if first.mapped:
        return CaptureError(
            f"{one.path} and {other.path} are both mapped to {first.name}.",
            "Map the wanted one only, by its full path, or give their bits different numbers.",
            file=file,
            line=other.line,
            notes=notes,
        )
    deeper = max(one, other, key=lambda variable: len(variable.scope))
    remedy = (
        "Map the wanted one in the probe point's columns, such as "
        f'"{".".join((*one.scope, one.name))}" = "{first.name}", or ignore the other'
    )
    if deeper.scope:
        remedy += f', or a whole scope, such as "{".".join(deeper.scope)}"'
    if one.path == other.path:
        remedy += "; as both have one path, rename one of them in the file"
    return CaptureError(
        f"{first.name} is two different signals in this file: {one.path} and {other.path}.",
        f"{remedy}.",
        file=file,
        line=other.line,
        notes=notes,
    )


def _is_wanted(offer: _Offer, widths: Mapping[str, int]) -> bool:
    if offer.mapped or is_needed(Target(offer.name, None if offer.bits is None else ()), widths):
        return True
    if offer.bits is None or not any(name.startswith(offer.name) for name in widths):
        return False
    return any(bit_name(offer.name, bit) in widths for bit in offer.bits[:_LONGEST_BUS])


def _without_excess(
    offers: list[_Offer], widths: Mapping[str, int], notes: list[str], file: str
) -> list[_Offer]:
    """Of more than `MANY_BITS` only the variables that the machine needs."""
    total = sum({offer.variable.code: offer.variable.width for offer in offers}.values())
    if total <= MANY_BITS:
        return offers
    wanted = [offer for offer in offers if not widths or _is_wanted(offer, widths)]
    wires = sum(offer.variable.width for offer in wanted)
    if wires > _MOST_WIRES:
        raise _too_many(wires, file)
    if not wanted:
        raise CaptureError(
            f"None of the file's {len(offers)} variables is called like a signal that the machine needs: "
            f"{_shortened(list(widths))}.",
            "Map the wanted ones in the probe point's columns.",
            file=file,
        )
    if len(wanted) == len(offers):
        return offers
    notes.append(
        f"The file has {total} bits; the {len(wanted)} variables that the machine needs are read, "
        f"{len(offers) - len(wanted)} others are not."
    )
    return wanted


def _tell_of_ascending(offers: Iterable[_Offer], notes: list[str]) -> None:
    ascending = [o.variable for o in offers if o.variable.bits and o.variable.bits[0] < o.variable.bits[1]]
    if ascending:
        notes.append(
            f"Ranges that count upward: {_shortened([each.path for each in ascending])}. The rightmost digit "
            "is the lowest bit all the same, and has the lowest number here."
        )


# -- places ------------------------------------------------------------------------------------------------


def _place(
    chosen: Sequence[Variable], declared: Sequence[Variable], file: str
) -> tuple[Slots, dict[Wire, int]]:
    """Give every chosen variable its bits in the planes; no slot straddles two."""
    of_code = {variable.code: IGNORED for variable in declared}
    width_of: dict[bytes, int] = {}
    width: list[int] = []
    position: list[int] = []
    positions: dict[Wire, int] = {}
    free = 0
    for variable in chosen:
        code = variable.code
        if code in width_of:
            if width_of[code] != variable.width:
                raise CaptureError(
                    f"{variable.path} has {variable.width} bits, but an earlier variable with the same id "
                    f"has {width_of[code]}.",
                    "Ignore one of the two, or export the capture again.",
                    file=file,
                    line=variable.line,
                )
            continue
        width_of[code] = variable.width
        of_code[code] = len(width)
        for low in range(0, variable.width, 64):
            size = min(64, variable.width - low)
            if free % 64 + size > 64:
                free += 64 - free % 64
            width.append(variable.width - low)
            position.append(free)
            positions.update({(code, low + digit): free + digit for digit in range(size)})
            free += size
    at = np.array(position, np.int64)
    return Slots(of_code, np.array(width, np.int64), at // 64, (at % 64).astype(np.uint64)), positions


def _layout(
    offers: Sequence[_Offer], positions: Mapping[Wire, int], widths: Mapping[str, int], file: str
) -> Layout:
    signals: dict[str, int] = {}
    buses: dict[str, dict[int, int]] = defaultdict(dict)
    for offer in offers:
        for bit, wire in offer.claims():
            if bit is None:
                signals[offer.name] = positions[wire]
            else:
                buses[offer.name][bit] = positions[wire]
    singles = [offer for offer in offers if offer.bits is None]
    for offer in sorted(singles, key=lambda offer: not offer.mapped):  # A0, A1, … are a bus as well
        stem = split_bus_bit(offer.name)
        if stem is not None and stem[1] <= _HIGHEST_BIT:
            place = signals[offer.name]
            if offer.mapped:
                buses[stem[0]][stem[1]] = place
            else:
                buses[stem[0]].setdefault(stem[1], place)
    for name, bits in buses.items():
        for bit, place in bits.items():
            if bit_name(name, bit) not in buses:  # D1 may be a bus beside bit 1 of D
                signals.setdefault(bit_name(name, bit), place)
    wires = sum(max(bits) + 1 for bits in buses.values())
    if wires > _MOST_WIRES:
        raise _too_many(wires, file)
    return Layout(signals, {name: _bus(bits, widths.get(name, 0)) for name, bits in buses.items()})


def _too_many(wires: int, file: str) -> CaptureError:
    return CaptureError(
        f"The file's variables that would be read have {wires} wires; {_MOST_WIRES} at most were expected.",
        "Leave memories and other inner variables out: name their scopes under 'ignore' of the probe point.",
        file=file,
    )


def _bus(bits: Mapping[int, int], width: int) -> tuple[int, ...]:
    return tuple(bits.get(bit, -1) for bit in range(max(max(bits) + 1, width)))


def _shortened(names: Sequence[str], most: int = 6) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
