"""The main job on small files: what a person must be told of a capture before its verdicts are believed."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN
from wrongbit.job import compare_capture, open_job

MACHINE = """
[machine]
name = "Two pages"

[[processor]]
name = "U1"
word_bits = 8
address_bits = 4

[processor.recipe]
bank = {bank}
optional = {bank}
transfer = [{{ kind = "read", at = "RD ends" }}]

[[chip]]
name = "U2"
kind = "rom"
words = 16
bits = 8
lane = "0..7"
region = [{{ bank = 0, base = 0, size = 16 }}]
image = {{ file = "pages.bin", base = 0 }}

[[chip]]
name = "U3"
kind = "rom"
words = 16
bits = 8
lane = "0..7"
region = [{{ bank = {second}, base = 0, size = 16 }}]
image = {{ file = "pages.bin", base = 16 }}

[[point]]
name = "rows"
mode = "cycles"

[[point]]
name = "wires"
mode = "timing"
"""
ROWS = {True: "Addr,Data,Bank\n3,13,1\n", False: "Addr,Data\n3,13\n"}
"""A read of 0x13 at 3, as it stands in the second page only."""


def wires(*banks: str) -> str:
    """The same read as samples: RD is high while it lasts."""
    levels = "".join(",1" for _ in banks)
    rows = "".join(f"3,13,{read}{levels}\n" for read in (0, 0, 1, 1, 1, 1, 0, 0))
    return f"A,D,RD{''.join(f',{bank}' for bank in banks)}\n{rows}"


def compared(
    folder: Path,
    point: str,
    capture: str,
    *,
    bank: str = '["BK0"]',
    second: int = 1,
    machine: str | None = None,
) -> tuple[int, str]:
    """The only verdict, and the notes."""
    (folder / "pages.bin").write_bytes(bytes(range(32)))
    file = folder / "machine.toml"
    file.write_text(machine or MACHINE.format(bank=bank, second=second))
    taken = folder / "capture.csv"
    taken.write_text(capture)
    comparison = compare_capture(open_job(file, point=point), taken)
    (verdict,) = comparison.verdicts.verdict.tolist()
    return verdict, " ".join(comparison.notes)


@pytest.mark.parametrize(
    ("point", "seen", "unseen"), [("rows", *ROWS.values()), ("wires", wires("BK0"), wires())]
)
def test_a_capture_that_does_not_show_the_bank_says_so(
    tmp_path: Path, point: str, seen: str, unseen: str
) -> None:
    """A sound word of the second page is none of the first page's, and nobody knows which page it was."""
    verdict, notes = compared(tmp_path, point, seen)
    assert verdict == AGREES and "bank" not in notes
    verdict, notes = compared(tmp_path, point, unseen)
    assert verdict == NOT_KNOWN and "does not show the bank: only chips that answer in every bank" in notes


def test_a_recipe_without_a_bank_shows_none(tmp_path: Path) -> None:
    verdict, notes = compared(tmp_path, "wires", wires("BK0"), bank="[]")
    assert verdict == NOT_KNOWN and "does not show the bank: only chips that answer in every bank" in notes


@pytest.mark.parametrize("left", ["BK0", "BK1"])
def test_half_a_bank_number_is_none(tmp_path: Path, left: str) -> None:
    """The line that is seen is no bank number of its own: it would stand in the place of the other."""
    both = '["BK0", "BK1"]'
    verdict, notes = compared(tmp_path, "wires", wires("BK0", "BK1"), bank=both, second=3)
    assert verdict == AGREES and "bank number" not in notes
    verdict, notes = compared(tmp_path, "wires", wires(left), bank=both, second=3)
    lacking = {"BK0": "BK1", "BK1": "BK0"}[left]
    assert verdict == NOT_KNOWN and f"does not show '{lacking}', so that no bank number is known" in notes


@pytest.mark.parametrize(("point", "capture"), [("rows", ROWS[False]), ("wires", wires())])
def test_a_machine_with_one_bank_needs_none_in_the_capture(tmp_path: Path, point: str, capture: str) -> None:
    """Its only page holds 3 at 3, not 0x13."""
    whole = MACHINE.format(bank="[]", second=1)
    before, rest = whole.split('[[chip]]\nname = "U3"')
    machine = before + rest[rest.index("[[point]]") :]
    verdict, notes = compared(tmp_path, point, capture, machine=machine)
    assert verdict == DIFFERS and "bank" not in notes
