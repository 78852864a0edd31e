"""A simulated cassette transport: rotating parts with stated faults play a test tape.

The tests' own; it knows nothing of the meter. Rates come from the parts' geometry by their own arithmetic here, so
that a slip in `pipeline.parts` cannot hide. Speed deviation is written as a sum of stated components.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
NOMINAL_MM_S = 47.625


@dataclass(frozen=True)
class Fault:
    """One component of the speed deviation.

    hz            rate at the middle of the tape
    peak_percent  peak deviation, mean over the tape
    slide_hz      rate at the end minus rate at the start, evenly in between
    breathing     the peak swells by this share, once in breathing_s
    """

    hz: float
    peak_percent: float
    slide_hz: float = 0.0
    phase_rad: float = 0.0
    breathing: float = 0.0
    breathing_s: float = 20.0


@dataclass(frozen=True)
class Transport:
    """A deck that plays: constant speed error, drift over the tape (start to end, in percent), faults, hiss."""

    speed_error_percent: float = 0.0
    drift_percent: float = 0.0
    settling_percent: float = 0.0  # fast at the start, dying away with a time constant of 8 s
    random_percent: float = 0.0  # r.m.s. of unsteady speed without a rate, below about 3 Hz
    faults: tuple[Fault, ...] = field(default=())

    def deviation_percent(self, seconds: float, rate_hz: float, rng: np.random.Generator) -> Array:
        """Deviation from the mean speed, (samples,), without speed error."""
        at_s = np.arange(round(seconds * rate_hz)) / rate_hz
        middle_s = seconds / 2
        deviation = self.drift_percent * (at_s - middle_s) / seconds + self.settling_percent * np.exp(-at_s / 8.0)
        for fault in self.faults:
            from_middle_s = at_s - middle_s
            turns = fault.hz * from_middle_s + fault.slide_hz / seconds * from_middle_s**2 / 2
            swell = 1 + fault.breathing * np.sin(2 * np.pi * at_s / fault.breathing_s + 3 * fault.phase_rad)
            deviation += fault.peak_percent * swell * np.sin(2 * np.pi * turns + fault.phase_rad)
        if self.random_percent:
            deviation += self.random_percent * _unsteadiness(len(at_s), rate_hz, rng)
        return deviation

    def baseband(
        self, seconds: float, rate_hz: float, carrier_hz: float, tone_to_noise_db: float, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """What an ideal demodulator makes of the tape: deviation in percent, and the tone's amplitude about 1.

        tone_to_noise_db  tone power over the hiss within ±rate_hz / 2 of the carrier
        """
        speed_hz = carrier_hz * self.deviation_percent(seconds, 4 * rate_hz, rng) / 100
        phase = 2 * np.pi * np.cumsum(speed_hz)[::4] / (4 * rate_hz)
        noise = rng.standard_normal((2, len(phase))) * np.sqrt(10 ** (-tone_to_noise_db / 10) / 2)
        tone = np.exp(1j * phase) + noise[0] + 1j * noise[1]
        frequency_hz = _slope(np.unwrap(np.angle(tone))) * rate_hz / (2 * np.pi)
        return 100 * frequency_hz / carrier_hz, np.abs(tone)

    def test_tape(
        self, seconds: float, rate_hz: int, tone_hz: float, tone_to_noise_db: float, rng: np.random.Generator
    ) -> Array:
        """The capture of a tone of this frequency: float64 (frames,), peak 0.5; hiss white up to half the rate."""
        speed = (1 + self.speed_error_percent / 100) * (1 + self.deviation_percent(seconds, rate_hz, rng) / 100)
        tone = 0.5 * np.sin(2 * np.pi * tone_hz * np.cumsum(speed) / rate_hz)
        hiss = 0.5 / np.sqrt(2) * 10 ** (-tone_to_noise_db / 20)
        return np.asarray(tone + hiss * rng.standard_normal(len(tone)))


def _unsteadiness(count: int, rate_hz: float, rng: np.random.Generator) -> Array:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    noise = np.fft.irfft(spectrum / (1 + (hz / 3.0) ** 2), count)
    return np.asarray(noise / noise.std())


def _slope(phase: Array) -> Array:
    """Derivative per sample of a phase that stays within 0.4 of the sampling rate: exact but for the ends."""
    half = 40
    at = np.arange(-half, half + 1)
    taps = np.where(at == 0, 0.0, np.cos(np.pi * at) / np.where(at == 0, 1, at)) * np.kaiser(2 * half + 1, 8.0)
    extended = np.concatenate([2 * phase[0] - phase[half:0:-1], phase, 2 * phase[-1] - phase[-2 : -half - 2 : -1]])
    return np.convolve(extended, taps, mode="valid")


@dataclass(frozen=True)
class Deck:
    """The rotating parts of the simulated deck, in mm, and how often they turn."""

    capstan_mm: float = 2.0
    pinch_roller_mm: float = 10.0
    flywheel_mm: float = 62.0
    motor_pulley_mm: float = 9.0
    belt_mm: float = 260.0
    hub_radius_mm: float = 11.0
    tape_thickness_mm: float = 0.018

    def rates_hz(self, speed_error_percent: float = 0.0) -> dict[str, float]:
        speed = NOMINAL_MM_S * (1 + speed_error_percent / 100)
        capstan = speed / (np.pi * self.capstan_mm)
        rim = capstan * np.pi * self.flywheel_mm
        return {
            "capstan": capstan,
            "pinch roller": speed / (np.pi * self.pinch_roller_mm),
            "motor pulley": rim / (np.pi * self.motor_pulley_mm),
            "main belt": rim / self.belt_mm,
        }

    def take_up_reel_hz(self, wound_mm: float) -> float:
        """Rate of the take-up reel with this much tape on it."""
        radius = np.sqrt(self.hub_radius_mm**2 + wound_mm * self.tape_thickness_mm / np.pi)
        return float(NOMINAL_MM_S / (2 * np.pi * radius))
