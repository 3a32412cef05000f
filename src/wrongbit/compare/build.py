"""A memory map from a machine file and the reference files that it names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents, load_listing
from wrongbit.machine.lookup import shown_file
from wrongbit.machine.model import Chip, Listing, Machine, Processor, default_address_lines

Words = NDArray[np.uint64]


def build_memory_map(machine: Machine, processor: Processor, folder: Path) -> MemoryMap:
    """What every chip on a processor's bus should hold, from images and listings.

    Args:
        machine: The machine file.
        processor: Whose bus it is.
        folder: Folder against which the machine file's file names are meant.

    Raises:
        ImageError: A reference file cannot be read or does not fit its chip.
    """
    notes: list[str] = []
    chips = tuple(_chip_map(chip, processor, folder, notes) for chip in machine.chips_of(processor))
    for listing in machine.listing:
        if machine.processor_of(listing.processor) is processor:
            contents = _loaded(listing, processor, folder)
            notes += [f"{shown_file(listing.file)}: {note}" for note in contents.notes]
            chips = tuple(_with_listing(chip, listing, contents, notes) for chip in chips)
    return MemoryMap(
        processor.name,
        processor.word_bits,
        processor.address_bits,
        chips,
        tuple(dict.fromkeys(notes)),  # a listing may be named twice, by the machine file and by the case
        processor.addresses_a_word,
    )


def _chip_map(chip: Chip, processor: Processor, folder: Path, notes: list[str]) -> ChipMap:
    words = np.zeros(chip.words, np.uint64)
    known = np.zeros(chip.words, np.uint64)
    if chip.kind == "rom" and chip.image is not None:
        try:
            contents = load_chip_contents(
                chip.image, chip.words, chip.bits, folder, byte_order=processor.byte_order
            )
        except ImageError as error:
            error.notes = (*error.notes, f"The machine file names it as the image of chip {chip.name}.")
            raise
        words, known = contents.words, contents.known
        notes += [f"{chip.name}: {note}" for note in contents.notes]
    others = sorted({name for name in (chip.processor, *chip.also) if name} - {processor.name})
    if chip.kind == "ram" and others:
        notes.append(
            f"{chip.name} is RAM that {' and '.join(others)} may write too, unseen here: what is read from "
            "it is not judged."
        )
    return ChipMap(
        name=chip.name,
        kind=chip.kind,
        lane=chip.lane,
        address_lines=default_address_lines(chip, processor),
        regions=tuple(ChipRegion(region.bank, region.base, region.size) for region in chip.region),
        contents=words,
        known=known,
        inverted=chip.inverted,
        rows=chip.rows,
        columns=chip.columns,
        technology=chip.technology,
        shared=bool(others),
    )


def _with_listing(chip: ChipMap, listing: Listing, contents: Contents, notes: list[str]) -> ChipMap:
    """The chip's contents, completed by a listing of words as the processor sees them."""
    if chip.kind != "rom":
        return chip
    words, known = chip.contents.copy(), chip.known.copy()
    for address, chosen in _listed_in(chip, listing, contents):
        cell = chip.chip_address(address[chosen])
        listed = _outputs(chip, contents.words[chosen])
        given = _outputs(chip, contents.known[chosen], mask=True)
        clash = (listed ^ words[cell]) & given & known[cell]
        if clash.any():
            first = int(address[chosen][np.flatnonzero(clash)[0]])
            notes.append(
                f"{chip.name}: {shown_file(listing.file)} and the chip's image disagree on "
                f"{np.count_nonzero(clash)} words, the first at 0x{first:X}; the image is taken as the "
                "reference."
            )
        new = given & ~known[cell]
        words[cell] |= listed & new
        known[cell] |= new
    return replace(chip, contents=words, known=known)


def _listed_in(
    chip: ChipMap, listing: Listing, contents: Contents
) -> Iterator[tuple[Words, NDArray[np.bool_]]]:
    """All addresses of a listing, and which of them have a word of this chip; once for each of its banks."""
    address = np.arange(contents.base, contents.base + len(contents), dtype=np.uint64)
    banks = {region.bank for region in chip.regions if region.bank is not None} or {0}
    for bank in sorted({listing.bank} if listing.bank is not None else banks):
        # On a byte-addressed bus the addresses inside a word carry nothing of their own.
        chosen = chip.selected(np.full(len(address), bank, np.int32), address) & (contents.known != 0)
        if chosen.any():
            yield address, chosen


@dataclass(frozen=True)
class ListedChip:
    """What a listing says of one ROM.

    Args:
        chip: Reference designator.
        words: Words of the chip of which the listing has some bit.
        of: Words of the chip.
    """

    chip: str
    words: int
    of: int


@dataclass(frozen=True)
class ListedWords:
    """How a listing maps to the ROMs on a processor's bus.

    Args:
        file: As the machine file names it.
        processor: Whose addresses it has.
        bank: Bank that it belongs to; None: that of each chip at its addresses.
        words: Words in it.
        first: Address of the first, with the listing's offset; None where it has no word.
        last: Of the last.
        nowhere: Words at addresses at which no ROM answers.
        chips: ROMs of which it has words.
    """

    file: str
    processor: str
    bank: int | None
    words: int
    first: int | None
    last: int | None
    nowhere: int
    chips: tuple[ListedChip, ...]


def listed_words(machine: Machine, processor: Processor, folder: Path) -> tuple[ListedWords, ...]:
    """Every listing of a processor, and which words of which ROM it has.

    Args:
        machine: The machine file.
        processor: Whose listings.
        folder: Folder against which the machine file's file names are meant.

    Raises:
        ImageError: A listing cannot be read.
    """
    chips = [
        _chip_map(chip, processor, folder, []) for chip in machine.chips_of(processor) if chip.kind == "rom"
    ]
    found = []
    for listing in machine.listing:
        if machine.processor_of(listing.processor) is not processor:
            continue
        contents = _loaded(listing, processor, folder)
        present = np.flatnonzero(contents.known)
        taken = np.zeros(len(contents), np.bool_)
        told = []
        for chip in chips:
            cells: list[Words] = []
            for address, chosen in _listed_in(chip, listing, contents):
                taken |= chosen
                has = _outputs(chip, contents.known[chosen], mask=True) != 0
                cells.append(chip.chip_address(address[chosen])[has])
            if count := len(np.unique(np.concatenate(cells))) if cells else 0:
                told.append(ListedChip(chip.name, count, len(chip.contents)))
        found.append(
            ListedWords(
                file=listing.file,
                processor=processor.name,
                bank=listing.bank,
                words=len(present),
                first=contents.base + int(present[0]) if len(present) else None,
                last=contents.base + int(present[-1]) if len(present) else None,
                nowhere=int(np.count_nonzero((contents.known != 0) & ~taken)),
                chips=tuple(told),
            )
        )
    return tuple(found)


def _loaded(listing: Listing, processor: Processor, folder: Path) -> Contents:
    return load_listing(
        listing,
        processor.word_bits,
        folder,
        byte_order=processor.byte_order,
        address_unit=processor.address_unit,
    )


def _outputs(chip: ChipMap, word: Words, *, mask: bool = False) -> Words:
    """The chip's outputs for words on the bus; a mask of known bits is never inverted."""
    outputs = chip.from_bus(word)
    if mask and chip.inverted:
        outputs = outputs ^ np.uint64(mask_of(range(len(chip.lane))))
    return outputs
