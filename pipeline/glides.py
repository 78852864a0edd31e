"""By what ratio all that sounds moves up or down in pitch, from frame to frame.

When tape slows, every partial of everything on it falls by one ratio. So the difference between a spectrum and the one
two frames before, in each of eight bands, is laid against the slope of the spectrum: what fits is a shift of that band.
Where several bands shift by the same ratio, that is the glide. Steady partials, hiss and drums give none; one voice
that glides gives one as well, and has to be told apart by who sounds (`pipeline.sags`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames import frame_length

Array = np.ndarray[Any, Any]

LOWEST_HZ, HIGHEST_HZ = 250.0, 5200.0  # below, bins are wider than a sag; above, partials smear
BANDS = 8
BACK = 2  # frames: the two have no sample in common
ROOT_HALVINGS = 2  # spectra are compared as the fourth root of power: loud partials do not decide alone
TINY = 1e-30


@dataclass(frozen=True)
class GlideCriteria:
    """explained   share of a band's change that a shift must explain (0 … 1) for the band to count
    fewest_bands  so many bands must agree …
    share         … and carry this share of the weight (0 … 1)
    apart_percent, apart_share  they agree within this much, and this share of the glide
    """

    explained: float
    fewest_bands: int
    share: float
    apart_percent: float
    apart_share: float


@dataclass(frozen=True)
class Glides:
    """change  (frames,) float32: relative change of pitch from one frame to the next; 0 where nothing glides together
    bands   (frames,) uint8: how many bands agree on it
    """

    hop_s: float
    change: Array
    bands: Array


class GlideMeter:
    """Beside a `FrameMeter` it hears every spectrum; `glides` closes. 0.7 MB an hour."""

    def __init__(self, rate_hz: int, criteria: GlideCriteria) -> None:
        self._criteria = criteria
        length = frame_length(rate_hz)
        self.hop_s = length / 2 / rate_hz
        bins_hz = rate_hz / length
        edges_hz = np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz), BANDS + 1)
        edges = np.round(edges_hz / bins_hz).astype(int)
        self._low, self._high = int(edges[0]) - 1, int(edges[-1]) + 1  # one bin beside for the slope
        self._starts = edges[:-1] - edges[0]
        self._counts = np.diff(edges)
        self._ramp = (np.arange(edges[0], edges[-1]) * np.float32(0.5)).astype(np.float32)
        self._held: Array | None = None
        self._glides: list[Array] = []
        self._bands: list[Array] = []

    def hear(self, power: Array) -> None:
        """Each glide is that from two frames before to this one."""
        roots = power[..., self._low : self._high].sum(axis=1)
        for _ in range(ROOT_HALVINGS):
            np.sqrt(roots, out=roots)
        if self._held is None:
            self._held = np.repeat(roots[:1], BACK, axis=0)
        both = np.concatenate([self._held, roots])
        self._held = both[-BACK:].copy()
        glides, bands = self._compared(both[:-BACK], both[BACK:])
        self._glides.append(glides)
        self._bands.append(bands)

    def glides(self) -> Glides:
        if not self._glides:
            return Glides(self.hop_s, np.zeros(0, np.float32), np.zeros(0, np.uint8))
        return Glides(self.hop_s, np.concatenate(self._glides), np.concatenate(self._bands))

    def _compared(self, before: Array, after: Array) -> tuple[Array, Array]:
        """Least squares in each band: the difference as a shift of pitch and a change of level."""
        change = (after - before)[:, 1:-1]
        mean = before + after
        slope = (mean[:, 2:] - mean[:, :-2]) * (self._ramp * np.float32(0.5))
        mean = mean[:, 1:-1] * np.float32(0.5)
        shift2, shift_mean, mean2, change_shift, change_mean, change2 = (
            np.add.reduceat(product, self._starts, axis=1)
            for product in (slope**2, slope * mean, mean**2, change * slope, change * mean, change**2)
        )
        level = np.maximum(mean2, TINY)
        free2 = shift2 - shift_mean**2 / level  # of the slope, what is no change of level
        free_change = change_shift - change_mean * shift_mean / level
        total = np.maximum(change2 - change_mean**2 / level, TINY)
        glide = -free_change / np.maximum(free2, TINY)
        explained = np.clip(free_change**2 / np.maximum(free2, TINY) / total, 0.0, 1.0)
        left = np.maximum(total * (1 - explained), TINY) / np.maximum(self._counts - 2, 1)
        weight = np.sqrt(np.minimum(free2 / left, 1e6) * explained) * (explained > self._criteria.explained)
        return self._agreed(glide, weight)

    def _agreed(self, glide: Array, weight: Array) -> tuple[Array, Array]:
        """The weighted median of the bands, refined over those near it, and how many are; 0 where too few are."""
        criteria = self._criteria
        order = np.argsort(glide, axis=1)
        ranked = np.cumsum(np.take_along_axis(weight, order, 1), axis=1)
        middle = np.argmax(ranked >= ranked[:, -1:] / 2, axis=1)
        rows = np.arange(len(glide))
        median = glide[rows, order[rows, middle]]
        apart = criteria.apart_percent / 100 + criteria.apart_share * np.abs(median)
        near = (np.abs(glide - median[:, None]) <= apart[:, None]) & (weight > 0)
        kept = weight * near
        total = kept.sum(axis=1)
        bands = near.sum(axis=1)
        agreed = (bands >= criteria.fewest_bands) & (total >= criteria.share * ranked[:, -1]) & (total > 0)
        mean = (glide * kept).sum(axis=1) / np.maximum(total, TINY)
        return np.where(agreed, mean / BACK, 0.0).astype(np.float32), np.where(agreed, bands, 0).astype(np.uint8)
