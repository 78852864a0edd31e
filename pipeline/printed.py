"""Where a side holds nothing but a faint copy of the loud start that follows: tape that seems to sound, and is silent.

A copy was found by its waveform (`pipeline.print_through`). Here it is followed from where it begins until something
is heard that neither the pause nor the copy explains: the start itself, or a soft upbeat or syllable before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.print_lags import Copy
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

SMOOTH_FRAMES = 5  # a tenth of a second: a word is longer, and levels of hiss scatter little over it
HEARD = slice(1, None)  # octaves; in the lowest the hiss scatters and the tape rumbles
LEAD_S = 0.1  # the copy's attack
PAUSE_QUANTILE = 0.95
OVER_PAUSE_DB = 2.0  # what hiss scatters beyond that
OVER_COPY_DB = 6.0  # print is stronger in some octaves than in those its level was found in


def spans_of_copies(frames: Frames, copies: Sequence[Copy]) -> list[Span]:
    """From where each copy begins to the first that is more; none where the copy's own beginning is."""
    spans = [Span(copy.start_s - copy.lag_s - LEAD_S, _first_more_s(frames, copy)) for copy in copies]
    return [span for span in spans if span.stop_s > span.start_s]


def _first_more_s(frames: Frames, copy: Copy) -> float:
    """When something is first heard, from the beginning of the copy on, that is more than pause and copy."""

    def at(time_s: float) -> int:
        return int(np.clip(np.searchsorted(frames.times_s, time_s), 0, len(frames.times_s)))

    pause, begin, start = at(copy.start_s - copy.quiet_s), at(copy.start_s - copy.lag_s - LEAD_S), at(copy.start_s)
    lag = round(copy.lag_s / frames.hop_s)
    levels_db = _smoothed(frames.band_db[pause : start + lag + SMOOTH_FRAMES, :, HEARD])
    begin, start = begin - pause, start - pause
    if begin < SMOOTH_FRAMES:  # the pause begins with the copy
        return copy.start_s - copy.lag_s - LEAD_S
    quiet_db = np.quantile(levels_db[:begin], PAUSE_QUANTILE, axis=0) + OVER_PAUSE_DB
    wobble = range(lag - 2, lag + 3)
    copied_db = np.max([_shifted(levels_db, by)[begin:start] for by in wobble], axis=0) + copy.level_db + OVER_COPY_DB
    both_db = 10 * np.log10(10 ** (quiet_db / 10) + 10 ** (copied_db / 10))
    more = np.any(levels_db[begin:start] > both_db, axis=(1, 2))
    first = int(np.argmax(more)) if more.any() else len(more)
    return float(frames.times_s[pause + begin + first - 1])


def _shifted(levels_db: Array, by: int) -> Array:
    """What comes ``by`` frames later; the last goes on."""
    return levels_db[np.minimum(np.arange(len(levels_db)) + by, len(levels_db) - 1)]


def _smoothed(band_db: Array) -> Array:
    """(frames, channels, bands) power over a few frames."""
    power = np.pad(10 ** (band_db.astype(np.float64) / 10), ((SMOOTH_FRAMES // 2,) * 2, (0, 0), (0, 0)), "edge")
    views = np.lib.stride_tricks.sliding_window_view(power, SMOOTH_FRAMES, axis=0)
    smoothed: Array = 10 * np.log10(np.maximum(views.mean(axis=-1), 1e-20))
    return smoothed
