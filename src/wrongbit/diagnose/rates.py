"""How often parts fail, relative to each other: the priors before anything was measured.

The shape of the reckoning is that of MIL-HDBK-217F (2 December 1991, with notices 1 and 2): a device has
``(C1 πT + C2 πE) πQ πL`` failures in a million hours (sections 5.1 and 5.2), where C2 grows with the pins
(section 5.9). The handbook calls itself guidance only; with plastic commercial parts the package term leads,
so these numbers order parts and say nothing about hours. Each figure carries its status:

- C1 of digital MOS and bipolar logic, πT: agreed with a published table page (checked);
- C1 of ROMs, PROMs with EPROMs, and static RAMs, C2 of plastic packages, πE = 2 (ground fixed), πQ = 10
  (commercial), πL = 1: **from memory, not checked**;
- a socket when new: ``λb πP πE`` with 0.00064, exp(((N - 1) / 10)^0.51) and 3 (section 15.2), which is 0.010
  for 28 contacts, a twenty-fifth of the chip in it: **from memory, not checked**; a hand-soldered joint when
  new: 0.0013 (section 17.1, notice 2): **from memory, uncertain**;
- what decades do to contacts and to stored charge: **common practice, no source**. The handbook knows no
  corrosion: by it a socket would hardly ever be the culprit, while every bench pulls and reseats first. A
  socket of a board of that age is put level with the mask ROM in it and at half of an EPROM; a contact of an
  edge or backplane connector, which is pulled and gathers dust, above one of a socket, and so a long one of
  these above any chip.
- cells of a stored charge (EPROM, EEPROM, flash): retention was promised for ten years or so, and most boards
  are older; such a chip is put to fail by that as often as by all else together. Where the machine file does
  not say how a ROM holds its contents, half of that: **common practice, no source**.

Any of them is overridden by ``prior`` in the machine file. They decide only between suspects that explain
what was measured equally well.
"""

from __future__ import annotations

from wrongbit.machine.model import Chip, Part

_ENVIRONMENT, _QUALITY = 2.0, 10.0
_C1_LOGIC, _TEMPERATURE_LOGIC = 0.010, 0.29
_TEMPERATURE_MEMORY = 0.61
_KILOBITS = (16, 64, 256, 1024)
"""Kilobits up to which each C1 of a memory holds."""
_C1_ROM = (0.00065, 0.0013, 0.0026, 0.0052)
_C1_PROM = (0.00085, 0.0017, 0.0034, 0.0068)
_C1_RAM = (0.0078, 0.016, 0.031, 0.062)

CONTACT: dict[str, float] = {
    "socket": 0.009,
    "joint": 0.0052,
    "connector": 0.015,
    "backplane": 0.004,
    "wire": 0.0104,
}
"""Failures in a million hours of one contact or joint after decades: of a socket some twenty-five times as
many as new, of a joint four times; a wire has two joints."""

CHARGE: dict[str | None, float] = {"eprom": 1.0, "eeprom": 1.0, "flash": 1.0, None: 0.5}
"""Failures of a ROM by lost charge after decades, as a share of those by all else; of others none."""


def package(pins: int) -> float:
    """C2 of a non-hermetic dual-in-line package.

    >>> round(package(28), 4)
    0.0132
    """
    return 3.6e-4 * float(pins**1.08)


def chip_rate(chip: Chip) -> float:
    """Failures in a million hours of a memory or a port."""
    if chip.prior is not None:
        return chip.prior
    lines = (chip.words - 1).bit_length()
    kilobits = chip.words * chip.bits / 1024
    table = _C1_RAM if chip.kind == "ram" else _C1_ROM if chip.technology == "mask" else _C1_PROM
    c1 = next((value for limit, value in zip(_KILOBITS, table, strict=True) if kilobits <= limit), table[-1])
    pins = lines + chip.bits + 4
    rate = (c1 * _TEMPERATURE_MEMORY + package(pins) * _ENVIRONMENT) * _QUALITY
    return rate * (1 + charge_share(chip))


def charge_share(chip: Chip) -> float:
    """Failures of a chip by lost charge, as a share of those by all else."""
    return CHARGE.get(chip.technology, 0.0) if chip.kind == "rom" else 0.0


def part_rate(part: Part, lines: int) -> float:
    """Failures in a million hours of a part.

    Args:
        part: From the machine file.
        lines: Signals that pass it, for the number of pins where the file does not give it.
    """
    if part.prior is not None:
        return part.prior
    if part.kind in CONTACT:
        return CONTACT[part.kind] * max(part.pins or lines, 1)
    if part.kind == "module":
        return 3 * _device(part.pins or 2 * lines + 4) + CONTACT["connector"] * (part.pins or lines)
    return _device(part.pins or 2 * lines + 4)


def _device(pins: int) -> float:
    return (_C1_LOGIC * _TEMPERATURE_LOGIC + package(pins) * _ENVIRONMENT) * _QUALITY
