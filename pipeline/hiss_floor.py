"""The floor that each octave of a side comes down to again and again, and stays at as noise does: its hiss.

Levels are read in quarters of a second. One in which the lower levels lie close together shows a floor; what most such
quarters within half a minute show is the floor there, if hardly anything lies a little below it. Programme has such
quarters too, but not one level that it never goes below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.octaves import Octaves
from pipeline.rows import Rows
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

OCTAVES = 4  # the highest; lower ones follow the waveform
STEPS_PER_DB = 2.0  # levels are kept in one byte
LOUDEST_DB = 255 / STEPS_PER_DB
STRETCH_S = 0.25
FLOOR_EVERY = 4  # stretches
FEWEST_STRETCHES = 8
SMOOTH_CHUNKS = 5
PAGE_STRETCHES = 128
SHARES = (0.5, 1.0, 2.5)  # of ``floor_share``: from the first to the last, levels must lie close together
LEAK_DB = 8.0  # an octave further below the next lower one may hold nothing but what leaks from there
AT_FLOOR_DB = 1.5
GAP_DB = (2.5, 5.5)  # below the floor; a dropout goes through quickly


@dataclass(frozen=True)
class FloorCriteria:
    """share           the level of a stretch that this share of it lies below (0 … 1) is its floor, …
    spread_db       … if from half to two and a half times this share it rises by no more than this (dB), as noise does
    around_s        a floor is looked for within this, to both sides
    around_share    it is the level that this share of the floors around lie below (0 … 1)
    gap_share       levels somewhat below a floor are rarer than those at it: by this factor at most (0 … 1)
    below_share     a level that more than this share of the time around lies far below is no floor (0 … 1)
    lowest_dbfs     what lies below is the rounding of a converter (dBFS in an octave)
    above_leader_db an octave whose floor is not this far above the electronics' own noise cannot be asked (dB)
    """

    share: float
    spread_db: float
    around_s: float
    around_share: float
    gap_share: float
    below_share: float
    lowest_dbfs: float
    above_leader_db: float


class LevelTrace:
    """The levels of the highest octaves of a whole capture, one byte each: some 25 MB for 90 minutes of stereo."""

    def __init__(self, octaves: Octaves, channels: int) -> None:
        self.chunk = octaves.chunk
        self.chunk_s = octaves.chunk_s
        self.channels = channels
        self.centres_hz = octaves.centres_hz[:OCTAVES]
        self._rows = [Rows() for _ in range(channels)]  # (chunks, octaves and the peak)

    def add(self, powers: Array, peaks: Array) -> None:
        """What `Octaves.powers` gives of the highest `OCTAVES`, following what was added before."""
        both = np.concatenate([powers, peaks[:, None]], axis=1)
        level = np.log10(np.maximum(both, np.float32(1e-20))) * np.float32(10 * STEPS_PER_DB) + np.float32(255.5)
        for rows, own in zip(self._rows, np.clip(level, 0, 255).astype(np.uint8), strict=True):
            rows.add(own.T)

    def levels(self, channel: int) -> Array:
        """(octaves, chunks) in steps, an octave's chunks apart in memory."""
        return self._rows[channel].whole().T[:-1]

    def peaks(self, channel: int) -> Array:
        """(chunks,) in steps: the highest octave at its loudest."""
        return self._rows[channel].whole().T[-1]


def smoothed_db(levels: Array, width: int) -> Array:
    """Mean in dB of ``width`` neighbouring chunks of each octave; shorter by ``width`` - 1."""
    steps = levels.astype(np.uint16)
    count = levels.shape[1] - width + 1
    total = steps[:, :count].copy()
    for k in range(1, width):
        total += steps[:, k : k + count]
    return total.astype(np.float32) * np.float32(1 / (STEPS_PER_DB * width)) - np.float32(LOUDEST_DB)


class HissFloors:
    """The floors of one channel over time."""

    def __init__(self, levels: Array, chunk_s: float, leaders: Sequence[Span], criteria: FloorCriteria) -> None:
        """levels is (octaves, chunks) as `LevelTrace.levels` gives them."""
        self._stretch = max(1, round(STRETCH_S / chunk_s))
        self._levels, self._criteria = levels, criteria
        self._count = levels.shape[1] // self._stretch
        starts_s = np.arange(self._count) * self._stretch * chunk_s
        in_leader = np.zeros(self._count, bool)
        for leader in leaders:
            in_leader |= (starts_s < leader.stop_s) & (starts_s + self._stretch * chunk_s > leader.start_s)
        self._floors_db = self._find(in_leader) if self._count else np.full((len(levels), 1), np.nan)

    def at(self, chunks: Array) -> Array:
        """(octaves, chunks) in dB; NaN where an octave has no floor, or none to be asked."""
        return self._floors_db[:, np.minimum(chunks // self._stretch, self._floors_db.shape[1] - 1)]

    def _find(self, in_leader: Array) -> Array:
        criteria = self._criteria
        low, spread = np.empty((2, len(self._levels), self._count), np.float32)
        shares = [100 * share * criteria.share for share in SHARES]
        for at in range(0, self._count, PAGE_STRETCHES):
            page = slice(at, at + PAGE_STRETCHES)
            ordered = np.sort(self._page(page), axis=2)  # of which shares are told in a quarter of the time
            first, low[:, page], last = np.percentile(ordered, shares, axis=2)
            spread[:, page] = last - first
        shown = (spread <= criteria.spread_db) & (low > criteria.lowest_dbfs) & ~in_leader
        shown[:-1] &= low[:-1] > low[1:] - LEAK_DB
        reach = round(criteria.around_s / STRETCH_S)
        floors = _share_around(np.where(shown, low, np.inf), reach, criteria.around_share)
        at_floor, gap, below = (_sum_around(count * ~in_leader, reach) for count in self._counts(floors))
        around = _sum_around(np.broadcast_to(np.where(in_leader, 0, self._stretch), floors.shape), reach)
        is_left = (gap > criteria.gap_share * at_floor) | (below > criteria.below_share * around)
        floors[is_left] = np.nan
        if in_leader.any():
            electronics = np.median(low[:, in_leader], axis=1)
            floors[floors < electronics[:, None] + criteria.above_leader_db] = np.nan
        return floors

    def _counts(self, floors: Array) -> Array:
        """Chunks of each stretch at its floor, somewhat below, and further below: (3, octaves, stretches)."""
        counts = np.zeros((3, *floors.shape), np.float32)
        for at in range(0, self._count, PAGE_STRETCHES):
            page = slice(at, at + PAGE_STRETCHES)
            above = self._page(page) - floors[:, page, None]
            counts[0, :, page] = np.count_nonzero(np.abs(above) <= AT_FLOOR_DB, axis=2)
            counts[1, :, page] = np.count_nonzero((above < -GAP_DB[0]) & (above > -GAP_DB[1]), axis=2)
            counts[2, :, page] = np.count_nonzero(above <= -GAP_DB[1], axis=2)
        return counts

    def _page(self, page: slice) -> Array:
        """Smoothed levels of some stretches, (octaves, stretches, chunks)."""
        chunks = self._levels[:, page.start * self._stretch : min(page.stop, self._count) * self._stretch]
        smooth = smoothed_db(np.pad(chunks, ((0, 0), (0, SMOOTH_CHUNKS - 1)), mode="edge"), SMOOTH_CHUNKS)
        return smooth.reshape(len(self._levels), -1, self._stretch)


def _around(values: Array, reach: int, outside: float) -> Array:
    """Every ``FLOOR_EVERY`` th value of each row with those within ``reach``: (rows, places, values)."""
    padded = np.pad(values, ((0, 0), (reach, reach)), constant_values=outside)
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)[:, ::FLOOR_EVERY]


def _sum_around(values: Array, reach: int) -> Array:
    return np.repeat(_around(values, reach, 0.0).sum(2), FLOOR_EVERY, axis=1)[:, : values.shape[1]]


def _share_around(values: Array, reach: int, share: float) -> Array:
    """In each row the value that a share of the finite ones within ``reach`` lies below; NaN where these are few."""
    around = np.sort(_around(values, reach, np.inf), axis=2)
    finite = np.isfinite(around).sum(2)
    at = (finite * share).astype(int)
    found = np.take_along_axis(around, at[..., None], axis=2)[..., 0]
    found = np.where(finite >= FEWEST_STRETCHES, found, np.nan)
    return np.repeat(found, FLOOR_EVERY, axis=1)[:, : values.shape[1]]
