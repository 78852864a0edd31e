"""Falls of all octaves at once: the witness of a dropout where dense programme covers hiss.

In a band or an orchestra something sounds in every octave all the time, and each instrument ends in its own time. That
all octaves fall together within some milliseconds, stand low, and come back together is the tape's doing, or that of
players who stop as one. These leave hiss where it is: octaves that stand at their hiss show a rest, so that nothing is
told where no pause has shown what hiss is. And they do so again and again: a single voice, reeds, hands that clap and
gated sounds make such falls once a second and oftener.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.hiss_floor import LOUDEST_DB, STEPS_PER_DB
from pipeline.ranges import Range

Array = np.ndarray[Any, Any]

PAGE_CHUNKS = 1 << 14
OUTSIDE_CHUNKS, INSIDE_CHUNKS = 8, 4  # an edge is the step from the mean of these …
EDGE_CHUNKS = 2  # … to the mean of those, with so many between them
APART_CHUNKS = 2  # steps no further apart are one edge
BESIDE_CHUNKS = 16  # what stands beside a fall is judged over these, but for those of its edge
COLOUR = 3  # octaves, from the highest
HELD_SHARE = 0.8  # an octave that falls by less of what the others do, and stands at its hiss, was held there
ZEROS_DB = 1.0 - LOUDEST_DB  # digital silence is no tape


@dataclass(frozen=True)
class JointFallCriteria:
    """edge_db    the octaves step down by this over one edge, and up again over the other (mean dB)
    mean_db    a fall takes them below both its sides by this (mean dB) …
    least_db   … and each of them by this (dB)
    back_db    in half of the octaves its sides differ by no more than this (dB)
    hiss_db    an octave within this of what hiss is in the pauses stands at its hiss (dB)
    other_hiss_db  and hiss under programme may be another by this (dB)
    decay_db   from its first half to its second, a fall that goes on by this is a room's (mean dB)
    own_falls  where more steps down than this stand within reach, the programme makes them
    """

    edge_db: float
    mean_db: float
    least_db: float
    back_db: float
    hiss_db: float
    other_hiss_db: float
    decay_db: float
    own_falls: int


def find_joint_falls(
    levels: Array, hiss_db: Array, reach: int, lengths: range, criteria: JointFallCriteria
) -> Iterator[Range]:
    """Those that are no rests, in chunks, by time.

    levels   (octaves, chunks) as `LevelTrace.levels` gives them
    hiss_db  (octaves,) what hiss is in the pauses; infinite where that is not known: nothing is told then
    reach    chunks to both sides within which steps are counted
    lengths  of falls that are told, in chunks
    """
    if not np.isfinite(hiss_db).all():
        return
    downs, ups = _edges(levels, criteria.edge_db)
    near = np.searchsorted(downs, downs + reach, "right") - np.searchsorted(downs, downs - reach)
    downs = downs[(near <= criteria.own_falls + 1) & (downs >= BESIDE_CHUNKS)]
    last = levels.shape[1] - BESIDE_CHUNKS
    for start, back in zip(downs.tolist(), np.searchsorted(ups, downs + INSIDE_CHUNKS).tolist(), strict=True):
        stop = int(ups[back]) if back < len(ups) else last + 1
        if stop - start in lengths and stop <= last:
            depth_db = _depth_db(levels, start, stop, hiss_db, criteria)
            if depth_db:
                yield Range(start, stop, depth_db)


def _edges(levels: Array, edge_db: float) -> tuple[Array, Array]:
    """The first chunks of steps down, and the first ones after steps up."""
    downs, ups = [], []
    beside = OUTSIDE_CHUNKS + EDGE_CHUNKS
    least = edge_db * STEPS_PER_DB * len(levels) * OUTSIDE_CHUNKS
    for at in range(0, levels.shape[1], PAGE_CHUNKS):
        start, stop = max(at - beside, 0), min(at + PAGE_CHUNKS + beside, levels.shape[1])
        total = np.cumsum(np.pad(levels[:, start:stop].sum(0, dtype=np.int32), (1, 0)), dtype=np.int32)
        outside = total[OUTSIDE_CHUNKS:] - total[:-OUTSIDE_CHUNKS]
        inside = (total[INSIDE_CHUNKS:] - total[:-INSIDE_CHUNKS]) * (OUTSIDE_CHUNKS // INSIDE_CHUNKS)
        behind = INSIDE_CHUNKS + EDGE_CHUNKS
        downs.append(start + beside + _steepest(outside[: len(inside) - beside] - inside[beside:], least))
        ups.append(start + INSIDE_CHUNKS + _steepest(outside[behind:] - inside[: len(outside) - behind], least))
    return np.unique(np.concatenate(downs)), np.unique(np.concatenate(ups))


def _steepest(steps: Array, least: float) -> Array:
    """Where each run of steps of this height is steepest."""
    marked = np.flatnonzero(steps >= least)
    if not len(marked):
        return marked
    runs = np.split(marked, np.flatnonzero(np.diff(marked) > APART_CHUNKS) + 1)
    return np.array([run[np.argmax(steps[run])] for run in runs])


def _depth_db(levels: Array, start: int, stop: int, hiss_db: Array, criteria: JointFallCriteria) -> float:
    """How far the octaves fall, half of them by more; 0 for a fall that may be the programme's."""
    before, inside, after = _parts(levels, start, stop)
    falls_db = np.minimum(before, after) - inside
    is_joint = falls_db.mean() >= criteria.mean_db and falls_db.min() >= criteria.least_db
    is_back = 2 * np.count_nonzero(np.abs(before - after) <= criteria.back_db) >= len(levels)
    is_told = is_joint and is_back and inside.min() > ZEROS_DB and not is_rest(levels, start, stop, hiss_db, criteria)
    return float(np.median(falls_db)) if is_told else 0.0


def is_rest(levels: Array, start: int, stop: int, hiss_db: Array, criteria: JointFallCriteria) -> bool:
    """Whether what is left is hiss, in level or, where the pauses' hiss is another, in colour (programme is darker); or
    a room that dies away."""
    halves = (slice(start, (start + stop) // 2), slice((start + stop) // 2, stop))
    first, second = (np.median(levels[:, half], axis=1).mean() / STEPS_PER_DB for half in halves)
    if first - second >= criteria.decay_db:
        return True
    before, inside, after = _parts(levels, start, stop)
    falls_db, over_hiss_db = np.minimum(before, after) - inside, inside - hiss_db
    at_hiss = np.abs(over_hiss_db) <= criteria.hiss_db
    is_held = at_hiss & (falls_db < HELD_SHARE * np.median(falls_db))
    treble_db = over_hiss_db[:COLOUR]
    has_its_colour = np.ptp(treble_db) <= 2 * criteria.hiss_db and abs(treble_db.mean()) <= criteria.other_hiss_db
    return bool(np.count_nonzero(at_hiss) > 1 or is_held.any() or has_its_colour)


def _parts(levels: Array, start: int, stop: int) -> tuple[Array, Array, Array]:
    """(octaves,) in dB before, within and after a fall."""
    first = max(start - BESIDE_CHUNKS, 0)
    spans = (first, start - EDGE_CHUNKS), (start, stop), (stop + EDGE_CHUNKS, stop + BESIDE_CHUNKS)
    before, inside, after = (np.median(levels[:, a:b], axis=1) / STEPS_PER_DB - LOUDEST_DB for a, b in spans)
    return before, inside, after
