"""One pass of a chip in a reader, and loading several of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from wrongbit.errors import ImageError, InputError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FORMATS, LARGEST_FILE, FormatName, ListingOptions, read_words
from wrongbit.image.lanes import ByteOrder, as_words, window
from wrongbit.reading.conditions import NOTHING_KNOWN, TABLE_NAMES, Conditions, load_conditions


@dataclass(frozen=True)
class Reading:
    """One pass.

    Args:
        contents: What was read, a word for each of the chip's addresses from 0.
        conditions: How it was read, as far as known.
        name: What people call it, such as the file's name.
    """

    contents: Contents
    conditions: Conditions = NOTHING_KNOWN
    name: str = ""


def load_readings(
    paths: Sequence[Path],
    words: int,
    bits: int,
    *,
    byte_order: ByteOrder = "little",
    table: Path | None = None,
) -> tuple[Reading, ...]:
    """Passes of one chip, all as long and as wide as the chip.

    Args:
        paths: Binary, Intel HEX, S-record or listing files.
        words: Number of words in the chip.
        bits: Number of its outputs.
        byte_order: For a chip wider than a byte and a file of bytes: how bytes make a word.
        table: Table of conditions; None: ``readings.toml`` or ``readings.csv`` beside each file, if there.

    Returns:
        One reading for each file, in the same order. Words that an Intel HEX, S-record or listing file
        leaves out are not known.

    Raises:
        ImageError: A file cannot be read, or is longer, shorter or wider than the chip; the notes tell what
            its length looks like.
        InputError: There are no files, or a table of conditions cannot be used.
    """
    if not paths:
        raise InputError("no reading was given.", "Name at least one file that was read from the chip.")
    known: dict[Path, Mapping[str, Conditions]] = {}
    if table is not None:
        known[table] = load_conditions(table)
    readings = []
    for path in paths:
        place = table if table is not None else _table_beside(path)
        if place is not None and place not in known:
            known[place] = load_conditions(place)
        conditions = NOTHING_KNOWN if place is None else known[place].get(path.name, NOTHING_KNOWN)
        contents = load_reading(path, words, bits, byte_order=byte_order)
        readings.append(Reading(contents, conditions, path.name))
    return tuple(readings)


def _table_beside(path: Path) -> Path | None:
    return next((path.parent / name for name in TABLE_NAMES if (path.parent / name).is_file()), None)


def load_reading(path: Path, words: int, bits: int, *, byte_order: ByteOrder = "little") -> Contents:
    """The contents of one pass, exactly ``words`` words from address 0.

    Raises:
        ImageError: As for `load_readings`.
    """
    name = _format(path)
    contents, _ = read_words(path, name, ListingOptions(16, 16, bits))
    if contents.word_bits == 8 and bits > 8 and bits % 8 == 0:
        if (contents.base | len(contents)) % (bits // 8):
            raise ImageError(
                f"{len(contents)} bytes from 0x{contents.base:X} make no whole words of {bits} bits.",
                "Read the chip again as a whole.",
                file=str(path),
            )
        contents = as_words(contents, bits, byte_order)
    contents = _fit_width(contents, bits, str(path))
    end = contents.base + len(contents)
    if end > words or (name == "binary" and end < words):
        raise _wrong_length(contents, words, str(path))
    missing = words - int(np.count_nonzero(contents.known))
    whole = window(contents, 0, words) if (contents.base, end) != (0, words) else contents
    if missing:
        whole = replace(whole, notes=(*whole.notes, f"{missing} of {words} words are not in the file."))
    return whole


def _format(path: Path) -> FormatName | Literal["auto"]:
    """The format that 'auto' would choose; 'auto' itself where that must tell what is wrong."""
    try:
        if path.stat().st_size > LARGEST_FILE:
            return "auto"
        data = path.read_bytes()
    except (OSError, ValueError):
        return "auto"
    return next((name for name, row in FORMATS.items() if data and row.recognise(data)[0]), "auto")


def _fit_width(contents: Contents, bits: int, file: str) -> Contents:
    if contents.word_bits == bits:
        return contents
    mask = np.uint64((1 << bits) - 1)
    upper = contents.words[contents.words > mask]
    if contents.word_bits < bits or len(upper):
        found = (
            f"the file gives {contents.word_bits} bits a word"
            if contents.word_bits < bits
            else f"the file has the word 0x{int(upper[0]):X}"
        )
        raise ImageError(
            f"{found}; the chip has {bits} outputs.",
            "Check 'bits' of the chip in the machine file and the device that the reader was set to.",
            file=file,
        )
    return replace(contents, words=contents.words & mask, known=contents.known & mask, word_bits=bits)


def _wrong_length(contents: Contents, words: int, file: str) -> ImageError:
    """A length that is not the chip's, with what it looks like."""
    end = contents.base + len(contents)
    if contents.base >= words:
        return ImageError(
            f"the file's words begin at 0x{contents.base:X}; the chip has {words} words from 0.",
            "Save the reading with the chip's own addresses, from 0.",
            file=file,
        )
    if end < words:
        part = words // end if end and words % end == 0 else 0
        looks = (
            f"That is 1/{part} of the chip: the reader was set to a smaller one."
            if part
            else ("The file was cut short.")
        )
        remedy = "Set the reader to the chip's own type and read it again."
    else:
        looks = _longer(contents, words)
        remedy = (
            "Set the reader to the chip's own type and read it again, or correct 'words' in the machine file."
        )
    return ImageError(
        f"the reading has {end} words; the chip has {words}.", remedy, file=file, notes=(looks,)
    )


def _longer(contents: Contents, words: int) -> str:
    """What the words beyond the chip are."""
    whole = window(contents, 0, contents.base + len(contents)).words
    rest = whole[words:]
    if (rest == rest[0]).all():
        return f"Every word beyond the chip is 0x{int(rest[0]):X}: the reader was set to a larger chip."
    if (rest == np.resize(whole[:words], len(rest))).all():
        return "The words beyond the chip repeat it: the reader was set to a larger chip."
    return "The words beyond the chip are neither filler nor a repetition: perhaps it is another chip."
