"""How many cores this process may use, which is not always how many there are."""

from __future__ import annotations

import os


def cores() -> int:
    """Cores that the system lets this process run on.

    >>> 1 <= cores() <= (os.cpu_count() or 1)
    True
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
