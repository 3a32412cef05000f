"""What stands around every page: name of the machine, navigation, keys, theme, work under way, print."""

from __future__ import annotations

from pathlib import Path

from nicegui import ui
from nicegui.element import Element

from wrongbit import __version__
from wrongbit.report.theme import css_themes
from wrongbit.web.elements import button, guarded, set_attributes, tag
from wrongbit.web.pages import PAGES, Page
from wrongbit.web.workbench import Task, Workbench

STATIC = Path(__file__).parent / "static"

OTHER_KEYS: tuple[tuple[str, str], ...] = (
    ("d", "light, dark, or as the system is"),
    ("/", "go to the page's search field"),
    ("?", "this list"),
    ("Esc", "close it"),
)
"""Keys that are no page's."""


def style_sheet() -> str:
    """The workbench's own look as CSS."""
    return css_themes() + (STATIC / "frame.css").read_text("utf-8")


def draw_page(bench: Workbench, page: Page) -> None:
    """A whole page: the frame, and the page's own contents in it."""
    ui.page_title(f"{page.title} · {bench.name}")
    # The library's own <main> would hold the navigation too.
    outer = ui.context.client.content.parent_slot
    if outer is not None:
        set_attributes(outer.parent, role="presentation")
    with tag("div", classes="wb-frame"):
        _skip_link()
        _head(bench, page)
        with tag("main", classes="wb-page", id="page", tabindex="-1", aria_label=page.title):
            tag("h1", page.title)
            tag("p", page.says, classes="wb-lead")
            guarded(lambda: page.draw(bench))
        _tasks(bench)
        _help()
        tag("div", classes="wb-told", id="told", role="status", aria_live="polite")


def _skip_link() -> None:
    tag("a", "To the page's contents", classes="wb-skip", href="#page")


def _head(bench: Workbench, current: Page) -> None:
    with tag("header", classes="wb-head"):
        with tag("div", classes="wb-name"):
            tag("span", "wrongbit", classes="wb-mark", aria_hidden="true")
            tag("strong", bench.name)
            tag("span", str(bench.folder), classes="wb-quiet wb-folder")
        with tag("nav", classes="wb-nav", aria_label="Pages"):
            for page in PAGES:
                _entry(page, here=page is current)
        with tag("div", classes="wb-tools"):
            tag(
                "button",
                "light / dark",
                classes="wb-button",
                id="theme",
                type="button",
                aria_keyshortcuts="d",
            )
            tag("button", "keys ?", classes="wb-button", id="keys", type="button", aria_keyshortcuts="?")
            tag("button", "print", classes="wb-button", id="print", type="button")


def _entry(page: Page, *, here: bool) -> None:
    entry = tag("a", classes="wb-entry", href=page.path, aria_keyshortcuts=page.key)
    entry._props["data-key"] = page.key
    if here:
        set_attributes(entry, aria_current="page")
    with entry:
        tag("span", page.title)
        tag("kbd", page.key, aria_hidden="true")


def _tasks(bench: Workbench) -> None:
    """Work under way in any tab, with its progress and a way to stop it."""
    strip = tag("aside", classes="wb-tasks", aria_label="Work under way", hidden=True)
    shown: dict[int, Element] = {}

    def refresh() -> None:
        now = {task.number: task for task in bench.tasks if task.lasts}
        for number in [each for each in shown if each not in now]:
            shown.pop(number).delete()
        for number, task in now.items():
            if number not in shown:
                with strip:
                    shown[number] = _task(task)
            _advance(shown[number], task)
        hidden = None if now else True
        if strip._props.get("hidden") != hidden:
            set_attributes(strip, hidden=hidden)

    ui.timer(0.4, refresh)


def _task(task: Task) -> Element:
    row = tag("div", classes="wb-task")
    with row:
        tag("span", task.title)
        tag("progress", max="1", aria_label=task.title)
        tag("span", "", classes="wb-mono")
        button("Stop", task.cancel, says=f"stop: {task.title}")
    return row


def _advance(row: Element, task: Task) -> None:
    bar = row.default_slot.children[1]
    share = task.share
    value = None if share is None else f"{share:.3f}"
    if bar._props.get("value") != value:
        set_attributes(bar, value=value)


def _help() -> None:
    """The list of keys; the script shows and hides it."""
    with tag("dialog", classes="wb-help", id="help", aria_label="Keys"):
        tag("h2", "Keys")
        with tag("dl"):
            for page in PAGES:
                tag("dt", page.key)
                tag("dd", f"{page.title}: {page.says}")
            for key, says in OTHER_KEYS:
                tag("dt", key)
                tag("dd", says)
        tag("p", f"wrongbit {__version__}", classes="wb-quiet")
        tag("button", "Close", classes="wb-button wb-main", id="close-help", type="button")
