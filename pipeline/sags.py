"""Sudden sags of the tape's speed, heard as pitch: sticking, dragging, a belt that slips, a transport that stops.

Definition: everything that sounds falls (or rises) in pitch by one ratio and comes back within seconds, or falls until
it is silent. Found where several voices sound: a single voice, speech above all, glides by itself, and a sag in it
cannot be told. A reference tone that leaves its pitch and comes back tells by itself.

Two looks: runs of glides in one direction (`pipeline.glides`); then, in the audio of each run, replayed so that its
glide is held, whether what is beside the strongest voice glides with it, and whether there is more than that voice
(`pipeline.voices`). What speaks for a sag adds up, so that much of one makes up for little of another. Programme that
glides all the time glides by itself, and more is asked of a run in it. Where only the fall or only the return was slow
enough to be followed, only that is told.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.glide_runs import Run, find_runs, meter_of_glides
from pipeline.glides import Glides
from pipeline.sag_evidence import NONE, EvidenceCriteria, measure_evidence
from pipeline.tone import Tone
from pipeline.voices import Read

Array = np.ndarray[Any, Any]

ENDS_LOST = 1.1  # where a glide sets in and ends it is too slow to be seen
APART_S = 0.5  # what is told nearer than this is one sag
SILENT_S = 0.5
STOPPED_PERCENT = -100.0
BESIDE_S = 0.06
WILD = 0.95  # a tape that hardly moves any more; nor does one run at twice its speed
MOST_HEARD = 0.6  # evidence of the second look without the match: nearly no sag has more
CLEAR = 0.2  # so much less evidence is as good


@dataclass(frozen=True)
class SagCriteria:
    """least_percent    a smaller change is flutter
    longest_s        from the beginning of the fall to the end of the return
    frames, gain     a run told by itself has so many frames; spectra are so much more alike when shifted, added up
    alone_gain       where its return is not there, it has so much
    paired_frames, paired_gain  a fall and the next rise after it are told together if both have so many and so much …
    paired_alike     … the lesser is this share of the larger (0 … 1) …
    paired_s         … and both last no longer together
    equal_alike, equal_gain  a pair even more alike, with even more gain, needs less evidence (see there)
    alike            the return is at least this share of the fall, or the fall of the return (0 … 1) …
    return_gain      … and has this gain
    stop_db          a fall and then this much less than before is a stop …
    stop_percent     … if it was followed so far down
    short_frames     in short frames a run has so many times as many frames
    most_asked       second looks at runs of each length of frames, the likeliest first
    evidence         what the second look must show
    shortest_s, tone_share  a tone sags for at least so long, and is this share of all power
    """

    least_percent: float
    longest_s: float
    frames: int
    gain: float
    alone_gain: float
    paired_frames: int
    paired_gain: float
    paired_alike: float
    paired_s: float
    equal_alike: float
    equal_gain: float
    alike: float
    return_gain: float
    stop_db: float
    stop_percent: float
    short_frames: float
    most_asked: int
    evidence: EvidenceCriteria
    shortest_s: float
    tone_share: float

    def in_short_frames(self) -> SagCriteria:
        frames, paired = (int(self.short_frames * each) for each in (self.frames, self.paired_frames))
        return replace(self, frames=frames, paired_frames=paired)


@dataclass(frozen=True)
class Sag:
    """change_percent: of the speed at its furthest, within a quarter of itself; negative: slower; -100: it stopped."""

    start_s: float
    stop_s: float
    change_percent: float


def find_sags(
    glides: Sequence[Glides],
    frames: Frames,
    sagged: Sequence[tuple[Tone, Tone]],
    read: Read,
    rate_hz: int,
    criteria: SagCriteria,
) -> tuple[Sag, ...]:
    """Every sag by time.

    glides  those of `GlideMeter`
    sagged  what a reference tone is before and after it sagged: it tells more
    """
    in_long, in_short = glides
    told = [
        *_told(in_long, frames, read, rate_hz, criteria),
        *_told(in_short, frames, read, rate_hz, criteria.in_short_frames()),
    ]
    sags = [_stopped(sag, frames, criteria) for sag in _joined(told)]
    in_tones = _in_tones(frames, sagged, criteria)
    apart = [sag for sag in sags if not any(t.start_s < sag.stop_s and sag.start_s < t.stop_s for t in in_tones)]
    return tuple(sorted([*apart, *in_tones], key=lambda sag: sag.start_s))


def _told(glides: Glides, frames: Frames, read: Read, rate_hz: int, criteria: SagCriteria) -> list[_Told]:
    """The sags that glides in frames of one length show, and the evidence for each."""
    asked = _asked(find_runs(glides), glides, frames, criteria)
    least: dict[Run, float] = {}
    for each in asked:
        least |= {run: min(each.evidence, least.get(run, np.inf)) for run in each.runs}
    likeliest = sorted(least, key=lambda run: least[run] - criteria.evidence.match * run.match)[: criteria.most_asked]
    evidence = {run: measure_evidence(run, least[run], glides, read, rate_hz, criteria.evidence) for run in likeliest}
    told = []
    for each in asked:
        has = float(np.mean([evidence.get(run, NONE) for run in each.runs]))
        if has >= each.evidence:
            told.append((_sag(*each.sag, glides), has))
    return told


_Told = tuple[Sag, float]


@dataclass(frozen=True)
class _Asked:
    """What may be a sag: fall and return, or one run twice; the runs to be heard, and the evidence they must have."""

    sag: tuple[Run, Run]
    runs: tuple[Run, ...]
    evidence: float


def _asked(runs: Sequence[Run], glides: Glides, frames: Frames, criteria: SagCriteria) -> list[_Asked]:
    """Those for which there may be enough evidence."""
    least, hop_s = -np.log2(1 - criteria.least_percent / 100), glides.hop_s
    glides_per_s = meter_of_glides(runs, glides)
    firsts, reach = [run.first for run in runs], round(criteria.longest_s / hop_s)
    asked = []
    for run in runs:
        if run.frames >= criteria.frames and run.gain >= criteria.gain and abs(run.octaves) >= least:
            near = runs[bisect_left(firsts, run.first - reach) : bisect_left(firsts, run.last + reach)]
            sag = _with_return(run, near, hop_s, criteria)
            is_whole = sag[0].octaves < 0 < sag[1].octaves or _stops(run, glides, frames, criteria)
            if is_whole or run.gain >= criteria.alone_gain:
                asked.append(_Asked(sag, (run,), criteria.evidence.asked(is_whole, glides_per_s(run))))
    able = [run for run in runs if run.frames >= criteria.paired_frames and run.gain >= criteria.paired_gain]
    for pair in _pairs(able, least, hop_s, criteria):
        others = glides_per_s(pair[0])
        is_equal = _are_equal(pair, criteria) and others <= criteria.evidence.glides_per_s
        needed = criteria.evidence.equal if is_equal else criteria.evidence.asked(True, others)
        asked.append(_Asked(pair, pair, needed))
    match = criteria.evidence.match
    return [each for each in asked if each.evidence < MOST_HEARD + match * min(run.match for run in each.runs)]


def _stops(run: Run, glides: Glides, frames: Frames, criteria: SagCriteria) -> bool:
    """Does it fall far, and is it silent then?"""
    if run.octaves > np.log2(1 - criteria.stop_percent / 100):
        return False
    start_s, stop_s = (glides.first_s + frame * glides.hop_s for frame in (run.first, run.last))
    return _find_silence(start_s, stop_s, frames, criteria) is not None


def _pairs(runs: Sequence[Run], least: float, hop_s: float, criteria: SagCriteria) -> list[tuple[Run, Run]]:
    """Each fall with the next rise, where they are of one size."""
    pairs = []
    rise: Run | None = None
    for run in reversed(runs):
        if run.octaves > 0:
            rise = run
        elif rise is not None and (rise.last - run.first) * hop_s <= criteria.paired_s:
            smaller, larger = sorted((-run.octaves, rise.octaves))
            if larger >= least and smaller >= criteria.paired_alike * larger:
                pairs.append((run, rise))
    return pairs


def _are_equal(pair: tuple[Run, Run], criteria: SagCriteria) -> bool:
    """Does it come back to just where it was, both ways clearly? Hardly anybody does but a tape."""
    smaller, larger = sorted(abs(run.octaves) for run in pair)
    return smaller >= criteria.equal_alike * larger and min(run.gain for run in pair) >= criteria.equal_gain


def _with_return(run: Run, near: Sequence[Run], hop_s: float, criteria: SagCriteria) -> tuple[Run, Run]:
    """A run and the nearest other way that is about as large, a fall first if there is one; else the run twice."""
    size = abs(run.octaves)
    pairs = [
        (run, other) if other.first > run.first else (other, run)
        for other in near
        if (other.octaves > 0) != (run.octaves > 0)
        and criteria.alike * size <= abs(other.octaves) <= size / criteria.alike
        and other.gain >= criteria.return_gain
        and (max(other.last, run.last) - min(other.first, run.first)) * hop_s <= criteria.longest_s
    ]
    return min(pairs, key=lambda pair: (pair[0].octaves > 0, pair[1].first - pair[0].last), default=(run, run))


def _sag(out: Run, back: Run, glides: Glides) -> Sag:
    """Of a pair, or of one run twice: a fall by itself, or a return from where the speed had been."""
    start_s, stop_s = (glides.first_s + frame * glides.hop_s for frame in (out.first, back.last))
    octaves = (abs(out.octaves) + abs(back.octaves)) / 2 * ENDS_LOST
    is_up = out is not back and out.octaves > 0
    return Sag(start_s, stop_s, 100 * float(np.exp2(octaves if is_up else -octaves) - 1))


def _joined(told: Sequence[_Told]) -> list[Sag]:
    """What overlaps or follows at once is one sag, and as deep as the deepest that has nearly the most evidence."""
    groups: list[list[_Told]] = []
    stop_s = -np.inf
    for each in sorted(told, key=lambda each: each[0].start_s):
        if each[0].start_s >= stop_s + APART_S:
            groups.append([])
        groups[-1].append(each)
        stop_s = max(stop_s, each[0].stop_s)
    return [_as_one(group) for group in groups]


def _as_one(group: Sequence[_Told]) -> Sag:
    most = max(evidence for _, evidence in group)
    clear = [sag.change_percent for sag, evidence in group if evidence >= most - CLEAR]
    return Sag(group[0][0].start_s, max(sag.stop_s for sag, _ in group), max(clear, key=abs))


def _stopped(sag: Sag, frames: Frames, criteria: SagCriteria) -> Sag:
    """The same, or a stop where soon after it is silent for half a second."""
    deep = sag.change_percent <= -criteria.stop_percent
    stop_s = _find_silence(sag.start_s, sag.stop_s, frames, criteria) if deep else None
    return sag if stop_s is None else replace(sag, stop_s=max(stop_s, sag.start_s), change_percent=STOPPED_PERCENT)


def _find_silence(start_s: float, stop_s: float, frames: Frames, criteria: SagCriteria) -> float | None:
    """Where half a second of silence begins, from ``start_s`` to soon after ``stop_s``."""
    edges_s = (start_s - SILENT_S, start_s, stop_s + SILENT_S)
    before, start, stop = np.searchsorted(frames.times_s, edges_s, side="right")
    half = round(SILENT_S / frames.hop_s)
    total_db = frames.total_db[before : stop + half].max(axis=1)
    if before == start or len(total_db) < start - before + half:
        return None
    silence_db = total_db[: start - before].mean() - criteria.stop_db
    silent = (total_db[start - before :] < silence_db).astype(float)
    still = np.flatnonzero(np.convolve(silent, np.ones(half), "valid") > half - 0.5)
    return float(frames.times_s[start + still[0]]) if len(still) else None


def _in_tones(frames: Frames, sagged: Sequence[tuple[Tone, Tone]], criteria: SagCriteria) -> list[Sag]:
    """How far a tone leaves its pitch between its end and its new beginning."""
    louder = int(np.argmax(frames.line_db.mean(axis=0))) if len(frames.line_db) else 0
    sags = []
    for tone, again in sagged:
        inside = (frames.times_s > tone.stop_s - BESIDE_S) & (frames.times_s < again.start_s + BESIDE_S)
        off = frames.line_hz[inside, louder] / tone.measured_hz - 1
        away = (frames.line_share[inside, louder] >= criteria.tone_share) & (np.abs(off) <= WILD)
        away &= np.abs(off) >= criteria.least_percent / 200
        if np.count_nonzero(away) * frames.hop_s < criteria.shortest_s:
            continue
        furthest = float(off[away][np.argmax(np.abs(off[away]))])
        if abs(furthest) >= criteria.least_percent / 100:
            at_s = frames.times_s[inside][away]
            sags.append(Sag(float(at_s[0]), float(at_s[-1]), 100 * furthest))
    return sags
