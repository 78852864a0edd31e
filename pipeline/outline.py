"""How loud a side is over time, told so that two captures of the same side look alike whatever their level and start.

The outline is the mean level in steps of two seconds or so, from the overview's envelope, less its own running mean:
level, hiss and slow fades are out of it. Its fingerprint holds how lively it is at which rate; it does not know where a
side begins, and a change of speed shifts it a little. So fingerprints find who may be alike among thousands of sides,
and outlines, laid over each other, tell who is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.overview import Overview

Array = np.ndarray[Any, Any]

QUIETEST = 1e-6  # of full scale; below it there is nothing to outline
MOST_DB = 10.0  # one bang or one pause shall not decide
SPECTRUM_STEPS = 8192  # 4.5 hours of outline
FLOOR_SHARE = 0.05  # of the mean liveliness: what lies far below is chance
CURVE_DEGREE = 8  # all music and all speech share the broad shape of their fingerprints


@dataclass(frozen=True)
class OutlineCriteria:
    """step_s         one level stands for so many seconds
    mean_s         length of the running mean that is taken out
    slowest_s, quickest_s  the fingerprint holds how lively the outline is between these periods, …
    band_percent   … in bands so wide
    lively_db      an outline must move by this (standard deviation) to tell anything
    """

    step_s: float
    mean_s: float
    slowest_s: float
    quickest_s: float
    band_percent: float
    lively_db: float


def outline_of(overview: Overview, start_s: float, stop_s: float, criteria: OutlineCriteria) -> Array:
    """(steps,) float32 dB about the running mean, from the first programme to the last; empty where nothing moves."""
    level = _moves(_peaks_db(overview).max(axis=1), overview.duration_s, start_s, stop_s, criteria)
    return level if len(level) and level.std() >= criteria.lively_db else level[:0]


def balance_of(overview: Overview, start_s: float, stop_s: float, criteria: OutlineCriteria) -> Array:
    """The same of the second channel over the first; empty where there is one channel."""
    peaks_db = _peaks_db(overview)
    if peaks_db.shape[1] < 2:
        return np.zeros(0, np.float32)
    return _moves(peaks_db[:, 1] - peaks_db[:, 0], overview.duration_s, start_s, stop_s, criteria)


def _peaks_db(overview: Overview) -> Array:
    """(columns, channels) of the envelope."""
    peaks_db: Array = 20 * np.log10(np.maximum(np.abs(overview.envelope).max(axis=2), QUIETEST))
    return peaks_db


def _moves(level_db: Array, duration_s: float, start_s: float, stop_s: float, criteria: OutlineCriteria) -> Array:
    """(steps,) float32 dB about the running mean; empty where the part is too short."""
    edges_s = np.linspace(0.0, duration_s, len(level_db) + 1)
    summed = np.concatenate([[0.0], np.cumsum(level_db * np.diff(edges_s))])
    steps = int((stop_s - start_s) / criteria.step_s)
    width = 2 * round(criteria.mean_s / criteria.step_s / 2) + 1
    if steps < width:
        return np.zeros(0, np.float32)
    at_s = start_s + criteria.step_s * np.arange(steps + 1)
    level = np.diff(np.interp(at_s, edges_s, summed)) / criteria.step_s
    ones = np.ones(width)
    level -= np.convolve(level, ones, "same") / np.convolve(np.ones(steps), ones, "same")
    return np.clip(level, -MOST_DB, MOST_DB).astype(np.float32)


def fingerprints(outline: Array, speeds: Sequence[float] | Array, criteria: OutlineCriteria) -> Array:
    """(speeds, bands) float32 of unit length: how the side would look were it replayed so much faster (0.01: 1 %)."""
    window = np.hanning(len(outline) + 2)[1:-1]
    summed = np.zeros(SPECTRUM_STEPS // 2 + 2)
    for at in range(0, len(outline), SPECTRUM_STEPS):
        piece = (outline * window)[at : at + SPECTRUM_STEPS]
        summed[1:] += np.cumsum(np.abs(np.fft.rfft(piece, SPECTRUM_STEPS)) ** 2)
    width = 1 + criteria.band_percent / 100
    bands = int(np.log(criteria.slowest_s / criteria.quickest_s) / np.log(width))
    edges = width ** np.arange(bands + 1) * SPECTRUM_STEPS * criteria.step_s / criteria.slowest_s
    moved = edges / (1 + np.asarray(speeds)[:, None])
    power = np.diff(np.interp(moved, np.arange(len(summed)), summed)) / np.diff(moved)
    level = np.log(power / power.mean(axis=1, keepdims=True) + FLOOR_SHARE)
    broad = _broad_shapes(bands)
    level -= (level @ broad) @ broad.T
    return (level / np.sqrt(np.sum(level**2, axis=1, keepdims=True))).astype(np.float32)


@cache
def _broad_shapes(bands: int) -> Array:
    """(bands, degrees) orthonormal: the curves of up to `CURVE_DEGREE`."""
    curves: Array = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, bands), CURVE_DEGREE))[0]
    return curves
