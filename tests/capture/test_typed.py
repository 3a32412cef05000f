"""Typed cycles. The notation is our own; the answers were worked out by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.source import CycleRows
from wrongbit.errors import CaptureError
from wrongbit.machine.model import Point
from wrongbit.machine.recipe import KINDS

FILES = Path(__file__).parent / "files"
WIDTHS = {"address": 16, "word": 8}


def read(path: Path | str, widths: dict[str, int] = WIDTHS, **keys: Any) -> CycleRows:
    return read_cycle_rows(FILES / path, Point(name="screen", mode="cycles", **keys), widths)


def test_a_page_as_it_was_typed() -> None:
    rows = read("typed_cycles.txt")
    assert rows.address.tolist() == [0xFFFC, 0xFFFD, 0xC000, 0xC001, 0xC002]
    assert rows.address_known.tolist() == [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFF0F]
    assert rows.word.tolist() == [0x00, 0xC0, 0xA0, 0x00, 0x3E]
    assert rows.known.tolist() == [0xFF, 0xFF, 0xF0, 0x00, 0xFF]
    assert [KINDS[kind] if kind >= 0 else None for kind in rows.kind] == ["read", None, "fetch", "read", None]
    assert (rows.time_ps, rows.bank) == (None, None)
    assert rows.notes == (
        "Read as typed text: address (hexadecimal), word (hexadecimal) and status on each line.",
        "Line 2 names the columns.",
        "Status texts that are not known: 'whatever' in 1 row. Say what they mean under 'kinds' of the probe "
        "point 'screen'.",
    )


@pytest.mark.parametrize(
    "line",
    ["1234 56 r", "1234:56 r", "1234 = 56,r", "0x1234\t$56  r", "  1234 , 56 , R ; note", "1234h:56h r#x"],
)
def test_parts_may_be_separated_as_people_do(tmp_path: Path, line: str) -> None:
    path = tmp_path / "typed.txt"
    path.write_text(line)
    rows = read(path)
    assert (rows.address.tolist(), rows.word.tolist(), rows.kind.tolist()) == (
        [0x1234],
        [0x56],
        [KINDS.index("read")],
    )


def test_octal_is_read_as_octal(tmp_path: Path) -> None:
    """177776 octal is FFFE, 377 is FF, 20X is 80 with three bits unknown."""
    path = tmp_path / "typed.txt"
    path.write_text("177776 377\n177777 20X\n")
    rows = read(path, radix=8)
    assert rows.address.tolist() == [0xFFFE, 0xFFFF]
    assert rows.word.tolist() == [0xFF, 0x80]
    assert rows.known.tolist() == [0xFF, 0xF8]


def test_the_status_is_what_the_probe_point_says(tmp_path: Path) -> None:
    path = tmp_path / "typed.txt"
    path.write_text("0000 C3 05\n0001 00 06\n")
    rows = read(path, kinds={"05": "fetch", "06": "read"})
    assert [KINDS[kind] for kind in rows.kind] == ["fetch", "read"]


@given(st.lists(st.tuples(st.integers(0, 65535), st.integers(0, 255)), min_size=1, max_size=30))
def test_what_python_prints_is_read_back(cycles: list[tuple[int, int]]) -> None:
    """Outside check: the text comes from Python's own formatting."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "typed.txt"
        path.write_text("\n".join(f"{address:04X}: {word:02X}" for address, word in cycles))
        rows = read(path)
    assert list(zip(rows.address.tolist(), rows.word.tolist(), strict=True)) == cycles
    assert set(rows.known.tolist()) == {0xFF}


@pytest.mark.parametrize(
    ("name", "line", "message"),
    [
        ("typed_dump.txt", 1, "'0000: 3E 12 D3 00' has more than one word; one cycle a line was expected."),
        ("typed_address_only.txt", 2, "'0001' has an address only; a word was expected after it."),
        (
            "typed_wrong_digit.txt",
            2,
            "'0O01' was found as the address; expected a hexadecimal word of 16 bits.",
        ),
        ("typed_comments_only.txt", None, "The file holds no bus cycle, only comments."),
    ],
)
def test_a_bad_line_is_told_with_its_number(name: str, line: int | None, message: str) -> None:
    with pytest.raises(CaptureError) as caught:
        read(name)
    assert (caught.value.file, caught.value.line) == (str(FILES / name), line)
    assert caught.value.message == message
    assert caught.value.remedy.startswith("Write one cycle a line as 'address word'")


def test_a_word_too_wide_for_the_bus(tmp_path: Path) -> None:
    path = tmp_path / "typed.txt"
    path.write_text("0000 1FF\n")
    with pytest.raises(CaptureError, match=r"'1FF' was found as the word; expected .* no more than FF"):
        read(path)
