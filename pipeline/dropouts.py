"""Dropouts: moments at which tape lost the head.

The witness is hiss. It stands on every piece of tape, under all programme, and only a loss of contact takes it down:
a closure in speech, a rest in music or a fade leaves it where it is. So a dropout is a moment at which an octave falls
below the floor it otherwise never leaves. Where programme is louder than hiss in the treble all the time, as in dense
cymbals, a dropout that stays above the floor is not seen; nor is any in a capture at 16 kHz and less, which holds
little hiss without programme.

The floor of an octave is what its level comes down to, again and again, in the half minute around, and stays at for a
while as noise does. It is looked for in the highest octaves first, where hiss is strongest and programme weakest. An
octave that stands at its floor contradicts what lower ones seem to show: they are programme, and their floor is a
quiet passage. On both sides of a dropout hiss is back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.octaves import Octaves
from pipeline.ranges import FoundRanges, Range
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

OCTAVES = 5  # the highest; lower ones follow the waveform
WITNESSES = 3
STEPS_PER_DB = 2.0  # levels are kept in one byte
LOUDEST_DB = 255 / STEPS_PER_DB
ZEROS_DB = 1.0 - LOUDEST_DB  # digital silence is no tape
SMOOTH = 3  # chunks
FLOOR_SMOOTH = 5
LEAK_DB = 8.0  # an octave further below the next lower one may hold nothing but what leaks from there
AT_FLOOR_DB = 1.5
GAP_DB = (2.5, 5.5)  # below the floor; a dropout goes through quickly
STRETCH_S = 1.0
PAGE_STRETCHES = 32
BESIDE = 16  # chunks, read beside a page and a dropout
OUTWARD_S = 0.024  # what stands beside a dropout is judged over this


@dataclass(frozen=True)
class DropoutCriteria:
    """under_db          a dropout takes an octave this far below its floor (dB)
    clear_db          an octave nearer to its floor than this contradicts it (dB)
    shortest_s        shorter ones are not told
    longest_s         longer ones are another tape, a fade or a stop
    bridge_s          those nearer to each other are one
    floor_share       the floor of a second is the level that this share of it lies below (0 … 1)
    floor_spread_db   … and three times this share lies below no more than this above it (dB), as noise does
    floor_around_s    the floor is looked for within this, to both sides
    hiss_lowest_hz    a capture whose highest octave is centred below this shows too little hiss: nothing is looked for
    lowest_floor_dbfs what lies below is the rounding of a converter (dBFS in an octave)
    gap_share         levels somewhat below a floor are rarer than those at it: by this factor at most (0 … 1)
    above_leader_db   an octave whose floor is not this far above the electronics' own noise cannot be asked (dB)
    """

    under_db: float
    clear_db: float
    shortest_s: float
    longest_s: float
    bridge_s: float
    floor_share: float
    floor_spread_db: float
    floor_around_s: float
    hiss_lowest_hz: float
    lowest_floor_dbfs: float
    gap_share: float
    above_leader_db: float


class LevelTrace:
    """The levels of the highest octaves of a whole capture, one byte each: some 25 MB for 90 minutes of stereo."""

    def __init__(self, octaves: Octaves, channels: int) -> None:
        self.chunk = octaves.chunk
        self.chunk_s = octaves.chunk_s
        self.channels = channels
        self.centres_hz = octaves.centres_hz[:OCTAVES]
        self._octaves = min(OCTAVES, octaves.count)
        self._rows: list[Array] = []

    def add(self, powers: Array) -> None:
        """Powers (channels, octaves, chunks) that follow what was added before."""
        level = np.log10(np.maximum(powers[:, : self._octaves], np.float32(1e-20)))
        level = level * np.float32(10 * STEPS_PER_DB) + np.float32(255.5)
        self._rows.append(np.clip(level, 0, 255).astype(np.uint8))

    @property
    def chunks(self) -> int:
        return sum(row.shape[2] for row in self._rows)

    def levels(self, channel: int) -> Array:
        """(octaves, chunks) in steps."""
        if len(self._rows) > 1:
            self._rows = [np.concatenate(self._rows, axis=2)]
        return self._rows[0][channel] if self._rows else np.zeros((self._octaves, 0), np.uint8)


def find_dropouts(
    trace: LevelTrace, leaders: Sequence[Span], found: Sequence[FoundRanges], criteria: DropoutCriteria
) -> None:
    """Put every dropout of each channel into its ``found``, in frames of the capture."""
    if trace.centres_hz[0] < criteria.hiss_lowest_hz:
        return
    for channel in range(trace.channels):
        levels = trace.levels(channel)
        stretch = max(1, round(STRETCH_S / trace.chunk_s))
        if levels.shape[1] < max(2 * BESIDE, stretch):
            return
        floors = _floors(levels, stretch, leaders, trace.chunk_s, criteria)
        under_db, witness = _under(levels, floors, stretch, criteria)
        longest = round(criteria.longest_s / trace.chunk_s)
        for run in _runs(under_db > 0, round(criteria.bridge_s / trace.chunk_s)):
            if run.stop - run.start > longest or run.start < BESIDE or run.stop + BESIDE > levels.shape[1]:
                continue
            octave = int(witness[run.start : run.stop].min())
            floor = float(floors[octave, min(run.start // stretch, floors.shape[1] - 1)])
            exact = _measured(levels, octave, run, floor - criteria.clear_db, trace.chunk_s)
            long_enough = exact is not None and (exact.stop - exact.start) * trace.chunk_s >= criteria.shortest_s - 1e-9
            if exact is not None and long_enough and exact.depth_db >= criteria.under_db:
                found[channel].add(exact.start * trace.chunk, exact.stop * trace.chunk, exact.depth_db)


def _smoothed(levels: Array, width: int) -> Array:
    """Mean in dB of ``width`` neighbouring chunks of each octave; shorter by ``width`` - 1."""
    steps = levels.astype(np.uint16)
    count = levels.shape[1] - width + 1
    total = steps[:, :count].copy()
    for k in range(1, width):
        total += steps[:, k : k + count]
    return total.astype(np.float32) * np.float32(1 / (STEPS_PER_DB * width)) - np.float32(LOUDEST_DB)


def _floors(levels: Array, stretch: int, leaders: Sequence[Span], chunk_s: float, criteria: DropoutCriteria) -> Array:
    """The floor in dB of each octave in each stretch, (octaves, stretches); NaN where there is none to be asked."""
    count = levels.shape[1] // stretch
    share = 100 * criteria.floor_share
    low = np.empty((len(levels), count), np.float32)
    spread = np.empty_like(low)
    for at in range(0, count, PAGE_STRETCHES):
        page = slice(at, at + PAGE_STRETCHES)
        smooth = _page(levels, page, count, stretch)
        below, low[:, page], above = np.percentile(smooth, [share / 2, share, 3 * share], axis=2)
        spread[:, page] = above - below
    starts_s = np.arange(count) * stretch * chunk_s
    in_leader = np.zeros(count, bool)
    for leader in leaders:
        in_leader |= (starts_s < leader.stop_s) & (starts_s + stretch * chunk_s > leader.start_s)
    visible = (spread <= criteria.floor_spread_db) & (low > criteria.lowest_floor_dbfs) & ~in_leader
    visible[:-1] &= low[:-1] > low[1:] - LEAK_DB
    reach = round(criteria.floor_around_s / STRETCH_S)
    floors = _share_around(np.where(visible, low, np.inf), reach, 0.2, 3)
    at_floor, gap = _held(levels, floors, stretch)
    floors[~(_sum_around(gap, reach) <= criteria.gap_share * _sum_around(at_floor, reach))] = np.nan
    if in_leader.any():
        electronics = np.median(low[:, in_leader], axis=1)
        floors[floors < electronics[:, None] + criteria.above_leader_db] = np.nan
    return floors


def _held(levels: Array, floors: Array, stretch: int) -> tuple[Array, Array]:
    """How many chunks of each stretch are at its floor, and how many somewhat below, (octaves, stretches) each."""
    at_floor, gap = np.zeros_like(floors), np.zeros_like(floors)
    for at in range(0, floors.shape[1], PAGE_STRETCHES):
        page = slice(at, at + PAGE_STRETCHES)
        smooth = _page(levels, page, floors.shape[1], stretch)
        above = smooth - floors[:, page, None]
        at_floor[:, page] = np.count_nonzero(np.abs(above) <= AT_FLOOR_DB, axis=2)
        gap[:, page] = np.count_nonzero((above < -GAP_DB[0]) & (above > -GAP_DB[1]), axis=2)
    return at_floor, gap


def _page(levels: Array, page: slice, count: int, stretch: int) -> Array:
    """Smoothed levels of some stretches, (octaves, stretches, chunks)."""
    chunks = levels[:, page.start * stretch : min(page.stop, count) * stretch]
    smooth = _smoothed(np.pad(chunks, ((0, 0), (0, FLOOR_SMOOTH - 1)), mode="edge"), FLOOR_SMOOTH)
    return smooth.reshape(len(levels), -1, stretch)


def _sum_around(values: Array, reach: int) -> Array:
    padded = np.pad(values, ((0, 0), (reach, reach)))
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1).sum(2)


def _share_around(values: Array, reach: int, share: float, fewest: int) -> Array:
    """In each row the value that a share of the finite ones within ``reach`` lies below; NaN for less than fewest."""
    padded = np.pad(values, ((0, 0), (reach, reach)), constant_values=np.inf)
    around = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1), axis=2)
    some = np.isfinite(around).sum(2)
    at = (some * share).astype(int)
    return np.where(some >= fewest, np.take_along_axis(around, at[..., None], axis=2)[..., 0], np.nan)


def _under(levels: Array, floors: Array, stretch: int, criteria: DropoutCriteria) -> tuple[Array, Array]:
    """(chunks,) each: how far the highest octave that lies below its floor does so (0: none), and which one it is.

    An octave is asked only where all higher ones lie below their floors as well, or have none.
    """
    length = levels.shape[1]
    most_under, witness = np.zeros(length, np.float32), np.full(length, WITNESSES, np.int8)
    page, half = PAGE_STRETCHES * stretch, SMOOTH // 2
    for at in range(0, length, page):
        start, stop = max(at - half, 0), min(at + page + half, length)
        smooth = _smoothed(levels[:WITNESSES, start:stop], SMOOTH)
        first = start + half
        chunks = np.arange(first, first + smooth.shape[1])
        under = floors[:WITNESSES, np.minimum(chunks // stretch, floors.shape[1] - 1)] - smooth
        contradicted = np.zeros(smooth.shape[1], bool)
        for octave, under_db in enumerate(under):
            shown = (under_db >= criteria.under_db) & ~contradicted & (witness[chunks] == WITNESSES)
            most_under[chunks[shown]], witness[chunks[shown]] = under_db[shown], octave
            contradicted |= under_db < criteria.clear_db
    return most_under, witness


def _runs(marks: Array, bridge: int) -> Iterator[Range]:
    """Runs of marked chunks, those with no more than ``bridge`` between them as one."""
    turns = np.diff(np.concatenate([[0], marks.astype(np.int8), [0]]))
    starts, stops = np.flatnonzero(turns > 0), np.flatnonzero(turns < 0)
    if len(starts):
        apart = np.flatnonzero(starts[1:] - stops[:-1] > bridge)
        for start, stop in zip(starts[np.append(0, apart + 1)], stops[np.append(apart, len(stops) - 1)], strict=True):
            yield Range(int(start), int(stop))


def _measured(levels: Array, octave: int, run: Range, least_beside: float, chunk_s: float) -> Range | None:
    """Where the treble crosses half the fall, and how far the witness falls against the lower of its two sides.

    None where the witness is not above ``least_beside`` (dB) on both sides, so that it came down gently to a new low,
    or where samples are missing.
    """
    begin, end = run.start - BESIDE, run.stop + BESIDE
    near = levels[:WITNESSES, begin:end] / STEPS_PER_DB - LOUDEST_DB
    first, last, width = BESIDE, near.shape[1] - BESIDE, round(OUTWARD_S / chunk_s)
    spans = (slice(max(0, first - 2 - width), first - 2), slice(first, last), slice(last + 2, last + 2 + width))
    before, inside, after = (float(np.percentile(near[octave, span], 70)) for span in spans)
    if min(before, after) < least_beside or inside <= ZEROS_DB:
        return None
    depth_db = min(before, after) - inside
    treble = near.mean(0)
    before, inside, after = (float(np.median(treble[span])) for span in spans)
    while first > BESIDE // 2 and treble[first - 1] < (inside + before) / 2:
        first -= 1
    while last < len(treble) - BESIDE // 2 and treble[last] < (inside + after) / 2:
        last += 1
    return Range(begin + first, begin + last, depth_db)
