"""Dropouts: moments at which tape lost the head.

The witness is hiss. It stands on every piece of tape, under all programme, and only a loss of contact takes it down:
a closure in speech, a rest in music or a fade leaves it where it is. So a dropout is a moment at which an octave falls
below the floor it otherwise never leaves. Held notes of an organ have a floor of their own, which a change of chord
uncovers: where pauses tell what the hiss is, a shallow fall must go below that too. Where programme is louder than hiss
all the time, as in a dense band, falls of all octaves at once are the witness (`pipeline.joint_falls`). No dropout is
seen in a capture at 16 kHz and less, which holds little hiss without programme.

The highest octaves are asked first, where hiss is strongest and programme weakest. An octave that stands at its floor
contradicts what lower ones seem to show: they are programme, and their floor is a quiet passage. And where no hiss
bears it out, a fall of a lower octave counts only if those above it fall as well, for tape that leaves the head loses
treble first; only if it is rare, for reeds and bows let go between any two strokes; and only if what is left is not the
hiss itself, as where a band stops. On both sides of a dropout hiss is back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.hiss_floor import LOUDEST_DB, STEPS_PER_DB, FloorCriteria, HissFloors, LevelTrace, smoothed_db
from pipeline.joint_falls import ZEROS_DB, JointFallCriteria, find_joint_falls, is_rest
from pipeline.ranges import FoundRanges, Range
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

WITNESSES = 3  # octaves asked
SMOOTH_CHUNKS = 3
PAGE_CHUNKS = 1 << 14
BESIDE_CHUNKS = 16  # read beside a dropout
OUTWARD_S = 0.024  # what stands beside a dropout is judged over this
PAUSE_EDGE_S = 0.25  # a pause's ends are known to this
PAUSES_S = 1.0  # all together
BACK_PERCENTILE = 70  # of the levels there


@dataclass(frozen=True)
class DropoutCriteria:
    """under_db        a dropout takes an octave this far below its floor, and as far from what stands beside (dB)
    under_hiss_db   and this far below what the hiss is in the pauses (dB), unless it takes down …
    deep_db         … the highest octave by so much, …
    deeper_db       … or a lower one by so much, …
    treble_share    … and those above it by this share of that (0 … 1); and no more than …
    own_falls       … so many stand within ``floor.around_s``: more are the way the programme goes
    clear_db        an octave nearer to its floor than this contradicts lower ones (dB)
    shortest_s      shorter ones are not told
    shortest_alone_s  nor shorter ones that hiss does not bear out
    longest_s       longer ones are another tape, a fade or a stop
    bridge_s        those nearer to each other are one
    hiss_lowest_hz  a capture whose highest octave is centred below this shows too little hiss: nothing is looked for
    """

    under_db: float
    under_hiss_db: float
    deep_db: float
    deeper_db: float
    treble_share: float
    own_falls: int
    clear_db: float
    shortest_s: float
    shortest_alone_s: float
    longest_s: float
    bridge_s: float
    hiss_lowest_hz: float
    floor: FloorCriteria
    joint: JointFallCriteria


def find_dropouts(
    trace: LevelTrace,
    leaders: Sequence[Span],
    pauses: Sequence[Span],
    found: Sequence[FoundRanges],
    criteria: DropoutCriteria,
) -> None:
    """Put every dropout of each channel into its ``found``, in frames of the capture.

    pauses  where hiss stands alone, as far as that is known
    """
    if trace.centres_hz[0] < criteria.hiss_lowest_hz:
        return
    seconds = criteria.bridge_s, criteria.longest_s, criteria.floor.around_s, criteria.shortest_alone_s
    bridge, longest, reach, shortest = (round(length_s / trace.chunk_s) for length_s in seconds)
    for channel in range(trace.channels):
        levels = np.ascontiguousarray(trace.levels(channel))
        if levels.shape[1] < 2 * BESIDE_CHUNKS:
            return
        floors = HissFloors(levels, trace.chunk_s, leaders, criteria.floor)
        under, witness = _under(levels, floors, criteria)
        hiss_db = _hiss_db(levels, trace.chunk_s, pauses)
        highest_db = hiss_db - criteria.under_hiss_db
        falls = []
        for run in _runs(under, bridge):
            is_whole = run.start >= BESIDE_CHUNKS and run.stop + BESIDE_CHUNKS <= levels.shape[1]
            if not is_whole or run.stop - run.start > longest:
                continue
            octave = int(witness[run.start : run.stop].min())
            floor_db = float(floors.at(np.array([run.start]))[octave, 0])
            exact, inside_db, treble_db = _measured(levels, octave, run, floor_db - criteria.clear_db, trace.chunk_s)
            length_s = (exact.stop - exact.start) * trace.chunk_s
            if exact.depth_db >= criteria.under_db and length_s >= criteria.shortest_s - 1e-9:
                falls.append(_Fall(exact, octave, treble_db, inside_db <= highest_db[octave]))
        joint = find_joint_falls(levels, hiss_db, reach, range(shortest, longest + 1), criteria.joint)
        own = (
            fall.exact
            for fall in _told(falls, trace.chunk_s, criteria)
            if fall.is_under_hiss or not is_rest(levels, fall.exact.start, fall.exact.stop, hiss_db, criteria.joint)
        )
        for fall in sorted([*own, *joint]):
            found[channel].add(fall.start * trace.chunk, fall.stop * trace.chunk, fall.depth_db)


@dataclass(frozen=True)
class _Fall:
    """octave: the witness. treble_db: how far all octaves above it fall at least, and itself."""

    exact: Range
    octave: int
    treble_db: float
    is_under_hiss: bool


def _told(falls: Sequence[_Fall], chunk_s: float, criteria: DropoutCriteria) -> Iterator[_Fall]:
    """Those that hiss bears out, and of the others those that programme hardly makes."""
    shortest = round(criteria.shortest_alone_s / chunk_s)
    others = np.array([fall.exact.start * chunk_s for fall in falls if not fall.is_under_hiss])
    for fall in falls:
        depth_db = fall.exact.depth_db
        if fall.octave:
            is_deep = depth_db >= criteria.deeper_db and fall.treble_db >= criteria.treble_share * depth_db
        else:
            is_deep = depth_db >= criteria.deep_db
        is_deep = is_deep and fall.exact.stop - fall.exact.start >= shortest
        near = np.abs(others - fall.exact.start * chunk_s) <= criteria.floor.around_s
        if fall.is_under_hiss or (is_deep and np.count_nonzero(near) <= criteria.own_falls):
            yield fall


def _under(levels: Array, floors: HissFloors, criteria: DropoutCriteria) -> tuple[Array, Array]:
    """(chunks,) each: whether an octave lies below its floor there, and which one is the highest that does.

    An octave is not asked where a higher one stands at its floor.
    """
    length = levels.shape[1]
    witness = np.full(length, WITNESSES, np.int8)
    half = SMOOTH_CHUNKS // 2
    for at in range(0, length, PAGE_CHUNKS):
        start, stop = max(at - half, 0), min(at + PAGE_CHUNKS + half, length)
        smooth = smoothed_db(levels[:WITNESSES, start:stop], SMOOTH_CHUNKS)
        chunks = np.arange(start + half, start + half + smooth.shape[1])
        highest, is_contradicted = np.full(len(chunks), WITNESSES, np.int8), np.zeros(len(chunks), bool)
        for octave, under_db in enumerate(floors.at(chunks)[:WITNESSES] - smooth):
            shown = (under_db >= criteria.under_db) & ~is_contradicted
            highest = np.where(shown, np.minimum(highest, octave), highest)
            is_contradicted |= np.abs(under_db) < criteria.clear_db
        witness[chunks] = highest
    return witness < WITNESSES, witness


def _runs(marks: Array, bridge: int) -> Iterator[Range]:
    """Runs of marked chunks, those with no more than ``bridge`` between them as one."""
    turns = np.diff(np.pad(marks.astype(np.int8), 1))
    starts, stops = np.flatnonzero(turns > 0), np.flatnonzero(turns < 0)
    if len(starts):
        apart = np.flatnonzero(starts[1:] - stops[:-1] > bridge)
        for start, stop in zip(starts[np.append(0, apart + 1)], stops[np.append(apart, len(stops) - 1)], strict=True):
            yield Range(int(start), int(stop))


def _hiss_db(levels: Array, chunk_s: float, pauses: Sequence[Span]) -> Array:
    """(octaves,) what hiss is in the pauses; infinite where they are too short to tell."""
    inner = [
        levels[:, round((pause.start_s + PAUSE_EDGE_S) / chunk_s) : round((pause.stop_s - PAUSE_EDGE_S) / chunk_s)]
        for pause in pauses
        if pause.seconds > 2 * PAUSE_EDGE_S
    ]
    if sum(part.shape[1] for part in inner) * chunk_s < PAUSES_S:
        return np.full(len(levels), np.inf)
    return np.asarray(np.median(np.concatenate(inner, axis=1), axis=1) / STEPS_PER_DB - LOUDEST_DB)


def _measured(
    levels: Array, octave: int, run: Range, least_beside_db: float, chunk_s: float
) -> tuple[Range, float, float]:
    """Where the treble crosses half the fall, and how far the witness falls against the lower of its two sides; to what
    level; and how far all octaves above it fall.

    The depth is 0 where the witness is not above ``least_beside_db`` on both sides, so that it came down gently to a
    new low, or where samples are missing.
    """
    begin, end = run.start - BESIDE_CHUNKS, run.stop + BESIDE_CHUNKS
    near = levels[:WITNESSES, begin:end] / STEPS_PER_DB - LOUDEST_DB
    first, last, width = BESIDE_CHUNKS, near.shape[1] - BESIDE_CHUNKS, round(OUTWARD_S / chunk_s)
    spans = (slice(max(0, first - 2 - width), first - 2), slice(first, last), slice(last + 2, last + 2 + width))
    percents = (BACK_PERCENTILE, 50, BACK_PERCENTILE)
    beside_before, within, beside_after = (
        np.percentile(near[: octave + 1, s], p, axis=1) for s, p in zip(spans, percents, strict=True)
    )
    beside_db, inside_db = np.minimum(beside_before, beside_after), float(within[octave])
    if beside_db[octave] < least_beside_db or inside_db <= ZEROS_DB:
        return Range(run.start, run.stop, 0.0), inside_db, 0.0
    falls_db = beside_db - within
    treble = near.mean(0)
    before, inside, after = (float(np.percentile(treble[s], p)) for s, p in zip(spans, percents, strict=True))
    while first > BESIDE_CHUNKS // 2 and treble[first - 1] < (inside + before) / 2:
        first -= 1
    while last < len(treble) - BESIDE_CHUNKS // 2 and treble[last] < (inside + after) / 2:
        last += 1
    return Range(begin + first, begin + last, float(falls_db[octave])), inside_db, float(falls_db.min())
