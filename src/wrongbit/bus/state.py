"""State captures: what the clock that takes the samples implies, where its signals have no column.

An analyser that is clocked by a strobe shows only moments at which the strobe was active, and so needs no
column for it, nor for the signals that only say what the strobe says already. The recipe is rewritten for
the capture at hand; it is never loosened where reads and writes, or reads and refreshes, would fall together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from wrongbit.machine.recipe import Recipe, Transfer, parse_event, parse_term

MEMORY_DRIVES = frozenset({"fetch", "read", "io_read", "acknowledge"})
"""Kinds in which the word comes from outside the processor."""

Same = Callable[[str, str], bool]


@dataclass(frozen=True)
class Implied:
    """A recipe as a state capture can be read.

    Args:
        recipe: Rewritten; the recipe itself where nothing is implied.
        notes: What was taken for granted, for a person.
    """

    recipe: Recipe
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Shown:
    """A transfer that the clock shows: its own strobe is the clock, or is active when the clock ends."""

    step: Transfer
    strobe: str | None
    where: tuple[str, ...]

    def names(self) -> set[str]:
        return {parse_term(term)[1] for term in self.where}


def implied_by_clock(recipe: Recipe, clock: str, carried: Callable[[str], bool], same: Same) -> Implied:
    """The recipe of a state capture that is clocked by one of the recipe's own signals.

    A transfer at the clock's event needs no column of the clock. One at another strobe, during which the
    clock's signal is active too, is seen at the clock's event, its strobe being active there. A signal that
    is not carried is taken as implied, unless it alone tells transfers in which a memory drives the bus from
    others; transfers that the clock never shows are left out.

    Args:
        recipe: As the processor has it.
        clock: The event that takes each sample, such as 'RD ends'.
        carried: Whether the capture shows a signal, bus or latch.
        same: Whether two names mean the same signal of this machine.
    """
    signal, edge = parse_event(clock)
    shown = {n: found for n, t in enumerate(recipe.transfer) if (found := _shown(t, signal, edge, same))}
    if not shown:
        return Implied(recipe)
    optional = set(recipe.optional)
    absent = {name for each in shown.values() for name in each.names() if not carried(name)}
    lost = absent - optional
    here: list[Transfer] = []
    elsewhere: list[Transfer] = []
    left_out: list[Transfer] = []
    at = next((each.step.at for each in shown.values() if each.strobe is None), clock)
    for number, step in enumerate(recipe.transfer):
        each = shown.get(number)
        if each is None:
            seen = all(carried(name) for name in parse_event(step.at)[0].split("|"))
            (elsewhere if seen else left_out).append(step)
        elif each.strobe in lost and step.kind not in MEMORY_DRIVES:
            left_out.append(step)
        else:
            where = tuple(term for term in each.where if parse_term(term)[1] not in lost)
            here.append(step.model_copy(update={"at": at, "where": where}))
    moved = any(each.strobe is not None for each in shown.values())
    if not (lost or left_out or moved):
        return Implied(recipe)
    if any(not step.where for step in here) and _blind(shown.values(), lost, absent):
        return Implied(recipe)
    steps = (*_told_apart(here), *elsewhere)
    return Implied(recipe.model_copy(update={"transfer": steps}), _notes(clock, lost, left_out))


def _shown(transfer: Transfer, signal: str, edge: str, same: Same) -> _Shown | None:
    strobe, at_edge = parse_event(transfer.at)
    if at_edge != edge:
        return None
    terms = [parse_term(term) for term in transfer.where]
    rest = [
        term
        for term, (wanted, name, _) in zip(transfer.where, terms, strict=True)
        if not (wanted and same(name, signal))
    ]
    if same(strobe, signal):
        return _Shown(transfer, None, tuple(rest))
    if edge == "ends" and "|" not in strobe and len(rest) < len(terms):
        return _Shown(transfer, strobe, (strobe, *rest))
    return None


def _blind(shown: Iterable[_Shown], lost: set[str], absent: set[str]) -> bool:
    """Whether a transfer without terms would take in cycles in which no memory drives the bus."""
    every = list(shown)
    others = [each for each in every if each.step.kind not in MEMORY_DRIVES]
    if len(others) == len(every):
        return False
    return bool(lost) and any(each.names() & absent for each in others if each.strobe not in lost)


def _told_apart(steps: Sequence[Transfer]) -> list[Transfer]:
    """The transfers with most terms first; of those that can no longer be told apart, the plain one."""
    kept: dict[frozenset[str], Transfer] = {}
    for step in sorted(steps, key=lambda each: -len(each.where)):
        place = frozenset(step.where)
        if place not in kept or step.kind in ("read", "write"):
            kept[place] = step
    return list(kept.values())


def _notes(clock: str, lost: set[str], left_out: Iterable[Transfer]) -> tuple[str, ...]:
    told = []
    if lost:
        names = " and ".join(sorted(lost))
        told.append(
            f"The samples are taken at '{clock}': {names}, for which there is no column, "
            f"{'are' if len(lost) > 1 else 'is'} taken as implied by that clock."
        )
    kinds = list(dict.fromkeys(step.kind.replace("_", " ") for step in left_out))
    if kinds:
        told.append(
            f"A capture taken at '{clock}' does not show these kinds of cycles: {', '.join(kinds)}. RAM that "
            "is written unseen is not judged."
        )
    return tuple(told)
