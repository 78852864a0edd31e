"""The mean frequency of a tone whose speed wavers, and how far it can be trusted.

Definition: the constant c in ``f(t) = c + drift·t + Σ lines of wow``, fitted by least squares to the demodulated
frequency with a weighting that goes to zero smoothly at both ends. Without lines this is the smoothly weighted mean:
wow that turns more than twice in the tone leaves no trace in it. A line that turns once or twice only would, by up to
a third of its depth, so the strong slow lines are fitted together with the constant. Nothing here looks for the
tallest line of the audio's spectrum: at ordinary cassette flutter the carrier's own line may vanish.

The uncertainty (k = 2) adds three things in square: the tone's own hiss, carried through the weights of the fit; what
the residual wow near zero frequency may still move, taken as high as the highest of its neighbourhood; the deviation
across dropouts, which nobody saw. To these comes a share of what the fit moved the smooth mean by, for real wow is
never quite a line, and a floor. Where the fit would be the less certain of the two, the smooth mean stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.baseband import smooth_weights
from pipeline.demodulate import Demodulated
from pipeline.records import NotMeasured

Array = np.ndarray[Any, Any]

PADDING = 4  # spectra are drawn at least this much finer than the tone's length resolves
HANN_TURNS = 1.5  # noise bandwidth of the smooth weighting, in turns over the tone's length
ALIKE = 1e-10  # columns of the fit nearer than this, as a share of power, are one
ROUNDS = 8  # of the fit; it settles in four or five


@dataclass(frozen=True)
class MeanCriteria:
    """How the mean is taken (table ``[tone.mean]`` of ``config/method.toml``).

    rate_hz          the deviation is thinned out to about this rate first
    longest_fit_s    in longer tones every line turns often enough to vanish from the smooth mean by itself
    lines            fit so many lines at most
    slowest_turns    a line turns at least so often in the tone; a slower one cannot be told from the mean
    fastest_turns    and at most so often: faster ones have vanished
    apart_turns      two lines lie at least so far apart
    above_hiss       a line stands so many times above what the hiss reads there
    against_first    and is at least this share of the strongest
    fit_share        share of the fit's own correction that counts as uncertain
    floor_percent    no uncertainty is stated below this
    """

    rate_hz: float
    longest_fit_s: float
    lines: int
    slowest_turns: float
    fastest_turns: float
    apart_turns: float
    above_hiss: float
    against_first: float
    fit_share: float
    floor_percent: float


@dataclass(frozen=True)
class MeanFrequency:
    """uncertainty_hz is the half-width that covers the true mean in at least 95 % of cases."""

    hz: float
    uncertainty_hz: float


@dataclass(frozen=True)
class _Fit:
    """weights: how much each sample moved the mean; residual: what the fit left."""

    mean: float
    weights: Array
    residual: Array


def mean_frequency(demodulated: Demodulated, criteria: MeanCriteria) -> MeanFrequency:
    """Of a demodulated tone."""
    offset_hz, rate_hz = _thinned(demodulated, criteria.rate_hz)
    hiss = _phase_noise(demodulated)
    smooth = _smooth_mean(offset_hz)
    uncertain_hz = _uncertainty_hz(smooth, rate_hz, hiss, criteria)
    best = smooth
    if len(offset_hz) / rate_hz <= criteria.longest_fit_s:
        fitted = _fitted(offset_hz, rate_hz, hiss, criteria)
        fit_hz = _uncertainty_hz(fitted, rate_hz, hiss, criteria)
        fit_hz = float(np.hypot(fit_hz, criteria.fit_share * (fitted.mean - smooth.mean)))
        if fit_hz < uncertain_hz:
            best, uncertain_hz = fitted, fit_hz
    carrier_hz = demodulated.carrier_hz
    unseen_hz = _unseen_hz(demodulated)
    floor_hz = criteria.floor_percent / 100 * carrier_hz
    return MeanFrequency(carrier_hz + best.mean, float(np.sqrt(uncertain_hz**2 + unseen_hz**2 + floor_hz**2)))


def _thinned(demodulated: Demodulated, rate_hz: float) -> tuple[Array, float]:
    """The frequency against the carrier, in Hz, smoothed over four steps and taken once a step; the rate that results.

    A whole side is not converted to float64 at once: rows of one step times the quarters of the weighting, added up.
    """
    deviation = demodulated.deviation_percent
    step = max(1, int(demodulated.rate_hz / rate_hz))
    if len(deviation) < 16 * step:
        step = 1
    if step == 1:
        return deviation.astype(np.float64) * (demodulated.carrier_hz / 100), demodulated.rate_hz
    quarters = smooth_weights(4 * step).astype(np.float32).reshape(4, step).T
    parts = deviation[: len(deviation) // step * step].reshape(-1, step) @ quarters
    count = len(parts) - 3
    smooth = sum(parts[k : k + count, k].astype(np.float64) for k in range(4))
    return np.asarray(smooth) * (demodulated.carrier_hz / 100), demodulated.rate_hz / step


def _phase_noise(demodulated: Demodulated) -> float:
    """Density of the phase noise that the hiss makes, rad²/Hz, one-sided."""
    if isinstance(demodulated.tone_to_noise_db, NotMeasured):
        return 0.0
    return float(1 / (2 * 10 ** (demodulated.tone_to_noise_db / 10) * demodulated.noise_width_hz))


def _smooth_mean(offset_hz: Array) -> _Fit:
    weights = smooth_weights(len(offset_hz))
    at = np.linspace(-1, 1, len(offset_hz))
    mean = float(weights @ offset_hz)
    slope = float((weights * at) @ offset_hz / ((weights * at) @ at))  # drift: symmetric, so it does not move the mean
    return _Fit(mean, weights, offset_hz - mean - slope * at)


def _fitted(offset_hz: Array, rate_hz: float, hiss: float, criteria: MeanCriteria) -> _Fit:
    """The smooth mean with the strong slow lines fitted along, found one after the other, refined together."""
    seconds = len(offset_hz) / rate_hz
    fit = _smooth_mean(offset_hz)
    hz = np.fft.rfftfreq(_padded(len(offset_hz)), 1 / rate_hz)
    reach = (hz >= criteria.slowest_turns / seconds) & (hz <= criteria.fastest_turns / seconds)
    limit = criteria.above_hiss * np.sqrt(2 * hiss * HANN_TURNS / seconds) * hz
    lines: list[float] = []
    first = 0.0
    while len(lines) < criteria.lines:
        height = np.where(reach, _spectrum(fit.residual), 0.0)
        tallest = int(np.argmax(height))
        first = first or float(height[tallest])
        if height[tallest] <= max(limit[tallest], criteria.against_first * first):
            break
        lines, fit = _refined(offset_hz, rate_hz, [*lines, float(hz[tallest])], criteria)
        for line in lines:
            reach &= np.abs(hz - line) >= criteria.apart_turns / seconds
    return fit


def _spectrum(residual: Array) -> Array:
    """Amplitude of a line at each frequency, in Hz of deviation."""
    return 2 * np.abs(np.fft.rfft(smooth_weights(len(residual)) * residual, _padded(len(residual))))


def _padded(count: int) -> int:
    return 1 << (PADDING * count - 1).bit_length()


def _refined(offset_hz: Array, rate_hz: float, lines: list[float], criteria: MeanCriteria) -> tuple[list[float], _Fit]:
    """Gauss-Newton on the lines' frequencies; everything else in the model is linear."""
    count = len(offset_hz)
    seconds = count / rate_hz
    at_s = (np.arange(count) - (count - 1) / 2) / rate_hz
    root = np.sqrt(smooth_weights(count))
    low, high = (criteria.slowest_turns / seconds, (criteria.fastest_turns + 1) / seconds)
    for _ in range(ROUNDS):
        angles = 2 * np.pi * np.outer(at_s, lines)
        model = np.concatenate([np.ones((count, 1)), at_s[:, None] / seconds, np.cos(angles), np.sin(angles)], axis=1)
        found = _least_squares(model * root[:, None], offset_hz * root)
        residual = offset_hz - model @ found
        cosine, sine = np.split(found[2:], 2)
        slopes = 2 * np.pi * at_s[:, None] * (sine * np.cos(angles) - cosine * np.sin(angles))
        whole = np.concatenate([model, slopes], axis=1) * root[:, None]
        moves = _least_squares(whole, residual * root)[model.shape[1] :]
        moves = np.clip(moves, -0.25 / seconds, 0.25 / seconds)
        if np.max(np.abs(moves)) < 1e-4 / seconds:
            break
        lines = list(np.clip(np.array(lines) + moves, low, high))
    weights = _inverse(whole)[0] @ whole.T * root  # the row of the solution that gives the constant
    return lines, _Fit(float(found[0]), weights, residual)


def _least_squares(columns: Array, wanted: Array) -> Array:
    return np.asarray(_inverse(columns) @ (columns.T @ wanted))


def _inverse(columns: Array) -> Array:
    """Of the columns' products, each brought to length 1 first; what they cannot tell apart counts as not there."""
    scale = 1 / np.maximum(np.sqrt(np.sum(columns**2, axis=0)), 1e-30)
    inverse = np.linalg.pinv((columns.T @ columns) * np.outer(scale, scale), rcond=ALIKE, hermitian=True)
    return np.asarray(inverse * np.outer(scale, scale))


def _uncertainty_hz(fit: _Fit, rate_hz: float, hiss: float, criteria: MeanCriteria) -> float:
    seconds = len(fit.weights) / rate_hz
    steps = np.diff(fit.weights, prepend=0.0, append=0.0) * (rate_hz / (2 * np.pi))
    from_hiss = float(steps @ steps) * hiss * rate_hz / 2
    density = _spectrum(fit.residual) ** 2 / (2 * HANN_TURNS / seconds)
    length = _padded(len(fit.weights))
    density = _highest_near(density, 2 * length // len(fit.weights))
    response = np.abs(np.fft.rfft(fit.weights, length)) ** 2
    from_wow = float(density @ response) * rate_hz / length
    return 2 * float(np.sqrt(from_hiss + from_wow))


def _highest_near(density: Array, reach: int) -> Array:
    padded = np.pad(density, reach, mode="reflect")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1))


def _unseen_hz(demodulated: Demodulated) -> float:
    """Across each dropout the deviation may have been off by as much as it swings elsewhere, on its own."""
    present = demodulated.present
    if present.all() or not present.any():
        return 0.0
    swing_hz = float(np.std(demodulated.deviation_percent[present])) * demodulated.carrier_hz / 100
    count = len(present)
    changes = np.flatnonzero(np.diff(present.astype(np.int8), prepend=1, append=1))
    starts, stops = changes[::2], changes[1::2]
    shares = (stops - starts) / count * (1 - np.cos(np.pi * (starts + stops) / count))
    return float(swing_hz * np.sqrt(np.sum(shares**2)))
