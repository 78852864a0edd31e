"""The musical tuning of a programme: how far its notes lie from A = 440 Hz. Advice for a person, never applied.

It can show no more than the distance to the nearest semitone: a tape that runs a semitone slow reads 0. Ensembles
tune to 442 or 415 as they please, so a tuning proves nothing about speed.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.records import NotMeasured, Reading

if TYPE_CHECKING:
    from types import ModuleType

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class TuningCriteria:
    """When a tuning is stated (table ``[tuning]`` of ``config/method.toml``).

    rate_hz        the excerpt is brought down to this rate first, Hz
    window_frames  length of a spectrum at that rate; a power of two
    shortest_s     less programme than this tells nothing, seconds
    quietest_dbfs  nor does one quieter than this, r.m.s.
    lowest_hz, highest_hz  pitches are looked for in between, Hz
    resolution_cents       step of the histogram the tuning is read from
    concentration  how much the pitches crowd about one tuning: 1 all on it, 0 evenly spread as in speech
    """

    rate_hz: float
    window_frames: int
    shortest_s: float
    quietest_dbfs: float
    lowest_hz: float
    highest_hz: float
    resolution_cents: float
    concentration: float


def measure_tuning(samples: Array, rate_hz: int, criteria: TuningCriteria) -> Reading:
    """Cents off A = 440 Hz, from -50 up to 50, of a mono float32 excerpt (frames,); positive = sharp.

    NotMeasured where the excerpt is too short, too quiet, or its pitches lie on no common scale.
    """
    samples = np.asarray(samples, np.float32).reshape(-1)
    if len(samples) < criteria.shortest_s * rate_hz:
        return NotMeasured(f"the excerpt is shorter than {criteria.shortest_s:g} s")
    if np.mean(samples.astype(np.float64) ** 2) < 10 ** (criteria.quietest_dbfs / 10):
        return NotMeasured(f"the excerpt is quieter than {criteria.quietest_dbfs:g} dBFS")
    librosa = _librosa()
    if rate_hz > criteria.rate_hz:
        samples = librosa.resample(samples, orig_sr=rate_hz, target_sr=criteria.rate_hz, res_type="soxr_qq")
        rate_hz = int(criteria.rate_hz)
    pitch_hz, magnitude = librosa.piptrack(
        y=samples, sr=rate_hz, n_fft=criteria.window_frames, fmin=criteria.lowest_hz, fmax=criteria.highest_hz
    )
    found = pitch_hz > 0
    if not found.any():
        return NotMeasured("no pitch was found in the excerpt")
    clear = found & (magnitude >= np.median(magnitude[found]))
    if _concentration(pitch_hz[clear], magnitude[clear]) < criteria.concentration:
        return NotMeasured("the pitches lie on no common scale: speech, noise or sliding notes")
    tuning = librosa.pitch_tuning(pitch_hz[clear], resolution=criteria.resolution_cents / 100)
    return float(100 * tuning + criteria.resolution_cents / 2)  # librosa names the lower edge of the fullest step


@cache
def _librosa() -> ModuleType:
    """librosa, imported by one process of this machine at a time.

    Its import compiles functions and keeps them for the next one. Processes doing so at once mix up numba's index of
    them, for good: whoever calls one later runs the code of another type and dies (in 6 of 12 tries).
    """
    import librosa

    with Path(librosa.__file__).open("rb") as held:
        with suppress(ImportError, OSError):  # a system or a volume without such locks
            import fcntl

            fcntl.flock(held, fcntl.LOCK_EX)  # until closed
        for name in ("resample", "piptrack", "pitch_tuning"):  # librosa imports its parts when asked for
            getattr(librosa, name)
    return librosa


def _concentration(pitch_hz: Array, magnitude: Array) -> float:
    """Length of the mean of unit arrows, one for each pitch, turned once per semitone."""
    arrows = np.exp(2j * np.pi * 12 * np.log2(pitch_hz / 440.0))
    return float(np.abs(np.sum(magnitude * arrows)) / np.sum(magnitude))
