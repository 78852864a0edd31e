"""The older reading of weighted flutter: a peak-to-peak meter with a pointer (deprecated since the two-sigma reading).

Two detectors follow the positive and the negative half of the weighted deviation, quick to rise and slow to fall; a
pointer with some inertia shows half their sum, scaled so that a steady 4 Hz sine of peak d reads d. The standard fixes
no circuit, only what pulses must read (`PULSE_READINGS`, from memory in part); the three time constants are fitted
to that table with our weighting in front. Falling that fast, the meter reads slow wow low: a steady sine of 1 Hz at
0.87 of its weighted peak, one of 0.5 Hz at 0.76.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading
from pipeline.standards.wow_flutter import LEAST_OBSERVATION_S, WOW_FLUTTER_BOUNDARY_HZ

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class QuasiPeakCriteria:
    """Ballistics of the meter (table ``[flutter.quasi_peak]`` of ``config/method.toml``).

    rise_s     time constant of the detectors while the deviation is larger than they show, seconds
    fall_s     … while it is smaller, seconds
    pointer_s  time constant of the pointer, seconds
    settle_s   what is shown this long after the start is not read, seconds
    """

    rise_s: float
    fall_s: float
    pointer_s: float
    settle_s: float


def pointer_trace(weighted_percent: Array, rate_hz: float, criteria: QuasiPeakCriteria) -> Array:
    """What the pointer shows at each sample, in percent; the input is float64 (samples,), weighted, at rate_hz."""
    at_s = np.arange(round((criteria.settle_s + 1) * rate_hz)) / rate_hz
    sine = _uncalibrated(np.sin(2 * np.pi * WOW_FLUTTER_BOUNDARY_HZ * at_s), rate_hz, criteria)
    return _uncalibrated(weighted_percent, rate_hz, criteria) / sine[-round(rate_hz / 2) :].max()


def _uncalibrated(deviation: Array, rate_hz: float, criteria: QuasiPeakCriteria) -> Array:
    rise = 1 - math.exp(-1 / (rate_hz * criteria.rise_s))
    keep = math.exp(-1 / (rate_hz * criteria.fall_s))
    follow = 1 - math.exp(-1 / (rate_hz * criteria.pointer_s))
    above = below = pointer = 0.0
    shown = []
    for value in deviation.tolist():  # each step hangs on the one before: plain floats are the quickest way
        above = above + rise * (value - above) if value > above else above * keep
        below = below - rise * (value + below) if -value > below else below * keep
        pointer += follow * ((above + below) / 2 - pointer)
        shown.append(pointer)
    return np.array(shown)


def measure_quasi_peak(weighted_percent: Array, rate_hz: float, criteria: QuasiPeakCriteria) -> Reading:
    """The reading, in percent: highest indication in each observation of 5 s, the median of all observations.

    One dropout or knock in a long tone does not decide it. NotMeasured when the tone is shorter than one
    observation after the meter has settled.
    """
    needed_s = criteria.settle_s + LEAST_OBSERVATION_S
    if len(weighted_percent) < needed_s * rate_hz:
        return NotMeasured(f"the quasi-peak meter is read for {needed_s:g} s at least; the tone is shorter")
    trace = pointer_trace(weighted_percent, rate_hz, criteria)[round(criteria.settle_s * rate_hz) :]
    observations = np.array_split(trace, max(1, int(len(trace) / (LEAST_OBSERVATION_S * rate_hz))))
    return float(np.median([observation.max() for observation in observations]))
