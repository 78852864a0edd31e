"""Leader, silence, tone and programme: what stands where on a capture.

Quiet is where the side matches one of its rests (`pipeline.rests`), programme where it does not. Nothing is compared
with a peak, so a loud tone hides no quiet programme; hum, the same in leader and hiss, hides nothing above its bands.

Which rests are leader and which are hiss is told in `pipeline.leader`. Where that cannot be told, quiet is called
silence and ``electronics_floor_dbfs`` says why. Exact zeros hold no hiss: they are leader.

Floors are wide-band r.m.s. (from about 50 Hz to half the sample rate, hum included, DC not) of the quietest channel
that is alive: a channel is alive where hiss or sound stands out over its own leader or silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.cells import Cells, cells_of
from pipeline.edges import EdgeCriteria, without_knocks_at_edges
from pipeline.frames import SILENT_DB, Frames
from pipeline.leader import LeaderCriteria, leaders_among
from pipeline.marks import Mark, islands, runs_of
from pipeline.records import NotMeasured, Reading
from pipeline.rests import NO_REST, RestCriteria, find_rests
from pipeline.spans import Span

Array = np.ndarray[Any, Any]


SOUND_INSET = 0.4  # sound starts and stops in the middle of the cell it is first and last seen in, on average


class RegionKind(StrEnum):
    LEADER = "leader"  # no oxide, or the transport stopped: electronics noise only
    SILENCE = "silence"  # tape hiss, no programme
    TONE = "tone"
    PROGRAMME = "programme"


@dataclass(frozen=True)
class Region:
    """One stretch of a capture. The regions of a capture cover it whole, without overlap or hole."""

    kind: RegionKind
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class RegionMap:
    """The regions, and the wide-band levels of silence and leader (convention: head of this module)."""

    regions: tuple[Region, ...]
    hiss_floor_dbfs: Reading
    electronics_floor_dbfs: Reading


@dataclass(frozen=True)
class RegionCriteria:
    """
    rests            what counts as a quiet level, and what matches it
    leader           what tells leader from hiss
    edges            clicks and thumps close to programme
    pause_s          a shorter pause inside programme stays programme
    burst_s          sound that lasts less in all, with pauses around it, is no programme
    word_s, word_db  unless in some octave of speech it stands this far over the quiet, this long
    knock_s          a sound shorter than this at the edge of a tone or leader, apart from the programme, is none of it
    sliver_s         a shorter quiet stretch joins its neighbour
    alive_db         a channel is alive where hiss or sound stands out by this much
    """

    rests: RestCriteria
    leader: LeaderCriteria
    edges: EdgeCriteria
    pause_s: float
    burst_s: float
    word_s: float
    word_db: float
    knock_s: float
    sliver_s: float
    alive_db: float


_KINDS = {
    Mark.SOUND: RegionKind.PROGRAMME,
    Mark.LEADER: RegionKind.LEADER,
    Mark.SILENCE: RegionKind.SILENCE,
    Mark.TONE: RegionKind.TONE,
}


def find_regions(
    frames: Frames, tones: Sequence[Span], duration_s: float, criteria: RegionCriteria, faint: Sequence[Span] = ()
) -> RegionMap:
    """What stands where on a capture of ``duration_s``; ``tones`` were found elsewhere and are taken as they are.

    faint  where nothing is heard but a faint copy of what follows: no programme
    """
    tones = _apart(tones, duration_s)
    cells = cells_of(frames, tones, criteria.rests.cells)
    rests, matched = find_rests(cells, criteria.rests)
    leaders, reason = leaders_among(rests, cells, matched, criteria.leader)
    marks = np.full(len(matched), Mark.SOUND, np.int8)
    marks[matched >= leaders] = Mark.SILENCE
    marks[(matched != NO_REST) & (matched < leaders) | cells.zeros] = Mark.LEADER  # noise that rounding broke up, too
    marks[cells.toned] = Mark.TONE
    _close_up(marks)
    heard = marks.copy()
    for span in faint:
        inside = (cells.middle_s >= span.start_s) & (cells.middle_s < span.stop_s)
        marks[inside & (marks == Mark.SOUND)] = Mark.SILENCE
    over_db = (cells.level_db - rests.max(axis=0, initial=SILENT_DB))[:, cells.voice]
    spoken = np.any(over_db > criteria.word_db, axis=1)
    marks = without_knocks_at_edges(marks, frames, cells, rests, criteria.pause_s, criteria.edges)
    marks = _settle(marks, spoken, cells.seconds, criteria)
    regions = _laid_out(marks, cells, tones, duration_s)
    hiss, electronics = _floors(cells, heard, marks, reason, criteria)
    return RegionMap(regions, hiss, electronics)


def _apart(tones: Sequence[Span], duration_s: float) -> list[Span]:
    """The tones in order, inside the capture and without overlap."""
    apart: list[Span] = []
    for tone in sorted(tones):
        start_s = max(tone.start_s, apart[-1].stop_s if apart else 0.0)
        if min(tone.stop_s, duration_s) > start_s:
            apart.append(Span(start_s, min(tone.stop_s, duration_s)))
    return apart


def _close_up(marks: Array) -> None:
    """The one cell between quiet and a tone holds the tone's edge, not sound."""
    padded = np.pad(marks, 2, "edge")
    before, after = padded[1:-3], padded[3:-1]
    for beside, tone in ((before, after), (after, before)):
        edge = (marks == Mark.SOUND) & (tone == Mark.TONE) & np.isin(beside, (Mark.LEADER, Mark.SILENCE))
        marks[edge] = beside[edge]


def _settle(marks: Array, spoken: Array, cell_s: float, criteria: RegionCriteria) -> Array:
    """Marks of cells, with knocks, pauses and slivers settled."""
    marks = _without_slivers(marks, cell_s, criteria)
    marks = _without_knocks(marks, spoken, cell_s, criteria)
    marks = _with_pauses(marks, cell_s, criteria)
    return _without_slivers(marks, cell_s, criteria)


def _without_slivers(marks: Array, cell_s: float, criteria: RegionCriteria) -> Array:
    """Short quiet stretches join a neighbour: the other quiet kind, if there is one, or else the sound."""
    marks = marks.copy()
    runs = runs_of(marks)
    for index, (mark, first, stop) in enumerate(runs):
        if mark in (Mark.LEADER, Mark.SILENCE) and len(runs) > 1:
            beside = [runs[i][0] for i in (index - 1, index + 1) if 0 <= i < len(runs)]
            near = [other for other in beside if other != Mark.TONE]
            if (stop - first + (len(near) < len(beside))) * cell_s >= criteria.sliver_s:  # a tone hides a cell of it
                continue
            marks[first:stop] = max(near, default=mark) if mark == Mark.LEADER else min(near, default=mark)
    return marks


def _without_knocks(marks: Array, spoken: Array, cell_s: float, criteria: RegionCriteria) -> Array:
    """Short sounds with quiet around them become quiet, each half like its neighbour, unless they are words."""
    marks = marks.copy()
    runs = runs_of(marks)
    for island in islands(runs, cell_s, criteria.pause_s):
        members = [runs[i] for i in island]
        if sum(stop - first for _, first, stop in members) * cell_s < criteria.burst_s:
            said = sum(spoken[first:stop].sum() for _, first, stop in members)
            drop = members if said * cell_s < criteria.word_s else []
        else:
            knocks = _knocks_at_ends(runs, island, cell_s, criteria)
            drop = [knock for knock in knocks if spoken[knock[1] : knock[2]].sum() * cell_s < criteria.word_s]
        for _, first, stop in drop:
            _fill_quiet(marks, first, stop)
    return marks


def _knocks_at_ends(
    runs: list[tuple[int, int, int]], island: list[int], cell_s: float, criteria: RegionCriteria
) -> list[tuple[int, int, int]]:
    """Short runs at either end of an island and apart from it: the transport's beside leader, a tone's edge."""
    knocks: list[tuple[int, int, int]] = []
    for order, outward in ((island, -1), (island[::-1], 1)):
        beside = order[0] + outward
        if not 0 <= beside < len(runs) or runs[beside][0] == Mark.SILENCE:  # see `pipeline.edges`
            continue
        for index in order[: len(island) - 1 - len(knocks)]:
            mark, first, stop = runs[index]
            _, gap_first, gap_stop = runs[index - outward]
            if (stop - first) * cell_s >= criteria.knock_s or (gap_stop - gap_first) * cell_s < criteria.sliver_s:
                break
            knocks.append((mark, first, stop))
    return knocks


def _fill_quiet(marks: Array, first: int, stop: int) -> None:
    before = marks[first - 1] if first > 0 else None
    after = marks[stop] if stop < len(marks) else None
    quiet = [mark for mark in (before, after) if mark in (Mark.LEADER, Mark.SILENCE)]
    if quiet:
        middle = (first + stop + (quiet[0] == Mark.LEADER)) // 2  # a cell of both is louder than leader
        marks[first:middle], marks[middle:stop] = quiet[0], quiet[-1]


def _with_pauses(marks: Array, cell_s: float, criteria: RegionCriteria) -> Array:
    marks = marks.copy()
    runs = runs_of(marks)
    for island in islands(runs, cell_s, criteria.pause_s):
        marks[runs[island[0]][1] : runs[island[-1]][2]] = Mark.SOUND
    return marks


def _laid_out(marks: Array, cells: Cells, tones: Sequence[Span], duration_s: float) -> tuple[Region, ...]:
    """Cells and tones as regions that cover the capture whole."""
    other = np.flatnonzero(marks != Mark.TONE)
    if len(other):  # what stands beside a tone reaches up to the tone's own edge
        place = np.searchsorted(other, np.arange(len(marks))).clip(0, len(other) - 1)
        left = other[np.maximum(place - 1, 0)]
        nearer_left = np.arange(len(marks)) - left < other[place] - np.arange(len(marks))
        marks = marks[np.where(nearer_left, left, other[place])]
    runs = runs_of(marks)
    inset_s = SOUND_INSET * cells.seconds
    turns_s = [
        float(cells.edges_s[stop]) + inset_s * ((after == Mark.SOUND) - (before == Mark.SOUND))
        for (before, _, stop), (after, _, _) in pairwise(runs)
    ]
    edges_s = [0.0, *turns_s, duration_s]
    pieces = [(_KINDS[Mark(mark)], *edge) for (mark, _, _), edge in zip(runs, pairwise(edges_s), strict=True)]
    cut: list[Region] = [Region(RegionKind.TONE, tone.start_s, tone.stop_s) for tone in tones]
    for kind, start_s, stop_s in pieces:
        for tone in tones:
            if tone.start_s > start_s and start_s < min(stop_s, tone.start_s):
                cut.append(Region(kind, start_s, min(stop_s, tone.start_s)))
            if tone.stop_s > start_s:
                start_s = max(start_s, tone.stop_s)
        if start_s < stop_s:
            cut.append(Region(kind, start_s, stop_s))
    return _joined(sorted(cut, key=lambda region: region.start_s))


def _joined(pieces: list[Region]) -> tuple[Region, ...]:
    joined: list[Region] = []
    for piece in pieces:
        if joined and joined[-1].kind is piece.kind:
            joined[-1] = Region(piece.kind, joined[-1].start_s, piece.stop_s)
        else:
            joined.append(piece)
    return tuple(joined)


def _floors(cells: Cells, heard: Array, marks: Array, reason: str, criteria: RegionCriteria) -> tuple[Reading, Reading]:
    """Levels of silence and leader, on the quietest channel that is alive."""

    def level_db(mark: Mark) -> Array | None:
        inside = (heard == mark) & (marks == mark) & ~cells.zeros
        enough = inside.sum() * cells.seconds >= min(criteria.sliver_s, float(cells.edges_s[-1]) / 2)
        return np.median(cells.total_db[inside], axis=0) if inside.any() and enough else None

    silence, leader, sound = level_db(Mark.SILENCE), level_db(Mark.LEADER), level_db(Mark.SOUND)
    rest = leader if leader is not None else silence
    if rest is None:
        none = "the leader is exact zeros" if cells.zeros.any() else "the capture holds no silence and no leader"
        return NotMeasured(none), NotMeasured(none)
    louder = np.max([level for level in (silence, sound) if level is not None] or [rest], axis=0)
    alive = louder - rest >= criteria.alive_db
    alive = alive if alive.any() else np.ones_like(alive)
    channel = int(np.argmin(np.where(alive, silence if silence is not None else rest, np.inf)))
    hiss: Reading = NotMeasured("the capture holds no silence") if silence is None else float(silence[channel])
    if leader is not None:
        return hiss, float(leader[channel])
    zeros = "the leader is exact zeros" if cells.zeros.any() else reason
    return hiss, NotMeasured(zeros)
