"""The documentation of the machine file says what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from wrongbit.machine.load import read_machine
from wrongbit.machine.recipe import KINDS
from wrongbit.machine.reference import BEGIN_REFERENCE, render_reference, render_schema

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "machine-file.md").read_text(encoding="utf-8")
INTRODUCTION, _, REFERENCE = PAGE.partition(BEGIN_REFERENCE)
EXAMPLES = re.findall(r"```toml\n(.*?)```", INTRODUCTION, re.DOTALL)


def test_reference_is_up_to_date() -> None:
    assert render_reference() == REFERENCE, "run: python tools/write_machine_docs.py"


def test_schema_is_up_to_date() -> None:
    published = (DOCS / "machine-file.schema.json").read_text(encoding="utf-8")
    assert published == render_schema(), "run: python tools/write_machine_docs.py"


def test_whole_example_is_a_machine() -> None:
    machine = read_machine(EXAMPLES[0])
    assert [chip.name for chip in machine.chip] == ["U7", "U8", "U12"]
    assert machine.chip[0].access_time == 450_000
    assert machine.point[0].columns["CH8"] == "/RD"
    assert machine.machine.invented


def test_example_of_an_own_recipe_is_a_machine() -> None:
    (recipe,) = (text for text in EXAMPLES if "[processor.recipe]" in text)
    machine = read_machine(f'[machine]\nname = "m"\n{recipe}')
    assert machine.processor[0].word_bits == 16


def test_example_of_a_pair_of_chips() -> None:
    (pair,) = (text for text in EXAMPLES if "U21" in text)
    assert [chip["lane"] for chip in tomllib.loads(pair)["chip"]] == ["0..7", "8..15"]


# Keys that a reader will look for; the list was written by hand, not taken from the model.
@pytest.mark.parametrize(
    "key",
    [
        "`lane`",
        "`[[chip.region]]`",
        "`address_unit`",
        "`[[processor.recipe.transfer]]`",
        "`clock`",
        "`take`",
        "`kinds`",
    ],
)
def test_reference_has_the_key(key: str) -> None:
    assert key in REFERENCE


def test_every_line_of_a_table_has_its_cells() -> None:
    rows = [line for line in REFERENCE.splitlines() if line.startswith("|")]
    assert rows
    assert {len(re.split(r"(?<!\\)\|", row)) for row in rows} == {6}


def test_glossary_knows_the_words() -> None:
    # The vocabulary that the project agreed on, written down by hand.
    words = [
        *(
            "machine",
            "processor",
            "bus",
            "lane",
            "chip",
            "part",
            "joint",
            "path",
            "point",
            "signal",
            "channel",
        ),
        *("capture", "sample", "bus cycle", "reading", "reference", "listing", "image", "word", "bank"),
        *("verdict", "fault model", "suspect", "evidence", "finding", "next measurement", "replacement"),
        *("margin", "case", "journal", "recipe", "latch"),
    ]
    glossary = (DOCS / "glossary.md").read_text(encoding="utf-8")
    assert [word for word in words if f"**{word}**" not in glossary] == []
    assert all(kind in glossary for kind in KINDS)


def test_glossary_is_in_alphabetical_order() -> None:
    words = re.findall(r"^\| \*\*(.*?)\*\*", (DOCS / "glossary.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert words == sorted(words)
