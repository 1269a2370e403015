"""Has the system's allocator keep memory that was given back: array code asks for as much again at once, and new memory is slow to get."""

from __future__ import annotations

import ctypes
import sys
from typing import Final

_TRIM, _BY_ITSELF = -1, -3
"""Numbers of `mallopt`, as the GNU C library's malloc.h has them: M_TRIM_THRESHOLD, M_MMAP_THRESHOLD."""

MOST_KEPT: Final = 256 << 20
"""Bytes at the end of the heap that are kept though nobody uses them."""
LARGE: Final = 32 << 20
"""Bytes from which on a piece of memory is had by itself, and given back by itself."""


def keep_freed_memory() -> bool:
    """Whether the allocator could be told; another C library than GNU's has its own ways."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return False
    return bool(mallopt(_TRIM, MOST_KEPT) and mallopt(_BY_ITSELF, LARGE))
