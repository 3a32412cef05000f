"""What a person named of a machine: a probe point, a ROM, with one message each where it is not there."""

from __future__ import annotations

from difflib import get_close_matches

from wrongbit.errors import UsageError
from wrongbit.machine.model import Chip, Machine, Point


def point_named(machine: Machine, name: str | None) -> Point:
    """The probe point with this name, or the only one when no name is given.

    Raises:
        UsageError: There is none, or several and none was named.
    """
    try:
        return machine.point_of(name)
    except KeyError:
        names = ", ".join(point.name for point in machine.point)
        if not names:
            what = f"no probe point {name!r}, nor any" if name is not None else "no probe point"
            raise UsageError(
                f"{machine.machine.name} has {what}.",
                "Add a [[point]] to the machine file that says where the capture was taken.",
            ) from None
        if name is None:
            raise UsageError(
                f"{machine.machine.name} has several probe points: {names}.",
                "Say with --point which one the capture is from.",
            ) from None
        raise UsageError(f"There is no probe point {name!r}.", f"Use one of: {names}.") from None


def rom_named(machine: Machine, name: str) -> Chip:
    """The ROM with this reference designator.

    Raises:
        UsageError: There is no such chip, or it is no ROM.
    """
    wanted = next((chip for chip in machine.chip if chip.name == name), None)
    roms = [chip.name for chip in machine.chip if chip.kind == "rom"]
    there = f"Its ROMs are: {', '.join(roms) or 'none'}."
    if wanted is None:
        near = get_close_matches(name, roms, 1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UsageError(f"{machine.machine.name} has no chip {name!r}.", hint + there)
    if wanted.kind != "rom":
        raise UsageError(
            f"{name} is {wanted.kind.upper()}: what a reader finds in it means nothing.",
            f"{machine.machine.name} has these ROMs: {', '.join(roms) or 'none'}.",
        )
    return wanted
