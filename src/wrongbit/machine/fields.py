"""The machine file's notations as pydantic types: whole numbers, bit lists, times, frequencies, names.

Each type also carries its part of the published JSON Schema, so that an editor accepts what the loader
accepts. A validator never lets an `InputError` out: pydantic gathers `ValueError` only, and the loader
finds the remedy in the error's cause.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    Strict,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, core_schema

from wrongbit.errors import InputError
from wrongbit.units import parse_bits, parse_frequency, parse_integer, parse_time

FROM_FILE = {"from_file": True}
"""Validation context of a file that a person wrote: a bare number is then not taken for a time."""

HIGHEST_BIT = 63
HIGHEST_ADDRESS = 2**32 - 1

INTEGER_PATTERN = (
    r"^\s*[+-]?(0[xX](_?[0-9A-Fa-f])+|0[oO](_?[0-7])+|0[bB](_?[01])+|0(_?0)*|[1-9](_?[0-9])*)\s*$"
)
_RUN = r"\s*[0-9]{1,4}\s*(\.\.\s*[0-9]{1,4}\s*)?"
BITS_PATTERN = rf"^{_RUN}(,{_RUN})*$"
_NUMBER = r"[+]?[0-9][0-9_ ]*([.,][0-9]+)?([eE][+-]?[0-9]+)?"
TIME_PATTERN = rf"^\s*{_NUMBER}\s*(ps|ns|us|µs|μs|ms|s)\s*$"
FREQUENCY_PATTERN = rf"^\s*{_NUMBER}\s*(Hz|kHz|MHz|GHz)\s*$"

Parsed = TypeVar("Parsed")


def checked(parse: Callable[[str], Parsed], text: str) -> Parsed:
    """What ``parse`` makes of the text, its `InputError` turned into a `ValueError` that pydantic gathers.

    Raises:
        ValueError: The text is not in the notation; the `InputError` is its cause.
    """
    try:
        return parse(text)
    except InputError as error:
        raise ValueError(error.message) from error


def refused(message: str, remedy: str) -> ValueError:
    """A `ValueError` whose remedy the loader can find, to be raised by a validator."""
    error = ValueError(message)
    error.__cause__ = InputError(message, remedy)
    return error


@dataclass(frozen=True)
class WholeNumber:
    """Annotation of a whole number between two bounds, in TOML's own notation or as text (``"0o17"``).

    Refuses true, false and 1.0, which pydantic would let pass for a number.
    """

    lowest: int
    highest: int

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        integer = core_schema.int_schema(ge=self.lowest, le=self.highest)
        return core_schema.no_info_before_validator_function(_whole, integer)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        integer = {"type": "integer", "minimum": self.lowest, "maximum": self.highest}
        return {"anyOf": [integer, {"type": "string", "pattern": INTEGER_PATTERN}]}


def _whole(value: object) -> object:
    if isinstance(value, str):
        return checked(parse_integer, value)
    if isinstance(value, bool | float):
        raise refused(
            f"{str(value).lower()} is not a whole number.",
            "Write it in decimal, as 0x… (hex) or as 0o… (octal).",
        )
    return value


def _bits(value: object) -> object:
    """Accept ``"0..7"`` and a single number as well as a list."""
    if isinstance(value, str):
        return checked(parse_bits, value)
    return (value,) if isinstance(value, int) and not isinstance(value, bool) else value


def _in_a_word(bits: tuple[int, ...]) -> tuple[int, ...]:
    for bit in bits:
        if not 0 <= bit <= HIGHEST_BIT:
            raise refused(
                f"bit {bit} is named.", f"Bits are numbered from 0, the lowest, to {HIGHEST_BIT} at most."
            )
    return bits


def _time(value: object, info: ValidationInfo) -> object:
    if isinstance(value, str):
        return checked(parse_time, value)
    if info.context == FROM_FILE and isinstance(value, int | float):
        raise refused(
            f"{str(value).lower()} has no unit.",
            "Write a time with its unit between quotes, such as '450 ns'.",
        )
    return value


def _not_negative(picoseconds: int) -> int:
    if picoseconds < 0:
        raise refused("the time is negative.", "Write a time from 0 upward.")
    return picoseconds


def _frequency(value: str) -> str:
    if checked(parse_frequency, value) <= 0:
        raise refused(f"{value!r} is not above zero.", "Write a frequency such as '1 MHz'.")
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise refused(
            f"{value!r} has characters that cannot be printed.", "Use letters, digits and punctuation."
        )
    return value


def _text(pattern: str) -> dict[str, Any]:
    """JSON Schema of a text in a notation."""
    return {"type": "string", "pattern": pattern}


_BIT = {"type": "integer", "minimum": 0, "maximum": HIGHEST_BIT}

INTEGER_TEXT_SCHEMA = _text(INTEGER_PATTERN)
BIT_TEXT_SCHEMA = _text(BITS_PATTERN)
BITS_SCHEMA: dict[str, Any] = {
    "anyOf": [
        BIT_TEXT_SCHEMA,
        {"type": "array", "items": {"anyOf": [_BIT, INTEGER_TEXT_SCHEMA]}},
        _BIT,
    ]
}
TIME_SCHEMA = _text(TIME_PATTERN)
FREQUENCY_SCHEMA = _text(FREQUENCY_PATTERN)

Flag = Annotated[bool, Strict()]
"""``true`` or ``false``, and nothing that merely resembles it."""

Bits = Annotated[
    tuple[Annotated[int, WholeNumber(-(2**63), 2**63)], ...],
    BeforeValidator(_bits),
    AfterValidator(_in_a_word),
    WithJsonSchema(BITS_SCHEMA),
]
"""Bit or line numbers, lowest first; in the file ``"0..7"``, ``"7..0"``, a list, or one number."""

Picoseconds = Annotated[
    int, BeforeValidator(_time), AfterValidator(_not_negative), WithJsonSchema(TIME_SCHEMA)
]
"""A time; in the file ``"450 ns"``."""

Frequency = Annotated[str, AfterValidator(_frequency), WithJsonSchema(FREQUENCY_SCHEMA)]
"""A frequency, kept as it was written; in the file ``"1 MHz"``."""

Name = Annotated[str, Field(min_length=1), AfterValidator(_printable)]
"""A name that can be printed on one line."""
