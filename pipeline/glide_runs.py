"""Runs of glides one way (`pipeline.glides`), and how many there are around each.

A tape that sticks glides now and then. Where singers, speakers or sliding fingers glide, they do all the time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.glides import Glides

STEADY = 0.029  # octaves a second: a slower change is no glide
SOME_GAIN = 0.02  # less is chance
BRIDGE_FRAMES = 4  # a note that begins hides a glide for so long
LARGE, LARGE_S, LARGE_GAIN = 0.03, 0.17, 1.0  # octaves, seconds: a glide that is neither small nor short nor chance
OWN_S, AROUND_S = 2.5, 12.0  # what is nearer than the first may be of the same sag, beyond the other it is elsewhere


@dataclass(frozen=True)
class Run:
    """Frames from first to last glide one way: by so many octaves in all; how many do, and their gain and match."""

    first: int
    last: int
    octaves: float
    frames: int
    gain: float
    match: float


def find_runs(glides: Glides) -> list[Run]:
    """Glides in one direction, gaps of a few frames bridged."""
    octaves, gain = glides.octaves, glides.gain
    at = np.flatnonzero((np.abs(octaves) >= STEADY * glides.hop_s) & (gain >= SOME_GAIN))
    apart = (np.diff(at) > BRIDGE_FRAMES) | (np.diff(np.sign(octaves[at])) != 0)
    if not len(at):
        return []
    starts = np.concatenate([[0], np.flatnonzero(apart) + 1])
    gains = gain[at].astype(float)
    moved, gained, matched = (np.add.reduceat(of, starts) for of in (octaves[at], gains, gains * glides.match[at]))
    lengths = np.diff(starts, append=len(at))
    columns = at[starts], at[starts + lengths - 1], moved, lengths, gained, matched / gained
    return [Run(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]


def meter_of_glides(runs: Sequence[Run], glides: Glides) -> Callable[[Run], float]:
    """Counts the other glides around a run, a second: those that are large, and not of the same sag."""
    large = [
        run
        for run in runs
        if run.frames * glides.hop_s >= LARGE_S and run.gain >= LARGE_GAIN and abs(run.octaves) >= LARGE
    ]
    firsts, lasts = (np.array(each) for each in ([run.first for run in large], [run.last for run in large]))
    near, far = (round(each / glides.hop_s) for each in (OWN_S, AROUND_S))

    def glides_per_s(run: Run) -> float:
        away = np.maximum(firsts - run.last, run.first - lasts)
        others = int(np.count_nonzero((away > near) & (away <= far)))
        rooms = (run.first, len(glides.octaves) - run.last)
        around = sum(min(max(room - near, 0), far - near) for room in rooms)
        return others / (around * glides.hop_s + 1.0)

    return glides_per_s
