"""What a person wants to see of a machine file before trusting it: the machine as wrongbit understands it.

Pure: from a `Machine` to frozen values; turning them into text or JSON is for the command line
(`dataclasses.asdict` gives JSON's types).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from wrongbit.bits import mask_of
from wrongbit.machine.model import Chip, ImageFile, Machine, Path, Point, Processor, default_address_lines
from wrongbit.machine.recipe import Recipe
from wrongbit.units import format_address, format_bits


@dataclass(frozen=True)
class ProcessorView:
    """A processor and how its bus is read.

    Args:
        name: Reference designator.
        family: For people.
        word_bits: Width of its word.
        address_bits: Width of its address.
        address_unit: What one step of the address means: word or byte.
        recipe: Name of the built-in recipe; 'own' where the machine file brings one.
        source: What an own recipe rests on.
        clock: Clock frequency as written, or None.
        start_address: Address of the first fetch, or None.
        starts_in: Chips that answer at the first fetch.
    """

    name: str
    family: str
    word_bits: int
    address_bits: int
    address_unit: str
    recipe: str
    source: str
    clock: str | None
    start_address: int | None
    starts_in: tuple[str, ...]


@dataclass(frozen=True)
class RegionView:
    """A line of the memory map: one chip at one of its regions.

    Args:
        processor: Whose addresses.
        bank: Bank, or None for every bank.
        first: First address.
        last: Last address.
        chip: Reference designator.
        kind: rom, ram or io.
        type: Type number, for people.
        lane: Word bits that it feeds, in the machine file's notation.
        first_word: The chip's own address at ``first``.
        contents: Where its reference comes from, or an empty text.
    """

    processor: str
    bank: int | None
    first: int
    last: int
    chip: str
    kind: str
    type: str
    lane: str
    first_word: int
    contents: str


@dataclass(frozen=True)
class Gap:
    """Addresses at which some word bits are driven by nobody.

    Args:
        processor: Whose addresses.
        bank: Bank, or None where it is so in every bank.
        first: First address.
        last: Last address.
        bits: The bits, in the machine file's notation; an empty text for the whole word.
    """

    processor: str
    bank: int | None
    first: int
    last: int
    bits: str


@dataclass(frozen=True)
class PointView:
    """A probe point.

    Args:
        name: Name by which the command line calls it.
        processor: Whose bus is seen.
        mode: timing, state or cycles.
        clock: Event that takes each sample in state mode, or None.
        columns: Column of the capture and what it carries, in the order of the file.
        ignored: Columns that carry nothing of interest.
    """

    name: str
    processor: str
    mode: str
    clock: str | None
    columns: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]


@dataclass(frozen=True)
class PathView:
    """A path.

    Args:
        name: Its name.
        carries: data, address, select, enable or bank.
        signals: Bits, in the machine file's notation.
        way: Everything from source to destination, source first.
        points: Probe points that touch it, with the part behind which each does ('' its beginning).
        inverting: The signal arrives inverted.
    """

    name: str
    carries: str
    signals: str
    way: tuple[str, ...]
    points: tuple[tuple[str, str], ...]
    inverting: bool


@dataclass(frozen=True)
class Overview:
    """A machine file at a glance.

    Args:
        name: The machine.
        invented: It does not exist.
        cautions: Dangers, to be shown first.
        notes: What the file's author wants known.
        processors: In the order of the file.
        regions: The memory map: processors in the order of the file, addresses upward, lowest lane first.
        gaps: What nobody drives, in the same order.
        points: In the order of the file.
        remarks: What is allowed but worth a second look.
        paths: The parts between chips and processors, in the order of the file.
    """

    name: str
    invented: bool
    cautions: tuple[str, ...]
    notes: str
    processors: tuple[ProcessorView, ...]
    regions: tuple[RegionView, ...]
    gaps: tuple[Gap, ...]
    points: tuple[PointView, ...]
    remarks: tuple[str, ...]
    paths: tuple[PathView, ...] = ()


def overview(machine: Machine) -> Overview:
    """A machine as wrongbit understands it.

    Args:
        machine: A machine that `wrongbit.machine.load` has checked.
    """
    return Overview(
        name=machine.machine.name,
        invented=machine.machine.invented,
        cautions=machine.machine.cautions,
        notes=machine.machine.notes,
        processors=tuple(_processor_view(machine, processor) for processor in machine.processor),
        regions=tuple(row for processor in machine.processor for row in _regions(machine, processor)),
        gaps=tuple(gap for processor in machine.processor for gap in _gaps(machine, processor)),
        points=tuple(_point_view(machine, point) for point in machine.point),
        remarks=tuple(_remarks(machine)),
        paths=tuple(_path_view(machine, path) for path in machine.path),
    )


# -- processors and points ---------------------------------------------------------------------------------


def _processor_view(machine: Machine, processor: Processor) -> ProcessorView:
    recipe = processor.recipe
    start = processor.start_address
    return ProcessorView(
        name=processor.name,
        family=processor.family,
        word_bits=processor.word_bits,
        address_bits=processor.address_bits,
        address_unit=processor.address_unit,
        recipe="own" if isinstance(recipe, Recipe) else recipe,
        source=recipe.source if isinstance(recipe, Recipe) else "",
        clock=processor.clock,
        start_address=start,
        starts_in=() if start is None else tuple(_answering(machine, processor, start)),
    )


def _answering(machine: Machine, processor: Processor, address: int) -> Iterator[str]:
    """Memories that answer at an address in some bank."""
    for chip in machine.chips_of(processor):
        hit = any(region.base <= address < region.base + region.size for region in chip.region)
        if hit and chip.kind != "io":
            yield chip.name


def _point_view(machine: Machine, point: Point) -> PointView:
    return PointView(
        name=point.name,
        processor=machine.processor_of(point.processor).name,
        mode=point.mode,
        clock=point.clock,
        columns=tuple(point.columns.items()),
        ignored=point.ignore,
    )


def _path_view(machine: Machine, path: Path) -> PathView:
    chips, processors = ", ".join(path.chips), ", ".join(machine.processors_of(path))
    ends = (chips, processors) if path.carries == "data" else (processors, chips)
    return PathView(
        name=path.name,
        carries=path.carries,
        signals=format_bits(path.signals) if path.signals else "",
        way=(ends[0], *path.through, ends[1]),
        points=tuple((point.name, point.on[path.name]) for point in machine.point if path.name in point.on),
        inverting=path.inverting,
    )


# -- the memory map ----------------------------------------------------------------------------------------


def _regions(machine: Machine, processor: Processor) -> list[RegionView]:
    rows = [
        (region.base, -1 if region.bank is None else region.bank, min(chip.lane), chip, region)
        for chip in machine.chips_of(processor)
        for region in chip.region
    ]
    rows.sort(key=lambda row: row[:3])
    return [
        RegionView(
            processor=processor.name,
            bank=region.bank,
            first=region.base,
            last=region.base + region.size - 1,
            chip=chip.name,
            kind=chip.kind,
            type=chip.type,
            lane=format_bits(chip.lane),
            first_word=_chip_address(chip, processor, region.base),
            contents=_reference(machine, processor, chip),
        )
        for _, _, _, chip, region in rows
    ]


def _chip_address(chip: Chip, processor: Processor, address: int) -> int:
    """The address on the chip's own lines."""
    lines = default_address_lines(chip, processor)
    return sum((address >> bit & 1) << line for line, bit in enumerate(lines)) % chip.words


_TAKEN = {
    "all": "",
    "even": "even bytes of ",
    "odd": "odd bytes of ",
    "low": "low half of each word of ",
    "high": "high half of each word of ",
}


def _reference(machine: Machine, processor: Processor, chip: Chip) -> str:
    """Where a chip's contents come from: its image, and for a ROM every listing of its processor."""
    sources = [] if chip.image is None else [_contents(chip.image)]
    if chip.kind == "rom":
        sources += [
            f"listing {listing.file}"
            for listing in machine.listing
            if machine.processor_of(listing.processor) is processor
        ]
    return ", ".join(sources)


def _contents(image: ImageFile) -> str:
    text = f"{_TAKEN[image.take]}{image.file}"
    if image.base:
        text += f" from 0x{image.base:X}"
    return f"{text}, inverted" if image.inverted else text


# -- gaps --------------------------------------------------------------------------------------------------


def _gaps(machine: Machine, processor: Processor) -> list[Gap]:
    chips = machine.chips_of(processor)
    named = {region.bank for chip in chips for region in chip.region if region.bank is not None}
    banks: list[int | None] = [*sorted(named)] or [None]
    found: dict[tuple[int, int, int], list[int | None]] = defaultdict(list)
    for bank in banks:
        for gap in _undriven(chips, processor, bank):
            found[gap].append(bank)
    gaps = []
    for (first, last, bits), where in sorted(found.items(), key=lambda item: (item[0][:2], item[1][0] or 0)):
        whole = bits == mask_of(range(processor.word_bits))
        text = "" if whole else format_bits(tuple(b for b in range(processor.word_bits) if bits >> b & 1))
        for bank in [None] if where == banks else where:
            gaps.append(Gap(processor.name, bank, first, last, text))
    return gaps


def _undriven(
    chips: tuple[Chip, ...], processor: Processor, bank: int | None
) -> Iterator[tuple[int, int, int]]:
    """(first, last, mask of undriven bits) of every stretch in one bank where some bit is driven by nobody.

    A stretch where only ports answer counts as driven: a port is often narrower than the bus.
    """
    spans = [
        (region.base, region.base + region.size, mask_of(chip.lane), chip.kind)
        for chip in chips
        for region in chip.region
        if region.bank is None or region.bank == bank
    ]
    edges = sorted({0, 1 << processor.address_bits, *(edge for span in spans for edge in span[:2])})
    stretches: list[tuple[int, int, int]] = []
    for first, end in pairwise(edges):
        here = [span for span in spans if span[0] <= first and span[1] >= end]
        missing = mask_of(range(processor.word_bits))
        for span in here:
            missing &= ~span[2]
        if here and all(span[3] == "io" for span in here):
            missing = 0
        if stretches and stretches[-1][1] == first and stretches[-1][2] == missing:
            stretches[-1] = (stretches[-1][0], end, missing)
        else:
            stretches.append((first, end, missing))
    return ((first, end - 1, missing) for first, end, missing in stretches if missing)


# -- what is worth a second look ---------------------------------------------------------------------------


def _remarks(machine: Machine) -> Iterator[str]:
    for processor in machine.processor:
        yield from _processor_remarks(machine, processor)
        for chip in machine.chips_of(processor):
            yield from _chip_remarks(machine, processor, chip)
    on_paths = {name for path in machine.path for name in path.through}
    for part in machine.part:
        if part.name not in on_paths:
            yield f"{part.name} lies on no path, so that it is never a suspect."
    if not machine.point:
        yield "There is no probe point yet; a capture needs one to be read."


def _processor_remarks(machine: Machine, processor: Processor) -> Iterator[str]:
    name, start = processor.name, processor.start_address
    if not machine.chips_of(processor):
        yield f"{name} has no chip on its bus."
    elif start is not None and not any(_answering(machine, processor, start)):
        yield f"{name} starts at {format_address(start, processor.address_bits)}, where no memory answers."
    if not isinstance(processor.recipe, Recipe) or not processor.recipe.bank:  # no built-in one has a bank
        banked = [chip.name for chip in machine.chips_of(processor) if any(r.bank for r in chip.region)]
        if banked:
            yield (
                f"{', '.join(banked)}: a region is in another bank than 0, but the recipe of {name} has no "
                "bank signals, so that every cycle rebuilt from samples is in bank 0."
            )


def _chip_remarks(machine: Machine, processor: Processor, chip: Chip) -> Iterator[str]:
    listed = any(machine.processor_of(listing.processor) is processor for listing in machine.listing)
    if chip.kind == "rom" and chip.image is None and not listed:
        yield f"{chip.name} is a ROM without an image or a listing: what is read from it cannot be judged."
    if chip.kind == "io":
        return
    sizes = [-(-region.size // processor.addresses_a_word) for region in chip.region]
    if max(sizes) > chip.words:
        yield f"{chip.name} has {chip.words} words and a region of {max(sizes)}: they repeat there."
    elif sum(sizes) < chip.words:
        yield f"{chip.name} has {chip.words} words, of which its regions show {sum(sizes)}."
    for region in chip.region:
        word = _chip_address(chip, processor, region.base)
        if word and len(chip.region) == 1:
            yield (
                f"{chip.name}: the region at {format_address(region.base, processor.address_bits)} begins "
                f"with the chip's word 0x{word:X}, not with its first."
            )
