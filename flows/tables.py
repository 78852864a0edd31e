"""Tables for the terminal, on stdout."""

from __future__ import annotations

import sys
from collections.abc import Collection
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.measurement import Measurement
from pipeline.records import NotMeasured
from pipeline.report.summary import BoxSummary, summary_table, told_of_box

WIDE, MIDDLE, PIPED = 150, 100, 200  # columns
TWINS_MOST = 10  # lines; the index has more
_STYLES = {"pass": "green", "warn": "yellow", "fail": "bold red"}


def print_summary(summary: BoxSummary, tapes: Collection[str]) -> None:
    """These tapes of the box at a glance: a row a side. A narrow terminal goes without the title, a very narrow one
    without the worst finding too; the index has both."""
    console = _console()
    head, *rows = summary_table(summary)
    left_out = {"Worst"} if console.width < WIDE else set()
    left_out |= {"Title"} if console.width < MIDDLE else set()
    shown = [index for index, name in enumerate(head) if name not in left_out]
    table = Table(title=Text(summary.title), title_justify="left", header_style="bold", box=SIMPLE_HEAD, pad_edge=False)
    for name in (head[index] for index in shown):
        text = name in ("Title", "Worst")
        table.add_column(name, no_wrap=not text, overflow="fold", ratio=1 if text else None)
    for row in rows:
        if row[head.index("Tape")] not in tapes:
            continue
        table.add_row(*(Text(row[index], style=_STYLES.get(row[index], "")) for index in shown))
    console.print(table)
    for message in told_of_box(summary, TWINS_MOST):
        console.print(Text(message, style=_STYLES["warn"]))


def print_measurement(measurement: Measurement) -> None:
    """What was measured on one capture, section by section."""
    facts = measurement.capture
    console = _console()
    console.print(
        Text(
            f"{facts.path}: {facts.duration_s:.2f} s, {facts.sample_rate_hz} Hz, {facts.channels} channels,"
            f" {facts.encoding.value}"
        )
    )
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False)
    table.add_column("Measured")
    table.add_column("Value")
    for name, value in _rows(measurement):
        table.add_row(name, Text(value))
    console.print(table)


def _rows(measurement: Measurement) -> list[tuple[str, str]]:
    speed, levels, channels = measurement.speed, measurement.levels, measurement.channels
    rows = [(f"Region {r.kind.value}", f"{r.start_s:.2f} … {r.stop_s:.2f} s") for r in measurement.regions]
    for tone in measurement.tones:
        nominal = _shown(tone.nominal_hz, "{:g} Hz")
        rows.append(("Tone", f"{tone.measured_hz:.4f} ± {tone.uncertainty_hz:.4f} Hz; nominal {nominal}"))
    rows += [
        ("Speed error", f"{_shown(speed.error_percent, '{:+.4f} %')} (from {speed.source.value})"),
        ("Ratio", f"{speed.ratio:.6f}"),
        ("Drift", _shown(speed.drift_percent, "{:.3f} %")),
        ("Wow and flutter, weighted", _shown(measurement.flutter.weighted_peak_percent, "± {:.3f} %")),
        ("Sample peak", _shown(levels.sample_peak_dbfs, "{:.1f} dBFS")),
        ("True peak", _shown(levels.true_peak_dbtp, "{:.1f} dBTP")),
        ("Loudness", _shown(levels.integrated_lufs, "{:.1f} LUFS")),
        ("Hiss floor", _shown(levels.hiss_floor_dbfs, "{:.1f} dBFS")),
        ("Electronics floor", _shown(levels.electronics_floor_dbfs, "{:.1f} dBFS")),
        ("Channels", channels.layout.value),
        ("Delay, right after left", _shown(channels.delay_us, "{:+.1f} µs")),
    ]
    if not isinstance(measurement.sags, NotMeasured):
        rows += [
            ("Sag of the speed", f"{sag.start_s:.2f} … {sag.stop_s:.2f} s, {sag.change_percent:+.0f} %")
            for sag in measurement.sags
        ]
    printed = measurement.print_through
    if not isinstance(printed, NotMeasured) and printed.count:
        rows.append(
            ("Print-through", f"{_shown(printed.level_db, '{:.0f} dB')}, {_shown(printed.lag_s, '{:.2f} s')} early")
        )
    treble = measurement.treble
    if not isinstance(treble, NotMeasured):
        rows.append(("Programme up to", _shown(treble.programme_edge_hz, "{:.0f} Hz")))
        rows.append(("Hiss up to", _shown(treble.hiss_edge_hz, "{:.0f} Hz")))
    rows += [
        (f"Hum, {line.origin.value}", f"{line.hz:.2f} Hz at {line.level_dbfs:.1f} dBFS") for line in measurement.hum
    ]
    kinds = sorted({event.kind.value for event in measurement.events})
    rows += [(f"Events: {kind}", str(sum(e.kind.value == kind for e in measurement.events))) for kind in kinds]
    return rows


def _shown(value: Any, form: str) -> str:
    return value.reason if isinstance(value, NotMeasured) else form.format(value)


def _console() -> Console:
    """A terminal is used as wide as it is; a file or a pipe gets lines that hold everything."""
    width = None if sys.stdout.isatty() else PIPED
    return Console(highlight=False, soft_wrap=False, width=width)
