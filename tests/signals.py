"""Signals whose answer is known by construction. They know nothing of how feltpad measures.

A tone is made from its phase: ``sin(2π f t + Σ β sin(2π r t + φ))`` with ``β = f d / (100 r)`` has the mean frequency
f and swings by ± d percent r times a second (the definition of frequency modulation, check values §1.4).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]


def times_s(seconds: float, rate_hz: int) -> Array:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def speed_phase_s(t_s: Array, error_percent: float, flutter: Sequence[tuple[float, ...]] = ()) -> Array:
    """How far the tape has come after t_s seconds, in seconds of nominal speed.

    flutter  (rate_hz, peak_percent) or (rate_hz, peak_percent, phase_rad) of each component
    """
    come_s = t_s * (1 + error_percent / 100)
    for rate_hz, peak_percent, *phase in flutter:
        swing = peak_percent / 100 * (1 + error_percent / 100) / (2 * np.pi * rate_hz)
        start = phase[0] if phase else 0.0
        come_s = come_s + swing * (np.sin(2 * np.pi * rate_hz * t_s + start) - np.sin(start))
    return come_s


def tone(
    seconds: float,
    rate_hz: int,
    hz: float,
    error_percent: float = 0.0,
    flutter: Sequence[tuple[float, ...]] = (),
    level_dbfs: float = -9.0,
    third_percent: float = 0.0,
    start_rad: float = 0.0,
) -> Array:
    """A tone of nominally hz, replayed with this speed error and flutter; float64 mono; level_dbfs is r.m.s."""
    phase = 2 * np.pi * hz * speed_phase_s(times_s(seconds, rate_hz), error_percent, flutter) + start_rad
    wave = np.sin(phase)
    if third_percent and 3 * hz < rate_hz / 2:
        wave = wave + third_percent / 100 * np.sin(3 * phase)
    return np.asarray(wave * np.sqrt(2) * 10 ** (level_dbfs / 20))


def hiss(seconds: float, rate_hz: int, level_dbfs: float, seed: int) -> Array:
    """White noise of this r.m.s. level over the whole band."""
    return np.random.default_rng(seed).standard_normal(round(seconds * rate_hz)) * 10 ** (level_dbfs / 20)


def hum(seconds: float, rate_hz: int, level_dbfs: float, mains_hz: float = 50.0) -> Array:
    """Mains hum with its second and third harmonic 10 and 14 dB down; level_dbfs is the fundamental's r.m.s."""
    t_s = times_s(seconds, rate_hz)
    parts = [(1, 0.0), (2, -10.0), (3, -14.0)]
    waves = [10 ** (db / 20) * np.sin(2 * np.pi * mains_hz * n * t_s + n) for n, db in parts]
    return np.asarray(np.sum(waves, axis=0) * np.sqrt(2) * 10 ** (level_dbfs / 20))


def note(seconds: float, rate_hz: int, hz: float, harmonics_db: Sequence[float], level_dbfs: float = -12.0) -> Array:
    """A steady musical note: the fundamental and harmonics 2, 3, … at these levels against it."""
    t_s = times_s(seconds, rate_hz)
    wave = np.sin(2 * np.pi * hz * t_s)
    for n, db in enumerate(harmonics_db, start=2):
        wave += 10 ** (db / 20) * np.sin(2 * np.pi * n * hz * t_s + 1.3 * n)
    return np.asarray(wave * np.sqrt(2) * 10 ** (level_dbfs / 20))


def melody(seconds: float, rate_hz: int, seed: int, level_dbfs: float = -14.0) -> Array:
    """Music-like: plucked notes of a scale with harmonics and decay, two voices, a new note every 0.2 to 0.8 s."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate_hz))
    scale = 220.0 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16]) / 12)
    for voice in (1.0, 1.5):
        at = 0
        while at < len(out):
            length = round(rng.uniform(0.2, 0.8) * rate_hz)
            t_s = np.arange(min(length, len(out) - at)) / rate_hz
            hz = voice * rng.choice(scale)
            partials = [np.sin(2 * np.pi * hz * n * t_s) / n for n in range(1, 6) if hz * n < rate_hz / 2]
            out[at : at + len(t_s)] += np.sum(partials, axis=0) * np.exp(-3 * t_s) * rng.uniform(0.5, 1.0)
            at += length
    return np.asarray(out * 10 ** (level_dbfs / 20) / np.sqrt(np.mean(out**2)))


def speech_like(seconds: float, rate_hz: int, seed: int, level_dbfs: float = -18.0) -> Array:
    """Speech-like: syllables of a gliding buzz, some of them noise, with pauses between."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate_hz))
    at = 0
    while at < len(out):
        t_s = np.arange(min(round(rng.uniform(0.08, 0.3) * rate_hz), len(out) - at)) / rate_hz
        shape = np.sin(np.pi * np.arange(len(t_s)) / max(1, len(t_s))) ** 0.5
        if rng.random() < 0.25:
            out[at : at + len(t_s)] = 0.3 * shape * rng.standard_normal(len(t_s))
        else:
            hz = rng.uniform(90, 180) * (1 + rng.uniform(-0.3, 0.3) * t_s)
            phase = 2 * np.pi * np.cumsum(hz) / rate_hz
            loud = rng.uniform(0.2, 1.0, 12)
            out[at : at + len(t_s)] = shape * sum(a * np.sin(n * phase) for n, a in enumerate(loud, start=1))
        at += len(t_s) + round(rng.choice([0.03, 0.12, 0.5], p=[0.6, 0.3, 0.1]) * rate_hz)
    return np.asarray(out * 10 ** (level_dbfs / 20) / np.sqrt(np.mean(out**2)))


def faded(wave: Array, rate_hz: int, seconds: float = 0.01) -> Array:
    """The same with a short fade at both ends, as switches and recorders make it."""
    ramp = np.minimum(1.0, np.arange(len(wave)) / max(1.0, seconds * rate_hz))
    return np.asarray(wave * ramp * ramp[::-1])


def as_stereo(left: Array, right: Array | None = None) -> Array:
    """(frames, 2) float32; the right channel is the left one unless given."""
    return np.stack([left, left if right is None else right], axis=1).astype(np.float32)


def as_mono(wave: Array) -> Array:
    """(frames, 1) float32."""
    return wave.astype(np.float32)[:, None]


def in_blocks(samples: Array, block_frames: int) -> list[Array]:
    return [samples[at : at + block_frames] for at in range(0, len(samples), block_frames)]
