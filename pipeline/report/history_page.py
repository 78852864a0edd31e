"""A deck's bench runs over time on one self-contained page, and the same as lines of text for a terminal."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from pipeline.bench_history import BenchHistory, Change, HistoryEntry, RepairStory
from pipeline.files import write_text_whole
from pipeline.records import NotMeasured, Reading
from pipeline.report.page import render
from pipeline.report.plots import (
    Axis,
    Plot,
    PlotMark,
    PlotPath,
    PlotTick,
    line_path,
    nice_range,
    plot_axes,
    plot_height,
    rule_mark,
)
from pipeline.report.tables import Cell, Table
from pipeline.report.words import NBSP, number, reading

HEAD = ("Date", "Power", "Speed error", "Weighted flutter", "Unweighted", "Drift", "Largest lines", "Note")
_LINES_TOLD = 3
_BAR = 24  # characters of the longest bar in a terminal
_NO_VALUE = "–"
_STYLES = {"mains": "line-solid", "battery": "line-dashed", "": "line-dotted"}  # by power
_SHAPES = {"mains": "dot", "battery": "square", "": "dot"}
_NAMES = {"mains": "mains (round)", "battery": "battery (square)", "": "power not known (round)"}


def write_history(history: BenchHistory, path: Path) -> Path:
    """Write the page; returns ``path``."""
    plots = [
        _over_time(history, "error", "Speed error over time", [entry.error_percent for entry in history.entries]),
        _over_time(
            history,
            "flutter",
            "Weighted wow and flutter over time",
            [entry.weighted_peak_percent for entry in history.entries],
        ),
    ]
    html = render(
        "history.html.j2",
        {
            "history": history,
            "plots": [plot for plot in plots if plot is not None],
            "entries": entries_table(history),
            "services": Table("Service", ("Date", "Work"), tuple((s.date, s.work) for s in history.services)),
            "stories": [(story, changes_table(story)) for story in reversed(history.stories)],
        },
        more_style="bench.css",
    )
    return write_text_whole(path, html)


def entries_table(history: BenchHistory) -> Table:
    """The newest first."""
    return Table("Every bench run", HEAD, tuple(_entry_row(entry) for entry in reversed(history.entries)))


def _entry_row(entry: HistoryEntry) -> tuple[Cell, ...]:
    doubt = entry.uncertainty_percent
    error = _short(entry.error_percent, 3, signed=True)
    if not isinstance(doubt, NotMeasured):
        error += f" ±{NBSP}{number(doubt, 3)}"
    lines = sorted(entry.components, key=lambda line: -line.peak_percent)[:_LINES_TOLD]
    return (
        entry.date,
        entry.power or _NO_VALUE,
        error,
        _short(entry.weighted_peak_percent, 3),
        _short(entry.unweighted_peak_percent, 3),
        _short(entry.drift_percent, 3),
        "; ".join(f"{line.hz:.2f}{NBSP}Hz {number(line.peak_percent, 3)}{NBSP}%" for line in lines) or _NO_VALUE,
        entry.note or _NO_VALUE,
    )


def _short(value: Reading, digits: int, signed: bool = False) -> str:
    return _NO_VALUE if isinstance(value, NotMeasured) else f"{number(value, digits, signed)}{NBSP}%"


def changes_table(story: RepairStory) -> Table:
    """Before and after side by side."""
    rows = tuple(
        (_sentence(change), _side(change, change.before), _side(change, change.after)) for change in story.changes
    )
    return Table("Before and after", ("Figure", story.before, story.after), rows)


def _sentence(change: Change) -> str:
    return change.name[0].upper() + change.name[1:]


def _side(change: Change, value: Reading) -> str:
    if isinstance(value, NotMeasured):
        return _NO_VALUE
    digits = 3 if change.unit == "%" else 1
    return str(reading(value, change.unit, digits, signed=change.name in ("speed error", "azimuth delay")))


def bars(history: BenchHistory) -> tuple[str, ...]:
    """Weighted flutter of each run as a line of text with a bar, services between them; for a terminal."""
    known = [e.weighted_peak_percent for e in history.entries if not isinstance(e.weighted_peak_percent, NotMeasured)]
    longest = max(known, default=0.0)
    rows: list[tuple[str, int, str]] = [(service.date, 0, f"   ── {service.work}") for service in history.services]
    for entry in history.entries:
        peak = entry.weighted_peak_percent
        told = "not measured" if isinstance(peak, NotMeasured) else f"{peak:.3f} %"
        bar = "" if isinstance(peak, NotMeasured) or longest <= 0 else "█" * max(1, round(_BAR * peak / longest))
        speed = "" if isinstance(entry.error_percent, NotMeasured) else f"speed {entry.error_percent:+.3f} %"
        rows.append((entry.date, 1, f"{bar:<{_BAR}}  {told:<12}  {speed}".rstrip()))
    return tuple(f"{date}  {text}" for date, _, text in sorted(rows, key=lambda row: row[:2]))


def _over_time(history: BenchHistory, name: str, title: str, values: Sequence[Reading]) -> Plot | None:
    """In percent; a line each for mains and battery, which are two machines. None where no run measured it."""
    points = [
        (_day(entry.date), value, entry.power)
        for entry, value in zip(history.entries, values, strict=True)
        if not isinstance(value, NotMeasured)
    ]
    if not points:
        return None
    days = [day for day, *_ in points]
    services = [(_day(s.date), s.work) for s in history.services]
    first, last = min([*days, *(d for d, _ in services)]), max([*days, *(d for d, _ in services)])
    room = max(3.0, 0.04 * (last - first))
    x_axis, y_axis = plot_axes(
        (first - room, last + room), nice_range([0.0, *(v for _, v, _ in points)], 0.1), 170, len(services)
    )
    marks = [rule_mark(x_axis.at(day), row, work) for row, (day, work) in enumerate(services)]
    marks += [
        PlotMark(_SHAPES[power], round(x_axis.at(day), 1), round(y_axis.at(value), 1), "")
        for day, value, power in points
    ]
    several = len({power for *_, power in points}) > 1
    told = (
        f"{datetime.date.fromordinal(int(d))} {number(v, 3)} %{f' ({p})' if several and p else ''}"
        for d, v, p in points
    )
    return Plot(
        id=name,
        title=title,
        description=f"{title}: {'; '.join(told)}.",
        height=plot_height(y_axis),
        top=y_axis.stop,
        bottom=y_axis.start,
        x_title="a dotted upright line is a service",
        y_title="%",
        x_ticks=_day_ticks(x_axis),
        y_ticks=y_axis.ticks(6, lambda v: number(v, 2)),
        lanes=(),
        paths=tuple(_power_paths(points, x_axis, y_axis)),
        marks=tuple(marks),
    )


def _power_paths(points: Sequence[tuple[float, float, str]], x_axis: Axis, y_axis: Axis) -> Iterator[PlotPath]:
    """Named in the legend where there is more than one."""
    powers = {power for *_, power in points}
    for power in sorted(powers, key=list(_STYLES).index):
        x, y = (np.array(column, float) for column in zip(*(p[:2] for p in points if p[2] == power), strict=True))
        label = _NAMES[power] if len(powers) > 1 else ""
        yield PlotPath(_STYLES[power] if len(powers) > 1 else "line-solid", line_path(x_axis, y_axis, x, y), label)


def _day(date: str) -> float:
    return float(datetime.date.fromisoformat(date).toordinal())


def _day_ticks(axis: Axis, most: int = 7) -> tuple[PlotTick, ...]:
    step = max(1, round((axis.high - axis.low) / most))
    days = range(int(np.ceil(axis.low)), int(axis.high) + 1, step)
    return tuple(PlotTick(round(axis.at(day), 1), datetime.date.fromordinal(day).isoformat()) for day in days)
