"""Captures of a test tape on a deck whose parts turn by the tape that has passed them, made by warping a recorded wave.

The tests' own, and another way than `transport.py`: nothing is written as a sine in time. A part's angle follows the
position of the tape, so its rate follows every other part's wow; a joint or a flat spot is one bump a turn; a reel
turns by the radius of its pack. The wave on the tape is sampled at 192 kHz and read at the positions the head passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import map_coordinates

Array = np.ndarray[Any, Any]
MM_S = 47.625
CONTROL_HZ, WAVE_HZ = 2_000, 192_000
TAPE_MM, SIDE_MM, HUB_MM = 0.018, 85_700.0, 11.0


@dataclass(frozen=True)
class Truth:
    hz: float
    peak_percent: float


@dataclass(frozen=True)
class Warped:
    """samples (frames, 2); error_percent: turns over time; lines: every harmonic of every part."""

    samples: Array
    rate_hz: int
    tone_hz: float
    error_percent: float
    lines: tuple[Truth, ...]


def warped_tape(seed: int, seconds: float = 60.0, rate_hz: int = 44_100) -> Warped:
    rng = np.random.default_rng(seed)
    tone_hz, at_s = float(rng.choice([3000.0, 3150.0])), np.arange(round(seconds * CONTROL_HZ) + 1) / CONTROL_HZ
    speed = 1 + rng.uniform(-0.025, 0.025)
    parts = _parts(rng)
    reel, wound_mm = rng.uniform(0.06, 0.2), rng.uniform(5_000, 60_000)
    steady = rng.uniform(-0.15, 0.15) * (at_s / seconds - 0.5) + rng.uniform(0, 0.03) * _wander(rng, len(at_s))
    passed = MM_S * speed * at_s

    def reel_turns(passed_mm: Array) -> Array:
        radius = np.sqrt(HUB_MM**2 + (SIDE_MM - wound_mm - passed_mm) * TAPE_MM / np.pi)
        return np.asarray((radius[0] - radius) / TAPE_MM)

    for _ in range(12):  # the tape sets the parts' angles, and they its speed
        percent = steady + reel * np.sin(2 * np.pi * reel_turns(passed))
        for round_mm, wave, _ in parts:
            percent = percent + wave(passed / round_mm)
        flow = MM_S * speed * (1 + percent / 100)
        passed = np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2)]) / CONTROL_HZ
    lines = [Truth(float(reel_turns(passed)[-1] / seconds), reel)]
    for round_mm, _, harmonics in parts:
        lines += [Truth((k + 1) * passed[-1] / round_mm / seconds, peak) for k, peak in enumerate(harmonics)]
    wave = _played(CubicSpline(at_s, passed / MM_S), seconds, rate_hz, tone_hz)
    samples = _captured(wave, rate_hz, rng)
    return Warped(samples, rate_hz, tone_hz, 100 * (passed[-1] / MM_S / seconds - 1), tuple(lines))


def _parts(rng: np.random.Generator) -> list[tuple[float, Any, Array]]:
    """(tape that passes in one turn, percent by turns, peak of each harmonic) of capstan, roller, belt and motor."""
    capstan_mm, surface = rng.uniform(1.7, 3.0), rng.uniform(18, 35)
    turns_mm = np.pi * np.array([capstan_mm, rng.uniform(7.5, 13), rng.uniform(60, 100) / surface, 9 / surface])
    parts = []
    for number, round_mm in enumerate(turns_mm):
        width = rng.uniform(0.04, 0.1)
        bumpy = number in (1, 2) and rng.random() < 0.7
        turn = np.arange(4096) / 4096
        shape = np.exp(-0.5 * ((turn - 0.5) / width) ** 2) if bumpy else np.sin(2 * np.pi * turn)
        harmonics = 2 * np.abs(np.fft.rfft(shape))[1:13] / len(turn)
        scale, phase = rng.uniform(0.06, 0.25) / harmonics.max(), rng.random()
        table = scale * np.append(shape - shape.mean(), shape[0] - shape.mean())

        def wave(turns: Array, table: Array = table, phase: float = phase) -> Array:
            return np.asarray(np.interp((turns + phase) % 1, np.linspace(0, 1, len(table)), table))

        parts.append((float(round_mm), wave, scale * harmonics))
    return parts


def _wander(rng: np.random.Generator, count: int) -> Array:
    hz = np.fft.rfftfreq(count, 1 / CONTROL_HZ)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) / (1 + (hz / 2) ** 2) * (hz > 0.05), count)
    return np.asarray(noise / noise.std())


def _played(place_s: CubicSpline, seconds: float, rate_hz: int, tone_hz: float) -> Array:
    """The recorded wave at the places of the tape that pass the head, piece by piece."""
    out = []
    for first in range(0, round(seconds * rate_hz), rate_hz):
        places = place_s(np.arange(first, min(first + rate_hz, round(seconds * rate_hz))) / rate_hz) * WAVE_HZ + 8
        low = int(places[0]) - 8
        tape = np.sin(2 * np.pi * (tone_hz * np.arange(low, int(places[-1]) + 9) / WAVE_HZ % 1.0))
        out.append(map_coordinates(tape, [places - low], order=3))
    return np.concatenate(out)


def _captured(wave: Array, rate_hz: int, rng: np.random.Generator) -> Array:
    """A second of hiss, then the tone with dropouts, hum and hiss, on two channels."""
    at_s = np.arange(len(wave)) / rate_hz
    for _ in range(3):
        middle, half = rng.uniform(1, at_s[-1] - 1), rng.uniform(0.004, 0.06)
        wave = wave * (1 - rng.uniform(0.5, 0.99) * np.exp(-0.5 * ((at_s - middle) / half) ** 4))
    level = 10 ** (rng.uniform(-20, -9) / 20)
    samples = level / np.sqrt(2) * 10 ** (-rng.uniform(30, 50) / 20) * rng.standard_normal((len(wave) + rate_hz, 2))
    samples[rate_hz:] += level * wave[:, None]
    hum = 10 ** (rng.uniform(-70, -45) / 20) * np.sin(2 * np.pi * 50.01 * np.arange(len(samples)) / rate_hz)
    return np.asarray(samples + hum[:, None])
