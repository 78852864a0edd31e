"""Clicks: digital ticks, pops of static, cuts in the middle of a wave.

A click is over before it has begun to sound: within a quarter of a millisecond the treble rises far above everything
that stands around it, and two milliseconds later it is gone. The burst of a plosive lasts 5 to 20 ms, and the pulses of
a voice have others like them beside. The sharpest beginnings of plucked and struck notes are as short as clicks, but
something sounds after them that did not before: by what an octave has risen, a click must stand out further.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.hiss_floor import LOUDEST_DB, STEPS_PER_DB, LevelTrace
from pipeline.ranges import FoundRanges
from pipeline.small_clicks import highest_in

Array = np.ndarray[Any, Any]

PAGE_CHUNKS = 1 << 15
NEXT_CHUNKS = 2  # one to each side may belong to the click itself


@dataclass(frozen=True)
class ClickCriteria:
    """above_db       the treble of a click rises this far above the loudest beside it (dB)
    beside_s       what stands beside it within this is looked at, to both sides
    onset_db       an octave that is up by more than this afterwards takes the rest from it (dB)
    quietest_dbfs  weaker ones are not told (dBFS of the highest octave over a quarter of a millisecond)
    """

    above_db: float
    beside_s: float
    onset_db: float
    quietest_dbfs: float


def find_clicks(trace: LevelTrace, found: Sequence[FoundRanges], criteria: ClickCriteria) -> None:
    """Put every click of each channel into its ``found``, in frames of the capture, its depth how far it rises."""
    beside = max(NEXT_CHUNKS + 1, round(criteria.beside_s / trace.chunk_s))
    for channel in range(trace.channels):
        peaks = trace.peaks(channel)
        for at in range(beside, len(peaks) - beside, PAGE_CHUNKS):
            page = peaks[at - beside : at + PAGE_CHUNKS + beside]
            above_db = _above_db(page, beside)
            levels_db = page[beside : len(page) - beside] / STEPS_PER_DB - LOUDEST_DB
            for chunk in np.flatnonzero((above_db >= criteria.above_db) & (levels_db >= criteria.quietest_dbfs)):
                start = (at + int(chunk)) * trace.chunk
                octaves = trace.levels(channel)[:, at + chunk - beside : at + chunk + beside + 1]
                onset_db = max(0.0, _risen_db(octaves, beside) - criteria.onset_db)
                if above_db[chunk] - onset_db >= criteria.above_db:
                    found[channel].add(start, start + trace.chunk, float(above_db[chunk]))


def _above_db(peaks: Array, beside: int) -> Array:
    """How far each chunk, but for ``beside`` at both ends, rises above the loudest before and after it.

    0 where that is digital silence, in which the smallest step of a coarse capture would do so.
    """
    width = beside - NEXT_CHUNKS + 1
    loudest = highest_in(peaks, width)
    count = len(peaks) - 2 * beside
    around = np.maximum(loudest[:count], loudest[beside + NEXT_CHUNKS :][:count])
    above_db = (peaks[beside : beside + count].astype(np.float32) - around) / np.float32(STEPS_PER_DB)
    return np.where(around > 0, above_db, 0.0)


def _risen_db(octaves: Array, beside: int) -> float:
    """By how much the octave that rises most is louder after the middle chunk than before it; (octaves, chunks)."""
    powers = 10 ** (octaves / (10 * STEPS_PER_DB))
    before, after = powers[:, : beside - NEXT_CHUNKS].mean(1), powers[:, beside + NEXT_CHUNKS + 1 :].mean(1)
    return float(10 * np.log10(after / before).max())
