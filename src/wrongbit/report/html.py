"""A report as one HTML file: no script, nothing fetched, figures as inline SVG, ready to be printed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from string import Template

from wrongbit.report.content import (
    SIGNATURE_HEADS,
    Block,
    Column,
    Figure,
    Heading,
    Listed,
    Paragraph,
    Report,
    Section,
    Signatures,
    Table,
    numbered,
)
from wrongbit.report.figures.svg import plain
from wrongbit.report.theme import LIGHT, css_themes, following

LONG = 24
"""Letters of a word beyond which it may be broken anywhere."""

NARROW, MANY = 12, 7
"""The same in a table of more columns than so many."""

_PAGE = Template("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="wrongbit $version">
<title>$title</title>
<style>
$style
</style>
</head>
<body>
<main>
$body
</main>
</body>
</html>
""")

_STYLE = Template("""
$themes
@media print {
@page { size: A4; margin: 18mm 16mm 18mm 16mm }
nav, .to-top { display: none }
figure, tr { break-inside: avoid-page }
h2, h3 { break-after: avoid-page }
html { font-size: 68% }
main { max-width: none; padding: 0 }
}
* { box-sizing: border-box }
body { margin: 0; background: var(--wb-paper); color: var(--wb-ink); font: 1rem/1.5 var(--wb-text) }
main { max-width: 62rem; margin: 0 auto; padding: 2.5rem 1.5rem 4rem }
header { border-left: 6px solid var(--wb-accent); padding-left: 1.2rem; margin-bottom: 2rem }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .3rem }
.subtitle { color: var(--wb-quiet); margin: 0 0 1rem }
h2 { font-size: 1.3rem; margin: 2.8rem 0 .8rem; padding-bottom: .25rem;
  border-bottom: 1px solid var(--wb-rule) }
h2 .number { color: var(--wb-quiet); font-weight: normal; margin-right: .5rem }
h3 { font-size: 1.05rem; margin: 1.6rem 0 .5rem }
p { margin: .5rem 0; max-width: 46rem; overflow-wrap: anywhere }
ul { margin: .5rem 0; padding-left: 1.3rem; max-width: 46rem }
li { margin: .25rem 0; overflow-wrap: anywhere }
dl { display: grid; grid-template-columns: minmax(9rem, max-content) 1fr; gap: .15rem 1.2rem; margin: 0 }
dt { color: var(--wb-quiet) }
dd { margin: 0; overflow-wrap: anywhere }
.object { margin-bottom: .7rem; padding-bottom: .7rem; border-bottom: 1px solid var(--wb-rule) }
.object dd { font-weight: bold }
.summary { background: var(--wb-body); padding: .8rem 1.2rem; margin: 1.5rem 0 }
.conclusion { font-weight: bold }
.conclusion::before { content: "→ " / ""; color: var(--wb-accent-text) }
.caution { border-left: 4px solid var(--wb-caution); padding-left: .8rem }
.note { color: var(--wb-quiet) }
.absent { color: var(--wb-quiet); font-style: italic }
nav ol { columns: 2; padding-left: 1.6rem; margin: .5rem 0 }
a { color: inherit; text-decoration-color: var(--wb-accent); text-underline-offset: .2em }
a:focus-visible { outline: 3px solid var(--wb-accent); outline-offset: 2px }
.scroll { overflow-x: auto; margin: .8rem 0 }
table { border-collapse: collapse; font-size: .88rem; width: 100% }
caption { caption-side: bottom; text-align: left; color: var(--wb-quiet); padding-top: .4rem;
  font-size: .85rem }
th { text-align: left; font-weight: bold; background: var(--wb-body); vertical-align: bottom }
th, td { padding: .25rem .6rem; border-bottom: 1px solid var(--wb-rule) }
td { vertical-align: top; overflow-wrap: break-word; white-space: pre-line }
td.long { overflow-wrap: anywhere }
td.word { font-family: var(--wb-mono); font-size: .95em }
th.number, td.number { text-align: right }
td.date { white-space: nowrap }
td.number { font-family: var(--wb-mono); white-space: nowrap }
.signatures { break-inside: avoid-page }
.signatures th { background: none; font-size: .85rem; font-weight: normal; color: var(--wb-quiet); border: 0 }
.signatures tbody th { font-size: 1em; font-weight: bold; color: var(--wb-ink); width: 24%; height: 3.2rem;
  padding-left: 0; overflow-wrap: anywhere }
.signatures td { border: 0 }
.signatures tbody td { vertical-align: bottom; border-bottom: 1px solid var(--wb-edge) }
.signatures td:nth-child(3) { width: 18% }
.signatures td:nth-child(4) { width: 30% }
.signatures tbody td + td { border-left: 1rem solid var(--wb-paper) }
tr.marked td { background: var(--wb-tint); font-weight: bold }
figure { margin: 1rem 0 1.4rem; overflow-x: auto }
figure svg { max-width: 100%; height: auto; display: block }
figcaption { color: var(--wb-quiet); font-size: .85rem; padding-top: .4rem }
""")


def render_html(report: Report) -> str:
    """The report as one self-contained HTML document.

    Args:
        report: What it says. Every text is escaped; figures follow the reader's light or dark theme, and
            the print theme on paper.
    """
    body = [*_head(report)]
    for number, (section, blocks) in enumerate(numbered(report), 1):
        body += _section(number, section, blocks)
    style = _STYLE.substitute(themes=css_themes())
    return _PAGE.substitute(
        version=_safe(report.version), title=_safe(report.title), style=style, body="\n".join(body)
    )


def _safe(text: str) -> str:
    return escape(plain(text))


def _head(report: Report) -> Iterator[str]:
    facts = f"<dl>{_facts(report.facts)}</dl>"
    if report.object_facts:
        facts = f'<dl class="object">{_facts(report.object_facts)}</dl>\n{facts}'
    yield (
        f'<header>\n<h1>{_safe(report.title)}</h1>\n<p class="subtitle">{_safe(report.subtitle)}</p>\n'
        f"{facts}\n</header>"
    )
    if report.summary:
        yield '<div class="summary">'
        yield from (_paragraph(each) for each in report.summary)
        yield "</div>"
    links = "".join(
        f'<li><a href="#s{number}">{_safe(section.title)}</a></li>'
        for number, section in enumerate(report.sections, 1)
    )
    yield f'<nav aria-label="Sections"><ol>{links}</ol></nav>'


def _facts(facts: Iterable[tuple[str, str]]) -> str:
    return "".join(f"<dt>{_safe(name)}</dt><dd>{_safe(value)}</dd>" for name, value in facts)


def _section(number: int, section: Section, blocks: tuple[tuple[Block, int], ...]) -> Iterator[str]:
    yield f'<section aria-labelledby="s{number}">'
    yield f'<h2 id="s{number}"><span class="number">{number}</span>{_safe(section.title)}</h2>'
    for block, count in blocks:
        yield _block(block, count)
    yield "</section>"


def _block(block: Block, number: int) -> str:
    match block:
        case Paragraph():
            return _paragraph(block)
        case Heading(text):
            return f"<h3>{_safe(text)}</h3>"
        case Listed(items):
            return "<ul>" + "".join(f"<li>{_safe(item)}</li>" for item in items) + "</ul>"
        case Table():
            return _table(block, number)
        case Figure():
            caption = _safe(f"Figure {number}. {block.caption}")
            return f"<figure>{following(block.draw(LIGHT))}<figcaption>{caption}</figcaption></figure>"
        case Signatures(lines):
            return _signatures(lines)


def _signatures(lines: Iterable[tuple[str, str]]) -> str:
    heads = "".join(f'<th scope="col">{_safe(head)}</th>' for head in SIGNATURE_HEADS)
    rows = "".join(
        f'<tr><th scope="row">{_safe(role)}</th><td>{_safe(name)}</td><td></td><td></td></tr>\n'
        for role, name in lines
    )
    return (
        f'<div class="scroll"><table class="signatures"><thead><tr><td></td>{heads}</tr></thead>\n'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _paragraph(paragraph: Paragraph) -> str:
    kind = "" if paragraph.tone == "plain" else f' class="{paragraph.tone}"'
    return f"<p{kind}>{_safe(paragraph.text)}</p>"


def _cell(cell: str, column: Column, longest: int) -> str:
    """A cell; one with a long word, such as a hash, may be broken anywhere."""
    kinds: list[str] = [column.kind] if column.kind != "text" else []
    kinds += ["long"] if any(len(word) > longest for word in cell.split()) else []
    kind = f' class="{" ".join(kinds)}"' if kinds else ""
    return f"<td{kind}>{_safe(cell)}</td>"


def _table(table: Table, number: int) -> str:
    kinds = ["" if column.kind == "text" else f' class="{column.kind}"' for column in table.columns]
    heads = "".join(
        f'<th scope="col"{kind}>{_safe(column.title)}</th>'
        for column, kind in zip(table.columns, kinds, strict=True)
    )
    marked = ' class="marked"'
    longest = NARROW if len(table.columns) > MANY else LONG
    rows = "".join(
        f"<tr{marked if at in table.marked else ''}>"
        + "".join(_cell(cell, column, longest) for cell, column in zip(row, table.columns, strict=True))
        + "</tr>\n"
        for at, row in enumerate(table.rows)
    )
    caption = _safe(f"Table {number}. {table.caption}".rstrip())
    return (
        f'<div class="scroll"><table><caption>{caption}</caption><thead><tr>{heads}</tr></thead>\n'
        f"<tbody>{rows}</tbody></table></div>"
    )
