"""What each cell of a capture is taken for while regions are found, and the runs of equal marks."""

from __future__ import annotations

from enum import IntEnum
from itertools import pairwise
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
Run = tuple[int, int, int]  # mark, first, stop


class Mark(IntEnum):
    SOUND = 0
    LEADER = 1
    SILENCE = 2
    TONE = 3


def runs_of(marks: Array) -> list[Run]:
    """(mark, first, stop) of every run of equal marks."""
    turns = np.flatnonzero(np.diff(marks)) + 1
    edges = [0, *turns.tolist(), len(marks)]
    return [(int(marks[a]), a, b) for a, b in pairwise(edges)]


def islands(runs: list[Run], cell_s: float, pause_s: float) -> list[list[int]]:
    """Indices of sound runs, grouped: within a group only pauses shorter than ``pause_s`` part them."""
    found: list[list[int]] = []
    for index, (mark, first, _) in enumerate(runs):
        if mark != Mark.SOUND:
            continue
        joined = found and found[-1][-1] == index - 2 and runs[index - 1][0] != Mark.TONE
        if joined and (first - runs[found[-1][-1]][2]) * cell_s < pause_s:
            found[-1].append(index)
        else:
            found.append([index])
    return found
