"""What is read from a tone at baseband: where it is present, its slope, the hiss about it.

The arrays are those of `pipeline.demodulate.Demodulated`, one number a baseband sample.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading

Array = np.ndarray[Any, Any]

PIECE_SAMPLES = 1 << 16  # long tones are worked through in pieces, so that nothing is doubled in memory
SHORTEST = 32  # samples; less is no tone
DIFFERENTIATOR_REACH = 10  # samples of phase to either side that a slope is made from
DEEPEST_DRIFT = 0.25  # a level that stays below this share of the whole tone's is no slow change, the tone is gone
SURE_TURNS = 0.25  # a bridge wrong by a smaller part of a turn is put right
BRIDGE_S = 0.02  # a bridge across a dropout stands on the mean of this much on either side
HISS_STRETCHES = 2000  # so many, spread over the tone, tell the hiss within 1 %
HISS_SAMPLES = 64  # length of the short stretches the hiss is read from


def smooth_weights(count: int) -> Array:
    """A Hann weighting with the sum 1: wow that turns more than twice in the stretch leaves no trace in the mean.

    A flat mean of the frequency is the phase's last point minus its first; the least-squares line through the phase
    weighs the frequency by a parabola; this goes to zero smoothly as well, so that its leakage falls at 18 dB/octave.
    """
    return (1 - np.cos((2 * np.pi / count) * (np.arange(count) + 0.5))) / count


def smooth_mean(values: Array) -> float:
    """The mean so weighted, a piece at a time: a tone may last a whole side."""
    count, total = len(values), 0.0
    for at in range(0, count, PIECE_SAMPLES):
        piece = values[at : at + PIECE_SAMPLES]
        weights = 1 - np.cos((2 * np.pi / count) * (np.arange(at, at + len(piece)) + 0.5))
        total += float(weights @ piece)
    return total / count


def turning_hz(tone: Array, rate_hz: float) -> Array:
    """How fast the complex tone turns from each sample to the next, (samples - 1,) float64, in Hz."""
    hz = np.empty(len(tone) - 1)
    for at in range(0, len(hz), PIECE_SAMPLES):
        piece = tone[at : at + PIECE_SAMPLES + 1]
        hz[at : at + len(piece) - 1] = np.angle(piece[1:] * np.conj(piece[:-1]))
    hz *= rate_hz / (2 * np.pi)
    return hz


def find_present(level: Array, rate_hz: float, dropout_db: float, margin_s: float, window_s: float) -> Array:
    """Where the tone is near its own level, with a margin around where it is not."""
    window = min(len(level), max(1, int(window_s * rate_hz)))
    whole = len(level) // window * window
    usual = np.median(level[:whole].reshape(-1, window), axis=1)
    least = np.maximum(usual, np.median(level) * DEEPEST_DRIFT) * np.float32(10 ** (-dropout_db / 20))
    gone = np.empty(len(level), bool)
    gone[:whole] = (level[:whole].reshape(-1, window) < least[:, None]).reshape(-1)
    gone[whole:] = level[whole:] < least[-1]
    near = gone.copy()
    for shift in range(1, round(margin_s * rate_hz) + 1):
        near[shift:] |= gone[:-shift]
        near[:-shift] |= gone[shift:]
    return ~near if not near.all() else ~gone


def bridged(offset_hz: Array, present: Array, rate_hz: float) -> Array:
    """A course across what is not present, in place, from the mean of `BRIDGE_S` before to that after.

    A straight line at first. The phase on the other side then says by what part of a turn the line is wrong: a small
    part is put right by a bow, a large one is left, for there it could as well be a whole turn more or less.
    """
    if present.all() or not present.any():
        return offset_hz
    reach = max(1, round(BRIDGE_S * rate_hz))
    steps = np.diff(np.concatenate([[True], present, [True]]).astype(np.int8))
    for start, stop in zip(np.flatnonzero(steps < 0), np.flatnonzero(steps > 0), strict=True):
        before = _mean_of(offset_hz[max(0, start - reach) : start], present[max(0, start - reach) : start])
        after = _mean_of(offset_hz[stop : stop + reach], present[stop : stop + reach])
        ends = [end for end in (before, after) if end is not None] or [float(np.median(offset_hz[present]))]
        line = np.linspace(ends[0], ends[-1], stop - start)
        wrong = float(np.sum(offset_hz[start:stop] - line)) / rate_hz  # the turns walked, but for whole ones
        wrong -= round(wrong)
        if before is not None and after is not None and abs(wrong) <= SURE_TURNS:
            at = (np.arange(stop - start) + 0.5) / (stop - start)
            bow = at * (1 - at)
            line += wrong * rate_hz * bow / bow.sum()
        offset_hz[start:stop] = line
    return offset_hz


def _mean_of(values: Array, present: Array) -> float | None:
    return float(values[present].mean()) if present.any() else None


def slope_rad(phase_rad: Array) -> Array:
    """The phase's slope in rad per sample, float32; both ends are carried on by turning the phase over about its end.

    Takes ``SHORTEST`` samples at least.
    """
    kernel = _differentiator()
    reach = len(kernel) // 2
    slope = np.empty(len(phase_rad), np.float32)
    for at in range(0, len(slope) - 2 * reach, PIECE_SAMPLES):
        piece = np.convolve(phase_rad[at : at + PIECE_SAMPLES + 2 * reach], kernel, mode="valid")
        slope[at + reach : at + reach + len(piece)] = piece
    head, tail = phase_rad[: 2 * reach], phase_rad[-2 * reach :]
    slope[:reach] = np.convolve(np.concatenate([2 * head[0] - head[reach:0:-1], head]), kernel, mode="valid")[:reach]
    turned = 2 * tail[-1] - tail[-2 : -2 - reach : -1]
    slope[-reach:] = np.convolve(np.concatenate([tail, turned]), kernel, mode="valid")[-reach:]
    return slope


@cache
def _differentiator() -> Array:
    """Odd, by least squares of the relative error: to a rate ω, Σ h_k (φ(i+k) - φ(i-k)) answers with Σ 2 h_k sin kω
    and should be ω, up to 0.65 of half the rate. Two neighbouring samples alone would show 200 Hz 36 % too small.
    """
    omega = np.pi * np.linspace(0.002, 0.65, 400)[:, None]
    k = np.arange(1, DIFFERENTIATOR_REACH + 1)
    half = np.linalg.lstsq(2 * np.sin(omega * k) / omega, np.ones(len(omega)), rcond=None)[0]
    return np.concatenate([half[::-1], [0.0], -half])


def measure_tone_to_noise_db(level: Array, present: Array, rate_hz: float, flat_hz: float) -> Reading:
    """From the level's own restlessness in the upper half of the band: hiss shakes level and phase alike, flutter does
    not shake the level. The median over short stretches, so that a click or a dropout does not count as hiss.
    """
    length = HISS_SAMPLES
    count = len(level) // length
    if count < 4:
        return NotMeasured("the tone is too short for an estimate of the hiss about it")
    rows = level[: count * length].reshape(count, length)
    whole = np.flatnonzero(present[: count * length].reshape(count, length).all(1))
    if len(whole) < 4:
        return NotMeasured("the tone drops out too often for an estimate of the hiss about it")
    rows = rows[whole[:: -(-len(whole) // HISS_STRETCHES)]].astype(np.float64)
    spectrum = np.fft.rfft((rows - rows.mean(1, keepdims=True)) * np.hanning(length), axis=1)
    hz = np.fft.rfftfreq(length, 1 / rate_hz)
    upper = (hz > 0.5 * flat_hz) & (hz < flat_hz)
    power = np.median((np.abs(spectrum[:, upper]) ** 2).mean(1)) / np.sum(np.hanning(length) ** 2)
    in_phase = power * flat_hz / (rate_hz / 2)  # variance of the level inside ±flat_hz
    if in_phase <= 0:
        return NotMeasured("the tone has no hiss at all")
    return float(10 * np.log10(np.median(rows) ** 2 / (2 * in_phase)))
