"""The invented portable deck that replays the tapes, and the recorder that captures it.

The tape passes the head by a clock that is wrong: everything recorded on the tape, its hiss too, is resampled by it.
What the deck adds itself, hum and the noise of its electronics, keeps true time. Levels are r.m.s. in dBFS, full-scale
sine at -3.01, unless a name says peak.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal

Array = np.ndarray[Any, Any]

NOMINAL_MM_S = 47.625  # 1 7/8 in/s
SPEED_ERROR_PERCENT = 100 * (436.0 / 440.0 - 1)  # a 440 Hz tone reads 436.0 Hz
SPEED_MM_S = NOMINAL_MM_S * (1 + SPEED_ERROR_PERCENT / 100)

# The same figures as in decks/hedgerow.toml.
CAPSTAN_MM, PINCH_ROLLER_MM, FLYWHEEL_MM, MOTOR_PULLEY_MM, BELT_MM, TAKE_UP_HUB_MM = 2.0, 9.6, 60.0, 7.0, 270.0, 22.0
CAPSTAN_HZ = SPEED_MM_S / (np.pi * CAPSTAN_MM)
RIM_MM_S = CAPSTAN_HZ * np.pi * FLYWHEEL_MM
# Which part spoils the speed, how often a second, and by how much at its peak, percent.
FAULTS = {
    "capstan": (CAPSTAN_HZ, 0.12),  # a trace of rust on the shaft
    "pinch roller": (SPEED_MM_S / (np.pi * PINCH_ROLLER_MM), 0.08),  # a flat spot from years under pressure
    "main belt": (RIM_MM_S / BELT_MM, 0.05),  # its joint
    "take-up reel": (SPEED_MM_S / (np.pi * TAKE_UP_HUB_MM), 0.03),  # a tired slip clutch, near the start of a side
}
UNSTEADY_PERCENT = 0.01  # r.m.s. without a rate of its own, 0.8 to 20 Hz

HUM_DBFS = {50.0: -74.0, 100.0: -80.0, 150.0: -83.0}
ELECTRONICS_DBFS = -84.0
AMPLIFIER_TOP_HZ = 10500.0
RECORDER_DBFS = {16: -97.0, 24: -102.0}


@dataclass(frozen=True)
class Clock:
    """Tape seconds that have passed the head at each moment of the capture."""

    capture_s: Array
    tape_s: Array

    def at(self, capture_s: Array | float) -> Array:
        return np.interp(capture_s, self.capture_s, self.tape_s)


def deck_clock(seconds: float, rng: np.random.Generator) -> Clock:
    """The deck's, with a phase of its own for every part."""
    step_s = 1 / 8000
    at_s = np.arange(round((seconds + 0.1) / step_s)) * step_s
    deviation_percent = np.zeros(len(at_s))
    for hz, peak_percent in FAULTS.values():
        deviation_percent += peak_percent * np.sin(2 * np.pi * hz * at_s + rng.uniform(0, 2 * np.pi))
    for hz in rng.uniform(0.8, 20.0, 25):
        share = np.sqrt(2 / 25) * UNSTEADY_PERCENT
        deviation_percent += share * np.sin(2 * np.pi * hz * at_s + rng.uniform(0, 2 * np.pi))
    speed = (1 + SPEED_ERROR_PERCENT / 100) * (1 + deviation_percent / 100)
    return Clock(at_s, np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2) * step_s]))


def tape_hiss(count: int, rate_hz: int, dbfs: float, rng: np.random.Generator) -> Array:
    """Even noise in the oxide as it sounds after the head's losses and 120 µs: rising from 1.3 kHz, falling from 7."""

    def gain(hz: Array) -> Array:
        per_mm = 2 * np.pi * hz / NOMINAL_MM_S
        depth = np.maximum(per_mm * 0.005, 1e-6)  # 5 µm of oxide
        return np.hypot(1, hz * 2 * np.pi * 120e-6) * (1 - np.exp(-depth)) / depth * _head_loss(hz)

    return _noise(count, rate_hz, dbfs, gain, rng)


def tape_colour(sound: Array, rate_hz: int, bright: bool) -> Array:
    """Programme as it comes back: treble lost at the head; ``bright``: recorded for 70 µs and replayed with 120."""

    def gain(hz: Array) -> Array:
        lift = np.hypot(1, hz * 2 * np.pi * 120e-6) / np.hypot(1, hz * 2 * np.pi * 70e-6) if bright else 1.0
        return _head_loss(hz) * lift

    return _filtered(sound, rate_hz, gain)


def _head_loss(hz: Array) -> Array:
    per_mm = 2 * np.pi * hz / NOMINAL_MM_S
    return np.exp(-per_mm * 0.0004) * np.abs(np.sinc(hz * 0.0024 / NOMINAL_MM_S)) / (1 + (hz / 14000.0) ** 8)


def replay(track: Array, rate_hz: int, clock: Clock, count: int, late_s: float) -> Array:
    """``count`` samples of a track as the clock makes it pass the head, read late_s further on by a tilted gap."""
    reach = 12
    padded = np.pad(track, (reach, 4 * reach))
    wanted = clock.at(np.arange(count) / rate_hz) * rate_hz - late_s * rate_hz
    played = np.empty(count)
    taps = np.arange(1 - reach, reach + 1)
    signs = np.where(taps % 2, -1.0, 1.0) / np.pi
    for start in range(0, count, 1 << 12):
        place = wanted[start : start + (1 << 12), None]
        first = np.floor(place).astype(int)
        between = np.clip(place - first, 1e-9, 1 - 1e-9)
        away = between - taps
        weight = np.sin(np.pi * between) * signs / away * np.cos(np.pi * away / (2 * reach + 2)) ** 2
        index = np.clip(first + taps + reach, 0, len(padded) - 1)
        played[start : start + len(place)] = np.sum(padded[index] * weight, axis=1)
    return played


def electronics(count: int, rate_hz: int, rng: np.random.Generator) -> Array:
    """The replay amplifier's own noise, lifted below 1.3 kHz by the equalisation."""
    return _noise(count, rate_hz, ELECTRONICS_DBFS, lambda hz: np.hypot(1, 1326.0 / np.maximum(hz, 50.0)), rng)


def hum(count: int, rate_hz: int) -> Array:
    at_s = np.arange(count) / rate_hz
    lines = [np.sqrt(2) * 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * at_s + hz) for hz, dbfs in HUM_DBFS.items()]
    return np.sum(lines, axis=0)


def amplifier(sound: Array, rate_hz: int) -> Array:
    """The deck's output stage: nothing below 30 Hz and little above 10.5 kHz."""
    low = scipy.signal.butter(1, 30.0, "high", fs=rate_hz, output="sos")
    high = scipy.signal.butter(8, AMPLIFIER_TOP_HZ, fs=rate_hz, output="sos")
    return scipy.signal.sosfilt(np.concatenate([low, high]), sound, axis=0)


def key_knock(count: int, rate_hz: int, at_s: float, rng: np.random.Generator) -> Array:
    """The thump of a key, felt by the head."""
    t = np.arange(count) / rate_hz - at_s
    body = np.sin(2 * np.pi * 70.0 * t) + 0.1 * rng.standard_normal(count)
    return np.where(t >= 0, 0.02 * body * np.exp(-np.maximum(t, 0.0) / 0.035), 0.0)


def record(sound: Array, bits: int, rng: np.random.Generator) -> Array:
    """The recorder: its own noise, then whole steps. int32 (frames, channels) in the file's word length."""
    full = 2.0 ** (bits - 1)
    noisy = sound + 10 ** (RECORDER_DBFS[bits] / 20) * rng.standard_normal(sound.shape)
    return np.clip(np.round(noisy * full), -full, full - 1).astype(np.int32)


def _noise(count: int, rate_hz: int, dbfs: float, gain: Any, rng: np.random.Generator) -> Array:
    noise = _filtered(rng.standard_normal(count)[:, None], rate_hz, gain)[:, 0]
    return noise * 10 ** (dbfs / 20) / np.sqrt(np.mean(noise**2))


def _filtered(sound: Array, rate_hz: int, gain: Any) -> Array:
    size = scipy.fft.next_fast_len(len(sound), real=True)
    spectrum = scipy.fft.rfft(sound, size, axis=0)
    spectrum *= gain(scipy.fft.rfftfreq(size, 1 / rate_hz))[:, None]
    return scipy.fft.irfft(spectrum, size, axis=0)[: len(sound)]
