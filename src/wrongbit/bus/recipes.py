"""Built-in bus recipes, and what a recipe needs to see.

Each processor family is one file in ``families/``, written exactly as an own recipe is written in a machine
file, so that it can be copied there and changed. To add a family: add its file, its row in
``docs/bus-recipes.md`` and a hand-drawn waveform in ``tests/bus/test_recipes_families.py``.

A recipe's ``source`` says which data sheet it rests on and what in it was written from memory.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files

from wrongbit.bus.pins import canonical_name
from wrongbit.errors import MachineFileError
from wrongbit.machine.model import Processor
from wrongbit.machine.problems import suggestion
from wrongbit.machine.recipe import Recipe, Transfer, parse_part, parse_term
from wrongbit.machine.recipe_checks import names_used

ALIASES: dict[str, str] = {
    "65C02": "6502",
    "6808": "6802",
    "6809E": "6809",
    "8080A": "8080",
    "8085A": "8085",
    "8086-minimum": "8086",
    "8088-minimum": "8088",
    "68010": "68000",
}
"""Further names of the same recipe."""

_FOLDED = {alias.casefold(): family for alias, family in ALIASES.items()}
_SUFFIX = ".toml"


@cache
def family_names() -> tuple[str, ...]:
    """Names of the files in ``families/``, sorted.

    >>> "z80" in family_names(), "6809E" in family_names()
    (True, False)
    """
    found = (entry.name for entry in (files("wrongbit.bus") / "families").iterdir())
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in found if name.endswith(_SUFFIX)))


@cache
def recipe_names() -> tuple[str, ...]:
    """Every name by which a machine file may call a built-in recipe, sorted.

    >>> "z80" in recipe_names(), "6809E" in recipe_names()
    (True, True)
    """
    return tuple(sorted((*family_names(), *ALIASES)))


@cache
def builtin_recipe(name: str) -> Recipe:
    """The built-in recipe of this name; capitals do not matter.

    Raises:
        MachineFileError: There is no such recipe.

    >>> builtin_recipe("6809e") == builtin_recipe("6809")
    True
    """
    wanted = name.strip().casefold()
    wanted = _FOLDED.get(wanted, wanted)
    if wanted not in family_names():
        raise _unknown_recipe(name)
    text = (files("wrongbit.bus") / "families" / f"{wanted}{_SUFFIX}").read_text(encoding="utf-8")
    return Recipe.model_validate(tomllib.loads(text))


def _unknown_recipe(name: str) -> MachineFileError:
    return MachineFileError(
        f"There is no built-in bus recipe {name!r}; there are: {', '.join(recipe_names())}.",
        f"{suggestion(name, recipe_names())}Name one of these, or write the recipe of this machine's own.",
        key="processor.recipe",
    )


def resolve_recipe(processor: Processor) -> Recipe:
    """The recipe of a processor: its own, or the built-in one that it names.

    Raises:
        MachineFileError: It names a recipe that does not exist.
    """
    return builtin_recipe(processor.recipe) if isinstance(processor.recipe, str) else processor.recipe


def needed_signals(recipe: Recipe) -> tuple[str, ...]:
    """Signals and buses that the recipe cannot do without, by the recipe's names, in order of first use.

    >>> needed_signals(builtin_recipe("z80"))
    ('RD', 'MREQ', 'A', 'D', 'WR')
    """
    return tuple(name for name in _mentioned(recipe) if name not in recipe.optional)


def optional_signals(recipe: Recipe) -> tuple[str, ...]:
    """Signals that a probe may leave out, by the recipe's names, in order of first use.

    >>> optional_signals(builtin_recipe("6502"))
    ('RDY', 'SYNC')
    """
    return tuple(name for name in _mentioned(recipe) if name in recipe.optional)


def bus_widths(processor: Processor) -> Mapping[str, int]:
    """Every signal and bus that the processor's recipe reads, by its name in a capture, with its width.

    The names are the canonical ones of this machine (``signals`` renames applied, no polarity marks), the
    widths in wires: 1 for a signal, the number of its highest wire plus 1 for a bus. Optional signals are
    there too. A data bus is as wide as the processor's word. What an address takes from latches, parts of
    buses and single wires is fixed; the rest of the address belongs to the bus that is named whole.

    Raises:
        MachineFileError: The recipe does not exist.

    >>> from wrongbit.machine.model import Processor
    >>> dict(bus_widths(Processor(name="U1", word_bits=8, address_bits=16, recipe="8085")))
    {'ALE': 1, 'AD': 8, 'A': 16, 'RD': 1, 'S0': 1, 'S1': 1, 'IOM': 1, 'WR': 1, 'INTA': 1}
    """
    recipe = resolve_recipe(processor)
    widths = dict.fromkeys(_mentioned(recipe), 1)
    for name, highest in _highest_wires(recipe):
        widths[name] = max(widths[name], highest + 1)
    words = {parse_part(transfer.data)[0] for transfer in recipe.transfer if "." not in transfer.data}
    for name in words & widths.keys():
        widths[name] = max(widths[name], processor.word_bits)
    for transfer in recipe.transfer:
        _widen_address_bus(recipe, transfer, processor.address_bits, words, widths)
    return {canonical_name(processor, name): width for name, width in widths.items()}


# -- which names a recipe uses -----------------------------------------------------------------------------


def _mentioned(recipe: Recipe) -> tuple[str, ...]:
    """All signals and buses, without latches, in order of first use."""
    latches = {latch.name for latch in recipe.latch}
    return tuple(name for name in names_used(recipe) if name not in latches)


def _highest_wires(recipe: Recipe) -> Iterable[tuple[str, int]]:
    """(bus, number of its highest wire that is named) for every part of a bus and every term on one."""
    latches = {latch.name for latch in recipe.latch}
    parts = [part for latch in recipe.latch for part in latch.bus]
    parts += [part for transfer in recipe.transfer for part in (*transfer.address, transfer.data)]
    terms = [term for item in (recipe.latch, recipe.transfer) for each in item for term in each.where]
    terms += [term for enable in recipe.enable for term in enable.when]
    named = [parse_part(part) for part in (*parts, *recipe.bank)]
    named += [(name, None if bit is None else (bit,)) for _, name, bit in map(parse_term, terms)]
    yield from ((name, max(bits)) for name, bits in named if bits and name not in latches)


# -- how wide an address bus is ----------------------------------------------------------------------------


def _widen_address_bus(
    recipe: Recipe, transfer: Transfer, address_bits: int, words: set[str], widths: dict[str, int]
) -> None:
    """Give the bus that is named whole in an address, and carries no words, what the others leave."""
    parts = [piece for part in transfer.address for piece in _flatten(recipe, part)]
    whole = [name for name, bits in parts if bits is None and name not in words]
    # A name that ends in a digit is a single wire where there is another candidate for the bus.
    buses = [name for name in whole if not name[-1].isdigit()] or whole
    if len(buses) != 1:
        return
    others = sum(
        widths[name] if bits is None else len(bits)
        for name, bits in parts
        if (name, bits) != (buses[0], None)
    )
    widths[buses[0]] = max(widths[buses[0]], address_bits - recipe.address_shift - others)


def _flatten(recipe: Recipe, part: str) -> list[tuple[str, tuple[int, ...] | None]]:
    """A part of an address as the buses and wires behind it, seen through latches."""
    name, bits = parse_part(part)
    latch = next((latch for latch in recipe.latch if latch.name == name), None)
    if latch is None or bits is not None:
        return [(name, bits)]
    return [piece for inner in latch.bus for piece in _flatten(recipe, inner)]
