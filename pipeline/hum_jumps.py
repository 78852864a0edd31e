"""Samples that a recorder lost without a trace, where the hum of the electronics stands: its wave jumps.

Mains hum that deck or recorder make themselves is no part of the tape: no wow bends it and no edit on the tape cuts it.
A loss of so many samples turns every harmonic at one instant, the second by twice as much as the first and so on, and
leaves all of them as loud and as fast as they were. Two hums that beat turn gradually and swell, a load that is
switched changes the levels. So two harmonics must agree on one loss, and all must keep the levels that they have where
nothing plays. What remains is looked at once more, value by value: there must be a sudden turn, nothing but the turn,
and nothing else to be heard.

Hum on the tape jumps at every cut that was made on the tape. So hum counts as the electronics' own only where leader
shows it as loud, or where it is steadier than any tape runs.

The phase tells nothing of whole waves: losses near to a multiple of the first harmonic's wave are not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.hum_turn import HARMONICS, ORDERS, TURNS, TurnCriteria, find_turn, usual_noise
from pipeline.regions import Region, RegionKind
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

HOPS = 10  # steps from one window to the next that shares nothing with it
PAGE_WINDOWS = 4096
FEWEST_WINDOWS = 20  # that show a level
NO_HUM_DBFS = -110.0  # digital silence, a dead channel
CALM_S = 8.0  # programme leaves the hum alone …
CALM_SHARE = 0.8  # … where for so long it holds its level for this share of the time
LEAST_DEVIATION = 0.003  # turns; no hum is steadier, for loads change
DB_A_WAVE = 20 / np.log(10) * 2 * np.pi
MORE_BY_CHANCE = 1.5  # are the squares of two deviations of few windows
DB_A_TURN = 35.0  # noise that scatters the turns by one wave scatters the difference of two levels so far


@dataclass(frozen=True)
class HumJumpCriteria:
    """window_s      phases are read over this long; three windows in a row must be undisturbed
    level_db      there the hum has the level it has in leader, or else in silence, within this
    held_db       and is as loud after a jump as before it within this, or within three deviations
    deviation     harmonics whose turns scatter by more than this are not asked (share of a wave)
    clearest      without leader: noise scatters those of the clearest by less than its order times this, …
    steady        … and wander by less than that times this (share of a wave)
    least_turns   some harmonic jumps by this share of its wave
    significance  and all together by so many deviations
    agreement     two harmonics or more agree on one loss within so many deviations
    turn          what is sudden, and nothing but a turn
    """

    window_s: float
    level_db: float
    held_db: float
    deviation: float
    clearest: float
    steady: float
    least_turns: float
    significance: float
    agreement: float
    turn: TurnCriteria


@dataclass(frozen=True)
class _Turns:
    """A column is one harmonic in one channel, a row a place between windows, ``hop`` values after the one before.

    turn       how far the phase turns from the window before the place to the one after, in waves, beyond what it
               does from window to window beside
    held       True where these windows are as loud as the hum is known to be
    change_db  how much louder the hum is after the place than before
    swell      by how much it swells where it should turn: noise does both alike (nepers in waves, as radians are)
    """

    turn: Array
    held: Array
    change_db: Array
    swell: Array


def find_hum_jumps(
    series: Array, series_hz: float, mains_hz: float, regions: Sequence[Region], criteria: HumJumpCriteria
) -> tuple[int, ...]:
    """The first values after losses, in order; series is (values, channels), mains_hz the hum's first harmonic."""
    hop = round(criteria.window_s * series_hz / HOPS)
    phasors = _phasors(series, series_hz, mains_hz, hop)
    level_db = 20 * np.log10(np.maximum(np.abs(phasors), 1e-10))
    middle_s = (np.arange(len(phasors)) + HOPS / 2) * hop / series_hz
    silence, leader = (
        _inside(middle_s, regions, kind, criteria.window_s) for kind in (RegionKind.SILENCE, RegionKind.LEADER)
    )
    leader &= np.any(level_db > NO_HUM_DBFS, axis=1)
    has_leader = np.count_nonzero(leader) >= FEWEST_WINDOWS
    known = leader if has_leader else silence
    pauses = [Span(r.start_s, r.stop_s) for r in regions if r.kind is RegionKind.SILENCE]
    half_s = criteria.window_s / 2
    noise = usual_noise(series, series_hz, mains_hz, pauses, criteria.window_s)
    if np.count_nonzero(known) < FEWEST_WINDOWS or noise is None:
        return ()
    usual_db = np.median(level_db[known], axis=0)
    as_usual = np.abs(level_db - usual_db) <= criteria.level_db
    calm = _running_share(as_usual, round(CALM_S * series_hz / hop)) >= CALM_SHARE
    turns = _turns(phasors, level_db, as_usual & ((leader | silence)[:, None] | calm))
    orders = np.tile(ORDERS, series.shape[1])
    deviation = np.where(usual_db > NO_HUM_DBFS, _deviation(turns.turn, turns.held), np.inf)
    if not has_leader and not _is_steady(turns, deviation / orders, criteria):
        return ()
    places = _places(turns, deviation, orders, criteria)
    middles_s = [(place + HOPS) * hop / series_hz for place in places]
    near = [Span(middle_s - half_s, middle_s + half_s) for middle_s in middles_s]
    found = [find_turn(series, series_hz, mains_hz, span, noise, criteria.turn) for span in near]
    return tuple(sorted({at for at in found if at is not None}))


def _phasors(series: Array, series_hz: float, mains_hz: float, hop: int) -> Array:
    """(windows, channels * harmonics): amplitude, and phase against waves that go on from the start."""
    length = HOPS * hop
    count = max(0, (len(series) - length) // hop + 1)
    window = np.hanning(length + 1)[:-1, None]
    waves = (
        np.exp(-2j * np.pi * mains_hz / series_hz * np.outer(np.arange(length), ORDERS)) * window * (2 / window.sum())
    )
    columns = np.concatenate([waves.real, waves.imag], axis=1).astype(np.float32)
    phasors = np.empty((count, series.shape[1], HARMONICS), np.complex64)
    for start in range(0, count, PAGE_WINDOWS):
        stop = min(count, start + PAGE_WINDOWS)
        page = series[start * hop : (stop - 1) * hop + length]
        since = np.exp(-2j * np.pi * (np.outer(np.arange(start, stop) * (hop * mains_hz / series_hz), ORDERS) % 1))
        for channel in range(series.shape[1]):
            both = np.ascontiguousarray(sliding_window_view(page[:, channel], length)[::hop]) @ columns
            phasors[start:stop, channel] = (both[:, :HARMONICS] + 1j * both[:, HARMONICS:]) * since
    return phasors.reshape(count, -1)


def _inside(middle_s: Array, regions: Sequence[Region], kind: RegionKind, window_s: float) -> Array:
    inside = np.zeros(len(middle_s), bool)
    for region in regions:
        if region.kind is kind:
            inside |= (middle_s >= region.start_s + window_s / 2) & (middle_s <= region.stop_s - window_s / 2)
    return inside


def _running_share(flags: Array, length: int) -> Array:
    """Of the ``length`` rows around each, those that are True; fewer count as False at both ends."""
    padded = np.pad(flags, ((length // 2 + 1, length - length // 2 - 1), (0, 0)))
    total = np.cumsum(padded, axis=0, dtype=np.int32)
    return np.asarray((total[length:] - total[:-length]) / np.float32(length))


def _wrapped(turns: Array) -> Array:
    return np.asarray(turns - np.rint(turns))


def _turns(phasors: Array, level_db: Array, as_usual: Array) -> _Turns:
    """Mains is so steady that the windows to one side of a place show how fast it runs."""
    places = max(0, len(phasors) - HOPS), phasors.shape[1]
    turn, change_db, swell = (np.zeros(places, np.float32) for _ in range(3))
    held = np.zeros(places, bool)
    for column in range(places[1] if places[0] else 0):  # one at a time: they are long
        phase = np.pad(np.angle(phasors[:, column]) / np.float32(2 * np.pi), HOPS)
        height = np.pad(level_db[:, column] / np.float32(DB_A_WAVE), HOPS)
        usual = np.pad(as_usual[:, column], HOPS)
        rows = [slice(k * HOPS, k * HOPS + places[0]) for k in range(4)]
        has_before, across, has_after = (usual[a] & usual[b] for a, b in pairwise(rows))
        held[:, column] = across & (has_before | has_after)
        turn[:, column] = _beyond(phase, rows, has_before, has_after)
        swell[:, column] = _beyond(height, rows, has_before, has_after)
        change_db[:, column] = level_db[HOPS:, column] - level_db[:-HOPS, column]
    return _Turns(turn, held, change_db, swell)


def _beyond(values: Array, rows: list[slice], has_before: Array, has_after: Array) -> Array:
    """What they move by across each place beyond what they do beside, where that is known."""
    before, across, after = (_wrapped(values[b] - values[a]) for a, b in pairwise(rows))
    before, after = np.where(has_before, before, after), np.where(has_after, after, before)
    return _wrapped(across - before - _wrapped(after - before) / 2)


def _deviation(values: Array, held: Array) -> Array:
    """(columns,) by how much they scatter where the hum holds its level; infinite where it hardly ever does."""
    deviation = np.full(held.shape[1], np.inf)
    for column, here in enumerate(held.T):
        if np.count_nonzero(here) >= FEWEST_WINDOWS:
            deviation[column] = 1.48 * np.median(np.abs(values[here, column]))
    return deviation


def _is_steady(turns: _Turns, deviation: Array, criteria: HumJumpCriteria) -> bool:
    """Whether the hum wanders by less than any tape lets it; both are in waves of the first harmonic.

    Noise turns the hum as much as it makes it swell, so what it turns beyond that is wander.
    """
    swell = _deviation(turns.swell, turns.held) / np.tile(ORDERS, turns.held.shape[1] // HARMONICS)
    clearest = int(np.argmin(np.where(np.isfinite(deviation), swell, np.inf)))
    limit = np.sqrt(MORE_BY_CHANCE * swell[clearest] ** 2 + criteria.steady**2)
    return bool(swell[clearest] <= criteria.clearest and deviation[clearest] <= limit)


def _places(turns: _Turns, deviation: Array, orders: Array, criteria: HumJumpCriteria) -> list[int]:
    """Places where all that holds its level turns as a loss turns it, the clearest of those near each other."""
    usable = deviation <= criteria.deviation
    safe = np.where(usable, np.maximum(deviation, LEAST_DEVIATION), 1.0)
    asked = turns.held & usable
    far = asked & (np.abs(turns.turn) >= np.maximum(criteria.least_turns, criteria.significance / 2 * safe))
    clear: list[tuple[float, int]] = []
    for place in np.flatnonzero(far.any(1)).tolist():
        use = np.flatnonzero(asked[place])
        change_db = np.abs(turns.change_db[place, use])
        if np.all(change_db <= np.maximum(criteria.held_db, 3 * DB_A_TURN * safe[use])):
            clear.append((_gain(turns.turn[place, use], safe[use], orders[use], criteria), place))
    chosen: list[int] = []
    for gain, place in sorted(clear, reverse=True):
        if gain > 0 and all(abs(place - other) > 3 * HOPS for other in chosen):
            chosen.append(place)
    return chosen


def _gain(turn: Array, deviation: Array, orders: Array, criteria: HumJumpCriteria) -> float:
    """How much better a loss explains the turns than none does; 0 where it does not, or one harmonic has no second."""
    off = _wrapped(turn - np.outer(TURNS, orders)) / deviation
    cost = np.square(off).sum(1)
    best = int(cost.argmin())
    gain = float(cost[0] - cost[best])
    agree = len(np.unique(orders)) > 1 and np.abs(off[best]).max() <= criteria.agreement
    return gain if agree and gain >= criteria.significance**2 else 0.0
