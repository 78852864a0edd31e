"""One voice or several: how much of a moment's spectrum a single series of harmonics explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

WINDOW_S = 0.0853  # tells two notes a tone apart above 200 Hz
LOWEST_HZ, HIGHEST_HZ = 70.0, 4500.0
FUNDAMENTALS_HZ = np.geomspace(70.0, 900.0, 260)  # 1 % apart
DEEPEST_DB = 38.0  # below the strongest: no partial of what is heard
STANDS_OUT = 3.0  # times the median of the bins around
AROUND_BINS = 12
FEWEST_PARTIALS = 3
RATIOS = np.arange(-0.16, 0.161, 0.002)  # less 1, at which partials are looked for
SAME = 0.005  # a partial is there within this
CHANGE_DOUBT = 0.35  # a change is known within this share
FEWEST_MOVED = 3
OVER_CHANCE = 2.5  # more partials have moved than lie at any other ratio …
OVER_STAYED = 2.0  # … and than stayed


def voice_length(rate_hz: int) -> int:
    """Frames of audio that `find_partials` looks at: a power of two."""
    return int(2 ** round(np.log2(rate_hz * WINDOW_S)))


@dataclass(frozen=True)
class Partials:
    """What stands out of a moment's spectrum: frequencies in Hz, and weights, the root of their amplitudes."""

    hz: Array
    weight: Array


def find_partials(samples: Array, rate_hz: int) -> Partials:
    """samples is (`voice_length` frames, channels)."""
    length = len(samples)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    level = np.sqrt(np.sum(np.abs(np.fft.rfft(samples * window[:, None], axis=0)) ** 2, axis=1))
    low, high = np.searchsorted(np.fft.rfftfreq(length, 1 / rate_hz), [LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz)])
    at = np.arange(low, high)
    at = at[(level[at] > level[at - 1]) & (level[at] >= level[at + 1])]
    at = at[level[at] > level[low:high].max(initial=0.0) * 10 ** (-DEEPEST_DB / 20)]
    around = np.clip(at[:, None] + np.arange(-AROUND_BINS, AROUND_BINS + 1), 0, len(level) - 1)
    at = at[level[at] > STANDS_OUT * np.median(level[around], axis=1)]
    left, middle, right = (np.log(np.maximum(level[at + k], 1e-15)) for k in (-1, 0, 1))
    hz = (at + 0.5 * (left - right) / (left - 2 * middle + right)) * rate_hz / length
    return Partials(hz, np.sqrt(level[at]))


def one_voice_share(partials: Partials) -> tuple[float, Array] | None:
    """How much of all partials the best single series of harmonics explains, loud ones counting more, and which.

    The share goes from 0, which chance would explain, to 1. None where fewer than three partials stand out.
    """
    if len(partials.hz) < FEWEST_PARTIALS:
        return None
    turns = partials.hz / FUNDAMENTALS_HZ[:, None]
    nearest = np.maximum(1, np.round(turns))
    tolerance = np.minimum(0.04 + 6.0 / FUNDAMENTALS_HZ[:, None] + 0.004 * nearest, 0.5)
    is_harmonic = np.abs(turns - nearest) < tolerance
    explained = (is_harmonic * partials.weight).sum(axis=1) / partials.weight.sum()
    chance = np.minimum(2 * tolerance[:, 0], 0.99)
    shares = (explained - chance) / (1 - chance)
    best = int(np.argmax(shares))
    return float(shares[best]), is_harmonic[best]


def others_move(before: Partials, away: Partials, voice: Array, change: float) -> bool:
    """Whether what does not belong to the one voice moved by ``change`` (a ratio less 1) rather than stayed.

    voice  which partials of ``before`` belong to it
    """
    hz, weight = before.hz[~voice], before.weight[~voice]
    if len(hz) < FEWEST_MOVED or not len(away.hz):
        return False
    off = away.hz / hz[:, None] - 1
    nearest = np.min(np.abs(off[:, :, None] - RATIOS), axis=1) < SAME  # (partials, ratios)
    matched = weight @ nearest
    expected = np.abs(RATIOS / change - 1) < CHANGE_DOUBT
    best = int(np.argmax(np.where(expected, matched, -1.0)))
    stayed = float(matched[np.abs(RATIOS) < min(SAME, abs(change) / 4)].max())
    by_chance = float(np.median(matched))
    return bool(
        nearest[:, best].sum() >= FEWEST_MOVED
        and matched[best] > OVER_CHANCE * by_chance
        and matched[best] > OVER_STAYED * stayed
    )
