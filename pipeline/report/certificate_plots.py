"""The certificate's drawings: speed over the capture, deviation over time, its spectrum with the parts, response."""

from __future__ import annotations

import numpy as np

from pipeline.bench_curves import BenchCurves
from pipeline.bench_record import Bench
from pipeline.bench_verdict import round_hz
from pipeline.records import NotMeasured
from pipeline.report.plots import (
    Plot,
    PlotMark,
    PlotPath,
    apart,
    area_path,
    line_path,
    nice_range,
    part_lanes,
    plot_axes,
    plot_height,
    time_ticks,
)
from pipeline.report.words import clock, number
from pipeline.response import ResponseKind

_SPECTRUM_FLOOR_PERCENT = 0.0005  # below it nothing is heard nor mended


def draw_plots(bench: Bench, curves: BenchCurves) -> tuple[Plot, ...]:
    """Those that this capture has something for, in the order of the page."""
    drawn = (_deviation(bench, curves), _spectrum(bench, curves), _course(bench, curves), _response(bench))
    return tuple(plot for plot in drawn if plot is not None)


def _deviation(bench: Bench, curves: BenchCurves) -> Plot | None:
    flat, weighted = curves.unweighted, curves.weighted
    if flat is None or weighted is None or isinstance(bench.flutter.tone_hz, NotMeasured):
        return None
    reach = 1.15 * max(float(np.max(np.abs([flat.low_percent, flat.high_percent]))), 1e-3)
    x_axis, y_axis = plot_axes((float(flat.times_s[0]), float(flat.times_s[-1])), (-reach, reach), 200)
    paths = [
        PlotPath(
            "area-light", area_path(x_axis, y_axis, flat.times_s, flat.low_percent, flat.high_percent), "unweighted"
        ),
        PlotPath(
            "area-dark",
            area_path(x_axis, y_axis, weighted.times_s, weighted.low_percent, weighted.high_percent),
            "weighted",
        ),
    ]
    peak = bench.flutter.weighted_peak_percent
    words = ""
    if not isinstance(peak, NotMeasured):
        ends = np.array([x_axis.low, x_axis.high])
        rules = "".join(line_path(x_axis, y_axis, ends, np.full(2, side * peak)) for side in (-1, 1))
        paths.append(PlotPath("rule", rules, f"weighted reading, ±{number(peak, 3)} %"))
        words = f" The weighted two-sigma reading is ±{number(peak, 3)} %."
    return Plot(
        id="deviation",
        title=f"Deviation over time, tone of {bench.flutter.tone_hz:.0f} Hz",
        description=(
            f"Speed deviation from {clock(x_axis.low)} to {clock(x_axis.high)} of the capture, drift taken out. It"
            f" swings by up to ±{number(reach / 1.15, 2)} % unweighted.{words}"
        ),
        height=plot_height(y_axis),
        top=y_axis.stop,
        bottom=y_axis.start,
        x_title="time in the capture",
        y_title="%",
        x_ticks=time_ticks(x_axis, 11, clock),
        y_ticks=y_axis.ticks(6, lambda v: number(v, 2)),
        lanes=(),
        paths=tuple(paths),
        marks=(),
    )


def _spectrum(bench: Bench, curves: BenchCurves) -> Plot | None:
    spectrum = curves.spectrum
    if spectrum is None:
        return None
    top = 2 * max(float(spectrum.unweighted_percent.max()), 0.01)
    bands = [(part.name, part.low_hz, part.high_hz) for part in bench.parts]
    x_range = (float(spectrum.hz[0]), float(spectrum.hz[-1]))
    count = len(part_lanes(plot_axes(x_range, (1, 2), 1, logs=(True, False))[0], bands))
    x_axis, y_axis = plot_axes(x_range, (_SPECTRUM_FLOOR_PERCENT, top), 260, count, (True, True))
    paths = [
        PlotPath("line-solid", line_path(x_axis, y_axis, spectrum.hz, spectrum.unweighted_percent), "unweighted"),
        PlotPath("line-dashed", line_path(x_axis, y_axis, spectrum.hz, spectrum.weighted_percent), "weighted"),
    ]
    if spectrum.floor_percent is not None and float(spectrum.floor_percent.max()) > _SPECTRUM_FLOOR_PERCENT:
        shown = spectrum.floor_percent > _SPECTRUM_FLOOR_PERCENT
        floor = line_path(x_axis, y_axis, spectrum.hz[shown], spectrum.floor_percent[shown])
        paths.append(PlotPath("line-dotted", floor, "what hiss beside the tone makes"))
    marks = [
        PlotMark("number", round(x_axis.at(line.hz), 1), round(y_axis.at(line.peak_percent) - 14, 1), str(n))
        for n, line in enumerate(bench.flutter.components, 1)
    ]
    lines = "; ".join(
        f"{n}: {line.hz:.2f} Hz, ±{number(line.peak_percent, 3)} %, "
        + (line.part.reason if isinstance(line.part, NotMeasured) else line.part)
        for n, line in enumerate(bench.flutter.components, 1)
    )
    return Plot(
        id="spectrum",
        title="Spectrum of the deviation, and the rates of the deck's parts",
        description=f"Peak deviation by rate of modulation, from {x_range[0]:.2g} to {x_range[1]:.0f} Hz. "
        + (f"Lines: {lines}." if lines else "No line stands out."),
        height=plot_height(y_axis),
        top=y_axis.stop,
        bottom=y_axis.start,
        x_title="rate of the deviation, Hz",
        y_title="%",
        x_ticks=x_axis.ticks(12, lambda hz: f"{hz:g}"),
        y_ticks=y_axis.ticks(8, lambda v: f"{v:g}"),
        lanes=part_lanes(x_axis, bands),
        paths=tuple(paths),
        marks=apart(marks),
    )


def _course(bench: Bench, curves: BenchCurves) -> Plot | None:
    known = [slow for slow in curves.slow if len(slow.times_s) > 1]
    if not known:
        return None
    y_range = nice_range(
        (float(v) for slow in known for v in (slow.error_percent.min(), slow.error_percent.max())), 0.1
    )
    x_axis, y_axis = plot_axes((0.0, bench.capture.duration_s), y_range, 150)
    paths = [
        PlotPath("line-thick", line_path(x_axis, y_axis, slow.times_s, slow.error_percent), "" if n else "each tone")
        for n, slow in enumerate(known)
    ]
    error = bench.speed.error_percent
    if not isinstance(error, NotMeasured):
        ends = np.array([x_axis.low, x_axis.high])
        paths.append(PlotPath("rule", line_path(x_axis, y_axis, ends, np.full(2, error)), "all tones together"))
    marks = tuple(
        PlotMark(
            "label",
            round(x_axis.at(float(slow.times_s[0])), 1),
            round(y_axis.at(float(slow.error_percent[0])) - 9, 1),
            f"{slow.nominal_hz:g} Hz",
        )
        for slow in known
    )
    return Plot(
        id="course",
        title="Speed over the capture",
        description="Speed error of each tone, averaged over some seconds: "
        + "; ".join(
            f"{slow.nominal_hz:g} Hz at {clock(float(slow.times_s[0]))} from"
            f" {number(float(slow.error_percent.min()), 3)} to {number(float(slow.error_percent.max()), 3)} %"
            for slow in known
        )
        + ". Negative: slow.",
        height=plot_height(y_axis),
        top=y_axis.stop,
        bottom=y_axis.start,
        x_title="time in the capture",
        y_title="%",
        x_ticks=time_ticks(x_axis, 11, clock),
        y_ticks=y_axis.ticks(5, lambda v: number(v, 2, signed=True)),
        lanes=(),
        paths=tuple(paths),
        marks=marks,
    )


def _response(bench: Bench) -> Plot | None:
    response = bench.response
    if isinstance(response, NotMeasured) or isinstance(response.reference_hz, NotMeasured):
        return None
    sides = [
        ("left", "line-solid", "dot", [(p.hz, p.left_db) for p in response.points]),
        ("right", "line-dashed", "square", [(p.hz, p.right_db) for p in response.points]),
    ]
    known = [
        (name, style, shape, [(hz, db) for hz, db in points if not isinstance(db, NotMeasured)])
        for name, style, shape, points in sides
    ]
    known = [side for side in known if side[3]]
    levels = [float(db) for *_, points in known for _, db in points]
    y_range = (min(-6.0, *levels) - 1, max(4.0, *levels) + 1)
    x_axis, y_axis = plot_axes((28.0, 21_000.0), y_range, 200, logs=(True, False))
    paths, marks = [], []
    for name, style, shape, points in known:
        hz, db = (np.array(column, float) for column in zip(*points, strict=True))
        paths.append(PlotPath(style, line_path(x_axis, y_axis, hz, db), name if len(known) > 1 else "level"))
        marks += [
            PlotMark(shape, round(x_axis.at(a), 1), round(y_axis.at(b), 1), "") for a, b in zip(hz, db, strict=True)
        ]
    zero = line_path(x_axis, y_axis, np.array([28.0, 21_000.0]), np.zeros(2))
    paths.append(PlotPath("rule", zero, f"0 dB: {response.reference_hz:.0f} Hz"))
    what = "tones" if response.kind is ResponseKind.STEPS else "a sweep"
    return Plot(
        id="response",
        title="Frequency response",
        description=f"Level against {response.reference_hz:.0f} Hz from {what}: "
        + "; ".join(f"{round_hz(hz)} Hz {number(float(db), 1, signed=True)} dB" for hz, db in known[0][3])
        + (" (left channel)." if len(known) > 1 else "."),
        height=plot_height(y_axis),
        top=y_axis.stop,
        bottom=y_axis.start,
        x_title="Hz",
        y_title="dB",
        x_ticks=x_axis.ticks(12, lambda hz: f"{hz:g}" if hz < 1000 else f"{hz / 1000:g}k"),
        y_ticks=y_axis.ticks(7, lambda v: number(v, 0, signed=True)),
        lanes=(),
        paths=tuple(paths),
        marks=tuple(marks),
    )
