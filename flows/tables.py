"""Tables for the terminal, on stdout."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.measurement import Measurement
from pipeline.records import NotMeasured
from pipeline.report.summary import BoxSummary, summary_table

_STYLES = {"pass": "green", "warn": "yellow", "fail": "bold red"}


def print_summary(summary: BoxSummary) -> None:
    """The box at a glance: a row a side."""
    head, *rows = summary_table(summary)
    table = Table(title=Text(summary.title), title_justify="left", header_style="bold", pad_edge=False)
    for name in head:
        short = name not in ("Title", "Worst")
        table.add_column(name, no_wrap=short, overflow="ellipsis", ratio=None if short else 1)
    for row in rows:
        table.add_row(*(Text(cell, style=_STYLES.get(cell, "")) for cell in row))
    _console().print(table)


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
    table = Table(header_style="bold", pad_edge=False)
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
    rows += [
        (f"Hum, {line.origin.value}", f"{line.hz:.2f} Hz at {line.level_dbfs:.1f} dBFS") for line in measurement.hum
    ]
    kinds = sorted({event.kind.value for event in measurement.events})
    rows += [(f"Events: {kind}", str(sum(e.kind.value == kind for e in measurement.events))) for kind in kinds]
    return rows


def _shown(value: Any, form: str) -> str:
    return value.reason if isinstance(value, NotMeasured) else form.format(value)


def _console() -> Console:
    return Console(highlight=False, soft_wrap=False)
