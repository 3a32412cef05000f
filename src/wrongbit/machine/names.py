"""Signal names as the trade spells them.

Common practice, no source: an active-low signal is written ``/CE``, ``CE#``, ``nCE``, ``~CE``, ``CE*``,
``!CE``, ``-CE``, ``n_CE``, ``CE_N``, ``CE/`` or ``CE_BAR``, ``~{CE}`` in drawing programs, or with a bar over
the letters; all of them mean the same wire, and so does the bare ``CE`` on a probe lead's label.

A wire with two meanings is written ``R/W`` or ``IO/M``, high for the first; the mark that often stands at the
second (``R/W#``, ``R//W``) does not turn the wire round, but a mark at the first (``R#/W``) does. Its slash
is left out of the name, as it often is in captures, except where that would give a strobe's name: ``W/R``
(high for write) is not ``WR``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_OVERLINES = str.maketrans("", "", "\u0304\u0305")  # combining macron and combining overline
_BRACED = re.compile(r"~\{([^{}]*)\}")
_PREFIX = re.compile(r"^(?:[/~!*-]|n(?=[A-Z])|[nN]_(?=[A-Za-z]))")
_SUFFIX = re.compile(r"(?:[#*/]|_n|_bar)$", re.IGNORECASE)
_SECOND = re.compile(r"(?<=[A-Za-z0-9#*_])/(?=[/~!*n-]?[A-Za-z])")
_INDEX = re.compile(r"(?:\[[0-9]+\]|<[0-9]+>|\([0-9]+\))$")
_BUS_BIT = re.compile(
    r"^(?:(.*?)(?:\[([0-9]+)\]|<([0-9]+)>|\(([0-9]+)\)|[_. ]([0-9]+))|(.*[^0-9_. ])([0-9]+))$", re.DOTALL
)
_LONGEST_NUMBER = 4
_STROBES = ("RD", "WR")


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
    >>> parse_signal("d_n[3]")
    SignalName(base='D[3]', active_low=True)
    """
    name = _BRACED.sub(r"~\1", text.strip())
    plain = name.translate(_OVERLINES)
    overlined = name[1:2] in ("\u0304", "\u0305")
    first, *others = _SECOND.split(plain)
    base, low = _without_marks(first)
    if others:
        meanings = [base, *(_without_marks(other)[0] for other in others)]
        joined = "".join(meanings)
        base = "/".join(meanings) if joined.upper() in _STROBES else joined
    base = base.strip().upper()
    if not base:  # a name made of marks only is its own name
        return SignalName(plain.upper(), False)
    if base == plain:
        return SignalName(base, low or overlined)
    settled = parse_signal(base)  # what is left may carry a mark again, as in '/ CE#'
    return SignalName(settled.base, low or overlined or settled.active_low)


def _without_marks(name: str) -> tuple[str, bool]:
    """A name of one meaning without its marks, and whether it had any. The index of a bus bit stays."""
    index = _INDEX.search(name)
    tail = index[0] if index else ""
    bare = name.removesuffix(tail)
    while True:
        shorter = _SUFFIX.sub("", _PREFIX.sub("", bare))
        if shorter == bare:
            return (bare + tail if bare else ""), bare + tail != name
        bare = shorter


def split_bus_bit(text: str) -> tuple[str, int] | None:
    """``A12``, ``A[12]``, ``A_12``, ``A<12>``, ``/A12``, ``A12#`` as (bus, bit), else None.

    The bus is in capitals and without polarity mark. A range such as ``D[7:0]`` is not a bit.

    >>> split_bus_bit("ad[3]"), split_bus_bit("D7#")
    (('AD', 3), ('D', 7))
    >>> split_bus_bit("CLK") is None
    True
    """
    match = _BUS_BIT.match(parse_signal(text).base)
    if match is None or ":" in match[0]:
        return None
    bus, bit = (part for part in match.groups() if part is not None)
    return (bus.strip(), int(bit)) if bus.strip() and len(bit) <= _LONGEST_NUMBER else None
