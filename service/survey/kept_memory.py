"""Memory that was freed is kept for the next batch, where the C library can be told so."""

from __future__ import annotations

import ctypes
from functools import cache

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
"""What glibc's ``malloc.h`` calls these by."""

_KEPT = 256 << 20


@cache
def keep_memory() -> bool:
    """Have this process keep what it frees, up to 256 MiB; false where that cannot be told.

    The compiled reader works in a thread of its own for each piece of text. Its arrays
    would be given back to the system with every piece, and taken from it again
    page by page: a tenth of its time. All threads use one pool of memory, so that the next one
    finds what the one before has left. Only glibc knows of this; elsewhere nothing is changed.
    """
    try:
        tell = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False
    options = ((_ARENA_MAX, 1), (_MMAP_THRESHOLD, _KEPT), (_TRIM_THRESHOLD, _KEPT))
    return all([tell(name, value) == 1 for name, value in options])
