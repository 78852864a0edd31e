"""The deck's certificate: one self-contained page to pin to the machine, without a script or a network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.bench_curves import BenchCurves
from pipeline.bench_history import RepairStory
from pipeline.bench_record import Bench, BenchTone
from pipeline.bench_verdict import BenchVerdict, LimitOutcome, Outcome, round_hz
from pipeline.files import write_text_whole
from pipeline.flutter import Flutter
from pipeline.noise import Noise
from pipeline.part_names import COMMON_PRACTICE
from pipeline.records import NotMeasured, Reading
from pipeline.report.certificate_plots import draw_plots
from pipeline.report.page import render
from pipeline.report.plots import Plot
from pipeline.report.tables import Cell, Table
from pipeline.report.words import NBSP, SEVERITY_SIGNS, number, reading, span

OUTCOME_SIGNS = {Outcome.MET: "✓", Outcome.MISSED: "✕", Outcome.TOO_CLOSE: "≈", Outcome.UNKNOWN: "–"}
_OTHERS_MOST = 2  # tones without a nominal that are shown; a response series has a dozen
_TONES_MOST = 4  # columns that fit on paper; every tone's readings are in the JSON document
_READINGS = (
    ("Weighted, two-sigma: the trade's figure", "weighted_peak_percent"),
    ("Weighted, quasi-peak: the older meter", "weighted_quasi_peak_percent"),
    ("Unweighted, two-sigma", "unweighted_peak_percent"),
    ("Weighted, r.m.s.", "weighted_rms_percent"),
    ("Unweighted, r.m.s.", "unweighted_rms_percent"),
    ("Wow, below 4 Hz, r.m.s.", "wow_rms_percent"),
    ("Flutter, above 4 Hz, r.m.s.", "flutter_rms_percent"),
    ("Scrape, above 100 Hz, r.m.s.", "scrape_rms_percent"),
    ("Hiss alone would read, weighted r.m.s.", "weighted_floor_percent"),
    ("Hiss alone would read, unweighted r.m.s.", "unweighted_floor_percent"),
)


@dataclass(frozen=True)
class LimitCell:
    """What a band asks of one figure; text "" where it asks nothing."""

    text: str
    sign: str
    outcome: str


@dataclass(frozen=True)
class LimitRow:
    figure: str
    value: Cell
    cells: tuple[LimitCell, ...]
    is_correctable: bool


@dataclass(frozen=True)
class LimitTable:
    """The table to pin to the machine: a row a figure, a column a band."""

    bands: tuple[str, ...]
    rows: tuple[LimitRow, ...]
    totals: tuple[tuple[str, tuple[LimitCell, ...]], ...]
    sources: tuple[tuple[str, str], ...]


def write_certificate(
    bench: Bench, curves: BenchCurves, story: RepairStory | None, history_page: str, path: Path
) -> Path:
    """Write the page; returns ``path``. story: what changed since the run before; history_page: its file name."""
    plots = draw_plots(bench, curves)
    by_id: dict[str, Plot] = {plot.id: plot for plot in plots}
    html = render(
        "certificate.html.j2",
        {
            "bench": bench,
            "kind": _kind(bench.verdict),
            "limits": limit_table(bench.verdict),
            "signs": SEVERITY_SIGNS,
            "plots": by_id,
            "speed": speed_table(bench),
            "tones": tones_table(bench),
            "runs": runs_table(bench),
            "flutter": flutter_table(bench),
            "lines": lines_table(bench.flutter),
            "level": level_table(bench),
            "azimuth": azimuth_table(bench),
            "noise": noise_table(bench),
            "hum": hum_table(bench),
            "response": response_table(bench),
            "capture": capture_table(bench),
            "story": story,
            "history_page": history_page,
        },
        more_style="bench.css",
    )
    return write_text_whole(path, html)


def _kind(verdict: BenchVerdict) -> tuple[str, str]:
    """Style and sign of the stamp."""
    if not verdict.grade:
        judged = any(band.corrected_outcome is Outcome.MISSED for band in verdict.bands)
        return ("fail", "✕") if judged else ("none", "–")
    return ("warn", "▲") if verdict.grade == verdict.bands[-1].name else ("pass", "✓")


def limit_table(verdict: BenchVerdict) -> LimitTable:
    """Figures that no band asks for are not here; they stand in their own tables."""
    names = list(dict.fromkeys(_figure_name(row) for band in verdict.bands for row in band.limits))
    names.sort(key=lambda name: name.startswith("response"))
    rows = []
    for name in names:
        asked = [[row for row in band.limits if _figure_name(row) == name] for band in verdict.bands]
        first = next(found[0] for found in asked if found)
        digits = 3 if first.unit == "%" else 1
        value = reading(first.value, first.unit, digits, signed=first.is_correctable)
        cells = tuple(_limit_cell(found[0]) if found else LimitCell("", "", "") for found in asked)
        rows.append(LimitRow(name[0].upper() + name[1:], value, cells, first.is_correctable))
    totals = (
        ("The machine as it plays", tuple(_total(band.outcome) for band in verdict.bands)),
        ("Copies, speed corrected", tuple(_total(band.corrected_outcome) for band in verdict.bands)),
    )
    sources = [(band.name, "; ".join(_sources(band.limits))) for band in verdict.bands]
    return LimitTable(tuple(band.name for band in verdict.bands), tuple(rows), totals, tuple(sources))


def _figure_name(row: LimitOutcome) -> str:
    return row.figure.partition(" (")[0]


def _sources(limits: Sequence[LimitOutcome]) -> list[str]:
    by_source: dict[str, list[str]] = {}
    for row in limits:
        by_source.setdefault(row.source, []).append(_figure_name(row))
    return [f"{', '.join(figures)}: {source}" for source, figures in by_source.items()]


def _limit_cell(row: LimitOutcome) -> LimitCell:
    return LimitCell(f"{row.limit}{NBSP}{row.unit}", OUTCOME_SIGNS[row.outcome], row.outcome.value)


def _total(outcome: Outcome) -> LimitCell:
    return LimitCell("", OUTCOME_SIGNS[outcome], outcome.value)


def speed_table(bench: Bench) -> Table:
    speed = bench.speed
    agree: Cell = (
        speed.tones_agree
        if isinstance(speed.tones_agree, NotMeasured)
        else "yes"
        if speed.tones_agree
        else "no: see each tone"
    )
    rows: tuple[tuple[Cell, ...], ...] = (
        ("Speed error, all tones", reading(speed.error_percent, "%", 4, signed=True)),
        ("Uncertainty", _plus_minus(speed.uncertainty_percent, "%", 4)),
        ("As an interval", reading(speed.cents, "cents", 1, signed=True)),
        ("Ratio that corrects it", number(speed.ratio, 6)),
        ("Largest difference between two tones", reading(speed.difference_percent, "%", 4)),
        ("The tones agree", agree),
        ("Drift over the capture", reading(speed.drift_percent, "%", 3)),
        ("First moments against the rest", reading(speed.settling_percent, "%", 3, signed=True)),
        ("Settled after", "at once" if speed.settling_s == 0 else reading(speed.settling_s, "s", 1)),
        ("Between runs of one tone", reading(speed.pack_percent, "%", 3)),
    )
    return Table("Speed", ("What", "Reading"), rows, "Negative: the deck runs slow.")


def tones_table(bench: Bench) -> Table:
    """Tones with a nominal; all of them where there are few others."""
    known = [tone for tone in bench.tones if not isinstance(tone.nominal_hz, NotMeasured)]
    others = len(bench.tones) - len(known)
    tones = bench.tones if others <= _OTHERS_MOST else known
    note = "" if tones is bench.tones else f"{others} more tones are none of those that tell the speed."
    rows = tuple(
        (
            span(tone.start_s, tone.stop_s),
            "unknown" if isinstance(tone.nominal_hz, NotMeasured) else reading(tone.nominal_hz, "Hz", 0),
            f"{number(tone.measured_hz, 3)}{NBSP}Hz ±{NBSP}{number(tone.uncertainty_hz, 3)}",
            "–" if isinstance(tone.error_percent, NotMeasured) else reading(tone.error_percent, "%", 4, signed=True),
            reading(tone.level_dbfs, "dBFS", 1),
        )
        for tone in tones
    )
    return Table("Each tone", ("Where", "Should be", "Reads", "Error", "Level"), rows, note)


def runs_table(bench: Bench) -> Table:
    rows = tuple(
        (
            f"{run.nominal_hz:g}{NBSP}Hz, {run.place}",
            f"{number(run.error_percent, 4, signed=True)}{NBSP}% ±{NBSP}{number(run.uncertainty_percent, 4)}",
        )
        for run in bench.speed.runs
    )
    return Table("The same tone along the tape", ("Run", "Error"), rows, "Speed depends on the pack: reels change.")


def flutter_table(bench: Bench) -> Table:
    shown = [tone for tone in bench.tones if not isinstance(tone.flutter.tone_hz, NotMeasured)]
    shown.sort(key=lambda tone: (tone.flutter != bench.flutter, -(tone.stop_s - tone.start_s)))
    shown = shown[:_TONES_MOST]
    if not shown:
        rows: tuple[tuple[Cell, ...], ...] = (("All readings", reading(bench.flutter.weighted_peak_percent, "%", 3)),)
        return Table("Wow and flutter", ("What", "Reading"), rows)
    head = tuple(f"{_told_hz(tone)} tone, {tone.stop_s - tone.start_s:.0f}{NBSP}s" for tone in shown)
    rows = tuple(
        (name, *(reading(getattr(tone.flutter, key), "%", 4 if "floor" in key else 3) for tone in shown))
        for name, key in _READINGS
    )
    note = (
        "The first tone is the one that shows most. Two-sigma: the deviation stays under it for 95.45 % of the time, as"
        " AES6-2008 asks (share and weighting curve from memory). Peak figures are stated as ± the number here."
    )
    return Table("Wow and flutter", ("Reading", *head), rows, note)


def _told_hz(tone: BenchTone) -> str:
    hz = tone.measured_hz if isinstance(tone.nominal_hz, NotMeasured) else tone.nominal_hz
    return f"{hz:.0f}{NBSP}Hz"


def lines_table(flutter: Flutter) -> Table:
    """Numbered as in the spectrum."""
    rows = tuple(
        (
            str(n),
            f"{number(line.hz, 3)}{NBSP}Hz",
            f"±{NBSP}{number(line.peak_percent, 3)}{NBSP}%",
            line.part.reason if isinstance(line.part, NotMeasured) else line.part,
            "–" if isinstance(line.hint, NotMeasured) else line.hint.removesuffix(COMMON_PRACTICE),
        )
        for n, line in enumerate(flutter.components, 1)
    )
    note = "Usual causes are common practice of the bench: where to look first. No measurement proves them."
    return Table("Which part?", ("No.", "Rate", "Peak deviation", "Rotating part", "Usual cause"), rows, note)


def level_table(bench: Bench) -> Table:
    level = bench.level
    rows: tuple[tuple[Cell, ...], ...] = (
        ("Level tone", reading(level.tone_hz, "Hz", 1)),
        ("Left channel", reading(level.left_dbfs, "dBFS", 1)),
        ("Right channel", reading(level.right_dbfs, "dBFS", 1)),
        ("Balance, right minus left", reading(level.balance_db, "dB", 2, signed=True)),
        ("Third harmonic of the level tone", reading(level.third_harmonic_percent, "%", 3)),
    )
    return Table("Level and distortion", ("What", "Reading"), rows, "The tape's own distortion is in it.")


def azimuth_table(bench: Bench) -> Table:
    azimuth = bench.azimuth
    if isinstance(azimuth.delay_us, NotMeasured):
        return Table("Azimuth", ("What", "Reading"), (("Azimuth", azimuth.delay_us),))
    rows: list[tuple[Cell, ...]] = [
        ("Right later than left by", reading(azimuth.delay_us, "µs", 1, signed=True)),
        ("Uncertainty", _plus_minus(azimuth.uncertainty_us, "µs", 1)),
        ("Tilt against the test tape", reading(azimuth.arc_minutes, "arc-minutes", 1, signed=True)),
    ]
    rows += [
        (
            f"Loss at {loss.hz / 1000:g} kHz",
            f"{number(loss.stereo_db, 1)}{NBSP}dB on a stereo head, {number(loss.mono_db, 1)}{NBSP}dB on a mono one",
        )
        for loss in azimuth.loss
    ]
    note = "Losses follow from the tilt and the width of the tracks."
    if azimuth.unless_us is not None:
        note += (
            f" With no low tone to go by, the delay is right unless it truly is beyond ±{azimuth.unless_us:.0f} µs or"
            " one channel has its polarity turned over."
        )
    return Table("Azimuth", ("What", "Reading"), tuple(rows), note)


def noise_table(bench: Bench) -> Table:
    noise = bench.noise

    def row(name: str, key: str, below: Reading) -> tuple[Cell, ...]:
        def level(of: Noise) -> Cell:
            return reading(getattr(of, key), "dBFS", 1)

        return name, level(noise.hiss), reading(below, "dB", 1), level(noise.electronics)

    rows = (
        row("Unweighted, 20 Hz to 20 kHz", "rms_dbfs", noise.noise_below_db),
        row("A-weighted", "a_weighted_dbfs", noise.a_weighted_below_db),
        row("By the 468 curve, r.m.s.", "weighted_468_dbfs", noise.weighted_468_below_db),
    )
    return Table("Noise", ("What", "Quiet tape", "Below the level tone", "Leader or at rest"), _once(rows))


def _once(rows: tuple[tuple[Cell, ...], ...]) -> tuple[tuple[Cell, ...], ...]:
    """A reason that fills a whole column is told in its first row only."""
    same = [column for column in range(1, len(rows[0])) if len({row[column] for row in rows}) == 1]
    blank = {column for column in same if isinstance(rows[0][column], NotMeasured)}
    return (rows[0], *(tuple("–" if n in blank else cell for n, cell in enumerate(row)) for row in rows[1:]))


def hum_table(bench: Bench) -> Table:
    origins = {"deck": "the deck: it stays at mains frequency", "tape": "the tape: it moves with the speed"}
    rows: list[tuple[Cell, ...]] = [
        (
            reading(line.hz, "Hz", 2),
            f"{number(line.level_dbfs, 1)}{NBSP}dBFS, from {origins.get(line.origin.value, 'deck or tape, not known')}",
        )
        for line in bench.noise.hum
    ]
    rows.append(("Loudest below the level tone", reading(bench.noise.hum_below_db, "dB", 1)))
    return Table("Hum", ("Line", "Level"), tuple(rows))


def response_table(bench: Bench) -> Table:
    if isinstance(bench.response, NotMeasured):
        return Table("Frequency response", ("What", "Reading"), (("Response", bench.response),))
    rows = tuple(
        (
            f"{round_hz(point.hz)}{NBSP}Hz",
            reading(point.left_db, "dB", 1, signed=True),
            reading(point.right_db, "dB", 1, signed=True),
        )
        for point in bench.response.points
    )
    return Table("Levels by frequency", ("Tone", "Left", "Right"), _once(rows))


def capture_table(bench: Bench) -> Table:
    facts = bench.capture
    tones = ", ".join(f"{hz:g}" for hz in bench.declared_hz)
    rows: tuple[tuple[Cell, ...], ...] = (
        ("File", Path(facts.path).name),
        ("SHA-256", facts.sha256),
        ("Format", f"{facts.sample_rate_hz} Hz, {facts.channels} channels, {facts.encoding.value}"),
        ("Length", f"{facts.duration_s:.1f}{NBSP}s"),
        ("Tones declared", f"{tones}{NBSP}Hz" if tones else "none: the usual ones were looked for"),
    )
    return Table("Capture", ("What", "Says"), rows)


def _plus_minus(value: Reading, unit: str, digits: int) -> Cell:
    told = reading(value, unit, digits)
    return told if isinstance(told, NotMeasured) else f"±{NBSP}{told}"
