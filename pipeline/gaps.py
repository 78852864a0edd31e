"""Lost samples that a recorder filled with zeros.

A *gap* is a run of exact zeros with programme or hiss cut off at both its ends. A fade into digital silence, the ends
of a capture and a pause as long as a silence (``longest_s``) are no gaps.

Sound of few steps makes zeros itself. So beside a run it must be louder than that, or else be hiss: zeros of hiss come
one by one, and how often another follows tells how improbable the run is by chance. Hiss must stand close to both ends
at its level, and as loud behind the run as before it: a noise gate closes on hiss, but opens for what is louder.
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
HISS_EDGE_S = 0.001


@dataclass(frozen=True)
class GapCriteria:
    """shortest_s      shorter runs of zeros are no gaps
    longest_s       longer ones are a stopped recording
    quietest_dbfs   what is cut off by a gap is louder than this (dBFS r.m.s.)
    steps           and than this many times the smallest value beside gaps, or is hiss: coarse steps make zeros
    edge            and within half a millisecond reaches this share of its r.m.s. over three: fades do not
    hiss_steps      hiss is this many times that value at least: in fewer steps a fade does not show
    chance          and would leave such a run with less than this probability
    hiss_edge       and has this share of its r.m.s. in the millisecond beside the run
    alike_db        and differs by less than this from what stands at the other end
    """

    shortest_s: float
    longest_s: float
    quietest_dbfs: float
    steps: float
    edge: float
    hiss_steps: float
    chance: float
    hiss_edge: float
    alike_db: float


@dataclass(frozen=True)
class _End:
    """What was cut off at one end of a run of zeros, if anything.

    rms           of the samples beside the run
    is_programme  whether it is louder than what makes zeros itself; hiss if not
    zero_again    how probable it is that a zero follows a zero there
    """

    rms: float
    is_programme: bool
    zero_again: float


@dataclass
class _Run:
    """An unfinished run of zeros: where it began, and what was cut off there."""

    start: int = 0
    is_open: bool = True  # a capture that begins with zeros begins in a run
    before: _End | None = None


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
            before = self._cut_off(samples[begin - beside : begin][::-1])
            self._close(_Run(begin + first_frame, True, before), samples, int(ends[which]), beside, first_frame)
        run.is_open = len(begins) > len(ends)
        if run.is_open:
            begin = int(begins[-1])
            run.start, run.before = begin + first_frame, self._cut_off(samples[begin - beside : begin][::-1])

    def _close(self, run: _Run, samples: Array, end: int, beside: int, first_frame: int) -> None:
        run.is_open = False
        length = end + first_frame - run.start
        shortest, longest = (s * self._rate_hz for s in (self._criteria.shortest_s, self._criteria.longest_s))
        if run.before is None or not shortest - 1 <= length <= longest:
            return
        after = self._cut_off(samples[end : end + beside])
        if after is not None and self._is_no_chance(run.before, after, length):
            self.found.add(run.start, run.start + length)

    def _cut_off(self, outward: Array) -> _End | None:
        """What the samples beside a run of zeros, the nearest first, were cut off from; None if from nothing."""
        criteria = self._criteria
        sizes = np.abs(outward[: round(EDGE_S * self._rate_hz)])
        self._smallest = min(self._smallest, float(sizes[sizes > 0].min(initial=np.inf)))
        rms = _rms(sizes)
        if rms < max(10 ** (criteria.quietest_dbfs / 20), criteria.hiss_steps * self._smallest):
            return None
        if rms >= criteria.steps * self._smallest:
            nearest = sizes[: max(4, round(SHARP_EDGE_S * self._rate_hz))]
            near = sizes[: round(NEAR_EDGE_S * self._rate_hz)]
            return _End(rms, True, 0.0) if float(nearest.max()) >= criteria.edge * _rms(near) else None
        nearest = sizes[: round(HISS_EDGE_S * self._rate_hz)]
        zero = sizes == 0
        again = (np.count_nonzero(zero[1:] & zero[:-1]) + 1) / (np.count_nonzero(zero[:-1]) + 2)
        return _End(rms, False, again) if _rms(nearest) >= criteria.hiss_edge * rms else None

    def _is_no_chance(self, before: _End, after: _End, length: int) -> bool:
        if before.is_programme and after.is_programme:
            return True
        criteria = self._criteria
        alike = abs(20 * np.log10(after.rms / before.rms)) < criteria.alike_db
        again = max(before.zero_again, after.zero_again)
        return bool(alike and length * np.log10(again) < np.log10(criteria.chance))


def _rms(samples: Array) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
