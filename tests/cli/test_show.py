"""How sentences are broken: between words in a terminal, not at all in a file."""

from __future__ import annotations

from io import StringIO

import pytest

from wrongbit.cli.show import Page, indented, out, plain_table, show_error, show_notes
from wrongbit.errors import UsageError

CAUTION = "caution: The supply is fed from the mains: switch off, pull the plug, then open the case."
ROW = "  =    38.4%  Address lines A12 and A13 of the bus are bridged; a low level wins."
COMMAND = "  wrongbit diagnose demo/fellgate/fellgate.toml demo/fellgate/u1-timing.csv --point u1-timing"


def printed(text: str, *, terminal: bool, width: int = 50) -> list[str]:
    file = StringIO()
    Page(file=file, force_terminal=terminal, color_system=None, width=width, highlight=False).print(
        text, soft_wrap=True
    )
    return file.getvalue().splitlines()


def test_in_a_terminal_lines_end_between_words_and_hang_together() -> None:
    assert printed(CAUTION, terminal=True) == [
        "caution: The supply is fed from the mains: switch",
        "  off, pull the plug, then open the case.",
    ]
    assert printed(ROW, terminal=True) == [
        "  =    38.4%  Address lines A12 and A13 of the bus",
        "              are bridged; a low level wins.",
    ]


def test_commands_and_long_paths_stay_whole_to_be_copied() -> None:
    assert printed(COMMAND, terminal=True) == [COMMAND]
    path = f"wrongbit: /home/{'x' * 60}.csv: There is no such file."
    assert printed(path, terminal=True) == [path]


def test_in_a_file_nothing_is_broken() -> None:
    for text in (CAUTION, ROW, COMMAND):
        assert printed(text, terminal=False) == [text]


def test_paragraphs_and_blank_lines_are_kept() -> None:
    assert printed("One.\n\nTwo.", terminal=True) == ["One.", "", "Two."]


def test_square_brackets_and_colons_are_shown_as_they_are(capsys: pytest.CaptureFixture[str]) -> None:
    """Instructions write addresses in brackets, and files and machines may be called anything."""
    table = plain_table(("", "left"), ("seen", "left"))
    table.add_row("instruction", "mov ax, word ptr [bx]")
    out.print(indented(table))
    out.print("  out[/copy].bin, D3:x:", soft_wrap=True)
    show_notes(["[bold] is part of [/the] note"])
    show_error(UsageError("no file [a].", "Look in [/b]."), as_json=False)
    said, failed = capsys.readouterr()
    assert "mov ax, word ptr [bx]" in said
    assert "out[/copy].bin, D3:x:" in said
    assert "note: [bold] is part of [/the] note" in said
    assert "wrongbit: no file [a]." in failed
    assert "→ Look in [/b]." in failed


def test_in_a_file_no_line_ends_with_blanks() -> None:
    """Tables are filled up to their width; a beginning of a line keeps its blank."""
    file = StringIO()
    page = Page(file=file, force_terminal=False, width=50, highlight=False)
    table = plain_table(("file", "left"), ("what it is", "left"))
    table.add_row("a.csv", "a capture")
    table.add_row("machine.toml", "the machine file: what is on the board, and what else there may be")
    page.print(table)
    page.print("Files: ", end="")
    page.print("two, and this is said in a sentence that is longer than the page is wide.")
    lines = file.getvalue().splitlines()
    assert lines[0] == "file          what it is"
    assert lines[1] == "a.csv         a capture"
    assert lines[-1] == "Files: two, and this is said in a sentence that is longer than the page is wide."
    assert all(line == line.rstrip() for line in lines)
