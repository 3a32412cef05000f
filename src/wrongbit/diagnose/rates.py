"""How often parts fail, relative to each other: the priors before anything was measured.

The shape of the reckoning is that of MIL-HDBK-217F (2 December 1991, with notices 1 and 2): a device has
``(C1 πT + C2 πE) πQ πL`` failures in a million hours (sections 5.1 and 5.2), where C2 grows with the pins
(section 5.9). The handbook calls itself guidance only; with plastic commercial parts the package term leads,
so these numbers order parts and say nothing about hours. Each figure carries its status:

- C1 of digital MOS and bipolar logic, πT: agreed with a published table page (checked);
- C1 of ROMs, C2 of plastic packages, πE = 2 (ground fixed), πQ = 10 (commercial), πL = 1: **from memory, not
  checked**;
- a hand-soldered joint, 0.0013 (section 17.1, notice 2): **from memory, uncertain**;
- contacts of sockets, connectors and backplanes, and how much age worsens all contacts: **bench judgement, no
  source**. A dead machine of some age is more often a contact than a chip.

Any of them is overridden by ``prior`` in the machine file. They decide only between suspects that explain
what was measured equally well.
"""

from __future__ import annotations

from wrongbit.machine.model import Chip, Part

_ENVIRONMENT, _QUALITY = 2.0, 10.0
_C1_LOGIC, _TEMPERATURE_LOGIC = 0.010, 0.29
_TEMPERATURE_MEMORY = 0.61
_C1_ROM = ((16, 0.00065), (64, 0.0013), (256, 0.0026), (1024, 0.0052))
"""Kilobits up to which C1 of a MOS ROM holds. PROM and EPROM have about 1.3 times as much."""

CONTACT: dict[str, float] = {
    "socket": 0.020,
    "joint": 0.0013,
    "connector": 0.015,
    "backplane": 0.006,
    "wire": 0.0026,
}
"""Failures in a million hours of one contact or joint when new."""

AGE = 8.0
"""What decades do to contacts and joints, relative to chips."""


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
    c1 = next((value for limit, value in _C1_ROM if kilobits <= limit), _C1_ROM[-1][1])
    pins = lines + chip.bits + 4
    return (c1 * _TEMPERATURE_MEMORY + package(pins) * _ENVIRONMENT) * _QUALITY


def part_rate(part: Part, lines: int) -> float:
    """Failures in a million hours of a part.

    Args:
        part: From the machine file.
        lines: Signals that pass it, for the number of pins where the file does not give it.
    """
    if part.prior is not None:
        return part.prior
    if part.kind in CONTACT:
        return CONTACT[part.kind] * AGE * max(part.pins or lines, 1)
    if part.kind == "module":
        return 3 * _device(part.pins or 2 * lines + 4) + CONTACT["connector"] * AGE * (part.pins or lines)
    return _device(part.pins or 2 * lines + 4)


def _device(pins: int) -> float:
    return (_C1_LOGIC * _TEMPERATURE_LOGIC + package(pins) * _ENVIRONMENT) * _QUALITY
