"""Checks of a recipe that a machine file brings with it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from wrongbit.machine.lines import Path as KeyPath
from wrongbit.machine.model import Processor
from wrongbit.machine.names import parse_signal
from wrongbit.machine.problems import Problem, suggestion
from wrongbit.machine.recipe import Latch, Recipe, Transfer, parse_event, parse_part, parse_term
from wrongbit.units import parse_bits

Use = tuple[KeyPath, str]
"""Where in the recipe, and the name that is used there."""


def names_used(recipe: Recipe) -> tuple[str, ...]:
    """Signals, buses and latches that a recipe's events, terms and parts name, in order of first use."""
    return tuple(dict.fromkeys(name for _, name in _uses(recipe)))


def check_recipe(path: KeyPath, recipe: Recipe, processor: Processor) -> Iterator[Problem]:
    """What does not fit within the recipe, or between it and its processor.

    Args:
        path: Path of the recipe in the file.
        recipe: The recipe.
        processor: The processor that it serves.
    """
    for check in (_latches, _listed_names, _enables, _transfers):
        for problem in check(recipe, processor):
            yield Problem((*path, *problem.path), problem.message, problem.remedy)


# -- every use of a name -----------------------------------------------------------------------------------


def _uses(recipe: Recipe) -> Iterator[Use]:
    for index, latch in enumerate(recipe.latch):
        yield from _latch_uses(index, latch)
    for index, transfer in enumerate(recipe.transfer):
        yield from _transfer_uses(index, transfer)
    yield from _parts(("bank",), recipe.bank)
    for index, enable in enumerate(recipe.enable):
        yield from _terms(("enable", index, "when"), enable.when)


def _latch_uses(index: int, latch: Latch) -> Iterator[Use]:
    yield from _event(("latch", index, "at"), latch.at)
    yield from _parts(("latch", index, "bus"), latch.bus)
    yield from _terms(("latch", index, "where"), latch.where)


def _transfer_uses(index: int, transfer: Transfer) -> Iterator[Use]:
    yield from _event(("transfer", index, "at"), transfer.at)
    yield from _terms(("transfer", index, "where"), transfer.where)
    yield from _parts(("transfer", index, "address"), transfer.address)
    yield from _parts(("transfer", index, "data"), (transfer.data,))


def _event(path: KeyPath, event: str) -> Iterator[Use]:
    yield from ((path, name) for name in parse_event(event)[0].split("|"))


def _terms(path: KeyPath, terms: Sequence[str]) -> Iterator[Use]:
    yield from ((path, parse_term(term)[1]) for term in terms)


def _parts(path: KeyPath, parts: Sequence[str]) -> Iterator[Use]:
    yield from ((path, parse_part(part)[0]) for part in parts)


# -- the checks --------------------------------------------------------------------------------------------


def _latches(recipe: Recipe, processor: Processor) -> Iterator[Problem]:
    """A latch has a name of its own, is loaded before it is used, and is used."""
    names = [latch.name for latch in recipe.latch]
    for index, latch in enumerate(recipe.latch):
        path: KeyPath = ("latch", index, "name")
        if latch.name in names[:index]:
            yield Problem(path, f"there is another latch {latch.name!r}.", "Give each a name of its own.")
        for where, name in _latch_uses(index, latch):
            if name == latch.name:
                yield Problem(
                    where,
                    f"the latch {name!r} refers to itself.",
                    "Give the latch a name that no bus or signal has.",
                )
            elif name in names[index:]:
                yield Problem(
                    where,
                    f"the latch {name!r} is used before it is loaded.",
                    f"Write the latch {name!r} above the latch {latch.name!r}.",
                )
    yield from _unused_latches(recipe)
    yield from _latched_strobes(recipe)


def _unused_latches(recipe: Recipe) -> Iterator[Problem]:
    """A latch that nothing reads is a misspelt name somewhere."""
    used = {name for path, name in _uses(recipe)}
    latches = {latch.name for latch in recipe.latch}
    for index, latch in enumerate(recipe.latch):
        if latch.name not in used:
            near = suggestion(latch.name, used - latches).replace("Did you mean", "Is it called").strip()
            yield Problem(
                ("latch", index, "name"),
                f"nothing uses the latch {latch.name!r}.",
                f"{near} Use it in an address, a bank or a term, or take it out.".strip(),
            )


def _latched_strobes(recipe: Recipe) -> Iterator[Problem]:
    """Events happen on signals."""
    latches = {latch.name for latch in recipe.latch}
    for path, name in _uses(recipe):
        if path[-1] == "at" and name in latches:
            yield Problem(path, f"{name!r} is a latch; an event happens on a signal.", "Name a signal.")
        if path[-1] == "data" and name in latches:
            yield Problem(path, f"{name!r} is a latch; the word is taken from a bus.", "Name a bus.")


def _listed_names(recipe: Recipe, processor: Processor) -> Iterator[Problem]:
    """``active_low`` and ``optional`` speak of signals and buses that the recipe uses."""
    latches = {latch.name for latch in recipe.latch}
    used = [name for name in names_used(recipe) if name not in latches]
    bases = {parse_signal(name).base for name in used}
    for key in ("active_low", "optional"):
        for name in getattr(recipe, key):
            if parse_signal(name).base not in bases:
                yield Problem(
                    (key,),
                    f"the recipe uses no signal or bus {name!r}; it uses {', '.join(used)}.",
                    suggestion(name, used) + "Correct the name or take it out.",
                )


def _enables(recipe: Recipe, processor: Processor) -> Iterator[Problem]:
    for index, enable in enumerate(recipe.enable):
        highest = max(parse_bits(enable.bits))
        if highest >= processor.word_bits:
            yield Problem(
                ("enable", index, "bits"),
                f"bit {highest} is named, but {processor.name} has a word of {processor.word_bits} bits "
                f"(0..{processor.word_bits - 1}).",
                "Correct bits, or word_bits of the processor.",
            )


def _transfers(recipe: Recipe, processor: Processor) -> Iterator[Problem]:
    """A transfer can happen, and takes an address and a word that fit the processor."""
    for index, transfer in enumerate(recipe.transfer):
        path: KeyPath = ("transfer", index)
        opposed = _opposed(transfer.where)
        if opposed:
            yield Problem(
                (*path, "where"), f"{opposed!r} and '!{opposed}' never hold together.", "Take one out."
            )
        for earlier in range(index):
            if _covers(recipe.transfer[earlier], transfer):
                yield Problem(
                    path,
                    f"it never happens: transfer[{earlier}] has the same event and holds whenever this does.",
                    "Write the transfer with more terms first.",
                )
                break
        yield from _widths(path, recipe, transfer, processor)


def _opposed(terms: Iterable[str]) -> str | None:
    """A term that stands among the terms together with its opposite."""
    wanted = {term.strip() for term in terms}
    return next((term for term in sorted(wanted) if f"!{term}" in wanted), None)


def _covers(earlier: Transfer, later: Transfer) -> bool:
    return parse_event(earlier.at) == parse_event(later.at) and set(earlier.where) <= set(later.where)


def _widths(path: KeyPath, recipe: Recipe, transfer: Transfer, processor: Processor) -> Iterator[Problem]:
    """What is known of widths: parts whose bits are all named."""
    sizes = [parse_part(part)[1] for part in transfer.address]
    named = sum(len(bits) for bits in sizes if bits is not None) + recipe.address_shift
    if named > processor.address_bits:
        yield Problem(
            (*path, "address"),
            f"the parts make up {named} bits, but {processor.name} has {processor.address_bits} address "
            "bits.",
            "Correct the parts, address_shift, or address_bits of the processor.",
        )
    bits = parse_part(transfer.data)[1]
    if bits is not None and len(bits) > processor.word_bits:
        yield Problem(
            (*path, "data"),
            f"{transfer.data!r} has {len(bits)} bits, but {processor.name} has a word of "
            f"{processor.word_bits} bits.",
            "Name no more bits than the word has.",
        )


__all__ = ["check_recipe", "names_used"]
