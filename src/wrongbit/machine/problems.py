"""What is wrong with a machine file: each problem with its place, and how pydantic's findings become one."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, cast, get_args

from pydantic import BaseModel, ValidationError

from wrongbit.errors import InputError, MachineFileError
from wrongbit.machine.lines import Path
from wrongbit.machine.model import Machine

MOST_SHOWN = 25
"""Problems that are told one by one; a file with more is damaged as a whole."""

_NAMED_TABLES = ("processor", "chip", "part", "path", "point")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong.

    Args:
        path: The key at fault, from the root.
        message: What was found and what was expected, in one sentence.
        remedy: What to do.
    """

    path: Path
    message: str
    remedy: str = ""


def key_text(path: Path) -> str:
    """A key path as people write it; positions in lists count from 0.

    >>> key_text(("chip", 2, "pins", "/CE"))
    'chip[2].pins."/CE"'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            key = part if _BARE_KEY.fullmatch(part) else '"' + part.replace('"', '\\"') + '"'
            text += f".{key}" if text else key
    return text


def suggestion(wrong: str, names: Iterable[str]) -> str:
    """``Did you mean 'lane'? `` or nothing, when no name is near. Capitals do not matter.

    >>> suggestion("lanes", ["lane", "kind"])
    "Did you mean 'lane'? "
    """
    by_folded = {name.casefold(): name for name in names}
    near = get_close_matches(wrong.casefold(), by_folded, 1)
    return f"Did you mean {by_folded[near[0]]!r}? " if near else ""


def either(names: Iterable[str]) -> str:
    """``'rom', 'ram' or 'io'``.

    >>> either(["rom", "ram", "io"])
    "'rom', 'ram' or 'io'"
    """
    shown = [repr(name) for name in names]
    return " or ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def repeated_names(named: Iterable[tuple[Path, str]], remedy: str) -> Iterator[Problem]:
    """A problem for each name that stands a second time; capitals do not tell two names apart.

    Args:
        named: Path and text of each name, in the order of the file.
        remedy: What to do.
    """
    seen: dict[str, Path] = {}
    for path, name in named:
        first = seen.setdefault(name.casefold(), path)
        if first != path:
            yield Problem(path, f"the name {name!r} is already taken by {first[0]}[{first[1]}].", remedy)


def machine_file_error(
    problems: Sequence[Problem], data: Mapping[str, Any], file: str | None, lines: Mapping[Path, int]
) -> MachineFileError:
    """All problems as one error, in the order of the file: the first is the message, the others its notes.

    Args:
        problems: At least one.
        data: The file as read, to name the chip or processor at fault.
        file: The file as the person named it.
        lines: Line of each key, as far as known.
    """
    placed = sorted(((_line_of(p.path, lines), p) for p in problems), key=lambda item: item[0] or 0)
    (line, first), *others = placed
    notes = [_note(line, problem, data) for line, problem in others[: MOST_SHOWN - 1]]
    if len(placed) > MOST_SHOWN:
        notes.append(f"and {len(placed) - MOST_SHOWN} more.")
    return MachineFileError(
        _told(first, data),
        first.remedy,
        file=file,
        line=line,
        key=key_text(first.path) or None,
        notes=tuple(notes),
    )


def _note(line: int | None, problem: Problem, data: Mapping[str, Any]) -> str:
    where = f"line {line}, " if line is not None else ""
    return f"{where}key {key_text(problem.path)}: {_told(problem, data)} {problem.remedy}".rstrip()


def _line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """Line of the key, or of the innermost table around it that the file has."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _told(problem: Problem, data: Mapping[str, Any]) -> str:
    """The message, preceded by the name of the chip, processor or point that it is about."""
    path = problem.path
    text = problem.message
    if len(path) >= 2 and path[0] in _NAMED_TABLES and isinstance(path[1], int):
        try:
            name = data[path[0]][path[1]]["name"]
        except (KeyError, IndexError, TypeError):
            name = None
        if isinstance(name, str) and name.strip() and name.isprintable():
            text = f"{path[0]} {name}: {text}"
    return text[:1].upper() + text[1:]


# -- pydantic's findings -----------------------------------------------------------------------------------


def problems_of(error: ValidationError) -> list[Problem]:
    """Pydantic's findings as problems, in its order."""
    findings = [cast(Mapping[str, Any], details) for details in error.errors(include_url=False)]
    return list(dict.fromkeys(_problem(details) for details in findings if not _is_echo(details)))


def _is_echo(details: Mapping[str, Any]) -> bool:
    """True for a list that is too short only because its elements, with problems of their own, fell out."""
    return details["type"] == "too_short" and len(details["input"]) > 0


def _problem(details: Mapping[str, Any]) -> Problem:
    path = _file_path(details["loc"])
    translate = _TRANSLATIONS.get(details["type"], _other)
    message, remedy = translate(path, details["input"], details.get("ctx", {}), details["msg"])
    return Problem(path, message, remedy)


def _file_path(location: tuple[str | int, ...]) -> Path:
    """A location without the tag that tells which of a recipe's two forms was tried."""
    if location[:1] == ("processor",) and location[2:3] == ("recipe",):
        return (*location[:3], *location[4:])
    return location


def shown(value: object) -> str:
    """A value as the file has it, shortened.

    >>> shown("eprom"), shown(True), shown([1, 2])
    ("'eprom'", 'true', 'a list')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, datetime.date | datetime.time):
        return f"the date or time {value.isoformat()}"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def table_at(path: Path) -> type[BaseModel] | None:
    """The model of the table at this path, None where the path is not a table of fixed keys."""
    model: type[BaseModel] = Machine
    for part in path:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        inner = None if field is None else model_in(field.annotation)
        if inner is None:
            return None
        model = inner
    return model


def model_in(annotation: Any) -> type[BaseModel] | None:
    """The model within a field's type: of the table itself, or of each table of a list."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for each in get_args(annotation) if (found := model_in(each))), None)


def _header(path: Path, data_is_list: bool = False) -> str:
    keys = ".".join(part for part in path if isinstance(part, str))
    return f"[[{keys}]]" if data_is_list or (path and isinstance(path[-1], int)) else f"[{keys}]"


Translated = tuple[str, str]
Translate = Callable[[Path, Any, Mapping[str, Any], str], Translated]


def _unknown_key(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    *table, key = path
    model = table_at(tuple(table))
    names = [] if model is None else list(model.model_fields)
    where = _header(tuple(table)) if table else "the top of the file"
    message = f"{where} has no key {key!r}; it may have: {', '.join(names)}."
    for length in range(len(table) - 1, 0, -1):
        outer = table_at(tuple(table[:length]))
        if isinstance(table[length - 1], int) and outer is not None and key in outer.model_fields:
            return (
                message,
                f"It belongs to {_header(tuple(table[:length]))}: write it above the line {where}.",
            )
    return message, suggestion(str(key), names) + "Correct the key or take it out."


def _missing_key(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    *table, key = path
    model = table_at(tuple(table))
    field = None if model is None else model.model_fields.get(str(key))
    about = f" {field.description}" if field is not None and field.description else ""
    if table_at(path) is not None:
        is_list = path != ("machine",) and key != "image"
        return f"the table {_header(path, is_list)} is missing.{about}", f"Add {_header(path, is_list)}."
    return f"the key {key!r} is missing.{about}", f"Add {key} = …"


def _not_in_list(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    names = re.findall(r"'([^']*)'|(\d+)", str(context.get("expected", "")))
    choices = [quoted or number for quoted, number in names]
    expected = ", ".join(choices[:-1]) + f" or {choices[-1]}" if len(choices) > 1 else "".join(choices)
    near = suggestion(value, choices) if isinstance(value, str) else ""
    return f"{shown(value)} is given; {expected} is expected.", near + "Write one of these."


def _out_of_range(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    bounds = {"ge": "or more", "gt": "exclusive", "le": "or less", "lt": "exclusive"}
    limit, word = next((context[key], word) for key, word in bounds.items() if key in context)
    return f"{shown(value)} is out of range; {limit} {word} is expected.", "Correct the number."


def _own_check(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    error = context.get("error")
    cause = getattr(error, "__cause__", None)
    remedy = cause.remedy if isinstance(cause, InputError) else ""
    message, _, advice = str(error).partition("; ")
    if not remedy and advice:
        return f"{message}.", f"{advice[0].upper()}{advice[1:]}."
    return str(error), remedy


def _wrong_type(expected: str, remedy: str) -> Translate:
    def translate(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
        return f"{shown(value)} is given; {expected} is expected.", remedy

    return translate


def _list_wanted(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    if table_at(path) is not None:
        wanted = _header(path, data_is_list=True)
        return (
            f"{shown(value)} is given; there can be several, so a list of tables is expected.",
            f"Write the header as {wanted}, with double brackets.",
        )
    return f"{shown(value)} is given; a list is expected.", "Write it between brackets: [ … ]."


def _table_wanted(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    if isinstance(value, list):
        return "a list is given; one table is expected.", f"Write the header once, as {_header(path)}."
    return (
        f"{shown(value)} is given; a table is expected.",
        f"Write it as {_header(path)} with keys below it.",
    )


def _too_short(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    if table_at(path) is not None:
        header = _header(path, data_is_list=True)
        return f"there is none; one {header} or more is expected.", f"Add {header}."
    return "it is empty.", "Write something, or take the key out where it may be left out."


def _other(path: Path, value: Any, context: Mapping[str, Any], text: str) -> Translated:
    return f"{shown(value)} is given. {text}.".replace("..", "."), "Correct the value."


_WHOLE = _wrong_type("a whole number", "Write it in decimal, as 0x… (hex) or as 0o… (octal).")
_NUMBER = _wrong_type("a number", "Write it without quotes, such as 2.5.")
_TEXT = _wrong_type("text", 'Write it between quotes: "…".')
_FLAG = _wrong_type("true or false", "Write true or false without quotes.")

_TRANSLATIONS: dict[str, Translate] = {
    "extra_forbidden": _unknown_key,
    "missing": _missing_key,
    "literal_error": _not_in_list,
    "greater_than": _out_of_range,
    "greater_than_equal": _out_of_range,
    "less_than": _out_of_range,
    "less_than_equal": _out_of_range,
    "value_error": _own_check,
    "int_type": _WHOLE,
    "int_parsing": _WHOLE,
    "int_parsing_size": _WHOLE,
    "int_from_float": _WHOLE,
    "float_type": _NUMBER,
    "finite_number": _NUMBER,
    "string_type": _TEXT,
    "bool_type": _FLAG,
    "tuple_type": _list_wanted,
    "dict_type": _table_wanted,
    "model_type": _table_wanted,
    "recipe_form": _wrong_type(
        "the name of a built-in recipe or a table", 'Write recipe = "…" or a table [processor.recipe].'
    ),
    "too_short": _too_short,
    "string_too_short": _too_short,
}
