"""Small clicks in pauses, where nothing hides them: less loud than what `pipeline.clicks` can tell in programme.

Steady noise never reaches far above its own r.m.s.: a sample of it passes 6.5 times that less than once in an hour. So
where for a while there is nothing but steady noise, in every octave, a place that stands out further is a click. It is
asked in octaves, for a click of one sample stands out of the whole band, and one of two milliseconds of the lowest.

Almost everything is passed over at a glance, by how far a chunk of samples reaches beside its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.ranges import FoundRanges

Array = np.ndarray[Any, Any]

GLANCE_BESIDE = 12  # chunks to both sides, of which the highest is looked at
GLANCE_CALM_DB = 6.0  # other chunks of noise reach 3 to 4 dB further than usual
NOISE_REACH = 8.0  # peak to peak, times the r.m.s.; of hiss within two milliseconds 4 to 6
OWN_CHUNKS = 2  # to both sides of a click belong to it
OCTAVES = 6
SLOW_S = 0.0004  # what is slower than this is no part of a click of single samples
PIECES = 8  # the noise is cut into, to see whether it is steady
OCTAVE_SHARE = 0.4  # of the samples of an octave are independent of each other
CLICK_SHARE = 0.25  # of its own frames, to both sides: 2.5 ms, after which it is over
FILTER_FRAMES = 8  # and the octaves' filters are, too
BESIDE_PIECES = 80  # the pieces just before and after a click are an eightieth each, 10 ms
CHANCE = 4.5  # deviations by which the levels of two of them may differ


@dataclass(frozen=True)
class SmallClickCriteria:
    """around_s       nothing but steady noise within this, to both sides
    above_db       a click rises this far above the r.m.s. of the noise, in some octave (dB)
    noise_db       around it nothing does by more than this, in no octave (dB)
    steady_db      parts of the noise, of an eighth each, differ by no more than this (dB), and by what chance adds
    loudest_dbfs   louder noise is programme: rain, applause (dBFS, r.m.s.)
    quietest_dbfs  weaker ones are not told (dBFS of the highest sample)
    glance_db      what does not reach so far above its surroundings is not looked at (dB of peak to peak)
    """

    around_s: float
    above_db: float
    noise_db: float
    steady_db: float
    loudest_dbfs: float
    quietest_dbfs: float
    glance_db: float


class SmallClickFinder:
    """One channel. Feed the samples in order, in whole chunks, with the extremes of each chunk."""

    def __init__(self, rate_hz: int, chunk: int, found: FoundRanges, criteria: SmallClickCriteria) -> None:
        self.found = found
        self._loudest = 10 ** (criteria.loudest_dbfs / 20)
        self._rate_hz, self._chunk, self._criteria = rate_hz, chunk, criteria
        self._beside = max(GLANCE_BESIDE + 1, -(-round(criteria.around_s * rate_hz) // chunk))  # chunks
        self._pieces: list[Array] = []  # of samples …
        self._pieces_start = 0  # … and the frame that stands first in them
        self._reach = np.zeros(0, np.float32)
        self._start = 0  # the chunk that stands first

    def look(self, samples: Array, reach: Array) -> None:
        """samples (frames,) following those before; reach (chunks,) from the lowest to the highest of each chunk.

        The samples are kept for a while and must not be changed.
        """
        self._pieces.append(samples)
        self._reach = np.concatenate([self._reach, reach])
        beside, chunk = self._beside, self._chunk
        inner = len(self._reach) - 2 * beside
        if inner <= 0:
            return
        for at in beside + self._at_a_glance(inner):
            frame = (self._start + int(at)) * chunk
            rise_db = self._rise_db(self._between(frame - beside * chunk, frame + (beside + 1) * chunk))
            if rise_db is not None:
                self.found.add(frame, frame + chunk, rise_db)
        self._reach = self._reach[inner:].copy()
        self._start += inner
        while self._pieces_start + len(self._pieces[0]) <= self._start * chunk:
            self._pieces_start += len(self._pieces.pop(0))

    def _between(self, start: int, stop: int) -> Array:
        """The samples from one frame up to another."""
        return np.concatenate(self._pieces)[start - self._pieces_start : stop - self._pieces_start]

    def _at_a_glance(self, inner: int) -> Array:
        """Of the inner chunks those that reach further than any near them, and far enough."""
        near = self._reach[self._beside - GLANCE_BESIDE : self._beside + inner + GLANCE_BESIDE]
        own = near[GLANCE_BESIDE : GLANCE_BESIDE + inner]
        highest = np.flatnonzero((own >= highest_in(near, 2 * GLANCE_BESIDE + 1)) & (own > 0))
        windows = near[highest[:, None] + np.arange(2 * GLANCE_BESIDE + 1)]
        usual = (windows.sum(1) - own[highest]) / (2 * GLANCE_BESIDE)
        highest = highest[own[highest] >= usual * 10 ** (self._criteria.glance_db / 20)]
        if not len(highest):
            return highest
        around = self._reach[highest[:, None] + np.arange(2 * self._beside + 1)]
        around[:, self._beside - OWN_CHUNKS : self._beside + OWN_CHUNKS + 1] = 0
        usual = around.sum(1) / (2 * (self._beside - OWN_CHUNKS))
        return highest[(around.max(1) <= usual * 10 ** (GLANCE_CALM_DB / 20)) & (usual <= NOISE_REACH * self._loudest)]

    def _rise_db(self, samples: Array) -> float | None:
        """How far the middle chunk rises above the steady noise around it; None where there is no such click."""
        criteria, middle = self._criteria, len(samples) // 2
        reach = self._chunk // 2 + OWN_CHUNKS * self._chunk
        signal = samples - samples.mean(dtype=np.float64)
        noise = np.concatenate([signal[: middle - reach], signal[middle + reach :]])
        is_loud = np.square(noise).mean() > self._loudest**2
        if is_loud or np.abs(signal[middle - reach : middle + reach]).max() < 10 ** (criteria.quietest_dbfs / 20):
            return None
        if np.count_nonzero(samples == np.median(samples)) > len(samples) / 2:
            return None  # the steps of a coarse capture stand out of its silence
        if self._in_band(signal, middle, reach) is None:
            return None
        rises_db = [self._in_band(_quick(signal, max(1, round(SLOW_S * self._rate_hz))), middle, reach)]
        while rises_db[-1] is not None and len(rises_db) <= OCTAVES:
            rises_db.append(self._in_band(_octave(signal), middle, reach))
            signal, middle, reach = _halved(signal), middle // 2, reach // 2
        highest = None if rises_db[-1] is None else max(rise for rise in rises_db if rise is not None)
        return highest if highest is not None and highest >= criteria.above_db else None

    def _in_band(self, band: Array, middle: int, reach: int) -> float | None:
        """How far the middle rises above the r.m.s. of the rest; None where the rest is no steady noise."""
        power = np.square(band)
        noise = np.concatenate([power[: middle - reach], power[middle + reach :]])
        mean = noise.mean()
        if mean <= 0 or noise.max() > mean * 10 ** (self._criteria.noise_db / 10):
            return None
        steady_db = self._criteria.steady_db
        length = len(noise) // PIECES
        levels_db = 10 * np.log10(np.maximum(noise[: PIECES * length].reshape(PIECES, length).mean(1) / mean, 1e-12))
        if np.ptp(levels_db) > steady_db + _chance_db(length):
            return None
        length = len(noise) // BESIDE_PIECES
        beside = noise[len(noise) // 2 - length :][: 2 * length].reshape(2, length).mean(1)
        if 10 * np.log10(max(beside.max() / mean, 1e-12)) > steady_db + _chance_db(length):
            return None  # it sounds on, or has begun before
        own = power[middle - reach : middle + reach]
        peak, over = int(own.argmax()), round(CLICK_SHARE * len(own)) + FILTER_FRAMES
        for rest in (own[: max(0, peak - over)], own[peak + over :]):
            if len(rest) and 10 * np.log10(max(rest.mean() / mean, 1e-12)) > steady_db + _chance_db(len(rest)):
                return None  # a stroke that dies away
        return float(10 * np.log10(own.max() / mean))


def highest_in(values: Array, width: int) -> Array:
    """The highest of every ``width`` neighbours; some ten times as quick as going through windows."""
    reach = 1
    while 2 * reach <= width:
        values = np.maximum(values[:-reach], values[reach:])
        reach *= 2
    rest = width - reach
    return np.maximum(values[: len(values) - rest], values[rest:])


def _chance_db(length: int) -> float:
    """By how much the levels of pieces of noise of this length may differ."""
    return float(CHANCE * 10 / np.log(10) * np.sqrt(2 / (length * OCTAVE_SHARE)))


def _quick(signal: Array, width: int) -> Array:
    """The signal without what moves slowly."""
    total = np.cumsum(np.pad(signal, (width + 1, width), mode="edge"))
    return signal - (total[2 * width + 1 :] - total[: -2 * width - 1]) / (2 * width + 1)


def _octave(signal: Array) -> Array:
    """The octave below half the rate, as in `pipeline.octaves`; what moves slower is far down."""
    high = signal
    for _ in range(3):
        high = high[2:] - high[:-2]
    return np.pad(high, 3) / 8


def _halved(signal: Array) -> Array:
    """Every second sample of the signal smoothed by (1, 3, 3, 1) / 8."""
    even = len(signal) // 2 * 2
    padded = np.pad(signal[:even], (1, 2))
    smooth = padded[:-3] + padded[3:] + 3 * (padded[1:-2] + padded[2:-1])
    return smooth[::2] / 8
