"""Worst-case timing: what each path needs against what the bus gives, edge by edge.

Only maxima are added to what a path needs, and only minima count as given. A figure of a part that holds at
25 °C is scaled by its family's factor for the heat; a family that has none is used as it is and said so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

from wrongbit.replace.buses import BusTimes, Sum
from wrongbit.replace.catalogue import Catalogue, Grade, Logic, Time
from wrongbit.replace.circuit import Circuit, EnablePath, select_text
from wrongbit.replace.figures import Status, Term, total_ps, worst_status
from wrongbit.replace.requirement import Requirement, Select


@dataclass(frozen=True)
class Budget:
    """One edge: what is available, what is needed, what is left.

    Args:
        edge: What must come before what, in words.
        available: Terms of the available time; None where the bus time is not known.
        needs: Terms of the needed time.
        missing: Name of the bus time that is not known, or empty.
    """

    edge: str
    available: Sum | None
    needs: Sum
    missing: str = ""

    @property
    def available_ps(self) -> int | None:
        """Available time in picoseconds."""
        return None if self.available is None else total_ps(self.available)

    @property
    def needed_ps(self) -> int:
        """Needed time in picoseconds."""
        return total_ps(self.needs)

    @property
    def margin_ps(self) -> int | None:
        """What is left; negative when it does not fit."""
        available = self.available_ps
        return None if available is None else available - self.needed_ps

    @property
    def margin_percent(self) -> float | None:
        """Margin in percent of the available time, None where that is not known or zero."""
        available, margin = self.available_ps, self.margin_ps
        return None if not available or margin is None else 100 * margin / available

    @property
    def fits(self) -> bool | None:
        """Whether it fits; None where that is not known."""
        margin = self.margin_ps
        return None if margin is None else margin >= 0

    @property
    def status(self) -> Status:
        """How well the sum is known: as its weakest term."""
        return worst_status(term.status for term in (*(self.available or ()), *self.needs))


@dataclass(frozen=True)
class Speeds:
    """The parts whose delays are added.

    Args:
        grade: The memory's speed grade.
        memory: Name of the memory with its grade, for terms.
        latch: The latch, or None.
        gates: Gates by type number.
        buffer: The buffer, or None.
    """

    grade: Grade
    memory: str
    latch: Logic | None
    gates: Mapping[str, Logic]
    buffer: Logic | None


def logic_term(part: Logic, figure: str, what: str, celsius: float, catalogue: Catalogue) -> Term:
    """A logic part's delay at this temperature.

    >>> from wrongbit.replace.catalogue import load_catalogue
    >>> data = load_catalogue()
    >>> logic_term(data.logic("buffer", "245", "HC"), "data", "buffer", 70, data).ps
    23000
    """
    time = part.figures[figure]
    if celsius <= part.celsius:
        return Term(f"{what}, {part.title}", time.ps, time.status, time.source)
    factor = catalogue.family_named(part.family).hot_factor
    if factor == 1.0:
        note = f"{what}, {part.title} (figure for {part.celsius:g} °C; the sheet gives none above)"
        return Term(note, time.ps, time.status, time.source)
    scaled = ceil(time.ns * factor) * 1000
    note = f"{what}, {part.title} ({time.ns:g} ns at {part.celsius:g} °C × {factor:g} for the heat)"
    return Term(note, scaled, time.status, time.source)


def budgets(need: Requirement, circuit: Circuit, speeds: Speeds, catalogue: Catalogue) -> tuple[Budget, ...]:
    """Every edge of a replacement, in the order of a read cycle."""
    return _Sums(need, circuit, speeds, catalogue).all()


@dataclass(frozen=True)
class _Sums:
    need: Requirement
    circuit: Circuit
    speeds: Speeds
    catalogue: Catalogue

    def all(self) -> tuple[Budget, ...]:
        found = [*self._latch(), *self._address(), *self._enables(), *self._release()]
        return tuple(found)

    @property
    def times(self) -> BusTimes:
        return self.need.times

    # -- terms

    def _part(self, part: Logic, figure: str, what: str) -> Term:
        return logic_term(part, figure, what, self.need.celsius, self.catalogue)

    def _memory(self, time: Time, what: str) -> Term:
        return Term(f"{what}, {self.speeds.memory}", time.ps, time.status, time.source)

    def _buffer(self) -> list[Term]:
        buffer = self.speeds.buffer
        return [] if buffer is None else [self._part(buffer, "data", "through the buffer")]

    def _gate(self, number: str | None, what: str) -> list[Term]:
        return [] if number is None else [self._part(self.speeds.gates[number], "delay", what)]

    def _budget(self, edge: str, name: str, needs: list[Term]) -> Budget:
        available: Sum | None = getattr(self.times, name)
        return Budget(edge, available, tuple(needs), "" if available is not None else name)

    # -- edges

    def _latch(self) -> list[Budget]:
        latch = self.speeds.latch
        if latch is None:
            return []
        late = self._gate(self.circuit.latch_gate, "latch signal through the gate")
        return [
            self._budget(
                "address valid before the latch closes",
                "address_before_close",
                [self._part(latch, "setup", "set-up time of the latch")],
            ),
            self._budget(
                "address stays after the latch closes",
                "hold_after_close",
                [*late, self._part(latch, "hold", "hold time of the latch")],
            ),
            self._budget(
                "the latch is open long enough",
                "open_width",
                [self._part(latch, "width", "least enable width of the latch")],
            ),
        ]

    def _address(self) -> list[Budget]:
        latch, access = self.speeds.latch, self._memory(self.speeds.grade.access, "access from the address")
        through = [] if latch is None else [self._part(latch, "data", "address through the latch")]
        needs = [*through, access, *self._buffer()]
        available = self._address_to_data()
        edge = "address valid to data needed"
        found = [Budget(edge, available, tuple(needs), "" if available else "address_to_data")]
        if latch is not None and not self.need.latch_selects:
            late = self._gate(self.circuit.latch_gate, "latch signal through the gate")
            opening = self._part(latch, "enable", "latch opening to its outputs")
            needs = [*late, opening, access, *self._buffer()]
            found.append(self._budget("latch opens to data needed", "open_to_data", needs))
        return found

    def _address_to_data(self) -> Sum | None:
        """The bus's own figure; for a latch that the chip enable closes, the two times around that edge."""
        times = self.times
        if times.address_to_data is not None or not self.need.latch_selects:
            return times.address_to_data
        if times.address_before_close is None or times.enable_to_data is None:
            return None
        return (*times.address_before_close, *times.enable_to_data)

    def _enables(self) -> list[Budget]:
        found = []
        for path in self.circuit.enables:
            for select in path.selects:
                available, missing = self._select_to_data(select)
                edge = f"{select_text(select)} active to data needed, through {_pin_text(path)}"
                found.append(Budget(edge, available, tuple(self._enable_needs(path)), missing))
        return found

    def _enable_needs(self, path: EnablePath) -> list[Term]:
        gate = self._gate(path.gate, "select through the gate")
        grade = self.speeds.grade
        if path.pin == "buffer":
            assert self.speeds.buffer is not None
            return [*gate, self._part(self.speeds.buffer, "on", "buffer switches on")]
        single = not any(other.pin == "/OE" for other in self.circuit.enables) and path.pin == "/CE"
        slowest = max(grade.enable, grade.output_enable, key=lambda time: time.ns) if single else grade.enable
        time = slowest if path.pin == "/CE" else grade.output_enable
        what = "access from the chip enable" if path.pin == "/CE" else "access from the output enable"
        return [*gate, self._memory(time, what), *self._buffer()]

    def _select_to_data(self, select: Select) -> tuple[Sum | None, str]:
        """Time from this select to the data; a decoded select comes its decoder's delay after the address.

        A select is active no earlier than the address that it belongs to: where the one figure is the old
        chip's and the other the bus's, the select is not given more time than the address.
        """
        times = self.times
        name = "output_to_data" if select.role == "output" else "enable_to_data"
        own: Sum | None = getattr(times, name)
        if own is not None:
            address = self._address_to_data()
            if address is not None and total_ps(address) < total_ps(own):
                return (*address, Term("no select before the address", 0, "given", "order of a read")), ""
            return own, ""
        if select.role == "chip" and times.address_to_data is not None and times.select_delay is not None:
            late = tuple(Term(t.name, -t.ps, t.status, t.source) for t in times.select_delay)
            return (*times.address_to_data, *late), ""
        return None, name

    def _release(self) -> list[Budget]:
        found = []
        if self.circuit.enables:
            found.append(self._budget("outputs off before somebody else drives", "float_time", self._off()))
        if self.need.shares_pins:
            nothing = Term("outputs may come on at once", 0, "given", "no minimum is promised")
            found.append(
                self._budget(
                    "address off the shared lines before outputs on", "release_before_output", [nothing]
                )
            )
        if self.times.data_hold is not None and self.times.address_hold is not None:
            needs = list(self.times.data_hold)
            found.append(self._budget("data stays after it is taken", "address_hold", needs))
        return found

    def _off(self) -> list[Term]:
        """Slowest way from the end of a select to the outputs being off."""
        last = "buffer" if self.speeds.buffer is not None else "memory"
        paths = [path for path in self.circuit.enables if (path.pin == "buffer") == (last == "buffer")]
        strobes = [path for path in paths if any(select.role == "output" for select in path.selects)]
        ways = []
        for path in strobes or paths:
            gate = self._gate(path.gate, "select through the gate")
            if last == "buffer":
                assert self.speeds.buffer is not None
                ways.append([*gate, self._part(self.speeds.buffer, "off", "buffer switches off")])
            else:
                ways.append([*gate, self._memory(self.speeds.grade.float_, "outputs switch off")])
        return max(ways, key=total_ps)


def _pin_text(path: EnablePath) -> str:
    return "the buffer" if path.pin == "buffer" else path.pin
