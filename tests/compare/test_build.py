"""A memory map from files: images, torn listings, byte order, and references that disagree."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wrongbit.bus.cycles import KIND_CODE, NO_TIME, Cycles
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.judge import judge
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.compare.summary import summarise
from wrongbit.compare.verdicts import DIFFERS, NOT_KNOWN
from wrongbit.errors import ImageError
from wrongbit.machine.load import load_machine

HEAD = """
[machine]
name = "Test bench"

[[processor]]
name = "U1"
word_bits = {word_bits}
address_bits = 16
recipe = "{recipe}"
{more}
"""


def chip(
    name: str, lane: str, base: int, words: int, file: str, more: str = "", size: int | None = None
) -> str:
    return f"""
[[chip]]
name = "{name}"
kind = "rom"
words = {words}
bits = 8
lane = "{lane}"
region = [{{ base = {base}, size = {words if size is None else size} }}]
{f'image = {{ file = "{file}" {more} }}' if file else ""}
"""


def built(folder: Path, text: str) -> MemoryMap:
    path = folder / "machine.toml"
    path.write_text(text, encoding="utf-8")
    machine = load_machine(path)
    return build_memory_map(machine, machine.processor[0], folder)


def looked_up(memory_map: MemoryMap, *addresses: int) -> list[tuple[int, int]]:
    word, known = memory_map.expected(np.zeros(len(addresses), np.int32), np.array(addresses, np.uint64))
    return list(zip(word.tolist(), known.tolist(), strict=True))


def test_one_file_of_words_feeds_two_byte_wide_chips(tmp_path: Path) -> None:
    """68000: byte addresses, big-endian file, even bytes on D8 to D15 (M68000 User's Manual, 9th ed.)."""
    (tmp_path / "rom.bin").write_bytes(bytes([0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0]))
    text = HEAD.format(word_bits=16, recipe="68000", more='address_unit = "byte"\nbyte_order = "big"') + chip(
        "U2", "8..15", 0, 4, "rom.bin", ', take = "even"', size=8
    )
    text += chip("U3", "0..7", 0, 4, "rom.bin", ', take = "odd"', size=8)
    found = built(tmp_path, text)
    assert looked_up(found, 0, 2, 6) == [(0x1234, 0xFFFF), (0x5678, 0xFFFF), (0xDEF0, 0xFFFF)]
    assert found.addresses_a_word == 2


@pytest.mark.parametrize(("word_bits", "unit", "step"), [(16, "word", 1), (8, "byte", 1), (32, "byte", 4)])
def test_addresses_from_one_word_to_the_next(tmp_path: Path, word_bits: int, unit: str, step: int) -> None:
    """A 68008 or 8088 has a bus of bytes (M68000 User's Manual, 9th ed.; 8086 Family User's Manual, 1979)."""
    head = HEAD.format(word_bits=word_bits, recipe="6502", more=f'address_unit = "{unit}"')
    assert built(tmp_path, head).addresses_a_word == step


def test_a_torn_listing_fills_what_it_can(tmp_path: Path) -> None:
    (tmp_path / "page.lst").write_text("E000  A9 01  LDA #1\nE002  8D 00  STA\n", encoding="ascii")
    text = HEAD.format(word_bits=8, recipe="6502", more="") + chip("U2", "0..7", 0xE000, 16, "")
    text += '\n[[listing]]\nfile = "page.lst"\n'
    found = built(tmp_path, text)
    assert looked_up(found, 0xE000, 0xE003, 0xE004) == [(0xA9, 0xFF), (0, 0xFF), (0, 0)]
    assert found.notes[0].startswith("page.lst: 2 of 2 lines used")  # of several listings one knows which


def test_references_that_disagree_are_told_and_the_image_stands(tmp_path: Path) -> None:
    (tmp_path / "rom.bin").write_bytes(bytes([0xA9, 0x01, 0x8D, 0x00]))
    (tmp_path / "page.lst").write_text("E000  A9 02  LDA #2\n", encoding="ascii")
    text = HEAD.format(word_bits=8, recipe="6502", more="") + chip("U2", "0..7", 0xE000, 4, "rom.bin")
    text += '\n[[listing]]\nfile = "page.lst"\n'
    found = built(tmp_path, text)
    assert looked_up(found, 0xE001) == [(0x01, 0xFF)]
    assert any("disagree on 1 words, the first at 0xE001" in note for note in found.notes)


def test_an_inverting_buffer_turns_listing_words_into_contents(tmp_path: Path) -> None:
    (tmp_path / "page.lst").write_text("E000  A9 0F\n", encoding="ascii")
    text = (
        HEAD.format(word_bits=8, recipe="6502", more="")
        + chip("U2", "0..7", 0xE000, 4, "")
        + "inverted = true\n"
    )
    text += '\n[[listing]]\nfile = "page.lst"\n'
    found = built(tmp_path, text)
    assert looked_up(found, 0xE000, 0xE001, 0xE002) == [(0xA9, 0xFF), (0x0F, 0xFF), (0, 0)]
    assert found.chips[0].contents.tolist()[:2] == [0x56, 0xF0]


def test_ram_that_another_processor_writes_is_not_judged(tmp_path: Path) -> None:
    """A mailbox: U1 writes it, U2 answers there, and a capture of U1's cycles shows no write of U2's."""
    shared = """
[[processor]]
name = "U2"
word_bits = 8
address_bits = 16
recipe = "6502"

[[chip]]
name = "{name}"
kind = "ram"
processor = "U1"
words = 16
bits = 8
lane = "0..7"
region = [{{ base = 0x20, size = 16 }}]
"""
    head = HEAD.format(word_bits=8, recipe="6502", more="")
    mailbox = built(tmp_path, head + shared.format(name="U5") + 'also = ["U2"]')
    own = built(tmp_path, head + shared.format(name="U5"))
    cycles = Cycles(
        sample=np.arange(2),
        time_ps=np.full(2, NO_TIME),
        kind=np.array([KIND_CODE["write"], KIND_CODE["read"]], np.uint8),
        bank=np.zeros(2, np.int32),
        address=np.full(2, 0x20, np.uint64),
        address_known=np.full(2, 0xFFFF, np.uint64),
        word=np.array([0x01, 0x80], np.uint64),
        known=np.full(2, 0xFF, np.uint64),
        held=np.zeros(2, np.uint64),
        flags=np.zeros(2, np.uint8),
    )
    assert judge(cycles, own).verdict.tolist() == [NOT_KNOWN, DIFFERS]
    assert judge(cycles, mailbox).verdict.tolist() == [NOT_KNOWN, NOT_KNOWN]
    assert any("U5 is RAM that U2 may write too" in note for note in mailbox.notes)
    why = summarise(cycles, judge(cycles, mailbox), mailbox).unjudged
    assert (why.shared, why.unwritten) == (1, 0)


def test_an_image_longer_than_its_chip_is_refused(tmp_path: Path) -> None:
    (tmp_path / "rom.bin").write_bytes(bytes(range(1, 9)))
    text = HEAD.format(word_bits=8, recipe="6502", more="") + chip("U2", "0..7", 0xE000, 4, "rom.bin")
    with pytest.raises(ImageError, match=r"rom\.bin"):
        built(tmp_path, text)


def test_a_bad_image_tells_whose_it_is(tmp_path: Path) -> None:
    (tmp_path / "u7.hex").write_text(":04E00000DEADBEEFE4\n:00000001FF\n")
    text = HEAD.format(word_bits=8, recipe="6800", more="") + chip("U7", "0..7", 0xE000, 4, "u7.hex")
    with pytest.raises(ImageError) as caught:
        built(tmp_path, text)
    assert caught.value.notes == ("The machine file names it as the image of chip U7.",)
    assert "base = 0xE000" in caught.value.remedy
