"""The shape of a machine file.

Reading order: `Machine` at the end holds everything. Field descriptions here are the text of the
published JSON Schema and of ``docs/machine-file.md``. Checks that need more than one entry (does this
chip's processor exist? do two ROMs drive the same bits?) live in `wrongbit.machine.load`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator

from wrongbit.machine.recipe import KINDS, Kind, Recipe, Strict, _as_list
from wrongbit.units import format_bits, parse_bits, parse_frequency, parse_time

Level = Literal["high", "low"]


def _bits(value: object) -> object:
    """Accept ``"0..7"`` as well as a list of integers."""
    return parse_bits(value) if isinstance(value, str) else value


def _time(value: object) -> object:
    return parse_time(value) if isinstance(value, str) else value


Bits = Annotated[tuple[int, ...], BeforeValidator(_bits)]
"""Bit or line numbers, lowest first; in the file ``"0..7"``, ``"7..0"`` or a list."""

Picoseconds = Annotated[int, BeforeValidator(_time)]
"""A time; in the file ``"450 ns"``."""


class About(Strict):
    """The ``[machine]`` table."""

    name: str = Field(min_length=1, description="What the machine is called.")
    notes: str = Field(default="", description="Anything a person should know.")
    cautions: tuple[str, ...] = Field(
        default=(),
        description="Dangers of this machine (mains, charged capacitors, picture tube), shown first.",
    )
    invented: bool = Field(default=False, description="The machine does not exist; for examples.")


class Processor(Strict):
    """One ``[[processor]]``: a part that masters a bus."""

    name: str = Field(min_length=1, description="Reference designator, such as 'U1'.")
    family: str = Field(default="", description="Processor family, for people.")
    word_bits: int = Field(ge=1, le=64, description="Width of the data bus in bits.")
    address_bits: int = Field(ge=1, le=32, description="Width of an address in bits.")
    address_unit: Literal["word", "byte"] = Field(
        default="word", description="What one step of the address means: a bus word or a byte."
    )
    byte_order: Literal["little", "big"] = Field(
        default="little", description="Which byte of a word has the lower address, where that matters."
    )
    recipe: str | Recipe = Field(description="Name of a built-in recipe, or a recipe of this machine's own.")
    signals: dict[str, str] = Field(
        default={}, description="Recipe's name of a signal or bus = this machine's name of it."
    )
    active: dict[str, Level] = Field(
        default={}, description="Active level of a signal or bus, where it differs from the recipe's."
    )
    start_address: int | None = Field(
        default=None, ge=0, description="Address of the first fetch after reset."
    )
    clock: str | None = Field(default=None, description="Clock frequency, such as '1 MHz'.")

    @field_validator("clock")
    @classmethod
    def _frequency(cls, value: str | None) -> str | None:
        if value is not None:
            parse_frequency(value)
        return value


class Region(Strict):
    """Addresses at which a chip answers."""

    bank: int | None = Field(default=None, ge=0, description="Bank number; left out: in every bank.")
    base: int = Field(ge=0, description="First address, as the processor counts.")
    size: int = Field(gt=0, description="Number of addresses.")


class ImageFile(Strict):
    """Where the contents that a chip should hold are kept."""

    file: str = Field(min_length=1, description="File, relative to the machine file.")
    format: Literal["auto", "binary", "intel-hex", "s-record", "listing"] = Field(
        default="auto", description="File format; 'auto' decides by the file's first bytes and says so."
    )
    base: int = Field(default=0, ge=0, description="Address in the file that is the chip's address 0.")
    take: Literal["all", "even", "odd", "low", "high"] = Field(
        default="all",
        description="Which part of each file word the chip holds: every byte, every other byte, "
        "or the low or high half of each word.",
    )
    inverted: bool = Field(default=False, description="The file holds the complement of the chip's contents.")
    address_radix: Literal[8, 10, 16] = Field(default=16, description="Listing: number base of addresses.")
    word_radix: Literal[8, 10, 16] = Field(default=16, description="Listing: number base of words.")
    word_bits: int | None = Field(default=None, ge=1, le=64, description="Listing: bits in a listed word.")


class Chip(Strict):
    """One ``[[chip]]``: memory or a port on the bus."""

    name: str = Field(min_length=1, description="Reference designator, such as 'U7'.")
    kind: Literal["rom", "ram", "io"] = Field(
        description="ROM is compared with its image, RAM with what was written."
    )
    type: str = Field(default="", description="Type number, for people.")
    processor: str | None = Field(default=None, description="Processor that sees it; needed with several.")
    words: int = Field(gt=0, description="Number of words in the chip.")
    bits: int = Field(ge=1, le=64, description="Number of outputs.")
    region: tuple[Region, ...] = Field(min_length=1, description="Addresses at which it answers.")
    lane: Bits = Field(description="Word bit that each output feeds, output 0 first, such as '0..7'.")
    address_lines: Bits | None = Field(
        default=None,
        description="Processor address bit on each address line of the chip, line 0 first; "
        "left out: the lowest ones in order.",
    )
    inverted: bool = Field(
        default=False, description="An inverting buffer stands between outputs and processor."
    )
    latches_address: bool = Field(default=False, description="The chip latches its address on its enable.")
    access_time: Picoseconds | None = Field(default=None, description="Access time, such as '450 ns'.")
    rows: Bits = Field(default=(), description="Address lines that choose the row of the chip's array.")
    columns: Bits = Field(default=(), description="Address lines that choose the column of the chip's array.")
    pins: dict[str, int] = Field(default={}, description="Pin numbers, such as D0 = 9, A0 = 8, '/CE' = 18.")
    image: ImageFile | None = Field(default=None, description="The contents it should hold.")


class Listing(Strict):
    """One ``[[listing]]``: words as the processor sees them, covering several chips or parts of them."""

    file: str = Field(min_length=1, description="File, relative to the machine file.")
    format: Literal["auto", "binary", "intel-hex", "s-record", "listing"] = Field(
        default="listing", description="File format."
    )
    processor: str | None = Field(default=None, description="Processor whose addresses it uses.")
    bank: int | None = Field(default=None, ge=0, description="Bank that it belongs to.")
    offset: int = Field(default=0, description="Added to each address of the file.")
    address_radix: Literal[8, 10, 16] = Field(default=16, description="Number base of addresses.")
    word_radix: Literal[8, 10, 16] = Field(default=16, description="Number base of words.")


class Point(Strict):
    """One ``[[point]]``: where a probe is clipped and what its captures are."""

    name: str = Field(min_length=1, description="Name by which the command line calls it.")
    processor: str | None = Field(
        default=None, description="Processor whose bus is seen; needed with several."
    )
    mode: Literal["timing", "state", "cycles"] = Field(
        description="'timing': many samples a clock; 'state': one sample a clock edge; "
        "'cycles': every row is one whole bus cycle."
    )
    clock: str | None = Field(
        default=None, description="State mode: the event that takes each sample, such as 'PHI2 ends'."
    )
    columns: dict[str, str] = Field(
        default={}, description="Column in the capture = signal, bus or bus bit ('D3') that it carries."
    )
    ignore: tuple[str, ...] = Field(default=(), description="Columns that carry nothing of interest.")
    kinds: dict[str, Kind] = Field(
        default={}, description="Cycles mode: text in the status column = kind of cycle."
    )
    skew: Picoseconds | None = Field(
        default=None,
        description="Channels may differ by this much; left out: one sample in timing mode, none for VCD.",
    )
    period: Picoseconds | None = Field(
        default=None, description="Time between samples, where the capture has no time column."
    )
    radix: Literal[2, 8, 10, 16] = Field(default=16, description="Number base of bus columns.")
    address_radix: Literal[2, 8, 10, 16] | None = Field(
        default=None, description="Number base of the address column, where it differs."
    )

    _list = field_validator("ignore", mode="before")(_as_list)


class Machine(Strict):
    """A whole machine file."""

    machine: About
    processor: tuple[Processor, ...] = Field(min_length=1)
    chip: tuple[Chip, ...] = ()
    listing: tuple[Listing, ...] = ()
    point: tuple[Point, ...] = ()

    def processor_of(self, named: str | None) -> Processor:
        """The processor with this name, or the only one when no name is given.

        Raises:
            KeyError: No processor has the name, or none was named and there are several.
        """
        if named is None and len(self.processor) == 1:
            return self.processor[0]
        for processor in self.processor:
            if processor.name == named:
                return processor
        raise KeyError(named)

    def chips_of(self, processor: Processor) -> tuple[Chip, ...]:
        """Chips on this processor's bus, in file order."""
        return tuple(chip for chip in self.chip if self.processor_of(chip.processor) is processor)

    def point_of(self, named: str | None) -> Point:
        """The probe point with this name, or the only one when no name is given.

        Raises:
            KeyError: No point has the name, or none was named and there are several.
        """
        if named is None and len(self.point) == 1:
            return self.point[0]
        for point in self.point:
            if point.name == named:
                return point
        raise KeyError(named)


def describe_bits(bits: tuple[int, ...]) -> str:
    """Bits as a person writes them: the notation of the machine file."""
    return format_bits(bits)


def json_schema() -> dict[str, Any]:
    """The published JSON Schema of a machine file (2020-12)."""
    schema = Machine.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "wrongbit machine file"
    return schema


__all__ = [
    "KINDS",
    "About",
    "Bits",
    "Chip",
    "ImageFile",
    "Level",
    "Listing",
    "Machine",
    "Picoseconds",
    "Point",
    "Processor",
    "Region",
    "describe_bits",
    "json_schema",
]
