"""Clipping: flat tops at the ceiling of an overdriven input.

A *clip* is a flat top: three samples or more at one extreme, from which the signal falls away on both sides far more
steeply than any rounded peak that has this width could. It counts only at the ceiling, the greatest value this channel
ever reaches on this side of zero: an overdriven input has one ceiling, at full scale or below. So a single full-scale
sample, one peak that came out flat by chance, the slow rounded peaks of a bass note, the coarse steps of an 8-bit
capture and square waves that are quieter than the rest are no clips. A square wave that is the loudest thing on a
capture cannot be told from one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.ranges import FoundRanges

Array = np.ndarray[Any, Any]

DENSE = 4  # where more than one look in so many may hold a clip, one in so many is looked at
STEPS_FRAMES = 32  # the smallest step between samples is looked for so near to both flanks


@dataclass(frozen=True)
class ClipCriteria:
    """quietest_dbfs    peaks below this (dBFS, of a sample) are never clips
    tolerance        samples within this share of the top belong to the flat top
    fall             beyond a flat top, half its length on, the signal has fallen by this many tolerances or steps
    ceiling_share    tops below this share of the greatest value are not at the ceiling
    full_scale       from this value up one flat top is a clip
    fewest_flat_tops below full scale a ceiling shows in this many
    """

    quietest_dbfs: float
    tolerance: float
    fall: float
    ceiling_share: float
    full_scale: float
    fewest_flat_tops: int


class ClipFinder:
    """One channel on one side of zero: the greatest value so far, and the flat tops at it."""

    def __init__(self, merge_frames: int, most: int, criteria: ClipCriteria) -> None:
        self._merge_frames, self._most, self._criteria = merge_frames, most, criteria
        self._found = FoundRanges(merge_frames, most)
        self._level = 0.0
        self._flat_tops = 0

    @property
    def found(self) -> FoundRanges:
        """Everything at the ceiling; nothing while one flat top could be chance."""
        hard = self._level >= self._criteria.full_scale or self._flat_tops >= self._criteria.fewest_flat_tops
        return self._found if hard else FoundRanges(self._merge_frames, self._most)

    def is_possible(self, tops: Array) -> bool:
        """Whether a look would change anything: something is at the ceiling or above."""
        return float(tops.max()) >= self._least

    @property
    def _least(self) -> float:
        return max(10 ** (self._criteria.quietest_dbfs / 20), self._criteria.ceiling_share * self._level)

    def look(self, samples: Array, beside: int, tops: Array, first_frame: int) -> None:
        """samples is (frames,), upside up, with ``beside`` frames around the looks, whose greatest values are ``tops``.

        first_frame is the capture's frame that stands first in ``samples``.
        """
        criteria = self._criteria
        top = float(tops.max())
        if top * criteria.ceiling_share > self._level:  # what was flat below is below the ceiling
            self._found, self._flat_tops = FoundRanges(self._merge_frames, self._most), 0
        self._level = max(self._level, top)
        if top < self._least:
            return
        looks = samples[beside:-beside].reshape(len(tops), -1)
        possible = np.flatnonzero(tops >= self._least)
        if len(possible) > len(tops) // DENSE:  # clipped all along, or a tone: one look in several tells as much
            possible = possible[:: len(possible) * DENSE // len(tops)]
        near = looks[possible] >= (tops[possible] * np.float32(1 - criteria.tolerance))[:, None]
        three = near[:, 2:] & near[:, 1:-1]
        three &= near[:, :-2]
        at = three.argmax(1)
        some = np.flatnonzero(three[np.arange(len(at)), at])
        if not len(some):
            return
        at = at[some]
        lengths = np.array([_run_length(near[row, first:]) for row, first in zip(some, at, strict=True)])
        starts = beside + possible[some] * looks.shape[1] + at
        for which in _steep(samples, starts, starts + lengths, criteria):
            start = int(starts[which]) + first_frame
            self._found.add(start, start + int(lengths[which]))
            flat = three[some[which]]
            self._flat_tops += 1 + int(np.count_nonzero(flat[1:] & ~flat[:-1]))


def _run_length(near: Array) -> int:
    """How many samples are near the top from the first on."""
    beyond = int(near.argmin())
    return len(near) if near[beyond] else beyond


def _steep(samples: Array, starts: Array, stops: Array, criteria: ClipCriteria) -> Array:
    """Which flat tops have flanks that fall as no rounded peak's do: indices."""
    reach = np.maximum(2, (stops - starts) // 2)
    before, after = starts - reach, stops - 1 + reach
    tops = samples[starts + 1]
    last = len(samples) - 1
    flanks = np.maximum(samples[np.maximum(before, 0)], samples[np.minimum(after, last)])
    fallen = tops - flanks
    steep = (before >= 0) & (after <= last) & (fallen >= criteria.fall * criteria.tolerance * tops)
    chosen = np.flatnonzero(steep)
    if not len(chosen):
        return chosen
    around = np.arange(-STEPS_FRAMES, STEPS_FRAMES)
    for flank in (starts, stops):
        near = samples[np.clip(flank[chosen, None] + around, 0, last)]
        steps = np.abs(np.diff(near, axis=1))
        smallest = np.where(steps > 0, steps, np.inf).min(1, initial=np.inf)
        chosen = chosen[fallen[chosen] >= criteria.fall * smallest]
    return chosen
