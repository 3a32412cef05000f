"""A recipe whose edge is wrong: which other edge would make the words agree."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.align.edges import recipes_with_another_edge, try_edges
from wrongbit.bus.recipes import bus_widths, resolve_recipe
from wrongbit.capture.formats import open_samples
from wrongbit.demo.case import write_case
from wrongbit.job import open_job
from wrongbit.machine.recipe import parse_event


@pytest.mark.parametrize("machine", ["saltmarsh", "fellgate"])
def test_the_edge_that_was_turned_round_is_found(machine: str, tmp_path: Path) -> None:
    """The recipe is given with the strobe's beginning, where the word does not stand yet."""
    case = write_case(tmp_path, machine, "none", cycles=1500)
    taken = case.captures[0]
    job = open_job(case.machine_file, point=taken.point)
    source = open_samples(taken.path, job.point, bus_widths(job.processor))
    now, better = try_edges(job.processor, job.point, source.chunks, job.memory_map)
    assert now.agree > 0.99 and better == []
    right = resolve_recipe(job.processor)
    event = next(each.at for each in right.transfer if each.kind == "read")
    wrong = next(recipe for _, instead, recipe in recipes_with_another_edge(right) if instead == event)
    turned = job.processor.model_copy(update={"recipe": wrong})
    now, better = try_edges(turned, job.point, source.chunks, job.memory_map)
    assert now.agree < 0.9
    assert better[0].changed == event and better[0].agree > 0.99
    assert "wrong edge" in better[0].say()


def test_every_event_is_tried_at_its_other_end() -> None:
    from wrongbit.machine.model import Processor

    recipe = resolve_recipe(Processor(name="U1", word_bits=8, address_bits=16, recipe="8085"))
    events = {each.at for each in (*recipe.latch, *recipe.transfer)}
    tried = recipes_with_another_edge(recipe)
    assert {instead for _, instead, _ in tried} == events
    for changed, instead, other in tried:
        assert parse_event(changed)[0] == parse_event(instead)[0] and changed != instead
        left = {each.at for each in (*other.latch, *other.transfer)}
        assert changed in left and instead not in left
