"""The page's tables: each measurement group as rows of words. A cell that was not measured keeps its reason."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.decisions import By, EqualisationDecision
from pipeline.qc import CopyKind, CopyRecord, SideQC
from pipeline.records import NotMeasured
from pipeline.report.contents import SidePage
from pipeline.report.words import (
    CHANNEL_WORDS,
    NBSP,
    SOURCE_WORDS,
    clock,
    doubt,
    number,
    reading,
    span,
    tuning_advice,
    typeset,
)
from pipeline.sags import Sag

Cell = str | NotMeasured
_EMPTY = "–"
_BY_WORDS = {By.AUTO: "auto", By.SHEET: "sheet", By.PERSON: "person"}


@dataclass(frozen=True)
class Table:
    """The first cell of each row is its header. ``note`` stands under the table, "" where there is nothing to add."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


def speed_table(side: SidePage) -> Table:
    speed, decision = side.qc.measurement.speed, side.qc.decisions.speed
    rows: list[tuple[Cell, ...]] = [
        ("Speed as captured is known from", SOURCE_WORDS[speed.source]),
        ("Speed error of the capture", reading(speed.error_percent, "%", 3, signed=True)),
        ("Uncertainty", doubt(speed.uncertainty_percent, "%", 3)),
        ("Drift over the side", reading(speed.drift_percent, "%", 3)),
        ("Corrected from", SOURCE_WORDS[decision.source]),
        ("Ratio applied", number(decision.ratio, 6)),
        ("Tuning of the music", tuning_advice(side.tuning_cents)),
        ("Sudden sags", _sags(side.qc.measurement.sags)),
    ]
    if decision.read_hz is not None and decision.true_hz is not None:
        rows.insert(6, ("Read, should be", f"{decision.read_hz:.3f}{NBSP}Hz, {decision.true_hz:.3f}{NBSP}Hz"))
    note = "Negative: the capture runs slow. The ratio is by how much playback is sped up. Drift is not corrected."
    return Table("Speed", ("What", "Reading"), tuple(rows), note)


def _sags(sags: tuple[Sag, ...] | NotMeasured) -> Cell:
    if isinstance(sags, NotMeasured):
        return sags
    return f"{len(sags)}, see the findings" if sags else "none heard"


def tones_table(side: SideQC) -> Table:
    rows = tuple(
        (
            span(tone.start_s, tone.stop_s),
            reading(tone.nominal_hz, "Hz", 2),
            reading(tone.measured_hz, "Hz", 3),
            doubt(tone.uncertainty_hz, "Hz", 3),
            reading(tone.level_dbfs, "dBFS", 1),
        )
        for tone in side.measurement.tones
    )
    return Table("Tones on the capture", ("Where", "Should be", "Reads", "Uncertainty", "Level"), rows)


def flutter_table(side: SideQC) -> Table:
    flutter = side.measurement.flutter
    figures = (
        ("Weighted, two-sigma", flutter.weighted_peak_percent),
        ("Unweighted, two-sigma", flutter.unweighted_peak_percent),
        ("Weighted, quasi-peak", flutter.weighted_quasi_peak_percent),
        ("Weighted, r.m.s.", flutter.weighted_rms_percent),
        ("Unweighted, r.m.s.", flutter.unweighted_rms_percent),
        ("Wow, r.m.s.", flutter.wow_rms_percent),
        ("Flutter, r.m.s.", flutter.flutter_rms_percent),
        ("Scrape, above 100 Hz, r.m.s.", flutter.scrape_rms_percent),
        ("Hiss alone would read, weighted", flutter.weighted_floor_percent),
        ("Hiss alone would read, unweighted", flutter.unweighted_floor_percent),
    )
    rows = tuple((name, reading(value, "%", 3)) for name, value in figures)
    whose = ("Whose flutter it is", flutter.passes.value.replace("-", " "))
    return Table("Wow and flutter", ("What", "Reading"), (*_told_once(rows), whose))


def _told_once(rows: tuple[tuple[str, Cell], ...]) -> tuple[tuple[str, Cell], ...]:
    """Where every row lacks its value for one and the same reason, one row says it."""
    cells = {cell for _, cell in rows}
    return (("All readings", rows[0][1]),) if len(cells) == 1 and isinstance(rows[0][1], NotMeasured) else rows


def components_table(side: SideQC) -> Table:
    rows = tuple(
        (
            reading(line.hz, "Hz", 2),
            f"±{NBSP}{number(line.peak_percent, 3)}{NBSP}%",
            f"none: {line.part.reason}" if isinstance(line.part, NotMeasured) else line.part,
            _EMPTY if isinstance(line.hint, NotMeasured) else line.hint,
        )
        for line in side.measurement.flutter.components
    )
    return Table("Lines in the speed", ("Rate", "Deviation", "Rotating part", "Usual cause"), rows)


def levels_table(side: SideQC) -> Table:
    """Before (capture) and after (each copy), a column a file."""
    levels = side.measurement.levels
    copies = [copy for copy in side.copies if copy.kind is not CopyKind.PRESERVATION]
    head = ("What", "Capture", *(f"{copy.kind.value.capitalize()} copy" for copy in copies))
    rows: list[tuple[Cell, ...]] = [
        ("Integrated loudness", reading(levels.integrated_lufs, "LUFS", 1), *(_lufs(c) for c in copies)),
        ("True peak", reading(levels.true_peak_dbtp, "dBTP", 1), *(_peak(c) for c in copies)),
        ("Gain on the way", _EMPTY, *(reading(c.gain_db, "dB", 2, signed=True) for c in copies)),
        ("Duration", clock(side.measurement.capture.duration_s, 1), *(clock(c.duration_s, 1) for c in copies)),
    ]
    only_capture = (
        ("Loudness of the programme", reading(levels.programme_lufs, "LUFS", 1)),
        ("Sample peak", reading(levels.sample_peak_dbfs, "dBFS", 1)),
        ("Loudness range", reading(levels.loudness_range_lu, "LU", 1)),
        ("Hiss floor", reading(levels.hiss_floor_dbfs, "dBFS", 1)),
        ("Electronics floor", reading(levels.electronics_floor_dbfs, "dBFS", 1)),
        ("DC offset", reading(levels.dc_offset_percent, "%", 3, signed=True)),
        ("DC wanders by at least", reading(levels.dc_wander_percent, "%", 3)),
    )
    rows += [(name, cell, *(_EMPTY for _ in copies)) for name, cell in only_capture]
    return Table("Levels before and after", head, tuple(rows))


def channels_table(side: SideQC) -> Table:
    channels = side.measurement.channels
    rows = (
        ("Layout", channels.layout.value.replace("-", " ")),
        ("Balance, right minus left", reading(channels.balance_db, "dB", 1, signed=True)),
        ("Right later than left by", reading(channels.delay_us, "µs", 1, signed=True)),
        ("Standard error of that delay", doubt(channels.delay_uncertainty_us, "µs", 1)),
        ("Correlation", reading(channels.correlation, "", 2)),
        *_treble_rows(side),
        *_print_rows(side),
    )
    return Table("Channels, treble, print-through", ("What", "Reading"), rows)


def _treble_rows(side: SideQC) -> tuple[tuple[str, Cell], ...]:
    treble = side.measurement.treble
    if isinstance(treble, NotMeasured):
        return (("Treble", treble),)
    return (
        ("Programme reaches up to", reading(treble.programme_edge_hz, "Hz", 0)),
        ("Tape hiss reaches up to", reading(treble.hiss_edge_hz, "Hz", 0)),
    )


def _print_rows(side: SideQC) -> tuple[tuple[str, Cell], ...]:
    printed = side.measurement.print_through
    if isinstance(printed, NotMeasured):
        return (("Print-through", printed),)
    if not printed.count:
        return (("Print-through", reading(printed.level_db, "dB", 0)),)
    return (
        ("Print-through, against the loud start", reading(printed.level_db, "dB", 0)),
        ("Print-through, earlier by", reading(printed.lag_s, "s", 2)),
    )


def hum_table(side: SideQC) -> Table:
    rows = tuple(
        (reading(line.hz, "Hz", 2), reading(line.level_dbfs, "dBFS", 1), line.origin.value)
        for line in side.measurement.hum
    )
    return Table("Hum", ("Line", "Level", "Comes from"), rows)


def regions_table(side: SideQC, most: int) -> Table:
    regions = side.measurement.regions
    rows = tuple(
        (region.kind.value, clock(region.start_s, 1), clock(region.stop_s, 1), clock(region.stop_s - region.start_s, 1))
        for region in regions[:most]
    )
    left = len(regions) - most
    return Table("Regions", ("Kind", "From", "To", "Length"), rows, f"And {left} more." if left > 0 else "")


def decisions_table(side: SideQC) -> Table:
    d = side.decisions
    gain = "to the target" if d.gain.access_db is None else reading(d.gain.access_db, "dB", 2, signed=True)
    values: tuple[tuple[str, str, By, str], ...] = (
        (
            "Speed ratio",
            f"{number(d.speed.ratio, 6)}, from {SOURCE_WORDS[d.speed.source]}",
            d.speed.by,
            typeset(d.speed.why),
        ),
        ("Cut", f"{clock(d.cut.start_s, 2)} to {clock(d.cut.stop_s, 2)}", d.cut.by, typeset(d.cut.why)),
        ("Channels", CHANNEL_WORDS[d.channels.use], d.channels.by, typeset(d.channels.why)),
        ("Equalisation", _equalisation(d.equalisation), d.equalisation.by, typeset(d.equalisation.why)),
        (
            "Gain",
            f"access {gain} ({number(d.gain.target_lufs, 1)} LUFS, at most {number(d.gain.ceiling_dbtp, 1)} dBTP), "
            f"master {number(d.gain.master_db, 2, signed=True)} dB",
            d.gain.by,
            typeset(d.gain.why),
        ),
    )
    rows = tuple((name, value, _BY_WORDS[by], why) for name, value, by, why in values)
    return Table(f"Decisions, revision {d.revision}", ("What", "Value", "By", "Why"), rows, f"{d.made}: {d.reason}")


def capture_table(side: SideQC) -> Table:
    facts = side.measurement.capture
    channels = {1: "mono", 2: "stereo"}.get(facts.channels, f"{facts.channels} channels")
    rows = (
        ("File", facts.path),
        ("Format", f"{facts.encoding.value}, {facts.sample_rate_hz} Hz, {channels}"),
        ("Length", f"{clock(facts.duration_s, 2)} ({facts.frames} frames)"),
        ("SHA-256 of the file", facts.sha256),
        ("SHA-256 of the samples", facts.audio_sha256),
    )
    return Table("The capture", ("What", "Fact"), rows)


def copies_table(side: SideQC) -> Table:
    rows = tuple(
        (
            copy.kind.value,
            copy.path,
            f"{copy.encoding}, {copy.sample_rate_hz} Hz, {copy.channels} ch",
            f"{copy.bytes / 1e6:.1f}{NBSP}MB",
            copy.sha256,
            copy.audio_sha256,
            copy.made_with,
        )
        for copy in side.copies
    )
    return Table(
        "Copies and checksums",
        ("Copy", "File", "Format", "Size", "SHA-256 of the file", "… of the audio", "Made with"),
        rows,
    )


def _lufs(copy: CopyRecord) -> Cell:
    return reading(copy.integrated_lufs, "LUFS", 1)


def _peak(copy: CopyRecord) -> Cell:
    return reading(copy.true_peak_dbtp, "dBTP", 1)


def _equalisation(decision: EqualisationDecision) -> str:
    if decision.changes:
        return f"from {decision.deck_us:g} µs to {decision.tape_us:g} µs"
    return "unchanged"
