"""The bring-up ladder: values entered by hand, and a stand-in for a missing start-up signal."""

from __future__ import annotations

from wrongbit.bringup.advice import cautions as cautions_of
from wrongbit.bringup.advice import next_step, probe_notes
from wrongbit.bringup.ladder import Ladder, Rung
from wrongbit.case.entries import ValueAdded
from wrongbit.casework.accept import check_value
from wrongbit.errors import UsageError
from wrongbit.web.elements import (
    Field,
    button,
    link,
    live,
    paragraph,
    quiet,
    section,
    tag,
    tell,
)
from wrongbit.web.elements import cautions as show_cautions
from wrongbit.web.rungs import draw_rungs
from wrongbit.web.stand_in import draw_stand_in
from wrongbit.web.workbench import Workbench

EXAMPLES = {
    "voltage": "4.96 V",
    "ripple": "20 mV",
    "frequency": "1.843 MHz",
    "duty": "48 %",
    "jitter": "3 ns",
    "period": "10 ms",
    "low": "50 us",
    "high": "50 us",
    "low level": "0.3 V",
    "high level": "4.1 V",
    "ended": "yes",
}
"""How a value of each kind is written."""


def page(bench: Workbench) -> None:
    """Put the page on the screen."""
    with section("Steps, in the order in which to look"):
        live(
            bench,
            "Judging the ladder",
            bench.casework.ladder,
            lambda ladder: _ladder(bench, ladder),
        )
        with tag("div", classes="wb-controls"):
            link("Bring in a capture of clock, reset or inputs: their times are measured in it", "/bring_in")
    with section("A stand-in for a missing signal"):
        draw_stand_in(bench)


def _ladder(bench: Workbench, ladder: Ladder) -> None:
    machine = bench.casework.machine
    show_cautions(cautions_of(machine))
    with tag("div", classes="wb-panel wb-now"):
        paragraph(next_step(ladder, machine), classes="wb-big")
    draw_rungs(ladder.rungs, lambda rung: _entry(bench, rung))
    for note in probe_notes(ladder):
        quiet(note)


def _entry(bench: Workbench, rung: Rung) -> None:
    """A field for a rung's value."""

    async def enter() -> None:
        if not field.value.strip():
            raise UsageError(f"No value of {rung.title} is given.", f"Write it such as {example}.")
        text = f"{rung.title} = {field.value.strip()}"
        check_value(bench.casework.machine, text)
        await bench.run("Entering the value", lambda progress: bench.case.add(ValueAdded(text)))
        tell(f"Entered: {text}.")
        bench.changed()

    example = EXAMPLES.get(rung.key, "0")
    field = Field(f"Measured {rung.title}", hint=example, width=11, inline=True, on_enter=enter)
    button("Enter", enter, classes="wb-small", says=f"enter {rung.title}")
