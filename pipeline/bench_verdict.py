"""What a deck's figures amount to: held against bands of machines, and what they mean for speech and for music."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from pipeline.bench_settings import Band, BenchCriteria, Figure, Limit, ResponseLimit
from pipeline.records import NotMeasured, Reading
from pipeline.response import Response


class Outcome(StrEnum):
    MET = "met"
    MISSED = "missed"
    TOO_CLOSE = "too close to tell"  # the limit lies within the uncertainty
    UNKNOWN = "not measured"


@dataclass(frozen=True)
class LimitOutcome:
    """One figure against one limit.

    limit           in words, with its unit ("at most 0.2 %")
    is_correctable  feltpad takes this out of every copy
    """

    figure: str
    value: Reading
    unit: str
    limit: str
    outcome: Outcome
    source: str
    is_correctable: bool


@dataclass(frozen=True)
class BandVerdict:
    """
    outcome            the machine as it plays: missed when one limit is, met when speed and flutter are known and
                       nothing is missed
    corrected_outcome  the same with what feltpad corrects left out: the copies made with this machine
    unknown            what was not measured and is not judged
    """

    name: str
    stamp: str
    outcome: Outcome
    corrected_outcome: Outcome
    unknown: tuple[str, ...]
    limits: tuple[LimitOutcome, ...]


@dataclass(frozen=True)
class BenchVerdict:
    """
    grade    the best band the copies made with this deck meet; "" where none is met or flutter is not known
    stamp    the same in a word
    summary  the answer in plain words
    speech   what each figure means for speech ("wow and flutter: nothing to hear")
    music    … and for music
    """

    grade: str
    stamp: str
    summary: str
    speech: tuple[str, ...]
    music: tuple[str, ...]
    bands: tuple[BandVerdict, ...]


@dataclass(frozen=True)
class Figures:
    """What is judged, each with its uncertainty (0 where none is known)."""

    values: dict[Figure, Reading]
    uncertainties: dict[Figure, float]
    response: Response | NotMeasured

    def value(self, figure: Figure) -> Reading:
        return self.values[figure]


_WORDS = {
    Figure.SPEED: ("speed error", "%"),
    Figure.FLUTTER: ("weighted wow and flutter", "%"),
    Figure.BALANCE: ("difference between the channels", "dB"),
    Figure.NOISE: ("noise below the level tone", "dB"),
    Figure.A_WEIGHTED: ("noise below the level tone, A-weighted", "dB"),
}
_ESSENTIAL = (Figure.SPEED, Figure.FLUTTER)
TREBLE_DOWN_DB = 3.0  # where a response is said to end
BELOW_ALL = "below all bands"
NOT_JUDGED = "not judged"


def judge_deck(figures: Figures, criteria: BenchCriteria) -> BenchVerdict:
    """Every band, the best one that is met, and words for the person at the bench."""
    bands = tuple(_judge_band(band, figures) for band in criteria.bands)
    flutter, uses = figures.value(Figure.FLUTTER), _uses(figures, criteria)
    chosen = next((band for band in bands if band.corrected_outcome in (Outcome.MET, Outcome.TOO_CLOSE)), None)
    if isinstance(flutter, NotMeasured):
        summary = f"Wow and flutter could not be measured ({flutter.reason}), so the deck is not judged."
        return BenchVerdict("", NOT_JUDGED, summary + _speed_words(figures), *uses, bands)
    if chosen is None:
        worst = bands[-1]
        summary = f"Copies made with this deck do not even reach the class “{worst.name}”: {_missed(worst)}."
        return BenchVerdict("", BELOW_ALL, summary + _speed_words(figures), *uses, bands)
    close = [row.figure for row in chosen.limits if row.outcome is Outcome.TOO_CLOSE and not row.is_correctable]
    unsure = f", if one takes what is too close to tell for good ({', '.join(close)})" if close else ""
    summary = f"Copies made with this deck are of the class “{chosen.name}”{unsure}."
    better = [band for band in bands[: bands.index(chosen)] if band.corrected_outcome is Outcome.MISSED]
    if better:
        summary += f" Short of “{better[-1].name}”: {_missed(better[-1])}."
    if chosen.unknown:
        summary += f" Not judged, because not measured: {', '.join(chosen.unknown)}."
    return BenchVerdict(chosen.name, chosen.stamp, summary + _speed_words(figures), *uses, bands)


def _speed_words(figures: Figures) -> str:
    speed = figures.value(Figure.SPEED)
    if isinstance(speed, NotMeasured):
        return f" Its speed is not known: {speed.reason}."
    if speed == 0:
        return " It runs at exactly the right speed."
    ratio, cents = 1 / (1 + speed / 100), 1200 * math.log2(1 + speed / 100)
    way = "slow" if speed < 0 else "fast"
    return (
        f" It runs {abs(speed):.3f} % {way} ({abs(cents):.1f} cents {'flat' if speed < 0 else 'sharp'}); feltpad takes"
        f" that out of every copy, by a ratio of {ratio:.6f}."
    )


def _missed(band: BandVerdict) -> str:
    missed = [row for row in band.limits if row.outcome is Outcome.MISSED and not row.is_correctable]
    return "; ".join(f"{row.figure} {_shown(row.value)} {row.unit}, {row.limit} {row.unit} asked" for row in missed)


def _shown(value: Reading) -> str:
    return "unknown" if isinstance(value, NotMeasured) else f"{value:.2f}".replace("-", "−")


def _uses(figures: Figures, criteria: BenchCriteria) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """For speech, for music: one line for each figure that was measured."""
    asked = (
        ("wow and flutter", figures.value(Figure.FLUTTER), criteria.flutter_means),
        ("treble", _treble_hz(figures.response), criteria.treble_means),
        ("hiss", figures.value(Figure.A_WEIGHTED), criteria.hiss_means),
    )
    known = [
        (name, next((m for m in meanings if value <= m.up_to), meanings[-1]))
        for name, value, meanings in asked
        if not isinstance(value, NotMeasured)
    ]
    return tuple(f"{n}: {m.speech}" for n, m in known), tuple(f"{n}: {m.music}" for n, m in known)


def _treble_hz(response: Response | NotMeasured) -> Reading:
    """The highest tone up to which no channel is more than 3 dB down, above the reference tone."""
    if isinstance(response, NotMeasured):
        return response
    if isinstance(response.reference_hz, NotMeasured):
        return response.reference_hz
    reach_hz = response.reference_hz
    for point in response.points:
        levels = [db for db in (point.left_db, point.right_db) if not isinstance(db, NotMeasured)]
        if point.hz > reach_hz and min(levels) < -TREBLE_DOWN_DB:
            break
        reach_hz = max(reach_hz, point.hz)
    return reach_hz


def _judge_band(band: Band, figures: Figures) -> BandVerdict:
    rows = [_judge_limit(limit, figures) for limit in band.limits]
    rows += [_judge_response(limit, figures.response) for limit in band.response]
    essential = {_WORDS[figure][0] for figure in _ESSENTIAL}

    def outcome(counts: Callable[[LimitOutcome], bool]) -> Outcome:
        counted = [row for row in rows if counts(row)]
        if any(row.outcome is Outcome.MISSED for row in counted):
            return Outcome.MISSED
        if any(row.outcome is Outcome.UNKNOWN and row.figure in essential for row in counted):
            return Outcome.UNKNOWN
        close = any(row.outcome is Outcome.TOO_CLOSE for row in counted)
        return Outcome.TOO_CLOSE if close else Outcome.MET

    unknown = dict.fromkeys(row.figure for row in rows if row.outcome is Outcome.UNKNOWN)
    return BandVerdict(
        band.name,
        band.stamp,
        outcome(lambda row: True),
        outcome(lambda row: not row.is_correctable),
        tuple(unknown),
        tuple(rows),
    )


def _judge_limit(limit: Limit, figures: Figures) -> LimitOutcome:
    figure = limit.figure
    name, unit = _WORDS[figure]
    value, doubt = figures.value(figure), figures.uncertainties.get(figure, 0.0) + limit.doubt
    asked = f"{'at least' if figure.at_least else 'at most'} {limit.bound:g}"
    if isinstance(value, NotMeasured):
        return LimitOutcome(name, value, unit, asked, Outcome.UNKNOWN, limit.source, figure.is_correctable)
    over = limit.bound - value if figure.at_least else abs(value) - limit.bound
    outcome = Outcome.TOO_CLOSE if abs(over) < doubt else Outcome.MISSED if over > 0 else Outcome.MET
    return LimitOutcome(name, value, unit, asked, outcome, limit.source, figure.is_correctable)


def round_hz(hz: float) -> str:
    """A test tone's frequency as the tape's label has it.

    >>> round_hz(12_496.8), round_hz(39.98), round_hz(314.9)
    ('12500', '40', '315')
    """
    return f"{float(f'{hz:.{2 if hz < 100 else 3}g}'):g}"


def _judge_response(limit: ResponseLimit, response: Response | NotMeasured) -> LimitOutcome:
    """The worst channel. What the tape does not reach is not judged, and the range that is stands in the words."""
    name = f"response {limit.low_hz:g} to {limit.high_hz:g} Hz"
    if limit.above_db == limit.height_db:
        asked = f"highest to lowest at most {limit.height_db:g}"
    else:
        asked = f"within +{limit.above_db:g} and −{limit.below_db:g}"
    if isinstance(response, NotMeasured):
        return LimitOutcome(name, response, "dB", asked, Outcome.UNKNOWN, limit.source, False)
    inside = [point for point in response.points if limit.low_hz * 0.97 <= point.hz <= limit.high_hz * 1.03]
    sides = [[p.left_db for p in inside], [p.right_db for p in inside]]
    levels = [[db for db in side if not isinstance(db, NotMeasured)] for side in sides]
    levels = [side for side in levels if len(side) > 1]
    if not levels:
        reason = NotMeasured("the tape has no tones there")
        return LimitOutcome(name, reason, "dB", asked, Outcome.UNKNOWN, limit.source, False)
    by_height = limit.above_db == limit.height_db
    worst = max(max(side) - min(side) if by_height else max(map(abs, side)) for side in levels)
    missed = any(
        max(side) > limit.above_db or -min(side) > limit.below_db or max(side) - min(side) > limit.height_db
        for side in levels
    )
    shown = f"{name} (tones from {round_hz(min(p.hz for p in inside))} to {round_hz(max(p.hz for p in inside))} Hz)"
    outcome = Outcome.MISSED if missed else Outcome.MET
    return LimitOutcome(shown, worst, "dB", asked, outcome, limit.source, False)
