"""The examples of docs/rebuilding.md are what the command prints, and its lists are the code's."""

from __future__ import annotations

import re
import shlex
import zlib
from pathlib import Path

import numpy as np
import pytest

from wrongbit.cli.main import main
from wrongbit.cli.show import out
from wrongbit.reading.constraints import NAMES, RULES
from wrongbit.reading.rebuild import LIKELY_ERROR, PROVEN_ERROR, SPARE_FOR_FLIP
from wrongbit.reading.solve import FREE_BITS
from wrongbit.reading.sources import CODES, DEFAULT_RATES
from wrongbit.reading.stack import READ_NOISE

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "rebuilding.md"
EXAMPLE = re.compile(r"```\n\$ (wrongbit rebuild [^\n]*)\n(.*?)```\n", re.DOTALL)

MACHINE = """\
[machine]
name = "Larkrise seed sorter"
invented = true

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"

[[chip]]
name = "U4"
kind = "rom"
words = 1024
bits = 8
region = [{ base = 0x0000, size = 1024 }]
lane = "0..7"
"""


def write_example(folder: Path) -> None:
    """An invented machine: three passes of a worn chip, and the same chip through a miswired adapter."""
    draw = np.random.default_rng(2024)
    true = draw.integers(0, 256, 1024, dtype=np.uint8)
    true[1020:] = list(zlib.crc32(true[:1020].tobytes()).to_bytes(4, "little"))
    zeros = np.flatnonzero(np.unpackbits(true[:, None], axis=1, bitorder="little").reshape(-1) == 0)
    passes = [true.copy() for _ in range(3)]
    for number, place in enumerate(draw.choice(zeros, 7, replace=False)):
        for each in draw.permutation(3)[: 1 + number % 2]:
            passes[each][place // 8] |= 1 << place % 8
    address = np.arange(1024)
    swapped = passes[0][(address & ~6) | (address & 2) << 1 | (address & 4) >> 1]
    (folder / "larkrise.toml").write_text(MACHINE, encoding="utf-8")
    for number, words in enumerate(passes, 1):
        (folder / f"pass-{number}.bin").write_bytes(words.tobytes())
    (folder / "adapter.bin").write_bytes(swapped.tobytes())


def rendered(text: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """The document with every example's output as it is now."""

    def printed(command: str) -> str:
        capsys.readouterr()
        main(shlex.split(command)[1:])
        lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
        return "\n".join(lines).strip("\n") + "\n"

    write_example(folder)
    return EXAMPLE.sub(lambda found: f"```\n$ {found[1]}\n{printed(found[1])}```\n", text)


def test_the_examples_are_what_the_command_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert len(EXAMPLE.findall(text)) == 3
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(out, "width", 110)
    assert rendered(text, tmp_path, capsys) == text


def test_the_lists_are_complete() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    for name in (*NAMES, *RULES):
        assert f"`{name}`" in text, name
    for name in CODES.values():
        assert f"`{name}`" in text, name
    for rate in (READ_NOISE, *vars(DEFAULT_RATES).values()):
        assert f"| {rate:g} |" in text, rate
    assert f"2^{FREE_BITS}" in text
    assert f"{SPARE_FOR_FLIP} check bits" in text
    assert (LIKELY_ERROR, PROVEN_ERROR) == (1e-2, 1e-5)
    assert "1 in 100 " in text and "1 in 100 000" in text
