"""A bus recipe: how a processor's bus cycles are read off its signals.

A recipe is data. It names events on single signals (``ALE ends``: the moment the signal stops being
active; ``PHI2 ends`` for a clock that is active high is its falling edge), the latches that such events
load, and the transfers that they complete. Polarity is a property of the signal, never of the recipe's
text, so the same recipe serves positive and negative logic.

A *term* is ``NAME`` (active), ``!NAME`` (not active), ``BUS.n`` or ``LATCH.n`` (bit n is 1), ``!BUS.n``.
A *part* of an address, a word or a bank is ``BUS``, ``SIGNAL`` or ``LATCH``, or some of its bits:
``A.8..15``, ``AD.3``. An event may join strobes: ``UDS|LDS ends`` is the moment at which the last of the
two stops being active.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from wrongbit.machine.fields import BIT_TEXT_SCHEMA, TIME_SCHEMA, Name, WholeNumber, checked, refused
from wrongbit.units import parse_bits, parse_time

Kind = Literal["fetch", "read", "write", "io_read", "io_write", "acknowledge", "refresh", "idle"]
"""What a bus cycle does. ``acknowledge`` is an interrupt acknowledge, ``idle`` a cycle that moves nothing."""

KINDS: tuple[Kind, ...] = get_args(Kind)
"""All kinds, in the order of their codes in a table of cycles."""

_EVENT = re.compile(r"^\s*(\S+)\s+(begins|ends)\s*$")
_PART = re.compile(r"^([^\s.!|]+)(?:\.([0-9]{1,2}(?:\.\.[0-9]{1,2})?))?$")
_TERM = re.compile(r"^(!?)([^\s.!|]+)(?:\.([0-9]{1,2}))?$")


class Strict(BaseModel):
    """Base of everything in a machine file: immutable, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


def parse_event(text: str) -> tuple[str, Literal["begins", "ends"]]:
    """``ALE ends`` as (signal, edge); joined strobes stay joined, as in ``UDS|LDS``.

    Raises:
        ValueError: The text has another form.

    >>> parse_event("ALE ends")
    ('ALE', 'ends')
    """
    match = _EVENT.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not an event; write 'SIGNAL begins' or 'SIGNAL ends'")
    return match[1], "begins" if match[2] == "begins" else "ends"


def parse_term(text: str) -> tuple[bool, str, int | None]:
    """``!AD.3`` as (wanted level is active or 1, name, bit or None).

    Raises:
        ValueError: The text has another form.

    >>> parse_term("!AD.3")
    (False, 'AD', 3)
    """
    match = _TERM.match(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a term; write NAME, !NAME, BUS.3 or !BUS.3")
    return not match[1], match[2], None if match[3] is None else int(match[3])


def parse_part(text: str) -> tuple[str, tuple[int, ...] | None]:
    """``A.8..15`` as (name, bits), ``A`` as (name, None).

    Raises:
        ValueError: The text has another form.

    >>> parse_part("A.8..10")
    ('A', (8, 9, 10))
    """
    match = _PART.match(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a bus or a part of one; write NAME, NAME.3 or NAME.8..15")
    return match[1], None if match[2] is None else parse_bits(match[2])


def as_list(value: object) -> object:
    """A single text as a list of one, anything else as it is: where a list is wanted, one item will do."""
    return [value] if isinstance(value, str) else value


def _event(value: str) -> str:
    signal, _ = parse_event(value)
    if not all(signal.split("|")):
        raise refused(f"{value!r} joins a strobe without a name.", "Write it as 'UDS|LDS ends'.")
    return value


def _term(value: str) -> str:
    parse_term(value)
    return value


def _part(value: str) -> str:
    parse_part(value)
    return value


def _bit_range(value: str) -> str:
    checked(parse_bits, value)
    return value


def _duration(value: str) -> str:
    if checked(parse_time, value) < 0:
        raise refused(f"{value!r} is negative.", "Write a time from 0 upward.")
    return value


def _text(pattern: re.Pattern[str]) -> dict[str, Any]:
    """JSON Schema of a text in one of the notations above; blanks around it do not matter."""
    return {"type": "string", "pattern": pattern.pattern.replace("^", r"^\s*", 1).replace("$", r"\s*$")}


def _one_or_many(item: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [item, {"type": "array", "items": item}]}


EVENT_SCHEMA = _text(_EVENT)
TERMS_SCHEMA = _one_or_many(_text(_TERM))
PART_SCHEMA = _text(_PART)
PARTS_SCHEMA = _one_or_many(PART_SCHEMA)
NAMES_SCHEMA = _one_or_many({"type": "string", "minLength": 1})

BitText = Annotated[str, AfterValidator(_bit_range), WithJsonSchema(BIT_TEXT_SCHEMA)]
TimeText = Annotated[str, AfterValidator(_duration), WithJsonSchema(TIME_SCHEMA)]

Event = Annotated[str, AfterValidator(_event), WithJsonSchema(EVENT_SCHEMA)]
"""A moment, such as 'ALE ends'."""

Term = Annotated[str, AfterValidator(_term)]
Terms = Annotated[tuple[Term, ...], BeforeValidator(as_list), WithJsonSchema(TERMS_SCHEMA)]
"""Conditions, all of which must hold; a single one may stand without brackets."""

Part = Annotated[str, AfterValidator(_part), WithJsonSchema(PART_SCHEMA)]
Parts = Annotated[tuple[Part, ...], BeforeValidator(as_list), WithJsonSchema(PARTS_SCHEMA)]
"""Buses, signals, latches or bits of them, low part first; a single one may stand without brackets."""

Names = Annotated[tuple[Name, ...], BeforeValidator(as_list), WithJsonSchema(NAMES_SCHEMA)]
"""Names; a single one may stand without brackets."""


class Latch(Strict):
    """A register that an event loads from the bus, such as the address latch of a multiplexed bus."""

    name: Name = Field(description="Name by which transfers and terms use the latched value.")
    bus: Parts = Field(min_length=1, description="Buses or signals that are latched, low part first.")
    at: Event = Field(description="Event that closes the latch, such as 'ALE ends'.")
    where: Terms = Field(default=(), description="Terms that must hold at that moment.")


class Enable(Strict):
    """Which data bits a transfer really moves, for buses with byte strobes."""

    bits: Annotated[str, AfterValidator(_bit_range), WithJsonSchema(BIT_TEXT_SCHEMA)] = Field(
        description="Bits of the word, such as '8..15'."
    )
    when: Terms = Field(min_length=1, description="Terms, all of which must hold for these bits to move.")


class Transfer(Strict):
    """An event that completes a bus cycle. The first transfer whose terms all hold gives the kind."""

    kind: Kind = Field(description="What the cycle does.")
    at: Event = Field(description="Event at which the data is taken, such as 'RD ends' or 'PHI2 ends'.")
    where: Terms = Field(default=(), description="Terms that must hold when the data is taken.")
    address: Parts = Field(
        default=("A",),
        min_length=1,
        description="Latches, buses or signals that make up the address, low part first.",
    )
    data: Part = Field(default="D", description="Bus that carries the word.")


class Recipe(Strict):
    """How one processor's bus cycles are rebuilt from samples."""

    source: str = Field(default="", description="Data sheet and section that the recipe rests on.")
    active_low: Names = Field(
        default=(), description="Signals and buses of this recipe that are active low unless overridden."
    )
    latch: tuple[Latch, ...] = Field(
        default=(), description="Latches, in the order in which they may refer on."
    )
    transfer: tuple[Transfer, ...] = Field(min_length=1, description="Transfers, first match wins.")
    bank: Parts = Field(
        default=(), description="Signals, buses or latches that give the bank number, low part first."
    )
    enable: tuple[Enable, ...] = Field(
        default=(), description="Byte strobes; without any, every transfer moves the whole word."
    )
    optional: Names = Field(
        default=(),
        description="Signals that a probe may leave out: a transfer that needs a missing one is skipped "
        "(later transfers serve instead); missing bank signals and strobes of byte lanes are left out of "
        "account.",
    )
    address_shift: Annotated[int, WholeNumber(0, 3)] = Field(
        default=0,
        description="Zeros below the address on the pins: 1 for a bus whose lowest pin is A1 (68000).",
    )
    setup: Annotated[str, AfterValidator(_duration), WithJsonSchema(TIME_SCHEMA)] = Field(
        default="0 ns", description="The data must be stable this long before the event."
    )
    held: Literal["word", "address", "nothing"] = Field(
        default="word",
        description="What undriven data lines hold: the last word, or the address of a multiplexed bus.",
    )

    @property
    def setup_ps(self) -> int:
        """Data set-up time in picoseconds."""
        return parse_time(self.setup)
