"""The musical tuning of a programme: how far its notes lie from A = 440 Hz. Advice for a person, never applied.

It can show no more than the distance to the nearest semitone: a tape that runs a semitone slow reads 0. Ensembles
tune to 442 or 415 as they please, so a tuning proves nothing about speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading

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
    import librosa

    samples = np.asarray(samples, np.float32).reshape(-1)
    if len(samples) < criteria.shortest_s * rate_hz:
        return NotMeasured(f"the excerpt is shorter than {criteria.shortest_s:g} s")
    if np.mean(samples.astype(np.float64) ** 2) < 10 ** (criteria.quietest_dbfs / 10):
        return NotMeasured(f"the excerpt is quieter than {criteria.quietest_dbfs:g} dBFS")
    if rate_hz > criteria.rate_hz:
        samples = librosa.resample(samples, orig_sr=rate_hz, target_sr=criteria.rate_hz, res_type="soxr_qq")
        rate_hz = int(criteria.rate_hz)
    pitch_hz, magnitude = _pitches(samples, rate_hz, criteria)
    found = pitch_hz > 0
    if not found.any():
        return NotMeasured("no pitch was found in the excerpt")
    clear = found & (magnitude >= np.median(magnitude[found]))
    if _concentration(pitch_hz[clear], magnitude[clear]) < criteria.concentration:
        return NotMeasured("the pitches lie on no common scale: speech, noise or sliding notes")
    tuning = librosa.pitch_tuning(pitch_hz[clear], resolution=criteria.resolution_cents / 100)
    return float(100 * tuning + criteria.resolution_cents / 2)  # librosa names the lower edge of the fullest step


def _pitches(samples: Array, rate_hz: int, criteria: TuningCriteria) -> tuple[Array, Array]:
    """Peaks of each spectrum above a tenth of its highest, by parabolas: (bins, frames) Hz and height, 0 elsewhere.

    What librosa.piptrack gives, without its compiled part, which two processes may spoil for each other the first time.
    """
    length, hop = criteria.window_frames, criteria.window_frames // 4
    padded = np.pad(samples, length // 2)
    views = np.lib.stride_tricks.sliding_window_view(padded, length)[::hop]
    height = np.abs(np.fft.rfft(views * np.hanning(length + 1)[:-1].astype(np.float32), axis=1)).T
    hz = np.arange(len(height)) * rate_hz / length
    below, here, above = height[:-2], height[1:-1], height[2:]
    bend = 2 * here - above - below
    peak = (here > below) & (here >= above) & (here > 0.1 * height.max(axis=0)) & (bend > 0)
    peak &= ((hz >= criteria.lowest_hz) & (hz < criteria.highest_hz))[1:-1, None]
    slope = (above - below) / 2
    shift = np.where(peak, slope / np.where(peak, bend, 1.0), 0.0)
    pitch_hz = np.where(peak, hz[1:-1, None] + shift * rate_hz / length, 0.0)
    return pitch_hz, np.where(peak, here + slope * shift / 2, 0.0)


def _concentration(pitch_hz: Array, magnitude: Array) -> float:
    """Length of the mean of unit arrows, one for each pitch, turned once per semitone."""
    arrows = np.exp(2j * np.pi * 12 * np.log2(pitch_hz / 440.0))
    return float(np.abs(np.sum(magnitude * arrows)) / np.sum(magnitude))
