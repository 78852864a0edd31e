"""The speed error of every side of a box, by deck and date.

A belt going soft shows as a slope, a wrong reading as an outlier.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import median

from pipeline.records import NotMeasured, Reading
from pipeline.report.criteria import SummaryCriteria
from pipeline.report.words import number

_LEFT, _RIGHT, _TOP, _BOTTOM = 56.0, 990.0, 26.0, 216.0
_STEPS_PERCENT = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_SIGN_WIDTH = 6.4  # of one letter of a label, to keep labels apart


@dataclass(frozen=True)
class ChartPoint:
    name: str
    deck: str
    date: str
    error_percent: Reading


@dataclass(frozen=True)
class Lane:
    """The sides of one deck: from ``x`` to ``stop``, their middle speed at ``middle`` (None: none was measured)."""

    deck: str
    x: float
    stop: float
    middle: float | None


@dataclass(frozen=True)
class Label:
    text: str
    x: float
    y: float
    anchor: str


@dataclass(frozen=True)
class SpeedChart:
    """dots, unmeasured  path data: a zero-length stroke for each side"""

    lanes: tuple[Lane, ...]
    dots: str
    unmeasured: str
    outliers: tuple[Label, ...]
    ticks: tuple[Label, ...]
    zero: float
    description: str


def draw_speed_chart(points: Sequence[ChartPoint], criteria: SummaryCriteria) -> SpeedChart | None:
    """Lay out the chart of ``points``, which come sorted by deck and date. None where no side has a speed error."""
    known = [p.error_percent for p in points if not isinstance(p.error_percent, NotMeasured)]
    if not known:
        return None
    low, high, step = _range(known)
    slot = (_RIGHT - _LEFT) / len(points)

    def y_of(percent: float) -> float:
        return round(_BOTTOM - (percent - low) / (high - low) * (_BOTTOM - _TOP), 1)

    def x_of(index: int) -> float:
        return round(_LEFT + (index + 0.5) * slot, 1)

    lanes, far = [], []
    for deck, members in groupby(enumerate(points), key=lambda pair: pair[1].deck):
        own = list(members)
        speeds = [(i, p.error_percent) for i, p in own if not isinstance(p.error_percent, NotMeasured)]
        middle = median(error for _, error in speeds) if speeds else None
        start, stop = own[0][0], own[-1][0] + 1
        lanes.append(
            Lane(
                deck or "deck not named",
                round(_LEFT + start * slot, 1),
                round(_LEFT + stop * slot, 1),
                None if middle is None else y_of(middle),
            )
        )
        far += [(abs(e - middle), i, e) for i, e in speeds if middle is not None]
    outliers = sorted((f for f in far if f[0] >= criteria.outlier_percent), reverse=True)[: criteria.outliers_most]
    labels = _apart(
        [Label(points[i].name, x_of(i), y_of(e), "end" if x_of(i) > 880 else "start") for _, i, e in outliers]
    )
    spots = [(x_of(i), p.error_percent) for i, p in enumerate(points)]
    count = round((high - low) / step)
    return SpeedChart(
        lanes=tuple(lanes),
        dots="".join(f"M{x} {y_of(e)}h0" for x, e in spots if not isinstance(e, NotMeasured)),
        unmeasured="".join(f"M{x} {_BOTTOM + 9}v5" for x, e in spots if isinstance(e, NotMeasured)),
        outliers=labels,
        ticks=tuple(
            Label(f"{number(low + k * step, 2, signed=True)} %", _LEFT, y_of(low + k * step), "end")
            for k in range(count + 1)
        ),
        zero=y_of(0.0),
        description=_describe(points, known, [points[i].name for _, i, _ in outliers]),
    )


def _range(known: Sequence[float]) -> tuple[float, float, float]:
    """Lowest and highest of the axis, zero always on it, and the step of its ticks."""
    low, high = min(0.0, *known), max(0.0, *known)
    step = next((s for s in _STEPS_PERCENT if (high - low) / s <= 6), _STEPS_PERCENT[-1])
    first, last = -int(-low / step + 0.999), int(high / step + 0.999)
    if first == last:
        first, last = -1, 1
    return first * step, last * step, step


def _apart(labels: Sequence[Label]) -> tuple[Label, ...]:
    """The labels that do not lie on one already placed; the worst outliers come first and keep their place."""
    placed: list[Label] = []
    for label in labels:
        reach = len(label.text) * _SIGN_WIDTH
        if all(abs(label.y - p.y) > 11 or abs(label.x - p.x) > max(reach, len(p.text) * _SIGN_WIDTH) for p in placed):
            placed.append(label)
    return tuple(placed)


def _describe(points: Sequence[ChartPoint], known: Sequence[float], outliers: Sequence[str]) -> str:
    text = (
        f"{len(known)} of {len(points)} sides have a measured speed error, from {number(min(known), 3, signed=True)} % "
        f"to {number(max(known), 3, signed=True)} %, {number(median(known), 3, signed=True)} % in the middle."
    )
    return text + (f" Far from their deck's middle: {', '.join(outliers)}." if outliers else "")
