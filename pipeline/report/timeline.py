"""The whole side on one time axis: waveform, regions, cuts, findings, spectrogram.

The geometry is laid out here, the template draws it. Units are those of the SVG: 1000 across,
whatever the width on paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.overview import Overview
from pipeline.qc import Finding, Severity
from pipeline.records import NotMeasured
from pipeline.report.contents import SidePage
from pipeline.report.criteria import PageCriteria
from pipeline.report.pictures import data_uri, spectrogram_picture
from pipeline.report.words import clock, number

Array = np.ndarray[Any, Any]

LEFT, RIGHT = 52.0, 992.0
_LANE = 62.0
_TOP = 20.0
_TICK_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600)
_TICKS_MOST = 11
_LABEL_ROOM = 62.0
_HZ_TICKS = (50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


@dataclass(frozen=True)
class Lane:
    name: str
    middle: float
    path: str


@dataclass(frozen=True)
class Bar:
    """A region on the strip; ``label`` is "" where it would not fit."""

    kind: str
    x: float
    width: float
    label: str


@dataclass(frozen=True)
class Mark:
    """One finding, or several too close to be told apart."""

    severity: str
    x: float
    count: int


@dataclass(frozen=True)
class Tick:
    at: float
    label: str


@dataclass(frozen=True)
class Timeline:
    """Where everything stands. ``spectrogram`` is a data URI, "" where there is none."""

    lanes: tuple[Lane, ...]
    lane_height: float
    scale: str
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    cut_from: float
    cut_to: float
    times: tuple[Tick, ...]
    frequencies: tuple[Tick, ...]
    spectrogram: str
    marks_y: float
    strip_y: float
    axis_y: float
    spectrum_y: float
    spectrum_height: float
    height: float
    description: str


def draw_timeline(side: SidePage, criteria: PageCriteria) -> Timeline:
    """Lay out one side; without an overview there is still the strip with its marks and cuts."""
    duration_s = max(side.qc.measurement.capture.duration_s, 1e-3)
    overview = None if isinstance(side.overview, NotMeasured) else side.overview
    lanes, scale = _lanes(overview, duration_s) if overview else ((), "")
    marks_y = _TOP + len(lanes) * _LANE + 8
    spectrum_height = 150.0 if overview else 0.0
    spectrum_y = marks_y + 78
    return Timeline(
        lanes=lanes,
        lane_height=_LANE,
        scale=scale,
        bars=_bars(side, duration_s),
        marks=_marks(side.qc.findings, duration_s, criteria.marks_apart),
        cut_from=_x(side.qc.decisions.cut.start_s, duration_s),
        cut_to=_x(side.qc.decisions.cut.stop_s, duration_s),
        times=_time_ticks(duration_s),
        frequencies=_frequency_ticks(overview, spectrum_y, spectrum_height) if overview else (),
        spectrogram=data_uri(spectrogram_picture(overview, criteria.picture_range_db), "image/png") if overview else "",
        marks_y=marks_y,
        strip_y=marks_y + 24,
        axis_y=marks_y + 52,
        spectrum_y=spectrum_y,
        spectrum_height=spectrum_height,
        height=spectrum_y + spectrum_height + (6 if overview else -6),
        description=_describe(side),
    )


def _x(seconds: float, duration_s: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * min(max(seconds / duration_s, 0.0), 1.0), 2)


def _lanes(overview: Overview, duration_s: float) -> tuple[tuple[Lane, ...], str]:
    peak = float(np.abs(overview.envelope).max())
    steps_db = np.arange(0, -61, -6)
    scale_db = float(steps_db[10 ** (steps_db / 20) * 1.001 >= peak][-1]) if peak > 0 else 0.0
    names = ("mono",) if overview.envelope.shape[1] == 1 else ("left", "right")
    lanes = []
    for channel, name in enumerate(names):
        middle = _TOP + _LANE * (channel + 0.5)
        path = _outline(overview.envelope[:, channel] / 10 ** (scale_db / 20), middle, overview.duration_s / duration_s)
        lanes.append(Lane(name, middle, path))
    return tuple(lanes), f"{number(scale_db, 0)} dBFS"


def _outline(extremes: Array, middle: float, share: float) -> str:
    """Along the tops and back along the bottoms, at least a hair apart so that silence stays a line."""
    half = _LANE / 2 - 3
    xs = np.linspace(LEFT, LEFT + (RIGHT - LEFT) * min(share, 1.0), len(extremes) + 1)
    xs = (xs[:-1] + xs[1:]) / 2
    tops = middle - np.maximum(np.clip(extremes[:, 1], -1, 1) * half, 0.3)
    bottoms = middle - np.minimum(np.clip(extremes[:, 0], -1, 1) * half, -0.3)
    there = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, tops, strict=True)]
    back = [f"{x:.1f} {y:.1f}" for x, y in zip(xs[::-1], bottoms[::-1], strict=True)]
    return "M" + "L".join(there + back) + "Z"


def _bars(side: SidePage, duration_s: float) -> tuple[Bar, ...]:
    bars = []
    for region in side.qc.measurement.regions:
        x, stop = _x(region.start_s, duration_s), _x(region.stop_s, duration_s)
        label = region.kind.value if stop - x >= _LABEL_ROOM else ""
        bars.append(Bar(region.kind.value, x, round(max(stop - x, 0.6), 2), label))
    return tuple(bars)


def _marks(findings: Sequence[Finding], duration_s: float, apart: float) -> tuple[Mark, ...]:
    marks: list[Mark] = []
    for severity in (Severity.INFO, Severity.WARN, Severity.FAIL):  # the worst is drawn last, on top
        places = sorted(
            _x(f.start_s, duration_s) for f in findings if f.counts_as is severity and f.start_s is not None
        )
        run: list[float] = []
        for x in places:
            if run and x - run[0] >= apart:
                marks.append(Mark(severity.value, run[0], len(run)))
                run = []
            run.append(x)
        if run:
            marks.append(Mark(severity.value, run[0], len(run)))
    return tuple(marks)


def _time_ticks(duration_s: float) -> tuple[Tick, ...]:
    step_s = next((s for s in _TICK_STEPS_S if duration_s / s <= _TICKS_MOST), duration_s)
    digits = 1 if step_s < 1 else 0
    return tuple(
        Tick(_x(i * step_s, duration_s), clock(i * step_s, digits)) for i in range(int(duration_s / step_s + 1e-9) + 1)
    )


def _frequency_ticks(overview: Overview, top: float, height: float) -> tuple[Tick, ...]:
    octaves = np.log(overview.highest_hz / overview.lowest_hz)
    ticks = []
    for hz in _HZ_TICKS:
        share = np.log(hz / overview.lowest_hz) / octaves
        if 0.02 <= share <= 1.001:
            ticks.append(
                Tick(round(float(top + height * (1 - share)), 1), f"{hz // 1000} k" if hz >= 1000 else f"{hz}")
            )
    return tuple(ticks)


def _describe(side: SidePage) -> str:
    """The picture in words, for those who do not see it; the tables below say the rest."""
    regions = side.qc.measurement.regions
    kinds = [
        f"{sum(r.kind is kind for r in regions)} × {kind.value}" for kind in dict.fromkeys(r.kind for r in regions)
    ]
    cut = side.qc.decisions.cut
    timed = sum(f.start_s is not None for f in side.qc.findings)
    return (
        f"Time runs from 0:00 to {clock(side.qc.measurement.capture.duration_s)}. Regions: {', '.join(kinds)}. "
        f"The copies keep {clock(cut.start_s, 1)} to {clock(cut.stop_s, 1)}. {timed} findings have a place in time."
    )
