"""Sudden sags of the tape's speed, heard as pitch: sticking, dragging, a belt that slips, a transport that stops.

Definition: everything that sounds falls (or rises) in pitch by one ratio and comes back within seconds, or falls until
it is silent. Found where several voices sound: a single voice, speech above all, glides by itself, and a sag in it
cannot be told. A reference tone that leaves its pitch and comes back tells by itself.

Two looks: runs of glides in one direction (`pipeline.glides`); then, in the audio of each run, replayed so that its
glide is held, whether more than one series of harmonics sounds, and whether what is beside the strongest one glides
with it. Where only the fall or only the return was slow enough to be followed, only that is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.glides import Glides
from pipeline.tone import Tone
from pipeline.voices import Read, Voices, measure_voices

Array = np.ndarray[Any, Any]

STEADY = 0.029  # octaves a second: a slower change is no glide
SOME_GAIN = 0.02  # less is chance
BRIDGE_FRAMES = 4  # a note that begins hides a glide for so long
ENDS_LOST = 1.1  # where a glide sets in and ends it is too slow to be seen
APART_S = 0.5  # what is told nearer than this is one sag
SILENT_S = 0.5
STOPPED_PERCENT = -100.0
BESIDE_S = 0.06
TONE_APART = 0.01  # the same tone again
WILD = 0.5  # no tape speed: something else sounds


@dataclass(frozen=True)
class RunCriteria:
    """What a run of glides must have to be told.

    frames       at least so many frames glide
    gain         spectra are more alike when shifted, added up over the run
    match        how alike they are then, on average (0 … 1)
    one_voice    at most this share of the spectrum is a single voice (0 … 1)
    over_stayed, over_chance  of what is beside that voice at least so much moves with it (`pipeline.voices.Company`)
    """

    frames: int
    gain: float
    match: float
    one_voice: float
    over_stayed: float
    over_chance: float

    def has(self, voices: Voices) -> bool:
        return (
            voices.one_voice < self.one_voice
            and voices.company.over_stayed >= self.over_stayed
            and voices.company.over_chance >= self.over_chance
        )

    def times(self, frames: float, gain: float) -> RunCriteria:
        return replace(self, frames=int(self.frames * frames), gain=self.gain * gain)


@dataclass(frozen=True)
class SagCriteria:
    """least_percent    a smaller change is flutter
    longest_s        from the beginning of the fall to the end of the return
    ensemble, with_others, all_move  a run that has all of one of these is told
    paired           a fall and the next rise after it that both have all of this are told …
    paired_alike     … if the lesser is this share of the larger (0 … 1) …
    paired_s         … and both last no longer together
    alike            the return is at least this share of the fall, or the fall of the return (0 … 1) …
    return_gain      … and has this gain
    stop_db          a fall and then this much less than before is a stop
    short_frames, short_gain  in short frames a run has so many times as many frames, and as much gain
    most_asked       second looks at runs of each length of frames, the strongest first
    shortest_s, tone_share  a tone sags for at least so long, and is this share of all power
    """

    least_percent: float
    longest_s: float
    ensemble: RunCriteria
    with_others: RunCriteria
    all_move: RunCriteria
    paired: RunCriteria
    paired_alike: float
    paired_s: float
    alike: float
    return_gain: float
    stop_db: float
    short_frames: float
    short_gain: float
    most_asked: int
    shortest_s: float
    tone_share: float

    def in_short_frames(self) -> SagCriteria:
        ways = (self.ensemble, self.with_others, self.all_move, self.paired)
        ensemble, with_others, all_move, paired = (way.times(self.short_frames, self.short_gain) for way in ways)
        return replace(
            self,
            ensemble=ensemble,
            with_others=with_others,
            all_move=all_move,
            paired=paired,
            return_gain=self.return_gain * self.short_gain,
        )


@dataclass(frozen=True)
class Sag:
    """change_percent: of the speed at its furthest, within a quarter of itself; negative: slower; -100: it stopped."""

    start_s: float
    stop_s: float
    change_percent: float


@dataclass(frozen=True)
class _Run:
    """Frames from first to last glide one way: by so many octaves in all; how many do, and their gain and match."""

    first: int
    last: int
    octaves: float
    frames: int
    gain: float
    match: float

    def reaches(self, way: RunCriteria) -> bool:
        return self.frames >= way.frames and self.gain >= way.gain and self.match >= way.match


def find_sags(
    glides: Sequence[Glides],
    frames: Frames,
    tones: Sequence[Tone],
    read: Read,
    rate_hz: int,
    criteria: SagCriteria,
) -> tuple[Sag, ...]:
    """Every sag by time; those in a tone are told from the tone. ``glides`` are those of `GlideMeter`."""
    in_long, in_short = glides
    told = [*_told(in_long, read, rate_hz, criteria), *_told(in_short, read, rate_hz, criteria.in_short_frames())]
    sags = [_stopped(sag, frames, criteria) for sag in _joined(told)]
    in_tones = _in_tones(frames, tones, criteria)
    apart = [sag for sag in sags if not any(t.start_s < sag.stop_s and sag.start_s < t.stop_s for t in in_tones)]
    return tuple(sorted([*apart, *in_tones], key=lambda sag: sag.start_s))


def _told(glides: Glides, read: Read, rate_hz: int, criteria: SagCriteria) -> list[Sag]:
    """The sags that glides in frames of one length show."""
    runs = _runs(glides)
    least = -np.log2(1 - criteria.least_percent / 100)
    ways = (criteria.ensemble, criteria.with_others, criteria.all_move)
    large = [run for run in runs if abs(run.octaves) >= least]
    alone = [run for run in large if any(run.reaches(way) for way in ways)]
    pairs = _pairs([run for run in runs if run.reaches(criteria.paired)], least, glides.hop_s, criteria)
    asked = sorted({*alone, *(run for pair in pairs for run in pair)}, key=lambda run: -run.gain * run.match)
    one = max(way.one_voice for way in (*ways, criteria.paired))
    heard = {
        run: measure_voices(glides, run.first, run.last, read, rate_hz, one) for run in asked[: criteria.most_asked]
    }

    def has(run: _Run, way: RunCriteria) -> bool:
        voices = heard.get(run)
        return run.reaches(way) and voices is not None and way.has(voices)

    told = [_with_return(run, runs, glides.hop_s, criteria) for run in alone if any(has(run, way) for way in ways)]
    told += [pair for pair in pairs if all(has(run, criteria.paired) for run in pair)]
    return [_sag(*each, glides) for each in told]


def _runs(glides: Glides) -> list[_Run]:
    """Glides in one direction, gaps of a few frames bridged."""
    octaves, gain = glides.octaves, glides.gain
    at = np.flatnonzero((np.abs(octaves) >= STEADY * glides.hop_s) & (gain >= SOME_GAIN))
    apart = (np.diff(at) > BRIDGE_FRAMES) | (np.diff(np.sign(octaves[at])) != 0)
    runs = []
    for run in np.split(at, np.flatnonzero(apart) + 1) if len(at) else ():
        gains = gain[run].astype(float)
        match = float(gains @ glides.match[run] / gains.sum())
        runs.append(_Run(int(run[0]), int(run[-1]), float(octaves[run].sum()), len(run), float(gains.sum()), match))
    return runs


def _pairs(runs: Sequence[_Run], least: float, hop_s: float, criteria: SagCriteria) -> list[tuple[_Run, _Run]]:
    """Each fall with the next rise, where they are of one size."""
    pairs = []
    for place, fall in enumerate(runs):
        rise = next((run for run in runs[place + 1 :] if run.octaves > 0), None)
        if fall.octaves > 0 or rise is None or (rise.last - fall.first) * hop_s > criteria.paired_s:
            continue
        smaller, larger = sorted((-fall.octaves, rise.octaves))
        if larger >= least and smaller >= criteria.paired_alike * larger:
            pairs.append((fall, rise))
    return pairs


def _with_return(run: _Run, runs: Sequence[_Run], hop_s: float, criteria: SagCriteria) -> tuple[_Run, _Run]:
    """A run and the nearest other way that is about as large, before or after it; twice itself where there is none."""
    size = abs(run.octaves)
    others = [
        other
        for other in runs
        if (other.octaves > 0) != (run.octaves > 0)
        and criteria.alike * size <= abs(other.octaves) <= size / criteria.alike
        and other.gain >= criteria.return_gain
        and (max(other.last, run.last) - min(other.first, run.first)) * hop_s <= criteria.longest_s
    ]
    if not others:
        return run, run
    nearest = min(others, key=lambda other: max(other.first - run.last, run.first - other.last))
    return (run, nearest) if nearest.first > run.first else (nearest, run)


def _sag(out: _Run, back: _Run, glides: Glides) -> Sag:
    """Of a pair, or of one run twice: a fall by itself, or a return from where the speed had been."""
    start_s, stop_s = (glides.first_s + frame * glides.hop_s for frame in (out.first, back.last))
    octaves = (abs(out.octaves) + abs(back.octaves)) / 2 * ENDS_LOST
    is_up = out is not back and out.octaves > 0
    return Sag(start_s, stop_s, 100 * float(np.exp2(octaves if is_up else -octaves) - 1))


def _joined(sags: Sequence[Sag]) -> list[Sag]:
    """What overlaps or follows at once is one sag, and as deep as its deepest."""
    joined: list[Sag] = []
    for sag in sorted(sags, key=lambda sag: sag.start_s):
        if joined and sag.start_s < joined[-1].stop_s + APART_S:
            last = joined.pop()
            deeper = min(last, sag, key=lambda each: each.change_percent)
            sag = Sag(last.start_s, max(last.stop_s, sag.stop_s), deeper.change_percent)
        joined.append(sag)
    return joined


def _stopped(sag: Sag, frames: Frames, criteria: SagCriteria) -> Sag:
    """The same, or a stop where soon after it is silent for half a second."""
    times_s, total_db = frames.times_s, frames.total_db.max(axis=1)
    before = (times_s > sag.start_s - SILENT_S) & (times_s <= sag.start_s)
    after = np.flatnonzero((times_s > sag.start_s) & (times_s < sag.stop_s + SILENT_S))
    half = round(SILENT_S / frames.hop_s)
    if not before.any() or sag.change_percent > 0 or not len(after):
        return sag
    silence_db = total_db[before].mean() - criteria.stop_db
    silent = (total_db[after[0] : after[-1] + 1 + half] < silence_db).astype(float)
    still = np.convolve(silent, np.ones(half), "valid") > half - 0.5 if len(silent) >= half else silent[:0]
    if not still.any():
        return sag
    stop_s = float(times_s[after[0] + int(np.argmax(still))])
    return replace(sag, stop_s=max(stop_s, sag.start_s), change_percent=STOPPED_PERCENT)


def _in_tones(frames: Frames, tones: Sequence[Tone], criteria: SagCriteria) -> list[Sag]:
    """Where one tone ends and the same begins again soon, and in between it never stops but leaves its pitch."""
    louder = int(np.argmax(frames.line_db.mean(axis=0))) if len(frames.line_db) else 0
    sags = []
    for tone, again in pairwise(tones):
        gap_s = again.start_s - tone.stop_s
        if gap_s > criteria.longest_s or abs(again.measured_hz / tone.measured_hz - 1) > TONE_APART:
            continue
        inside = (frames.times_s > tone.stop_s - BESIDE_S) & (frames.times_s < again.start_s + BESIDE_S)
        off = frames.line_hz[inside, louder] / tone.measured_hz - 1
        is_tone = frames.line_share[inside, louder] >= criteria.tone_share
        away = is_tone & (np.abs(off) >= criteria.least_percent / 200)
        if away.sum() * frames.hop_s < criteria.shortest_s or is_tone.mean() < 0.8 or np.abs(off[is_tone]).max() > WILD:
            continue
        furthest = float(off[is_tone][np.argmax(np.abs(off[is_tone]))])
        if abs(furthest) >= criteria.least_percent / 100:
            at_s = frames.times_s[inside][away]
            sags.append(Sag(float(at_s[0]), float(at_s[-1]), 100 * furthest))
    return sags
