"""What can be bought, what it replaces, and what their data sheets say: the data files of this room.

``data/memories.toml``, ``sockets.toml`` (shapes of original chips), ``logic.toml`` (latches, buffers, gates),
``families.toml`` (levels) and ``buses.toml`` (processors' bus timing) are validated here. Every figure comes
out as a value with a status and a source.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from fractions import Fraction
from functools import cache
from importlib.resources import files
from typing import Any, Literal, Self, TypeVar

from pydantic import Field, ValidationError, field_validator, model_validator

from wrongbit.errors import InputError, UsageError
from wrongbit.machine.recipe import Strict
from wrongbit.replace.figures import Status

Tie = Literal["VCC", "GND", "open"]
"""What a pin that the circuit does not use is connected to."""

_DATA_FILES = ("memories.toml", "sockets.toml", "logic.toml", "families.toml", "buses.toml")


class Time(Strict):
    """A worst-case time of a data sheet."""

    ns: float = Field(description="Nanoseconds.")
    status: Status
    source: str

    @property
    def ps(self) -> int:
        """Picoseconds."""
        return round(self.ns * 1000)


class Grade(Strict):
    """One speed grade of a memory. All times are maxima."""

    suffix: str = Field(description="How the grade is written after the type number.")
    access: Time = Field(description="Address valid to data valid.")
    enable: Time = Field(description="Chip enable to data valid; the access time where not stated.")
    output_enable: Time = Field(description="Output enable to data valid.")
    float_: Time = Field(alias="float", description="Output enable or chip enable off to outputs off.")

    @model_validator(mode="before")
    @classmethod
    def _enable_is_access(cls, value: dict[str, Any]) -> dict[str, Any]:
        return {"enable": value.get("access")} | value


def _split_pins(value: object) -> object:
    return tuple(value.split()) if isinstance(value, str) else value


class Memory(Strict):
    """A memory that a person can buy."""

    name: str
    kind: str
    words: int = Field(gt=0)
    bits: int = Field(gt=0)
    supply: Literal["current", "old stock"]
    family: str = Field(description="Row of the families for its levels.")
    tolerance_percent: float = Field(description="Supply tolerance.")
    pins: tuple[str, ...] = Field(description="Names, pin 1 first; '/' means active low.")
    pins_status: Status
    pins_source: str
    tie: dict[str, Tie] = Field(default={}, description="What special pins must see in read mode.")
    single_enable: bool = Field(default=False, description="It has one enable pin only.")
    note: str = ""
    grade: tuple[Grade, ...] = Field(min_length=1)

    _pins = field_validator("pins", mode="before")(_split_pins)

    @model_validator(mode="before")
    @classmethod
    def _complete_figures(cls, value: dict[str, Any]) -> dict[str, Any]:
        """Turn plain numbers of a grade into times with the column's status and source."""
        columns = {name: text.partition(": ") for name, text in value.get("figures", {}).items()}
        grades = [
            {
                key: {"ns": cell, "status": columns[key][0], "source": columns[key][2]}
                if isinstance(cell, int | float)
                else cell
                for key, cell in row.items()
            }
            for row in value.get("grade", [])
        ]
        return {key: item for key, item in value.items() if key != "figures"} | {"grade": grades}

    @model_validator(mode="after")
    def _pins_fit(self) -> Self:
        names = set(self.pins)
        address = {f"A{line}" for line in range(self.address_lines)}
        needed = address | {f"D{bit}" for bit in range(self.bits)} | {"VCC", "GND"}
        if missing := sorted(needed - names):
            raise ValueError(f"{self.name} lacks the pins {', '.join(missing)}")
        loose = [n for n in names - needed - set(self.tie) if n not in ("/CE", "/OE", "NC")]
        if loose or len(self.pins) % 2:
            raise ValueError(f"{self.name}: nothing says what to do with {', '.join(loose) or 'an odd pin'}")
        return self

    @property
    def address_lines(self) -> int:
        """Number of address pins."""
        return (self.words - 1).bit_length()

    def grade_named(self, suffix: str) -> Grade:
        """The grade with this suffix.

        Raises:
            UsageError: There is none.
        """
        wanted = suffix.split()[:1]
        found = next((grade for grade in self.grade if grade.suffix.split()[:1] == wanted), None)
        if found is None:
            names = ", ".join(grade.suffix for grade in self.grade)
            raise UsageError(f"the {self.name} has no grade {suffix!r}.", f"It has: {names}.")
        return found


class Socket(Strict):
    """The shape of an original chip: what each pin of its socket carries."""

    name: str
    words: int = Field(gt=0)
    bits: int = Field(gt=0)
    pins: tuple[str, ...] = Field(description="Names, pin 1 first; '+' joins the two names of a shared pin.")
    mask_options: tuple[str, ...] = Field(
        default=(), description="Selects whose active level was ordered with the mask."
    )
    status: Status
    source: str

    _pins = field_validator("pins", mode="before")(_split_pins)


class Volt(Strict):
    """A level: fixed, a share of the supply, or counted down from the supply."""

    volt: float | None = None
    share: float | None = None
    below_supply: float | None = None
    status: Status
    source: str

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if sum(form is not None for form in (self.volt, self.share, self.below_supply)) != 1:
            raise ValueError("a level is given by exactly one of volt, share and below_supply")
        return self

    def at(self, supply: float) -> float:
        """Volts at this supply voltage."""
        if self.volt is not None:
            return self.volt
        return self.share * supply if self.share is not None else supply - (self.below_supply or 0.0)


class Current(Strict):
    """A current in milliamperes, as a magnitude."""

    ma: float
    status: Status
    source: str


_LEVELS = ("vih", "vil", "voh", "vol", "bus_voh")
_CURRENTS = ("ioh", "iol", "iih", "iil", "bus_ioh", "bus_iol")


class Family(Strict):
    """Levels and currents of a logic family at 5 V."""

    name: str
    title: str
    vih: Volt
    vil: Volt
    voh: Volt
    vol: Volt
    ioh: Current
    iol: Current
    iih: Current
    iil: Current
    bus_voh: Volt | None = None
    bus_ioh: Current | None = None
    bus_iol: Current | None = None
    tolerance_percent: float
    hot_factor: float = Field(default=1.0, description="A 25 °C delay times this holds at 85 °C.")

    @model_validator(mode="before")
    @classmethod
    def _complete_figures(cls, value: dict[str, Any]) -> dict[str, Any]:
        known = {key: value[key] for key in ("status", "source") if key in value}
        whole = {key: item for key, item in value.items() if key not in known}
        for key in _CURRENTS:
            if isinstance(whole.get(key), int | float):
                whole[key] = {"ma": whole[key]}
        return {key: (known | item if key in (*_LEVELS, *_CURRENTS) else item) for key, item in whole.items()}


class Pinout(Strict):
    """Pins of a logic part, the same in every family."""

    number: str
    title: str
    pins: tuple[str, ...]
    status: Status
    source: str

    _pins = field_validator("pins", mode="before")(_split_pins)


class Logic(Strict):
    """Delays of one logic part in one family."""

    number: str
    family: str
    figures: dict[str, Time]
    celsius: float = Field(description="Highest temperature at which the figures hold.")

    @model_validator(mode="before")
    @classmethod
    def _complete_figures(cls, value: dict[str, Any]) -> dict[str, Any]:
        figures = {
            key: {"ns": cell, "status": "from memory", "source": value["source"]}
            if isinstance(cell, int | float)
            else cell
            for key, cell in value["figures"].items()
        }
        return {key: item for key, item in value.items() if key != "source"} | {"figures": figures}

    @property
    def title(self) -> str:
        """The type number as it is printed on the part, such as 74HCT573."""
        return f"74{self.family}{self.number}"


class BusTerm(Strict):
    """A term that a processor's sum takes off its clock periods."""

    name: str
    ns: float
    status: Status


class BusSum(Strict):
    """A time that a processor gives: clock periods less terms."""

    clocks: Fraction
    less: tuple[BusTerm, ...]
    wait: bool = False

    @field_validator("clocks", mode="before")
    @classmethod
    def _exact(cls, value: object) -> object:
        return Fraction(str(value)) if isinstance(value, int | float | str) else value


class Bus(Strict):
    """Bus timing of a processor in one clock grade."""

    processor: str
    clock: str
    source: str
    address_to_data: BusSum
    output_to_data: BusSum | None = None
    enable_to_data: BusSum | None = None
    open_to_data: BusSum | None = None
    address_before_close: BusSum | None = None
    hold_after_close: BusSum | None = None
    open_width: BusSum | None = None
    float_time: BusSum | None = None
    release_before_output: BusSum | None = None
    address_hold: BusSum | None = None
    data_hold: BusSum | None = None


class Catalogue(Strict):
    """All data files together."""

    memory: tuple[Memory, ...]
    socket: tuple[Socket, ...]
    pinout: tuple[Pinout, ...]
    latch: tuple[Logic, ...]
    buffer: tuple[Logic, ...]
    gate: tuple[Logic, ...]
    family: tuple[Family, ...]
    bus: tuple[Bus, ...]

    def memory_named(self, name: str) -> Memory:
        """The memory with this type number.

        Raises:
            UsageError: There is none; the nearest is suggested.
        """
        return _find(self.memory, name, "memory")

    def family_named(self, name: str) -> Family:
        """The family with this name.

        Raises:
            UsageError: There is none.
        """
        return _find(self.family, name, "logic family")

    def socket_named(self, name: str) -> Socket:
        """The original chip with this type number: a mask ROM, or a memory that is to be replaced.

        Raises:
            UsageError: There is none.
        """
        shapes = {row.name: row for row in map(_as_socket, self.memory)}
        return _find((*self.socket, *shapes.values()), name, "chip shape")

    def shapes(self) -> tuple[str, ...]:
        """Type numbers of the original chips whose pins are known."""
        return tuple(dict.fromkeys([*(row.name for row in self.socket), *(row.name for row in self.memory)]))

    def pins_of(self, number: str) -> tuple[str, ...]:
        """Pin names of a logic part, pin 1 first."""
        return next(row.pins for row in self.pinout if row.number == number)

    def logic(self, kind: Literal["latch", "buffer", "gate"], number: str, family: str) -> Logic:
        """The latch, buffer or gate with this number in this family.

        Raises:
            UsageError: The data files have no such part.
        """
        rows: tuple[Logic, ...] = getattr(self, kind)
        found = next((row for row in rows if row.number == number and row.family == family), None)
        if found is None:
            known = ", ".join(row.title for row in rows)
            raise UsageError(f"there are no figures for a 74{family}{number} {kind}.", f"Known: {known}.")
        return found


Named = TypeVar("Named", Memory, Socket, Family)


def _as_socket(memory: Memory) -> Socket:
    return Socket(
        name=memory.name,
        words=memory.words,
        bits=memory.bits,
        pins=memory.pins,
        status=memory.pins_status,
        source=memory.pins_source,
    )


def _find(rows: Iterable[Named], name: str, what: str) -> Named:
    by_name = {row.name.casefold(): row for row in rows}
    if name.casefold() in by_name:
        return by_name[name.casefold()]
    near = get_close_matches(name.casefold(), by_name, 1)
    hint = f"Did you mean {by_name[near[0]].name!r}? " if near else ""
    known = ", ".join(row.name for row in by_name.values())
    raise UsageError(f"there is no {what} {name!r} in the data files.", f"{hint}Known: {known}.")


def build_catalogue(tables: Mapping[str, Any]) -> Catalogue:
    """Validate the tables of the data files.

    Raises:
        InputError: A row is incomplete or says something impossible; a named family has no row.
    """
    try:
        catalogue = Catalogue.model_validate(tables)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputError(f"{first['msg']}.", "Correct the row of the data file.", key=key) from None
    names = {family.name for family in catalogue.family}
    rows = (*catalogue.latch, *catalogue.buffer, *catalogue.gate)
    for family in [*(row.family for row in catalogue.memory), *(row.family for row in rows)]:
        if family not in names:
            raise InputError(f"the family {family!r} has no row.", "Add it to families.toml.")
    return catalogue


def read_data_files() -> dict[str, Any]:
    """The tables of the data files that come with wrongbit, not yet validated."""
    folder = files("wrongbit.replace") / "data"
    tables: dict[str, Any] = {}
    for name in _DATA_FILES:
        tables |= tomllib.loads((folder / name).read_text("utf-8"))
    return tables


@cache
def load_catalogue() -> Catalogue:
    """The data files that come with wrongbit, read once.

    >>> load_catalogue().memory_named("27c512").words
    65536
    """
    return build_catalogue(read_data_files())
