"""What pages are made of: plain HTML with names for everyone, in the workbench's own look.

Pages use these rather than the library's ready-made widgets: they are real buttons, fields, lists and tables,
so that the keyboard, a screen reader, a finger and the printer all find what they expect. Text from files and
people goes through `text_of` and the other functions here as text, never as markup.
"""

from __future__ import annotations

import asyncio
import json
import logging
import re
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from typing import Any

from nicegui import background_tasks, ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement

from wrongbit.errors import WrongbitError
from wrongbit.report.theme import LIGHT
from wrongbit.web.workbench import Cancelled, Result, Work, Workbench

log = logging.getLogger("wrongbit.web")

Action = Callable[[], object | Awaitable[object]]
"""What a control does; may be a coroutine function."""

Cell = str | int | float | None | Callable[[], object]
"""A table's cell: a value, shown as text, or a function that draws it."""


def tag(name: str, text: str = "", *, classes: str = "", **attributes: Any) -> Element:
    """An HTML element with text in it; attributes in Python's spelling (``aria_label="…"``)."""
    element: Element = TextElement(tag=name, text=text) if text else ui.element(name)
    if classes:
        element.classes(classes)
    set_attributes(element, **attributes)
    return element


def set_attributes(element: Element, **attributes: Any) -> None:
    """Set attributes as values, whatever characters are in them; None takes one away."""
    for key, value in attributes.items():
        name = key.rstrip("_").replace("_", "-")
        if value is None:
            element._props.pop(name, None)
        else:
            element._props[name] = value
    element.update()


def heading(text: str, level: int = 2, *, classes: str = "") -> Element:
    """A heading; the page's own is level 1, which the frame writes."""
    return tag(f"h{level}", text, classes=classes)


def paragraph(text: str, *, classes: str = "") -> Element:
    """A paragraph of plain text."""
    return tag("p", text, classes=classes)


def section(title: str, *, classes: str = "", key: str = "") -> Element:
    """A titled part of a page; use as ``with section("…"):``."""
    area = tag("section", classes=f"wb-section {classes}", aria_label=title)
    if key:
        set_attributes(area, id=key)
    with area:
        heading(title)
    return area


def button(text: str, action: Action, *, main: bool = False, says: str = "", classes: str = "") -> Element:
    """A button.

    Args:
        text: What it does.
        action: Called on a click; its `WrongbitError` is shown as a message.
        main: The one that is most likely wanted.
        says: Its name for a screen reader where the text alone is not enough.
        classes: Further classes.
    """
    kind = "wb-button wb-main" if main else "wb-button"
    element = tag("button", text, classes=f"{kind} {classes}", type="button", aria_label=says or None)

    async def pressed() -> None:
        set_attributes(element, disabled=True)
        try:
            await attempt(action)
        finally:
            if not element.is_deleted:
                set_attributes(element, disabled=None)

    element.on("click", pressed, args=[])
    return element


async def attempt(action: Action) -> None:
    """Do what a control does; a mistake is told, and a stop is silent."""
    try:
        result = action()
        if asyncio.iscoroutine(result) or isinstance(result, Awaitable):
            await result
    except Cancelled:
        tell("Stopped.")
    except WrongbitError as error:
        tell(str(error), bad=True)
    except Exception as error:
        tell(str(our_mistake(error)), bad=True)


def guarded(draw: Callable[[], object]) -> None:
    """Draw something; what goes wrong is told in its place, and the rest of the page stays."""
    try:
        draw()
    except WrongbitError as error:
        message(error)
    except Exception as error:
        message(our_mistake(error))


def our_mistake(error: Exception) -> WrongbitError:
    """An error that nobody foresaw, as a message; its traceback goes to the log."""
    log.error("in the workbench", exc_info=error)
    return WrongbitError(
        f"This did not work, by a mistake in wrongbit: {type(error).__name__}: {error}.",
        "Nothing in the case is lost. What the terminal shows about it helps to mend it.",
    )


def link(text: str, target: str, *, classes: str = "", **attributes: Any) -> Element:
    """A link to a page of the workbench (or to a place on this one)."""
    return tag("a", text, classes=f"wb-link {classes}", href=target, **attributes)


class Field(Element):
    """A field to type into, with its label.

    Args:
        label: What belongs in it.
        value: What it holds at first.
        hint: An example, or how to write it; stands below the field.
        kind: HTML's type: text, number, search, date.
        lines: More than one: a field of several lines.
        on_change: Called with the new value when the person is done with it (not at each key).
        on_enter: Called when Enter is pressed.
        width: Width in characters; 0: as wide as there is room.
        inline: What stands beside it says what belongs in it: the label is for a screen reader only, and the
            hint stands in the empty field.
    """

    def __init__(
        self,
        label: str,
        value: str = "",
        *,
        hint: str = "",
        kind: str = "text",
        lines: int = 1,
        on_change: Callable[[str], object] | None = None,
        on_enter: Action | None = None,
        width: int = 0,
        inline: bool = False,
    ) -> None:
        super().__init__("label")
        self.classes("wb-field")
        self._value = value
        with self:
            tag("span", label, classes="wb-label wb-unseen" if inline else "wb-label")
            self.input = tag("textarea" if lines > 1 else "input", classes="wb-input")
            # It is only the first value, so that a redraw never writes over what a person types: an attribute
            # (^) of a field of one line, a property (.) of a longer one, as the page library writes them.
            first: dict[str, Any] = {"type": kind, "^value": value}
            if lines > 1:
                first = {"rows": lines, ".defaultValue": value}
            self.input._props.update(first, autocomplete="off", spellcheck="false")
            if width:
                self.input.style(f"width: {width + 2}ch")
            if hint and inline:
                self.input._props["placeholder"] = hint
            name_field(self.input, label, "" if inline else hint)
        self.input.on("input", self._typed, js_handler="(e) => emit(e.target.value)")
        if on_change is not None:
            self.input.on("change", lambda: on_change(self.value), args=[])
        if on_enter is not None:
            self.input.on("keydown.enter", lambda: attempt(on_enter), args=[])

    def _typed(self, event: Any) -> None:
        given = event.args
        self._value = str(given[0] if isinstance(given, list) else given)

    @property
    def value(self) -> str:
        """What the field holds."""
        return self._value

    @value.setter
    def value(self, value: str) -> None:
        self._value = value
        ui.run_javascript(f"wrongbit.fill({self.input.id}, {json.dumps(value)})")


def name_field(field: Element, label: str, hint: str) -> None:
    """The label is a field's name; the hint, below it, describes it."""
    about = f"hint-{field.id}" if hint else None
    set_attributes(field, aria_label=label, aria_describedby=about)
    if hint:
        tag("span", hint, classes="wb-hint", id=about)


class Choice(Element):
    """A list to choose one entry from, with its label.

    Args:
        label: What is chosen.
        options: Values with their texts, or values that are their own texts.
        value: The one chosen at first.
        on_change: Called with the value that was chosen.
        hint: Stands below.
    """

    def __init__(
        self,
        label: str,
        options: Mapping[str, str] | Sequence[str],
        value: str = "",
        *,
        on_change: Callable[[str], object] | None = None,
        hint: str = "",
    ) -> None:
        super().__init__("label")
        self.classes("wb-field")
        texts = options if isinstance(options, Mapping) else {each: each for each in options}
        self._keys = list(texts)
        self._value = value if value in texts else next(iter(texts), "")
        self._on_change = on_change
        with self:
            tag("span", label, classes="wb-label")
            self.input = tag("select", classes="wb-input")
            with self.input:
                for number, (key, text) in enumerate(texts.items()):
                    tag("option", text or "–", value=str(number), selected=key == self._value or None)
            name_field(self.input, label, hint)
        self.input.on("change", self._chosen, js_handler="(e) => emit(e.target.value)")

    async def _chosen(self, event: Any) -> None:
        given = event.args
        number = int(given[0] if isinstance(given, list) else given)
        if 0 <= number < len(self._keys):
            self._value = self._keys[number]
            if self._on_change is not None:
                change = self._on_change
                await attempt(lambda: change(self.value))

    @property
    def value(self) -> str:
        """The value that is chosen."""
        return self._value

    @value.setter
    def value(self, value: str) -> None:
        if value in self._keys:
            self._value = value
            ui.run_javascript(f"wrongbit.fill({self.input.id}, {json.dumps(str(self._keys.index(value)))})")


class Check(Element):
    """A box to tick, with its label."""

    def __init__(self, label: str, value: bool = False, *, on_change: Callable[[bool], object] | None = None):
        super().__init__("label")
        self.classes("wb-check")
        self.value = value
        self._on_change = on_change
        with self:
            self.input = tag("input", type="checkbox")
            if value:
                self.input._props["^checked"] = ""
            tag("span", label)
        self.input.on("change", self._ticked, js_handler="(e) => emit(e.target.checked)")

    async def _ticked(self, event: Any) -> None:
        given = event.args
        self.value = bool(given[0] if isinstance(given, list) else given)
        if self._on_change is not None:
            change = self._on_change
            await attempt(lambda: change(self.value))


def table(
    columns: Sequence[str],
    rows: Iterable[Sequence[Cell]],
    *,
    caption: str,
    right: Iterable[int] = (),
    mono: Iterable[int] = (),
    marked: Iterable[int] = (),
    stacked: bool = False,
) -> Element:
    """A table.

    Args:
        columns: Heads; an empty one is a column of controls.
        rows: Cells of each row.
        caption: Its name, for a screen reader.
        right: Numbers of columns that are set to the right (numbers).
        mono: Numbers of columns in the face for words and addresses.
        marked: Numbers of rows that differ.
        stacked: On a narrow screen each row is set as lines below each other, each with its column's head.
    """
    kinds = ["" for _ in columns]
    for number in right:
        kinds[number] += " wb-right"
    for number in mono:
        kinds[number] += " wb-mono"
    differing = set(marked)
    outer = tag("div", classes="wb-table-scroll", tabindex="0", role="group", aria_label=caption)
    with outer, tag("table", classes="wb-table wb-stacked" if stacked else "wb-table"):
        tag("caption", caption, classes="wb-unseen")
        with tag("thead"), tag("tr"):
            for head, kind in zip(columns, kinds, strict=True):
                tag("th", head, classes=kind, scope="col")
        with tag("tbody"):
            for number, row in enumerate(rows):
                with tag("tr", classes="wb-differs" if number in differing else ""):
                    for cell, kind, head in zip(row, kinds, columns, strict=True):
                        _cell(cell, kind, head if stacked else "")
    return outer


def _cell(cell: Cell, kind: str, head: str) -> None:
    if callable(cell):
        with tag("td", classes=kind, data_head=head or None):
            cell()
    else:
        tag("td", "" if cell is None else str(cell), classes=kind, data_head=head or None)


def folded(title: str, key: str = "") -> Element:
    """Something that stands back until it is asked for; use as ``with folded("…"):``. It prints open."""
    area = tag("details", classes="wb-folded", id=key or None)
    with area:
        tag("summary", title)
    return area


def copyable(text: str, *, says: str = "") -> Element:
    """A word, address or hash in the face for them, with a button that copies it."""
    outer = tag("span", classes="wb-copyable")
    with outer:
        tag("code", text)
        copy = tag("button", "copy", classes="wb-copy", type="button", aria_label=f"copy {says or text}")
        copy._props["data-copy"] = text
    return outer


def figure(svg: str, *, says: str, classes: str = "") -> Element:
    """A drawing of ours, in the page's light or dark theme.

    Args:
        svg: From `wrongbit.report.figures` or a room below, in the light theme; its text is escaped there.
        says: What it shows, for a screen reader.
        classes: Further classes.
    """
    outer = tag("figure", classes=f"wb-figure {classes}", aria_label=says, tabindex="0", role="group")
    with outer:
        ui.html(themed(svg), sanitize=False)
    return outer


def themed(svg: str) -> str:
    """A drawing in the light theme whose colours follow the page: each becomes the theme's CSS variable."""
    return _COLOUR.sub(lambda found: f"{found[1]}{_VARIABLES.get(found[2], found[2])}", svg)


_COLOUR = re.compile(r"""(="|(?:fill|stroke|color): ?)(#[0-9a-f]{6})\b""")
_VARIABLES = {
    colour: f"var(--wb-{role.replace('_', '-')})" for role, colour in reversed(LIGHT.colours().items())
}


def message(error: WrongbitError) -> Element:
    """A mistake with what to do about it."""
    outer = tag("div", classes="wb-message wb-bad", role="alert")
    with outer:
        tag("strong", error.message)
        if error.remedy:
            paragraph(error.remedy)
        if error.where():
            tag("code", error.where())
        for note in error.notes:
            paragraph(note, classes="wb-quiet")
    return outer


def cautions(texts: Sequence[str]) -> None:
    """Where work can hurt: always in sight, above what is to be done."""
    if not texts:
        return
    with tag("aside", classes="wb-cautions", aria_label="Cautions"):
        tag("strong", "Caution" if len(texts) == 1 else "Cautions")
        with tag("ul"):
            for text in texts:
                tag("li", text)


def quiet(text: str) -> Element:
    """A remark that stands back."""
    return paragraph(text, classes="wb-quiet")


def tell(text: str, *, bad: bool = False) -> None:
    """Say something once, at the edge of the page; a screen reader says it too."""
    ui.run_javascript(f"wrongbit.tell({json.dumps(text)}, {'true' if bad else 'false'})")


class Live:
    """A part of a page that fills itself, from `live`; what comes too late is not shown.

    Args:
        bench: The workbench.
        title: What is computed, as a person would say it.
        work: Called in a thread with a progress function.
        draw: Called with the result, to put it on the page.
        early: What is there at once of the same, to be looked at meanwhile.
    """

    def __init__(
        self,
        bench: Workbench,
        title: str,
        work: Work[Any],
        draw: Callable[[Any], object],
        early: Work[Any] | None = None,
    ) -> None:
        self.bench, self.title, self.work, self.draw, self.early = bench, title, work, draw, early
        self.area = tag("div", classes="wb-live", aria_busy="true")
        self._turn = 0
        self._shown: object = None

    def start(self) -> None:
        """Compute it, and draw it when that has changed it."""
        if self.area.is_deleted:
            return
        self._turn += 1
        background_tasks.create(self._fill(self._turn), name=self.title)

    def again(self) -> None:
        """Draw it in any case: something else that it shows was chosen."""
        self._shown = None
        self.start()

    async def _fill(self, turn: int) -> None:
        if not self.area.default_slot.children:
            with self.area:
                tag("p", f"{self.title} …", classes="wb-waiting")
        try:
            if self.early is not None and self._shown is None:
                begun = await self.bench.run(self.title, self.early)
                self._put(turn, lambda: self.draw(begun), begun, busy=True)
            result = await self.bench.run(self.title, self.work)
        except Cancelled:
            self._put(turn, self._stopped)
        except WrongbitError as error:
            failure = error
            self._put(turn, lambda: message(failure))
        except Exception as error:
            mistake = our_mistake(error)
            self._put(turn, lambda: message(mistake))
        else:
            # What has not changed is left alone, with what a person may be typing there.
            if self._shown is None or not _same(self._shown, result):
                self._put(turn, lambda: self.draw(result), result)
            elif turn == self._turn and not self.area.is_deleted:
                set_attributes(self.area, aria_busy="false")

    def _put(
        self, turn: int, draw: Callable[[], object], result: object = None, *, busy: bool = False
    ) -> None:
        if turn != self._turn or self.area.is_deleted:
            return
        self._shown = result
        self.area.clear()
        set_attributes(self.area, aria_busy="true" if busy else "false")
        with self.area:
            guarded(draw)

    def _stopped(self) -> None:
        paragraph(f"{self.title}: stopped.")
        button("Start again", self.start)


def live(
    bench: Workbench,
    title: str,
    work: Work[Result],
    draw: Callable[[Result], object],
    *,
    early: Work[Result] | None = None,
) -> Live:
    """A part of a page that is computed in a thread, shown when it is there, and again at each change.

    Args:
        bench: The workbench.
        title: What is computed, as a person would say it.
        work: Called in a thread with a progress function.
        draw: Called with the result, to put it on the page.
        early: What is there at once of the same, to be looked at meanwhile.
    """
    part = Live(bench, title, work, draw, early)
    part.start()
    stop = bench.watch(part.start)
    part.area.client.on_delete(stop)
    return part


def _same(first: object, second: object) -> bool:
    if first is second:
        return True
    try:
        return bool(first == second)
    except ValueError:  # arrays
        return False


def share_bar(share: float) -> Element:
    """A probability as a bar beside its number."""
    outer = tag("span", classes="wb-bar", aria_hidden="true")
    with outer:
        tag("span").style(f"width: {100 * min(max(share, 0.0), 1.0):.1f}%")
    return outer
