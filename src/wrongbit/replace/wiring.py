"""What the bench needs from a plan: wiring table, parts list, jumper table, cautions, notes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from wrongbit.replace.catalogue import Catalogue, load_catalogue
from wrongbit.replace.circuit import Circuit, Device, Net, Terminal, image_lines, pin_label
from wrongbit.replace.figures import CHECK_FIRST
from wrongbit.replace.fit import Plan
from wrongbit.replace.levels import supply_corners
from wrongbit.replace.requirement import pin_use
from wrongbit.replace.series import engineering, preferred_between


@dataclass(frozen=True)
class WiringRow:
    """One line of the wiring table.

    Args:
        signal: What the wire carries.
        old: Pin of the old socket, such as ``P1.18 A11``; empty when none.
        through: Pins of latch, gates and buffer on the way, in order.
        new: Pin of the memory, such as ``IC1.21 A11``; empty when none.
        moved: The two pins do not lie on each other.
        note: What to look out for.
    """

    signal: str
    old: str
    through: tuple[str, ...]
    new: str
    moved: bool
    note: str = ""


@dataclass(frozen=True)
class PartLine:
    """One line of the parts list.

    Args:
        refs: Reference designators.
        count: How many.
        what: What to order.
        note: Why, or what to look out for.
    """

    refs: tuple[str, ...]
    count: int
    what: str
    note: str = ""


@dataclass(frozen=True)
class JumperSetting:
    """How the jumpers stand for one of several contents.

    Args:
        image: Number of the contents, from 0.
        offset: Word of the memory at which they begin.
        closed: Jumpers that are closed (0); the others are open (1).
        opened: Jumpers that are open.
    """

    image: int
    offset: int
    closed: tuple[str, ...]
    opened: tuple[str, ...]


# -- wiring table ------------------------------------------------------------------------------------------


def wiring_table(plan: Plan) -> tuple[WiringRow, ...]:
    """Every pin of the old socket and of the memory, what they meet and through what.

    Rows follow the old socket's pins; pins of the memory that meet no old pin come last.
    """
    circuit = plan.circuit
    plug = circuit.devices[0]
    rows: list[WiringRow] = []
    reached: set[Terminal] = set()
    for pin in range(1, len(plug.pins) + 1):
        for row, terminal in _rows_from(plan, Terminal(plug.ref, pin)):
            rows.append(row)
            reached |= {terminal} - {None}
    for memory in circuit.of_part("memory"):
        for pin in range(1, len(memory.pins) + 1):
            terminal = Terminal(memory.ref, pin)
            if terminal not in reached:
                rows.append(_row_without_old(circuit, terminal))
    return (*rows, *_logic_ties(circuit))


def _logic_ties(circuit: Circuit) -> Iterator[WiringRow]:
    """What latches, gates and buffers have at a fixed level: one row a package and supply."""
    for device in circuit.devices:
        if device.part in ("latch", "gate", "buffer"):
            for net in circuit.nets:
                pins = tuple(pin_label(circuit, t) for t in net.terminals if t.ref == device.ref)
                if net.kind == "supply" and pins:
                    yield WiringRow(net.name, "", pins, "", False, f"tie to {net.name}")


def _rows_from(plan: Plan, old: Terminal) -> Iterator[tuple[WiringRow, Terminal]]:
    """Rows of an old pin: one for each memory pin that it reaches."""
    circuit = plan.circuit
    name = circuit.pin_name(old)
    net = circuit.net_at(old.ref, old.pin)
    if net is None:
        yield WiringRow(name, pin_label(circuit, old), (), "", False, _open_note(name)), old
        return
    ends = list(_follow(circuit, net, ()))
    if net.kind == "supply":  # only the supply pin itself; ties are told with the memory's pins
        ends = [end for end in ends if circuit.pin_name(end[0]) == name or pin_use(name).supply is None]
        ends = [end for end in ends if pin_use(name).supply is None or _is_supply(circuit, end[0])]
    if not ends:
        note = "latch only" if any(circuit.device(t.ref).part == "latch" for t in net.terminals) else ""
        through = tuple(
            pin_label(circuit, t) for t in net.terminals if circuit.device(t.ref).part in ("latch", "gate")
        )
        yield WiringRow(name, pin_label(circuit, old), through, "", False, note), old
    for terminal, through in ends:
        yield (
            WiringRow(
                signal=name if net.kind == "supply" else net.name,
                old=pin_label(circuit, old),
                through=through,
                new=pin_label(circuit, terminal),
                moved=not through and not _lies_on(circuit, old, terminal),
            ),
            terminal,
        )


def _is_supply(circuit: Circuit, terminal: Terminal) -> bool:
    return pin_use(circuit.pin_name(terminal)).supply is not None


def _follow(
    circuit: Circuit, net: Net, through: tuple[str, ...]
) -> Iterator[tuple[Terminal, tuple[str, ...]]]:
    """Memory pins that a net reaches, directly or through latch, gate and buffer, outward from the socket."""
    for terminal in net.terminals:
        device = circuit.device(terminal.ref)
        if device.part == "memory":
            yield terminal, through
        elif net.kind != "supply" and device.part in ("latch", "gate", "buffer"):
            for partner in _other_side(device, terminal.pin):
                further = circuit.net_at(device.ref, partner)
                label = (
                    f"{pin_label(circuit, terminal)} → {pin_label(circuit, Terminal(device.ref, partner))}"
                )
                if further is not None and label not in through:
                    yield from _follow(circuit, further, (*through, label))


def _other_side(device: Device, pin: int) -> list[int]:
    """Pins to which a signal passes on: latch D to Q, gate in to out, buffer output back to its input."""
    name = device.pins[pin - 1]
    if device.part == "latch" and name.startswith("D"):
        partners = [f"Q{name[1:]}"]
    elif device.number == "04" and name.endswith("A"):
        partners = [f"{name[0]}Y"]
    elif device.number == "138" and not name.startswith("/Y"):
        partners = [f"/Y{number}" for number in range(8)]
    elif device.number == "245" and name.startswith("B"):
        partners = [f"A{name[1:]}"]
    elif device.part == "buffer" and name[1:2] == "Y":
        partners = [f"{name[0]}A{name[2:]}"]
    else:
        partners = []
    return [device.pins.index(partner) + 1 for partner in partners]


def _lies_on(circuit: Circuit, old: Terminal, new: Terminal) -> bool:
    memory, plug = circuit.device(new.ref), circuit.device(old.ref)
    return new.pin == old.pin + (len(memory.pins) - len(plug.pins)) // 2


def _row_without_old(circuit: Circuit, terminal: Terminal) -> WiringRow:
    name = circuit.pin_name(terminal)
    net = circuit.net_at(terminal.ref, terminal.pin)
    label = pin_label(circuit, terminal)
    if net is None:
        return WiringRow(name, "", (), label, False, "leave open")
    if net.kind == "jumper":
        return WiringRow(name, "", (), label, True, f"to {net.name.split(' by ')[1]} (jumper and pull-up)")
    return WiringRow(name, "", (), label, True, f"tie to {net.name}")


def _open_note(name: str) -> str:
    use = pin_use(name)
    if use.idle and name.strip("/").upper() != "NC":
        return "leave open: the new chip has no use for it; whatever the board puts there must not reach it"
    return "leave open"


# -- parts -------------------------------------------------------------------------------------------------


def parts_list(plan: Plan, catalogue: Catalogue | None = None) -> tuple[PartLine, ...]:
    """What to order. Capacitors and resistors are preferred values of IEC 60063."""
    catalogue = catalogue or load_catalogue()
    circuit = plan.circuit
    memories = tuple(device.ref for device in circuit.of_part("memory"))
    lines = [PartLine(memories, len(memories), f"{plan.name}, {plan.memory.kind}", plan.memory.note)]
    for part in ("latch", "gate", "buffer"):
        lines += _logic_lines(circuit, part, plan.family or "", catalogue)
    if plan.drop_in:
        return tuple(lines)
    lines.append(
        PartLine(
            ("P1",), 1, f"plug of {len(circuit.devices[0].pins)} round machined pins",
            "goes into the old chip's socket; thick square pins spread its contacts",
        )
    )  # fmt: skip
    lines += _socket_lines(circuit)
    chips = [device for device in circuit.devices if device.part not in ("plug", "jumper")]
    caps = tuple(f"C{number}" for number in range(1, len(chips) + 1))
    lines.append(
        PartLine(
            caps, len(caps), f"ceramic capacitor {engineering(100e-9, 'F')} (E6)",
            "one between VCC and GND of each IC, leads as short as they will go",
        )
    )  # fmt: skip
    if len(chips) > 1:
        ref = f"C{len(chips) + 1}"
        note = "for the whole adapter, where the supply enters; mind its polarity"
        lines.append(PartLine((ref,), 1, f"electrolytic capacitor {engineering(10e-6, 'F')} (E6)", note))
    if circuit.jumpers:
        lines += _jumper_lines(plan, catalogue)
    return tuple(lines)


def _logic_lines(circuit: Circuit, part: str, family: str, catalogue: Catalogue) -> list[PartLine]:
    refs: dict[str, list[str]] = {}
    for device in circuit.devices:
        if device.part == part:
            refs.setdefault(device.number, []).append(device.ref)
    titles = {row.number: row.title for row in catalogue.pinout}
    return [
        PartLine(tuple(names), len(names), f"74{family}{number}, {titles[number]}")
        for number, names in refs.items()
    ]


def _socket_lines(circuit: Circuit) -> list[PartLine]:
    refs: dict[int, list[str]] = {}
    for device in circuit.devices:
        if device.part not in ("plug", "jumper"):
            refs.setdefault(len(device.pins), []).append(device.ref)
    return [
        PartLine(tuple(names), len(names), f"IC socket, {pins} pins", "for " + ", ".join(names))
        for pins, names in refs.items()
    ]


def pull_up_ohms(plan: Plan, catalogue: Catalogue) -> float:
    """Pull-up of a jumper: a preferred value that keeps the input high and little current when closed.

    The upper limit is what the inputs' leakage may drop before the lowest supply falls to their high level;
    the lower limit lets 1 mA through a closed jumper at the highest supply.
    """
    low, high = supply_corners(plan.need)
    family = catalogue.family_named(plan.memory.family)
    inputs = len(plan.circuit.lanes)
    most = (low - family.vih.at(low)) / (family.iih.ma * 1e-3 * inputs)
    value = preferred_between(high / 1e-3, most, "E12", 10_000)
    assert value is not None, "leakage of microamperes leaves a wide range"
    return value


def _jumper_lines(plan: Plan, catalogue: Catalogue) -> list[PartLine]:
    jumpers = plan.circuit.jumpers
    ohms = engineering(pull_up_ohms(plan, catalogue), "Ω")
    return [
        PartLine(
            tuple(j.pull_up for j in jumpers), len(jumpers), f"resistor {ohms} (E12)", "pull-ups to VCC"
        ),
        PartLine(tuple(j.ref for j in jumpers), len(jumpers), "pin header of 2 with a jumper", "to GND"),
    ]


# -- contents and jumpers ----------------------------------------------------------------------------------


def jumper_table(plan: Plan) -> tuple[JumperSetting, ...]:
    """Jumper settings of each of the contents; one row without jumpers when there is one."""
    settings = []
    size = 1 << plan.need.address_lines
    count = image_lines(plan.need.images)
    jumpers = plan.circuit.jumpers
    for image in range(plan.need.images):
        bits = [image >> index & 1 for index in range(count)]
        settings.append(
            JumperSetting(
                image=image,
                offset=image * size,
                closed=tuple(j.ref for j, bit in zip(jumpers, bits, strict=True) if not bit),
                opened=tuple(j.ref for j, bit in zip(jumpers, bits, strict=True) if bit),
            )
        )
    return tuple(settings)


# -- words -------------------------------------------------------------------------------------------------


def cautions(plan: Plan) -> tuple[str, ...]:
    """Assembly cautions, the dangerous ones first."""
    told = [
        "Switch off, unplug, and let the supply's capacitors discharge before a chip is taken out or put in. "
        "In machines with mains wiring, picture tubes or large capacitors keep to your local electrical "
        "code, and leave that part to somebody qualified when in doubt.",
        "Hold pin 1 and the notch to the socket's: a chip that is put in the wrong way round is lost at "
        "power-on, and so may be the supply.",
        "Static electricity kills MOS parts unseen: wrist strap, conductive mat, chips in conductive foam "
        "(IEC 61340-5-1 is the trade's rule).",
        "Desoldering lifts tracks: cut the old chip's pins off and take them out one by one, with no more "
        "heat than each needs; ventilate, and protect your eyes from clippings and solder.",
        "Measure for shorts between VCC and GND, and each wire of the table, before the memory goes in.",
    ]
    if plan.memory.kind.startswith("UV EPROM"):
        told.append(
            "Erasing lamps (254 nm) burn eyes and skin: use a closed eraser. Cover the window afterwards "
            "with an opaque label; daylight erases in weeks."
        )
    if any(_names_other_supply(name) for name in plan.need.socket.pins):
        told.append(
            "The old socket carries other supplies than +5 V. The plug must not touch them: leave these pins "
            "out of it altogether."
        )
    return tuple(told)


def _memory_ties(plan: Plan) -> list[WiringRow]:
    """Pins of the memory that must be at VCC beside its supply pin: the trap of a careless adapter."""
    return [row for row in wiring_table(plan) if row.new and row.note == "tie to VCC"]


def _names_other_supply(name: str) -> bool:
    return name in ("VDD", "VBB", "VGG", "VEE") or (name.endswith("V") and name[:1] in "+-" and name != "+5V")


def plan_notes(plan: Plan) -> tuple[str, ...]:
    """What a person must know about a plan: unknown times, figures from memory, traps of the pins."""
    notes = [*plan.need.times.notes]
    if plan.status == "from memory":
        notes.append(f"Some figures behind this plan are {CHECK_FIRST}; each is marked.")
    notes += [f"Not judged: {edge}." for edge in plan.unknown]
    if plan.memory.supply == "old stock":
        notes.append(f"The {plan.memory.name} is no longer made: buy from old stock and read it back blank.")
    if plan.memory.note:
        notes.append(f"{plan.memory.name}: {plan.memory.note}")
    if plan.circuit.scheme == "outputs only":
        notes.append(
            "The chip enable is always active: the memory draws its full supply current all the time."
        )
    if not plan.need.selects:
        notes.append("Nothing selects the chip: its outputs drive always, so nothing else may share them.")
    if len(plan.memory.pins) != len(plan.need.socket.pins):
        notes.append(
            f"The {plan.memory.name} has {len(plan.memory.pins)} pins and the old socket "
            f"{len(plan.need.socket.pins)}; in the drawing their ground ends are level."
        )
    if plan.need.shares_pins:
        notes.append(
            "Address and data share pins: the outputs must stay off until the address has left the lines."
        )
    if not plan.drop_in:
        notes += [f"{row.new}: {row.note}." for row in _memory_ties(plan)]
    return tuple(notes)
