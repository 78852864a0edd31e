"""Many short rows times one matrix, in single or double precision, on this thread alone.

BLAS spreads large products over threads, which at our sizes cost more than they save; so some rows at a time.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

_MULTIPLICATIONS_AT_ONCE = 250_000  # larger products would be spread


def times(rows: Array, matrix: Array, out: Array | None = None) -> Array:
    """rows @ matrix, of the matrix's type; written to ``out`` if there is one."""
    at_once = max(1, _MULTIPLICATIONS_AT_ONCE // matrix.size)
    if out is None:
        out = np.empty((len(rows), matrix.shape[1]), matrix.dtype)
    whole = len(rows) // at_once * at_once
    stacked = rows[:whole].reshape(-1, at_once, rows.shape[1])
    np.matmul(stacked, matrix, out=out[:whole].reshape(-1, at_once, matrix.shape[1]))
    np.matmul(rows[whole:], matrix, out=out[whole:])
    return out
