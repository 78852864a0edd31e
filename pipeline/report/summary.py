"""The box at a glance: ``index.html``, ``summary.csv``, ``summary.json``, and plain rows for the terminal."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from pipeline.overview import Overview
from pipeline.qc import CopyKind, FailedSide, Severity, SideQC, Verdict
from pipeline.records import NotMeasured, Reading, to_plain
from pipeline.report import words
from pipeline.report.criteria import SummaryCriteria
from pipeline.report.findings import count_severities, group_findings
from pipeline.report.page import render, source_hash
from pipeline.report.pictures import data_uri, envelope_picture
from pipeline.report.speed_chart import ChartPoint, draw_speed_chart
from pipeline.twins import Twins

SCHEMA = "feltpad.summary/1"
_SCRIPT = Path(__file__).parent / "templates" / "sort.js"
_NO_COPY = NotMeasured("there is no access copy")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@dataclass(frozen=True)
class SideSummary:
    """One side in one row.

    report         the tape's page, relative to the index; "" where there is none
    deck, date     the deck's label and the day of the capture (ISO), "" where not known: sides of a deck are charted
                   in order of date, so that a belt going soft is seen
    revision       0: the side could not be processed
    error_percent  of the capture; ratio is what was applied
    capture_lufs, access_lufs  loudness before and after
    worst          the message of the worst finding, "" where nothing warns or fails
    left           warnings and failures nobody has settled yet; fails and warns count just those
    signed         who signed the tape off as it is now, "" where nobody has
    """

    tape: str
    side: str
    title: str
    deck: str
    date: str
    verdict: Verdict
    revision: int
    duration_s: Reading
    source: str
    error_percent: Reading
    uncertainty_percent: Reading
    ratio: Reading
    capture_lufs: Reading
    access_lufs: Reading
    weighted_flutter_percent: Reading
    fails: int
    warns: int
    infos: int
    worst: str
    report: str
    left: int
    signed: str


@dataclass(frozen=True)
class BoxSummary:
    """pictures  small waveforms (PNG), by (tape, side); a side may have none
    twins     sides that carry the same audio
    """

    box: str
    title: str
    made: str
    sides: tuple[SideSummary, ...]
    pictures: Mapping[tuple[str, str], bytes]
    twins: tuple[Twins, ...] = ()


@dataclass(frozen=True)
class _SummaryDocument:
    schema: str
    box: str
    title: str
    made: str
    sides: tuple[SideSummary, ...]
    twins: tuple[Twins, ...]


@dataclass(frozen=True)
class IndexRow:
    """A side as the index shows it."""

    side: SideSummary
    title: str
    sign: str
    picture: str
    duration: str
    error: str | NotMeasured
    source: str
    loudness: str | NotMeasured


def summarise_side(
    tape: str, side: SideQC, title: str, deck: str, date: str, report: str, signed: str = ""
) -> SideSummary:
    """The row of one side, from its record and the sheet's words."""
    counts = count_severities(side.findings)
    groups = group_findings(side.findings)
    access = next((copy for copy in side.copies if copy.kind is CopyKind.ACCESS), None)
    heard = access or (side.copies[-1] if side.copies else side.measurement.capture)
    speed = side.measurement.speed
    return SideSummary(
        tape=tape,
        side=side.side,
        title=title,
        deck=deck,
        date=date,
        verdict=side.verdict,
        revision=side.revision,
        duration_s=heard.duration_s,
        source=side.decisions.speed.source.value,
        error_percent=speed.error_percent,
        uncertainty_percent=speed.uncertainty_percent,
        ratio=side.decisions.speed.ratio,
        capture_lufs=side.measurement.levels.integrated_lufs,
        access_lufs=access.integrated_lufs if access else _NO_COPY,
        weighted_flutter_percent=side.measurement.flutter.weighted_peak_percent,
        fails=counts[Severity.FAIL],
        warns=counts[Severity.WARN],
        infos=counts[Severity.INFO],
        worst=groups[0].findings[0].message if counts[Severity.FAIL] + counts[Severity.WARN] else "",
        report=report,
        left=counts[Severity.FAIL] + counts[Severity.WARN],
        signed=signed,
    )


def summarise_failed(tape: str, failed: FailedSide, title: str, deck: str, date: str, report: str) -> SideSummary:
    """The row of a side that could not be processed: it must not be missed in the box."""
    no = NotMeasured("the side could not be processed")
    return SideSummary(
        tape=tape,
        side=failed.side,
        title=title,
        deck=deck,
        date=date,
        verdict=Verdict.FAIL,
        revision=0,
        duration_s=no,
        source="",
        error_percent=no,
        uncertainty_percent=no,
        ratio=no,
        capture_lufs=no,
        access_lufs=no,
        weighted_flutter_percent=no,
        fails=1,
        warns=0,
        infos=0,
        worst=failed.error,
        report=report,
        left=1,
        signed="",
    )


def summary_picture(overview: Overview, criteria: SummaryCriteria) -> bytes:
    """The small waveform that stands in a side's row."""
    return envelope_picture(overview, criteria.picture_columns, criteria.picture_rows)


def index_script_hash() -> str:
    """The script of the box's page as a policy names it: it may run, and no other."""
    return source_hash(_SCRIPT.read_text(encoding="utf-8"))


def write_index(box: BoxSummary, path: Path, criteria: SummaryCriteria) -> Path:
    """Write the box's page; returns ``path``."""
    points = [
        ChartPoint(f"{s.tape} {s.side}", s.deck, s.date, s.error_percent)
        for s in sorted(box.sides, key=lambda s: (s.deck, s.date, s.tape, s.side))
    ]
    pictures_fit = len(box.sides) <= criteria.pictures_most
    script = _SCRIPT.read_text(encoding="utf-8")
    html = render(
        "index.html.j2",
        {
            "box": box,
            "rows": [_index_row(side, box, criteria, pictures_fit) for side in box.sides],
            "counts": [(v, words.VERDICT_WORDS[v][0], sum(s.verdict is v for s in box.sides)) for v in Verdict],
            "tapes": len({side.tape for side in box.sides}),
            "left": sum(side.left for side in box.sides),
            "unsigned": len({side.tape for side in box.sides if not side.signed}),
            "length": words.in_all(sum(s.duration_s for s in box.sides if not isinstance(s.duration_s, NotMeasured))),
            "with_pictures": pictures_fit and bool(box.pictures),
            "verdict_words": words.VERDICT_WORDS,
            "signs": words.VERDICT_SIGNS,
            "twins": box.twins[: criteria.twins_most],
            "more_twins": max(0, len(box.twins) - criteria.twins_most),
            "chart": draw_speed_chart(points, criteria),
        },
        script,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(html, encoding="utf-8")
    return path


def write_summary_csv(box: BoxSummary, path: Path) -> Path:
    """One row a side, UTF-8 with a byte order mark, safe to open in a spreadsheet.

    Text that a spreadsheet would run as a formula gets a leading apostrophe; numbers stay numbers. What was not
    measured is an empty cell, and the reason stands in the last column.
    """
    names = [field.name for field in fields(SideSummary)]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*names, "not_measured"])
    for side in box.sides:
        values = {name: getattr(side, name) for name in names}
        reasons = "; ".join(f"{name}: {v.reason}" for name, v in values.items() if isinstance(v, NotMeasured))
        writer.writerow([*(_csv_cell(value) for value in values.values()), _csv_cell(reasons)])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text.getvalue(), encoding="utf-8-sig", newline="")
    return path


def write_summary_json(box: BoxSummary, path: Path) -> Path:
    """The same rows as one JSON document, with the reasons for what was not measured."""
    document = to_plain(_SummaryDocument(SCHEMA, box.box, box.title, box.made, box.sides, box.twins))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    return path


def summary_table(box: BoxSummary) -> tuple[tuple[str, ...], ...]:
    """Rows of short plain text for the terminal, the head first. Title and worst finding are last: they may be cut."""
    head = ("Tape", "Side", "Verdict", "Length", "Speed error", "Source", "Loudness", "Fail", "Warn", "Title", "Worst")
    return (head, *(_terminal_row(side) for side in box.sides))


def told_of_box(box: BoxSummary, most: int) -> tuple[str, ...]:
    """What is no matter of one side: sides captured twice, one line each, and how many more there are."""
    lines = [_one_line(pair.message) for pair in box.twins[:most]]
    left = len(box.twins) - most
    return (*lines, f"and {left} more sides captured twice: see summary.json") if left > 0 else tuple(lines)


def _terminal_row(side: SideSummary) -> tuple[str, ...]:
    return (
        side.tape,
        side.side,
        side.verdict.value,
        "-" if isinstance(side.duration_s, NotMeasured) else words.clock(side.duration_s),
        "-" if isinstance(side.error_percent, NotMeasured) else f"{side.error_percent:+.3f} %",
        side.source,
        "-" if isinstance(side.access_lufs, NotMeasured) else f"{side.access_lufs:.1f} LUFS",
        str(side.fails),
        str(side.warns),
        _one_line(side.title),
        _one_line(side.worst),
    )


def _index_row(side: SideSummary, box: BoxSummary, criteria: SummaryCriteria, pictures_fit: bool) -> IndexRow:
    picture = box.pictures.get((side.tape, side.side)) if pictures_fit else None
    title = _one_line(side.title)
    return IndexRow(
        side=side,
        title=title if len(title) <= criteria.title_characters else title[: criteria.title_characters - 1] + "…",
        sign=words.VERDICT_SIGNS[side.verdict],
        picture=data_uri(picture, "image/png") if picture else "",
        duration="" if isinstance(side.duration_s, NotMeasured) else words.clock(side.duration_s),
        error=words.reading(side.error_percent, "%", 3, signed=True),
        source=side.source,
        loudness=words.reading(side.access_lufs, "", 1),
    )


def _one_line(text: str) -> str:
    """Without line breaks and control characters, which would break a row (or steer a terminal)."""
    return "".join(c if c.isprintable() or c in "\u200d\u200e\u200f" else " " for c in " ".join(text.split()))


def _csv_cell(value: object) -> str:
    if isinstance(value, NotMeasured):
        return ""
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    text = str(value)
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text
