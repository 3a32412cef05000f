"""Requirements from a file of their own, and from a chip of a machine file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from wrongbit.errors import InputError, UsageError
from wrongbit.machine.fields import FROM_FILE, Bits, Frequency, Picoseconds
from wrongbit.machine.lookup import chip_named
from wrongbit.machine.model import Chip, Machine
from wrongbit.machine.names import parse_signal
from wrongbit.machine.recipe import Strict
from wrongbit.replace.buses import BusTimes, given_times, old_chip_times, processor_times
from wrongbit.replace.catalogue import Catalogue, Socket
from wrongbit.replace.measure import watch_of
from wrongbit.replace.requirement import LatchNeed, Requirement, missing_pins, pin_use, selects_of


class ChipTable(Strict):
    """The ``[chip]`` table of a requirement file."""

    designator: str = Field(min_length=1, description="Reference designator, such as 'U7'.")
    machine: str = Field(default="", description="Name of the machine, for labels.")
    shape: str | None = Field(
        default=None, description="Type number of the old chip, where the data files have its pins."
    )
    words: int | None = Field(default=None, description="Words; left out: those of the shape.")
    bits: int | None = Field(default=None, description="Outputs; left out: those of the shape.")
    pins: str | None = Field(
        default=None,
        description="Pin names from pin 1, separated by spaces; '+' joins the names of a shared pin.",
    )
    selects: dict[str, Literal["high", "low", "unused"]] = Field(
        default={}, description="Active level of each select that its name does not tell."
    )
    outputs: tuple[str, ...] = Field(default=(), description="Selects that are read strobes.")
    images: int = Field(default=1, description="Contents to choose from by jumpers.")
    access_time: Picoseconds | None = Field(default=None, description="The old chip's access time.")
    enable_time: Picoseconds | None = Field(default=None, description="The old chip's time from its enables.")


class LatchTable(Strict):
    """The ``[latch]`` table: the old chip latches its address."""

    signal: str = Field(min_length=1, description="Socket pin whose edge latches the address.")
    closes: Literal["falling", "rising"] = Field(description="Edge at which the address is kept.")
    lines: Bits | None = Field(default=None, description="Latched address lines; left out: all.")


class BusTable(Strict):
    """The ``[bus]`` table: a processor's data sheet, own times, or both (own times win)."""

    processor: str | None = Field(default=None, description="Processor, such as '8086'.")
    clock: Frequency | None = Field(default=None, description="Its clock.")
    grade: Frequency | None = Field(default=None, description="Its clock grade.")
    waits: int = Field(default=0, ge=0, le=100, description="Wait states.")
    times: dict[str, Picoseconds] = Field(default={}, description="Own times by name.")


class LevelTable(Strict):
    """The ``[levels]`` table."""

    driver: str = Field(default="NMOS", description="Family that drives addresses and selects.")
    load: str = Field(default="LS", description="Family that the outputs drive.")
    loads: int = Field(default=1, description="Inputs on each data line.")
    address_loads: int = Field(default=0, description="Inputs that already hang on each address line.")
    supply_volts: float = Field(default=5.0, description="Nominal supply.")
    supply_percent: float = Field(default=5.0, description="Its tolerance in percent.")
    celsius: float = Field(default=70.0, description="Highest temperature around the chip.")


class RequirementFile(Strict):
    """A requirement file."""

    chip: ChipTable
    latch: LatchTable | None = None
    bus: BusTable = BusTable()
    levels: LevelTable = LevelTable()


def load_requirement(path: Path, catalogue: Catalogue) -> Requirement:
    """Read a requirement file.

    Raises:
        InputError: The file cannot be read, is not TOML, or says something impossible.
    """
    file = str(path)
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise InputError("there is no such file.", "Check the name and the folder.", file=file) from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"the file is not TOML: {error}.", "Correct this place.", file=file) from None
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputError(f"the file cannot be read: {reason}.", "Check the file.", file=file) from None
    try:
        parsed = RequirementFile.model_validate(data, context=FROM_FILE)
    except ValidationError as error:
        raise _file_error(error, file) from None
    try:
        return requirement_from(parsed, catalogue)
    except UsageError as error:
        raise InputError(error.message, error.remedy, file=file, notes=error.notes) from None


_TABLES: dict[str, type[Strict]] = {
    "chip": ChipTable, "latch": LatchTable, "bus": BusTable, "levels": LevelTable,
}  # fmt: skip


def _file_error(error: ValidationError, file: str) -> InputError:
    first = error.errors(include_url=False)[0]
    location = first["loc"]
    key = ".".join(str(part) for part in location)
    if first["type"] == "extra_forbidden":
        table = _TABLES.get(str(location[0]), RequirementFile) if len(location) > 1 else RequirementFile
        near = get_close_matches(str(location[-1]), table.model_fields, 1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        remedy = f"{hint}It may have: {', '.join(table.model_fields)}."
        return InputError(f"there is no key {location[-1]!r} here.", remedy, file=file, key=key)
    if first["type"] == "missing":
        return InputError("the key is missing.", "Add it (see docs/replacement.md).", file=file, key=key)
    message = first["msg"].removeprefix("Value error, ").rstrip(".")
    cause = first.get("ctx", {}).get("error")
    inner = getattr(cause, "__cause__", None)
    remedy = inner.remedy if isinstance(inner, InputError) else "Correct the value."
    return InputError(f"{first['input']!r} is given: {message}.", remedy, file=file, key=key)


def requirement_from(parsed: RequirementFile, catalogue: Catalogue) -> Requirement:
    """A requirement from the tables of a file.

    Raises:
        UsageError: The tables do not fit together, or name something that the data files do not have.
    """
    chip = parsed.chip
    socket = _socket(chip, catalogue)
    latch = _latch(parsed.latch)
    selects = selects_of(
        socket, chip.selects, latch=None if latch is None else latch.signal, outputs=chip.outputs
    )
    return Requirement(
        designator=chip.designator,
        words=chip.words or socket.words,
        bits=chip.bits or socket.bits,
        socket=socket,
        selects=selects,
        latch=latch,
        times=_times(parsed, catalogue),
        images=chip.images,
        machine=chip.machine,
        **parsed.levels.model_dump(),
    )


def _socket(chip: ChipTable, catalogue: Catalogue) -> Socket:
    if (chip.shape is None) == (chip.pins is None):
        raise UsageError(
            "either the shape of the old chip or its pins are to be given, and not both.",
            'Write shape = "2332", or words, bits and pins = "A7 A6 …" from pin 1.',
        )
    if chip.shape is not None:
        return catalogue.socket_named(chip.shape)
    pins = tuple((chip.pins or "").split())
    if chip.words is None or chip.bits is None or len(pins) % 2 or not pins:
        raise UsageError(
            f"own pins need words, bits and an even number of pins; {len(pins)} pins are given.",
            "Complete the chip.",
        )
    return Socket(
        name="the old chip",
        words=chip.words,
        bits=chip.bits,
        pins=pins,
        status="given",
        source="requirement file",
    )


def _latch(table: LatchTable | None) -> LatchNeed | None:
    if table is None:
        return None
    return LatchNeed(parse_signal(table.signal).base, table.closes, table.lines)


def _times(parsed: RequirementFile, catalogue: Catalogue) -> BusTimes:
    bus, chip = parsed.bus, parsed.chip
    times = given_times(bus.times, "requirement file")
    if bus.processor is not None:
        if bus.clock is None:
            raise UsageError("a processor is named without its clock.", 'Add clock = "… MHz" to [bus].')
        sheet = processor_times(catalogue, bus.processor, bus.clock, waits=bus.waits, grade=bus.grade)
        times = times.over(sheet)
    elif chip.access_time is not None:
        times = times.over(old_chip_times(chip.access_time, chip.enable_time, "requirement file"))
    return times


# -- from a machine file -----------------------------------------------------------------------------------


def chip_requirement(
    machine: Machine,
    name: str,
    catalogue: Catalogue,
    *,
    shape: str | None = None,
    selects: Mapping[str, str] | None = None,
    latch: LatchNeed | None = None,
    times: BusTimes | None = None,
    **more: Any,
) -> Requirement:
    """The requirement of a chip of a machine file.

    Its pins come from the chip's ``pins``; what those leave out, from the data files where its ``type`` is
    known there. Bus
    times not stated are the old chip's access time, completed by the processor's data sheet where the machine
    file names its clock and the data files know the processor.

    Args:
        machine: The machine.
        name: Reference designator of the chip.
        catalogue: The data files.
        shape: Type number in the data files whose pins the chip has, where the machine file does not tell.
        selects: Active levels of selects that their names do not tell.
        latch: How the chip latches its address; needed when the machine file says that it does.
        times: Bus times that are known.
        more: Further arguments of `Requirement`, such as ``driver``.

    Raises:
        UsageError: No such chip, no pins, or pins that do not fit.
    """
    chip = chip_named(machine, name)
    completed = ""
    if shape is not None:
        socket = catalogue.socket_named(shape)
    else:
        socket, completed = _chip_socket(chip, catalogue)
    pins = dict.fromkeys(each for pin in socket.pins if (each := pin_use(pin).signal) is not None)
    if chip.latches_address and latch is None:
        example = next(iter(pins), "CE")
        raise UsageError(
            f"{name} latches its address, and the edge that does so is not stated.",
            f"State the pin and its closing edge, as --latched-by '{example} falling'; it has the pins "
            f"{', '.join(pins) or 'of no select'}.",
        )
    strobes = _read_strobes(machine, chip, tuple(pins))
    times = (times or BusTimes()).over(_machine_times(machine, chip, catalogue))
    if completed:
        times = replace(times, notes=(completed, *times.notes))
    return Requirement(
        designator=chip.name,
        words=chip.words,
        bits=chip.bits,
        socket=socket,
        selects=selects_of(
            socket, selects or {}, latch=None if latch is None else latch.signal, outputs=strobes
        ),
        latch=latch,
        times=times,
        machine=machine.machine.name,
        **more,
    )


def _read_strobes(machine: Machine, chip: Chip, pins: Sequence[str]) -> tuple[str, ...]:
    """Pins that only switch the outputs on: as the machine file says, else the bus recipe's own read strobe.

    Raises:
        UsageError: The machine file names one that the chip has not.
    """
    stated = tuple(parse_signal(name).base for name in chip.read_strobes)
    if unknown := [name for name in stated if name not in pins]:
        raise UsageError(
            f"{chip.name} has no pin {unknown[0]!r} that could be a read strobe.",
            f"Correct its read_strobes; it has {', '.join(pins) or 'no such pin'}.",
        )
    if stated:
        return stated
    strobe = watch_of(machine.processor_of(chip.processor)).output
    name = None if strobe is None else parse_signal(strobe.signal).base
    return () if name is None or name not in pins else (name,)


def _machine_times(machine: Machine, chip: Chip, catalogue: Catalogue) -> BusTimes:
    times = BusTimes()
    if chip.access_time is not None:
        times = old_chip_times(chip.access_time, source="machine file")
    processor = machine.processor_of(chip.processor)
    if isinstance(processor.recipe, str) and processor.clock is not None:
        name = _sheet_of(processor.recipe, catalogue)
        if name is not None:
            try:
                return times.over(processor_times(catalogue, name, processor.clock))
            except UsageError as error:  # faster than every grade: only the old chip's figure is left
                return replace(times, notes=(*times.notes, error.message))
    return times


def _sheet_of(recipe: str, catalogue: Catalogue) -> str | None:
    """The processor in the data files whom a built-in recipe is for; the files may add letters: 8085AH."""
    wanted = recipe.casefold()
    for row in catalogue.bus:
        name = row.processor.casefold()
        letters = name.removeprefix(wanted)
        if name.startswith(wanted) and not letters[:1].isdigit():  # 6800 is not the 68000
            return row.processor
    return None


def _chip_socket(chip: Chip, catalogue: Catalogue) -> tuple[Socket, str]:
    """The chip's pins, and a sentence on those that the machine file leaves to the chip's type."""
    by_type, unknown = None, "Known shapes: docs/replacement.md."
    try:
        by_type = catalogue.socket_named(chip.type)
    except UsageError as error:
        if not chip.pins:
            raise UsageError(
                f"the machine file gives no pins for {chip.name}, and {error.message}"
                if chip.type
                else f"the machine file gives neither pins nor type of {chip.name}.",
                "Add pins = { A0 = 8, D0 = 9, … } to the chip, or name the shape that it has: --shape 2764.",
            ) from None
        unknown = error.remedy
        by_type = _with_letter(chip.type, catalogue)
    if not chip.pins:
        assert by_type is not None
        return by_type, ""
    by_number: dict[int, list[str]] = {}
    for pin_name, number in chip.pins.items():
        by_number.setdefault(number, []).append(pin_name)
    given = {number: "+".join(names) for number, names in by_number.items()}
    missing = missing_pins(list(given.values()), chip.words, chip.bits)
    completed = ""
    if missing:
        if by_type is None:
            raise UsageError(
                f"the pins of {chip.name} in the machine file leave out {', '.join(missing)}.",
                f"Name them too, or name the shape that the chip has, such as --shape 2764. {unknown}",
            )
        _check_same(chip, given, by_type)
        rest = {number: name for number, name in enumerate(by_type.pins, 1) if number not in given}
        given |= rest
        completed = (
            f"The machine file names {len(by_number)} pins of {chip.name}; the others are taken as those of "
            f"the {by_type.name}: compare them with the board."
        )
    count = max(given) + max(given) % 2
    socket = Socket(
        name=chip.type or "the old chip",
        words=chip.words,
        bits=chip.bits,
        pins=tuple(given.get(number, "NC") for number in range(1, count + 1)),
        status="given",
        source="machine file",
    )
    return socket, completed


def _with_letter(number: str, catalogue: Catalogue) -> Socket | None:
    """The one shape whose number has only letters more: a 2732 has the pins of a 2732A."""
    wanted = number.casefold()
    found = [name for name in catalogue.shapes() if name.casefold().removeprefix(wanted).isalpha()]
    return catalogue.socket_named(found[0]) if wanted and len(found) == 1 else None


def _check_same(chip: Chip, given: Mapping[int, str], by_type: Socket) -> None:
    """The pins that the machine file names are those of its type, so that the type may say the others.

    Raises:
        UsageError: One is another.
    """
    for number, name in sorted(given.items()):
        there = by_type.pins[number - 1] if number <= len(by_type.pins) else None
        if there is None or not _same_use(name, there):
            raise UsageError(
                f"the machine file names some pins of {chip.name} only, and pin {number} is {name} there, "
                + (
                    f"{there} on a {by_type.name}."
                    if there
                    else f"while a {by_type.name} has {len(by_type.pins)} pins."
                ),
                f"Correct the pin; name all, VCC and GND too; or give the shape: --shape {by_type.name}.",
            )


def _same_use(name: str, other: str) -> bool:
    """Selects and read strobes have many names; addresses, data and supplies one each."""
    one, two = pin_use(name), pin_use(other)
    named = (one.signal is not None or one.idle, two.signal is not None or two.idle)
    return all(named) or one == two
