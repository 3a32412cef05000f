"""The table of fault models: one row a family.

A family has a name, a prior, a note on where the prior comes from, and a function that lists its faults on a
board. To add one: write a module here with the fault (how it predicts, how it says itself, side by side)
and its list, add a row below, a paragraph in ``docs/fault-models.md`` and a test.

Priors are shares of belief for "what is wrong with a machine that has power but does not start", before any
capture is looked at, given that one thing is wrong or none shows. They order what a workshop meets: contacts,
sockets and joints before drivers, drivers before arrays, wiring mistakes last. **They are common practice
and judgement, no source**; handbook failure rates give only the order of magnitude (packages and connections
before dies: MIL-HDBK-217F sections 5.2 and 15-17, from memory, not checked). They decide only between faults
that explain the capture equally well; a single wrong bit outweighs a factor of ten thousand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from wrongbit.faults.batch import Batch, Board
from wrongbit.faults.models import arrays, cells, selection, wire_lists

Scan = Callable[[Board], Iterator[Batch]]


@dataclass(frozen=True)
class Family:
    """A family of faults.

    Args:
        name: As in `Fault.model`.
        prior: Share of belief of the whole family.
        note: Why it has this prior.
        scan: Lists its faults on a board.
    """

    name: str
    prior: float
    note: str
    scan: Scan


NO_FAULT_PRIOR = 0.10
"""That nothing shows in the words captured: the machine is dead, but often for another reason."""

PAIR_PRIOR = 0.05
"""That two independent faults are there, relative to one."""

MODELS: tuple[Family, ...] = (
    Family(
        "output stuck",
        0.07,
        "a driver or its bond has failed",
        wire_lists.output_faults("stuck at 0", "stuck at 1"),
    ),
    Family(
        "output open",
        0.10,
        "socket contact, corroded pin, joint: what fails first on old boards",
        wire_lists.output_faults("open"),
    ),
    Family(
        "outputs bridged",
        0.02,
        "solder or whisker between pins",
        wire_lists.output_faults("low wins", "high wins", "follows"),
    ),
    Family(
        "data line stuck",
        0.04,
        "any part on the line can hold it",
        wire_lists.data_line_faults("stuck at 0", "stuck at 1"),
    ),
    Family("data line open", 0.07, "joint, buffer, backplane contact", wire_lists.data_line_faults("open")),
    Family(
        "data lines bridged",
        0.03,
        "more length to touch on than at a chip",
        wire_lists.data_line_faults("low wins", "high wins", "follows"),
    ),
    Family(
        "data lines swapped",
        0.003,
        "wiring mistake after earlier work",
        wire_lists.data_line_faults("swapped"),
    ),
    Family(
        "chip address line stuck",
        0.05,
        "input protection shorted, pin bent onto a neighbour",
        wire_lists.chip_address_faults("stuck at 0", "stuck at 1"),
    ),
    Family(
        "chip address line open",
        0.08,
        "socket contact, pin bent under",
        wire_lists.chip_address_faults("open"),
    ),
    Family(
        "chip address lines bridged",
        0.02,
        "solder or whisker between pins",
        wire_lists.chip_address_faults("low wins", "high wins"),
    ),
    Family(
        "chip address lines swapped",
        0.003,
        "adapter wired wrongly",
        wire_lists.chip_address_faults("swapped"),
    ),
    Family(
        "address line stuck",
        0.04,
        "buffer or latch output",
        wire_lists.address_faults("stuck at 0", "stuck at 1"),
    ),
    Family("address line open", 0.06, "joint, buffer, backplane contact", wire_lists.address_faults("open")),
    Family(
        "address lines bridged",
        0.02,
        "solder or whisker between lines",
        wire_lists.address_faults("low wins", "high wins"),
    ),
    Family(
        "address lines swapped",
        0.003,
        "wiring mistake after earlier work",
        wire_lists.address_faults("swapped"),
    ),
    Family("bank line stuck", 0.02, "bank latch", wire_lists.bank_faults("stuck at 0", "stuck at 1")),
    Family("bank line open", 0.01, "joint, contact", wire_lists.bank_faults("open")),
    Family("chip silent", 0.08, "enable, supply pin, dead chip", selection.chip_silent),
    Family("select silent", 0.03, "decoder output shared by a pair", selection.select_silent),
    Family("wrong chip", 0.01, "decoder", selection.wrong_chip),
    Family(
        "selects exchanged",
        0.01,
        "decoder wiring, chips in each other's sockets",
        selection.selects_exchanged,
    ),
    Family("wrong contents", 0.005, "chips in each other's sockets", selection.wrong_contents),
    Family("two chips", 0.02, "decoder, bridged selects", selection.two_chips),
    Family("slow data", 0.03, "ageing, supply, wrong speed grade", selection.slow_data),
    Family("lane inverted", 0.002, "inverting buffer fitted for a true one", selection.lane_inverted),
    Family("scattered cells", 0.03, "array defects", cells.scattered_cells),
    Family("lost charge", 0.03, "EPROMs past their retention time", cells.lost_charge),
    Family("dead row", 0.01, "row decoder of a mask ROM", arrays.dead_row),
    Family("dead column", 0.01, "column line or sense amplifier", arrays.dead_column),
    Family("weak column", 0.01, "sense amplifier at its margin", arrays.weak_column),
)
"""All families; their priors and `NO_FAULT_PRIOR` are normalised to sum to 1 when they are used."""
