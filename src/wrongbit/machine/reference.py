"""The reference of the machine file as text, made from the published schema so that the two cannot part."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from wrongbit.machine.model import json_schema

BEGIN_REFERENCE = (
    "<!-- Made from the model by tools/write_machine_docs.py; do not edit below this line. -->\n"
)
"""Mark in ``docs/machine-file.md`` between what is written by hand and what is made."""

_NOTATIONS = {
    "Bits": 'bits, such as `"0..7"`',
    "BitText": 'bits, such as `"0..7"`',
    "Time": 'time, such as `"450 ns"`',
    "Frequency": 'frequency, such as `"1 MHz"`',
    "Event": "event",
    "Terms": "term, or list of terms",
    "RecipePart": "part",
    "RecipeParts": "part, or list of parts",
    "Names": "name, or list of names",
    "VoltageLimits": 'voltage with limits, such as `"5 V ± 5 %"`',
    "FrequencyLimits": 'frequency with limits, such as `"1 MHz ± 1 %"`',
    "TimeLimits": 'time with limits, such as `"10 ms ± 10 %"`',
    "ShareLimits": 'share with limits, such as `"40 % .. 60 %"`',
}
_TYPES = {"string": "text", "number": "number", "boolean": "`true` or `false`"}

Schema = dict[str, Any]


def render_schema() -> str:
    """The published JSON Schema as text."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


def render_reference() -> str:
    """Every table and key of the machine file in Markdown, tables in the order of the file.

    >>> "### `[[chip.region]]`" in render_reference()
    True
    """
    schema = json_schema()
    return (
        "\n".join(
            line for header, table in _tables("", schema, schema["$defs"]) for line in _render(header, table)
        )
        + "\n"
    )


def _tables(prefix: str, table: Schema, definitions: Schema) -> Iterator[tuple[str, Schema]]:
    """Header and schema of each table below this one."""
    for key, value in table["properties"].items():
        name, several = _table_name(value)
        if name in definitions and "properties" in definitions[name]:
            yield (f"[[{prefix}{key}]]" if several else f"[{prefix}{key}]"), definitions[name]
            yield from _tables(f"{prefix}{key}.", definitions[name], definitions)


def _table_name(value: Schema) -> tuple[str, bool]:
    """Name of the definition that a key refers to, and whether the key holds a list of them."""
    if value.get("type") == "array":
        return _table_name(value["items"])[0], True
    for choice in value.get("oneOf", ()):
        if "$ref" in choice:
            return _table_name(choice)
    return value.get("$ref", "").rpartition("/")[2], False


def _render(header: str, table: Schema) -> Iterator[str]:
    yield from ("", f"### `{header}`", "", " ".join(table["description"].replace("``", "`").split()), "")
    yield "| Key | Value | If left out | Meaning |"
    yield "| --- | --- | --- | --- |"
    for key, value in table["properties"].items():
        left_out = "must be there" if key in table.get("required", ()) else _default(value)
        cells = (f"`{key}`", _value(value), left_out, value.get("description", ""))
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _default(value: Schema) -> str:
    default = value.get("default")
    if default in (None, "", [], {}):
        return ""
    return f"`{json.dumps(default[0] if isinstance(default, list) else default, ensure_ascii=False)}`"


def _value(value: Schema) -> str:
    """What may stand there, in words."""
    if "oneOf" in value:
        return " or ".join(_value(choice) for choice in value["oneOf"])
    if "enum" in value:
        return ", ".join(f"`{json.dumps(each)}`" for each in value["enum"])
    if "$ref" in value:
        return _NOTATIONS.get(_table_name(value)[0], "table")
    if "anyOf" in value:
        return _whole_number(value["anyOf"][0])
    if value["type"] == "array":
        items = _value(value["items"])
        return "list of tables" if items == "table" else f"list of {items}"
    if value["type"] == "object":
        return f"table of name = {_value(value['additionalProperties'])}"
    return _TYPES[value["type"]]


def _whole_number(integer: Schema) -> str:
    low, high = (
        f"{bound:#X}".replace("X", "x") if abs(bound) > 0xFFFF else str(bound)
        for bound in (integer["minimum"], integer["maximum"])
    )
    return f"whole number from {low} to {high}"


__all__ = ["BEGIN_REFERENCE", "render_reference", "render_schema"]
