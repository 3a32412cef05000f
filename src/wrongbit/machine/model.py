"""The shape of a machine file.

Reading order: `Machine` at the end holds everything. Field descriptions here are the text of the
published JSON Schema and of ``docs/machine-file.md``. Checks that need more than one entry (does this
chip's processor exist? do two ROMs drive the same bits?) live in `wrongbit.machine.checks`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from wrongbit.machine.fields import (
    BIT_TEXT_SCHEMA,
    BITS_SCHEMA,
    FREQUENCY_SCHEMA,
    HIGHEST_ADDRESS,
    INTEGER_TEXT_SCHEMA,
    TIME_SCHEMA,
    Bits,
    Flag,
    Frequency,
    Name,
    Picoseconds,
    WholeNumber,
)
from wrongbit.machine.limits import limits_schema
from wrongbit.machine.recipe import (
    EVENT_SCHEMA,
    KINDS,
    NAMES_SCHEMA,
    PART_SCHEMA,
    PARTS_SCHEMA,
    TERMS_SCHEMA,
    Kind,
    Names,
    Recipe,
    Strict,
)
from wrongbit.machine.start_up import Clock, Rail, StartInput

Level = Literal["high", "low"]

LARGEST_CHIP = 2**24
"""Words in the largest chip: the whole address space of a 68000."""


def _recipe_form(value: object) -> str | None:
    """Which of a recipe's two forms a value has; None for neither."""
    if isinstance(value, str):
        return "name"
    return "table" if isinstance(value, dict | Recipe) else None


RecipeChoice = Annotated[
    Annotated[str, Field(min_length=1), Tag("name")] | Annotated[Recipe, Tag("table")],
    Discriminator(
        _recipe_form,
        custom_error_type="recipe_form",
        custom_error_message="The name of a built-in recipe or a table is expected.",
    ),
]
"""Name of a built-in recipe, or a table with one's own."""

Address = Annotated[int, WholeNumber(0, HIGHEST_ADDRESS)]
BankNumber = Annotated[int, WholeNumber(0, 2**31 - 1)]
Width = Annotated[int, WholeNumber(1, 64)]
Radix = Literal[8, 10, 16]
Amount = Annotated[float, Field(strict=True, ge=0, le=100_000, allow_inf_nan=False)]
Share = Annotated[float, Field(strict=True, ge=0, le=1, allow_inf_nan=False)]

PartKind = Literal[
    "socket",
    "joint",
    "connector",
    "backplane",
    "wire",
    "buffer",
    "transceiver",
    "latch",
    "decoder",
    "gate",
    "module",
]
"""What a signal may pass between chip and processor."""

PASSIVE: tuple[PartKind, ...] = ("socket", "joint", "connector", "backplane", "wire")
"""Kinds that only conduct: a short in one holds the line on both of its sides."""

Carried = Literal["data", "address", "select", "enable", "bank"]
"""What a path carries. ``select``: address bits on their way to a decoder. ``enable``: the line that makes a
chip, or a buffer, answer. ``bank``: the lines that choose a bank."""


class About(Strict):
    """The ``[machine]`` table."""

    name: Name = Field(description="What the machine is called.")
    notes: str = Field(default="", description="Anything a person should know.")
    cautions: tuple[str, ...] = Field(
        default=(),
        description="Dangers of this machine (mains, charged capacitors, picture tube), shown first.",
    )
    invented: Flag = Field(default=False, description="The machine does not exist; for examples.")


class Processor(Strict):
    """One ``[[processor]]``: a part that masters a bus."""

    name: Name = Field(description="Reference designator, such as 'U1'.")
    family: str = Field(default="", description="Processor family, for people.")
    word_bits: Width = Field(description="Width of the data bus in bits.")
    address_bits: Annotated[int, WholeNumber(1, 32)] = Field(description="Width of an address in bits.")
    address_unit: Literal["word", "byte"] = Field(
        default="word", description="What one step of the address means: a bus word or a byte."
    )
    byte_order: Literal["little", "big"] = Field(
        default="little", description="Which byte of a word has the lower address, where that matters."
    )
    recipe: RecipeChoice = Field(description="Name of a built-in recipe, or a recipe of this machine's own.")
    signals: dict[str, str] = Field(
        default={}, description="Recipe's name of a signal or bus = this machine's name of it."
    )
    active: dict[str, Level] = Field(
        default={}, description="Active level of a signal or bus, where it differs from the recipe's."
    )
    start_address: Address | None = Field(default=None, description="Address of the first fetch after reset.")
    clock: Frequency | None = Field(default=None, description="Clock frequency, such as '1 MHz'.")
    instructions: str = Field(
        default="",
        description="Instruction set: the name of a built-in one, or 'table:FILE' for a table of one's own; "
        "left out: the one of the recipe's processor family.",
    )

    @property
    def addresses_a_word(self) -> int:
        """Addresses from one word of the bus to the next: several where they count bytes of a wider bus."""
        return max(self.word_bits // 8, 1) if self.address_unit == "byte" else 1


class Region(Strict):
    """Addresses at which a chip answers."""

    bank: BankNumber | None = Field(default=None, description="Bank number; left out: in every bank.")
    base: Address = Field(description="First address, as the processor counts.")
    size: Annotated[int, WholeNumber(1, HIGHEST_ADDRESS + 1)] = Field(description="Number of addresses.")


class ImageFile(Strict):
    """Where the contents that a chip should hold are kept."""

    file: str = Field(min_length=1, description="File, relative to the machine file.")
    format: Literal["auto", "binary", "intel-hex", "s-record", "listing"] = Field(
        default="auto", description="File format; 'auto' decides by the file's first bytes and says so."
    )
    base: Address = Field(default=0, description="Address in the file that is the chip's address 0.")
    take: Literal["all", "even", "odd", "low", "high"] = Field(
        default="all",
        description="Which part of each file word the chip holds: every byte, every other byte, "
        "or the low or high half of each word.",
    )
    inverted: Flag = Field(default=False, description="The file holds the complement of the chip's contents.")
    address_radix: Radix = Field(default=16, description="Listing: number base of addresses.")
    word_radix: Radix = Field(default=16, description="Listing: number base of words.")
    word_bits: Width | None = Field(default=None, description="Listing: bits in a listed word.")


class Chip(Strict):
    """One ``[[chip]]``: memory or a port on the bus."""

    name: Name = Field(description="Reference designator, such as 'U7'.")
    kind: Literal["rom", "ram", "io"] = Field(
        description="ROM is compared with its image, RAM with what was written."
    )
    type: str = Field(default="", description="Type number, for people.")
    technology: Literal["mask", "fuse", "eprom", "eeprom", "flash"] | None = Field(
        default=None,
        description="How a ROM holds its contents; cells of a stored charge (eprom, eeprom, flash) can lose "
        "it.",
    )
    processor: str | None = Field(default=None, description="Processor that sees it; needed with several.")
    also: Names = Field(
        default=(), description="Further processors that see it, at the same addresses and bits."
    )
    words: Annotated[int, WholeNumber(1, LARGEST_CHIP)] = Field(description="Number of words in the chip.")
    bits: Width = Field(description="Number of outputs.")
    region: tuple[Region, ...] = Field(min_length=1, description="Addresses at which it answers.")
    lane: Bits = Field(description="Word bit that each output feeds, output 0 first, such as '0..7'.")
    address_lines: Bits | None = Field(
        default=None,
        description="Processor address bit on each address line of the chip, line 0 first; "
        "left out: the lowest ones in order (on a byte-addressed 16-bit bus from bit 1, on a 32-bit one "
        "from bit 2).",
    )
    inverted: Flag = Field(
        default=False, description="An inverting buffer stands between outputs and processor."
    )
    latches_address: Flag = Field(default=False, description="The chip latches its address on its enable.")
    access_time: Picoseconds | None = Field(default=None, description="Access time, such as '450 ns'.")
    rows: Bits = Field(default=(), description="Address lines that choose the row of the chip's array.")
    columns: Bits = Field(default=(), description="Address lines that choose the column of the chip's array.")
    pins: dict[str, Annotated[int, WholeNumber(1, 1000)]] = Field(
        default={}, description="Pin numbers, such as D0 = 9, A0 = 8, '/CE' = 18."
    )
    read_strobes: Names = Field(
        default=(),
        description="Pins that only switch the outputs on, such as '/GET'; left out: the read strobe of "
        "the bus recipe. OE, RD and the like are taken for such in any case.",
    )
    image: ImageFile | None = Field(default=None, description="The contents it should hold.")
    prior: Amount | None = Field(
        default=None, description="Failures in a million hours, for weighing; left out: by kind and pins."
    )

    @property
    def line_count(self) -> int:
        """Address lines that its words need."""
        return (self.words - 1).bit_length()


class Listing(Strict):
    """One ``[[listing]]``: words as the processor sees them, covering several chips or parts of them."""

    file: str = Field(min_length=1, description="File, relative to the machine file.")
    format: Literal["auto", "binary", "intel-hex", "s-record", "listing"] = Field(
        default="listing", description="File format."
    )
    processor: str | None = Field(default=None, description="Processor whose addresses it uses.")
    bank: BankNumber | None = Field(default=None, description="Bank that it belongs to.")
    offset: Annotated[int, WholeNumber(-HIGHEST_ADDRESS, HIGHEST_ADDRESS)] = Field(
        default=0, description="Added to each address of the file."
    )
    address_radix: Radix = Field(default=16, description="Number base of addresses.")
    word_radix: Radix = Field(default=16, description="Number base of words.")


class Part(Strict):
    """One ``[[part]]``: something that signals pass between a chip and a processor."""

    name: Name = Field(description="Reference designator, such as 'U9' or 'X4'.")
    kind: PartKind = Field(description="What it is.")
    type: str = Field(default="", description="Type number, for people.")
    pins: Annotated[int, WholeNumber(1, 1000)] | None = Field(
        default=None, description="Number of pins or contacts; left out: as many as lines pass it."
    )
    direction: Literal["to processor", "to chip", "both"] | None = Field(
        default=None, description="Buffer or transceiver: which way it drives."
    )
    enable: str = Field(
        default="", description="Buffer or transceiver: the signal that lets it drive, for people."
    )
    socketed: Flag = Field(default=False, description="It can be pulled out and swapped without soldering.")
    prior: Amount | None = Field(
        default=None, description="Failures in a million hours, for weighing; left out: by kind and pins."
    )
    minutes: Amount | None = Field(
        default=None, description="Minutes that swapping it takes; left out: by kind."
    )
    risk: Share | None = Field(
        default=None, description="Probability that swapping it spoils something; left out: by kind."
    )


class Path(Strict):
    """One ``[[path]]``: the way that signals take from their source to their destination."""

    name: Name = Field(description="Name by which probe points refer to it.")
    carries: Carried = Field(
        description="'data': from chips to processors; 'address': from processors to chips; 'select': "
        "address bits on their way to a decoder; 'enable': the line that makes a chip or a buffer answer; "
        "'bank': the lines that choose a bank."
    )
    signals: Bits = Field(
        default=(),
        description="Word bits (data), processor address bits (address, select) or bank bits; left out: all "
        "that the chips have.",
    )
    chips: Names = Field(min_length=1, description="Chips at its end; an enable may also name a buffer.")
    processors: Names = Field(
        default=(), description="Processors at its other end; left out: all that see the chips."
    )
    through: Names = Field(
        default=(),
        description="Parts in the order in which the signal passes them: data from chip to processor, "
        "everything else from processor to chip.",
    )
    inverting: Flag = Field(default=False, description="The signal arrives inverted.")


class Point(Strict):
    """One ``[[point]]``: where a probe is clipped and what its captures are."""

    name: Name = Field(description="Name by which the command line calls it.")
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
        default={},
        description="Column in the capture = what it carries: a signal ('/RD'), a bus ('A'), a part of one "
        "('A[7:0]'), a bit ('D3'), or 'time [ns]' or 'sample'.",
    )
    ignore: Names = Field(default=(), description="Columns that carry nothing of interest.")
    tied: dict[str, Annotated[int, WholeNumber(0, 1)]] = Field(
        default={},
        description="Line that no probe is clipped to and that does not move = its level on the wire, such "
        "as { A14 = 0 }; it then counts as seen.",
    )
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
    on: dict[str, str] = Field(
        default={},
        description="Path = the part behind which the probe touches it, or '' for its beginning; left out: "
        "at the processor's own pins.",
    )
    chip: str | None = Field(
        default=None,
        description="Clipped on this chip's own outputs: the columns 'D0', 'D1', … are its outputs 0, 1, …, "
        "and there is no address.",
    )
    address_trusted: Flag = Field(
        default=True,
        description="The address columns can be relied on; if not, addresses are recovered from the words.",
    )
    minutes: Amount | None = Field(default=None, description="Minutes that a capture here takes.")
    risk: Share | None = Field(
        default=None, description="Probability that clipping on here spoils something."
    )


class Machine(Strict):
    """A whole machine file."""

    machine: About
    processor: tuple[Processor, ...] = Field(min_length=1)
    chip: tuple[Chip, ...] = ()
    listing: tuple[Listing, ...] = ()
    part: tuple[Part, ...] = ()
    path: tuple[Path, ...] = ()
    point: tuple[Point, ...] = ()
    rail: tuple[Rail, ...] = ()
    clock: tuple[Clock, ...] = ()
    input: tuple[StartInput, ...] = ()

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
        return tuple(
            chip
            for chip in self.chip
            if self.processor_of(chip.processor) is processor or processor.name in chip.also
        )

    def processors_of(self, path: Path) -> tuple[str, ...]:
        """Names of the processors at a path's end: those it names, or all that see one of its chips."""
        if path.processors:
            return path.processors
        return tuple(
            processor.name
            for processor in self.processor
            if path.carries == "enable" or any(chip.name in path.chips for chip in self.chips_of(processor))
        )

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


def default_address_lines(chip: Chip, processor: Processor) -> tuple[int, ...]:
    """Processor address bit on each of the chip's address lines, line 0 first.

    The machine file's ``address_lines`` where it gives them. Otherwise the lowest bits in order, as many as
    the chip's words need. Where an address counts bytes but the bus is wider, the lowest bits choose a byte
    within the word and reach no chip: a 16-bit bus starts at bit 1, a 32-bit one at bit 2 (on the 8086 A0,
    and on the 68000 UDS and LDS, choose the byte; Intel 231455 and M68000 User's Manual, sec. 5.1).

    >>> processor = Processor(
    ...     name="U1", word_bits=16, address_bits=24, address_unit="byte", recipe="68000"
    ... )
    >>> region = Region(base=0, size=16)
    >>> default_address_lines(
    ...     Chip(name="U2", kind="rom", words=8, bits=8, lane=range(8, 16), region=[region]), processor
    ... )
    (1, 2, 3)
    """
    if chip.address_lines is not None:
        return chip.address_lines
    first = processor.addresses_a_word.bit_length() - 1
    return tuple(range(first, first + chip.line_count))


def json_schema() -> dict[str, Any]:
    """The published JSON Schema of a machine file (2020-12).

    It accepts what the file accepts, notations such as ``"0..7"`` and ``"450 ns"`` included. What needs
    more than one entry to judge (does this chip's processor exist?) a schema cannot say.
    """
    schema: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **_shared(_plain(Machine.model_json_schema())),
    }
    schema["title"] = "wrongbit machine file"
    schema["$defs"] = {**_NOTATIONS, **schema["$defs"]}
    return schema


_NOTATIONS: dict[str, dict[str, Any]] = {
    "WholeNumberText": INTEGER_TEXT_SCHEMA,
    "Bits": BITS_SCHEMA,
    "BitText": BIT_TEXT_SCHEMA,
    "Time": TIME_SCHEMA,
    "Frequency": FREQUENCY_SCHEMA,
    "Event": EVENT_SCHEMA,
    "Terms": TERMS_SCHEMA,
    "RecipePart": PART_SCHEMA,
    "RecipeParts": PARTS_SCHEMA,
    "Names": NAMES_SCHEMA,
    "VoltageLimits": limits_schema("voltage"),
    "FrequencyLimits": limits_schema("frequency"),
    "TimeLimits": limits_schema("time"),
    "ShareLimits": limits_schema("share"),
}
"""Forms that many keys share; the schema writes each down once."""


def _plain(node: Any) -> Any:
    """A schema without what TOML cannot say (null) and without titles that only repeat a key."""
    if isinstance(node, list):
        return [_plain(each) for each in node if each != {"type": "null"}]
    if not isinstance(node, dict):
        return node
    plain: dict[str, Any] = {}
    for key, value in node.items():
        if key in ("properties", "$defs"):
            plain[key] = {name: _plain(each) for name, each in value.items()}
        elif key != "title" and (key, value) != ("default", None):
            plain[key] = _plain(value)
    if len(plain.get("anyOf", ())) == 1:
        return {**plain.pop("anyOf")[0], **plain}
    return plain


def _shared(node: Any) -> Any:
    """A schema in which a form that many keys share is referred to."""
    if isinstance(node, list):
        return [_shared(each) for each in node]
    if not isinstance(node, dict):
        return node
    for name, form in _NOTATIONS.items():
        if node.items() >= form.items():
            rest = {key: value for key, value in node.items() if key not in form}
            return {"$ref": f"#/$defs/{name}", **rest}
    return {key: _shared(value) for key, value in node.items()}


__all__ = [
    "KINDS",
    "About",
    "Bits",
    "Chip",
    "Clock",
    "ImageFile",
    "Level",
    "Listing",
    "Machine",
    "Part",
    "Path",
    "Picoseconds",
    "Point",
    "Processor",
    "Rail",
    "Region",
    "StartInput",
    "default_address_lines",
    "json_schema",
]
