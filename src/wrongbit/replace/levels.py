"""Do the levels agree, and can each output drive what hangs on it?

Margins are taken at both ends of the supply's tolerance, and the smaller one counts: a CMOS input's
threshold rises with the supply, a TTL output's level does not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from wrongbit.replace.catalogue import Catalogue, Current, Family, Volt
from wrongbit.replace.circuit import Circuit, Net, Terminal
from wrongbit.replace.figures import Status, worst_status
from wrongbit.replace.requirement import Requirement, pin_use

_OUTPUT_PREFIXES = {"latch": ("Q",), "buffer": ("1Y", "2Y", "B"), "memory": ("D",)}


@dataclass(frozen=True)
class LevelCheck:
    """One kind of output with everything that hangs on it.

    Args:
        driver: Family of the output, with its part.
        loads: Families of the inputs with their number, such as ``1 × HCT``.
        nets: Names of the nets for which this holds.
        margin_high: Volts by which the output's high level exceeds what the neediest input wants.
        margin_low: Volts by which the output's low level stays below what the neediest input allows.
        share_high: Share of the output's high-level current that is used.
        share_low: Share of its low-level current.
        status: How well the figures are known.
    """

    driver: str
    loads: tuple[str, ...]
    nets: tuple[str, ...]
    margin_high: float
    margin_low: float
    share_high: float
    share_low: float
    status: Status

    @property
    def fits(self) -> bool:
        """Whether levels and currents are all right."""
        return min(self.margin_high, self.margin_low) >= 0 and max(self.share_high, self.share_low) <= 1

    @property
    def problem(self) -> str:
        """What is wrong, in one sentence; empty when nothing is."""
        loads = ", ".join(self.loads)
        if self.margin_high < 0:
            return (
                f"the high level of {self.driver} is {-self.margin_high:.2f} V too low for {loads}; a family "
                "with TTL input levels (HCT, ACT, LS, ALS, F) would fit"
            )
        if self.margin_low < 0:
            return f"the low level of {self.driver} is {-self.margin_low:.2f} V too high for {loads}"
        share = max(self.share_high, self.share_low)
        if share > 1:
            return f"{self.driver} must drive {share:.1f} times what it can ({loads}); a buffer would fit"
        return ""


@dataclass(frozen=True)
class _Output:
    family: Family
    bus: bool
    title: str

    def level(self, supply: float) -> tuple[float, float]:
        """Guaranteed high and low level at this supply."""
        high = self.family.bus_voh if self.bus and self.family.bus_voh else self.family.voh
        return high.at(supply), self.family.vol.at(supply)

    def currents(self) -> tuple[float, float]:
        """Guaranteed high and low current in milliamperes."""
        high = self.family.bus_ioh if self.bus and self.family.bus_ioh else self.family.ioh
        low = self.family.bus_iol if self.bus and self.family.bus_iol else self.family.iol
        return high.ma, low.ma

    def statuses(self) -> list[Status]:
        family = self.family
        figures: list[Volt | Current | None] = [family.voh, family.vol, family.ioh, family.iol]
        if self.bus:
            figures += [family.bus_voh, family.bus_ioh, family.bus_iol]
        return [figure.status for figure in figures if figure is not None]


def supply_corners(need: Requirement) -> tuple[float, float]:
    """Lowest and highest supply voltage."""
    spread = need.supply_volts * need.supply_percent / 100
    return need.supply_volts - spread, need.supply_volts + spread


def check_levels(
    need: Requirement, circuit: Circuit, families: Mapping[str, str], catalogue: Catalogue
) -> tuple[LevelCheck, ...]:
    """All outputs against all inputs.

    Args:
        need: The requirement: what drives the socket and what it drives.
        circuit: The wiring.
        families: Family of each device by its designator.
        catalogue: The data files.

    Returns:
        One check for each combination of output and inputs, the tightest first.
    """
    groups: dict[tuple[str, bool, str, tuple[tuple[str, int], ...]], list[str]] = {}
    for net in circuit.nets:
        if net.kind in ("supply", "jumper"):
            continue
        outputs, inputs = _roles(need, circuit, net, families)
        for title, family, bus in outputs:
            # A shared line has two outputs; each one's own inputs are all the others on the line.
            groups.setdefault((family, bus, title, tuple(sorted(inputs.items()))), []).append(net.name)
    checks = [
        _check(
            need, _Output(catalogue.family_named(family), bus, title), dict(inputs), tuple(nets), catalogue
        )
        for (family, bus, title, inputs), nets in groups.items()
        if inputs
    ]
    return tuple(sorted(checks, key=lambda check: (check.fits, min(check.margin_high, check.margin_low))))


def _roles(
    need: Requirement, circuit: Circuit, net: Net, families: Mapping[str, str]
) -> tuple[list[tuple[str, str, bool]], Counter[str]]:
    """Outputs (title, family, bus driver) and inputs by family of a net."""
    outputs: list[tuple[str, str, bool]] = []
    inputs: Counter[str] = Counter()
    for terminal in net.terminals:
        device = circuit.device(terminal.ref)
        if device.part == "plug":
            use = pin_use(device.pins[terminal.pin - 1])
            if use.data is not None and need.loads:
                inputs[need.load] += need.loads
            if use.data is None or use.address is not None:
                outputs.append((f"the board ({need.driver})", need.driver, False))
                if use.address is not None and need.address_loads:
                    inputs[need.load] += need.address_loads
        elif _is_output(circuit, terminal):
            family = families[terminal.ref]
            name = device.number if device.part == "memory" else f"74{family}{device.number}"
            outputs.append((f"the {name}", family, device.part in ("latch", "buffer")))
        else:
            inputs[families[terminal.ref]] += 1
    return outputs, inputs


def _is_output(circuit: Circuit, terminal: Terminal) -> bool:
    device = circuit.device(terminal.ref)
    name = circuit.pin_name(terminal)
    if device.part == "gate":
        return name.endswith("Y") or name.startswith("/Y")
    prefixes = _OUTPUT_PREFIXES.get(device.part, ())
    return name != "DIR" and name.startswith(prefixes)


def _check(
    need: Requirement, output: _Output, inputs: Mapping[str, int], nets: tuple[str, ...], catalogue: Catalogue
) -> LevelCheck:
    families = {catalogue.family_named(name): count for name, count in inputs.items()}
    high = low = float("inf")
    for supply in supply_corners(need):
        out_high, out_low = output.level(supply)
        for family in families:
            high = min(high, out_high - family.vih.at(supply))
            low = min(low, family.vil.at(supply) - out_low)
    can_high, can_low = output.currents()
    statuses = output.statuses()
    for family in families:
        statuses += [family.vih.status, family.vil.status, family.iih.status, family.iil.status]
    return LevelCheck(
        driver=output.title,
        loads=tuple(f"{count} × {name}" for name, count in inputs.items()),
        nets=nets,
        margin_high=round(high, 4),
        margin_low=round(low, 4),
        share_high=sum(family.iih.ma * count for family, count in families.items()) / can_high,
        share_low=sum(family.iil.ma * count for family, count in families.items()) / can_low,
        status=worst_status(statuses),
    )
