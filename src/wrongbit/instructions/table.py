"""An instruction set from a table file.

A table is TOML: a few keys that tell the widths and the processor's way with its bus, and the rows as text,
one instruction a line (see `wrongbit.instructions.row`). The first row that matches counts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from wrongbit.errors import MachineFileError
from wrongbit.instructions.instruction import BusHabits, Fetch, Instruction, Marks
from wrongbit.instructions.row import Row, read_row

PACKAGED = files("wrongbit.instructions").joinpath("tables")
"""Where the tables that come with wrongbit are."""


class TableFile(BaseModel):
    """The keys of a table file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1, description="What the set is called.")
    source: str = Field(default="", description="Document that it was taken from.")
    base: str = Field(default="", description="Packaged table whose rows follow this file's own.")
    unit_bits: int = Field(ge=1, le=32, description="Bits in a unit: what one pattern token stands for.")
    address_bits: int = Field(ge=1, le=32, description="Width of an address.")
    step: int = Field(default=1, ge=1, le=4, description="Addresses from one unit to the next.")
    big_endian: bool = Field(default=False, description="The upper part of a long field comes first.")
    marks: Marks = Field(default="first", description="What the bus kind 'fetch' marks.")
    prefixes: tuple[int, ...] = Field(
        default=(), description="Units that are followed by more operation code."
    )
    dummy_reads: bool = Field(default=False, description="Reads happen that move nothing.")
    every_clock: bool = Field(default=False, description="Each clock cycle is a bus cycle.")
    vectors_from: int | None = Field(
        default=None, ge=0, description="Lowest address of the vectors, which end at the last address."
    )
    data_listed: bool = Field(default=False, description="The rows list every data access.")
    clock_cycles: bool = Field(default=True, description="The base table's clock cycles hold here too.")
    names: dict[str, tuple[str, ...]] = Field(default={}, description="Lists of names for the texts.")
    rows: str = Field(description="One instruction a line.")


@dataclass(frozen=True)
class TableSet:
    """An instruction set made of rows.

    Args:
        name: What it is called.
        habits: The processor's way with the bus.
        rows: In the order in which they are tried.
        names: Lists of names that the texts use.
        data_listed: The rows list every data access.
    """

    name: str
    habits: BusHabits
    rows: tuple[Row, ...]
    names: Mapping[str, tuple[str, ...]]
    data_listed: bool
    _candidates: dict[int, tuple[Row, ...]] = field(default_factory=dict, repr=False, compare=False)

    def decode(self, fetch: Fetch, address: int) -> Instruction | None:
        """The instruction at an address; None where a unit that decides is not known.

        Where no row matches, an instruction of one unit whose flow is ``unknown``.
        """
        habits = self.habits
        first = fetch(address)
        if first is None:
            return None
        candidates = self._candidates.get(first)
        if candidates is None:
            candidates = tuple(row for row in self.rows if first & row.units[0].mask == row.units[0].value)
            self._candidates[first] = candidates
        words = [first]
        last = (1 << habits.address_bits) - 1
        for row in candidates:
            for at, unit in enumerate(row.units):
                if at == len(words):
                    word = fetch((address + at * habits.step) & last)
                    if word is None:
                        return None
                    words.append(word)
                if words[at] & unit.mask != unit.value:
                    break
            else:
                return row.build(
                    words[: len(row.units)],
                    address,
                    fetch,
                    habits,
                    self.names,
                    data_listed=self.data_listed,
                )
        digits = -(-habits.unit_bits // 4)
        return Instruction(
            address, (first,), (address + habits.step) & last, f"? {first:0{digits}X}", "unknown", None,
            documented=False,
        )  # fmt: skip


@cache
def packaged_table(name: str) -> TableSet:
    """A table that comes with wrongbit.

    >>> packaged_table("6502").decode([0x4C, 0x00, 0x80].__getitem__, 0).text
    'JMP $8000'
    """
    return read_table(PACKAGED.joinpath(f"{name}.toml").read_text("utf-8"), f"{name}.toml")


def packaged_names() -> tuple[str, ...]:
    """Names of the tables that come with wrongbit."""
    return tuple(
        sorted(each.name.removesuffix(".toml") for each in PACKAGED.iterdir() if each.name.endswith(".toml"))
    )


def load_table(path: Path) -> TableSet:
    """A table of a machine's own.

    Raises:
        MachineFileError: The file cannot be read or used.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise MachineFileError(
            f"The instruction table cannot be read: {reason}.",
            "Correct the processor's key instructions = 'table:FILE'; FILE is relative to the machine file.",
            file=str(path),
        ) from None
    return read_table(text, str(path))


def read_table(text: str, file: str) -> TableSet:
    """A table from its text.

    Args:
        text: The TOML.
        file: What errors call it.

    Raises:
        MachineFileError: Something in it is not as it should be; tells the line.
    """
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise MachineFileError(
            "Brackets are nested too deeply to be an instruction table.",
            "Check for a missing ] or }.",
            file=file,
        ) from None
    except ValueError as error:  # TOMLDecodeError, and what int() says of a number of thousands of digits
        raise MachineFileError(f"This is not TOML: {error}.", "Correct the text.", file=file) from None
    try:
        shape = TableFile.model_validate(data)
    except ValidationError as error:
        raise _shape_error(error, file) from None
    base = _base(shape, file)
    habits = BusHabits(
        unit_bits=shape.unit_bits,
        address_bits=shape.address_bits,
        step=shape.step,
        marks=shape.marks,
        prefixes=frozenset(shape.prefixes),
        dummy_reads=shape.dummy_reads,
        every_clock=shape.every_clock,
        big_endian=shape.big_endian,
        vectors_from=shape.vectors_from,
    )
    rows = _rows(shape, habits, text, file)
    if base is not None:
        rows += tuple(row if shape.clock_cycles else _without_cycles(row) for row in base.rows)
    names = {**(base.names if base else {}), **shape.names}
    return TableSet(shape.name, habits, rows, names, shape.data_listed)


def _base(shape: TableFile, file: str) -> TableSet | None:
    if not shape.base:
        return None
    known = packaged_names()
    if shape.base not in known:
        raise MachineFileError(
            f"There is no packaged table {shape.base!r}.",
            f"Use one of {', '.join(known)}.",
            file=file,
            key="base",
        )
    found = packaged_table(shape.base)
    for key in ("unit_bits", "address_bits", "step", "big_endian"):
        mine, wanted = getattr(shape, key), getattr(found.habits, key)
        if mine != wanted:
            told = (str(mine).lower(), str(wanted).lower())
            raise MachineFileError(
                f"{key} is {told[0]} here and {told[1]} in the base table {shape.base!r}: its rows would be "
                "read wrongly.",
                f"Write {key} = {told[1]}, or leave the base out.",
                file=file,
                key=key,
            )
    return found


def _without_cycles(row: Row) -> Row:
    from dataclasses import replace

    return replace(row, cycles=None)


def _rows(shape: TableFile, habits: BusHabits, text: str, file: str) -> tuple[Row, ...]:
    """The rows, each checked; one that an earlier row hides altogether is a mistake."""
    lines = text.splitlines()
    first = next((n for n, line in enumerate(lines) if line.split("=")[0].strip() == "rows"), 0)
    rows: list[Row] = []
    for line in shape.rows.splitlines():
        bare = line.strip()
        if not bare or bare.startswith("#"):
            continue
        number = next((n for n in range(first, len(lines)) if lines[n] == line), first) + 1
        try:
            row = read_row(bare, habits, shape.names)
            hiding = next((other for other in rows if _hides(other, row)), None)
            if hiding is not None:
                raise ValueError(f"an earlier row, {hiding.text!r}, matches everything that this one does")
        except ValueError as error:
            raise MachineFileError(
                f"The row {bare!r} cannot be used: {error}.",
                "Correct the row; docs/instructions.md tells the columns.",
                file=file,
                line=number,
                key="rows",
            ) from None
        rows.append(row)
    if not rows and not shape.base:
        raise MachineFileError("The table has no rows.", "Write one instruction a line.", file=file)
    return tuple(rows)


def _hides(earlier: Row, later: Row) -> bool:
    """Everything that matches the later row matches the earlier one."""
    if len(earlier.units) > len(later.units):
        return False
    pairs = zip(earlier.units, later.units, strict=False)
    return all(mine.mask & yours.mask == mine.mask and yours.value & mine.mask == mine.value
               for mine, yours in pairs)  # fmt: skip


def _shape_error(error: ValidationError, file: str) -> MachineFileError:
    problem: Any = error.errors()[0]
    key = ".".join(str(part) for part in problem["loc"])
    remedy = "docs/instructions.md tells the keys."
    if problem["type"] == "extra_forbidden":
        near = get_close_matches(key, TableFile.model_fields, n=1)
        remedy = f"Did you mean {near[0]!r}? {remedy}" if near else remedy
        return MachineFileError(f"There is no key {key!r}.", remedy, file=file, key=key)
    return MachineFileError(f"{problem['msg']}.", remedy, file=file, key=key)
