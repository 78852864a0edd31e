"""A capture at half its rate, or a quarter, for meters that ask for nothing above what the ear hears.

A capture at 96 kHz costs twice as much to look at as one at 48 kHz and holds no more of the tape: above 20 kHz there
is what leaks of the bias and what converters add. So all meters but those that need every sample (peaks, clicks, lost
samples) hear it at 44.1 to 50 kHz, through a low-pass of linear phase.

The low-pass is a windowed sinc at half the lower rate: every other weight but the middle one is zero. At 96 kHz it is
flat within 0.03 dB to 20 kHz and lets nothing through above 29 kHz (-70 dB); between, what lies above 24 kHz folds.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.rowwise import times

Array = np.ndarray[Any, Any]

LOWEST_RATE_HZ = 44_100
REACH = 24  # frames before and after a value that have no share in it any more
KAISER_BETA = 7.0  # trades how steep it is for how little is let through
ROW = 32  # values made by one product: near the cheapest


def halvings(rate_hz: int) -> int:
    """How often a rate can be halved and still hold what the ear hears.

    >>> [halvings(rate_hz) for rate_hz in (44_100, 48_000, 64_000, 88_200, 96_000, 192_000)]
    [0, 0, 0, 1, 1, 2]
    """
    count = 0
    while rate_hz % 2 == 0 and rate_hz // 2 >= LOWEST_RATE_HZ:
        rate_hz, count = rate_hz // 2, count + 1
    return count


class Halver:
    """Feed blocks of float32 (frames, channels) in order, cut anywhere; get what is ready, the same way up.

    Value ``j`` stands where frame ``j * step`` stood. Without a halving blocks pass as they are.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        count = halvings(rate_hz)
        self.step = 1 << count
        self.rate_hz = rate_hz // self.step
        self._stages = [_Stage(channels) for _ in range(count)]

    def feed(self, block: Array) -> Array:
        for stage in self._stages:
            block = stage.feed(block)
        return block

    def rest(self) -> Array:
        """What is still held, as if silence followed: half as many values as there were frames, rounded up."""
        rest = np.zeros((0, 0), np.float32)
        for at, stage in enumerate(self._stages):
            rest = stage.rest() if at == 0 else np.concatenate([stage.feed(rest), stage.rest()])
        return rest


class _Stage:
    def __init__(self, channels: int) -> None:
        band = np.zeros((4 * ROW, ROW), np.float32)  # from two rows of frames to one of values
        for value in range(ROW):
            band[2 * value : 2 * value + 2 * REACH - 1, value] = half_band_weights()
        self._own, self._next = band[: 2 * ROW], band[2 * ROW : 2 * ROW + 2 * REACH - 2]
        self._held = np.zeros((channels, REACH - 1), np.float32)  # silence before the first frame
        self._fed = self._given = 0

    def feed(self, block: Array) -> Array:
        self._fed += len(block)
        held = np.concatenate([self._held, block.T], axis=1)
        count = held.shape[1] // (2 * ROW) - 1
        if count < 1:
            self._held = held
            return np.zeros((0, len(held)), np.float32)
        values = np.empty((len(held), count, ROW), np.float32)
        for channel, out in zip(held, values, strict=True):
            rows = channel[: (count + 1) * 2 * ROW].reshape(count + 1, 2 * ROW)
            times(rows[:-1], self._own, out)
            out += times(rows[1:, : len(self._next)], self._next)
        self._held = held[:, count * 2 * ROW :].copy()
        self._given += count * ROW
        return values.reshape(len(held), -1).T

    def rest(self) -> Array:
        """The last values; nothing may be fed any more."""
        due = (self._fed + 1) // 2 - self._given
        return self.feed(np.zeros((6 * ROW, len(self._held)), np.float32))[:due]


def half_band_weights() -> Array:
    """The low-pass, (2 * REACH - 1,), adding up to 1."""
    at = np.arange(1 - REACH, REACH)
    weights: Array = np.sinc(at / 2) * np.i0(KAISER_BETA * np.sqrt(1 - (at / REACH) ** 2))
    odd = at % 2 != 0
    weights[odd] *= 0.5 / weights[odd].sum()
    weights[~odd] = np.where(at[~odd] == 0, 0.5, 0.0)
    return weights
