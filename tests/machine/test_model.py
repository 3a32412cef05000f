"""The model by itself, and the JSON Schema made from it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from wrongbit.machine.model import Chip, Machine, Point, Processor, Region, default_address_lines, json_schema

ROOT = Path(__file__).parents[2]
SCHEMA = json_schema()
VALIDATOR = Draft202012Validator(SCHEMA)


def machine_files() -> list[Path]:
    """Every machine file that the project ships."""
    files = [
        file for folder in ("src", "docs", "examples") for file in sorted(ROOT.glob(f"{folder}/**/*.toml"))
    ]
    return [file for file in files if "machine" in tomllib.loads(file.read_text(encoding="utf-8"))]


class TestDefaultAddressLines:
    def lines(self, words: int, **keys: Any) -> tuple[int, ...]:
        processor = Processor(name="U1", address_bits=24, recipe="z80", **keys)
        chip = Chip(
            name="U2", kind="rom", words=words, bits=8, lane=range(8), region=[Region(base=0, size=1)]
        )
        return default_address_lines(chip, processor)

    def test_word_addressed(self) -> None:
        assert self.lines(8192, word_bits=16) == tuple(range(13))
        assert self.lines(8192, word_bits=8) == tuple(range(13))

    def test_8086(self) -> None:
        # Intel 231455, bus organisation: A0 and BHE choose the bytes, A19 to A1 go to both banks of memory.
        assert self.lines(8192, word_bits=16, address_unit="byte") == tuple(range(1, 14))

    def test_8088(self) -> None:
        # The 8-bit bus of the 8088 counts bytes and has A0 on its memories.
        assert self.lines(8192, word_bits=8, address_unit="byte") == tuple(range(13))

    def test_32_bit_bus(self) -> None:
        assert self.lines(8192, word_bits=32, address_unit="byte") == tuple(range(2, 15))

    @pytest.mark.parametrize(("words", "count"), [(1, 0), (2, 1), (3000, 12), (4096, 12), (4097, 13)])
    def test_as_many_as_the_words_need(self, words: int, count: int) -> None:
        assert len(self.lines(words, word_bits=8)) == count

    def test_named_lines_win(self) -> None:
        processor = Processor(name="U1", word_bits=8, address_bits=16, recipe="z80")
        region = [Region(base=0, size=4)]
        chip = Chip(
            name="U2", kind="rom", words=4, bits=8, lane=range(8), region=region, address_lines="9, 3"
        )
        assert default_address_lines(chip, processor) == (9, 3)


class TestLookups:
    machine = Machine.model_validate(
        {
            "machine": {"name": "m"},
            "processor": [
                {"name": n, "word_bits": 8, "address_bits": 16, "recipe": "z80"} for n in ("U1", "U2")
            ],
            "chip": [
                {
                    "name": "U3",
                    "kind": "ram",
                    "words": 1,
                    "bits": 1,
                    "lane": 0,
                    "region": [{"base": 0, "size": 1}],
                }
                | {"processor": "U2"}
            ],
            "point": [{"name": "p", "mode": "timing", "processor": "U1"}],
        }
    )

    def test_processor(self) -> None:
        assert self.machine.processor_of("U2") is self.machine.processor[1]
        with pytest.raises(KeyError):
            self.machine.processor_of(None)
        with pytest.raises(KeyError):
            self.machine.processor_of("U9")

    def test_chips(self) -> None:
        assert [chip.name for chip in self.machine.chips_of(self.machine.processor[1])] == ["U3"]
        assert self.machine.chips_of(self.machine.processor[0]) == ()

    def test_point(self) -> None:
        assert self.machine.point_of(None) is self.machine.point_of("p")
        with pytest.raises(KeyError):
            self.machine.point_of("q")

    def test_times_may_be_plain_picoseconds_in_code(self) -> None:
        assert Point(name="p", mode="timing", period=10_000).period == Point(
            name="p", mode="timing", period="10 ns"
        ).period  # fmt: skip


class TestSchema:
    """Against JSON Schema, draft 2020-12, by the jsonschema package."""

    def test_it_is_a_valid_schema(self) -> None:
        Draft202012Validator.check_schema(SCHEMA)

    @pytest.mark.parametrize("file", machine_files(), ids=lambda file: file.name)
    def test_every_machine_file_of_the_project(self, file: Path) -> None:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        assert [error.message for error in VALIDATOR.iter_errors(data)] == []

    GOOD = """\
    machine = {name = "m"}
    [[processor]]
    name = "U1"
    word_bits = "0o20"
    address_bits = 16
    recipe = "z80"
    clock = "1 MHz"
    [[chip]]
    name = "U2"
    kind = "rom"
    words = 8
    bits = 8
    lane = "0..7"
    region = [{base = "0x10", size = 8}]
    address_lines = [2, "0x1", 0]
    access_time = "450 ns"
    rows = 1
    pins = {D0 = 9}
    """

    def test_notations(self) -> None:
        assert list(VALIDATOR.iter_errors(tomllib.loads(self.GOOD))) == []

    @pytest.mark.parametrize(
        ("old", "new", "path"),
        [
            ('kind = "rom"', 'kind = "eprom"', ["chip", 0, "kind"]),
            ('lane = "0..7"', 'lane = "0-7"', ["chip", 0, "lane"]),
            ('lane = "0..7"', "lane = [0, 64]", ["chip", 0, "lane"]),
            ('lane = "0..7"', "lanes = 3", ["chip", 0]),
            ('"450 ns"', '"450"', ["chip", 0, "access_time"]),
            ('"450 ns"', "450", ["chip", 0, "access_time"]),
            ('base = "0x10"', 'base = "10h"', ["chip", 0, "region", 0, "base"]),
            ('base = "0x10"', "base = -1", ["chip", 0, "region", 0, "base"]),
            ("size = 8", "size = 0", ["chip", 0, "region", 0, "size"]),
            ('word_bits = "0o20"', "word_bits = 65", ["processor", 0, "word_bits"]),
            ('"1 MHz"', '"1 megahertz"', ["processor", 0, "clock"]),
            ('recipe = "z80"', "recipe = {transfer = []}", ["processor", 0, "recipe"]),
            (
                'recipe = "z80"',
                'recipe = {transfer = [{kind = "read", at = "RD"}]}',
                ["processor", 0, "recipe"],
            ),
            ("D0 = 9", "D0 = 0", ["chip", 0, "pins", "D0"]),
            ('machine = {name = "m"}', "", []),
        ],
    )
    def test_broken_files(self, old: str, new: str, path: list[str | int]) -> None:
        assert old in self.GOOD
        errors = list(VALIDATOR.iter_errors(tomllib.loads(self.GOOD.replace(old, new))))
        assert [list(error.absolute_path) for error in errors if list(error.absolute_path) == path]

    def test_every_key_is_described(self) -> None:
        for name, definition in {"": SCHEMA, **SCHEMA["$defs"]}.items():
            for key, value in definition.get("properties", {}).items():
                if name or key != "machine":
                    assert value.get("description") or "$ref" in str(value), (name, key)
