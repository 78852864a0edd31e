"""Samples that a recorder lost without a trace, where a steady tone stands: its wave jumps.

Between two neighbouring samples the tone goes on from another place of its wave, as loud and as fast as before. Wow and
flutter turn the phase gently, a dropout takes the level and gives the phase back, a splice takes its time, and where
a tone begins or ends its level changes. So places at which the tone turns suddenly are read once more: two tones that
meet there must explain the samples far better than one that bends.

The phase tells nothing of whole waves: a loss of exactly so many is not seen, nor how much was lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.demodulate import Demodulated

Array = np.ndarray[Any, Any]

BESIDE_S = (0.025, 0.06)  # a sudden turn stands out of what is so far to both sides, clear of the filters' ringing
LEAST_OF_STEP = 0.4  # of the turning that the smallest jump makes after the demodulator's filter
DEGREE = 2  # of each tone's course; a bending one has as many coefficients as two
COARSE = 32  # places tried before single samples are


@dataclass(frozen=True)
class PhaseJumpCriteria:
    """least_turns   smaller jumps are not told (share of a wave)
    around_s      samples are read so far to both sides …
    waves         … but at least so many waves of the tone
    better        two tones leave so many times less power unexplained than one that bends
    level_db      both are as loud within this
    most_asked    places in one tone that are looked at, the most sudden ones
    """

    least_turns: float
    around_s: float
    waves: float
    better: float
    level_db: float
    most_asked: int


def find_phase_jumps(
    read: Callable[[int, int], Array], rate_hz: int, tone: Demodulated, criteria: PhaseJumpCriteria
) -> tuple[int, ...]:
    """The first frames after losses within this tone, in order; ``read(start, stop)`` gives (frames, channels)."""
    reach = round(max(criteria.around_s, criteria.waves / tone.carrier_hz) * rate_hz)
    found: list[int] = []
    for at in _sudden(tone, criteria):
        frame = round((tone.start_s + at / tone.rate_hz) * rate_hz)
        samples = read(frame - reach, frame + reach)[:, list(tone.channels)]
        if len(samples) < 2 * reach:
            continue
        louder = samples[:, int(np.argmax(np.square(samples, dtype=np.float64).sum(0)))].astype(np.float64)
        near, far = (round(beside * tone.rate_hz) for beside in BESIDE_S)
        percent = tone.deviation_percent
        around = (percent[at - far : at - near + 1].mean() + percent[at + near : at + far + 1].mean()) / 2
        jump = _jump(louder, tone.carrier_hz * (1 + float(around) / 100) / rate_hz, criteria)
        if jump is not None:
            found.append(frame - reach + jump)
    return tuple(sorted(set(found)))


def _sudden(tone: Demodulated, criteria: PhaseJumpCriteria) -> Array:
    """Baseband samples at which the tone turns suddenly or is gone for a moment, the most sudden ones, in order."""
    near, end = (round(beside * tone.rate_hz) for beside in BESIDE_S)
    percent, count = tone.deviation_percent, len(tone.deviation_percent)
    if count < 2 * (end + near) + 3:
        return np.zeros(0, np.int64)
    unrest = np.zeros(count, np.float32)
    unrest[near:-near] = np.abs(percent[near:-near] - (percent[: -2 * near] + percent[2 * near :]) / 2)
    unrest *= np.float32(tone.carrier_hz / 100)
    least = LEAST_OF_STEP * criteria.least_turns * 2 * tone.noise_width_hz  # a step's slope is twice the filter's width
    highest = np.lib.stride_tricks.sliding_window_view(unrest, 2 * near + 1).max(1)
    inner = unrest[end : count - end]
    turning = end + np.flatnonzero((inner >= least) & (inner == highest[end - near : count - end - near]))
    turning = turning[np.argsort(-unrest[turning], kind="stable")[: criteria.most_asked]]
    edges = np.diff(tone.present.astype(np.int8))
    starts, stops = np.flatnonzero(edges < 0) + 1, np.flatnonzero(edges > 0) + 1
    if len(stops) and (not len(starts) or stops[0] < starts[0]):
        stops = stops[1:]
    gone = (starts[: len(stops)] + stops) // 2 if len(starts) >= len(stops) else np.zeros(0, np.int64)
    gone = gone[(gone >= end) & (gone < count - end)][: criteria.most_asked]
    return np.unique(np.concatenate([turning, gone]))


def _jump(samples: Array, turns_a_sample: float, criteria: PhaseJumpCriteria) -> int | None:
    """The sample at which one tone ends and the other begins, if they do and the phase jumps."""
    count = len(samples)
    at = np.arange(count)
    along = 2 * at / count - 1
    wave = np.exp(2j * np.pi * turns_a_sample * at)
    splits = np.linspace(count / 4, 3 * count / 4, COARSE).astype(int)
    two = _Tones(samples, along, wave, DEGREE)
    best = splits[np.argmin(two.left_over(splits))]
    width = count // (2 * COARSE) + 1
    splits = np.arange(best - width, best + width + 1)
    left_over = two.left_over(splits)
    split = int(splits[np.argmin(left_over)])
    before, after = two.meeting(split)
    if min(abs(before), abs(after)) <= 0:
        return None
    turns = abs(np.angle(after / before)) / (2 * np.pi)
    level_db = abs(20 * np.log10(abs(after / before)))
    one = _Tones(samples, along, wave, 2 * DEGREE + 1).left_over(np.array([count]))[0]
    is_jump = turns >= criteria.least_turns and level_db <= criteria.level_db
    return split if is_jump and one >= criteria.better * left_over.min() else None


class _Tones:
    """A tone whose course is a polynomial, fitted to what lies before any sample and to what lies after it."""

    def __init__(self, samples: Array, along: Array, wave: Array, degree: int) -> None:
        powers = along[:, None] ** np.arange(degree + 1)
        self._along, self._wave, self._degree = along, wave, degree
        self._basis = np.concatenate([wave.real[:, None] * powers, wave.imag[:, None] * powers], axis=1)
        products = self._basis[:, :, None] * self._basis[:, None, :]
        none = np.zeros((1, *products.shape[1:]))
        self._squares = np.concatenate([none, np.cumsum(products, axis=0)])
        self._shared = np.concatenate([none[:, 0], np.cumsum(self._basis * samples[:, None], axis=0)])
        self._power = float(samples @ samples)

    def left_over(self, splits: Array) -> Array:
        """Power that the two tones leave unexplained; with a split behind the last sample it is one tone."""
        explained = self._explained(self._squares[splits], self._shared[splits])
        if splits[-1] < len(self._along):
            explained = explained + self._explained(
                self._squares[-1] - self._squares[splits], self._shared[-1] - self._shared[splits]
            )
        return self._power - explained

    def _explained(self, squares: Array, shared: Array) -> Array:
        coefficients = np.linalg.solve(squares, shared[..., None])[..., 0]
        return np.einsum("ij,ij->i", coefficients, shared)

    def meeting(self, split: int) -> tuple[complex, complex]:
        """Both tones at the split, as amplitude and phase."""
        parts = [
            (self._squares[split], self._shared[split]),
            (self._squares[-1] - self._squares[split], self._shared[-1] - self._shared[split]),
        ]
        powers = self._along[min(split, len(self._along) - 1)] ** np.arange(self._degree + 1)
        before, after = (
            complex(c[: len(powers)] @ powers - 1j * (c[len(powers) :] @ powers))
            for c in (np.linalg.solve(squares, shared) for squares, shared in parts)
        )
        return before, after
