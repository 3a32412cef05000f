"""What a report says, before anybody decides how it is set: sections of paragraphs, tables and figures.

Everything is plain text or a figure that is still to be drawn in a theme. No markup stands in any text, so
that whatever a signal, a file or a note is called is text in every form of the report.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from wrongbit.report.theme import Theme

Tone = Literal["plain", "conclusion", "caution", "note", "absent"]
"""How a paragraph is set: ``conclusion`` stands out, ``absent`` says what has not been done."""


@dataclass(frozen=True)
class Paragraph:
    """Sentences.

    Args:
        text: Plain text.
        tone: How it is set.
    """

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Listed:
    """A list of sentences.

    Args:
        items: Plain texts.
    """

    items: tuple[str, ...]


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Args:
        title: Its head.
        kind: ``text``; ``word``: addresses, words, hashes, set in the monospaced face; ``number``: right;
            ``date``: never broken.
        share: Its share of the width, against the other columns'; 0: as wide as its longest cell.
    """

    title: str
    kind: Literal["text", "word", "number", "date"] = "text"
    share: float = 0


@dataclass(frozen=True)
class Table:
    """Rows of cells.

    Args:
        columns: What they are.
        rows: Plain texts, one a column.
        caption: What the table shows.
        marked: Numbers of rows that stand out; each says so in a cell of its own too.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    marked: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError("every row has one cell a column")


@dataclass(frozen=True)
class Figure:
    """A drawing.

    Args:
        draw: Gives it as SVG in a theme.
        caption: What it shows; its number stands before it.
        wide: It takes the whole width, turned in the PDF where it is much wider than the page.
    """

    draw: Callable[[Theme], str]
    caption: str
    wide: bool = False


@dataclass(frozen=True)
class Heading:
    """A heading within a section.

    Args:
        text: Plain text.
    """

    text: str


SIGNATURE_HEADS = ("name", "date", "signature")
"""What is written on the lines of `Signatures`."""


@dataclass(frozen=True)
class Signatures:
    """Lines to sign on paper: a name, a date and a signature each.

    Args:
        lines: (in what capacity, name) of who is to sign; an empty name is written by hand.
    """

    lines: tuple[tuple[str, str], ...]


Block = Paragraph | Listed | Table | Figure | Heading | Signatures


@dataclass(frozen=True)
class Section:
    """One section.

    Args:
        title: Plain text.
        blocks: What is in it.
    """

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """A whole report.

    Args:
        title: What it is about.
        subtitle: One line below it.
        facts: (name, value) at the head: case, date, version.
        summary: What it comes to, in a few sentences.
        sections: In order.
        made_at: When, with a time zone.
        version: Of wrongbit.
        object_facts: (name, value) of which object it is about, above the facts.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    summary: tuple[Paragraph, ...]
    sections: tuple[Section, ...] = field(default=())
    made_at: datetime = field(default_factory=lambda: datetime.now().astimezone())
    version: str = ""
    object_facts: tuple[tuple[str, str], ...] = ()

    def texts(self) -> Iterator[str]:
        """Every text of the report in order, captions and heads included, what stands in figures not."""
        yield self.title
        yield self.subtitle
        for name, value in (*self.object_facts, *self.facts):
            yield name
            yield value
        for paragraph in self.summary:
            yield paragraph.text
        for section in self.sections:
            yield section.title
            for block in section.blocks:
                yield from texts_of(block)


def texts_of(block: Block) -> Iterator[str]:
    """The texts of one block."""
    match block:
        case Paragraph(text) | Heading(text):
            yield text
        case Listed(items):
            yield from items
        case Table():
            yield from (column.title for column in block.columns)
            for row in block.rows:
                yield from row
            yield block.caption
        case Figure():
            yield block.caption
        case Signatures(lines):
            yield from SIGNATURE_HEADS
            for line in lines:
                yield from line


def numbered(report: Report) -> Iterator[tuple[Section, tuple[tuple[Block, int], ...]]]:
    """Sections with their blocks; tables and figures with their numbers, from 1 through the whole report."""
    tables = figures = 0
    for section in report.sections:
        blocks = []
        for block in section.blocks:
            number = 0
            if isinstance(block, Table):
                tables += 1
                number = tables
            elif isinstance(block, Figure):
                figures += 1
                number = figures
            blocks.append((block, number))
        yield section, tuple(blocks)
