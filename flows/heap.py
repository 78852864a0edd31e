"""glibc's heap set for a program that passes on blocks of audio between threads, and no more threads than those.

Left alone, glibc asks the system for such a block and gives it back each time (a sixth of the processor time of
measuring), gives every thread a heap of its own, and keeps what a stage once needed for as long as the process lives.
Another C library is left as it is.
"""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any

# mallopt's names for its parameters, from glibc's malloc.h
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_BLOCK_BYTES = 8_000_000  # two seconds at 192 kHz; what is larger is a table of a whole side

# A library that starts a thread a core for products as small as ours only lets them wait for each other.
ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"
)


def set_heap() -> None:
    """For this process, before it starts threads."""
    if (libc := _glibc()) is not None:
        libc.mallopt(_MMAP_THRESHOLD, _BLOCK_BYTES)
        libc.mallopt(_TRIM_THRESHOLD, 4 * _BLOCK_BYTES)
        libc.mallopt(_ARENA_MAX, 2)


def give_back() -> None:
    """Let the system have what is free now."""
    if (libc := _glibc()) is not None:
        libc.malloc_trim(0)


@cache
def _glibc() -> Any:
    try:
        libc = ctypes.CDLL(None)
        return libc if libc.mallopt and libc.malloc_trim else None
    except (OSError, AttributeError, TypeError):  # another C library, another system
        return None
