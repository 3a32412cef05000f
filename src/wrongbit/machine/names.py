"""Signal names as the trade spells them.

Common practice, no source: an active-low signal is written ``/CE``, ``CE#``, ``nCE``, ``~CE``, ``CE*``,
``!CE``, ``-CE``, ``CE_N``, ``CE/`` or ``CE_BAR``; all of them mean the same wire, and so does the bare ``CE``
on a probe lead's label. A wire with two meanings is written ``R/W`` or ``IO/M``, high for the first; the
mark that often stands at the second (``R/W#``, ``R//W``) does not turn the wire round.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_PREFIX = re.compile(r"^(?:[/~!*-]|n(?=[A-Z][A-Z0-9_]*$))")
_SUFFIX = re.compile(r"(?:[#*/]|_[nN]|_BAR|_bar)$")
_EITHER_OR = re.compile(r"/[/~!*-]?")
_BUS_BIT = re.compile(r"^(.*?)[\[(<_.]?(\d+)[\])>]?$")


@dataclass(frozen=True)
class SignalName:
    """A signal's name without its polarity mark, and whether the mark says active low.

    Args:
        base: The name in capitals without mark, such as ``CE``.
        active_low: The spelling carries an active-low mark.
    """

    base: str
    active_low: bool


def parse_signal(text: str) -> SignalName:
    """Split a spelling into name and polarity.

    >>> parse_signal("/CE") == parse_signal("CE#") == parse_signal("nCE") == parse_signal("CE*")
    True
    >>> parse_signal("~ce").base, parse_signal("NMI").active_low
    ('CE', False)
    >>> parse_signal("R/W#") == parse_signal("R/~W") == parse_signal("RW")
    True
    """
    name = text.strip()
    without = _PREFIX.sub("", name)
    low = without != name
    bare = _SUFFIX.sub("", without)
    low = low or bare != without
    if not bare:  # a name made of marks only is its own name
        return SignalName(name.upper(), False)
    if "/" in bare:
        return SignalName(_EITHER_OR.sub("", bare).upper(), False)
    return SignalName(bare.upper(), low)


def split_bus_bit(text: str) -> tuple[str, int] | None:
    """``A12``, ``A[12]``, ``A_12``, ``A<12>`` as (bus, bit), else None. The bus is in capitals.

    >>> split_bus_bit("ad[3]")
    ('AD', 3)
    >>> split_bus_bit("CLK") is None
    True
    """
    match = _BUS_BIT.match(text.strip())
    if match is None or not match[1]:
        return None
    return match[1].upper(), int(match[2])
