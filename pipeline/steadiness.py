"""Steady pure lines in one channel of a capture's frames: the candidates for reference tones.

Definition: a run of frames whose strongest line holds nearly all power and stays at one frequency and one level, for
some seconds. Short holes are dropouts; where it leaves its frequency and comes back, the tape sagged, and there the
tone is cut in two. What music can hold as long is told apart by what a generator does not do: harmonics and
accompaniment (purity, and the steadiness of what is left beside the line), decay and breath (level), vibrato
(frequency), soft ends, other pitches near by, and standing in the middle of other programme (both ends).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

MAINS_HZ = (50.0, 60.0)
FEWEST_FRAMES = 3  # a shorter run is an accident between two others
SOUNDING_SHARE = 0.8  # of the frames of a sag still show a line; where it is fastest they smear
OVER_HISS_DB = 3.0  # programme beside a tone stands so far over the hiss at least
BLOCK_S = 1.0  # the course of the level is followed in medians over this long


@dataclass(frozen=True)
class SteadyCriteria:
    """What counts as a steady line (table ``[tone.steady]`` of ``config/method.toml``).

    lowest_hz, highest_hz    where it may lie, Hz
    purity                   median share of all power above 60 Hz that it holds, 0 … 1
    frame_purity             the same for a single frame to be looked at, 0 … 1
    quietest_dbfs            no tone is below, r.m.s.
    jump_percent             from one frame to the next a tone moves by less, percent; across a hole by twice that
    bridge_s                 a hole up to this long, with the same tone on both sides, is a dropout, seconds
    sag_s                    a tone that leaves its frequency is back after so long at most, seconds
    shortest_s               no tone is shorter, seconds, …
    switched_purity, switched_shortest_s, switched_flicker_db
                             … but what a switch began and ended, with a generator's level in between, may be less
                             pure and shorter
    edge_db                  a tone ends where its level has fallen by this, dB
    spread_percent           width of the middle 95 % of the frequency, percent
    slack_hz                 what is added to that for the frames' own reading noise, Hz
    slope_db_per_s           usual change of level over three seconds, at most, dB a second
    flicker_db               median distance of a frame's level from the level around, at most, dB
    residual_db              what is beside the line must be steady when above this, dB against the tone
    residual_spread_db       … steady: from the 10th to the 90th percentile, dB
    hum_highest_hz           a line near a multiple of 50 or 60 Hz may be hum up to here, Hz
    hum_percent              … near: within this, percent
    hum_dbfs                 … and is hum unless louder than this
    beside_s                 what stands beside the tone is looked at for so long, seconds
    beside_db                … and is programme when less than this below the tone, dB
    held_s                   with programme hard on both ends a held note unless longer than this, seconds, …
    held_spread_percent      … and steadier in frequency than this, percent
    rise_s                   silence is looked for so far before either end, seconds
    silence_db               silence: so far below the tone, dB
    full_db                  the tone stands when this near to its level, dB
    switch_frames            from silence to level a switch takes so many frames at most
    soft_frames              both ends together take a note so many at least; it is none if as steady as both, held and
                             switched
    melody_s                 another steady pitch within this …
    melody_octaves           … and nearer than this is the next note, unless a switch made the tone, octaves
    """

    lowest_hz: float
    highest_hz: float
    purity: float
    frame_purity: float
    quietest_dbfs: float
    jump_percent: float
    bridge_s: float
    sag_s: float
    shortest_s: float
    switched_purity: float
    switched_shortest_s: float
    switched_flicker_db: float
    edge_db: float
    spread_percent: float
    slack_hz: float
    slope_db_per_s: float
    flicker_db: float
    residual_db: float
    residual_spread_db: float
    hum_highest_hz: float
    hum_percent: float
    hum_dbfs: float
    beside_s: float
    beside_db: float
    held_s: float
    held_spread_percent: float
    rise_s: float
    silence_db: float
    full_db: float
    switch_frames: int
    soft_frames: int
    melody_s: float
    melody_octaves: float


@dataclass(frozen=True)
class SteadyLine:
    """
    purity     median share of the power above 60 Hz
    after_sag  it is the line before it, which only sagged between the two
    """

    span: Span
    hz: float
    level_dbfs: float
    purity: float
    after_sag: bool


@dataclass(frozen=True)
class _Lines:
    """The strongest line of each frame on one channel, in float64."""

    hop_s: float
    times_s: Array
    hz: Array
    share: Array
    level_db: Array


def find_steady(frames: Frames, channel: int, criteria: SteadyCriteria) -> tuple[SteadyLine, ...]:
    """In order of time."""
    lines = _Lines(
        frames.hop_s,
        frames.times_s,
        *(np.asarray(column[:, channel], np.float64) for column in (frames.line_hz, frames.line_share, frames.line_db)),
    )
    runs = _over_sags([_trimmed(run, lines, criteria) for run in _runs(lines, criteria)], lines, criteria)
    runs = [_without_sags(run, lines, criteria) for run in runs]
    steady = [run for run in runs if _is_long(run, lines, criteria) and _is_steady(run, lines, criteria)]
    loudest_db = np.max(frames.total_db, axis=1)
    kept = [
        run
        for run in steady
        if not _is_held_note(run, steady, lines, loudest_db, criteria)
        and not _is_sung(run, _rises(run, lines, criteria), steady, lines, criteria)
    ]
    return tuple(
        _line(part, lines, number > 0) for run in kept for number, part in enumerate(_parts(run, lines, criteria))
    )


def _runs(lines: _Lines, criteria: SteadyCriteria) -> list[Array]:
    """Frame numbers of each stretch of one and the same line, holes bridged."""
    pure = (lines.share >= criteria.frame_purity) & (lines.level_db >= criteria.quietest_dbfs)
    pure &= (lines.hz >= criteria.lowest_hz) & (lines.hz <= criteria.highest_hz)
    at = np.flatnonzero(pure)
    if not len(at):
        return []
    moves = np.abs(np.diff(np.log(lines.hz[at])))
    breaks = (np.diff(at) > 1) | (moves > criteria.jump_percent / 100)
    pieces = [piece for piece in np.split(at, np.flatnonzero(breaks) + 1) if len(piece) >= FEWEST_FRAMES]
    runs: list[list[Array]] = []
    for piece in pieces:
        if runs and _continues(runs[-1][-1], piece, lines, criteria):
            runs[-1].append(piece)
        else:
            runs.append([piece])
    return [np.concatenate(run) for run in runs]


def _continues(before: Array, after: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    around = round(criteria.bridge_s / lines.hop_s)
    move = np.median(np.log(lines.hz[after[:around]])) - np.median(np.log(lines.hz[before[-around:]]))
    hole_s = (after[0] - before[-1] - 1) * lines.hop_s
    return bool(hole_s <= criteria.bridge_s and abs(move) <= 2 * criteria.jump_percent / 100)


def _trimmed(run: Array, lines: _Lines, criteria: SteadyCriteria) -> Array:
    """Without the frames at either end that are less than half on the tone."""
    level_db = lines.level_db[run]
    around = max(1, round(BLOCK_S / lines.hop_s))
    head = level_db[:around] >= np.median(level_db[:around]) - criteria.edge_db
    tail = level_db[-around:] >= np.median(level_db[-around:]) - criteria.edge_db
    return run[int(np.argmax(head)) : len(run) - int(np.argmax(tail[::-1]))]


def _over_sags(runs: list[Array], lines: _Lines, criteria: SteadyCriteria) -> list[Array]:
    """The same, those made one that are one tone before and after a sag too quick to be followed.

    One of the two is long enough for a tone, between them the line never stops, and nothing there could be a tone of
    its own; what it did there is left out.
    """
    joined: list[Array] = []
    for run in runs:
        back = _back_to_the_same(joined, run, lines, criteria)
        if back:
            joined[-back:] = [np.concatenate([joined[-back], run])]
        else:
            joined.append(run)
    return joined


def _back_to_the_same(runs: list[Array], run: Array, lines: _Lines, criteria: SteadyCriteria) -> int:
    """How many runs back the one stands that this goes on with after a sag; 0 where there is none."""
    hz = float(np.median(lines.hz[run]))
    for back, before in enumerate(runs[::-1], 1):
        if (run[0] - before[-1]) * lines.hop_s > criteria.sag_s:
            break
        between = lines.share[before[-1] + 1 : run[0]] >= criteria.frame_purity
        is_same = abs(np.log(hz / np.median(lines.hz[before]))) <= criteria.jump_percent / 100
        is_tone = max(_seconds(before, lines), _seconds(run, lines)) >= criteria.shortest_s
        if is_same and is_tone and len(between) and between.mean() >= SOUNDING_SHARE:
            return back
        if _is_long(before, lines, criteria):
            break
    return 0


def _without_sags(run: Array, lines: _Lines, criteria: SteadyCriteria) -> Array:
    """Without the frames at which it is away from its frequency; the whole run where it does not soon come back."""
    off = np.abs(np.log(lines.hz[run] / np.median(lines.hz[run])))
    is_away = off > 2 * criteria.jump_percent / 100
    stretches = np.flatnonzero(np.diff(np.pad(is_away.astype(np.int8), 1))).reshape(-1, 2)
    settled = np.flatnonzero(off <= criteria.spread_percent / 200)
    keep = np.ones(len(run), bool)
    for first, stop in stretches:
        before, after = settled[settled < first], settled[settled >= stop]
        if not len(before) or not len(after) or (run[after[0]] - run[before[-1]]) * lines.hop_s > criteria.sag_s:
            return run
        keep[before[-1] + 1 : after[0]] = False
    return run[keep]


def _parts(run: Array, lines: _Lines, criteria: SteadyCriteria) -> list[Array]:
    """What stands between one sag and the next, if long enough to be measured; a hole without a line is a dropout."""
    off = np.abs(np.log(lines.hz / np.median(lines.hz[run])))
    is_away = (lines.share >= criteria.frame_purity) & (off > 2 * criteria.jump_percent / 100)
    holes = np.flatnonzero(np.diff(run) > 1) + 1
    sags = [hole for hole in holes if np.count_nonzero(is_away[run[hole - 1] : run[hole]]) >= FEWEST_FRAMES]
    return [part for part in np.split(run, sags) if len(part) * lines.hop_s >= BLOCK_S]


def _seconds(run: Array, lines: _Lines) -> float:
    return float((run[-1] - run[0]) * lines.hop_s)


def _is_long(run: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    return _seconds(run, lines) >= criteria.switched_shortest_s


def _is_steady(run: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    share, level_db, hz = lines.share[run], lines.level_db[run], lines.hz[run]
    middle_hz = float(np.median(hz))
    slope, flicker_db = _restlessness(level_db, lines.hop_s)
    plain = np.median(share) >= criteria.purity and _seconds(run, lines) >= criteria.shortest_s
    return bool(
        (plain or _is_switched(run, lines, criteria))
        and _spread_hz(hz) <= criteria.spread_percent / 100 * middle_hz + criteria.slack_hz
        and slope <= criteria.slope_db_per_s
        and flicker_db <= criteria.flicker_db
        and _residual_is_steady(share, criteria)
        and not is_hum(middle_hz, float(np.median(level_db)), criteria)
    )


def _is_switched(run: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    """Begun and ended by a switch, with a generator's level in between."""
    rises = [rise for rise in _rises(run, lines, criteria) if rise is not None and rise <= criteria.switch_frames]
    _, flicker_db = _restlessness(lines.level_db[run], lines.hop_s)
    return bool(
        len(rises) == 2
        and flicker_db <= criteria.switched_flicker_db
        and np.median(lines.share[run]) >= criteria.switched_purity
    )


def _spread_hz(hz: Array) -> float:
    low_hz, high_hz = np.percentile(hz, (2.5, 97.5))
    return float(high_hz - low_hz)


def _restlessness(level_db: Array, hop_s: float) -> tuple[float, float]:
    """Usual slope over three seconds in dB/s, and median distance from a second's own median in dB."""
    length = max(1, round(BLOCK_S / hop_s))
    blocks = np.array_split(level_db, max(1, len(level_db) // length))
    course = np.array([np.median(block) for block in blocks])
    over = min(3, len(course) - 1)
    slope = float(np.median(np.abs(course[over:] - course[: len(course) - over]))) / (over * BLOCK_S) if over else 0.0
    flicker = np.concatenate([np.abs(block - middle) for block, middle in zip(blocks, course, strict=True)])
    return slope, float(np.median(flicker))


def _residual_db(share: Array) -> Array:
    """Level of what is beside the line against the line."""
    return np.asarray(10 * np.log10(np.maximum(1 - share, 1e-9) / share))


def _residual_is_steady(share: Array, criteria: SteadyCriteria) -> bool:
    low, middle, high = np.percentile(_residual_db(share), (10, 50, 90))
    return bool(middle <= criteria.residual_db or high - low <= criteria.residual_spread_db)


def is_hum(hz: float, level_dbfs: float, criteria: SteadyCriteria) -> bool:
    """Near a multiple of the mains, and no louder than hum is."""
    if hz > criteria.hum_highest_hz or level_dbfs > criteria.hum_dbfs:
        return False
    off = [abs(hz / mains_hz - round(hz / mains_hz)) * mains_hz for mains_hz in MAINS_HZ]
    return min(off) <= criteria.hum_percent / 100 * hz


def _is_held_note(run: Array, steady: list[Array], lines: _Lines, loudest_db: Array, criteria: SteadyCriteria) -> bool:
    """Hard between other programme. Another steady line next to it is a second tone, not programme."""
    if _outlasts_breath(run, lines, criteria):
        return False
    reach = max(1, round(criteria.beside_s / lines.hop_s))
    residual_db = float(np.median(lines.level_db[run] + _residual_db(lines.share[run])))  # hiss, around it as under it
    limit_db = max(float(np.median(lines.level_db[run])) - criteria.beside_db, residual_db + OVER_HISS_DB)
    before = loudest_db[max(0, run[0] - 2 - reach) : max(0, run[0] - 2)]  # two frames on: clear of the tone itself
    after = loudest_db[run[-1] + 3 : run[-1] + 3 + reach]
    tone_before = any(0 < run[0] - other[-1] <= reach for other in steady)
    tone_after = any(0 < other[0] - run[-1] <= reach for other in steady)
    programme_before = len(before) > 0 and not tone_before and float(np.median(before)) > limit_db
    programme_after = len(after) > 0 and not tone_after and float(np.median(after)) > limit_db
    return programme_before and programme_after


def _outlasts_breath(run: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    """Held for longer than a note is, without so much as a faint vibrato."""
    hz = lines.hz[run]
    wavers = _spread_hz(hz) > criteria.held_spread_percent / 100 * float(np.median(hz)) + criteria.slack_hz
    return _seconds(run, lines) >= criteria.held_s and not wavers


def _is_faded_generator(run: Array, lines: _Lines, criteria: SteadyCriteria) -> bool:
    _, flicker_db = _restlessness(lines.level_db[run], lines.hop_s)
    whole = float(np.diff(run).max()) * lines.hop_s < criteria.bridge_s / 2  # not several notes with breath between
    return whole and _outlasts_breath(run, lines, criteria) and flicker_db <= criteria.switched_flicker_db


def _rises(run: Array, lines: _Lines, criteria: SteadyCriteria) -> tuple[int | None, int | None]:
    return _rise_frames(run, lines, criteria), _rise_frames(run, lines, criteria, at_end=True)


def _rise_frames(run: Array, lines: _Lines, criteria: SteadyCriteria, at_end: bool = False) -> int | None:
    """Frames from silence to the tone's level, or back at its end; None where no silence adjoins it.

    A switch takes one, or two with a short fade, for a frame is two hops long; breath and bow take longer.
    """
    level_db = lines.level_db[::-1] if at_end else lines.level_db
    first = len(level_db) - 1 - run[-1] if at_end else run[0]
    around = max(1, round(BLOCK_S / lines.hop_s))
    own_db = float(np.median(level_db[first : first + around]))
    before = level_db[max(0, first - round(criteria.rise_s / lines.hop_s)) : first]
    silent = np.flatnonzero(before <= own_db - criteria.silence_db)
    full = np.flatnonzero(level_db[first : first + around] >= own_db - criteria.full_db)
    if not len(silent) or not len(full):
        return None
    return int(len(before) - 1 - silent[-1] + full[0])


def _is_sung(
    run: Array, rises: tuple[int | None, int | None], steady: list[Array], lines: _Lines, criteria: SteadyCriteria
) -> bool:
    """Softly begun and ended, or one of several pitches less than an octave apart, and not switched on or off."""
    known = [rise for rise in rises if rise is not None]
    if known and min(known) <= criteria.switch_frames:
        return False
    if len(known) == 2 and sum(known) >= criteria.soft_frames and not _is_faded_generator(run, lines, criteria):
        return True
    hz, reach = float(np.median(lines.hz[run])), criteria.melody_s / lines.hop_s
    for other in steady:
        apart = abs(np.log2(float(np.median(lines.hz[other])) / hz))
        near = max(other[0] - run[-1], run[0] - other[-1]) <= reach
        if other is not run and near and criteria.jump_percent / 100 < apart < criteria.melody_octaves:
            return True
    return False


def _line(run: Array, lines: _Lines, after_sag: bool) -> SteadyLine:
    """The first frame that is half on the tone has its middle at the tone's start."""
    return SteadyLine(
        span=Span(float(lines.times_s[run[0]]), float(lines.times_s[run[-1]])),
        hz=float(np.median(lines.hz[run])),
        level_dbfs=float(np.median(lines.level_db[run])),
        purity=float(np.median(lines.share[run])),
        after_sag=after_sag,
    )
