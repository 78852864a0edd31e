"""True peak: the highest level between the samples, by oversampling (BS.1770 Annex 2), as a streaming meter.

Eight-fold up to 48 kHz, four-fold above: with programme up to 20 kHz a peak can fall 0.14 dB at most between the
points looked at (20 log cos(pi f / (rate factor))), with anything a rate can hold 0.7 dB. The interpolator is a
windowed sinc over 32 samples, flat within 0.02 dB to 0.4 of the rate and within 0.13 dB at 20 kHz of 44.1 kHz.

Most of a signal need not be interpolated. Two bounds tell, without interpolating, how high a stretch can reach, and
one that cannot raise the peak already known is skipped; the result is that of looking at every point.

- An interpolated value is a weighted sum of the 32 samples around it: never higher than the highest of those times
  the sum of the weights' magnitudes (8.1 dB). Cheap: it needs the peaks of the stretches only.
- The weights reproduce straight lines exactly, so they are those of linear interpolation plus a weighted sum of second
  differences: never higher than the nearest samples plus 0.48 of the greatest second difference near by. Tight for
  programme, whose energy lies far below half the rate.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading
from pipeline.rowwise import times

Array = np.ndarray[Any, Any]

FACTOR = 8
HIGH_RATE_FACTOR = 4
HIGH_RATE_HZ = 50_000  # above it programme does not come near half the rate, and fewer points tell as much
HALF_TAPS = 16
KAISER_BETA = 5.0  # trades flatness near half the rate against ripple below it
STRETCH_FRAMES = 32  # looked at or skipped together
PIECE_FRAMES = 1 << 17  # stays in the processor's cache
_BATCH = 288  # stretches
_ROUNDING = 1 + 1e-5  # keeps the bounds above what single precision makes of the values


class TruePeakMeter:
    """Feed blocks of float32 (frames, channels) in order, cut anywhere; `true_peak_dbtp` may be asked any time."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        weights = interpolator(oversampling_factor(rate_hz))
        self._highest_gain = float(np.abs(weights).sum(1).max()) * _ROUNDING
        self._highest_bend_gain = float(np.abs(_bend_weights(weights)).sum(1).max()) * _ROUNDING
        self._matrix = _stretch_matrix(weights)
        self._channels = channels
        self._held = np.zeros((channels, HALF_TAPS - 1), np.float32)  # silence before the first frame
        self._peak = 0.0

    def feed(self, block: Array) -> None:
        for at in range(0, len(block), PIECE_FRAMES):
            self._take(block[at : at + PIECE_FRAMES].T)

    def _take(self, piece: Array) -> None:
        held = np.concatenate([self._held, piece], axis=1)
        count = (held.shape[1] - 2 * HALF_TAPS + 1) // STRETCH_FRAMES
        if count > 0:
            self._peak = self._highest(held, count)
            held = held[:, count * STRETCH_FRAMES :]
        self._held = np.array(held, np.float32)

    def true_peak_dbtp(self) -> Reading:
        """The highest level so far on any channel, the signal ending in silence here; 0 dB is digital full scale."""
        tail = np.zeros((self._channels, STRETCH_FRAMES + 2 * HALF_TAPS), np.float32)
        ended = np.concatenate([self._held, tail], axis=1)
        peak = self._highest(ended, (ended.shape[1] - 2 * HALF_TAPS + 1) // STRETCH_FRAMES)
        return 20 * math.log10(peak) if peak > 0 else NotMeasured("digital silence")

    def _highest(self, held: Array, count: int) -> float:
        """The peak known so far, raised by the first ``count`` stretches of ``held``, loudest stretches first."""
        peaks = _stretch_peaks(held)
        peak = max(self._peak, float(peaks.max()))
        reach = np.maximum(peaks[:count], peaks[1 : count + 1]) * self._highest_gain  # a stretch needs its successor
        rivals = np.flatnonzero(reach > peak)
        if not len(rivals):
            return peak
        rivals = rivals[np.argsort(-reach[rivals])]
        windows = np.lib.stride_tricks.sliding_window_view(held, len(self._matrix), axis=1)[:, ::STRETCH_FRAMES]
        for start in range(0, len(rivals), _BATCH):
            batch = rivals[start : start + _BATCH]
            if reach[batch[0]] <= peak:
                break
            rows = windows[:, batch].reshape(-1, len(self._matrix))
            rows = rows[self._reach(rows) > peak]
            if len(rows):
                between = times(rows, self._matrix)
                peak = max(peak, float(between.max()), -float(between.min()))
        return peak

    def _reach(self, rows: Array) -> Array:
        """How high each row, a stretch of one channel with its surroundings, can reach at most."""
        nearest = np.abs(rows[:, HALF_TAPS - 1 : HALF_TAPS + STRETCH_FRAMES]).max(1)
        bend = np.abs(rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2]).max(1)
        reach: Array = nearest * _ROUNDING + self._highest_bend_gain * bend
        return reach


def oversampling_factor(rate_hz: int) -> int:
    """Points looked at for every sample.

    >>> [oversampling_factor(rate_hz) for rate_hz in (8_000, 48_000, 96_000, 192_000)]
    [8, 8, 4, 4]
    """
    return HIGH_RATE_FACTOR if rate_hz > HIGH_RATE_HZ else FACTOR


def interpolator(factor: int) -> Array:
    """The weights of the samples from 15 before to 16 after, (factor - 1, 32), for each point between two samples.

    They sum to 1 and meet a straight line exactly; that takes 0.002 off the window's own weights at most.
    """
    after = np.arange(1, factor) / factor
    distance = np.arange(1 - HALF_TAPS, HALF_TAPS + 1) - after[:, None]
    window = np.i0(KAISER_BETA * np.sqrt(1 - (distance / HALF_TAPS) ** 2))
    weights: Array = np.sinc(distance) * window
    weights /= weights.sum(1, keepdims=True)
    astray = (weights * distance).sum(1)  # where a ramp would be met, in samples from where it should
    weights[:, HALF_TAPS - 1] += astray
    weights[:, HALF_TAPS] -= astray
    return weights


def _bend_weights(weights: Array) -> Array:
    """The same as weights of second differences, once linear interpolation between the two neighbours is taken off."""
    after = np.arange(1, len(weights) + 1) / (len(weights) + 1)
    remainder = weights.copy()
    remainder[:, HALF_TAPS - 1] -= 1 - after
    remainder[:, HALF_TAPS] -= after
    bends: Array = np.cumsum(np.cumsum(remainder, axis=1), axis=1)
    return bends


def _stretch_matrix(weights: Array) -> Array:
    """Takes a stretch and the samples around it to all points between its samples, (63, points), float32."""
    points, taps = weights.shape
    matrix = np.zeros((STRETCH_FRAMES + taps - 1, STRETCH_FRAMES, points), np.float32)
    for frame in range(STRETCH_FRAMES):
        matrix[frame : frame + taps, frame] = weights.T
    return matrix.reshape(len(matrix), -1)


def _stretch_peaks(held: Array) -> Array:
    """The highest sample magnitude in every 32 frames, the last ones fewer, over all channels."""
    highest = np.abs(held).max(0)
    peaks: Array = np.maximum.reduceat(highest, np.arange(0, len(highest), STRETCH_FRAMES))
    return peaks
