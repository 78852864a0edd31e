"""The archive's own summary, made from what the sealed tapes say of themselves."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.archive import Archive
from pipeline.errors import ArchiveError
from pipeline.files import whole_file
from pipeline.finish import read_qc
from pipeline.overview import read_overview
from pipeline.qc import FailedSide, SideQC
from pipeline.records import validated
from pipeline.report.criteria import SummaryCriteria
from pipeline.report.summary import (
    BoxSummary,
    SideSummary,
    summarise_failed,
    summarise_side,
    summary_picture,
    write_index,
    write_summary_csv,
    write_summary_json,
)
from pipeline.sketches import read_balance, read_sketches
from pipeline.source import read_source
from pipeline.twins import Twins, find_twins, with_channels

Array = np.ndarray[Any, Any]

DOCUMENT = "summary.json"


@dataclass(frozen=True)
class _Told:
    """What is read of the document again."""

    twins: tuple[Twins, ...]


def read_summary(
    archive: Archive, criteria: SummaryCriteria, now: datetime, lost: Sequence[tuple[str, FailedSide]] = ()
) -> BoxSummary:
    """One row a side of every sealed tape. ``lost``: sides of tapes that could not be sealed at all."""
    rows: list[SideSummary] = []
    boxes: dict[str, str] = {}
    made: list[tuple[str, SideQC]] = []
    for tape in archive.tapes():
        folder = archive.sealed(tape)
        qc = read_qc(folder)
        source, deck = read_source(folder)
        boxes[source.box.id] = source.box.title or source.box.id
        report = f"{tape}/{folder.relative(folder.qc / 'report.html')}"
        for side in qc.sides:
            row = source.row(side.side)
            made.append((tape, side))
            signed = qc.signed.name if qc.signed else ""
            rows.append(summarise_side(tape, side, row.title, deck.label, row.date_iso or "", report, signed))
        rows += [summarise_failed(tape, side, "", deck.label, "", report) for side in qc.failed]
    rows += [summarise_failed(tape, side, "", "", "", "") for tape, side in lost]
    pictures = _pictures(archive, rows, criteria) if len(rows) <= criteria.pictures_most else {}
    return BoxSummary(
        ", ".join(boxes), ", ".join(boxes.values()), _shown(now), tuple(rows), pictures, _twins(archive, made, criteria)
    )


def _twins(archive: Archive, made: Sequence[tuple[str, SideQC]], criteria: SummaryCriteria) -> tuple[Twins, ...]:
    """Sides captured twice. Few are, so their balance is read only then."""
    found = find_twins(read_sketches(archive, made, criteria.twins.outline), criteria.twins)
    sides = {(tape, side.side): side for tape, side in made}

    def balance(tape: str, side: str) -> Array:
        return read_balance(archive, tape, sides[tape, side], criteria.twins.outline)

    return tuple(
        pair
        if pair.faster_percent is None
        else with_channels(pair, balance(pair.tape, pair.side), balance(pair.like_tape, pair.like_side), criteria.twins)
        for pair in found
    )


def write_summary(archive: Archive, summary: BoxSummary, criteria: SummaryCriteria) -> tuple[Path, Path, Path]:
    """``index.html``, ``summary.csv`` and ``summary.json``."""
    index, table, document = (archive.root / name for name in ("index.html", "summary.csv", DOCUMENT))
    with whole_file(index) as partial:
        write_index(summary, partial, criteria)
    with whole_file(table) as partial:
        write_summary_csv(summary, partial)
    with whole_file(document) as partial:
        write_summary_json(summary, partial)
    return index, table, document


def read_twins(archive: Archive) -> tuple[Twins, ...]:
    """Sides captured twice, as the last summary told them, of tapes still here; none where it cannot be read."""
    try:
        told = validated(_Told, json.loads((archive.root / DOCUMENT).read_text(encoding="utf-8")))
    except (OSError, ValueError, RecursionError):
        return ()
    tapes = set(archive.tapes())
    return tuple(pair for pair in told.twins if {pair.tape, pair.like_tape} <= tapes)


def _pictures(archive: Archive, rows: Sequence[SideSummary], criteria: SummaryCriteria) -> dict[tuple[str, str], bytes]:
    made = [(row.tape, row.side) for row in rows if row.revision]  # 0: it could not be processed
    found = {(tape, side): _picture(archive.sealed(tape).qc, side, criteria) for tape, side in made}
    return {place: picture for place, picture in found.items() if picture is not None}


def _picture(folder: Path, side: str, criteria: SummaryCriteria) -> bytes | None:
    try:
        return summary_picture(read_overview(folder, side), criteria)
    except ArchiveError:
        return None


def _shown(now: datetime) -> str:
    return now.isoformat(sep=" ", timespec="minutes")
