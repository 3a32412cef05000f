"""Reading a report back, without any of the code that wrote it."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser

from pypdf import PdfReader

SILENT = ("style", "title", "desc", "script")


class Texts(HTMLParser):
    """Pieces of text of a page, of figures too, as a browser would show them."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in SILENT:
            self._inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside and data.strip():
            self.found.append(data)


def html_texts(page: str) -> Texts:
    texts = Texts()
    texts.feed(page)
    return texts


def pdf_text(data: bytes) -> str:
    """All pages' text; page heads, page numbers and dots of the table of contents left out."""
    pages = []
    for number, page in enumerate(PdfReader(io.BytesIO(data)).pages):
        lines = page.extract_text().splitlines()
        lines = lines[1 if number else 0 :]  # the running head
        pages.append("\n".join(line for line in lines if not re.fullmatch(r"\d+ / \d+", line.strip())))
    return "\n".join(pages)


def squeezed(text: str) -> str:
    """Without white space, since lines are broken elsewhere on paper."""
    return re.sub(r"\s+", "", text)
