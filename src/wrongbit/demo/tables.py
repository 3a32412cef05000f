"""Tables that fill the invented machines' ROMs: computed, so that nobody's data is in them.

Each generator gives ``n`` units; the programs name them in ``.table NAME n``.
"""

from __future__ import annotations

import math
from random import Random

from wrongbit.demo.assembler import Table


def _tide(n: int) -> list[int]:
    """Height in millimetres above datum, in steps of ten minutes: a sum of three invented constituents."""
    heights = []
    for step in range(n):
        hours = step / 6
        height = 2600 + 1450 * math.cos(hours * 0.5059) + 480 * math.cos(hours * 0.5236 + 1.1)
        heights.append(round(height + 160 * math.cos(hours * 0.2625 + 0.4)) & 0xFFFF)
    return heights


def _sine(n: int) -> list[int]:
    """One turn of a sine, 16 bits, two's complement."""
    return [round(32767 * math.sin(2 * math.pi * step / n)) & 0xFFFF for step in range(n)]


def _root(n: int) -> list[int]:
    """Square roots of 0, 1, 2, … in units of 1/2048."""
    return [math.isqrt(step << 22) & 0xFFFF for step in range(n)]


def _scatter(n: int) -> list[int]:
    """Correction words of a calibrated float gauge: without order, as measured values are."""
    rng = Random("gauge")
    return [rng.getrandbits(16) for _ in range(n)]


def _weave(n: int) -> list[int]:
    """Lifting plan of eight shafts for each pick, four patterns one after the other."""
    patterns = (0x33, 0x5A, 0xC6, 0x1D)
    rows = []
    for pick in range(n):
        base = patterns[pick // 64 % 4]
        turn = pick * (1 + pick // 256) % 8
        rows.append((base << turn | base >> (8 - turn)) & 0xFF)
    return rows


def _ramp(n: int) -> list[int]:
    """Shuttle acceleration: rises, stays, falls, in each sixteen steps a little later."""
    return [min(255, 12 * (step % 32), 24 * (31 - step % 32) + step // 32) & 0xFF for step in range(n)]


def _yarn(n: int) -> list[int]:
    """Yarn tension corrections: measured, without order."""
    rng = Random("yarn")
    return [rng.getrandbits(8) for _ in range(n)]


def _firing(n: int) -> list[int]:
    """Firing curves, two bytes a step, low one first: temperature in °C with heating, soak and cooling."""
    curve: list[int] = []
    for step in range((n + 1) // 2):
        programme, minute = divmod(step, 128)
        top = 900 + 47 * programme
        if minute < 64:
            degrees = 20 + (top - 20) * minute // 64
        elif minute < 80:
            degrees = top
        else:
            degrees = top - (top - 200) * (minute - 80) // 48
        curve += [degrees & 0xFF, degrees >> 8]
    return curve[:n]


def _thermocouple(n: int) -> list[int]:
    """Counts of an amplifier, two bytes a step, low one first: an invented curve, close to a parabola."""
    counts = [round(11.3 * step + 0.004 * step * step) & 0xFFFF for step in range((n + 1) // 2)]
    return [part for count in counts for part in (count & 0xFF, count >> 8)][:n]


def _glaze(n: int) -> list[int]:
    """Glaze corrections: measured, without order."""
    rng = Random("glaze")
    return [rng.getrandbits(8) for _ in range(n)]


TABLES: dict[str, Table] = {
    "tide": _tide,
    "sine": _sine,
    "root": _root,
    "scatter": _scatter,
    "weave": _weave,
    "ramp": _ramp,
    "yarn": _yarn,
    "firing": _firing,
    "thermocouple": _thermocouple,
    "glaze": _glaze,
}
"""Name in a program = its generator."""
