"""A machine with one faulty part on the bench: clip on anywhere, measure by hand, get true answers.

What a measurement by hand finds is worked out from the injected fault and the wires alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from random import Random

from wrongbit.demo.export import Export, csv_of_cycles
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.trace import BusTrace
from wrongbit.demo.wiring import PartFault, WiredBus, part_faults, where_it_begins
from wrongbit.errors import UsageError
from wrongbit.machine.model import PASSIVE, Machine

DEFAULT_CYCLES = 4000

_WORDS = {
    "open": "open",
    "stuck-low": "stuck at 0",
    "stuck-high": "stuck at 1",
    "touch-low": "low wins",
    "touch-high": "high wins",
    "silent": "silent",
    "always-on": "always on",
}
_CARRIED = {"D": "data", "A": "address", "S": "select", "B": "bank"}
_NOTATION = re.compile(
    r"(?P<part>\w+)\.(?:(?P<bus>[DASB])(?P<line>\d*)(?:-[DASB](?P<other>\d+))?|enable-(?P<ends>[\w-]+))"
    r"\.(?P<what>[\w-]+)(?:@(?P<rate>[\d.]+))?(?:~(?P<drift>[\d.]+))?"
)
HOW_TO_WRITE = "Write it like J0.D5.open@0.7, X4.A3-A4.touch-low, U9.D.silent or U18.enable-U11.silent."


def parse_part_fault(text: str, machine: Machine, demo: DemoMachine) -> PartFault:
    """A faulty part from its notation, ``PART.LINE.WHAT@RATE~DRIFT``.

    The line is ``D5`` (data), ``A5`` (address), ``S12`` (address bit on its way to a decoder), ``B0`` (bank),
    two of them for lines that touch, ``D`` for all data lines, or ``enable-U11``. What: ``open``,
    ``stuck-low``, ``stuck-high``, ``touch-low``, ``touch-high`` (which level wins), ``silent`` or
    ``always-on``.

    Raises:
        UsageError: It is not in this notation, or the machine has no such part or line.
    """
    match = _NOTATION.fullmatch(text)
    if match is None or match["what"] not in _WORDS:
        raise UsageError(f"{text!r} says nothing about a faulty part.", HOW_TO_WRITE)
    fault = PartFault(
        part=match["part"],
        carries=_CARRIED[match["bus"]] if match["bus"] else "enable",
        what=_WORDS[match["what"]],
        line=int(match["line"] or -1),
        other=int(match["other"] or -1),
        ends=tuple(match["ends"].split("-")) if match["ends"] else (),
    )
    if fault not in part_faults(machine, demo.board):
        parts = sorted({each.part for each in part_faults(machine, demo.board)})
        raise UsageError(
            f"The {demo.title} has no such part and line: {text!r}.", f"Its parts are {', '.join(parts)}."
        )
    rate, drift = float(match["rate"] or 1), float(match["drift"] or 0)
    if not (0 < rate <= 1 and 0 <= drift <= 1):
        raise UsageError(f"A share in {text!r} is not between 0 and 1.", HOW_TO_WRITE)
    return replace(fault, rate=rate, drift=drift)


@dataclass
class PartBench:
    """A machine on the bench.

    Args:
        demo: Which machine.
        machine: Its machine file, read.
        fault: The faulty part; None: all sound.
        seed: Source of everything that varies.
        cycles: Bus cycles from reset that each capture has at most.
        chip_fault: What is wrong with a chip instead.
    """

    demo: DemoMachine
    machine: Machine
    fault: PartFault | None
    seed: int = 1
    cycles: int = DEFAULT_CYCLES
    chip_fault: InjectedFault | None = None
    _runs: dict[str, WiredBus] = field(default_factory=dict, repr=False)

    def trace(self, point: str) -> BusTrace:
        """What passes at a probe point."""
        processor = self.machine.processor_of(self.machine.point_of(point).processor).name
        if processor not in self._runs:
            rng = Random(f"{self.demo.name} {self.seed} {processor}")
            ports = self.demo.ports_of(processor, self.seed)
            board = self.demo.board_of(processor)
            bus = WiredBus(board, self.machine, processor, self.fault, rng, ports, self.chip_fault)
            self.demo.processor(bus).run(self.cycles)
            self._runs[processor] = bus
        return self._runs[processor].point_trace(point, self.demo.clock_hz)

    def capture(self, point: str) -> bytes:
        """A capture at a probe point in cycles mode, as a file."""
        usual = next(each for each in self.demo.exports if each.mode == "cycles" and each.format == "csv")
        described = self.machine.point_of(point)
        export: Export = replace(usual, point=point, file=f"{point}.csv")
        if described.mode != "cycles":
            raise UsageError(
                f"The probe point {point!r} takes no whole bus cycles.", "Use one in cycles mode."
            )
        return csv_of_cycles(self.trace(point), export)

    # By hand -----------------------------------------------------------------------------------------

    def answer(self, kind: str, part: str, line: int = -1, carries: str = "") -> str:
        """What a measurement by hand finds.

        Args:
            kind: swapped, reseated, reclipped, reading, continuity, short or activity.
            part: Part, chip or probe point.
            line: Line, or -1 for all.
            carries: What the line carries; empty for anything.
        """
        found = {
            "swapped": ("cured", "same"),
            "reseated": ("cured", "same"),
            "reclipped": ("cured", "same"),
            "reading": ("bad", "good"),
            "continuity": ("open", "good"),
            "short": ("found", "none"),
            "activity": ("none", "active"),
        }[kind]
        return found[0] if self._finds(kind, part, line, carries) else found[1]

    def _finds(self, kind: str, part: str, line: int, carries: str) -> bool:
        fault = self.fault
        if fault is None:
            inside = self.chip_fault is not None and part in (self.chip_fault.chip, self.chip_fault.other)
            return inside and kind in ("swapped", "reading")
        kinds: Mapping[str, str] = {each.name: each.kind for each in self.machine.part}
        here, passive = part == fault.part, kinds[fault.part] in PASSIVE
        contact = passive and fault.what in ("open", "silent")
        on_line = line < 0 or (line in (fault.line, fault.other) and carries in ("", fault.carries))
        match kind:
            case "swapped":
                return here
            case "reseated":
                return here and contact
            case "continuity":
                return here and contact and on_line
            case "short":
                held = passive and fault.what not in ("open", "silent", "always on") and on_line
                return held and self._touches(part, kinds)
            case "activity":
                dead = fault.carries != "enable" and fault.what in ("stuck at 0", "stuck at 1", "silent")
                this = line < 0 or fault.what == "silent" or line == fault.line
                return dead and this and carries in ("", fault.carries) and self._reaches(part)
            case _:
                return False

    def _begins(self) -> dict[int, int]:
        assert self.fault is not None
        return where_it_begins(self.machine, self.demo.board, self.fault)

    def _reaches(self, part: str) -> bool:
        """The fault shows where the line leaves a part."""
        paths = self.machine.path
        return any(
            part in paths[number].through and paths[number].through.index(part) + 1 >= first
            for number, first in self._begins().items()
        )

    def _touches(self, part: str, kinds: Mapping[str, str]) -> bool:
        """The wire at a part belongs to the net that is held."""
        for number, first in self._begins().items():
            through = self.machine.path[number].through
            last = next(
                (k for k in range(first, len(through)) if kinds[through[k]] not in PASSIVE), len(through)
            )
            if part in through and first - 1 <= through.index(part) <= last:
                return True
        return False
