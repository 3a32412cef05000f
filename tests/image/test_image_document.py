"""The document of the image room says what the code does."""

from __future__ import annotations

from pathlib import Path

from wrongbit.image.checksums import ALGORITHMS
from wrongbit.image.formats import FORMATS, read_image

FILES = Path(__file__).parent / "files"
TEXT = (Path(__file__).parents[2] / "docs" / "image-formats.md").read_text(encoding="utf-8")


def test_every_format_has_its_row() -> None:
    rows = [line.split("|") for line in TEXT.splitlines() if line.startswith("| `")]
    written = {row[1].strip(" `"): row[4].strip() for row in rows}
    assert written == {name: "yes" if row.write else "no" for name, row in FORMATS.items()}


def test_every_checksum_has_its_row() -> None:
    for row in ALGORITHMS:
        assert f"| {row.name} | {row.width} |" in TEXT


def test_example_and_its_note() -> None:
    assert (FILES / "kiln_z80.lst").read_text() in TEXT
    for note in read_image(FILES / "kiln_z80.lst", "listing", word_bits=8).notes:
        assert f"`{note}`" in TEXT
