"""A deck's speed from a test tape: which tones these are, what they agree on, how the speed settles and drifts.

The signs are those of `pipeline.speed`: a negative error means that the deck ran slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from pipeline.baseband import smooth_weights
from pipeline.demodulate import Demodulated
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind
from pipeline.speed import SpeedCriteria, SpeedSource, cents_of, error_percent, resolve_speed, tones_agree
from pipeline.tone import Tone, matched_nominal_hz

Array = np.ndarray[Any, Any]
STEPS_A_WINDOW = 16


@dataclass(frozen=True)
class SettlingCriteria:
    """When a start counts as settled (table ``[settling]`` of ``config/bench.toml``).

    latest_start_s  the first tone begins this soon after the start, seconds
    shortest_s      … and lasts this long
    window_s        the speed is averaged smoothly over this long, seconds
    within_percent  settled is what stays this near to the speed of the tone's second half, percent
    """

    latest_start_s: float
    shortest_s: float
    window_s: float
    within_percent: float


@dataclass(frozen=True)
class NamedTones:
    """The tones with their nominal frequencies.

    assumed    nobody declared them; the usual ones were taken
    ambiguous  other nominal tones would do as well: (measured_hz, the other nominal)
    """

    tones: tuple[Tone, ...]
    assumed: bool
    ambiguous: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class PackRun:
    """One of several runs of a tone. place: head, middle or tail of three, first or last of two, else its number."""

    nominal_hz: float
    place: str
    start_s: float
    error_percent: float
    uncertainty_percent: float


@dataclass(frozen=True)
class DeckSpeed:
    """
    error_percent        all tones together, negative: slow; uncertainty is its half-width, 95 %
    ratio                by how much captures of this deck are to be sped up
    cents                the same error as an interval
    difference_percent   largest between any two tones
    tones_agree          they differ by no more than they are uncertain and the method allows
    drift_percent        slow change over the capture, largest minus smallest
    settling_percent     speed in the first moments of the first tone, against the rest of it
    settling_s           how long after that tone's start the speed stays near its final value
    pack_percent         largest between runs of one and the same tone
    runs                 those runs; empty where no tone stands on the capture twice
    """

    error_percent: Reading
    uncertainty_percent: Reading
    ratio: float
    cents: Reading
    difference_percent: Reading
    tones_agree: bool | NotMeasured
    drift_percent: Reading
    settling_percent: Reading
    settling_s: Reading
    pack_percent: Reading
    runs: tuple[PackRun, ...]


def name_tones(
    tones: Sequence[Tone],
    declared_hz: Sequence[float],
    usual_hz: Sequence[float],
    range_percent: float,
    plausible_percent: float,
    same_speed_percent: float,
) -> NamedTones:
    """Which nominal tone each one is: of the declared ones, or else of the usual ones such that all say one speed.

    A tone that two declared ones claim (3000 and 3150 Hz lie 5 % apart) is the one that says the speed which most of
    the capture's tones can say; where two speeds are said as often, it stays unmatched.

    >>> found = [Tone(0, 9, NotMeasured(""), hz, 0.01, -10) for hz in (436.0, 3121.3)]
    >>> [t.nominal_hz for t in name_tones(found, (), (440.0, 3000.0, 3150.0), 6.0, 3.0, 0.3).tones]
    [440.0, 3150.0]
    >>> name_tones([Tone(0, 9, NotMeasured(""), 3070.0, 0.01, -10)], (), (3000.0, 3150.0), 6.0, 3.0, 0.3).ambiguous
    ((3070.0, 3150.0),)
    >>> found = [Tone(0, 9, NotMeasured(""), hz, 0.01, -10) for hz in (2910.0, 3055.5)]
    >>> [t.nominal_hz for t in name_tones(found, (3000.0, 3150.0), (), 6.0, 3.0, 0.3).tones]
    [3000.0, 3150.0]
    """
    if declared_hz:
        alone = [matched_nominal_hz(tone.measured_hz, declared_hz, range_percent) for tone in tones]
        chosen, others = _of_one_speed(tones, declared_hz, range_percent, same_speed_percent)
        settled = [
            hz if isinstance(own, NotMeasured) and hz is not None and other in (None, hz) else own
            for own, hz, other in zip(alone, chosen, others, strict=True)
        ]
        named = (replace(tone, nominal_hz=hz) for tone, hz in zip(tones, settled, strict=True))
        return NamedTones(tuple(named), False, ())
    chosen, others = _of_one_speed(tones, usual_hz, plausible_percent, same_speed_percent)
    ambiguous = (
        (tone.measured_hz, other)
        for tone, hz, other in zip(tones, chosen, others, strict=True)
        if other is not None and other != hz
    )
    usual = (
        replace(tone, nominal_hz=_unusual(tone, plausible_percent) if hz is None else hz)
        for tone, hz in zip(tones, chosen, strict=True)
    )
    return NamedTones(tuple(usual), True, tuple(ambiguous))


def _of_one_speed(
    tones: Sequence[Tone], nominal_hz: Sequence[float], reach_percent: float, same_speed_percent: float
) -> tuple[list[float | None], list[float | None]]:
    """The nominals, within reach, that let most tones say one speed, the smaller error first; and those of another
    speed that as many tones could say. None: this tone has none that says so."""
    choices = [
        [hz for hz in dict.fromkeys(nominal_hz) if abs(error_percent(tone.measured_hz, hz)) <= reach_percent]
        for tone in tones
    ]
    errors = [error_percent(t.measured_hz, hz) for t, fits in zip(tones, choices, strict=True) for hz in fits]

    def nearest(tone: Tone, fits: Sequence[float], error: float) -> float | None:
        best = min(fits, key=lambda hz: abs(error_percent(tone.measured_hz, hz) - error), default=None)
        off = np.inf if best is None else abs(error_percent(tone.measured_hz, best) - error)
        return best if off <= same_speed_percent else None

    def named(error: float | None) -> list[float | None]:
        if error is None:
            return [None for _ in tones]
        return [nearest(t, fits, error) for t, fits in zip(tones, choices, strict=True)]

    def count(error: float) -> int:
        return sum(hz is not None for hz in named(error))

    ranked = sorted(errors, key=lambda error: (-count(error), abs(error)))
    best = ranked[0] if ranked else None
    rivals = (e for e in ranked if best is not None and count(e) == count(best) and abs(e - best) > same_speed_percent)
    return named(best), named(next(rivals, None))


def _unusual(tone: Tone, plausible_percent: float) -> NotMeasured:
    return NotMeasured(
        f"{tone.measured_hz:.2f} Hz is none of the usual test tones on a deck off by {plausible_percent:g} % at most;"
        " declare it with --tone"
    )


def deck_speed(
    tones: Sequence[Tone],
    demodulated: Sequence[Demodulated],
    drifts: Sequence[Reading],
    regions: Sequence[Region],
    speed_criteria: SpeedCriteria,
    criteria: SettlingCriteria,
) -> DeckSpeed:
    """Tones with their demodulated courses, in order; those without a nominal count for nothing."""
    known = [
        (tone, course)
        for tone, course in zip(tones, demodulated, strict=True)
        if not isinstance(tone.nominal_hz, NotMeasured)
    ]
    speed = resolve_speed(tones, reading=None, ratio=None, bench=None, criteria=speed_criteria, drift_within=drifts)
    errors = [error_percent(t.measured_hz, t.nominal_hz) for t, _ in known if not isinstance(t.nominal_hz, NotMeasured)]
    several = len(errors) > 1
    one = NotMeasured("one tone only" if errors else "no tone with a known nominal")
    settling = _settling(*known[0], regions, criteria) if known else (one, one)
    runs = _runs([tone for tone, _ in known])
    by_tone = {run.nominal_hz: [r.error_percent for r in runs if r.nominal_hz == run.nominal_hz] for run in runs}
    error = speed.error_percent
    return DeckSpeed(
        error,
        speed.uncertainty_percent,
        speed.ratio if speed.source is SpeedSource.TONE else 1.0,
        error if isinstance(error, NotMeasured) else cents_of(1 + error / 100, 1.0),
        max(abs(a - b) for a, b in combinations(errors, 2)) if several else one,
        tones_agree(tones, speed_criteria) is None if several else one,
        speed.drift_percent,
        *settling,
        max((max(e) - min(e) for e in by_tone.values()), default=NotMeasured("no tone stands on this capture twice")),
        runs,
    )


def _runs(tones: Sequence[Tone]) -> tuple[PackRun, ...]:
    """Every tone that is there more than once, by nominal and time."""
    runs: list[PackRun] = []
    for nominal_hz in sorted({t.nominal_hz for t in tones if not isinstance(t.nominal_hz, NotMeasured)}):
        same = [tone for tone in tones if tone.nominal_hz == nominal_hz]
        names = {2: ("first", "last"), 3: ("head", "middle", "tail")}.get(len(same))
        for number, tone in enumerate(same):
            place = names[number] if names else f"run {number + 1}"
            error, uncertainty = error_percent(tone.measured_hz, nominal_hz), 100 * tone.uncertainty_hz / nominal_hz
            runs.append(PackRun(nominal_hz, place, tone.start_s, error, uncertainty))
    return tuple(runs) if len(runs) > 1 and len({run.nominal_hz for run in runs}) < len(runs) else ()


def _settling(
    tone: Tone, course: Demodulated, regions: Sequence[Region], criteria: SettlingCriteria
) -> tuple[Reading, Reading]:
    """(percent, seconds) of the first tone."""
    begins_s = regions[0].stop_s if regions and regions[0].kind is RegionKind.LEADER else 0.0
    late_s = tone.start_s - begins_s
    if late_s > criteria.latest_start_s:
        late = NotMeasured(f"the first tone comes {late_s:.0f} s after the start: whatever had to settle has")
        return late, late
    if course.seconds < criteria.shortest_s:
        short = NotMeasured(
            f"the first tone lasts {course.seconds:.0f} s; settling is read from {criteria.shortest_s:g} s"
        )
        return short, short
    times_s, percent = slow_course(course, criteria.window_s)
    final = float(np.mean(percent[len(percent) // 2 :]))
    off = np.flatnonzero(np.abs(percent - final) > criteria.within_percent)
    first = float(percent[0] - final)
    if not len(off):
        return first, 0.0
    if off[-1] > 0.75 * len(percent):
        return first, NotMeasured("the speed does not come to rest within the first tone")
    return first, float(times_s[off[-1] + 1 if off[-1] + 1 < len(times_s) else -1] - course.start_s)


def slow_course(course: Demodulated, window_s: float) -> tuple[Array, Array]:
    """(times_s of the capture, percent about the tone's mean): the deviation averaged smoothly over window_s."""
    window = min(len(course.deviation_percent), max(1, round(window_s * course.rate_hz)))
    weights = smooth_weights(window)
    starts = np.arange(0, len(course.deviation_percent) - window + 1, max(1, window // STEPS_A_WINDOW))
    percent = np.array([weights @ course.deviation_percent[at : at + window] for at in starts])
    return course.start_s + (starts + window / 2) / course.rate_hz, percent
