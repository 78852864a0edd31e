"""Lost samples that a recorder filled by writing some it had already written once more.

No two moments of a tape are alike to the last bit, because hiss is not. So a stretch that equals an earlier one sample
by sample is a copy. What stands around the sharpest sample of every few is remembered for half a second; where the
same comes again, the samples themselves must prove it. What repeats itself on and on is a tone made by a machine, and
what differs outside by a step or two is one that came out alike by rounding: neither is a copy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.hiss_floor import LOUDEST_DB, STEPS_PER_DB, LevelTrace
from pipeline.ranges import FoundRanges

Array = np.ndarray[Any, Any]

PART_S = 0.0004  # a mark is the sharpest sample of so many, and sharper than any as far to both sides
AROUND = np.arange(-3, 5)  # what stands here about a mark is its key
MIXERS = np.array([31, 1_000_003, 27_449, 7_368_787, 611_953, 86_028_121, 2_750_159, 49_979_687]) * 2_654_435_761
ROUGHNESS = 4  # a difference of this order leaves nothing of a low tone …
ROUGH_NOISE = 70**0.5  # … and so many times as much of hiss
QUIET_SHARE = 0.1  # of the time within …
QUIET_S = 5.0  # … so far to both sides
DEAF = 0.1  # a channel this much below the other is left for it
MOST_TURNS_ASKED = 48  # distances in one piece: a machine's own sounds come again everywhere


@dataclass(frozen=True)
class RepeatCriteria:
    """shortest_s      shorter copies are not told
    longest_back_s  copies are looked for up to this far behind
    most_turns      what repeats itself more often than this is a machine's own sound
    fewest_values   a copy holds at least so many different values
    seam_steps      right beyond both its ends samples differ by this many of the smallest steps between them
    hiss_dbfs       in the quiet moments around a copy the highest octave is above this: a tape has hiss
    """

    shortest_s: float
    longest_back_s: float
    most_turns: int
    fewest_values: int
    seam_steps: float
    hiss_dbfs: float


class RepeatFinder:
    """All channels together, for a recorder writes them together. The pieces of the last seconds are kept."""

    def __init__(self, rate_hz: int, found: FoundRanges, criteria: RepeatCriteria) -> None:
        self._found, self._new = found, list[tuple[int, int]]()
        self._criteria = criteria
        self._part = max(len(AROUND) // 2, round(rate_hz * PART_S))
        self._back = round(criteria.longest_back_s * rate_hz)
        self._shortest = round(criteria.shortest_s * rate_hz)
        self._channel = 0  # the one that is asked for marks
        self._seam = max(8, self._shortest // 8)
        self._pieces: list[Array] = []
        self._start = self._stop = 0  # the frames of the capture that the pieces hold
        self._marks, self._keys = np.zeros(0, np.int64), np.zeros(0, np.int64)
        self._waiting: list[tuple[int, int]] = []  # may go on in the next piece: how far behind, a frame of it

    @property
    def found(self) -> FoundRanges:
        """By time, as soon as no copy that goes on could lie before."""
        if not self._waiting:
            for start, stop in sorted(self._new):
                self._found.add(start, stop)
            self._new = []
        return self._found

    def look(self, samples: Array, beside: int, stop: int) -> None:
        """samples is (channels, frames), looked at from ``beside`` up to ``stop``, and must not be changed later."""
        first = self._stop
        self._keep(samples[:, beside:stop])
        peaks = np.abs(samples[:, beside : stop : self._part]).max(1)
        if peaks[self._channel] < DEAF * peaks.max():
            self._channel = int(np.argmax(peaks))
        marks, keys = _marks(samples[self._channel], beside, stop, self._part)
        marks = np.concatenate([self._marks, marks + (first - beside)])
        keys = np.concatenate([self._keys, keys])
        candidates = self._waiting + self._candidates(marks, keys, first)
        self._waiting = []
        if candidates:
            held = np.concatenate(self._pieces, axis=1)
            proven = (0, 0)
            for turn, at in candidates:
                if turn != proven[0] or at >= proven[1]:
                    proven = turn, self._prove(held, turn, at - self._start) + self._start
        recent = marks >= self._stop - self._back
        self._marks, self._keys = marks[recent], keys[recent]

    def _keep(self, piece: Array) -> None:
        self._pieces.append(piece)
        self._stop += piece.shape[1]
        enough = piece.shape[1] + (2 + self._criteria.most_turns) * self._back
        while self._stop - self._start - self._pieces[0].shape[1] >= enough:
            self._start += self._pieces.pop(0).shape[1]

    def _candidates(self, marks: Array, keys: Array, first: int) -> list[tuple[int, int]]:
        """Where the same stood before, sorted: how far behind, and the mark's frame."""
        ordered = np.sort(keys)
        if not np.any(ordered[1:] == ordered[:-1]):  # nearly always, and told in a fraction of the time
            return []
        order = np.argsort(keys, kind="stable")
        marks, keys = marks[order], keys[order]
        same = np.flatnonzero(keys[1:] == keys[:-1])
        later, turns = marks[same + 1], marks[same + 1] - marks[same]
        times = np.searchsorted(keys, keys[same], "right") - np.searchsorted(keys, keys[same])
        asked = (later >= first) & (turns >= self._shortest) & (turns <= self._back)
        asked &= times <= 1 + self._criteria.most_turns
        if len(np.unique(turns[asked])) > MOST_TURNS_ASKED:
            return []
        return sorted(zip(turns[asked].tolist(), later[asked].tolist(), strict=True))

    def _prove(self, held: Array, turn: int, at: int) -> int:
        """Keep the copy around ``at`` if it is one; the frames are those of ``held``. Where what is alike ends."""
        longest, beyond = self._criteria.most_turns * turn + 1, self._seam
        low, high = max(turn, at - longest), min(held.shape[1], at + longest)
        unlike = np.any(held[:, low:high] != held[:, low - turn : high - turn], axis=0)
        before, after = np.flatnonzero(unlike[: at - low]), np.flatnonzero(unlike[at - low :])
        stop = at + int(after[0]) if len(after) else high
        if not len(before):  # a machine's tone, or the very beginning
            return stop
        first = low + int(before[-1]) + 1
        if stop + beyond > held.shape[1]:
            self._waiting.append((turn, max(first, stop - 1) + self._start))
        elif self._shortest <= stop - first <= longest and self._is_copy(held, turn, first, stop):
            self._new.append((first + self._start, stop + self._start))
        return stop

    def _is_copy(self, held: Array, turn: int, first: int, stop: int) -> bool:
        criteria, copy = self._criteria, held[:, first:stop]
        if max(len(np.unique(channel)) for channel in copy) < criteria.fewest_values:
            return False
        steps = np.abs(np.diff(copy, axis=1))
        moves = np.flatnonzero(steps.any(axis=0))
        if np.diff(moves, prepend=0, append=stop - first).max() > self._shortest // 2:  # digital silence is no tape
            return False
        least = float(np.min(steps, where=steps > 0, initial=np.inf))
        if np.std(np.diff(copy, ROUGHNESS, axis=1)) < least * ROUGH_NOISE:  # nor is a tone with nothing but rounding
            return False
        for seam in (slice(max(turn, first - self._seam), first), slice(stop, stop + self._seam)):
            source = held[:, seam.start - turn : seam.stop - turn]
            if float(np.abs(held[:, seam] - source).max()) < criteria.seam_steps * least:
                return False
        return True


def those_on_tape(found: FoundRanges, trace: LevelTrace, criteria: RepeatCriteria) -> FoundRanges:
    """Without those around which there is no hiss: a machine speaks and plays by copying its own sounds."""
    rest = FoundRanges(found.merge_frames, found.most, found.count)
    reach = round(QUIET_S / trace.chunk_s)
    least = (criteria.hiss_dbfs + LOUDEST_DB) * STEPS_PER_DB
    for one in found.ranges:
        at = one.start // trace.chunk
        around = [trace.levels(channel)[0, max(0, at - reach) : at + reach] for channel in range(trace.channels)]
        if np.quantile(np.max(around, axis=0), QUIET_SHARE) >= least:
            rest.ranges.append(one)
        else:
            rest.count -= 1
    return rest


def _marks(channel: Array, start: int, stop: int, part: int) -> tuple[Array, Array]:
    """Frames at which the channel is sharper than all around, and the key of what stands there."""
    count = (stop - start) // part
    if count < 3:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    inside = channel[start - 1 : start + count * part + 1]
    slope = inside[1:] - inside[:-1]
    sharp = np.abs(slope[1:] - slope[:-1])
    heights = np.maximum.reduceat(sharp, np.arange(0, len(sharp), part))
    highest = 1 + np.flatnonzero((heights[1:-1] > heights[:-2]) & (heights[1:-1] > heights[2:]))
    marks = start + highest * part + sharp.reshape(count, part)[highest].argmax(1)
    bits = channel.view(np.int32)[marks[:, None] + AROUND].astype(np.int64)
    return marks, bits @ MIXERS
