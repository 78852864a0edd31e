"""What is read from a tone at baseband: where it is present, its slope, the hiss about it.

The arrays are those of `pipeline.demodulate.Demodulated`, one number a baseband sample.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading

Array = np.ndarray[Any, Any]

SHORTEST = 32  # samples; less is no tone
DIFFERENTIATOR_REACH = 10  # samples of phase to either side that a slope is made from
DEEPEST_DRIFT = 0.25  # a level that stays below this share of the whole tone's is no slow change, the tone is gone
BRIDGE_S = 0.02  # a bridge across a dropout stands on the mean of this much on either side
HISS_SAMPLES = 64  # length of the short stretches the hiss is read from


def find_present(level: Array, rate_hz: float, dropout_db: float, margin_s: float, window_s: float) -> Array:
    """Where the tone is near its own level, with a margin around where it is not."""
    window = max(1, int(window_s * rate_hz))
    blocks = max(1, len(level) // window)
    middles = (np.arange(blocks) + 0.5) * window
    medians = np.array([np.median(part) for part in np.array_split(level[: blocks * window], blocks)])
    usual = np.interp(np.arange(len(level)), middles, np.maximum(medians, np.median(level) * DEEPEST_DRIFT))
    gone = level < usual * 10 ** (-dropout_db / 20)
    margin = round(margin_s * rate_hz)
    near = np.convolve(gone, np.ones(2 * margin + 1), mode="same") > 0.5 if gone.any() else gone
    return ~near if not near.all() else ~gone


def bridged(offset_hz: Array, present: Array, rate_hz: float) -> Array:
    """Straight lines across what is not present, from the mean of `BRIDGE_S` before to that after."""
    if present.all() or not present.any():
        return offset_hz
    reach = max(1, round(BRIDGE_S * rate_hz))
    steps = np.diff(np.concatenate([[True], present, [True]]).astype(np.int8))
    for start, stop in zip(np.flatnonzero(steps < 0), np.flatnonzero(steps > 0), strict=True):
        before = _mean_of(offset_hz[max(0, start - reach) : start], present[max(0, start - reach) : start])
        after = _mean_of(offset_hz[stop : stop + reach], present[stop : stop + reach])
        ends = [end for end in (before, after) if end is not None] or [float(np.median(offset_hz[present]))]
        offset_hz[start:stop] = np.linspace(ends[0], ends[-1], stop - start)
    return offset_hz


def _mean_of(values: Array, present: Array) -> float | None:
    return float(values[present].mean()) if present.any() else None


def slope_rad(phase_rad: Array) -> Array:
    """The phase's slope in rad per sample; both ends are carried on by turning the phase over about its end.

    Takes ``SHORTEST`` samples at least.
    """
    kernel = _differentiator()
    reach = len(kernel) // 2
    head = 2 * phase_rad[0] - phase_rad[reach:0:-1]
    tail = 2 * phase_rad[-1] - phase_rad[-2 : -2 - reach : -1]
    return np.convolve(np.concatenate([head, phase_rad, tail]), kernel, mode="valid")


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
    whole = present[: count * length].reshape(count, length).all(1)
    if whole.sum() < 4:
        return NotMeasured("the tone drops out too often for an estimate of the hiss about it")
    rows = rows[whole].astype(np.float64)
    spectrum = np.fft.rfft((rows - rows.mean(1, keepdims=True)) * np.hanning(length), axis=1)
    hz = np.fft.rfftfreq(length, 1 / rate_hz)
    upper = (hz > 0.5 * flat_hz) & (hz < flat_hz)
    power = np.median((np.abs(spectrum[:, upper]) ** 2).mean(1)) / np.sum(np.hanning(length) ** 2)
    in_phase = power * flat_hz / (rate_hz / 2)  # variance of the level inside ±flat_hz
    if in_phase <= 0:
        return NotMeasured("the tone has no hiss at all")
    return float(10 * np.log10(np.median(rows) ** 2 / (2 * in_phase)))
