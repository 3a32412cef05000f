"""Instruction sets by name, and the one that a processor has."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path

from wrongbit.errors import MachineFileError
from wrongbit.instructions.instruction import InstructionSet
from wrongbit.instructions.library import LIBRARY_SETS
from wrongbit.instructions.table import load_table, packaged_names, packaged_table
from wrongbit.machine.model import Processor

OWN_TABLE = "table:"
"""What an own table's file name is written after."""

SET_OF_RECIPE: dict[str, str] = {
    "6502": "6502",
    "65c02": "65c02",
    "6800": "6800",
    "6802": "6800",
    "6808": "6800",
    "6809": "6809",
    "6809e": "6809",
    "z80": "z80",
    "8080": "8080",
    "8080a": "8080",
    "8085": "8085",
    "8085a": "8085",
    "8086": "8086",
    "8086-minimum": "8086",
    "8086-maximum": "8086",
    "8088": "8088",
    "8088-minimum": "8088",
    "8088-maximum": "8088",
    "68000": "68000",
    "68010": "68000",
}
"""Built-in bus recipe = instruction set of its family."""


def set_names() -> tuple[str, ...]:
    """Names of all built-in instruction sets.

    >>> "6502" in set_names(), "68000" in set_names()
    (True, True)
    """
    return tuple(sorted({*packaged_names(), *LIBRARY_SETS}))


def built_in_set(name: str) -> InstructionSet | None:
    """A built-in instruction set, or None."""
    folded = name.casefold()
    if folded in LIBRARY_SETS:
        return LIBRARY_SETS[folded]
    return packaged_table(folded) if folded in packaged_names() else None


def instruction_set(processor: Processor, folder: Path, file: str | None = None) -> InstructionSet | None:
    """The instruction set that a machine file gives a processor.

    Args:
        processor: From the machine file.
        folder: Where the machine file lies.
        file: What errors call the machine file.

    Returns:
        None where the file names none and the recipe is not of a known family.

    Raises:
        MachineFileError: There is no such set, or the table cannot be used.
    """
    named = processor.instructions.strip()
    if not named:
        recipe = processor.recipe if isinstance(processor.recipe, str) else ""
        family = SET_OF_RECIPE.get(recipe.casefold())
        return built_in_set(family) if family else None
    if named.startswith(OWN_TABLE):
        return load_table(folder / named.removeprefix(OWN_TABLE).strip())
    found = built_in_set(named)
    if found is None:
        names = set_names()
        near = get_close_matches(named, names, n=1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise MachineFileError(
            f"There is no built-in instruction set {named!r}; there are {', '.join(names)}.",
            f"{hint}Name one of these, or write 'table:FILE' for a table of your own.",
            file=file,
            key=f"processor {processor.name}, instructions",
        )
    return found
