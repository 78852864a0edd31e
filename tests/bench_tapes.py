"""Captures of simulated test tapes: what the tape holds, how the deck plays it, what deck and recorder add.

The tests' own; it knows nothing of the meter. Everything on the tape passes the head by the clock of a
`transport.Transport`; hum and the electronics' noise keep true time. Levels are r.m.s. in dBFS.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from transport import Transport

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class Part:
    """One stretch of tape: a tone (hz > 0), quiet tape (hz 0), or leader (hz None); a sweep from hz to to_hz."""

    hz: float | None
    seconds: float
    dbfs: float = -16.0
    to_hz: float = 0.0


@dataclass(frozen=True)
class TestTape:
    """
    plan          from the start of the tape, in seconds of the tape
    right_db      the right channel against the left
    late_us       the right channel comes so much later, at nominal tape speed
    third_percent third harmonic of tones below 1 kHz
    hiss_dbfs     white, up to half the rate, on each channel apart; hum_dbfs: 50 Hz from the deck, None without
    losses_db     (hz, left, right) of each tone that comes back weaker
    """

    __test__ = False  # no test of pytest's
    plan: tuple[Part, ...]
    transport: Transport
    right_db: float = 0.0
    late_us: float = 0.0
    third_percent: float = 0.0
    hiss_dbfs: float = -70.0
    electronics_dbfs: float = -90.0
    hum_dbfs: float | None = None
    losses_db: tuple[tuple[float, float, float], ...] = ()

    def capture(self, rate_hz: int, seed: int, channels: int = 2) -> Array:
        """float64 (frames, channels)."""
        rng = np.random.default_rng(seed)
        seconds = sum(part.seconds for part in self.plan) / (1 + self.transport.speed_error_percent / 100)
        count = round(seconds * rate_hz)
        deviation = self.transport.deviation_percent(seconds, rate_hz, rng)[:count]
        tape_s = np.cumsum((1 + self.transport.speed_error_percent / 100) * (1 + deviation / 100)) / rate_hz
        sound = 10 ** (self.electronics_dbfs / 20) * rng.standard_normal((count, channels))
        if self.hum_dbfs is not None:
            sound += _wave(self.hum_dbfs, 2 * np.pi * 50.0 * np.arange(count) / rate_hz)[:, None]
        start_s = 0.0
        for part in self.plan:
            inside = (tape_s >= start_s) & (tape_s < start_s + part.seconds)
            if part.hz is not None:
                sound[inside] += 10 ** (self.hiss_dbfs / 20) * rng.standard_normal((int(inside.sum()), channels))
            for channel in range(channels) if part.hz else ():
                sound[inside, channel] += self._tone(part, tape_s[inside] - start_s, channel)
            start_s += part.seconds
        return sound

    def _tone(self, part: Part, at_s: Array, channel: int) -> Array:
        assert part.hz is not None
        at_s = at_s - channel * self.late_us * 1e-6
        loss_db = next((loss[1 + channel] for loss in self.losses_db if loss[0] == part.hz), 0.0)
        gain = 10 ** ((channel * self.right_db - loss_db) / 20)
        if part.to_hz:
            octaves = np.log2(part.to_hz / part.hz) / part.seconds
            return gain * _wave(part.dbfs, 2 * np.pi * part.hz * (np.exp2(octaves * at_s) - 1) / (octaves * np.log(2)))
        phase = 2 * np.pi * part.hz * at_s
        third = self.third_percent / 100 * np.sin(3 * phase) if part.hz < 1000 else 0.0
        return gain * (_wave(part.dbfs, phase) + np.sqrt(2) * 10 ** (part.dbfs / 20) * third)

    def write(self, path: Path, rate_hz: int, seed: int, channels: int = 2) -> Path:
        """A 24-bit WAV."""
        soundfile.write(path, self.capture(rate_hz, seed, channels), rate_hz, subtype="PCM_24")
        return path


def _wave(dbfs: float, phase: Array) -> Array:
    return np.asarray(np.sqrt(2) * 10 ** (dbfs / 20) * np.sin(phase))
