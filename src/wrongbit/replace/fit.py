"""Choose a replacement: every memory, wiring, logic family and grade is tried and judged, the best first.

A plan fits when every edge and every level does. Where a bus time is not known the plan says so and is
called *fits as far as known*, never *fits*. A memory that does not fit is listed with the reason and with
what would.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from wrongbit.errors import UsageError
from wrongbit.replace.catalogue import Catalogue, Grade, Logic, Memory, load_catalogue
from wrongbit.replace.circuit import SCHEMES, Circuit, Wishes, build_circuit, is_drop_in
from wrongbit.replace.figures import Status, worst_status
from wrongbit.replace.levels import LevelCheck, check_levels
from wrongbit.replace.requirement import Requirement
from wrongbit.replace.timing import Budget, Speeds, budgets
from wrongbit.units import format_time

Verdict = Literal["fits", "fits as far as known", "does not fit"]
VERDICTS: tuple[Verdict, ...] = ("fits", "fits as far as known", "does not fit")

FAMILIES = ("HCT", "LS", "ALS", "ACT", "F", "HC", "AC")
"""Logic families in the order in which they are tried: TTL levels and gentle edges first."""

BUFFERS = ("245", "244")


@dataclass(frozen=True)
class Choice:
    """What the person wants tried.

    Args:
        memory: Type number; None: all in the data files.
        grade: Speed grade; None: the slowest that fits.
        latch: Latch type number, '573' or '373'.
        families: Logic families that may be used, first choice first.
        buffer: 'auto' adds one only where the memory cannot drive the load; 'none', or a type number.
        margin_percent: Least margin of every edge, in percent of what is available.
        old_stock: Parts that are no longer made may be used.
        address_wires: Memory address line on each old address line; None: in order.
        data_wires: Memory output on each old data line; None: in order.
    """

    memory: str | None = None
    grade: str | None = None
    latch: str = "573"
    families: tuple[str, ...] = FAMILIES
    buffer: str = "auto"
    margin_percent: float = 0.0
    old_stock: bool = True
    address_wires: tuple[int, ...] | None = None
    data_wires: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Plan:
    """A replacement with everything that was checked about it.

    Args:
        need: What the board demands.
        memory: The memory.
        grade: Its speed grade.
        family: Logic family of latch, gates and buffer; None where there are none.
        circuit: The wiring.
        timing: Budgets, in the order of a read cycle.
        levels: Level checks, the tightest first.
        supply_problem: What is wrong with the supply, or empty.
        drop_in: The memory goes into the old socket as it is.
        grades: The memory's grades with the smallest margin of each in picoseconds, None where not known.
        margin_percent: Least margin that was asked for.
    """

    need: Requirement
    memory: Memory
    grade: Grade
    family: str | None
    circuit: Circuit
    timing: tuple[Budget, ...]
    levels: tuple[LevelCheck, ...]
    supply_problem: str
    drop_in: bool
    grades: tuple[tuple[str, int | None], ...]
    margin_percent: float = 0.0

    @property
    def name(self) -> str:
        """Type and grade, such as ``27C512-15``."""
        return part_name(self.memory, self.grade)

    @property
    def problems(self) -> tuple[str, ...]:
        """Everything that does not fit, in sentences."""
        late = [_budget_problem(each, self.margin_percent) for each in self.timing]
        wrong = [check.problem for check in self.levels]
        return tuple(problem for problem in (self.supply_problem, *wrong, *late) if problem)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Edges that could not be judged, with the bus time that is missing."""
        return tuple(f"{each.edge}: {each.missing} is not stated" for each in self.timing if each.missing)

    @property
    def verdict(self) -> Verdict:
        """Whether it fits."""
        if self.problems:
            return "does not fit"
        return "fits as far as known" if self.unknown else "fits"

    @property
    def worst(self) -> Budget | None:
        """The edge with the smallest margin, None where no edge could be judged."""
        judged = [each for each in self.timing if each.margin_ps is not None]
        return min(judged, key=_percent, default=None)

    @property
    def status(self) -> Status:
        """How well the weakest figure behind it is known."""
        pins = (self.memory.pins_status, self.need.socket.status)
        sums = (each.status for each in self.timing)
        return worst_status((*pins, *sums, *(each.status for each in self.levels)))

    @property
    def extra_parts(self) -> int:
        """Number of packages besides the memories."""
        return sum(device.part in ("latch", "gate", "buffer") for device in self.circuit.devices)


@dataclass(frozen=True)
class Refusal:
    """A memory that does not fit.

    Args:
        memory: Its type number.
        reasons: Why, in sentences.
        remedy: What would fit, in one sentence; may be empty.
        closest: The plan that came nearest, None where none could be wired.
    """

    memory: str
    reasons: tuple[str, ...]
    remedy: str
    closest: Plan | None


@dataclass(frozen=True)
class Fitting:
    """The outcome.

    Args:
        plans: Plans that fit, or fit as far as known, the best first; one a memory.
        refused: Memories that do not.
    """

    plans: tuple[Plan, ...]
    refused: tuple[Refusal, ...]

    @property
    def best(self) -> Plan:
        """The first plan.

        Raises:
            UsageError: Nothing fits; the message says why and what would.
        """
        if self.plans:
            return self.plans[0]
        near = [refusal for refusal in self.refused if refusal.closest is not None]
        shown = near or self.refused
        raise UsageError(
            "no memory fits.",
            next((refusal.remedy for refusal in shown if refusal.remedy), "State other bus times or parts."),
            notes=tuple(f"{refusal.memory}: {refusal.reasons[0]}." for refusal in shown),
        )


def part_name(memory: Memory, grade: Grade) -> str:
    """Type and grade as one writes an order.

    >>> memory = load_catalogue().memory_named("27C512")
    >>> part_name(memory, memory.grade[3]), part_name(load_catalogue().memory_named("2716"), memory.grade[0])
    ('27C512-15', '2716-90')
    """
    separator = "" if grade.suffix.startswith("-") else " "
    return f"{memory.name}{separator}{grade.suffix}"


def fit(need: Requirement, choice: Choice = Choice(), catalogue: Catalogue | None = None) -> Fitting:
    """Try every memory and judge it.

    Args:
        need: What the board demands.
        choice: What may be tried.
        catalogue: The data files; None: those that come with wrongbit.

    Raises:
        UsageError: A part or family is unknown, or no bus time at all is known.
    """
    catalogue = catalogue or load_catalogue()
    _check_choice(need, choice, catalogue)
    memories = catalogue.memory if choice.memory is None else (catalogue.memory_named(choice.memory),)
    if not choice.old_stock:
        memories = tuple(memory for memory in memories if memory.supply == "current")
    plans, refused = [], []
    for memory in memories:
        outcome = _fit_memory(need, memory, choice, catalogue)
        if isinstance(outcome, Refusal):
            refused.append(outcome)
        else:
            plans.append(outcome)
    plans.sort(key=_rank)
    refused.sort(key=_nearness)
    return Fitting(tuple(plans), tuple(refused))


def _check_choice(need: Requirement, choice: Choice, catalogue: Catalogue) -> None:
    times = need.times
    if times.address_to_data is None and times.enable_to_data is None and times.output_to_data is None:
        raise UsageError(
            f"nothing is known about how fast the memory {need.designator} must be.",
            "State a processor and its clock, own bus times, or the old chip's access time.",
        )
    for family in (need.driver, need.load, *choice.families):
        catalogue.family_named(family)
    if not choice.families:
        raise UsageError("no logic family may be used.", f"Allow some of {', '.join(FAMILIES)}.")
    if choice.latch not in ("373", "573"):
        raise UsageError(f"{choice.latch!r} is no latch known here.", "Choose 373 or 573.")
    if choice.buffer not in ("auto", "none", *BUFFERS, "240"):
        raise UsageError(f"{choice.buffer!r} is no buffer known here.", "Choose 244, 245, 240, none or auto.")
    if choice.grade is not None and choice.memory is None:
        raise UsageError("a grade is named without its memory.", "Name the memory too.")


# -- one memory --------------------------------------------------------------------------------------------


def _fit_memory(need: Requirement, memory: Memory, choice: Choice, catalogue: Catalogue) -> Plan | Refusal:
    """The plan with the fewest parts that fits, or why there is none."""
    grades = memory.grade if choice.grade is None else (memory.grade_named(choice.grade),)
    closest: Plan | None = None
    try:
        for circuit in _circuits(need, memory, choice, catalogue):
            for family in _families(circuit, choice):
                plan = _best_grade(need, memory, grades, circuit, family, choice, catalogue)
                if plan is None:
                    continue
                if plan.verdict != "does not fit":
                    return plan
                closest = plan if closest is None else min(closest, plan, key=_shortfall)
    except UsageError as error:
        return Refusal(memory.name, (error.message.rstrip("."),), error.remedy, None)
    if closest is None:
        reason = "the data files have no figures for the logic that it needs in the families allowed"
        return Refusal(memory.name, (reason,), "Allow further families.", None)
    return Refusal(memory.name, closest.problems, _what_would(closest), closest)


def _circuits(need: Requirement, memory: Memory, choice: Choice, catalogue: Catalogue) -> Iterator[Circuit]:
    """Wirings, the simplest first."""
    buffers: tuple[str | None, ...] = {
        "auto": (None, *BUFFERS),
        "none": (None,),
    }.get(choice.buffer, (choice.buffer,))
    for buffer in buffers:
        wishes = Wishes(choice.latch, buffer, choice.address_wires, choice.data_wires)
        seen: list[Circuit] = []
        for scheme in SCHEMES:
            circuit = build_circuit(need, memory, catalogue, scheme, wishes)
            if all(circuit.nets != other.nets for other in seen):
                seen.append(circuit)
                yield circuit


def _families(circuit: Circuit, choice: Choice) -> tuple[str | None, ...]:
    logic = any(device.part in ("latch", "gate", "buffer") for device in circuit.devices)
    return choice.families if logic else (None,)


def _best_grade(
    need: Requirement,
    memory: Memory,
    grades: tuple[Grade, ...],
    circuit: Circuit,
    family: str | None,
    choice: Choice,
    catalogue: Catalogue,
) -> Plan | None:
    """The slowest grade that fits, or the fastest; None where the family lacks a part."""
    parts = _logic_parts(circuit, family, catalogue)
    if parts is None:
        return None
    latch, gates, buffer = parts
    levels = check_levels(need, circuit, _device_families(circuit, memory, family), catalogue)
    sums = {
        grade: budgets(
            need, circuit, Speeds(grade, part_name(memory, grade), latch, gates, buffer), catalogue
        )
        for grade in sorted(grades, key=lambda grade: grade.access.ns)
    }
    margins = tuple((grade.suffix, _least(timing)) for grade, timing in sums.items())
    enough = [g for g, timing in sums.items() if not _late(timing, choice.margin_percent)]
    grade = enough[-1] if enough else next(iter(sums))
    return Plan(
        need=need,
        memory=memory,
        grade=grade,
        family=family,
        circuit=circuit,
        timing=sums[grade],
        levels=levels,
        supply_problem=_supply_problem(need, memory, family, catalogue),
        drop_in=is_drop_in(circuit),
        grades=margins,
        margin_percent=choice.margin_percent,
    )


def _logic_parts(
    circuit: Circuit, family: str | None, catalogue: Catalogue
) -> tuple[Logic | None, dict[str, Logic], Logic | None] | None:
    """Latch, gates and buffer of a circuit in this family, None where the data files lack one."""
    latch: Logic | None = None
    buffer: Logic | None = None
    gates: dict[str, Logic] = {}
    try:
        for device in circuit.devices:
            if device.part == "latch":
                latch = catalogue.logic("latch", device.number, family or "")
            elif device.part == "buffer":
                buffer = catalogue.logic("buffer", device.number, family or "")
            elif device.part == "gate":
                gates[device.number] = catalogue.logic("gate", device.number, family or "")
    except UsageError:
        return None
    return latch, gates, buffer


def _device_families(circuit: Circuit, memory: Memory, family: str | None) -> dict[str, str]:
    return {
        device.ref: memory.family if device.part == "memory" else (family or "")
        for device in circuit.devices
        if device.part not in ("plug", "jumper")
    }


def _supply_problem(need: Requirement, memory: Memory, family: str | None, catalogue: Catalogue) -> str:
    limits = [(f"the {memory.name}", memory.tolerance_percent)]
    if family is not None:
        limits.append((f"74{family}", catalogue.family_named(family).tolerance_percent))
    name, tolerance = min(limits, key=lambda limit: limit[1])
    if need.supply_percent > tolerance:
        return f"the supply may be {need.supply_percent:g} % off and {name} allows {tolerance:g} %"
    return ""


# -- judging -----------------------------------------------------------------------------------------------


def _late(timing: Iterable[Budget], floor: float) -> bool:
    return any(_budget_problem(each, floor) for each in timing)


def _budget_problem(budget: Budget, floor: float) -> str:
    """Why this edge does not do, in one sentence; empty when it does or cannot be judged."""
    margin, percent = budget.margin_ps, budget.margin_percent
    if margin is None:
        return ""
    if margin < 0:
        return f"{budget.edge}: {format_time(-margin)} too slow"
    if percent is not None and percent < floor and budget.needed_ps:
        return f"{budget.edge}: {percent:.0f} % margin, {floor:g} % asked for"
    return ""


def _percent(budget: Budget) -> float:
    percent = budget.margin_percent
    if percent is not None:
        return percent
    return 100.0 if (budget.margin_ps or 0) >= 0 else -100.0


def _least(timing: Iterable[Budget]) -> int | None:
    return min((each.margin_ps for each in timing if each.margin_ps is not None), default=None)


def _shortfall(plan: Plan) -> tuple[int, int, int]:
    """How far a plan is from fitting: wrong levels first, then time that is lacking."""
    wrong = sum(not check.fits for check in plan.levels) + int(bool(plan.supply_problem))
    lacking = -sum(min(0, each.margin_ps or 0) for each in plan.timing)
    return wrong, lacking, plan.extra_parts


def _rank(plan: Plan) -> tuple[int, bool, bool, int, int, int]:
    """Order of plans: certain ones, still made, no adapter, few packages, few pins, little excess."""
    return (
        VERDICTS.index(plan.verdict),
        plan.memory.supply != "current",
        not plan.drop_in,
        plan.extra_parts + len(plan.circuit.lanes),
        len(plan.memory.pins),
        plan.memory.words * plan.memory.bits,
    )


def _nearness(refusal: Refusal) -> tuple[int, int, int]:
    return (99, 0, 0) if refusal.closest is None else _shortfall(refusal.closest)


def _what_would(plan: Plan) -> str:
    """What would fit instead of this plan, as numbers a person can look for."""
    if plan.supply_problem:
        return "Choose parts that allow the supply's tolerance, or keep the rail closer."
    level = next((check.problem for check in plan.levels if check.problem), "")
    if level:
        return f"{level[0].upper()}{level[1:]}."
    short = [each for each in plan.timing if _budget_problem(each, plan.margin_percent)]
    wanted = []
    for each in short:
        available = each.available_ps or 0
        allowed = int(available * (1 - plan.margin_percent / 100))
        own = [term for term in each.needs if term.name.endswith(plan.name)]
        rest = each.needed_ps - sum(term.ps for term in own)
        if own and allowed - rest > 0:
            what = own[0].name.removesuffix(f", {plan.name}")
            wanted.append(f"{what} of {format_time(allowed - rest)} or less")
        else:
            wanted.append(
                f"{format_time(rest - allowed)} less in “{each.edge}”: a wait state or a slower clock"
            )
    return f"Needed: {'; '.join(dict.fromkeys(wanted))}."
