"""The invented machines, and what can be asked of them by name."""

from __future__ import annotations

from wrongbit.demo import fellgate, hollowmere, quarrybank, saltmarsh
from wrongbit.demo.fault import InjectedFault
from wrongbit.demo.machine import DemoMachine
from wrongbit.demo.trace import BusTrace
from wrongbit.errors import UsageError


def machines() -> tuple[DemoMachine, ...]:
    """All invented machines, the one that is shown first in front."""
    return (saltmarsh.MACHINE, fellgate.MACHINE, quarrybank.MACHINE, hollowmere.MACHINE)


def machine_named(name: str) -> DemoMachine:
    """The machine with this name.

    Raises:
        UsageError: There is none.
    """
    for machine in machines():
        if machine.name == name.lower():
            return machine
    names = ", ".join(machine.name for machine in machines())
    raise UsageError(f"No invented machine is called {name!r}.", f"Choose one of {names}.")


def inject(machine_name: str, fault_name: str, seed: int, detail: str | None = None) -> InjectedFault:
    """Choose a fault; what ``detail`` leaves out is drawn from the seed.

    Args:
        machine_name: Which machine.
        fault_name: Kind of fault, or the whole notation ``NAME[:DETAIL][+NAME[:DETAIL]…]``.
        seed: Source of the parameters.
        detail: Place and parameters, such as ``U11.row45`` (see `wrongbit.demo.injection`).

    Raises:
        UsageError: A name is not known, or the detail does not fit the machine.
    """
    text = fault_name if detail is None else f"{fault_name}:{detail}"
    return machine_named(machine_name).inject(text, seed)


def simulate(machine: DemoMachine | str, fault: InjectedFault, cycles: int, seed: int) -> BusTrace:
    """What happens on the bus of this machine in ``cycles`` bus cycles from reset, with this fault."""
    chosen = machine_named(machine) if isinstance(machine, str) else machine
    return chosen.simulate(fault, cycles, seed)
