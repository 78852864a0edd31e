"""The mean frequency of a tone whose speed wavers, and how far it can be trusted.

Definition: the mean over the tone's whole span, its turns over its time, of the demodulated frequency without its wow:
``f(t) = mean + drift(t) + Σ lines of wow``. The drift is a polynomial without a mean, as fine as nothing in a deck
turns; the lines are those slow enough to move the mean, found one after the other and fitted together with it. What
the fit leaves is averaged flat, with short smooth tapers, so that wow beside the lines goes in by its ends alone and
weakly. Nothing here looks for the tallest line of the audio's spectrum: at ordinary cassette flutter the carrier's own
line may vanish.

The uncertainty (k = 2) adds in square: the tone's own hiss, carried through the weights of the fit; what the residual
wow near zero frequency may still move, taken as high as the highest of its neighbourhood and the floor around it; the
deviation across dropouts, which nobody saw. To these come shares of what the lines and the drift at the ends moved the
mean by, for real wow is never quite a line nor drift a polynomial; how far the plain mean of just these seconds lies
away, turns of wow that were only begun included, so that either mean is covered; and a floor. Where fitting lines would
be the less certain, none are fitted. Speed that merely wanders has no lines: some of its swings fitted as lines would
leave a residual far quieter than the wander is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.baseband import smooth_weights
from pipeline.demodulate import Demodulated
from pipeline.line_floor import noise_floor
from pipeline.records import NotMeasured

Array = np.ndarray[Any, Any]

PADDING = 4  # spectra are drawn at least this much finer than the tone's length resolves
HANN_TURNS = 1.5  # noise bandwidth of the smooth weighting, in turns over the tone's length
LOWEST = 8  # of so many of the lowest bins that neither drift nor lines took, the highest is above the floor
ALIKE = 1e-10  # columns of the fit nearer than this, as a share of power, are one
ROUNDS = 8  # of the fit; it settles in four or five


@dataclass(frozen=True)
class MeanCriteria:
    """How the mean is taken (table ``[tone.mean]`` of ``config/method.toml``).

    rate_hz          the deviation is thinned out to about this rate first
    taper_s          at either end the weights rise this long, or half the tone, …
    taper_share      … or this share of the tone if that is more
    drift_hz         drift is followed this fast; nothing in a deck turns as slowly
    drift_degree     by a polynomial of this degree at most
    longest_fit_s    in longer tones no line moves the mean
    lines            fit so many lines at most
    slowest_hz       no part of a deck turns slower; what does is drift
    slowest_turns    a line turns at least so often in the tone; a slower one cannot be told from the mean
    fastest_turns    and at most so often in the two tapers: faster ones have vanished
    apart_turns      two lines lie at least so far apart
    above_hiss       a line stands so many times above what the hiss reads there …
    above_floor      … and above the floor of unsteady speed around it: what merely wanders has no lines
    floor_bins       that floor is read over at least so many turns to either side …
    floor_share      … or this share of the rate
    against_first    and is at least this share of the strongest
    fit_share        share of what lines and drift corrected that counts as uncertain
    floor_percent    no uncertainty is stated below this
    """

    rate_hz: float
    taper_s: float
    taper_share: float
    drift_hz: float
    drift_degree: int
    longest_fit_s: float
    lines: int
    slowest_hz: float
    slowest_turns: float
    fastest_turns: float
    apart_turns: float
    above_hiss: float
    above_floor: float
    floor_bins: int
    floor_share: float
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
    """weights: how much each sample moved the mean; residual: what the fit left; drift: what it did to the ends;
    turns: how many of its turns drift takes along; lines: their rates, Hz."""

    mean: float
    weights: Array
    residual: Array
    drift: float
    turns: float
    lines: tuple[float, ...]


def mean_frequency(demodulated: Demodulated, criteria: MeanCriteria) -> MeanFrequency:
    """Of a demodulated tone."""
    offset_hz, rate_hz = _thinned(demodulated, criteria.rate_hz)
    hiss = _phase_noise(demodulated)
    drift_alone = _refined(offset_hz, rate_hz, [], criteria)[1]
    best, uncertain_hz = drift_alone, _uncertainty_hz(drift_alone, rate_hz, hiss, criteria)
    if len(offset_hz) / rate_hz <= criteria.longest_fit_s:
        fitted = _fitted(offset_hz, rate_hz, hiss, criteria)
        fit_hz = _uncertainty_hz(fitted, rate_hz, hiss, criteria)
        fit_hz = float(np.hypot(fit_hz, criteria.fit_share * (fitted.mean - drift_alone.mean)))
        if fit_hz < uncertain_hz:
            best, uncertain_hz = fitted, fit_hz
    carrier_hz = demodulated.carrier_hz
    unseen_hz = _unseen_hz(demodulated)
    floor_hz = criteria.floor_percent / 100 * carrier_hz
    begun_hz = _begun_hz(offset_hz - best.mean, rate_hz, demodulated)
    whole_hz = float(np.sqrt(uncertain_hz**2 + unseen_hz**2 + floor_hz**2 + begun_hz**2))
    return MeanFrequency(carrier_hz + best.mean, whole_hz)


def _begun_hz(wow_hz: Array, rate_hz: float, demodulated: Demodulated) -> float:
    """How far the plain mean of the whole tone lies from the mean without wow, what the filters took of its ends
    reckoned to be as it is there."""
    seconds = demodulated.seconds + 2 * demodulated.edge_s
    lost_s = (seconds - len(wow_hz) / rate_hz) / 2
    ends_hz = abs(float(np.mean(wow_hz[: max(1, round(lost_s * rate_hz))])))
    ends_hz += abs(float(np.mean(wow_hz[-max(1, round(lost_s * rate_hz)) :])))
    return (abs(float(np.sum(wow_hz))) / rate_hz + ends_hz * lost_s) / seconds


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


def _tapered(count: int, rate_hz: float, criteria: MeanCriteria) -> Array:
    """Flat weights that rise and fall smoothly, with the sum 1; over a short tone nothing but rise and fall."""
    rise = _rise(count, rate_hz, criteria)
    weights = np.ones(count)
    weights[:rise] = np.sin(np.pi / 2 * (np.arange(rise) + 0.5) / rise) ** 2
    weights[count - rise :] = weights[:rise][::-1]
    return np.asarray(weights / weights.sum())


def _rise(count: int, rate_hz: float, criteria: MeanCriteria) -> int:
    return max(1, min(count // 2, int(max(criteria.taper_s * rate_hz, criteria.taper_share * count))))


def _drift_columns(count: int, rate_hz: float, criteria: MeanCriteria) -> Array:
    """The mean, and polynomials that have none over the span."""
    degree = min(criteria.drift_degree, max(1, int(2 * criteria.drift_hz * count / rate_hz)))
    columns = np.polynomial.legendre.legvander((2 * np.arange(count) + 1) / count - 1, degree)
    columns[:, 1:] -= columns[:, 1:].mean(axis=0)
    return np.asarray(columns)


def _fitted(offset_hz: Array, rate_hz: float, hiss: float, criteria: MeanCriteria) -> _Fit:
    """The mean with the strong slow lines fitted along, found one after the other, refined together."""
    seconds = len(offset_hz) / rate_hz
    taper_s = _rise(len(offset_hz), rate_hz, criteria) / rate_hz
    _, fit = _refined(offset_hz, rate_hz, [], criteria)
    hz = np.fft.rfftfreq(_padded(len(offset_hz)), 1 / rate_hz)
    low_hz, high_hz = _reach_hz(seconds, taper_s, criteria)
    reach = (hz >= low_hz) & (hz <= high_hz)
    limit = criteria.above_hiss * np.sqrt(2 * hiss * HANN_TURNS / seconds) * hz
    lines: list[float] = []
    first = 0.0
    while len(lines) < criteria.lines:
        height = np.where(reach, _spectrum(fit.residual), 0.0)
        tallest = int(np.argmax(height))
        first = first or float(height[tallest])
        floor = criteria.above_floor * np.sqrt(_floor(fit, rate_hz, criteria)[tallest])
        if height[tallest] <= max(limit[tallest], floor, criteria.against_first * first):
            break
        lines, fit = _refined(offset_hz, rate_hz, [*lines, float(hz[tallest])], criteria)
        for line in lines:
            reach &= np.abs(hz - line) >= criteria.apart_turns / seconds
    return fit


def _reach_hz(seconds: float, taper_s: float, criteria: MeanCriteria) -> tuple[float, float]:
    return max(criteria.slowest_hz, criteria.slowest_turns / seconds), criteria.fastest_turns / (2 * taper_s)


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
    flat = _tapered(count, rate_hz, criteria)
    root = np.sqrt(flat)
    low, high = _reach_hz(seconds, _rise(count, rate_hz, criteria) / rate_hz, criteria)
    drift = _drift_columns(count, rate_hz, criteria)
    for _ in range(ROUNDS):
        angles = 2 * np.pi * np.outer(at_s, lines)
        model = np.concatenate([drift, np.cos(angles), np.sin(angles)], axis=1)
        found = _least_squares(model * root[:, None], offset_hz * root)
        residual = offset_hz - model @ found
        cosine, sine = np.split(found[drift.shape[1] :], 2)
        slopes = 2 * np.pi * at_s[:, None] * (sine * np.cos(angles) - cosine * np.sin(angles))
        whole = np.concatenate([model, slopes], axis=1)
        if not lines:
            break
        moves = _least_squares(whole * root[:, None], residual * root)[model.shape[1] :]
        moves = np.clip(moves, -0.25 / seconds, 0.25 / seconds)
        if np.max(np.abs(moves)) < 1e-4 / seconds:
            break
        lines = list(np.clip(np.array(lines) + moves, low, high + 1 / seconds))
    wanted = -(flat @ whole)
    wanted[0] += 1
    weights = flat + (wanted @ _inverse(whole * root[:, None])) @ (whole * flat[:, None]).T
    ends = float(flat @ drift[:, 1:] @ found[1 : drift.shape[1]])
    mean, turns = float(found[0] + flat @ residual), (drift.shape[1] - 1) / 2
    return lines, _Fit(mean, weights, residual, ends, turns, tuple(map(float, lines)))


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
    floor = _floor(fit, rate_hz, criteria) / (2 * HANN_TURNS / seconds)
    density = np.maximum(_highest_near(density, 2 * length // len(fit.weights)), floor)
    response = np.abs(np.fft.rfft(fit.weights, length)) ** 2
    from_wow = float(density @ response) * rate_hz / length
    return float(np.hypot(2 * np.sqrt(from_hiss + from_wow), criteria.fit_share * fit.drift))


def _floor(fit: _Fit, rate_hz: float, criteria: MeanCriteria) -> Array:
    """Mean power of unsteady speed at each frequency of `_spectrum`, Hz²; drift and lines took none of it along."""
    count = len(fit.residual)
    power = (2 * np.abs(np.fft.rfft(smooth_weights(count) * fit.residual))) ** 2
    turns = np.arange(len(power))
    taken = turns < fit.turns + 1.5
    for line in fit.lines:
        taken |= np.abs(turns - line * count / rate_hz) < 2
    floor = noise_floor(power, taken, len(power) // 2, criteria.floor_bins, criteria.floor_share)
    floor = np.minimum(floor, power[~taken][:LOWEST].max())  # a steep floor does not go on rising to the mean
    padded = _padded(count)
    return np.asarray(np.interp(np.arange(padded // 2 + 1) * (count / padded), turns, floor))


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
