"""Moments that need ears: clipping and lost samples.

Every piece of a capture gets a cheap first look (the extremes of chunks of ``CHUNK_S``); only what that leaves possible
is looked at closely.

A *clip* is a flat top: three samples or more at one extreme, from which the signal falls away on both sides far more
steeply than any rounded peak that has this width could. It counts only at the ceiling, the greatest value this channel
ever reaches on this side of zero: an overdriven input has one ceiling, at full scale or below. So a single full-scale
sample, one peak that came out flat by chance, the slow rounded peaks of a bass note, the coarse steps of an 8-bit
capture and square waves that are quieter than the rest are no clips. A square wave that is the loudest thing on a
capture cannot be told from one.

A *gap* is a run of exact zeros with programme cut off at both its ends. A fade into digital silence, the ends of a
capture and a pause as long as a silence (``longest_gap_s``) are no gaps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind

Array = np.ndarray[Any, Any]

CHUNK_S = 0.0025
CHUNKS_PER_LOOK = 4  # clips are looked for in 10 ms at a time
PIECE_FRAMES = 1 << 15
EDGE_S = 0.03  # what stands beside a gap is judged over this
NEAR_EDGE_S = 0.003
SHARP_EDGE_S = 0.0005


class EventKind(StrEnum):
    DROPOUT = "dropout"
    CLICK = "click"
    CLIP = "clip"
    GAP = "gap"


@dataclass(frozen=True)
class Event:
    """depth_db: how far the level fell (dropout), or rose (click); NotMeasured where depth has no meaning."""

    kind: EventKind
    start_s: float
    stop_s: float
    depth_db: Reading


@dataclass(frozen=True)
class EventCriteria:
    """quietest_clip_dbfs  peaks below this (dBFS, of a sample) are never clips
    clip_tolerance      samples within this share of the top belong to the flat top
    clip_fall           beyond a flat top, half its length on, the signal has fallen by this many tolerances or steps
    ceiling_share       tops below this share of the greatest value are not at the ceiling
    full_scale          from this value up one flat top is a clip
    fewest_flat_tops    below full scale a ceiling shows in this many
    shortest_gap_s      shorter runs of zeros are no gaps
    longest_gap_s       longer ones are a stopped recording
    quietest_gap_dbfs   what is cut off by a gap is louder than this (dBFS r.m.s.)
    gap_steps           and than this many times the smallest value beside gaps: coarse steps make zeros themselves
    gap_edge            and within half a millisecond reaches this share of its r.m.s. over three: fades do not
    merge_s             events of a kind nearer than this are one
    most_listed         of each kind and channel, more are only counted
    """

    quietest_clip_dbfs: float
    clip_tolerance: float
    clip_fall: float
    ceiling_share: float
    full_scale: float
    fewest_flat_tops: int
    shortest_gap_s: float
    longest_gap_s: float
    quietest_gap_dbfs: float
    gap_steps: float
    gap_edge: float
    merge_s: float
    most_listed: int


@dataclass
class _Found:
    """Frame ranges in order, neighbours merged; past ``most`` they are only counted."""

    merge_frames: int
    most: int
    count: int = 0
    ranges: list[tuple[int, int]] = field(default_factory=list)
    last_stop: int = -(1 << 62)

    def add(self, start: int, stop: int) -> None:
        if start - self.last_stop <= self.merge_frames:
            if self.count <= self.most:
                self.ranges[-1] = (self.ranges[-1][0], max(stop, self.ranges[-1][1]))
        else:
            self.count += 1
            if self.count <= self.most:
                self.ranges.append((start, stop))
        self.last_stop = max(stop, self.last_stop)


@dataclass
class _Ceiling:
    """The greatest value so far on one side of zero, and the flat tops at it."""

    found: _Found
    level: float = 0.0
    flat_tops: int = 0


@dataclass
class _Run:
    """An unfinished run of zeros: where it began, and whether programme was cut off there."""

    start: int = 0
    is_open: bool = True  # a capture that begins with zeros begins in a run
    is_cut: bool = False


class EventMeter:
    """Feed blocks of float32 (frames, channels) in order; `measure_events` closes and may be called again."""

    def __init__(self, rate_hz: int, channels: int, criteria: EventCriteria) -> None:
        self._rate_hz, self._channels, self._criteria = rate_hz, channels, criteria
        self._chunk = max(8, round(rate_hz * CHUNK_S))
        look = self._chunk * CHUNKS_PER_LOOK
        self._beside = -(-round(rate_hz * EDGE_S) // look) * look  # frames held on both sides of what is looked at
        self._piece = max(look, PIECE_FRAMES // look * look)
        self._held = np.zeros((self._beside, channels), np.float32)
        self._held_start = -self._beside  # the frame of the capture that stands first in ``_held``
        self._ceilings = [[_Ceiling(self._new_found()) for _ in range(2)] for _ in range(channels)]
        self._runs = [_Run() for _ in range(channels)]
        self._gaps = [self._new_found() for _ in range(channels)]
        self._smallest = np.inf  # value beside a gap, but for zero: a capture's step or less than some hiss
        self._is_finished = False

    def _new_found(self) -> _Found:
        return _Found(round(self._criteria.merge_s * self._rate_hz), self._criteria.most_listed)

    def feed(self, block: Array) -> None:
        for at in range(0, len(block), self._piece):
            self._take(np.concatenate([self._held, block[at : at + self._piece]]))

    def _take(self, held: Array) -> None:
        look = self._chunk * CHUNKS_PER_LOOK
        ready = max(0, len(held) - 2 * self._beside) // look * look
        if ready:
            self._look(np.ascontiguousarray(held[: 2 * self._beside + ready].T), self._beside + ready)
            held = held[ready:]
            self._held_start += ready
        self._held = held.copy()

    def _look(self, samples: Array, stop: int) -> None:
        """Look at samples (channels, frames) from ``_beside`` up to ``stop``; the rest stands beside it."""
        chunks = samples[:, self._beside : stop].reshape(self._channels, -1, self._chunk)
        highest, lowest = chunks.max(2), chunks.min(2)
        for channel in range(self._channels):
            for side, extremes in ((0, highest[channel]), (1, -lowest[channel])):
                tops = extremes.reshape(-1, CHUNKS_PER_LOOK).max(1)
                self._look_for_clips(samples[channel], tops, side, self._ceilings[channel][side])
            zeros = (highest[channel] == 0) & (lowest[channel] == 0)
            if self._runs[channel].is_open or zeros.any() or samples[channel, stop - 1] == 0:
                self._look_for_gaps(samples[channel], stop, channel)

    def _look_for_clips(self, samples: Array, tops: Array, side: int, ceiling: _Ceiling) -> None:
        criteria = self._criteria
        top = float(tops.max())
        if top * criteria.ceiling_share > ceiling.level:
            ceiling.found, ceiling.flat_tops = self._new_found(), 0  # what was flat below is below the ceiling
        ceiling.level = max(ceiling.level, top)
        least = max(10 ** (criteria.quietest_clip_dbfs / 20), criteria.ceiling_share * ceiling.level)
        possible = np.flatnonzero(tops >= least)
        if not len(possible):
            return
        look, beside = self._chunk * CHUNKS_PER_LOOK, 2 * self._chunk  # a flat top's flanks may lie beside the look
        begins = self._beside + possible * look - beside
        rows = samples[begins[:, None] + np.arange(look + 2 * beside)]
        starts, stops, numbers = _flat_tops(-rows if side else rows, tops[possible], criteria)
        for row in np.flatnonzero(stops > starts):
            begin = int(begins[row]) + self._held_start
            ceiling.found.add(begin + int(starts[row]), begin + int(stops[row]))
            ceiling.flat_tops += int(numbers[row])

    def _look_for_gaps(self, samples: Array, stop: int, channel: int) -> None:
        run, beside = self._runs[channel], self._beside
        zero = np.concatenate([[run.is_open], samples[beside:stop] == 0]).astype(np.int8)
        turns = np.diff(zero)
        begins, ends = np.flatnonzero(turns > 0) + beside, np.flatnonzero(turns < 0) + beside
        shortest = round(self._criteria.shortest_gap_s * self._rate_hz)
        if run.is_open and len(ends):
            self._close(run, samples, int(ends[0]), channel)
            ends = ends[1:]
        elif run.is_open:
            return
        whole = min(len(begins), len(ends))
        for which in np.flatnonzero(ends[:whole] - begins[:whole] >= shortest):
            begin = int(begins[which])
            cut = self._is_cut(samples[begin - beside : begin][::-1])
            self._close(_Run(begin + self._held_start, True, cut), samples, int(ends[which]), channel)
        run.is_open = len(begins) > len(ends)
        if run.is_open:
            begin = int(begins[-1])
            run.start, run.is_cut = begin + self._held_start, self._is_cut(samples[begin - beside : begin][::-1])

    def _close(self, run: _Run, samples: Array, end: int, channel: int) -> None:
        run.is_open = False
        end_frame = end + self._held_start
        shortest, longest = (s * self._rate_hz for s in (self._criteria.shortest_gap_s, self._criteria.longest_gap_s))
        is_gap = run.is_cut and shortest - 1 <= end_frame - run.start <= longest
        if is_gap and self._is_cut(samples[end : end + self._beside]):
            self._gaps[channel].add(run.start, end_frame)

    def _is_cut(self, outward: Array) -> bool:
        """Whether the samples beside a run of zeros, the nearest first, are programme that was cut off."""
        criteria = self._criteria
        sizes = np.abs(outward[: round(EDGE_S * self._rate_hz)])
        rms = float(np.sqrt(np.mean(np.square(sizes, dtype=np.float64))))
        self._smallest = min(self._smallest, float(sizes[sizes > 0].min(initial=np.inf)))
        if rms < max(10 ** (criteria.quietest_gap_dbfs / 20), criteria.gap_steps * self._smallest):
            return False
        nearest = sizes[: max(4, round(SHARP_EDGE_S * self._rate_hz))]
        near = sizes[: round(NEAR_EDGE_S * self._rate_hz)]
        return float(nearest.max()) >= criteria.gap_edge * float(np.sqrt(np.mean(np.square(near, dtype=np.float64))))

    def _is_hard(self, ceiling: _Ceiling) -> bool:
        return ceiling.level >= self._criteria.full_scale or ceiling.flat_tops >= self._criteria.fewest_flat_tops

    def measure_events(self, regions: Sequence[Region]) -> tuple[Event, ...]:
        """Everything found, by time; events of one kind in both channels at once are one.

        What lies in a leader is left out: a switch or a starting motor harms no recording.
        """
        self._finish()
        leaders = [region for region in regions if region.kind is RegionKind.LEADER]
        listed: list[Event] = []
        for kind, parts, reason in self._kinds():
            for start, stop in _together(parts).ranges:
                start_s, stop_s = start / self._rate_hz, stop / self._rate_hz
                if not any(leader.start_s <= start_s and stop_s <= leader.stop_s for leader in leaders):
                    listed.append(Event(kind, start_s, stop_s, NotMeasured(reason)))
        return tuple(sorted(listed, key=lambda event: event.start_s))

    def count_events(self) -> dict[EventKind, int]:
        """How many of each kind the whole capture has, also where that is more than are listed."""
        self._finish()
        return {kind: max([_together(parts).count, *(p.count for p in parts)]) for kind, parts, _ in self._kinds()}

    def _finish(self) -> None:
        """Look at what is still held, with silence beside it."""
        if not self._is_finished:
            end = np.zeros((self._beside + self._chunk * CHUNKS_PER_LOOK, self._channels), np.float32)
            self._take(np.concatenate([self._held, end]))
            self._is_finished = True

    def _kinds(self) -> tuple[tuple[EventKind, list[_Found], str], ...]:
        clips = [ceiling.found for sides in self._ceilings for ceiling in sides if self._is_hard(ceiling)]
        return (
            (EventKind.CLIP, clips, "a flat top does not tell how much was cut off"),
            (EventKind.GAP, self._gaps, "the samples are gone"),
        )


def _together(parts: list[_Found]) -> _Found:
    """The ranges of several channels, those that meet as one."""
    together = _Found(parts[0].merge_frames, parts[0].most) if parts else _Found(0, 0)
    for start, stop in sorted(one for part in parts for one in part.ranges):
        together.add(start, stop)
    return together


def _flat_tops(rows: Array, tops: Array, criteria: EventCriteria) -> tuple[Array, Array, Array]:
    """The first flat top of three samples or more in each row, as starts and stops, and how many tops like it follow.

    stop is 0 where the row has none.
    """
    near = rows >= (tops * np.float32(1 - criteria.clip_tolerance))[:, None]
    three = near[:, :-2] & near[:, 1:-1] & near[:, 2:]
    starts, stops, numbers = np.argmax(three, axis=1), np.zeros(len(rows), int), np.zeros(len(rows), int)
    some = np.flatnonzero(three[np.arange(len(rows)), starts])
    first = starts[some]
    beyond = np.argmax(~near[some] & (np.arange(rows.shape[1]) > first[:, None]), axis=1)
    reach = np.maximum(2, (beyond - first) // 2)
    before, after = first - reach, beyond - 1 + reach
    inside = (beyond > first) & (before >= 0) & (after < rows.shape[1])
    flank = np.maximum(rows[some, np.maximum(before, 0)], rows[some, np.minimum(after, rows.shape[1] - 1)])
    fallen = tops[some] - flank
    steep = inside & (fallen >= criteria.clip_fall * criteria.clip_tolerance * tops[some])
    some, beyond, fallen = some[steep], beyond[steep], fallen[steep]
    steps = np.abs(np.diff(rows[some, : rows.shape[1] // 2], axis=1))
    flat = fallen >= criteria.clip_fall * np.where(steps > 0, steps, np.inf).min(1, initial=np.inf)
    stops[some[flat]] = beyond[flat]
    numbers[some[flat]] = np.count_nonzero(three[some[flat], 1:] & ~three[some[flat], :-1], axis=1)
    return starts, stops, numbers
