"""What a person named of a machine: a probe point, a chip, with one message each where it is not there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wrongbit.errors import UsageError
from wrongbit.machine.model import Chip, Machine, Point
from wrongbit.machine.problems import suggestion


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
        hint = suggestion(name, (point.name for point in machine.point))
        raise UsageError(
            f"{machine.machine.name} has no probe point {name!r}.", f"{hint}Its probe points are: {names}."
        ) from None


def chip_named(machine: Machine, name: str | None) -> Chip:
    """The chip with this reference designator, of any kind.

    Raises:
        UsageError: None is named, or there is no such chip.
    """
    return _chip(machine, name, [chip.name for chip in machine.chip], "chips")


def rom_named(machine: Machine, name: str | None) -> Chip:
    """The ROM with this reference designator.

    Raises:
        UsageError: None is named, there is no such chip, or it is no ROM.
    """
    roms = [chip.name for chip in machine.chip if chip.kind == "rom"]
    wanted = _chip(machine, name, roms, "ROMs")
    if wanted.kind != "rom":
        raise UsageError(
            f"{name} is {wanted.kind.upper()}: what a reader finds in it means nothing.",
            f"{machine.machine.name} has these ROMs: {', '.join(roms) or 'none'}.",
        )
    return wanted


def _chip(machine: Machine, name: str | None, names: Sequence[str], what: str) -> Chip:
    """A chip by its name; where it is not there, those that could have been meant are listed."""
    there = f"Its {what} are: {', '.join(names) or 'none'}."
    if name is None:
        raise UsageError(
            f"Which chip of {machine.machine.name} is meant?",
            f"Name it after the machine file or case folder. {there}",
        )
    found = next((chip for chip in machine.chip if chip.name == name), None)
    if found is None:
        raise UsageError(f"{machine.machine.name} has no chip {name!r}.", suggestion(name, names) + there)
    return found


def shown_file(file: str) -> str:
    """A file of the machine file as a person is told of it: as it is written there, or without its folders.

    A file that was added to a case lies at a place of the case's own, which says nothing to a reader and
    shows the folders of somebody's computer.

    >>> shown_file("roms/u3.bin"), shown_file("/home/ada/case/store/ab/u3.bin")
    ('roms/u3.bin', 'u3.bin')
    """
    return Path(file).name if Path(file).is_absolute() else file
