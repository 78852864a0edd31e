"""The floor of a spectrum between its lines: what mere noise has in each bin on the mean.

Definition: at some sixty rates, evenly spread over a log scale, the level of the bins around; straight between them on
log scales. Noise of mean power F gives a bin with a median of F ln 2. High up the bins around are many and alike, and
their median will do. Low down there are few, and unsteady speed falls steeply across them: there a straight line over
log frequency is laid through the bins' log powers, so that half of them lie above it (least absolute deviations).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
_FIRST_BIN = 2  # below lies what was taken away as drift
_RATES = 60
_ROUNDS = 8  # of reweighting; the level then moves by less than a tenth of a decibel
_SMALL = 0.2  # deviations below this many nepers weigh alike
_SLOPES = (-6.0, 2.0)  # power over frequency, log over log: steeper is a line at the edge, no noise


def noise_floor(power: Array, taken: Array, last_bin: int, floor_bins: int, floor_share: float) -> Array:
    """Mean power of the noise in each bin of a power spectrum, (bins,), of which ``taken`` ones do not count.

    floor_bins   the least reach to either side; floor_share: … or this share of the rate
    """
    stop = min(len(power), last_bin + floor_bins)
    centres = np.unique(np.geomspace(_FIRST_BIN + 1, stop - 1, _RATES).astype(int))
    steep = centres * floor_share < floor_bins
    logs = np.log(np.maximum(power, 1e-24))
    levels = np.concatenate(
        [
            _sloping(logs, taken, centres[steep], floor_bins),
            _even(logs, taken, centres[~steep], floor_share),
        ]
    )
    at = np.log(np.arange(len(power)) + 1)
    return np.asarray(np.exp(np.interp(at, np.log(centres + 1), levels)) / math.log(2))


def _even(logs: Array, taken: Array, centres: Array, share: float) -> Array:
    medians = []
    for centre in centres:
        around = slice(int(centre * (1 - share)), int(centre * (1 + share)) + 1)
        free = logs[around][~taken[around]]
        medians.append(np.median(free) if len(free) else np.median(logs[around]))
    return np.array(medians)


def _sloping(logs: Array, taken: Array, centres: Array, reach: int) -> Array:
    bins = centres[:, None] + np.arange(-reach, reach + 1)
    inside = (bins >= _FIRST_BIN) & (bins < len(logs))
    bins = np.clip(bins, _FIRST_BIN, len(logs) - 1)
    x = np.log(bins / centres[:, None])
    y = logs[bins]
    free = np.where(inside & ~taken[bins], 1.0, 1e-6)
    weights = free
    for _ in range(_ROUNDS):
        total = weights.sum(axis=1)
        middle_x, middle_y = (weights * x).sum(axis=1) / total, (weights * y).sum(axis=1) / total
        from_middle = x - middle_x[:, None]
        spread = (weights * from_middle**2).sum(axis=1)
        slope = (weights * from_middle * y).sum(axis=1) / np.maximum(spread, 1e-12)
        slope = np.clip(slope, *_SLOPES)
        miss = y - middle_y[:, None] - slope[:, None] * from_middle
        weights = free / np.maximum(np.abs(miss), _SMALL)
    return np.asarray(middle_y - slope * middle_x)
