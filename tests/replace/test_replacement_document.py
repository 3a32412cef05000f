"""The document of the replacement room says what the code does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from replace.builders import CATALOGUE
from wrongbit.replace.buses import TIME_NAMES
from wrongbit.replace.figures import STATUSES
from wrongbit.replace.fit import FAMILIES
from wrongbit.replace.requirement_file import RequirementFile

FILES = Path(__file__).parent / "files"
TEXT = (Path(__file__).parents[2] / "docs" / "replacement.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```text\n(.*?)```", TEXT, re.DOTALL)
PROMPT = "$ wrongbit "
COMMANDS = [
    block.splitlines()[0].removeprefix(PROMPT) for block in BLOCKS if block.startswith(f"{PROMPT}fit")
]


def printed(command: str) -> list[str]:
    """What a command of the document prints on a terminal of 110 columns."""
    words = [str(FILES / word) if word.endswith(".toml") else word for word in command.split()]
    code = "import sys; from wrongbit.cli.main import main; main(sys.argv[1:])"
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        env=os.environ | {"COLUMNS": "110"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return [line.rstrip() for line in done.stdout.splitlines()]


def test_there_are_commands_to_check() -> None:
    assert len(COMMANDS) == 3


@pytest.mark.parametrize("command", COMMANDS)
def test_the_output_is_what_the_command_prints(command: str) -> None:
    """Every line of the command's block, and of the excerpts of the same plan that follow it."""
    lines = printed(command)
    after = False
    for block in BLOCKS:
        first, *rest = block.splitlines()
        after = first == f"$ wrongbit {command}" or (after and not first.startswith("$"))
        if after:
            expected = rest if first.startswith("$") else [first, *rest]
            missing = [line for line in expected if line.strip() != "…" and line.rstrip() not in lines]
            assert not missing


@pytest.mark.parametrize("name", ["saltmarsh_u11.toml", "mask_rom.toml"])
def test_the_files_are_those_of_the_tests(name: str) -> None:
    assert (FILES / name).read_text() in TEXT


def test_every_key_time_status_and_family_is_named() -> None:
    for table in RequirementFile.model_fields.values():
        kinds = (table.annotation, *getattr(table.annotation, "__args__", ()))
        model = next(each for each in kinds if hasattr(each, "model_fields"))
        for key in model.model_fields:
            assert f"`{key}`" in TEXT or f"[bus.{key}]" in TEXT, key
    for name in TIME_NAMES:
        assert f"`{name}`" in TEXT
    for status in STATUSES:
        assert f"| `{status}` |" in TEXT
    assert re.sub(r"\s+", " ", TEXT).count(f"in the order {', '.join(FAMILIES)}") == 1
    for family in CATALOGUE.family:
        assert family.name in TEXT
    for bus in CATALOGUE.bus:
        assert bus.processor in TEXT
