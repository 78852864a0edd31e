"""Noise weighting: the A curve of IEC 61672-1:2013 and the curve of ITU-R BS.468-4.

The tables that the curves must meet stand in ``tests/truths``; they were read in stored reference tables that quote
the standards, not in the documents themselves. The closed forms here are the ones in wide use for them.

>>> a_weighting_db([1000.0]).round(2) + 0.0, weighting_468_db([1000.0, 6300.0]).round(1) + 0.0
(array([0.]), array([ 0. , 12.2]))
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

Array = np.ndarray[Any, Any]

# IEC 61672-1: pole frequencies, Hz, of the A curve (double, single, single, double). The digits past the first four
# are from memory.
A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
A_REFERENCE_HZ = 1000.0  # 0 dB

# The rational fit to BS.468-4 Table 1 that a general spectrum library carries; from memory here, within 0.1 dB of every
# row of the table.
_468_REAL = (1.0, -1.363894795463638e-07, 2.043828333606125e-15, -4.737338981378384e-24)  # of f0, f2, f4, f6
_468_IMAGINARY = (5.559488023498642e-04, -2.118150887518656e-11, 1.306612257412824e-19)  # of f1, f3, f5
_468_SLOPE = 1.246332637532143e-04
_468_REFERENCE_DB = 18.246265068039158

QUIETEST_DB = -400.0  # both curves fall without end towards 0 Hz
UNITY_2K_FROM_468_DB = -5.63  # AES17: the r.m.s. variant with 0 dB at 2 kHz is the 468 curve and this


def a_weighting_db(hz: ArrayLike) -> Array:
    """The A curve in dB re 1 kHz at these frequencies."""
    return _db(_a_gain(np.asarray(hz, float)) / _a_gain(np.asarray(A_REFERENCE_HZ)))


def weighting_468_db(hz: ArrayLike) -> Array:
    """The BS.468-4 curve in dB re 1 kHz at these frequencies."""
    f = np.asarray(hz, float)
    real = np.polynomial.polynomial.polyval(f**2, _468_REAL)
    imaginary = f * np.polynomial.polynomial.polyval(f**2, _468_IMAGINARY)
    return np.maximum(_468_REFERENCE_DB + _db(_468_SLOPE * f / np.hypot(real, imaginary)), QUIETEST_DB)


def _a_gain(hz: Array) -> Array:
    lowest, low, high, highest = (pole**2 for pole in A_POLES_HZ)
    f2 = hz**2
    gain: Array = highest * f2**2 / ((f2 + lowest) * np.sqrt((f2 + low) * (f2 + high)) * (f2 + highest))
    return gain


def _db(gain: Array) -> Array:
    return 20 * np.log10(np.maximum(gain, 10 ** (QUIETEST_DB / 20)))
