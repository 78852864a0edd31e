"""Speed error and the ratio that corrects it. The sign is defined here and nowhere else.

``error_percent = 100 * (measured_hz / nominal_hz - 1)``: negative, the deck ran slow.
``ratio = nominal_hz / measured_hz``: by how much playback is sped up.

The trap beside it: a deck 0.90909 % slow is not put right by 0.90909 % more speed; the ratio is 1.0091743.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import Any

import numpy as np

from pipeline.baseband import smooth_weights
from pipeline.demodulate import Demodulated
from pipeline.records import NotMeasured, Reading
from pipeline.tone import Tone

Array = np.ndarray[Any, Any]


class SpeedSource(StrEnum):
    TONE = "tone"
    BENCH = "bench"
    READING = "reading"
    RATIO = "ratio"
    HUM = "hum"
    NONE = "none"


@dataclass(frozen=True)
class SpeedCriteria:
    """How tones are weighed together (table ``[speed]`` of ``config/method.toml``).

    agreement_percent  two tones agree when they differ by no more, beyond what both are uncertain by, percent
    drift_window_s     speed is averaged smoothly over this long before its drift is read, seconds
    drift_shortest_s   a tone, or the way from the first tone to the last, must be this long to show drift, seconds
    """

    agreement_percent: float
    drift_window_s: float
    drift_shortest_s: float


@dataclass(frozen=True)
class BenchSpeed:
    """What the deck's test tape read: its error and the half-width that covers it, percent."""

    error_percent: float
    uncertainty_percent: float | None


@dataclass(frozen=True)
class Speed:
    """The constant speed error of a side, and what says so.

    drift_percent  slow change of the error over the side, largest minus smallest; apart from wow and from the error
    """

    source: SpeedSource
    error_percent: Reading
    uncertainty_percent: Reading
    ratio: float
    drift_percent: Reading


@dataclass(frozen=True)
class Disagreement:
    """Two tones of one capture that say different speeds: the pair that differs most beyond its limit, in order."""

    first: Tone
    second: Tone
    difference_percent: float
    limit_percent: float


def error_percent(measured_hz: float, nominal_hz: float) -> float:
    """Negative: the deck ran slow.

    >>> round(error_percent(436.0, 440.0), 5)
    -0.90909
    """
    return 100 * (measured_hz / nominal_hz - 1)


def ratio_of(measured_hz: float, nominal_hz: float) -> float:
    """By how much playback is sped up.

    >>> round(ratio_of(436.0, 440.0), 7)
    1.0091743
    """
    return nominal_hz / measured_hz


def cents_of(measured_hz: float, nominal_hz: float) -> float:
    """The same error as an interval.

    >>> round(cents_of(436.0, 440.0), 3)
    -15.81
    """
    return float(1200 * np.log2(measured_hz / nominal_hz))


def resolve_speed(
    tones: Sequence[Tone],
    *,
    reading: tuple[float, float] | None,
    ratio: float | None,
    bench: BenchSpeed | None,
    criteria: SpeedCriteria,
    drift_within: Sequence[Reading] = (),
) -> Speed:
    """The speed by its sources in order of trust: a person's ratio or reading, tones of this capture, the bench, none.

    reading       (read_hz, true_hz)
    drift_within  what `measure_drift` found inside the capture's tones
    """
    drift = _drift_percent(_matched(tones), drift_within, criteria)
    if ratio is not None:
        unknown = NotMeasured("a person gave the ratio; nothing says how well it is known")
        return Speed(SpeedSource.RATIO, 100 * (1 / ratio - 1), unknown, ratio, drift)
    if reading is not None:
        read_hz, true_hz = reading
        uncertainty = 100 * half_last_digit(read_hz) / true_hz
        error = error_percent(read_hz, true_hz)
        return Speed(SpeedSource.READING, error, uncertainty, ratio_of(read_hz, true_hz), drift)
    if matched := _matched(tones):
        error, uncertainty = _weighted_mean(matched)
        return Speed(SpeedSource.TONE, error, uncertainty, 1 / (1 + error / 100), drift)
    if bench is not None:
        known = bench.uncertainty_percent
        uncertain = NotMeasured("the bench result states no uncertainty") if known is None else known
        return Speed(SpeedSource.BENCH, bench.error_percent, uncertain, 1 / (1 + bench.error_percent / 100), drift)
    none = NotMeasured("no reference: no tone that matches a nominal, no reading, no bench result")
    return Speed(SpeedSource.NONE, none, none, 1.0, drift)


def half_last_digit(read_hz: float) -> float:
    """How far off a reading may be for its rounding alone: half of its last digit, in Hz.

    What a person reads off a tuner is good to the digit they wrote down at best, and this is nearly always the larger
    part of the doubt: 436 Hz is ± 0.11 %. The instrument's own error comes on top and is not known here.

    >>> half_last_digit(436.0), half_last_digit(435.96)
    (0.5, 0.005)
    """
    shown = np.format_float_positional(read_hz, trim="-")
    decimals = len(shown.partition(".")[2])
    return float(0.5 * 10.0**-decimals)


def tones_agree(tones: Sequence[Tone], criteria: SpeedCriteria) -> Disagreement | None:
    """None when all tones that match a nominal say the same speed, or there is one at most."""
    worst: Disagreement | None = None
    for (first, error_1, uncertain_1), (second, error_2, uncertain_2) in combinations(_matched(tones), 2):
        difference = error_2 - error_1
        limit = criteria.agreement_percent + float(np.hypot(uncertain_1, uncertain_2))
        over = abs(difference) - limit
        if over > 0 and (worst is None or over > abs(worst.difference_percent) - worst.limit_percent):
            worst = Disagreement(first, second, difference, limit)
    return worst


def measure_drift(demodulated: Demodulated, criteria: SpeedCriteria) -> Reading:
    """Slow change of speed inside one long tone: largest minus smallest of its smoothly averaged deviation, percent.

    A smooth average over 10 s leaves nothing of what turns every 5 s or faster, so no wow of a deck's parts.
    """
    window = round(criteria.drift_window_s * demodulated.rate_hz)
    if demodulated.seconds < max(criteria.drift_shortest_s, criteria.drift_window_s):
        return NotMeasured(
            f"the tone lasts {demodulated.seconds:.0f} s; drift is read from {criteria.drift_shortest_s:.0f} s on"
        )
    weights = smooth_weights(window)
    starts = range(0, len(demodulated.deviation_percent) - window + 1, max(1, window // 8))
    course = [float(weights @ demodulated.deviation_percent[at : at + window]) for at in starts]
    return max(course) - min(course)


def _matched(tones: Sequence[Tone]) -> list[tuple[Tone, float, float]]:
    """Each tone that matches a nominal, with its error and uncertainty in percent, in order of time."""
    matched = []
    for tone in sorted(tones, key=lambda each: each.start_s):
        if not isinstance(tone.nominal_hz, NotMeasured):
            error = error_percent(tone.measured_hz, tone.nominal_hz)
            matched.append((tone, error, 100 * tone.uncertainty_hz / tone.nominal_hz))
    return matched


def _weighted_mean(matched: list[tuple[Tone, float, float]]) -> tuple[float, float]:
    """Error and uncertainty (k = 2), each tone weighing by its certainty.

    Where tones scatter by more than they are uncertain, the scatter is added to each: two that disagree by d give the
    middle ± d, however sure each of them was.
    """
    errors = np.array([error for _, error, _ in matched])
    variances = (np.array([uncertain for *_, uncertain in matched]) / 2) ** 2
    scatter = max(0.0, float(np.var(errors, ddof=1) - np.mean(variances))) if len(errors) > 1 else 0.0
    weights = 1 / np.maximum(variances + scatter, 1e-18)
    return float(weights @ errors / weights.sum()), float(2 / np.sqrt(weights.sum()))


def _drift_percent(
    matched: list[tuple[Tone, float, float]], drift_within: Sequence[Reading], criteria: SpeedCriteria
) -> Reading:
    drifts = [drift for drift in drift_within if not isinstance(drift, NotMeasured)]
    if len(matched) > 1:
        middles_s = [(tone.start_s + tone.stop_s) / 2 for tone, *_ in matched]
        if middles_s[-1] - middles_s[0] >= criteria.drift_shortest_s:
            errors = [error for _, error, _ in matched]
            drifts.append(max(errors) - min(errors))
    if drifts:
        return max(drifts)
    if not matched:
        return NotMeasured("no reference tone on this capture to follow the speed by")
    return NotMeasured(
        f"the reference tones span less than {criteria.drift_shortest_s:.0f} s and say nothing of the rest of the side"
    )
