"""Clicks and thumps in the silence just before programme and after it, which are none of it.

They are told from first words and notes by their shape. A click lasts no longer than a frame. The thump of a key or of
the transport is low: it dies away within a fraction of a second, and above 350 Hz no more than its stroke is heard.
Both must stand apart from the programme, by some quiet above 350 Hz at least; what is left then begins with sound that
goes on, so a consonant with its vowel, a breath and a note that rings stay whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.cells import Cells
from pipeline.frames import BAND_CENTRES_HZ, SILENT_DB, Frames
from pipeline.marks import Mark, Run, islands, runs_of

Array = np.ndarray[Any, Any]

LOWEST_UPPER = 3  # the octave at 500 Hz
LOWER_OCTAVES = 3  # of the upper, to 2.8 kHz
HISSED = 0.1  # a hat or a consonant is over the hiss above them only; a click is nearly as much so in all octaves
FRAMES_OF_CLICK = 2  # those it touches: each begins in the middle of the one before
DEVIATIONS = 5.0  # by which chance lifts a cell of noise once in millions
REST_SHARE = 0.3  # of the frames around a click, which may hold another one, are below the rest between
OVER_REST = 1.2  # times the rest: less over it is its own wavering
EVEN_BEAT = 0.1  # of a step: somebody who counts in is no less even, and a step of two cells is told no finer


@dataclass(frozen=True)
class EdgeCriteria:
    """
    silence_s    so much silence stands on the outer side
    apart_s      so much quiet, above 350 Hz at least, parts it from the programme
    click_s      a click and the cells it touches; a thump is heard no longer above 350 Hz
    click_share  so much of a click's power lies within the frames that one sample touches
    thump_s      a thump lasts no longer
    low_db       below 350 Hz it is louder by this than in any octave of speech above
    fall_db      and dies away by so much
    heard_db     so far over the rest a cell is heard in an octave
    """

    silence_s: float
    apart_s: float
    click_s: float
    click_share: float
    thump_s: float
    low_db: float
    fall_db: float
    heard_db: float


def without_knocks_at_edges(
    marks: Array, frames: Frames, cells: Cells, rests: Array, pause_s: float, criteria: EdgeCriteria
) -> Array:
    """Marks of cells in which clicks and thumps at either end of sound are as quiet as what stands beside them."""
    shapes = _Shapes(frames, cells, rests, criteria)
    heard = _heard_alone(marks, shapes.sounds)
    marks = marks.copy()
    every = runs_of(marks)
    for (before, _, _), (mark, first, stop), (after, _, _) in zip(every, every[1:], every[2:], strict=False):
        faint = mark == Mark.SOUND and stop - first <= shapes.click and not shapes.sounds[first:stop].any()
        if faint and before == after == Mark.SILENCE:
            marks[first:stop] = before  # too faint and too short for anything
    runs = runs_of(heard)
    for island in islands(runs, cells.seconds, pause_s):
        for order, outward in ((island, -1), (island[::-1], 1)):
            _clear_edge(marks, runs, order, outward, shapes)
    return marks


def _heard_alone(marks: Array, sounds: Array) -> Array:
    """Marks with nothing but what is heard as sound: a knock close by makes quiet cells look faintly like programme."""
    heard = marks.copy()
    faint = np.flatnonzero(np.diff(np.pad((marks == Mark.SOUND) & ~sounds, 1).astype(np.int8)))
    for first, stop in faint.reshape(-1, 2):
        beside = [marks[at] for at in (first - 1, stop) if 0 <= at < len(marks)]
        heard[first:stop] = next((mark for mark in beside if mark in (Mark.LEADER, Mark.SILENCE)), Mark.SILENCE)
    return heard


def _clear_edge(marks: Array, runs: list[Run], order: list[int], outward: int, shapes: _Shapes) -> None:
    """From the silence inwards, until something is programme. Sound that is nothing but clicks stays."""
    knocks: list[int] = []
    for index in order:
        _, first, stop = runs[index]
        apart = _length(runs, index - outward) if index != order[-1] else 0
        around = _length(runs, index + outward)
        is_border = index == order[0] and apart >= shapes.silence and stop - first <= shapes.thump
        if not knocks and around < shapes.silence and not is_border:
            return
        if apart and around and runs[index - outward][0] != runs[index + outward][0]:
            continue  # where leader ends: not ours
        is_click = shapes.is_click(first, stop)
        if apart and (is_click or shapes.is_thump(first, stop)):
            knocks.append(index)
            continue
        if is_border:
            continue  # the capture begins
        if index == order[-1] and is_click:
            return
        if around >= shapes.apart:
            first, stop = shapes.thump_at_start(first, stop) if outward < 0 else shapes.thump_at_stop(first, stop)
            shapes.make_quiet(marks, runs[index + outward][0], first, stop)
        if outward < 0 and _is_beat([runs[knock][1] for knock in knocks] + [first]):
            return
        break
    while knocks and shapes.quiet_between(runs[knocks[-1]], runs[knocks[-1] - 2 * outward], outward) < shapes.apart:
        knocks.pop()
    for index in knocks:
        shapes.make_quiet(marks, runs[index + outward][0], *runs[index][1:])


def _is_beat(at: list[int]) -> bool:
    """Whether three strokes and the first note after them come at even intervals: somebody counts in."""
    steps = np.diff(at[-4:])
    return len(steps) == 3 and bool(np.ptp(steps) <= max(2, EVEN_BEAT * steps.mean()))


def _length(runs: list[Run], index: int) -> int:
    """Cells of a quiet run, 0 where there is none."""
    is_quiet = 0 <= index < len(runs) and runs[index][0] in (Mark.LEADER, Mark.SILENCE)
    return runs[index][2] - runs[index][1] if is_quiet else 0


class _Shapes:
    """What stretches of cells sound like."""

    def __init__(self, frames: Frames, cells: Cells, rests: Array, criteria: EdgeCriteria) -> None:
        self._criteria = criteria
        self.apart, self.silence, self.click, self.thump = (
            max(1, int(seconds / cells.seconds + 0.5))
            for seconds in (criteria.apart_s, criteria.silence_s, criteria.click_s, criteria.thump_s)
        )
        bands = frames.band_db.shape[2]
        upper = np.arange(cells.level_db.shape[1]) % bands >= LOWEST_UPPER
        rest = rests.max(axis=0, initial=SILENT_DB)
        limit_db = np.maximum(criteria.heard_db, DEVIATIONS * cells.chance_db)
        over = cells.level_db - rest > limit_db
        self._heard, self._low_heard = np.any(over[:, upper], axis=1), np.any(over[:, ~upper], axis=1)
        self.sounds = self._heard | self._low_heard
        self._upper_db = cells.level_db[:, upper & cells.voice].max(axis=1)  # hiss hides the rest
        self._low_db = cells.level_db[:, ~upper].max(axis=1)
        self._edges_s, self._hop_s = cells.edges_s, frames.hop_s
        self._frame_power = 10 ** (frames.band_db[:, :, LOWEST_UPPER:] / 10)
        self._width = np.array(BAND_CENTRES_HZ[LOWEST_UPPER:bands])  # so each line of the spectrum counts alike

    def quiet_between(self, knock: Run, inner: Run, outward: int) -> int:
        """Cells in which nothing is heard above 350 Hz."""
        before, after = (knock, inner) if outward < 0 else (inner, knock)
        last, first = np.flatnonzero(self._heard[slice(*before[1:])]), np.flatnonzero(self._heard[slice(*after[1:])])
        begin = before[1] + (int(last[-1]) + 1 if len(last) else 0)
        return (after[1] + int(first[0]) if len(first) else after[2]) - begin

    def make_quiet(self, marks: Array, quiet: int, first: int, stop: int) -> None:
        """These cells, and those around that nothing is heard in."""
        if first == stop:
            return
        marks[first:stop] = quiet
        for around in (range(first - 1, max(-1, first - 1 - self.silence), -1), range(stop, stop + self.silence)):
            for cell in around:
                if cell >= len(marks) or self.sounds[cell] or marks[cell] == Mark.TONE:
                    break
                marks[cell] = quiet

    def is_click(self, first: int, stop: int) -> bool:
        """Whether it is over within the frames that a single sample touches."""
        if stop - first > self.click:
            return False
        around, here = (
            self._frames_of(first - self.apart - 2, stop + self.apart + 2),
            self._frames_of(first - 1, stop + 1),
        )
        rest = np.quantile(self._frame_power[around], REST_SHARE, axis=0)
        white = np.sum(self._frame_power[here] / np.maximum(rest, 1e-20) * self._width, axis=(1, 2))
        over = np.maximum(white / np.sum(np.broadcast_to(self._width, rest.shape)) - OVER_REST, 0.0)
        most = np.convolve(over, np.ones(FRAMES_OF_CLICK), "valid").max() if len(over) >= FRAMES_OF_CLICK else 0.0
        loudest = self._frame_power[here].max(axis=0) / np.maximum(rest, 1e-20)
        hissed = loudest[:, :LOWER_OCTAVES].max() < HISSED * loudest[:, LOWER_OCTAVES:].max(initial=0.0)
        return bool(most >= self._criteria.click_share * over.sum() and not hissed)

    def is_thump(self, first: int, stop: int) -> bool:
        """Whether it is low, short and dies away."""
        sounds = first + np.flatnonzero(self.sounds[first:stop])
        if not len(sounds) or self._heard[first:stop].sum() > self.click:
            return False
        begin, end = int(sounds[0]), int(sounds[-1]) + 1
        loudest = begin + int(np.argmax(self._low_db[begin:end]))
        low = self._low_db[loudest] - self._upper_db[begin:end].max() >= self._criteria.low_db
        falls = self._low_db[loudest] - self._low_db[end - 1 : stop + 1].min() >= self._criteria.fall_db
        return bool(end - begin <= self.thump and loudest - begin <= self.click and low and falls)

    def thump_at_start(self, first: int, stop: int) -> tuple[int, int]:
        """The cells of a thump and of the quiet above 350 Hz between it and the programme; none where there is none."""
        heard = self._heard[first : min(stop, first + self.thump + self.silence)]
        for gap in range(len(heard) - self.apart):
            if not heard[gap : gap + self.apart].any() and (
                heard[:gap].any() or self._low_heard[first : first + gap].any()
            ):
                goes_on = np.flatnonzero(heard[gap:])
                end = first + gap + int(goes_on[0]) if len(goes_on) else first
                return (first, end) if self.is_thump(first, end) else (first, first)
        return first, first

    def thump_at_stop(self, first: int, stop: int) -> tuple[int, int]:
        """The same of one that begins while the programme's last low notes die away."""
        for start in range(max(first + self.apart, stop - self.thump), stop):
            before = self._heard[start - self.apart : start]
            rises = self._low_db[start : start + self.click].max() - self._low_db[start - 1] >= self._criteria.fall_db
            if not before.any() and rises and self.is_thump(start, stop):
                return start, stop
        return stop, stop

    def _frames_of(self, first: int, stop: int) -> slice:
        from_s, to_s = self._edges_s[max(0, first)], self._edges_s[min(stop, len(self._edges_s) - 1)]
        return slice(int(from_s / self._hop_s), int(to_s / self._hop_s) + 1)
