"""Checks that need more than one entry of a machine file.

To add a check: write a function that takes the machine and its surroundings and yields problems, add it to
`CHECKS`, and give it a test in ``tests/machine/test_checks.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from wrongbit.bits import mask_of
from wrongbit.machine.lines import Path as KeyPath
from wrongbit.machine.model import Chip, Machine, Point, Processor, default_address_lines
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.machine.path_checks import check_paths
from wrongbit.machine.problems import Problem, either, repeated_names, suggestion
from wrongbit.machine.recipe import Recipe, parse_event
from wrongbit.machine.recipe_checks import check_recipe, names_used
from wrongbit.machine.start_up_checks import check_start_up
from wrongbit.units import format_address, format_bits


@dataclass(frozen=True)
class Surroundings:
    """What a machine file refers to outside itself.

    Args:
        folder: Where image and listing files must exist; None leaves them unchecked.
        recipe_names: Names of the built-in recipes; None leaves the name of a recipe unchecked.
    """

    folder: Path | None = None
    recipe_names: Collection[str] | None = None


MOST_CHIPS = 64
"""Chips on one processor's bus."""

Check = Callable[[Machine, Surroundings], Iterator[Problem]]


def check_machine(machine: Machine, surroundings: Surroundings) -> list[Problem]:
    """All problems of a machine whose entries are each valid by themselves."""
    return [problem for check in CHECKS for problem in check(machine, surroundings)]


def _processor(machine: Machine, named: str | None) -> Processor | None:
    try:
        return machine.processor_of(named)
    except KeyError:
        return None


def _chips(machine: Machine) -> Iterator[tuple[int, Chip, Processor]]:
    """Position, chip and processor of every chip whose processor is known."""
    for index, chip in enumerate(machine.chip):
        processor = _processor(machine, chip.processor)
        if processor is not None:
            yield index, chip, processor


# -- names -------------------------------------------------------------------------------------------------


def _names_are_unique(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """A reference designator names one part; capitals do not tell two parts apart."""
    parts: list[tuple[KeyPath, str]] = [
        (("processor", index, "name"), processor.name) for index, processor in enumerate(machine.processor)
    ]
    parts += [(("chip", index, "name"), chip.name) for index, chip in enumerate(machine.chip)]
    parts += [(("part", index, "name"), part.name) for index, part in enumerate(machine.part)]
    paths: list[tuple[KeyPath, str]] = [
        (("path", index, "name"), path.name) for index, path in enumerate(machine.path)
    ]
    points: list[tuple[KeyPath, str]] = [
        (("point", index, "name"), point.name) for index, point in enumerate(machine.point)
    ]
    for group in (parts, paths, points):
        yield from repeated_names(group, "Give each a name of its own.")


def _processors_exist(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    names = [processor.name for processor in machine.processor]
    entries = [
        *((("chip", index), chip.processor) for index, chip in enumerate(machine.chip)),
        *((("listing", index), listing.processor) for index, listing in enumerate(machine.listing)),
        *((("point", index), point.processor) for index, point in enumerate(machine.point)),
    ]
    for path, named in entries:
        if named is None and len(names) > 1:
            yield Problem(
                (*path, "processor"),
                f"the machine has several processors ({', '.join(names)}), and none is named.",
                "Add processor = … with one of these names.",
            )
        elif named is not None and named not in names:
            yield Problem(
                (*path, "processor"),
                f"there is no processor {named!r}; there is {either(names)}.",
                suggestion(named, names) + "Name one of these.",
            )


def _sharers_exist(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Processors that share a chip are there, and each is named once."""
    names = [processor.name for processor in machine.processor]
    for index, chip in enumerate(machine.chip):
        for name in chip.also:
            if name not in names:
                yield Problem(
                    ("chip", index, "also"),
                    f"there is no processor {name!r}; there is {either(names)}.",
                    suggestion(name, names) + "Name one of these.",
                )
            elif name == chip.processor or chip.also.count(name) > 1:
                yield Problem(("chip", index, "also"), f"{name!r} is named twice.", "Name each once.")


# -- the processor -----------------------------------------------------------------------------------------


def _processors_are_possible(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, processor in enumerate(machine.processor):
        path: KeyPath = ("processor", index)
        if processor.address_unit == "byte" and processor.word_bits not in (8, 16, 32, 64):
            yield Problem(
                (*path, "address_unit"),
                f"addresses count bytes, but a word of {processor.word_bits} bits is not 1, 2, 4 or 8 bytes.",
                'Write address_unit = "word", or correct word_bits.',
            )
        start, width = processor.start_address, processor.address_bits
        last = (1 << width) - 1
        if start is not None and start > last:
            yield Problem(
                (*path, "start_address"),
                f"{format_address(start, width)} lies beyond the last address of {width} address bits, "
                f"{format_address(last, width)}.",
                "Correct start_address or address_bits.",
            )
        yield from _recipe(path, processor, surroundings.recipe_names)


def _recipe(path: KeyPath, processor: Processor, known: Collection[str] | None) -> Iterator[Problem]:
    if isinstance(processor.recipe, Recipe):
        yield from check_recipe((*path, "recipe"), processor.recipe, processor)
        yield from _renamed_signals(path, processor, processor.recipe)
    elif known is not None and processor.recipe.casefold() not in {name.casefold() for name in known}:
        names = sorted(known)
        yield Problem(
            (*path, "recipe"),
            f"there is no built-in recipe {processor.recipe!r}; there are {', '.join(names)}.",
            suggestion(processor.recipe, names) + "Name one of these, or write an own [processor.recipe].",
        )


def _renamed_signals(path: KeyPath, processor: Processor, recipe: Recipe) -> Iterator[Problem]:
    """``signals`` and ``active`` speak of names that the recipe uses."""
    used = {parse_signal(name).base for name in names_used(recipe)}
    renamed = {parse_signal(name).base for name in processor.signals.values()}
    for key, names in (("signals", used), ("active", used | renamed)):
        for name in getattr(processor, key):
            bit = split_bus_bit(name)
            if parse_signal(name).base not in names and (bit is None or bit[0] not in names):
                yield Problem(
                    (*path, key, name),
                    f"the recipe uses no signal or bus {name!r}; it uses {', '.join(sorted(names))}.",
                    suggestion(name, names) + "Correct the name or take the line out.",
                )


# -- chips on the bus --------------------------------------------------------------------------------------


def _lanes_fit(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, chip, processor in _chips(machine):
        path = ("chip", index, "lane")
        lane = format_bits(chip.lane)
        if len(chip.lane) != chip.bits:
            yield Problem(
                path,
                f"the chip has {chip.bits} outputs, but the lane {lane!r} names {len(chip.lane)} word bits.",
                "Name one word bit for each output, output 0 first, such as '0..7'.",
            )
        elif len(set(chip.lane)) < len(chip.lane):
            yield Problem(
                path,
                f"the lane {lane!r} names word bit {_repeated(chip.lane)} twice.",
                "Each output feeds a word bit of its own.",
            )
        elif max(chip.lane) >= processor.word_bits:
            yield Problem(
                path,
                f"the lane {lane!r} names word bit {max(chip.lane)}, but {processor.name} has a word of "
                f"{processor.word_bits} bits (0..{processor.word_bits - 1}).",
                "Correct the lane, or word_bits of the processor.",
            )


def _repeated(numbers: Sequence[int]) -> int:
    return next(number for index, number in enumerate(numbers) if number in numbers[:index])


def _address_lines_fit(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, chip, processor in _chips(machine):
        path = ("chip", index, "address_lines")
        lines = default_address_lines(chip, processor)
        needed = chip.line_count
        if len(set(lines)) < len(lines):
            yield Problem(
                path,
                f"address bit {_repeated(lines)} is named twice.",
                "Name one processor address bit for each address line of the chip, line 0 first.",
            )
        elif lines and max(lines) >= processor.address_bits:
            yield Problem(
                path,
                f"address bit {max(lines)} is needed, but {processor.name} has {processor.address_bits} "
                f"address bits (0..{processor.address_bits - 1}).",
                "Correct address_lines or words of the chip, or address_bits of the processor.",
            )
        elif len(lines) > needed:
            yield Problem(
                path,
                f"{len(lines)} address lines are named, but {chip.words} words need {needed}.",
                "Correct address_lines or words.",
            )
        elif len(lines) < needed:
            yield from _half_used(path, chip, processor, lines)


def _half_used(path: KeyPath, chip: Chip, processor: Processor, lines: tuple[int, ...]) -> Iterator[Problem]:
    """Fewer lines than the chip has are right where the others are tied; then its regions are as small."""
    largest = max(region.size for region in chip.region) // processor.addresses_a_word
    if largest > 1 << len(lines):
        yield Problem(
            path,
            f"{len(lines)} address lines choose among {1 << len(lines)} words, but the chip has {chip.words} "
            f"and a region of {largest}.",
            "Name one processor address bit for each address line of the chip, line 0 first; where a line "
            "is tied, make the region as small as what can be reached.",
        )


def _regions_fit(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, chip, processor in _chips(machine):
        last = (1 << processor.address_bits) - 1
        for number, region in enumerate(chip.region):
            end = region.base + region.size - 1
            if end > last:
                yield Problem(
                    ("chip", index, "region", number),
                    f"the region ends at {format_address(end, processor.address_bits)}, beyond the last "
                    f"address of {processor.name}, {format_address(last, processor.address_bits)} "
                    f"({processor.address_bits} address bits).",
                    "Correct base or size.",
                )


def _chips_can_be_told_apart(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Which chips answer in a cycle is kept as one bit a chip in a word of 64."""
    for processor in machine.processor:
        places = [
            index
            for index, chip, owner in _chips(machine)
            if owner is processor or processor.name in chip.also
        ]
        if len(places) > MOST_CHIPS:
            yield Problem(
                ("chip", places[MOST_CHIPS]),
                f"{processor.name} has {len(places)} chips on its bus; at most {MOST_CHIPS} can be told "
                "apart.",
                "Describe RAM chips that answer together as one wider chip, or leave out what is not "
                "suspected.",
            )


# -- chips against each other ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Driver:
    """A chip at one of its regions."""

    path: KeyPath
    chip: Chip
    bank: int | None
    base: int
    end: int

    def meets(self, other: _Driver) -> bool:
        """True where both may drive a bit at one address; the addresses are known to overlap."""
        same_bank = self.bank is None or other.bank is None or self.bank == other.bank
        return same_bank and bool(mask_of(self.chip.lane) & mask_of(other.chip.lane))


def _nobody_drives_twice(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Two memories must not answer at one address on one bit. Ports may lie in a space of their own."""
    for processor in machine.processor:
        drivers = sorted(_drivers(machine, processor), key=lambda driver: driver.base)
        told: set[tuple[str, str]] = set()
        for index, first in enumerate(drivers):
            for second in drivers[index + 1 :]:
                if second.base >= first.end:
                    break
                pair = (first.chip.name, second.chip.name)
                if first.meets(second) and pair not in told:
                    told.add(pair)
                    yield _clash(first, second, processor)


def _drivers(machine: Machine, processor: Processor) -> Iterator[_Driver]:
    for index, chip, owner in _chips(machine):
        sees = owner is processor or processor.name in chip.also
        if sees and chip.kind != "io":
            for number, region in enumerate(chip.region):
                path: KeyPath = ("chip", index, "region", number)
                yield _Driver(path, chip, region.bank, region.base, region.base + region.size)


def _clash(first: _Driver, second: _Driver, processor: Processor) -> Problem:
    low = format_address(second.base, processor.address_bits)
    high = format_address(min(first.end, second.end) - 1, processor.address_bits)
    bank = first.bank if first.bank is not None else second.bank
    where = f"from {low} to {high}" + ("" if bank is None else f" in bank {bank}")
    path = max(first.path, second.path, key=lambda path: (path[1], path[3]))
    if first.chip is second.chip:
        return Problem(path, f"two regions of the chip overlap {where}.", "Correct base, size or bank.")
    shared = [bit for bit in first.chip.lane if bit in second.chip.lane]
    return Problem(
        path,
        f"{first.chip.name} and {second.chip.name} both drive bits {format_bits(tuple(sorted(shared)))} "
        f"{where}.",
        "Correct lane, base or size of one of them, or give their regions different banks.",
    )


# -- inside the chip ---------------------------------------------------------------------------------------


def _array_fits(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Rows and columns are chosen by the chip's own address lines, each by one of them."""
    for index, chip in enumerate(machine.chip):
        count = chip.line_count
        for key in ("rows", "columns"):
            lines: tuple[int, ...] = getattr(chip, key)
            path = ("chip", index, key)
            if lines and max(lines) >= count:
                yield Problem(
                    path,
                    f"address line {max(lines)} is named, but a chip of {chip.words} words has {count} "
                    f"(0..{count - 1}).",
                    "Name address lines of the chip itself, not of the processor.",
                )
            elif len(set(lines)) < len(lines):
                yield Problem(path, f"address line {_repeated(lines)} is named twice.", "Name each once.")
        both = set(chip.rows) & set(chip.columns)
        if both:
            yield Problem(
                ("chip", index, "columns"),
                f"address line {min(both)} chooses a row already.",
                "A line chooses either a row or a column.",
            )


def _pins_fit(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """A pin carries one signal, a signal has one pin, and D and A are numbered as the chip has them."""
    for index, chip in enumerate(machine.chip):
        numbers: dict[int, str] = {}
        names: dict[str, str] = {}
        for name, number in chip.pins.items():
            path = ("chip", index, "pins", name)
            base = parse_signal(name).base
            if numbers.setdefault(number, name) != name:
                yield Problem(path, f"pin {number} is {numbers[number]!r} already.", "Correct the number.")
            if names.setdefault(base, name) != name:
                yield Problem(path, f"{name!r} is the same signal as {names[base]!r}.", "Keep one of them.")
            yield from _pin_number(path, chip, name)


def _pin_number(path: KeyPath, chip: Chip, name: str) -> Iterator[Problem]:
    bus, bit = split_bus_bit(name) or ("", 0)
    what, count = {"D": ("outputs", chip.bits), "A": ("address lines", chip.line_count)}.get(bus, ("", 1))
    if bit >= count and what:
        yield Problem(
            path,
            f"the chip has {count} {what}, numbered from 0.",
            "Correct the name, or words or bits of the chip.",
        )


def _only_roms_have_contents(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, chip in enumerate(machine.chip):
        if chip.kind != "rom" and chip.image is not None:
            yield Problem(
                ("chip", index, "image"),
                f"the chip is of kind {chip.kind!r}; only a ROM is compared with an image.",
                'Take the image out, or write kind = "rom".',
            )


def _files_exist(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    folder = surroundings.folder
    if folder is None:
        return
    named: list[tuple[KeyPath, str]] = [
        (("chip", index, "image", "file"), chip.image.file)
        for index, chip in enumerate(machine.chip)
        if chip.image is not None
    ]
    named += [(("listing", index, "file"), listing.file) for index, listing in enumerate(machine.listing)]
    for path, file in named:
        problem = _missing_file(folder, file)
        if problem is not None:
            yield Problem(path, *problem)


def _missing_file(folder: Path, file: str) -> tuple[str, str] | None:
    """Message and remedy where the file is not there."""
    whole = folder / file
    try:
        if whole.is_file():
            return None
        if whole.is_dir():
            return f"{file!r} is a folder; a file is expected.", "Name the file in it."
        names = [each.name for each in whole.parent.iterdir() if each.is_file()]
    except (OSError, ValueError):
        names = []
    near = get_close_matches(whole.name, names, 1)
    guess = f"Did you mean {str(Path(file).with_name(near[0]))!r}? " if near else ""
    return (
        f"there is no file {file!r} in {str(folder)!r}.",
        guess + "File names are taken relative to the machine file.",
    )


# -- probe points ------------------------------------------------------------------------------------------


def _points_are_possible(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    for index, point in enumerate(machine.point):
        path: KeyPath = ("point", index)
        if point.mode == "state" and point.clock is None:
            yield Problem(
                (*path, "clock"),
                "a point in state mode needs the event that takes each sample.",
                "Add clock = … such as 'PHI2 ends'.",
            )
        elif point.mode != "state" and point.clock is not None:
            yield Problem(
                (*path, "clock"),
                f"only a point in state mode has a clock; this one is in {point.mode} mode.",
                'Take the clock out, or write mode = "state".',
            )
        elif point.clock is not None:
            try:
                parse_event(point.clock)
            except ValueError as error:
                message, _, advice = str(error).partition("; ")
                yield Problem((*path, "clock"), f"{message}.", f"{advice[:1].upper()}{advice[1:]}.")
        if point.kinds and point.mode != "cycles":
            yield Problem(
                (*path, "kinds"),
                f"only a point in cycles mode has kinds; this one is in {point.mode} mode.",
                'Take kinds out, or write mode = "cycles".',
            )
        if point.period == 0:
            yield Problem((*path, "period"), "the time between samples is 0.", "Write it, such as '10 ns'.")
        if point.chip is not None:
            yield from _point_on_a_chip(machine, point.chip, path)
        yield from _columns(path, dict(point.columns), point.ignore)
        yield from _tied_lines(path, point)


def _tied_lines(path: KeyPath, point: Point) -> Iterator[Problem]:
    """A line is either clipped to or tied."""
    carried = {parse_signal(text).base for text in point.columns.values()}
    for name in point.tied:
        if parse_signal(name).base in carried:
            yield Problem(
                (*path, "tied", name),
                f"a column carries {name}, so its level is seen.",
                "Take it out of 'tied', or the column out of 'columns'.",
            )


def _point_on_a_chip(machine: Machine, name: str, path: KeyPath) -> Iterator[Problem]:
    """The chip that a point is clipped on is a ROM of this machine."""
    roms = [chip.name for chip in machine.chip if chip.kind == "rom"]
    if name not in roms:
        yield Problem(
            (*path, "chip"),
            f"there is no ROM {name!r}.",
            f"Name one of the ROMs: {', '.join(roms) or 'none'}.",
        )


def _columns(path: KeyPath, columns: dict[str, str], ignored: Sequence[str]) -> Iterator[Problem]:
    """Each column carries one thing, and each thing comes from one column."""
    sources: dict[object, str] = {}
    for column, target in columns.items():
        wire: object = split_bus_bit(target) or parse_signal(target).base
        if not target:
            yield Problem(
                (*path, "columns", column), "no signal is named.", "Name one, or put the column in ignore."
            )
        elif sources.setdefault(wire, column) != column:
            yield Problem(
                (*path, "columns", column),
                f"{target!r} is already taken from the column {sources[wire]!r}.",
                "Correct one of them, or put the column that is not needed in ignore.",
            )
    for column in ignored:
        if column in columns:
            yield Problem(
                (*path, "ignore"),
                f"the column {column!r} is both ignored and mapped to {columns[column]!r}.",
                "Take it out of one of the two.",
            )


def _paths_fit(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Paths, the parts on them, and where probe points touch them."""
    yield from check_paths(machine)


def _start_up_fits(machine: Machine, surroundings: Surroundings) -> Iterator[Problem]:
    """Rails, clocks and start-up inputs are possible."""
    yield from check_start_up(machine)


CHECKS: tuple[Check, ...] = (
    _names_are_unique,
    _processors_exist,
    _sharers_exist,
    _processors_are_possible,
    _lanes_fit,
    _address_lines_fit,
    _regions_fit,
    _chips_can_be_told_apart,
    _nobody_drives_twice,
    _array_fits,
    _pins_fit,
    _only_roms_have_contents,
    _files_exist,
    _points_are_possible,
    _paths_fit,
    _start_up_fits,
)
"""All checks, in the order in which a file is read."""
