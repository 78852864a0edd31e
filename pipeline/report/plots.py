"""Plots as plain geometry, which one template draws: axes, lines, areas, lanes of parts, numbered marks.

Units are those of the SVG: 1000 across, whatever the width on paper. Styles are names in ``style.css``; lines differ by
dash and areas by shade, so that a print in black and white tells them apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
LEFT, RIGHT = 66.0, 988.0
LANE = 15.0
_TOP, _UNDER = 14.0, 40.0
_CLOCK_STEPS_S = (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600)
_SIGN_WIDTH = 6.0  # of one letter of a label


@dataclass(frozen=True)
class PlotTick:
    at: float
    label: str


@dataclass(frozen=True)
class PlotPath:
    """style: a class in the style sheet, also drawn in the legend with this label ("" leaves it out there)."""

    style: str
    path: str
    label: str


@dataclass(frozen=True)
class PlotLane:
    """A part's band of rates: a bar in a row of its own above the plot, and its reach drawn faintly through it."""

    label: str
    x: float
    width: float
    y: float
    label_x: float
    anchor: str


@dataclass(frozen=True)
class PlotMark:
    """shape: "number" in a circle, "dot", "square", "label", or an upright line with its label at the top to the right
    or left of it ("rule", "rule-left")."""

    shape: str
    x: float
    y: float
    label: str


@dataclass(frozen=True)
class Plot:
    """One drawing. top, bottom: of the plot itself, below the lanes."""

    id: str
    title: str
    description: str
    height: float
    top: float
    bottom: float
    x_title: str
    y_title: str
    x_ticks: tuple[PlotTick, ...]
    y_ticks: tuple[PlotTick, ...]
    lanes: tuple[PlotLane, ...]
    paths: tuple[PlotPath, ...]
    marks: tuple[PlotMark, ...]


@dataclass(frozen=True)
class Axis:
    """low … high, drawn from start to stop; both ends may stand in either order."""

    low: float
    high: float
    start: float
    stop: float
    is_log: bool = False

    def at(self, value: float) -> float:
        """Where a value stands, held inside the axis."""
        return float(self.all_at(np.array([value]))[0])

    def all_at(self, values: Array) -> Array:
        kept = np.clip(values, self.low, self.high)
        share = (
            np.log(kept / self.low) / math.log(self.high / self.low)
            if self.is_log
            else (kept - self.low) / (self.high - self.low)
        )
        return np.asarray(self.start + share * (self.stop - self.start))

    def ticks(self, most: int, shown: Callable[[float], str]) -> tuple[PlotTick, ...]:
        """At round numbers: 1, 2, 5 to a decade."""
        values = _log_steps(self.low, self.high, most) if self.is_log else _steps(self.low, self.high, most)
        return tuple(PlotTick(round(self.at(value), 1), shown(value)) for value in values)


def plot_axes(
    x: tuple[float, float],
    y: tuple[float, float],
    height: float,
    lanes: int = 0,
    logs: tuple[bool, bool] = (False, False),
) -> tuple[Axis, Axis]:
    """The two axes of a plot of this height, with room for lanes above it."""
    top = _TOP + lanes * LANE
    return Axis(*x, LEFT, RIGHT, logs[0]), Axis(*y, top + height, top, logs[1])


def plot_height(y_axis: Axis) -> float:
    """Of the whole drawing, with the x axis' numbers and title under it."""
    return max(y_axis.start, y_axis.stop) + _UNDER


def line_path(x_axis: Axis, y_axis: Axis, x: Array, y: Array) -> str:
    """Points joined by straight lines."""
    points = zip(x_axis.all_at(np.asarray(x)), y_axis.all_at(np.asarray(y)), strict=True)
    text = "L".join(f"{a:.1f} {b:.1f}" for a, b in points)
    return f"M{text}" if text else ""


def area_path(x_axis: Axis, y_axis: Axis, x: Array, low: Array, high: Array) -> str:
    """What lies between two lines."""
    there = line_path(x_axis, y_axis, x, high)
    back = line_path(x_axis, y_axis, np.asarray(x)[::-1], np.asarray(low)[::-1])
    return f"{there}L{back[1:]}Z" if there else ""


def part_lanes(x_axis: Axis, bands: Sequence[tuple[str, float, float]]) -> tuple[PlotLane, ...]:
    """One row for each (name, low, high) that reaches into the axis, the lowest rate on top."""
    inside = sorted((b for b in bands if b[1] < x_axis.high and b[2] > x_axis.low), key=lambda b: b[1])
    lanes = []
    for row, (name, low, high) in enumerate(inside):
        x, stop = x_axis.at(low), x_axis.at(high)
        width = max(2.0, stop - x)
        right = x + width + 5 + len(name) * _SIGN_WIDTH < RIGHT
        label_x, anchor = (x + width + 5, "start") if right else (x - 5, "end")
        lanes.append(PlotLane(name, round(x, 1), round(width, 1), _TOP + row * LANE, round(label_x, 1), anchor))
    return tuple(lanes)


def rule_mark(x: float, row: int, label: str) -> PlotMark:
    """An upright line in a row of lanes of its own; its label goes where there is more room, cut to it."""
    is_left = x - LEFT > RIGHT - x and RIGHT - x < len(label) * _SIGN_WIDTH
    room = int(((x - LEFT) if is_left else (RIGHT - x)) / _SIGN_WIDTH)
    shown = label if len(label) <= room else label[: max(0, room - 1)] + "…"
    return PlotMark("rule-left" if is_left else "rule", round(x, 1), _TOP + row * LANE + 10, shown)


def nice_range(values: Iterable[float], least: float) -> tuple[float, float]:
    """Lowest and highest with a tenth of room around, at least ``least`` apart.

    >>> nice_range([1.0, 2.0], 0.1)
    (0.9, 2.1)
    """
    known = list(values)
    low, high = min(known), max(known)
    middle, half = (low + high) / 2, max((high - low) * 0.6, least / 2)
    return round(middle - half, 6), round(middle + half, 6)


def apart(marks: Sequence[PlotMark], reach: float = 15.0) -> tuple[PlotMark, ...]:
    """The same with those moved up that would lie on one before them."""
    placed: list[PlotMark] = []
    for mark in sorted(marks, key=lambda mark: mark.x):
        y = mark.y
        while any(abs(mark.x - p.x) < reach and abs(y - p.y) < reach for p in placed):
            y -= 2
        placed.append(PlotMark(mark.shape, mark.x, round(y, 1), mark.label))
    return tuple(placed)


def time_ticks(axis: Axis, most: int, shown: Callable[[float], str]) -> tuple[PlotTick, ...]:
    """At whole seconds, minutes or hours."""
    step = next((s for s in _CLOCK_STEPS_S if (axis.high - axis.low) / s <= most), _CLOCK_STEPS_S[-1])
    values = [n * step for n in range(math.ceil(axis.low / step), math.floor(axis.high / step) + 1)]
    return tuple(PlotTick(round(axis.at(value), 1), shown(value)) for value in values)


def _steps(low: float, high: float, most: int) -> list[float]:
    rough = (high - low) / most
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(s * decade for s in (1, 2, 5, 10) if s * decade >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 10) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _log_steps(low: float, high: float, most: int) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for wanted in ((1, 2, 5), (1, 3), (1,)):
        values = [w * 10.0**d for d in decades for w in wanted]
        inside = [value for value in values if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
        if len(inside) <= most:
            return inside
    return inside
