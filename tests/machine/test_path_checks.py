"""Paths and parts: each mistake with a file that makes it and a near one that does not."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from wrongbit.errors import MachineFileError
from wrongbit.machine.load import read_machine
from wrongbit.machine.overview import overview

GOOD = """
[machine]
name = "Nettlecombe weaving counter"

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"

[[processor]]
name = "U2"
word_bits = 8
address_bits = 16
recipe = "z80"

[[chip]]
name = "U7"
kind = "rom"
processor = "U1"
also = ["U2"]
words = 4096
bits = 8
lane = "0..7"
region = [{ base = 0, size = 4096 }]

[[part]]
name = "X7"
kind = "socket"
pins = 24

[[part]]
name = "U9"
kind = "buffer"
direction = "to processor"
prior = 2.5

[[part]]
name = "U10"
kind = "decoder"

[[path]]
name = "data"
carries = "data"
chips = ["U7"]
through = ["X7", "U9"]

[[path]]
name = "select"
carries = "select"
signals = "12..15"
chips = ["U7"]
through = ["U10"]

[[path]]
name = "buffer enable"
carries = "enable"
chips = ["U9"]
through = ["U10"]

[[point]]
name = "p"
processor = "U1"
mode = "timing"
on = { data = "X7" }
"""


def test_a_good_file_and_its_overview() -> None:
    machine = read_machine(GOOD)
    assert [machine.processors_of(path) for path in machine.path] == [("U1", "U2")] * 3
    assert [chip.name for chip in machine.chips_of(machine.processor[1])] == ["U7"]
    data, select, _ = asdict(overview(machine))["paths"]
    assert data["way"] == ("U7", "X7", "U9", "U1, U2")
    assert data["points"] == (("p", "X7"),)
    assert select["way"] == ("U1, U2", "U10", "U7") and select["signals"] == "12..15"


@pytest.mark.parametrize(
    ("good", "bad", "key", "said"),
    [
        ('through = ["X7", "U9"]', 'through = ["X7", "U8"]', "path[0].through", "no part 'U8'"),
        ('through = ["X7", "U9"]', 'through = ["X7", "X7", "U9"]', "path[0].through", "named twice"),
        ('"data"\nchips = ["U7"]', '"data"\nchips = ["U70"]', "path[0].chips", "no chip 'U70'"),
        ('"data"\nchips', '"data"\nprocessors = ["U3"]\nchips', "path[0].processors", "no processor 'U3'"),
        ('"data"\nchips', '"data"\nsignals = "4..9"\nchips', "path[0].signals", "bit 8..9 belongs to none"),
        ('"data"\nchips', '"data"\nsignals = [1, 1]\nchips', "path[0].signals", "bit 1 is named twice"),
        ('signals = "12..15"\n', "", "path[1].signals", "needs the bits"),
        ('data = "X7"', 'date = "X7"', "point[0].on.date", "Did you mean 'data'?"),
        ('data = "X7"', 'data = "U10"', "point[0].on.data", "does not pass 'U10'"),
        ('name = "U10"\nkind', 'name = "u7"\nkind', "part[2].name", "already taken by chip[0]"),
        ('"buffer"\ndirection', '"bufer"\ndirection', "part[1].kind", "'bufer' is given"),
        ("prior = 2.5", 'prior = "2.5"', "part[1].prior", "a number is expected"),
        ("prior = 2.5", "prior = -1", "part[1].prior", "out of range"),
        ('also = ["U2"]', 'also = ["U3"]', "chip[0].also", "no processor 'U3'"),
        ('also = ["U2"]', 'also = ["U1"]', "chip[0].also", "named twice"),
    ],
)
def test_mistakes(good: str, bad: str, key: str, said: str) -> None:
    assert good in GOOD
    with pytest.raises(MachineFileError) as caught:
        read_machine(GOOD.replace(good, bad, 1))
    error = caught.value
    told = [(error.key, f"{error.message} {error.remedy}")]
    told += [tuple(note.partition("key ")[2].split(": ", 1)) for note in error.notes]
    assert any(where == key and said in text for where, text in told), told
    assert error.remedy


def test_the_path_of_one_processor_is_not_seen_at_the_other() -> None:
    text = GOOD.replace('"data"\nchips', '"data"\nprocessors = ["U2"]\nchips', 1)
    with pytest.raises(MachineFileError, match="does not belong to U1"):
        read_machine(text)


def test_a_part_on_no_path_is_remarked() -> None:
    machine = read_machine(GOOD + '\n[[part]]\nname = "X1"\nkind = "connector"\n')
    assert "X1 lies on no path, so that it is never a suspect." in overview(machine).remarks
