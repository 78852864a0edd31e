"""glibc's heap set for a program that passes on blocks of audio between threads; no more threads than those, nor cores.

Left alone, glibc asks the system for such a block and gives it back each time (a sixth of the processor time of
measuring), gives every thread a heap of its own, and keeps what a stage once needed for as long as the process lives.
Another C library is left as it is.
"""

from __future__ import annotations

import ctypes
import os
import random
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


def usable_cores() -> int:
    """How many cores this process may use, which can be fewer than the machine has."""
    return len(_allowed()) or os.cpu_count() or 1


def keep_to_cores(count: int) -> None:
    """Keep this process, and what it starts from now on, to so many cores; the others stay free for other work, such as
    recording the next tape. Which ones is left to chance, so that two of us seldom share one.

    Where the system has no such thing (macOS, Windows) nothing happens.
    """
    allowed = _allowed()
    if count < len(allowed):
        os.sched_setaffinity(0, random.sample(sorted(allowed), count))


def _allowed() -> set[int]:
    return os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()


@cache
def _glibc() -> Any:
    try:
        libc = ctypes.CDLL(None)
        return libc if libc.mallopt and libc.malloc_trim else None
    except (OSError, AttributeError, TypeError):  # another C library, another system
        return None
