"""Frequency response from a test tape's tones: steps from one frequency to the next, or one slow sweep.

Definition: the level of each tone on each channel against the reference tone (315 Hz where it is there). The tape is
taken to be recorded so that a deck in order replays every step at one level.

Which tones belong to the series is told by the tones themselves: several frequencies one after the other with room for
an announcement between, about equally long, none of them twice at different levels, none far above its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.hum import HumLine
from pipeline.records import NotMeasured, Reading

Array = np.ndarray[Any, Any]
SAME_HZ_SHARE = 0.04  # third octaves are 26 % apart, the nearest usual test tones (315 and 333 Hz) 6 %
LEAST_BINS = 3  # a Hann window's line reaches two bins to either side
ABOVE_HUM_DB = 6.0  # a test tone at a mains frequency stands that much above the hum at least
FRAMES_AT_ONCE = 64
FEWEST_SWEEP_FRAMES = 8


class ResponseKind(StrEnum):
    STEPS = "steps"
    SWEEP = "sweep"
    NONE = "none"


@dataclass(frozen=True)
class ResponseCriteria:
    """What counts as a response series (table ``[response]`` of ``config/bench.toml``).

    window_s              length of an analysis window, seconds
    lowest_hz             no tone lies below
    width_share           a line is counted with this share of its frequency to either side
    purity                least share of all power that a tone holds, 0 … 1
    step_shortest_s       shortest step, seconds
    step_spread_percent   frequency of a step stays within ± this …
    step_slope_percent    … and moves by no more from its first third to its last
    step_level_db         … and its level's 10th and 90th percentile are no further apart, dB
    gap_s                 longest time from one step to the next, seconds
    fewest_steps          frequencies that make a series
    longest_times         a step longer than this many times the usual one belongs to another section
    same_level_db         one frequency twice at levels further apart than this: another section
    bump_db               a step this far above both neighbours was recorded louder
    sweep_octaves         least range of a sweep
    sweep_forward         share of its moves that go one way, 0 … 1
    sweep_points          points to an octave that a sweep is told at
    reference_hz          the first of these that is in the series is 0 dB
    """

    window_s: float
    lowest_hz: float
    width_share: float
    purity: float
    step_shortest_s: float
    step_spread_percent: float
    step_slope_percent: float
    step_level_db: float
    gap_s: float
    fewest_steps: int
    longest_times: float
    same_level_db: float
    bump_db: float
    sweep_octaves: float
    sweep_forward: float
    sweep_points: int
    reference_hz: tuple[float, ...]


@dataclass(frozen=True)
class ResponsePoint:
    """hz: as it stands on the tape, speed error taken out. Levels in dB against the reference point."""

    hz: float
    left_db: Reading
    right_db: Reading


@dataclass(frozen=True)
class Response:
    """points in order of frequency; reference_hz: which of them is 0 dB."""

    kind: ResponseKind
    reference_hz: Reading
    points: tuple[ResponsePoint, ...]


@dataclass(frozen=True)
class Track:
    """The strongest line of each window: (frames,) times_s, hz, share; (frames, channels) level_db."""

    times_s: Array
    hz: Array
    share: Array
    level_db: Array
    bin_hz: float


@dataclass(frozen=True)
class Step:
    """One steady tone. level_db: (channels,)."""

    start_s: float
    stop_s: float
    hz: float
    level_db: Array


class ResponseMeter:
    """Feed blocks of float32 (frames, channels) in order; `measure_response` closes."""

    def __init__(self, rate_hz: int, channels: int, criteria: ResponseCriteria) -> None:
        self._rate_hz, self._criteria = rate_hz, criteria
        self._length = int(2 ** round(np.log2(rate_hz * criteria.window_s)))
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(self._length) / self._length)).astype(np.float32)
        self._held = np.zeros((0, channels), np.float32)
        self._rows: list[tuple[Array, Array, Array]] = []

    def feed(self, block: Array) -> None:
        held = np.concatenate([self._held, block])
        hop = self._length // 2
        count = (len(held) - self._length) // hop + 1
        if count > 0:
            views = np.lib.stride_tricks.sliding_window_view(held, self._length, axis=0)[::hop][:count]
            for at in range(0, count, FRAMES_AT_ONCE):
                self._rows.append(self._lines(views[at : at + FRAMES_AT_ONCE]))
            held = held[count * hop :]
        self._held = held.copy()

    def _lines(self, views: Array) -> tuple[Array, Array, Array]:
        """views is (frames, channels, length)."""
        import scipy.fft

        power = np.abs(scipy.fft.rfft(views * self._window, axis=-1)) ** 2
        power *= 2.0 / (self._length * float(np.sum(self._window.astype(np.float64) ** 2)))
        bin_hz = self._rate_hz / self._length
        low = max(2, int(np.ceil(self._criteria.lowest_hz / bin_hz)))
        summed = power.sum(axis=1)
        top = np.argmax(summed[:, low:-1], axis=1) + low
        around = np.log(np.maximum([summed[np.arange(len(top)), top + k] for k in (-1, 0, 1)], 1e-30))
        bend = np.minimum(around[0] - 2 * around[1] + around[2], -1e-9)
        hz = (top + np.clip(0.5 * (around[0] - around[2]) / bend, -0.5, 0.5)) * bin_hz
        total = np.cumsum(np.pad(power, ((0, 0), (0, 0), (1, 0))), axis=-1, dtype=np.float64)
        reach = np.maximum(LEAST_BINS, np.ceil(self._criteria.width_share * top)).astype(int)
        first, stop = np.maximum(top - reach, 0), np.minimum(top + reach + 1, power.shape[-1])
        line = np.stack([total[i, :, b] - total[i, :, a] for i, (a, b) in enumerate(zip(first, stop, strict=True))])
        everything = (total[:, :, -1] - total[:, :, low - 1]).sum(axis=1)
        share = line.sum(axis=1) / np.maximum(everything, 1e-30)
        return hz, share, 10 * np.log10(np.maximum(line, 1e-20))

    def track(self) -> Track:
        """The lines found so far."""
        if not self._rows:
            return Track(*(np.zeros(0),) * 3, np.zeros((0, self._held.shape[1])), self._rate_hz / self._length)
        hz, share, level_db = (np.concatenate(column) for column in zip(*self._rows, strict=True))
        times_s = (np.arange(len(hz)) + 1) * (self._length // 2) / self._rate_hz
        return Track(times_s, hz, share, level_db, self._rate_hz / self._length)

    def measure_response(self, speed_error_percent: float, hum: Sequence[HumLine]) -> Response | NotMeasured:
        """The steps where there are enough of them, else a sweep. ``hum`` stands alone between tones and is no step."""
        track = self.track()
        steps = [step for step in find_steps(track, self._criteria) if not _is_hum(step, hum, track.bin_hz)]
        return response_of(steps, track, speed_error_percent, self._criteria)


def _is_hum(step: Step, hum: Sequence[HumLine], bin_hz: float) -> bool:
    level_db = float(np.max(step.level_db))
    return any(abs(step.hz - line.hz) < bin_hz / 2 and level_db < line.level_dbfs + ABOVE_HUM_DB for line in hum)


def response_of(
    steps: Sequence[Step], track: Track, speed_error_percent: float, criteria: ResponseCriteria
) -> Response | NotMeasured:
    """The response that a capture's steps, or else its lines, show; or why there is none."""
    series = _series(steps, criteria)
    if len(series) >= criteria.fewest_steps:
        return _told(ResponseKind.STEPS, series, speed_error_percent, criteria)
    if swept := _swept(track, criteria):
        return _told(ResponseKind.SWEEP, swept, speed_error_percent, criteria)
    return NotMeasured(
        f"no series of {criteria.fewest_steps} or more tones at one level, and no sweep over"
        f" {criteria.sweep_octaves:g} octaves, on this capture"
    )


def _told(
    kind: ResponseKind, steps: Sequence[Step], speed_error_percent: float, criteria: ResponseCriteria
) -> Response:
    speed = 1 + speed_error_percent / 100
    reference = _reference([step.hz / speed for step in steps], criteria.reference_hz)
    zero_db = steps[reference].level_db
    points = []
    for step in steps:
        left, *right = (float(level) for level in step.level_db - zero_db)
        points.append(ResponsePoint(step.hz / speed, left, right[0] if right else NotMeasured("one channel")))
    return Response(kind, points[reference].hz, tuple(points))


def _reference(hz: Sequence[float], wanted_hz: Sequence[float]) -> int:
    for wish_hz in wanted_hz:
        near = min(range(len(hz)), key=lambda n: abs(hz[n] / wish_hz - 1))
        if abs(hz[near] / wish_hz - 1) <= SAME_HZ_SHARE:
            return near
    return min(range(len(hz)), key=lambda n: abs(np.log(hz[n] / wanted_hz[-1])))


def find_steps(track: Track, criteria: ResponseCriteria) -> list[Step]:
    """Every steady tone, in order of time."""
    steps = []
    hop_s = float(track.times_s[1] - track.times_s[0]) if len(track.times_s) > 1 else criteria.window_s
    for run in _steady_runs(track, criteria):
        hz, level_db = track.hz[run], track.level_db[run]
        third = max(1, len(run) // 3)
        slope = abs(float(np.median(hz[-third:]) / np.median(hz[:third]) - 1))
        spread = np.percentile(level_db, 90, axis=0) - np.percentile(level_db, 10, axis=0)
        long = len(run) * hop_s >= criteria.step_shortest_s
        still = slope <= criteria.step_slope_percent / 100 + 0.2 * track.bin_hz / float(np.median(hz))
        if long and still and np.min(spread) <= criteria.step_level_db:
            inside = level_db[1:-1] if len(run) > 4 else level_db  # the ends hold half a window each
            mean_db = 10 * np.log10(np.mean(10 ** (inside / 10), axis=0))
            start_s, stop_s = float(track.times_s[run[0]]), float(track.times_s[run[-1]])
            steps.append(Step(start_s - hop_s / 2, stop_s + hop_s / 2, float(np.median(hz)), mean_db))
    return steps


def _steady_runs(track: Track, criteria: ResponseCriteria) -> list[Array]:
    """Frame numbers of stretches whose line stays where its median so far is."""
    runs: list[list[int]] = []
    for number in np.flatnonzero(track.share >= criteria.purity):
        hz = float(track.hz[number])
        if runs and number - runs[-1][-1] <= 2:
            middle_hz = float(np.median(track.hz[runs[-1][-25:]]))
            if abs(hz - middle_hz) <= criteria.step_spread_percent / 100 * middle_hz + 0.5 * track.bin_hz:
                runs[-1].append(int(number))
                continue
        runs.append([int(number)])
    return [np.array(run) for run in runs if len(run) > 2]


def _series(steps: Sequence[Step], criteria: ResponseCriteria) -> list[Step]:
    """The steps of the longest series, one a frequency, in order of frequency; empty where there is none."""
    best: list[Step] = []
    window: list[Step] = []
    for step in steps:
        if window and step.start_s - window[-1].stop_s > criteria.gap_s:
            window = []
        for place, other in enumerate(window):
            louder_db = abs(float(np.max(step.level_db) - np.max(other.level_db)))
            if _same_hz(step, other) and louder_db > criteria.same_level_db:
                window = window[place + 1 :]
                break
        window.append(step)
        chosen = _alike(window, criteria)
        if len(chosen) >= len(best):
            best = chosen
    return best


def _same_hz(step: Step, other: Step) -> bool:
    return abs(step.hz / other.hz - 1) <= SAME_HZ_SHARE


def _alike(window: Sequence[Step], criteria: ResponseCriteria) -> list[Step]:
    """Without steps that are far too long or stand out; of one frequency the last."""
    usual_s = float(np.median([step.stop_s - step.start_s for step in window]))
    kept: list[Step] = []
    for step in window:
        if step.stop_s - step.start_s <= criteria.longest_times * usual_s:
            kept = [other for other in kept if not _same_hz(step, other)] + [step]
    kept.sort(key=lambda step: step.hz)
    loudest = [float(np.max(step.level_db)) for step in kept]
    bumps = {
        n
        for n in range(len(kept))
        if len(kept) > 2
        and loudest[n] - max(loudest[k] for k in (n - 1, n + 1) if 0 <= k < len(kept)) > criteria.bump_db
    }
    return [step for n, step in enumerate(kept) if n not in bumps]


def _swept(track: Track, criteria: ResponseCriteria) -> list[Step]:
    """A sweep's level in equal parts of an octave, as steps; empty where there is none."""
    pure = np.flatnonzero(track.share >= criteria.purity)
    for run in np.split(pure, np.flatnonzero(np.diff(pure) > 3) + 1):
        for part in _one_way(track, run, criteria):
            octaves = np.log2(track.hz[part])
            if np.ptp(octaves) < criteria.sweep_octaves:
                continue
            place = np.round(octaves * criteria.sweep_points).astype(int)
            steps = []
            for number in np.unique(place):
                inside = part[place == number]
                mean_db = 10 * np.log10(np.mean(10 ** (track.level_db[inside] / 10), axis=0))
                middle_hz = float(np.exp2(np.mean(np.log2(track.hz[inside]))))
                steps.append(
                    Step(float(track.times_s[inside[0]]), float(track.times_s[inside[-1]]), middle_hz, mean_db)
                )
            return steps
    return []


def _one_way(track: Track, run: Array, criteria: ResponseCriteria) -> list[Array]:
    """The stretches of a run between jumps in which the frequency keeps going one way."""
    if len(run) < FEWEST_SWEEP_FRAMES:
        return []
    moves = np.diff(np.log2(track.hz[run]))
    limit = 0.5 + 2 * track.bin_hz / track.hz[run[:-1]]
    parts = np.split(run, np.flatnonzero(np.abs(moves) > limit) + 1)
    found = []
    for part in parts:
        hz = track.hz[part]
        clear = [b - a for a, b in pairwise(hz) if abs(b - a) > 0.2 * track.bin_hz]
        forward = np.mean(np.array(clear) > 0) if clear else 0.5
        if len(part) >= FEWEST_SWEEP_FRAMES and max(forward, 1 - forward) >= criteria.sweep_forward:
            found.append(part)
    return found
