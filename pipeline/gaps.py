"""Lost samples that a recorder filled with zeros.

A *gap* is a run of exact zeros with programme cut off at both its ends. A fade into digital silence, the ends of a
capture and a pause as long as a silence (``longest_s``) are no gaps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.ranges import FoundRanges

Array = np.ndarray[Any, Any]

EDGE_S = 0.03  # what stands beside a gap is judged over this
NEAR_EDGE_S = 0.003
SHARP_EDGE_S = 0.0005


@dataclass(frozen=True)
class GapCriteria:
    """shortest_s      shorter runs of zeros are no gaps
    longest_s       longer ones are a stopped recording
    quietest_dbfs   what is cut off by a gap is louder than this (dBFS r.m.s.)
    steps           and than this many times the smallest value beside gaps: coarse steps make zeros themselves
    edge            and within half a millisecond reaches this share of its r.m.s. over three: fades do not
    """

    shortest_s: float
    longest_s: float
    quietest_dbfs: float
    steps: float
    edge: float


@dataclass
class _Run:
    """An unfinished run of zeros: where it began, and whether programme was cut off there."""

    start: int = 0
    is_open: bool = True  # a capture that begins with zeros begins in a run
    is_cut: bool = False


class GapFinder:
    """One channel. `look` is called for stretches in order, and may be left out for those that hold no zero."""

    def __init__(self, rate_hz: int, found: FoundRanges, criteria: GapCriteria) -> None:
        self.found = found
        self._rate_hz, self._criteria = rate_hz, criteria
        self._run = _Run()
        self._smallest = np.inf  # value beside a gap, but for zero: a capture's step or less than some hiss

    @property
    def is_in_zeros(self) -> bool:
        return self._run.is_open

    def look(self, samples: Array, beside: int, stop: int, first_frame: int) -> None:
        """samples is (frames,); looked at from ``beside`` up to ``stop``, with ``beside`` frames around.

        first_frame is the capture's frame that stands first in ``samples``.
        """
        run = self._run
        zero = np.concatenate([[run.is_open], samples[beside:stop] == 0]).astype(np.int8)
        turns = np.diff(zero)
        begins, ends = np.flatnonzero(turns > 0) + beside, np.flatnonzero(turns < 0) + beside
        if run.is_open and len(ends):
            self._close(run, samples, int(ends[0]), beside, first_frame)
            ends = ends[1:]
        elif run.is_open:
            return
        whole = min(len(begins), len(ends))
        shortest = round(self._criteria.shortest_s * self._rate_hz)
        for which in np.flatnonzero(ends[:whole] - begins[:whole] >= shortest):
            begin = int(begins[which])
            cut = self._is_cut(samples[begin - beside : begin][::-1])
            self._close(_Run(begin + first_frame, True, cut), samples, int(ends[which]), beside, first_frame)
        run.is_open = len(begins) > len(ends)
        if run.is_open:
            begin = int(begins[-1])
            run.start, run.is_cut = begin + first_frame, self._is_cut(samples[begin - beside : begin][::-1])

    def _close(self, run: _Run, samples: Array, end: int, beside: int, first_frame: int) -> None:
        run.is_open = False
        length = end + first_frame - run.start
        shortest, longest = (s * self._rate_hz for s in (self._criteria.shortest_s, self._criteria.longest_s))
        if run.is_cut and shortest - 1 <= length <= longest and self._is_cut(samples[end : end + beside]):
            self.found.add(run.start, run.start + length)

    def _is_cut(self, outward: Array) -> bool:
        """Whether the samples beside a run of zeros, the nearest first, are programme that was cut off."""
        criteria = self._criteria
        sizes = np.abs(outward[: round(EDGE_S * self._rate_hz)])
        self._smallest = min(self._smallest, float(sizes[sizes > 0].min(initial=np.inf)))
        if _rms(sizes) < max(10 ** (criteria.quietest_dbfs / 20), criteria.steps * self._smallest):
            return False
        nearest = sizes[: max(4, round(SHARP_EDGE_S * self._rate_hz))]
        near = sizes[: round(NEAR_EDGE_S * self._rate_hz)]
        return float(nearest.max()) >= criteria.edge * _rms(near)


def _rms(samples: Array) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
