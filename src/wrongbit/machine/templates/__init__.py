"""Machine files to start from, one for each processor family and one with a recipe of its own.

To add one: write the file here, commented for somebody who has never seen a machine file, with an invented
name. The tests load every file in this folder.
"""

from __future__ import annotations

from difflib import get_close_matches
from importlib.resources import files

from wrongbit.errors import UsageError

_SUFFIX = ".toml"


def template_names() -> tuple[str, ...]:
    """Names of the templates, sorted.

    >>> "z80" in template_names()
    True
    """
    names = (entry.name for entry in files(__name__).iterdir())
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in names if name.endswith(_SUFFIX)))


def read_template(name: str) -> str:
    """Text of a template.

    Args:
        name: One of `template_names`; capitals do not matter.

    Raises:
        UsageError: There is no such template.

    >>> read_template("Z80").splitlines()[0][:23]
    '# A machine with a Z80:'
    """
    names = template_names()
    wanted = name.casefold()
    if wanted not in names:
        near = get_close_matches(wanted, names, 1)
        guess = f"Did you mean {near[0]!r}? " if near else ""
        raise UsageError(
            f"There is no template {name!r}; there are {', '.join(names)}.", f"{guess}Name one of these."
        )
    return (files(__name__) / f"{wanted}{_SUFFIX}").read_text(encoding="utf-8")
