"""Hitting sets and diagnoses against outside enumerators and published circuits.

References: python-sat's Hitman enumerates minimal hitting sets; the five-component circuit of J. de Kleer and
B. C. Williams, "Diagnosing multiple faults", Artificial Intelligence 32 (1987) 97-130, with the conflicts
given in B. Williams's lecture of 10 March 2004 (MIT 16.412J) and the diagnoses after x is measured in the
Edinburgh Knowledge Engineering slides (slide 121); c17 of F. Brglez and H. Fujiwara, ISCAS 1985 (its netlist
is from memory, not checked; its diagnoses here by brute force over all gate outputs).
"""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pysat.examples.hitman import Hitman

from wrongbit.diagnose.conflicts import diagnose_by_tree, minimal_hitting_sets, minimal_sets, shrink
from wrongbit.diagnose.entropy import entropy, expected_entropy
from wrongbit.diagnose.propagate import System, adder, multiplier, nand

SETS = st.lists(st.frozensets(st.sampled_from("abcdefghij"), min_size=1, max_size=5), max_size=9)


def by_hitman(sets):
    with Hitman(bootstrap_with=[sorted(each) for each in sets], htype="lbx") as hitman:
        return {frozenset(each) for each in hitman.enumerate()}


@settings(max_examples=150, deadline=None)
@given(SETS)
def test_hitting_sets_are_those_of_an_independent_enumerator(sets):
    ours = minimal_hitting_sets(sets)
    assert len(ours) == len(set(ours))
    assert set(ours) == (by_hitman(sets) if sets else {frozenset()})
    assert set(minimal_hitting_sets(sets, largest=2)) == {each for each in ours if len(each) <= 2}


@settings(max_examples=80, deadline=None)
@given(SETS)
def test_the_tree_finds_the_same_with_an_oracle(sets):
    def oracle(sound):
        return next((each for each in minimal_sets(sets) if each <= sound), None)

    diagnoses, conflicts = diagnose_by_tree("abcdefghij", oracle)
    assert set(diagnoses) == set(minimal_hitting_sets(sets))
    assert set(conflicts) <= set(minimal_sets(sets))


def test_an_empty_conflict_cannot_be_hit():
    assert minimal_hitting_sets([[], ["a"]]) == []


@settings(max_examples=80, deadline=None)
@given(SETS.filter(bool))
def test_shrink_gives_a_minimal_conflict(sets):
    def conflicting(some):
        return any(each <= some for each in sets)

    found = shrink("abcdefghij", conflicting)
    assert conflicting(found)
    assert not any(conflicting(found - {name}) for name in found)


def polybox(**more):
    parts = (
        multiplier("M1", "A", "C", "x"),
        multiplier("M2", "B", "D", "y"),
        multiplier("M3", "C", "E", "z"),
        adder("A1", "x", "y", "F"),
        adder("A2", "y", "z", "G"),
    )
    return System(parts, {"A": 3, "B": 2, "C": 2, "D": 3, "E": 3, **more})


def sets(*texts):
    return {frozenset(text.split()) for text in texts}


class TestPolybox:
    def test_sound(self):
        system = polybox(F=12, G=12)
        assert system.diagnoses() == [frozenset()] and system.conflicts() == []

    def test_published_conflicts_and_diagnoses(self):
        system = polybox(F=10, G=12)
        assert set(system.conflicts()) == sets("A1 M1 M2", "A1 A2 M1 M3")
        assert set(system.diagnoses()) == sets("A1", "M1", "A2 M2", "M2 M3")
        assert system.diagnoses(largest=1) == [frozenset({"A1"}), frozenset({"M1"})]

    def test_after_x_is_measured(self):
        assert polybox(F=10, G=12, x=4).diagnoses()[0] == {"M1"}
        six = polybox(F=10, G=12, x=6)
        assert sets("A1 M2", "A1 A2 M3") <= set(six.conflicts())
        assert set(six.diagnoses()) == sets("A1", "A2 M2", "M2 M3")

    def test_best_next_probe_is_x(self):
        """Independent failures with probability 0.01; the numbers were worked out apart from this code by
        enumeration of all 32 candidates (facts sheet of the project)."""
        found = list(polybox(F=10, G=12).candidates())
        weight = np.array([0.01 ** len(bad) * 0.99 ** (5 - len(bad)) for bad, _ in found])
        share = weight / weight.sum()
        of = {bad: p for (bad, _), p in zip(found, share, strict=True)}
        assert of[frozenset({"A1"})] == pytest.approx(0.4780, abs=5e-5)
        assert of[frozenset({"A2", "M2"})] == pytest.approx(0.00483, abs=5e-6)
        published = {
            "x": {4: 0.4926, 6: 0.5024, None: 0.0051},
            "y": {6: 0.9901, 4: 0.0097, None: 0.0002},
            "z": {6: 0.9949, 8: 0.0048, None: 0.0002},
        }
        nats = {"x": 0.695, "y": 0.055, "z": 0.031}
        remaining = {}
        for point, table in published.items():
            values = [implied.get(point) for _, implied in found]
            for value, p in table.items():
                assert sum(share[k] for k, v in enumerate(values) if v == value) == pytest.approx(p, abs=6e-5)
            known = [p for value, p in table.items() if value is not None]
            assert -sum(p * np.log(p) for p in known) == pytest.approx(nats[point], abs=1e-3)
            # A candidate that predicts nothing gives each of the values seen with the same probability.
            levels = sorted({v for v in values if v is not None})
            outcomes = np.array(
                [
                    [1.0 if v == one else 0.0 if v is not None else 1 / len(levels) for one in levels]
                    for v in values
                ]
            )
            remaining[point] = expected_entropy(share, outcomes)
        assert min(remaining, key=remaining.get) == "x"
        assert remaining["x"] < remaining["y"] < remaining["z"] < entropy(share)


GATES = {
    "10": ("1", "3"),
    "11": ("3", "6"),
    "16": ("2", "11"),
    "19": ("11", "7"),
    "22": ("10", "16"),
    "23": ("16", "19"),
}


def brute_force(inputs, outputs):
    """Minimal sets of gates whose outputs, set freely, give what was seen."""
    names = list(GATES)
    possible = []
    for count in range(len(names) + 1):
        for faulty in combinations(names, count):
            for free in product((0, 1), repeat=count):
                value = dict(inputs)
                for gate, pins in GATES.items():
                    value[gate] = dict(zip(faulty, free, strict=True)).get(
                        gate, int(not all(value[p] for p in pins))
                    )
                if all(value[name] == level for name, level in outputs.items()):
                    possible.append(frozenset(faulty))
    return set(minimal_sets(possible))


@pytest.mark.parametrize("vector", list(product((0, 1), repeat=5))[::3])
def test_c17_is_diagnosed_as_by_brute_force(vector):
    inputs = dict(zip(("1", "2", "3", "6", "7"), vector, strict=True))
    components = tuple(nand(gate, pins, gate) for gate, pins in GATES.items())
    for seen in product((0, 1), repeat=2):
        outputs = dict(zip(("22", "23"), seen, strict=True))
        system = System(components, inputs | outputs, domain=(0, 1))
        assert set(system.diagnoses()) == brute_force(inputs, outputs)
        assert set(minimal_hitting_sets(system.conflicts())) == set(system.diagnoses())


def test_c17_has_22_classes_of_stuck_lines_and_4_vectors_find_them_all():
    """22 collapsed faults, none undetectable, smallest complete test 4 vectors: the facts published with the
    circuit's use, worked out by exhaustive simulation (00100 01100 10011 11111 for inputs 1, 2, 3, 6, 7)."""
    lines = [(name, None) for name in ("1", "2", "3", "6", "7", *GATES)]
    fans = [pin for pins in GATES.values() for pin in pins]
    lines += [(pin, gate) for gate, pins in GATES.items() for pin in pins if fans.count(pin) > 1]
    assert len(lines) == 17

    def respond(vector, line=None, level=0):
        value = dict(zip(("1", "2", "3", "6", "7"), vector, strict=True))
        if line is not None and line[1] is None and line[0] in value:
            value[line[0]] = level
        for gate, pins in GATES.items():
            bits = [level if line == (pin, gate) else value[pin] for pin in pins]
            value[gate] = (
                level
                if line == (gate, None)
                else System(
                    (nand("g", ("a", "b"), "o"),), dict(zip("ab", bits, strict=True)), (0, 1)
                ).implied({"g"})["o"]
            )
        return value["22"], value["23"]

    every = list(product((0, 1), repeat=5))
    right = [respond(vector) for vector in every]
    classes = {tuple(respond(v, line, level) for v in every) for line in lines for level in (0, 1)}
    assert len(classes) == 22 and tuple(right) not in classes
    test = [tuple(map(int, text)) for text in ("00100", "01100", "10011", "11111")]
    chosen = [every.index(vector) for vector in test]
    assert all(any(each[k] != right[k] for k in chosen) for each in classes)
