"""Leader told from hiss: the noise of the electronics alone lies a step below the noise of tape.

Two rests tell by the step between them in the bands above hum. With a single rest the sound tells: under programme and
tones lies hiss, and leader lies a step below that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.cells import Cells
from pipeline.rests import NO_REST

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class LeaderCriteria:
    """
    step_db    leader lies at least this far below hiss in some band above hum, and half as far in most
    sound_s    this much sound is needed to see hiss under it; and exact zeros as long as this are the leader
    lively_db  sound goes up and down by this much, or stands out by twice that, over the hiss under it
    """

    step_db: float
    sound_s: float
    lively_db: float


def leaders_among(rests: Array, cells: Cells, matched: Array, criteria: LeaderCriteria) -> tuple[int, str]:
    """How many of the rests, quietest first, are leader; and where none is, why."""
    if not len(rests):
        return 0, "the capture holds no leader and no silence"
    high = rests[:, cells.high]
    channels = cells.line_hz.shape[1]
    steps = np.diff(high, axis=0).reshape(len(rests) - 1, channels, high.shape[1] // channels)
    clear = (steps.max(axis=2) >= criteria.step_db) & (np.median(steps, axis=2) >= criteria.step_db / 2)
    if clear.any():
        return int(np.argmax(np.where(clear, steps.max(axis=2), 0.0).max(axis=1))) + 1, ""
    if cells.zeros.sum() * cells.seconds >= criteria.sound_s:
        return 0, "the leader is exact zeros"
    if _lies_under_hiss(cells, high.max(axis=0), matched, criteria):
        return len(rests), ""
    return 0, "there is only one quiet level, so leader and silence cannot be told apart"


def _lies_under_hiss(cells: Cells, rest: Array, matched: Array, criteria: LeaderCriteria) -> bool:
    """Whether sound has a floor of hiss ``step_db`` above this level, in two bands above hum of one channel.

    A floor shows where the quietest tenth of the sound scatters as noise does (no more, and no less, as a line would)
    while an octave between strong hum and this one goes up and down by ``lively_db``, or stands out by twice that, as
    sound over hiss does and noise as programme does not. No such floor may show near this level.
    """
    channels = cells.line_hz.shape[1]
    sound = np.convolve((matched == NO_REST) & ~cells.zeros, np.ones(5))[2:-2] > 4.5  # without its edges
    if sound.sum() * cells.seconds < criteria.sound_s:
        return False
    level_db, chance_db = cells.level_db[sound][:, cells.high], cells.chance_db[cells.high]
    low, tenth = np.quantile(level_db, [0.02, 0.10], axis=0)
    shows = (tenth - low >= 0.5 * chance_db) & (tenth - low <= 3 * chance_db + 0.3)
    middle_db = cells.level_db[sound][:, cells.middle].reshape(len(level_db), channels, -1).max(axis=2)
    for place in np.flatnonzero(shows):
        deep_db = middle_db[level_db[:, place] <= tenth[place], place // (level_db.shape[1] // channels)]
        down_db, up_db = np.quantile(deep_db, [0.2, 0.8])
        shows[place] = max(up_db - down_db, (up_db - tenth[place]) / 2) >= criteria.lively_db
    above = (shows & (low - rest >= criteria.step_db)).reshape(channels, -1).sum(axis=1)
    near = (shows & (low - rest < criteria.step_db)).reshape(channels, -1).any(axis=1)
    return bool(np.any((above >= 2) & ~near))
