"""Conflicts and minimal diagnoses: which sets of faulty parts explain that something is wrong.

A *conflict* is a set of parts that cannot all be sound, given what was observed. A *diagnosis* is a set of
parts whose being faulty contradicts nothing; the minimal ones are exactly the minimal sets that have a part
in common with every conflict (R. Reiter, "A theory of diagnosis from first principles", Artificial
Intelligence 32 (1987) 57-95; the theorem is cited from memory, not checked there, and tested here by
enumeration).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence

Parts = frozenset[str]

Oracle = Callable[[Parts], Parts | None]
"""From parts assumed to be sound a minimal conflict among them, None when they may all be sound."""


def minimal_sets(sets: Iterable[Collection[str]]) -> list[Parts]:
    """The sets that contain no other of them, smallest first.

    >>> [sorted(each) for each in minimal_sets(["ab", "a", "bc"])]
    [['a'], ['b', 'c']]
    """
    kept: list[Parts] = []
    for each in sorted({frozenset(one) for one in sets}, key=_order):
        if not any(smaller <= each for smaller in kept):
            kept.append(each)
    return kept


def minimal_hitting_sets(conflicts: Iterable[Collection[str]], *, largest: int | None = None) -> list[Parts]:
    """Every minimal set that has an element in common with each conflict, smallest first.

    Berge's sequential method: the conflicts are taken one after another, and sets that contain a minimal one
    are dropped at once (C. Berge, "Hypergraphs", 1989, ch. 2, cited from memory, not checked). Sets are bit
    masks, so that a comparison is one instruction.

    Args:
        conflicts: Sets of names. None at all has the empty set as its only hitting set; an empty conflict
            cannot be hit.
        largest: Leave out sets with more elements; None for all.

    >>> [sorted(each) for each in minimal_hitting_sets(["ab", "bc"])]
    [['b'], ['a', 'c']]
    """
    needed = minimal_sets(conflicts)
    names = sorted(frozenset().union(*needed)) if needed else []
    bit = {name: 1 << number for number, name in enumerate(names)}
    found = [0]
    for conflict in needed:
        mask = sum(bit[name] for name in conflict)
        hitting = [each for each in found if each & mask]
        limit = len(names) if largest is None else largest
        missing = [each for each in found if not each & mask and each.bit_count() < limit]
        grown = {each | bit[name] for each in missing for name in conflict}
        # A set grown by one name is minimal unless a set that already hits the conflict lies within it; two
        # grown ones never contain each other, as the sets that they grew from did not.
        found = hitting + [each for each in grown if not any(small & each == small for small in hitting)]
    sets = [frozenset(name for name in names if each & bit[name]) for each in found]
    return sorted(sets, key=_order)


def diagnose_by_tree(
    parts: Iterable[str], oracle: Oracle, *, largest: int | None = None
) -> tuple[list[Parts], list[Parts]]:
    """Minimal diagnoses, and the minimal conflicts met on the way, by Reiter's hitting-set tree.

    The tree grows breadth first; a conflict is asked for only where no known one is missed. As the oracle's
    conflicts are minimal, the correction of the pruning rule by R. Greiner, B. Smith and R. Wilkerson
    (Artificial Intelligence 41 (1989) 79-88, from memory, not checked) is not needed.

    Args:
        parts: All parts.
        oracle: Tells a minimal conflict among parts assumed sound.
        largest: Leave out diagnoses with more parts; None for all.

    Returns:
        Minimal diagnoses, smallest first; none at all where the observations cannot be explained. Conflicts.
    """
    every = frozenset(parts)
    diagnoses: list[Parts] = []
    conflicts: list[Parts] = []
    level: list[Parts] = [frozenset()]
    seen: set[Parts] = set()
    while level:
        following: list[Parts] = []
        for faulty in level:
            if faulty in seen or any(small <= faulty for small in diagnoses):
                continue
            seen.add(faulty)
            missed = next((each for each in conflicts if not each & faulty), None)
            if missed is None:
                missed = oracle(every - faulty)
                if missed is None:
                    diagnoses.append(faulty)
                    continue
                conflicts.append(missed)
            if largest is None or len(faulty) < largest:
                following += [faulty | {name} for name in sorted(missed)]
        level = following
    return sorted(diagnoses, key=_order), sorted(conflicts, key=_order)


def shrink(parts: Sequence[str], conflicting: Callable[[Parts], bool]) -> Parts:
    """A minimal conflict within parts that conflict, found by halving.

    U. Junker, "QUICKXPLAIN", AAAI-04, pp. 167-172 (from memory, not checked): for a small conflict among many
    parts far fewer questions than leaving out one part after another.

    Args:
        parts: Parts that cannot all be sound.
        conflicting: Whether parts cannot all be sound; a larger set conflicts whenever a smaller one does.
    """

    def search(background: Parts, grown: bool, rest: Sequence[str]) -> Parts:
        if grown and conflicting(background):
            return frozenset()
        if len(rest) == 1:
            return frozenset(rest)
        half = len(rest) // 2
        left, right = rest[:half], rest[half:]
        of_right = search(background | frozenset(left), True, right)
        of_left = search(background | of_right, bool(of_right), left)
        return of_left | of_right

    if conflicting(frozenset()):
        return frozenset()
    return search(frozenset(), False, list(parts))


def _order(parts: Parts) -> tuple[int, list[str]]:
    return len(parts), sorted(parts)
