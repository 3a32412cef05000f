"""What every verb's output is made of: errors, numbers, bit strips, tables, progress."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from shlex import join
from typing import Any, TextIO

import numpy as np
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from wrongbit.bus.cycles import NO_TIME
from wrongbit.compare.memory_map import MemoryMap
from wrongbit.errors import WrongbitError
from wrongbit.job import Progress
from wrongbit.units import format_time

# One accent for what is wrong, and a mark beside it, so that nothing hangs on colour alone.
ACCENT = "bold #d55e00"  # vermillion of the Okabe–Ito palette
QUIET = "dim"
CAUTION = "bold #e69f00"

CELL = 3
"""Width of a bit's cell in a strip."""

COMMAND = re.compile(r"\s*(\$ |wrongbit [a-z])")
"""A line that is there to be copied: it is never broken."""

TRAILING = re.compile(r" +\n")
"""Blanks at the end of a line."""

HANG = re.compile(r"(?:caution|note|wrongbit|→)(?=:? )")
"""Beginnings of paragraphs that stand out, so that the rest is set in under them."""


class Page(Console):
    """A console that breaks sentences between words in a terminal, and not at all in a file or a pipe.

    What goes into a file or a pipe has no blanks at the ends of its lines, which tables are filled up with.
    """

    def print(self, *objects: Any, soft_wrap: bool | None = None, **options: Any) -> None:
        """As rich prints; sentences end their lines between words in a terminal, and hang together.

        A beginning of a line, with ``end=""``, is not broken.
        """
        sentence = all(isinstance(item, str | Text) for item in objects)
        soft_wrap = (sentence or None) if soft_wrap is None else soft_wrap
        if not self.is_terminal:
            self._print_plainly(*objects, soft_wrap=soft_wrap, **options)
            return
        if not (soft_wrap and sentence) or "end" in options:
            super().print(*objects, soft_wrap=soft_wrap, **options)
            return
        parts = [item if isinstance(item, Text) else self.render_str(item) for item in objects]
        whole = Text(options.get("sep", " ")).join(parts)
        for line in whole.split(allow_blank=True) or [whole]:
            super().print(hanging(line, self), soft_wrap=True, **options)

    def _print_plainly(self, *objects: Any, **options: Any) -> None:
        """Print without blanks at the ends of lines."""
        with self.capture() as held:
            super().print(*objects, **options)
        self.file.write(TRAILING.sub("\n", held.get()))
        self.file.flush()


def hanging(line: Text, page: Console) -> Text:
    """One line broken between words, its rest set in under its beginning.

    Commands and long paths stay whole. A line that begins with short cells and wide gaps, such as
    ``  =    38.4%  Data line …``, hangs behind the last gap.
    """
    plain = line.plain
    longest = max(map(len, plain.split()), default=0)
    hang = hanging_indent(plain, page.width)
    if line.cell_len <= page.width or COMMAND.match(plain) or longest > page.width - hang:
        return line
    rest = line[hang:].wrap(page, page.width - hang)
    for each in rest:
        each.rstrip()
    return Text("\n").join([line[:hang] + rest[0], *(Text(" " * hang) + each for each in rest[1:])])


def hanging_indent(line: str, width: int) -> int:
    """Where the rest of a broken line begins.

    >>> hanging_indent("  =    38.4%  Data line D14 of the bus is open.", 80)
    14
    >>> hanging_indent("note: Read as CSV.", 80), hanging_indent("A sentence of many words.", 80)
    (2, 0)
    """
    if HANG.match(line):
        return 2
    limit = min(20, width // 3)
    gaps = [gap.end() for gap in re.finditer(r"^ +| {2,}", line[: limit + 1]) if gap.end() <= limit]
    return max(gaps, default=0)


# No markup: what is shown holds brackets and colons of its own, as "[bx]" in an instruction.
out = Page(highlight=False, markup=False, emoji=False)
err = Page(stderr=True, highlight=False, markup=False, emoji=False)


def print_json(value: Any) -> None:
    """A result for programs, on standard output."""
    print(json.dumps(value, indent=2, ensure_ascii=not _speaks_unicode(sys.stdout), default=_plain))


def _speaks_unicode(stream: TextIO) -> bool:
    """Whether every character can be written; if not, JSON escapes those beyond ASCII."""
    return (stream.encoding or "").lower().replace("-", "").startswith("utf")


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no plain form")


def show_error(error: WrongbitError, *, as_json: bool) -> None:
    """An error on standard error, as text for people or as JSON for programs."""
    if as_json:
        shape = {
            "error": {
                "message": error.message,
                "remedy": error.remedy,
                "file": error.file,
                "line": error.line,
                "byte": error.byte,
                "key": error.key,
                "notes": list(error.notes),
            }
        }
        print(json.dumps(shape, indent=2, ensure_ascii=not _speaks_unicode(sys.stderr)), file=sys.stderr)
        return
    where = error.where()
    err.print(
        Text.assemble(("wrongbit:", ACCENT), f" {where + ': ' if where else ''}{error.message}"),
        soft_wrap=True,
    )
    for note in error.notes:
        err.print(f"  {note}", soft_wrap=True)
    if error.remedy:
        err.print(f"  → {error.remedy}", soft_wrap=True)


def show_cautions(cautions: Sequence[str]) -> None:
    """What can hurt, before anything else; only the label is coloured, since amber is faint on white."""
    for caution in cautions:
        out.print(Text.assemble(("caution:", CAUTION), f" {caution}"), soft_wrap=True)


def show_notes(notes: Sequence[str]) -> None:
    """Notes of the readers, quietly, each once however many files it is about."""
    for note in dict.fromkeys(notes):
        out.print(Text.assemble(("note:", QUIET), f" {note}"), soft_wrap=True)


def show_next(what_for: str, *words: str | Path) -> None:
    """One command to go on with, to be copied.

    Args:
        what_for: Ends the sentence "Next, …".
        words: The command's words after ``wrongbit``, as they are.
    """
    out.print()
    out.print(f"Next, {what_for}:", soft_wrap=True)
    out.print(f"  {join(['wrongbit', *map(str, words)])}", soft_wrap=True)


def hex_word(value: int, bits: int) -> str:
    """A word in hexadecimal with all its digits.

    >>> hex_word(10, 12)
    '00A'
    """
    return f"{value:0{-(-bits // 4)}X}"


def moment(time_ps: int, first_ps: int = 0) -> str:
    """A cycle's time after the first, or an empty text where the capture has none."""
    if time_ps == NO_TIME:
        return ""
    return format_time(time_ps - first_ps) if time_ps != first_ps else "0"


def bit_strip(expected: int, seen: int, judged: int, memory_map: MemoryMap, chips: Sequence[str]) -> Table:
    """One cell a bit, grouped by lane: the expected bit above, the seen bit below, wrong ones marked.

    Args:
        expected: The word that should have been there.
        seen: The word that was.
        judged: Bits that could be judged; others are shown as a dot.
        memory_map: Gives the lanes.
        chips: Chips that answer at this address; their lanes are named above the bits.
    """
    answering = [chip for chip in memory_map.chips if chip.name in chips]
    lane_of: dict[int, tuple[str, int]] = {}
    for chip in answering:
        for output, bit in enumerate(chip.lane):
            lane_of[bit] = (chip.name, output)
    rows: dict[str, list[Text]] = {"": [], "bit": [], "expected": [], "seen": [], " ": []}
    previous: str | None = None
    for bit in reversed(range(memory_map.word_bits)):
        lane = lane_of.get(bit, ("", 0))[0]
        fresh = lane != previous or (bit % 8 == 7 and not lane)
        gap = "  " if fresh and previous is not None else ""
        previous = lane
        known = bool(judged >> bit & 1)
        wrong = known and bool((expected ^ seen) >> bit & 1)
        style = ACCENT if wrong else ""
        rows["bit"].append(Text(f"{gap}{bit:>{CELL}}", QUIET))
        rows["expected"].append(Text(f"{gap}{expected >> bit & 1 if known else '·':>{CELL}}", style))
        rows["seen"].append(Text(f"{gap}{seen >> bit & 1 if known else '·':>{CELL}}", style))
        rows[" "].append(Text(f"{gap}{'▲' if wrong else ' ':>{CELL}}", style))
    table = Table.grid(padding=(0, 1))
    table.add_column(justify="left", style=QUIET)
    table.add_column()
    if lane_of:
        table.add_row("", _lane_titles(lane_of, memory_map.word_bits))
    for name in ("bit", "expected", "seen", " "):
        table.add_row(name, Text("").join(rows[name]))
    return table


def _lane_titles(lane_of: dict[int, tuple[str, int]], word_bits: int) -> Text:
    """The chips' names, each at the left end of its lane."""
    line = ""
    previous: str | None = None
    column = 0
    for bit in reversed(range(word_bits)):
        lane = lane_of.get(bit, ("", 0))[0]
        if lane != previous or (bit % 8 == 7 and not lane):
            column += 2 if previous is not None else 0
            line = f"{line:<{column + 1}}{lane}" if lane else line
        previous = lane
        column += CELL
    return Text(line, QUIET)


def plain_table(*columns: tuple[str, str]) -> Table:
    """A table with a thin rule under its head; columns are (title, 'left' or 'right')."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style=QUIET, pad_edge=False)
    for title, side in columns:
        table.add_column(title, justify="right" if side == "right" else "left", overflow="fold")
    return table


def indented(item: Table | Text | str) -> Padding:
    """Something set in from the left."""
    return Padding(item, (0, 0, 0, 2))


@contextmanager
def progress_bar(what: str, *, quiet: bool) -> Iterator[Progress]:
    """A progress bar on standard error that appears only when the work takes over a second."""
    from time import monotonic

    from rich.progress import (
        BarColumn,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import (
        Progress as RichProgress,
    )

    if quiet or not err.is_terminal:
        yield lambda done, total: None
        return
    bar = RichProgress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=err,
        transient=True,
    )
    task = bar.add_task(what, total=None)
    begun, shown = monotonic(), False

    def tell(done: int, total: int) -> None:
        nonlocal shown
        if not shown and monotonic() - begun > 1:
            bar.start()
            shown = True
        if shown:
            bar.update(task, completed=done, total=total)

    try:
        yield tell
    finally:
        if shown:
            bar.stop()
