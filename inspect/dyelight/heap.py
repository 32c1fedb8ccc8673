"""Keep the memory that arrays leave behind for the next arrays.

The C library's usual way is to give every large block back to the system as soon as it is free. The
next array of that size is then new memory, which the system clears page by page. A check makes and
drops hundreds of arrays of some megabytes, so that a fifth of its time went into that.
"""

from __future__ import annotations

import ctypes
import sys

# parameters of glibc's mallopt, from its malloc.h
_M_TRIM_THRESHOLD, _M_MMAP_MAX = -1, -4
_NEVER = 2**31 - 1


def keep_freed_memory() -> None:
    """Let this process keep what it frees: it stays as large as it once was.

    Does nothing without glibc.
    """
    if sys.platform != "linux":
        return
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_TRIM_THRESHOLD, _NEVER)
        mallopt(_M_MMAP_MAX, 0)
