"""Captures that miss something: what is told before any result, what the probe point can say, exit codes.

The machine is a Z80 with one ROM of 256 bytes, whose capture is drawn by hand: every sample is a read.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wrongbit.cli.main import main

MACHINE = """
[machine]
name = "Bench"
invented = true
[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"
[[chip]]
name = "U7"
kind = "rom"
words = 256
bits = 8
lane = "0..7"
[[chip.region]]
base = 0
size = 256
[chip.image]
file = "u7.bin"
[[point]]
name = "bus"
"""
STATE = 'mode = "state"\nclock = "RD ends"\n'
CONTENTS = bytes((37 * n + 11) % 256 for n in range(256))


def bench(folder: Path, point: str, *, leave_out: tuple[str, ...] = (), words: bytes = CONTENTS) -> list[str]:
    """A machine file and a state capture of one read of each address; the words after 'diagnose'."""
    (folder / "u7.bin").write_bytes(CONTENTS)
    (folder / "bench.toml").write_text(MACHINE + point, encoding="utf-8")
    names = [f"A{n}" for n in range(16)] + [f"D{n}" for n in range(8)] + ["M1"]
    lines = [",".join(name for name in names if name not in leave_out)]
    for address, word in enumerate(words):
        levels = {f"A{n}": address >> n & 1 for n in range(16)} | {f"D{n}": word >> n & 1 for n in range(8)}
        levels["M1"] = address % 3 > 0
        lines.append(",".join(str(int(levels[name])) for name in names if name not in leave_out))
    (folder / "capture.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [str(folder / "bench.toml"), str(folder / "capture.csv")]


def page(verb: str, files: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    code = main([verb, *files])
    return code, " ".join(capsys.readouterr().out.split())


def test_a_state_capture_clocked_by_rd_is_judged_without_mreq_and_wr(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, told = page("diagnose", bench(tmp_path, STATE), capsys)
    assert code == 0
    assert "256 bus cycles, 256 of them reads. 100.0% of these can be judged: 256 agree" in told
    assert "MREQ, for which there is no column, is taken as implied" in told
    wrong = bytes(word & ~0x20 for word in CONTENTS)
    assert page("diagnose", bench(tmp_path, STATE, words=wrong), capsys)[0] == 1


@pytest.mark.parametrize("verb", ["diagnose", "compare"])
def test_a_line_that_was_never_seen_is_named_and_nothing_is_fine(
    verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = bench(tmp_path, STATE, leave_out=("A14", "A15"))
    code, told = page(verb, files, capsys)
    assert code == 2
    assert told.index("A14, A15 were never seen") < told.index("256 bus cycles")
    assert "tied = { A14 = 0, A15 = 0 }" in told
    assert main([verb, *files, "--json"]) == 2
    assert "never seen" in json.loads(capsys.readouterr().out)["notes"][0]


def test_what_is_tied_is_seen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tied = STATE + "tied = { A14 = 0, A15 = 0 }\n"
    code, told = page("diagnose", bench(tmp_path, tied, leave_out=("A14", "A15")), capsys)
    assert code == 0
    assert "256 agree" in told and "never seen" not in told
    high = STATE + "tied = { A14 = 1, A15 = 0 }\n"
    code, told = page("diagnose", bench(tmp_path, high, leave_out=("A14", "A15")), capsys)
    assert code == 2  # nothing answers at 4000
    assert "no memory answers there" in told


def test_a_data_line_that_was_never_seen_is_told_at_the_top(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = bytes([*CONTENTS[:200], CONTENTS[200] ^ 1, *CONTENTS[201:]])
    code, told = page("compare", bench(tmp_path, STATE, leave_out=("D3",), words=wrong), capsys)
    assert code == 1
    assert told.index("Of the word, D3 was never seen: this bit of U7") < told.index("256 bus cycles")
    assert "agrees in 7 bits" in told


def test_a_capture_without_a_read_is_not_fine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = bench(tmp_path, 'mode = "cycles"\nkinds = { "R" = "read", "W" = "write" }\n')
    rows = "".join(f"{n:04X},{word:02X},W\n" for n, word in enumerate(CONTENTS))
    Path(files[1]).write_text("address,data,kind\n" + rows, encoding="utf-8")
    code, told = page("diagnose", files, capsys)
    assert code == 2
    assert "This capture holds no read." in told


def test_columns_are_told_as_the_file_spells_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = bench(tmp_path, STATE)
    text = Path(files[1]).read_text(encoding="utf-8")
    heading, rest = text.split("\n", 1)
    spelt = ",".join(f"P1 ADR{int(name[1:]):02}" if name[0] == "A" else name for name in heading.split(","))
    Path(files[1]).write_text(f"{spelt}\n{rest}", encoding="utf-8")
    assert main(["diagnose", *files]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "It carries: D (D0 to D7), M1, P1 ADR00, P1 ADR01" in told
    assert "P1 ADR0," not in told
    assert "tied" not in told  # a whole bus is not tied
