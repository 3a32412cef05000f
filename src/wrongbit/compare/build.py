"""A memory map from a machine file and the reference files that it names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import mask_of
from wrongbit.compare.memory_map import ChipMap, ChipRegion, MemoryMap
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents, load_listing
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
            contents = load_listing(
                listing,
                processor.word_bits,
                folder,
                byte_order=processor.byte_order,
                address_unit=processor.address_unit,
            )
            notes += [f"{listing.file}: {note}" for note in contents.notes]
            chips = tuple(_with_listing(chip, listing, contents, notes) for chip in chips)
    return MemoryMap(
        processor.name,
        processor.word_bits,
        processor.address_bits,
        chips,
        tuple(notes),
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
    address = np.arange(contents.base, contents.base + len(contents), dtype=np.uint64)
    banks = {region.bank for region in chip.regions if region.bank is not None} or {0}
    words, known = chip.contents.copy(), chip.known.copy()
    for bank in sorted({listing.bank} if listing.bank is not None else banks):
        # On a byte-addressed bus the addresses inside a word carry nothing of their own.
        chosen = chip.selected(np.full(len(address), bank, np.int32), address) & (contents.known != 0)
        if not chosen.any():
            continue
        cell = chip.chip_address(address[chosen])
        listed = _outputs(chip, contents.words[chosen])
        given = _outputs(chip, contents.known[chosen], mask=True)
        clash = (listed ^ words[cell]) & given & known[cell]
        if clash.any():
            first = int(address[chosen][np.flatnonzero(clash)[0]])
            notes.append(
                f"{chip.name}: {listing.file} and the chip's image disagree on {np.count_nonzero(clash)} "
                f"words, the first at 0x{first:X}; the image is taken as the reference."
            )
        new = given & ~known[cell]
        words[cell] |= listed & new
        known[cell] |= new
    return replace(chip, contents=words, known=known)


def _outputs(chip: ChipMap, word: Words, *, mask: bool = False) -> Words:
    """The chip's outputs for words on the bus; a mask of known bits is never inverted."""
    outputs = chip.from_bus(word)
    if mask and chip.inverted:
        outputs = outputs ^ np.uint64(mask_of(range(len(chip.lane))))
    return outputs
