"""``docs/demo-machines.md`` names every machine, fault, probe point and usual fault."""

import re
from pathlib import Path

from wrongbit.demo.injection import KINDS_OF_FAULT
from wrongbit.demo.machines import machines

TEXT = (Path(__file__).parents[2] / "docs" / "demo-machines.md").read_text("utf-8")


def test_machines_chips_points_and_usual_faults():
    for machine in machines():
        assert f"| `{machine.name}`, the {machine.title} |" in TEXT
        assert f"| `{machine.name}` | `{machine.default_fault}` |" in TEXT
        assert all(chip.name in TEXT for chip in machine.board.chips)
        assert all(f"| `{export.point}` |" in TEXT for export in machine.exports)


def test_faults():
    told = {
        name.strip("` ")
        for line in TEXT.split("## Faults")[1].split("What a fault leaves open")[0].splitlines()
        if line.startswith("| `")
        for name in line.split("|")[1].split(",")
    }
    assert told == set(KINDS_OF_FAULT)


def test_every_item_of_a_detail_is_told():
    table = TEXT.split("| item | meaning |")[1].split("Several faults at once")[0]
    told = {re.sub(r"[0-9.]+|0x\w+", "", item) for item in re.findall(r"`([^`]+)`", table)}
    used = {
        re.sub(r"\d+", "", piece)
        for machine in machines()
        for kind in machine.faults()
        for piece in kind.example.partition("@")[0].split(".")[1:]
        if "=" not in piece
    }
    assert used and used <= told, used - told
