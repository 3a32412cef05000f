"""Faults put into the demo machines at random: the true one is among the top ties in 95 of 100.

A small sample with the bar of `benchmarks/faults_injections.py`, which takes 200 a model. Seeds are fixed.
"""

from itertools import cycle, islice

import pytest

from faults.injections import (
    CYCLES,
    TRUE,
    demo_machines,
    inject_and_weigh,
    machines_for,
    memory_map_of,
    observe,
    same,
)
from wrongbit.demo.machines import machine_named
from wrongbit.faults.models.arrays import DeadRow, WeakColumn
from wrongbit.faults.posterior import weigh

pytestmark = pytest.mark.xdist_group("fault injections")

SAMPLE = 7
"""Injections a model."""

BAR = 0.95


@pytest.fixture(scope="module")
def outcomes():
    """Outcomes by model: model by model over the machines in turn."""
    found = {}
    for model in TRUE:
        pairs = enumerate(islice(cycle(machines_for(model)), SAMPLE))
        found[model] = [inject_and_weigh(machine, model, seed) for seed, machine in pairs]
    return found


@pytest.mark.slow
def test_every_kind_of_fault_of_the_demo_is_tried(outcomes):
    kinds = {kind.name for machine in demo_machines() for kind in machine.faults()}
    assert kinds - {"none"} == set(TRUE)
    assert all(any(outcome.shown for outcome in found) for found in outcomes.values())


@pytest.mark.slow
@pytest.mark.parametrize("model", TRUE)
def test_true_fault_is_among_the_top_ties(outcomes, model):
    shown = [outcome for outcome in outcomes[model] if outcome.shown]
    missed = [f"{each.machine.name}: {each.fault.sentence}" for each in shown if not each.right]
    # Of so few one may be missed; the bar holds over all models together, and for each in the benchmark.
    assert len(missed) <= 1, missed


@pytest.mark.slow
def test_bar_over_all_models(outcomes):
    shown = [outcome for found in outcomes.values() for outcome in found if outcome.shown]
    assert len(shown) > 100
    assert sum(outcome.right for outcome in shown) >= BAR * len(shown)


@pytest.mark.slow
def test_what_does_not_show_is_not_seen(outcomes):
    hidden = [outcome for found in outcomes.values() for outcome in found if not outcome.shown]
    assert len(hidden) > 10
    assert all(outcome.right for outcome in hidden)


@pytest.mark.parametrize("machine", demo_machines(), ids=lambda machine: machine.name)
def test_sound_machine_shows_no_fault(machine):
    fault = machine.inject("none", 1)
    found = weigh(observe(machine, fault, 1), memory_map_of(machine))
    assert not found.fault_seen
    assert found.wrong_bits == 0
    assert found.observations > CYCLES / 20


def test_dead_row_and_weak_column_of_one_chip():
    machine = machine_named("saltmarsh")
    fault = machine.inject("dead-row:U11.row3.high+weak-column:U11.D3.column17.high@0.3", 1)
    found = weigh(observe(machine, fault, 1), memory_map_of(machine))
    row, column = sorted(found.best.faults, key=lambda each: each.model)
    assert same(row, DeadRow("U11", tuple(range(5, 12)), 3, 1))
    assert same(column, WeakColumn("U11", tuple(range(5)), 17, 1, output=3))
    assert column.rate == pytest.approx(0.3, abs=0.1)
    assert found.fits
