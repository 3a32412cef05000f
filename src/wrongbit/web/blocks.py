"""The report's own paragraphs, tables and figures on a page, so that both say the same in the same words."""

from __future__ import annotations

from collections.abc import Iterable

from wrongbit.report.content import Block, Figure, Heading, Listed, Paragraph, Table
from wrongbit.report.theme import LIGHT
from wrongbit.web.elements import cautions, figure, heading, paragraph, quiet, table, tag


def draw_blocks(blocks: Iterable[Block]) -> None:
    """Put blocks of a report's section on the page."""
    for block in blocks:
        match block:
            case Heading(text):
                heading(text, 3)
            case Paragraph(text, tone):
                _paragraph(text, tone)
            case Listed(items):
                with tag("ul"):
                    for item in items:
                        tag("li", item)
            case Table():
                _table(block)
            case Figure():
                figure(block.draw(LIGHT), says=block.caption, classes="wb-wide" if block.wide else "")
                quiet(block.caption)


def _paragraph(text: str, tone: str) -> None:
    if tone == "caution":
        cautions((text,))
    elif tone in ("note", "absent"):
        quiet(text)
    else:
        paragraph(text, classes="wb-big" if tone == "conclusion" else "")


def _table(block: Table) -> None:
    paragraph(block.caption, classes="wb-quiet bl-caption")
    table(
        [column.title for column in block.columns],
        block.rows,
        caption=block.caption,
        right=[number for number, column in enumerate(block.columns) if column.kind == "number"],
        mono=[number for number, column in enumerate(block.columns) if column.kind == "word"],
        marked=block.marked,
    )
