"""The style sheet that the pages of several pages share."""

from __future__ import annotations

from pathlib import Path

from nicegui import ui

ASSETS = Path(__file__).parent / "assets"


def add_page_style() -> None:
    """Put it into the page's head; call it while the page is being drawn."""
    ui.add_head_html(f"<style>{(ASSETS / 'pages.css').read_text('utf-8')}</style>")
