"""A small engine for consistency-based diagnosis: components with functions, and what they imply.

A component that is sound keeps its rules; one that is not promises nothing. Values are propagated in every
direction a rule allows (an adder gives an input from its output and the other input), until nothing new
follows or two values meet. Where values are few (``domain``), what is still open is tried out, so that the
answer is complete. After J. de Kleer and B. C. Williams, "Diagnosing multiple faults", Artificial
Intelligence 32 (1987) 97-130, whose worked circuit is a test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from wrongbit.diagnose.conflicts import Parts, diagnose_by_tree, minimal_hitting_sets, shrink

Values = dict[str, int]


@dataclass(frozen=True)
class Rule:
    """What a sound component implies.

    Args:
        needs: Signals that must be known.
        gives: The signal that follows.
        value: Its value from those of ``needs``, in their order; None when it does not follow.
    """

    needs: tuple[str, ...]
    gives: str
    value: Callable[..., int | None]


@dataclass(frozen=True)
class Component:
    """A part with its rules; all of them hold while it is sound.

    Args:
        name: The part. Several components may belong to one part.
        rules: In both directions where they exist.
    """

    name: str
    rules: tuple[Rule, ...]


def adder(name: str, one: str, two: str, total: str) -> Component:
    """``total = one + two``."""
    return Component(
        name,
        (
            Rule((one, two), total, lambda a, b: a + b),
            Rule((total, one), two, lambda s, a: s - a),
            Rule((total, two), one, lambda s, b: s - b),
        ),
    )


def multiplier(name: str, one: str, two: str, product: str) -> Component:
    """``product = one * two``; a quotient follows where the division is possible."""

    def divide(product: int, factor: int) -> int | None:
        return product // factor if factor and product % factor == 0 else None

    return Component(
        name,
        (
            Rule((one, two), product, lambda a, b: a * b),
            Rule((product, one), two, divide),
            Rule((product, two), one, divide),
        ),
    )


def nand(name: str, inputs: Sequence[str], output: str) -> Component:
    """A gate whose output is 0 only when all its inputs are 1."""
    rules = [Rule(tuple(inputs), output, lambda *bits: int(not all(bits)))]
    for each in inputs:
        others = tuple(other for other in inputs if other != each)
        rules.append(Rule((each,), output, lambda bit: None if bit else 1))
        rules.append(Rule((output,), each, lambda bit: None if bit else 1))
        rules.append(Rule((output, *others), each, lambda out, *bits: 0 if out and all(bits) else None))
    return Component(name, tuple(rules))


def passing(name: str, source: str, destination: str) -> Component:
    """A part that a signal goes through unchanged: what comes out right went in right, and the other way."""
    return Component(
        name,
        (
            Rule((source,), destination, lambda level: level),
            Rule((destination,), source, lambda level: level),
        ),
    )


def sourcing(name: str, needs: Sequence[str], output: str, right: int = 1) -> Component:
    """A part whose output is right when all that it needs is right (a chip, with its address and select)."""
    return Component(
        name,
        (
            Rule(
                tuple(needs),
                output,
                lambda *levels: right if all(level == right for level in levels) else None,
            ),
        ),
    )


@dataclass(frozen=True)
class System:
    """Components with what was observed.

    Args:
        components: All of them.
        observed: Signal = value that was set or seen.
        domain: All values that a signal can have; None: any whole number, and nothing is tried out.
    """

    components: tuple[Component, ...]
    observed: Mapping[str, int]
    domain: tuple[int, ...] | None = None

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts, each once."""
        return tuple(dict.fromkeys(component.name for component in self.components))

    def implied(self, sound: Iterable[str]) -> Values | None:
        """What follows when these parts are sound; None where that contradicts what was observed."""
        kept = frozenset(sound)
        values = self._propagate([each for each in self.components if each.name in kept], dict(self.observed))
        return values if values is not None and self._possible(kept, values) else None

    def _possible(self, sound: Parts, values: Values) -> bool:
        """The values can be completed; tried out where signals have a domain."""
        if self.domain is None:
            return True
        components = [each for each in self.components if each.name in sound]
        open_ = next((name for name in _signals(components) if name not in values), None)
        if open_ is None:
            return True
        for value in self.domain:
            tried = self._propagate(components, {**values, open_: value})
            if tried is not None and self._possible(sound, tried):
                return True
        return False

    @staticmethod
    def _propagate(components: Sequence[Component], values: Values) -> Values | None:
        rules = [rule for component in components for rule in component.rules]
        news = True
        while news:
            news = False
            for rule in rules:
                if not all(name in values for name in rule.needs):
                    continue
                value = rule.value(*(values[name] for name in rule.needs))
                if value is None:
                    continue
                if rule.gives not in values:
                    values[rule.gives] = value
                    news = True
                elif values[rule.gives] != value:
                    return None
        return values

    def conflict_among(self, sound: Parts) -> Parts | None:
        """A minimal conflict among parts assumed sound, None when they may all be."""
        if self.implied(sound) is not None:
            return None
        return shrink(sorted(sound), lambda some: self.implied(some) is None)

    def diagnoses(self, *, largest: int | None = None) -> list[Parts]:
        """Minimal diagnoses, smallest first."""
        return diagnose_by_tree(self.parts, self.conflict_among, largest=largest)[0]

    def conflicts(self) -> list[Parts]:
        """All minimal conflicts, smallest first: the minimal hitting sets of all minimal diagnoses."""
        return minimal_hitting_sets(self.diagnoses())

    def candidates(self, *, largest: int | None = None) -> Iterator[tuple[Parts, Values]]:
        """Every set of faulty parts that contradicts nothing, minimal or not, with what then follows.

        Args:
            largest: Most parts that are faulty at once; None for all sets, which are ``2 ** parts``.
        """
        for count in range((len(self.parts) if largest is None else largest) + 1):
            for faulty in combinations(self.parts, count):
                values = self.implied(part for part in self.parts if part not in faulty)
                if values is not None:
                    yield frozenset(faulty), values


def _signals(components: Sequence[Component]) -> Iterator[str]:
    for component in components:
        for rule in component.rules:
            yield from (*rule.needs, rule.gives)
