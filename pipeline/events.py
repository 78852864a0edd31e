"""Moments that need ears: dropouts, clicks, clipping and lost samples.

Every detector stands in a module of its own; here a capture is cut into pieces for them, and what they found becomes
one list of events. Every piece gets a cheap first look (the extremes of chunks of 2 ms); only what that leaves possible
is looked at closely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.clicks import NEXT_CHUNKS, ClickCriteria, beside_chunks, find_clicks
from pipeline.clips import ClipCriteria, ClipFinder
from pipeline.dropouts import DropoutCriteria, find_dropouts
from pipeline.gaps import EDGE_S, GapCriteria, GapFinder
from pipeline.hiss_floor import OCTAVES, LevelTrace
from pipeline.hum_jumps import HumJumpCriteria
from pipeline.octaves import Octaves
from pipeline.phase_jumps import PhaseJumpCriteria
from pipeline.ranges import FoundRanges, together
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind
from pipeline.repeats import RepeatCriteria, RepeatFinder, those_on_tape
from pipeline.small_clicks import SmallClickCriteria, SmallClickFinder
from pipeline.spans import Span
from pipeline.strokes import StrokeFinder

Array = np.ndarray[Any, Any]

CHUNKS_PER_LOOK = 5  # clips are looked for in 10 ms at a time
PIECE_FRAMES = 1 << 16  # looked at together, at 44.1 to 48 kHz
STEP_DB = 1.0  # levels are kept in steps of half a decibel
SWITCHED_S = 0.05  # the ends of a tone are known to this


class EventKind(StrEnum):
    DROPOUT = "dropout"
    CLICK = "click"
    CLIP = "clip"
    GAP = "gap"


FLAT = NotMeasured("a flat top does not tell how much was cut off")
GONE = NotMeasured("the samples are gone")
REPEATED = NotMeasured("the samples are gone, earlier ones stand there once more")
JUMPED = NotMeasured("the samples are gone without a trace, the tone jumps")
HUM_JUMPED = NotMeasured("the samples are gone without a trace, the hum jumps")


@dataclass(frozen=True)
class Event:
    """depth_db: how far the level fell (dropout), or rose over what is beside (click); NotMeasured where
    that has no meaning.

    Its reason tells the gaps apart: `GONE`, `REPEATED`, `JUMPED` and `HUM_JUMPED`.
    """

    kind: EventKind
    start_s: float
    stop_s: float
    depth_db: Reading


@dataclass(frozen=True)
class EventCriteria:
    """merge_s       events of a kind nearer than this are one
    most_listed   of each kind and channel, more are only counted
    """

    merge_s: float
    most_listed: int
    clips: ClipCriteria
    gaps: GapCriteria
    repeats: RepeatCriteria
    jumps: PhaseJumpCriteria
    hum_jumps: HumJumpCriteria
    dropouts: DropoutCriteria
    clicks: ClickCriteria
    small_clicks: SmallClickCriteria


class EventMeter:
    """Feed blocks of float32 (frames, channels) in order; `measure_events` closes and may be called again."""

    def __init__(self, rate_hz: int, channels: int, criteria: EventCriteria) -> None:
        self._rate_hz, self._channels, self._criteria = rate_hz, channels, criteria
        self._octaves = Octaves(rate_hz)
        self._look_frames = self._octaves.chunk * CHUNKS_PER_LOOK
        wanted = max(round(rate_hz * EDGE_S), self._octaves.lead, self._octaves.trail)
        self._beside = -(-wanted // self._look_frames) * self._look_frames  # frames held on both sides of a look
        piece = PIECE_FRAMES * self._octaves.thin
        self._piece = max(self._look_frames, piece // self._look_frames * self._look_frames)
        self._held = [np.zeros((channels, self._beside), np.float32)]
        self._held_frames = self._beside
        self._held_start = -self._beside  # the frame of the capture that stands first in ``_held``
        merge, most = round(criteria.merge_s * rate_hz), criteria.most_listed
        self._clips = [[ClipFinder(merge, most, criteria.clips) for _ in range(2)] for _ in range(channels)]
        self._gaps = [GapFinder(rate_hz, FoundRanges(merge, most), criteria.gaps) for _ in range(channels)]
        self._repeats = RepeatFinder(rate_hz, FoundRanges(merge, most), criteria.repeats)
        chunk, small = self._octaves.chunk, criteria.small_clicks
        self._small = [SmallClickFinder(rate_hz, chunk, FoundRanges(merge, most), small) for _ in range(channels)]
        asked = beside_chunks(self._octaves.chunk_s, criteria.clicks), NEXT_CHUNKS, criteria.clicks.above_db - STEP_DB
        self._strokes = StrokeFinder(rate_hz, chunk, *asked)
        self._trace = LevelTrace(self._octaves, channels)
        self._is_finished = False

    def feed(self, block: Array) -> None:
        at = 0
        while at < len(block):  # pieces end at the same frames however the blocks are cut
            wanted = self._piece + 2 * self._beside - self._held_frames
            self._held.append(block[at : at + wanted].T)
            self._held_frames += self._held[-1].shape[1]
            at += wanted
            self._take(self._piece)

    def _take(self, piece: int) -> None:
        """Look at the next ``piece`` frames as soon as they and what stands behind them are there."""
        if self._held_frames >= piece + 2 * self._beside:
            held = np.concatenate(self._held, axis=1)
            self._look(held[:, : piece + 2 * self._beside], self._beside + piece)
            self._held, self._held_frames = [held[:, piece:].copy()], held.shape[1] - piece
            self._held_start += piece
        elif len(self._held) > 1:
            self._held[-1] = self._held[-1].copy()  # the block is its owner's

    def _look(self, samples: Array, stop: int) -> None:
        """Look at samples (channels, frames) from ``_beside`` up to ``stop``; the rest stands beside it."""
        beside, chunk = self._beside, self._octaves.chunk
        inner = samples[:, beside:stop]
        at = np.arange(0, stop - beside, chunk)
        highest, lowest = (extreme.reduceat(inner, at, axis=1) for extreme in (np.maximum, np.minimum))
        tops, bottoms = (e.reshape(self._channels, -1, CHUNKS_PER_LOOK).max(2) for e in (highest, -lowest))
        reach, zeros = highest - lowest, (highest == 0) & (lowest == 0)
        for channel, own in enumerate(samples):
            upper, lower = self._clips[channel]
            upper.look(own, beside, tops[channel], self._held_start)
            if lower.is_possible(bottoms[channel]):
                lower.look(-own, beside, bottoms[channel], self._held_start)
            self._small[channel].look(inner[channel], reach[channel])
            if self._gaps[channel].is_in_zeros or zeros[channel].any() or own[stop - 1] == 0:
                self._gaps[channel].look(own, beside, stop, self._held_start)
        self._repeats.look(samples, beside, stop)
        powers, peaks = self._octaves.powers(samples, beside, (stop - beside) // chunk, OCTAVES)
        self._trace.add(powers, peaks)
        self._strokes.look(samples, beside, peaks)

    def measure_events(
        self, regions: Sequence[Region], jumps: Sequence[int] = (), hum_jumps: Sequence[int] = ()
    ) -> tuple[Event, ...]:
        """Everything found, by time; events of one kind in both channels at once are one.

        jumps are the frames at which a tone jumps (`pipeline.phase_jumps`), or hum (`pipeline.hum_jumps`); those beside
        other gaps are part of them.
        What lies in a leader is left out: a switch or a starting motor harms no recording. So is the click of a tone
        that is switched on or off.
        """
        self._finish()
        leaders = [Span(r.start_s, r.stop_s) for r in regions if r.kind is RegionKind.LEADER]
        listed: list[Event] = []
        switches_s = [at_s for r in regions if r.kind is RegionKind.TONE for at_s in (r.start_s, r.stop_s)]
        pauses = [Span(r.start_s, r.stop_s) for r in regions if r.kind is RegionKind.SILENCE]
        for kind, depth, found in self._found(leaders, pauses, jumps, hum_jumps):
            for start, stop, depth_db in found.ranges:
                span = Span(start / self._rate_hz, stop / self._rate_hz)
                in_leader = any(leader.start_s <= span.start_s and span.stop_s <= leader.stop_s for leader in leaders)
                switched = kind is EventKind.CLICK and any(
                    abs(span.start_s - at_s) <= SWITCHED_S for at_s in switches_s
                )
                if not in_leader and not switched:
                    listed.append(Event(kind, span.start_s, span.stop_s, depth or depth_db))
        return tuple(sorted(listed, key=lambda event: event.start_s))

    def count_events(self) -> dict[EventKind, int]:
        """How many of each kind the whole capture has, also where that is more than are listed."""
        self._finish()
        counts = dict.fromkeys(EventKind, 0)
        for kind, _, found in self._found((), (), (), ()):
            counts[kind] += found.count
        return counts

    def _finish(self) -> None:
        """Look at what is still held, with silence beside it."""
        if not self._is_finished:
            end = np.zeros((self._beside + self._look_frames, self._channels), np.float32)
            self.feed(end)
            rest = (self._held_frames - 2 * self._beside) // self._look_frames * self._look_frames
            if rest:  # nothing is left where the last piece ended just here
                self._take(rest)
            self._is_finished = True

    def _found(
        self, leaders: Sequence[Span], pauses: Sequence[Span], jumps: Sequence[int], hum_jumps: Sequence[int]
    ) -> list[tuple[EventKind, NotMeasured | None, FoundRanges]]:
        merge, most = round(self._criteria.merge_s * self._rate_hz), self._criteria.most_listed
        dropouts, clicks = ([FoundRanges(merge, most) for _ in range(self._channels)] for _ in range(2))
        find_dropouts(self._trace, leaders, pauses, dropouts, self._criteria.dropouts)
        find_clicks(self._trace, self._strokes.new_share, clicks, self._criteria.clicks)
        clicked = together([*clicks, *(finder.found for finder in self._small)])
        clips = together([finder.found for sides in self._clips for finder in sides])
        gaps = together([finder.found for finder in self._gaps])
        repeats = those_on_tape(self._repeats.found, self._trace, self._criteria.repeats)
        jumped, hum_jumped = FoundRanges(merge, most), FoundRanges(merge, most)
        for frames, ranges in ((jumps, jumped), (hum_jumps, hum_jumped)):
            for frame in sorted(frames):
                ranges.add(frame, frame + 1)
        jumped = jumped.apart_from(gaps).apart_from(repeats)
        hum_jumped = hum_jumped.apart_from(gaps).apart_from(repeats).apart_from(jumped)
        lost = together([gaps, repeats, jumped, hum_jumped])
        return [
            (EventKind.DROPOUT, None, together(dropouts).apart_from(lost)),
            (EventKind.CLICK, None, clicked.apart_from(lost).apart_from(clips)),  # their edges click as well
            (EventKind.CLIP, FLAT, clips),
            (EventKind.GAP, GONE, gaps),
            (EventKind.GAP, REPEATED, repeats),
            (EventKind.GAP, JUMPED, jumped),
            (EventKind.GAP, HUM_JUMPED, hum_jumped),
        ]
