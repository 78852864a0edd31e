"""Sudden sags of the tape's speed, heard as pitch: sticking, dragging, a belt that slips, a transport that stops.

Definition: everything that sounds falls (or rises) in pitch by one ratio and comes back within seconds, or falls until
it is silent. Found where several voices sound: a single voice, speech above all, glides by itself, and a sag in it
cannot be told. A reference tone that leaves its pitch and comes back tells by itself.

Two looks: runs of glides in one direction (`pipeline.glides`) that come in pairs; then, in the audio around each pair,
whether more than one series of harmonics sounds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.glides import GlideCriteria, Glides
from pipeline.tone import Tone
from pipeline.voices import find_partials, one_voice_share, others_move, voice_length

Array = np.ndarray[Any, Any]
Read = Callable[[int, int], Array]  # from frame to frame of the capture, float32 (frames, channels)

STEADY = 0.00075  # a change per frame below this is no glide
BRIDGE_FRAMES = 5  # a note that begins hides a glide for so long
NEIGHBOURS = 8  # runs looked at on either side
FELL_SHORT = 1.25  # glides are read too large by this: the slope is that of two spectra apart, and flatter
STOPPED_PERCENT = -100.0
BESIDE_S = 0.06
FEWEST_MOMENTS = 3
TONE_APART = 0.01  # the same tone again
WILD = 0.5  # no tape speed: something else sounds


@dataclass(frozen=True)
class SagCriteria:
    """least_percent    a smaller change is flutter
    most_percent     a larger one, short of a stop, is more likely something else that sounds
    longest_s        from the beginning of the fall to the end of the return
    alike            the return is at least this share of the fall, or the fall of the return (0 … 1)
    fewest_frames    so many frames of each glide …
    fewest_both      … and of both together
    bands            on average so many bands agree
    beside, alone_s  whatever else glides between the two, or so soon before or after, is below this share of them
    one_voice        more of the spectrum than this share is a single voice (0 … 1)
    both_percent     a larger change must show against before and after, a smaller one against either
    one_voice_stop   the same before a stop, where nothing else tells
    stop_percent     a fall by this much and then silence is a stop …
    stop_db          … silence being so much less than before
    most_asked       second looks, the strongest first
    shortest_s, tone_share  a tone sags for at least so long, and is this share of all power
    glides           how the first look is taken
    """

    least_percent: float
    most_percent: float
    longest_s: float
    alike: float
    fewest_frames: int
    fewest_both: int
    bands: float
    beside: float
    alone_s: float
    one_voice: float
    both_percent: float
    one_voice_stop: float
    stop_percent: float
    stop_db: float
    most_asked: int
    shortest_s: float
    tone_share: float
    glides: GlideCriteria


@dataclass(frozen=True)
class Sag:
    """change_percent: of the speed at its furthest, within a quarter of itself; negative: slower; -100: it stopped."""

    start_s: float
    stop_s: float
    change_percent: float


@dataclass(frozen=True)
class _Run:
    """Frames from first to last glide one way: the sum of their changes, how many do, how many bands in all."""

    first: int
    last: int
    change: float
    frames: int
    bands: int


@dataclass(frozen=True)
class _Found:
    """At the first look. away_s: a moment at which the pitch has changed by ``change`` (a ratio less 1)."""

    sag: Sag
    away_s: float
    change: float


def find_sags(
    glides: Glides, frames: Frames, tones: Sequence[Tone], read: Read, rate_hz: int, criteria: SagCriteria
) -> tuple[Sag, ...]:
    """Every sag by time; those in a tone are told from the tone."""
    runs = _runs(glides)
    total_db = frames.total_db.max(axis=1)
    heard = [*_pairs(runs, glides.hop_s, criteria), *_stops(runs, glides, total_db, criteria)]
    heard.sort(key=lambda found: -abs(found.sag.change_percent))
    told = [one.sag for one in heard[: criteria.most_asked] if _several_voices(one, read, rate_hz, criteria)]
    in_tones = _in_tones(frames, tones, criteria)
    apart = [sag for sag in told if not any(t.start_s < sag.stop_s and sag.start_s < t.stop_s for t in in_tones)]
    return tuple(sorted([*apart, *in_tones], key=lambda sag: sag.start_s))


def _runs(glides: Glides) -> list[_Run]:
    """Glides in one direction, gaps of a few frames bridged."""
    change, bands = glides.change, glides.bands
    runs: list[_Run] = []
    for at in np.flatnonzero(np.abs(change) > STEADY):
        before = runs[-1] if runs else None
        if before and at - before.last <= BRIDGE_FRAMES and (before.change > 0) == (change[at] > 0):
            added = before.change + float(change[at]), before.frames + 1, before.bands + int(bands[at])
            runs[-1] = _Run(before.first, int(at), *added)
        else:
            runs.append(_Run(int(at), int(at), float(change[at]), 1, int(bands[at])))
    return runs


def _pairs(runs: Sequence[_Run], hop_s: float, criteria: SagCriteria) -> list[_Found]:
    """A fall and the return after it, or a rise and its; each run belongs to one pair."""
    least = FELL_SHORT * criteria.least_percent / 100
    large = [n for n, run in enumerate(runs) if abs(run.change) >= least / 2 and run.frames >= criteria.fewest_frames]
    sags: list[_Found] = []
    taken = -1
    for place, n in enumerate(large):
        if n <= taken:
            continue
        for other in large[place + 1 :]:
            out, back = runs[n], runs[other]
            if (back.last - out.first) * hop_s > criteria.longest_s:
                break
            if (out.change > 0) != (back.change > 0):
                beside = _beside(runs, n, other, round(criteria.alone_s / hop_s))
                if _is_pair(out, back, beside, least, criteria):
                    change = 100 * (out.change - back.change) / 2 / FELL_SHORT
                    away_s = (out.last + back.first + 1) / 2 * hop_s
                    sags.append(_Found(Sag(out.first * hop_s, back.last * hop_s, change), away_s, change / 100))
                    taken = other
                break
    return sags


def _beside(runs: Sequence[_Run], out: int, back: int, reach: int) -> float:
    """How much else glides between two runs and within ``reach`` frames of them."""
    near = (*runs[max(0, out - NEIGHBOURS) : out], *runs[out + 1 : back], *runs[back + 1 : back + 1 + NEIGHBOURS])
    first, last = runs[out].first - reach, runs[back].last + reach
    return sum(abs(run.change) for run in near if run.last > first and run.first < last)


def _is_pair(out: _Run, back: _Run, beside: float, least: float, criteria: SagCriteria) -> bool:
    smaller, larger = sorted((abs(out.change), abs(back.change)))
    frames = out.frames + back.frames
    return (
        least <= larger <= least * criteria.most_percent / criteria.least_percent
        and smaller >= criteria.alike * larger
        and frames >= criteria.fewest_both
        and out.bands + back.bands >= criteria.bands * frames
        and beside <= criteria.beside * larger
    )


def _stops(runs: Sequence[_Run], glides: Glides, total_db: Array, criteria: SagCriteria) -> list[_Found]:
    """A long fall, and soon after it silence for half a second: the lowest notes cannot be followed down."""
    hop_s = glides.hop_s
    half_s, longest = round(0.5 / hop_s), round(criteria.longest_s / hop_s)
    sags = []
    for run in runs:
        if run.change > -criteria.stop_percent / 100 or run.frames < criteria.fewest_both:
            continue
        silence_db = total_db[max(0, run.first - half_s) : run.first + 1].mean() - criteria.stop_db
        silent = total_db[run.last : run.last + longest] < silence_db
        still = np.convolve(silent, np.ones(half_s), "valid") > half_s - 0.5 if len(silent) >= half_s else silent[:0]
        if still.any():
            stop_s = (run.last + int(np.argmax(still))) * hop_s
            fallen = np.cumsum(glides.change[run.first : run.last + 1]) / FELL_SHORT
            away = int(np.argmax(fallen <= -criteria.least_percent / 50))  # far enough to tell, not yet smeared
            if fallen[away] < 0:
                sag = Sag(run.first * hop_s, stop_s, STOPPED_PERCENT)
                sags.append(_Found(sag, (run.first + away + 0.5) * hop_s, float(fallen[away])))
    return sags


def _several_voices(found: _Found, read: Read, rate_hz: int, criteria: SagCriteria) -> bool:
    """Whether more than one voice sounds, and what is beside the strongest one moves with it.

    At most moments around the sag no single series of harmonics explains nearly all that sounds. Nothing comes after a
    stop, so moments before it are asked.
    """
    sag = found.sag
    moments_s = [sag.start_s - BESIDE_S, sag.start_s + BESIDE_S / 2, found.away_s]
    if sag.change_percent == STOPPED_PERCENT:
        moments_s = [sag.start_s - 4 * BESIDE_S, sag.start_s - 2 * BESIDE_S, *moments_s]
        rests, away = (1, 2), 4
    else:
        moments_s += [sag.stop_s, sag.stop_s + BESIDE_S]
        rests, away = (0, 4), 2
    length = voice_length(rate_hz)
    first = max(0, round(moments_s[0] * rate_hz) - length // 2)
    samples = read(first, round(max(moments_s) * rate_hz) + length)
    starts = [max(0, round(moment_s * rate_hz) - length // 2 - first) for moment_s in moments_s]
    if any(start + length > len(samples) for start in starts):
        return False
    partials = [find_partials(samples[start : start + length], rate_hz) for start in starts]
    voices = [voice for voice in map(one_voice_share, partials) if voice is not None]
    if len(voices) < FEWEST_MOMENTS or float(np.median([share for share, _ in voices])) >= criteria.one_voice:
        return False
    if sag.change_percent == STOPPED_PERCENT:  # too quick to follow who moves
        return float(np.median([share for share, _ in voices])) < criteria.one_voice_stop
    at_rest = [(partials[place], one_voice_share(partials[place])) for place in rests]
    moved = [voice is not None and others_move(rest, partials[away], voice[1], found.change) for rest, voice in at_rest]
    return all(moved) if abs(sag.change_percent) > criteria.both_percent else any(moved)


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
