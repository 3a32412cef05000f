"""Which chip answers at an address, with which of its words, on which bits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import gather_bits, mask_of, scatter_bits

Words = NDArray[np.uint64]
Banks = NDArray[np.int32]

LARGEST_DIRECTORY = 1 << 18
"""Most entries of a table with the answer for every address: 2 MiB each, which a second-level cache holds."""


@dataclass(frozen=True)
class ChipRegion:
    """Addresses at which a chip answers; ``bank`` None means every bank."""

    bank: int | None
    base: int
    size: int


@dataclass(frozen=True)
class ChipMap:
    """A chip as the processor sees it.

    Args:
        name: Reference designator.
        kind: rom, ram or io.
        lane: Word bit that each output feeds, output 0 first.
        address_lines: Processor address bit on each of the chip's address lines, line 0 first.
        regions: Where it answers.
        contents: ``uint64 (words,)`` what it should hold, in the chip's own output order (0 for RAM and io).
        known: ``uint64 (words,)`` a 1 for each bit of ``contents`` that is known.
        inverted: Its outputs reach the processor inverted.
        rows: Chip address lines that choose the row of its array, lowest first; may be empty.
        columns: Chip address lines that choose the column; may be empty.
        technology: How a ROM holds its contents (mask, fuse, eprom, eeprom, flash), or None.
        shared: Another processor may write it, which a capture of this one's cycles does not show.
    """

    name: str
    kind: Literal["rom", "ram", "io"]
    lane: tuple[int, ...]
    address_lines: tuple[int, ...]
    regions: tuple[ChipRegion, ...]
    contents: NDArray[np.uint64]
    known: NDArray[np.uint64]
    inverted: bool = False
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    technology: str | None = None
    shared: bool = False

    @property
    def stores_charge(self) -> bool:
        """Its cells may be charges that leak away; True where the machine file does not say."""
        return self.technology not in ("mask", "fuse")

    @cached_property
    def lane_mask(self) -> int:
        """The word bits that this chip feeds."""
        return mask_of(self.lane)

    def selected(self, bank: NDArray[np.int32], address: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """True where the chip answers.

        Args:
            bank: ``int32 (n,)``.
            address: ``uint64 (n,)``.
        """
        chosen = np.zeros(len(address), np.bool_)
        for region in self.regions:
            # Unsigned wrap-around makes one comparison do for both ends of the region.
            here = (address - np.uint64(region.base)) < np.uint64(region.size)
            if region.bank is not None:
                here &= bank == region.bank
            chosen |= here
        return chosen

    def chip_address(self, address: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """The address on the chip's own lines, wrapped to its size."""
        cell = gather_bits(address, self.address_lines)
        words = len(self.contents)
        if words >= 1 << len(self.address_lines):
            return cell
        # A mask where it will do: dividing a million 64-bit numbers costs more than everything else here.
        return cell & np.uint64(words - 1) if words & (words - 1) == 0 else cell % np.uint64(words)

    def on_bus(self, outputs: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """Outputs (chip order) as bits of the processor's word."""
        if self.inverted:
            outputs = outputs ^ np.uint64((1 << len(self.lane)) - 1)
        return scatter_bits(outputs, self.lane)

    def from_bus(self, word: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """Bits of the processor's word as outputs (chip order): the inverse of `on_bus`."""
        outputs = gather_bits(word, self.lane)
        return outputs ^ np.uint64((1 << len(self.lane)) - 1) if self.inverted else outputs

    def known_on_bus(self, known: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """A mask in chip order as a mask of the processor's word."""
        return scatter_bits(known, self.lane)


@dataclass(frozen=True)
class MemoryMap:
    """All chips on one processor's bus.

    Args:
        processor: Its name.
        word_bits: Width of its word.
        address_bits: Width of its address.
        chips: In the order of the machine file.
        notes: What could not be taken from the files, for people.
        addresses_a_word: Addresses from one word of the bus to the next: several where they count bytes of a
            wider bus. Words begin at multiples of it.
    """

    processor: str
    word_bits: int
    address_bits: int
    chips: tuple[ChipMap, ...]
    notes: tuple[str, ...] = ()
    addresses_a_word: int = 1

    @property
    def roms(self) -> tuple[ChipMap, ...]:
        """The chips with contents to compare with."""
        return tuple(chip for chip in self.chips if chip.kind == "rom")

    @property
    def banked(self) -> bool:
        """Some chip answers in one bank only."""
        return any(region.bank is not None for chip in self.chips for region in chip.regions)

    def in_a_bank(self, address: Words) -> NDArray[np.bool_]:
        """``bool (n,)``: which chip answers at the address, or with what, depends on the bank."""
        found = np.zeros(len(address), np.bool_)
        for chip in self.chips:
            for region in chip.regions:
                if region.bank is not None:
                    found |= (address - np.uint64(region.base)) < np.uint64(region.size)
        return found

    def prepare(self) -> None:
        """Work out what is at every address, before several threads ask."""
        _ = self._directory

    def look_up(self, bank: Banks, address: Words) -> tuple[Words, Words, Words]:
        """What `expected` and `answering` give, in one go: words, known bits and answering chips."""
        directory = self._directory
        if directory is None:
            return (*self._look_up(bank, address), self._ask_around(bank, address))
        place = directory.place(bank, address)
        return directory.words[place], directory.known[place], directory.answers[place]

    def expected(self, bank: Banks, address: Words) -> tuple[Words, Words]:
        """What the ROMs should put on the bus at these addresses.

        Args:
            bank: ``int32 (n,)``.
            address: ``uint64 (n,)``, all bits known.

        Returns:
            ``uint64 (n,)`` words, and ``uint64 (n,)`` masks of the bits that are known.
        """
        directory = self._directory
        if directory is None:
            return self._look_up(bank, address)
        place = directory.place(bank, address)
        return directory.words[place], directory.known[place]

    def answering(self, bank: Banks, address: Words) -> Words:
        """Which chips answer: bit c of each value stands for ``chips[c]``.

        Args:
            bank: ``int32 (n,)``.
            address: ``uint64 (n,)``, all bits known.

        Returns:
            ``uint64 (n,)``.
        """
        directory = self._directory
        if directory is None:
            return self._ask_around(bank, address)
        return directory.answers[directory.place(bank, address)]

    @cached_property
    def _directory(self) -> _Directory | None:
        """The answers for every address, where there are few enough addresses to list them all."""
        named = sorted(
            {region.bank for chip in self.chips for region in chip.regions if region.bank is not None}
        )
        size = 1 << self.address_bits
        if (len(named) + 1) * size > LARGEST_DIRECTORY:
            return None
        address = np.tile(np.arange(size, dtype=np.uint64), len(named) + 1)
        bank = np.repeat(np.array([-1, *named], np.int32), size)
        words, known = self._look_up(bank, address)
        return _Directory(
            np.array(named, np.int32), self.address_bits, words, known, self._ask_around(bank, address)
        )

    def _look_up(self, bank: Banks, address: Words) -> tuple[Words, Words]:
        word = np.zeros(len(address), np.uint64)
        known = np.zeros(len(address), np.uint64)
        for chip in self.roms:
            index = np.flatnonzero(chip.selected(bank, address))
            cell = chip.chip_address(address[index]).astype(np.intp)
            mask = chip.known_on_bus(chip.known[cell])
            word[index] |= chip.on_bus(chip.contents[cell]) & mask
            known[index] |= mask
        return word, known

    def _ask_around(self, bank: Banks, address: Words) -> Words:
        answers = np.zeros(len(address), np.uint64)
        for number, chip in enumerate(self.chips):
            answers |= chip.selected(bank, address).astype(np.uint64) << np.uint64(number)
        return answers


@dataclass(frozen=True)
class _Directory:
    """What is at every address: once in no named bank, then in each named bank.

    A million look-ups in a table that fits the processor's cache cost a tenth of asking every chip.

    Args:
        banks: ``int32 (b,)`` the named banks, rising.
        address_bits: Width of an address.
        words: ``uint64 ((b + 1) * 2**address_bits,)`` what the ROMs should give.
        known: Likewise, the bits that are known.
        answers: Likewise, which chips answer.
    """

    banks: Banks
    address_bits: int
    words: Words
    known: Words
    answers: Words

    def place(self, bank: Banks, address: Words) -> NDArray[np.intp]:
        """Index into the tables."""
        place = address.astype(np.intp)
        if not len(self.banks) or not len(bank):
            return place
        first = bank[0]
        if (bank == first).all():  # as nearly always in a stretch of cycles
            place += int(self._offset(bank[:1])[0])
        else:
            place += self._offset(bank)
        return place

    def _offset(self, bank: Banks) -> NDArray[np.intp]:
        """Where the addresses of each bank begin; at 0 those of any bank that is not named."""
        slot = np.searchsorted(self.banks, bank)
        named = self.banks[np.minimum(slot, len(self.banks) - 1)] == bank
        return np.where(named, slot + 1, 0) << self.address_bits
