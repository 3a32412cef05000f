"""The contents that a machine file names: an image for a chip, a listing for a processor."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np

from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import ListingOptions, read_words
from wrongbit.image.lanes import ByteOrder, as_words, invert, spread, take, window
from wrongbit.machine.model import ImageFile, Listing


def load_chip_contents(
    image: ImageFile, words: int, bits: int, folder: Path, *, byte_order: ByteOrder = "little"
) -> Contents:
    """What a chip should hold, word for word of the chip.

    Args:
        image: The machine file's entry.
        words: Words in the chip.
        bits: Outputs of the chip.
        folder: Folder against which the file's name is meant.
        byte_order: For a chip wider than a byte and a file of bytes: how two bytes make a word.

    Returns:
        Exactly ``words`` words of ``bits`` bits from address 0. What the file lacks is not known, and
        ``notes`` say so.

    Raises:
        ImageError: The file cannot be read, its words do not fit the chip's, it gives nothing for the
            chip, or it goes on beyond the chip with more than filler while no base was stated.
    """
    path = folder / image.file
    contents, step = read_words(path, image.format, _options(image, bits))
    unit = step * (2 if image.take in ("even", "odd") else 1)
    base = _file_base(image, step, str(path))
    contents = take(contents, image.take)
    if image.take in ("even", "odd"):
        base //= 2
    if contents.word_bits == 8 and bits > 8:
        contents = as_words(contents, bits, byte_order)
        base = _whole(base, bits // 8, str(path))
        unit *= bits // 8
        contents = _noted(contents, f"Bytes were joined to words in {byte_order}-endian order.")
    contents = _fit_width(contents, bits)
    contents = _fit_length(contents, base, words, "base" in image.model_fields_set, unit)
    return invert(contents) if image.inverted else contents


def _options(image: ImageFile, bits: int) -> ListingOptions:
    halves = 2 if image.take in ("low", "high") else 1
    return ListingOptions(image.address_radix, image.word_radix, image.word_bits or bits * halves)


def _noted(contents: Contents, note: str) -> Contents:
    return replace(contents, notes=(*contents.notes, note))


def _file_base(image: ImageFile, step: int, file: str) -> int:
    """The chip's address 0 in words of the file."""
    base = _whole(image.base, step, file)
    return _whole(base, 2, file) * 2 if image.take in ("even", "odd") else base


def _whole(address: int, step: int, file: str) -> int:
    """An address divided by the step from word to word."""
    quotient, remainder = divmod(address, step)
    if remainder:
        raise ImageError(
            f"the base, 0x{address:X}, lies inside a word: the chip takes every {step} addresses of the file "
            "for one of its own.",
            f"Give a base that is a multiple of {step}.",
            file=file,
            key="image.base",
        )
    return quotient


def _fit_width(contents: Contents, bits: int) -> Contents:
    """Words as wide as the chip; upper bits of a wider file word must be mere filling."""
    if contents.word_bits == bits:
        return contents
    if contents.word_bits < bits:
        raise ImageError(
            f"the file gives {contents.word_bits} bits a word, the chip has {bits} outputs.",
            "Check 'take' and the width of the chip.",
            file=contents.source,
        )
    upper_known = contents.known >> np.uint64(bits)
    upper = contents.words >> np.uint64(bits)
    if (upper & upper_known).any() and ((upper ^ upper_known) & upper_known).any():
        raise ImageError(
            f"the file gives {contents.word_bits} bits a word, the chip has {bits} outputs, and the "
            f"{contents.word_bits - bits} upper bits are not mere filling.",
            "Say with 'take' which part of each word the chip holds.",
            file=contents.source,
        )
    mask = np.uint64((1 << bits) - 1)
    narrow = replace(contents, words=contents.words & mask, known=contents.known & mask, word_bits=bits)
    return _noted(narrow, f"The file has {contents.word_bits} bits a word; the lower {bits} were taken.")


def _fit_length(contents: Contents, base: int, words: int, base_stated: bool, unit: int) -> Contents:
    """The chip's own words; a file that goes on is an error unless the rest is filler or was announced.

    ``unit`` is the number of file addresses to a word of the chip; a remedy counts in these.
    """
    first, end = contents.base, contents.base + len(contents)
    if end <= base or first >= base + words or first == end:
        gives = f"words 0x{first:X} to 0x{end - 1:X}" if end > first else "no word"
        raise ImageError(
            f"the file gives {gives}; the chip's {words} words begin at 0x{base:X}.",
            f"Write base = 0x{first * unit:X} in the chip's image table: the file's address at which this "
            "chip's contents begin."
            if end > first
            else "Check the file and 'take': nothing is left for this chip.",
            file=contents.source,
            key="image.base",
        )
    if end > base + words:
        contents = _check_rest(contents, base, words, base_stated)
    result = window(contents, base, words)
    missing = int(np.count_nonzero(result.known == 0))
    if missing:
        start = int(np.flatnonzero(result.known == 0)[0])
        result = _noted(
            result,
            f"{missing} of {words} words are not in the file, the first at chip address 0x{start:X}: "
            "not known.",
        )
    return result


def _check_rest(contents: Contents, base: int, words: int, base_stated: bool) -> Contents:
    """Look at what the file gives beyond the chip: filler and repeats are no matter, data is."""
    rest = window(contents, base + words, contents.base + len(contents) - base - words)
    given = np.flatnonzero(rest.known)
    beyond = f"{len(given)} words beyond the chip's {words}"
    if base_stated:
        return _noted(contents, f"{beyond} were left out.")
    ones = rest.words == rest.known
    zeros = rest.words == 0
    if ones[given].all() or zeros[given].all():
        return _noted(contents, f"{beyond} hold only filler (all bits {int(ones[given].all())}).")
    chip = window(contents, base, words)
    again = given % words
    if not ((chip.words[again] ^ rest.words[given]) | (rest.known[given] & ~chip.known[again])).any():
        return _noted(contents, f"{beyond} repeat the chip's own: it was read as a larger one.")
    odd = given[~(ones | zeros)[given]]
    first = int(odd[0] if len(odd) else given[0])
    raise ImageError(
        f"the file is too long for the chip: {beyond}, and not mere filler "
        f"(0x{int(rest.words[first]):X} at 0x{base + words + first:X}).",
        "Check the chip's size and 'take'; if the file holds several chips, state this chip's base (even "
        "if it is 0).",
        file=contents.source,
    )


def load_listing(
    listing: Listing,
    word_bits: int,
    folder: Path,
    *,
    byte_order: ByteOrder = "little",
    address_unit: Literal["word", "byte"] | None = None,
) -> Contents:
    """Words as the processor sees them, at the processor's addresses.

    Args:
        listing: The machine file's entry.
        word_bits: Width of the processor's word.
        folder: Folder against which the file's name is meant.
        byte_order: For a file of bytes and a wider word: how bytes make a word.
        address_unit: What the processor's addresses count. None: a listing of wider words shows it by how
            its addresses rise; a file of bytes becomes words at addresses that count words.

    Returns:
        One entry an address from the first listed one (with ``offset`` added). Where addresses count
        bytes and words are wider, the addresses inside a word have no known bit.

    Raises:
        ImageError: The file cannot be read, or the offset makes an address negative.
    """
    path = folder / listing.file
    contents, step = _read_listing(listing, word_bits, path, address_unit)
    if contents.word_bits == 8 and word_bits > 8:
        contents = as_words(contents, word_bits, byte_order)
        contents = _noted(contents, f"Bytes were joined to words in {byte_order}-endian order.")
        step = word_bits // 8 if address_unit == "byte" else 1
    contents = spread(_fit_width(contents, word_bits), step)
    base = contents.base + listing.offset
    if base < 0:
        raise ImageError(
            f"offset {listing.offset} makes address 0x{contents.base:X} negative.",
            "Correct the offset.",
            file=str(path),
            key="listing.offset",
        )
    return replace(contents, base=base)


def _read_listing(
    listing: Listing, word_bits: int, path: Path, unit: Literal["word", "byte"] | None
) -> tuple[Contents, int]:
    """Read in the processor's width; a listing that has no such word may list bytes."""
    bases = (listing.address_radix, listing.word_radix)
    try:
        return read_words(path, listing.format, ListingOptions(*bases, word_bits, unit))
    except ImageError as error:
        if error.line is not None or word_bits == 8 or word_bits % 8:
            raise
        try:
            return read_words(path, listing.format, ListingOptions(*bases, 8))
        except ImageError:
            raise error from None
