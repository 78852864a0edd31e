"""Clicks: digital ticks, pops of static, cuts in the middle of a wave.

A click is over before it has begun to sound: within a quarter of a millisecond the treble rises far above everything
that stands around it, and two milliseconds later it is gone. The burst of a plosive lasts 5 to 20 ms, and the pulses of
a voice have others like them beside. The sharpest beginnings of plucked and struck notes are as short as clicks, but
something sounds after them that did not before: by what an octave has risen, a click must stand out further, and hardly
anything in the spectrum may be new (`pipeline.strokes`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    new_share      no more than this share of what sounds just after a click is new (0 … 1)
    quietest_dbfs  weaker ones are not told (dBFS of the highest octave over a quarter of a millisecond)
    """

    above_db: float
    beside_s: float
    onset_db: float
    new_share: float
    quietest_dbfs: float


def find_clicks(
    trace: LevelTrace, new_share: Mapping[int, float], found: Sequence[FoundRanges], criteria: ClickCriteria
) -> None:
    """Put every click of each channel into its ``found``, in frames of the capture, its depth how far it rises.

    new_share is what a `pipeline.strokes.StrokeFinder` saw.
    """
    beside = beside_chunks(trace.chunk_s, criteria)
    for channel in range(trace.channels):
        peaks, levels = trace.peaks(channel), trace.levels(channel)
        for at in range(beside, len(peaks) - beside, PAGE_CHUNKS):
            page = peaks[at - beside : at + PAGE_CHUNKS + beside]
            above_db = _above_db(page, beside)
            levels_db = page[beside : len(page) - beside] / STEPS_PER_DB - LOUDEST_DB
            sharp = np.flatnonzero((above_db >= criteria.above_db) & (levels_db >= criteria.quietest_dbfs))
            for chunk, own_db in zip((at + sharp).tolist(), above_db[sharp].tolist(), strict=True):
                onset_db = max(
                    0.0, _risen_db(levels[:, chunk - beside : chunk + beside + 1], beside) - criteria.onset_db
                )
                goes_on = new_share.get(chunk, 0.0) <= criteria.new_share
                if goes_on and own_db - onset_db >= criteria.above_db:
                    found[channel].add(chunk * trace.chunk, (chunk + 1) * trace.chunk, own_db)


def beside_chunks(chunk_s: float, criteria: ClickCriteria) -> int:
    """How many chunks to either side a click is held against."""
    return max(NEXT_CHUNKS + 1, round(criteria.beside_s / chunk_s))


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
