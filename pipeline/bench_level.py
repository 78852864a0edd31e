"""Level, channel balance and third-harmonic distortion of a test tape's level tone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.partials import PartialCriteria, Partials
from pipeline.records import NotMeasured, Reading
from pipeline.tone import Tone

Array = np.ndarray[Any, Any]
LEVEL_TONES_BELOW_HZ = 1100.0  # level is set at 315, 333, 400 or 1000 Hz; higher tones lean on azimuth and treble
ALIKE_DB = 0.5
THIRD = 3


@dataclass(frozen=True)
class ToneLevel:
    """The level tone: the loudest one up to 1 kHz, else the loudest.

    left_dbfs, right_dbfs   r.m.s.; a full-scale sine is at -3.01
    balance_db              right minus left
    third_harmonic_percent  of the tone, on the channel that has more; what the tape was recorded with is in it
    """

    tone_hz: Reading
    left_dbfs: Reading
    right_dbfs: Reading
    balance_db: Reading
    third_harmonic_percent: Reading


def choose_level_tone(tones: Sequence[Tone]) -> int | None:
    """Which of them; of equally loud ones the longest. None where there is none."""
    if not tones:
        return None
    low = [n for n, tone in enumerate(tones) if tone.measured_hz < LEVEL_TONES_BELOW_HZ] or list(range(len(tones)))
    loudest = max(tones[n].level_dbfs for n in low)
    alike = [n for n in low if tones[n].level_dbfs >= loudest - ALIKE_DB]
    return max(alike, key=lambda n: tones[n].stop_s - tones[n].start_s)


def level_not_measured(reason: str) -> ToneLevel:
    return ToneLevel(*(NotMeasured(reason),) * 5)


def measure_tone_level(partials: Partials, live: Sequence[int], criteria: PartialCriteria) -> ToneLevel:
    """live: channels that are not dead."""
    levels: list[Reading] = list(partials.level_dbfs)
    if len(levels) == 1:
        levels.append(NotMeasured("one channel"))
    for channel, side in enumerate(("left", "right")):
        if channel < len(partials.level_dbfs) and channel not in live:
            levels[channel] = NotMeasured(f"the {side} channel is dead")
    left, right = levels
    balance: Reading
    if isinstance(left, NotMeasured) or isinstance(right, NotMeasured):
        balance = next(level for level in (left, right) if isinstance(level, NotMeasured))
    else:
        balance = right - left
    return ToneLevel(partials.hz, left, right, balance, _third_harmonic(partials, live, criteria))


def _third_harmonic(partials: Partials, live: Sequence[int], criteria: PartialCriteria) -> Reading:
    """The mean in step with the tone; what stays below its own scatter is not told."""
    if THIRD not in partials.orders:
        return NotMeasured(f"the third harmonic of {partials.hz:.0f} Hz lies above what this sample rate carries")
    fundamental, third = partials.of(1)[:, list(live)], partials.of(THIRD)[:, list(live)]
    in_step = third * np.exp(-3j * np.angle(fundamental))
    mean = np.abs(in_step.mean(axis=0))
    scatter = np.sqrt(np.mean(np.abs(in_step - in_step.mean(axis=0)) ** 2, axis=0) / (len(in_step) - 1))
    usual = np.mean(np.abs(fundamental), axis=0)
    more = int(np.argmax(mean / usual))
    if mean[more] < criteria.sure * scatter[more]:
        most = 100 * (mean[more] + criteria.sure * scatter[more]) / usual[more]
        return NotMeasured(f"the third harmonic is lost in the hiss: less than {most:.3f} %")
    return float(100 * mean[more] / usual[more])
