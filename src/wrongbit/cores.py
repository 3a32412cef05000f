"""How many cores this process may use, which is not always how many there are, and memory it keeps."""

from __future__ import annotations

import os

import numpy as np

_LARGEST_KEPT = 31 << 20


def cores() -> int:
    """Cores that the system lets this process run on.

    >>> 1 <= cores() <= (os.cpu_count() or 1)
    True
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def keep_freed_memory() -> None:
    """Let the memory of arrays that come and go stay with the process, up to some 60 MB.

    The C library of GNU systems gives freed memory back to the system, and fetches it again page by page, for
    arrays of about a megabyte in each of thousands of steps: a fifth of the time of reading a file. It stops
    to do so for all sizes up to the largest that was freed once (mallopt(3), M_MMAP_THRESHOLD); no page of
    this one is ever touched. Elsewhere this does nothing.
    """
    np.empty(_LARGEST_KEPT, np.uint8)
