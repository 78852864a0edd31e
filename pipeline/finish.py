"""The last stage of a tape: its QC record, its page, its seal, and the change of place into the archive."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pipeline import __version__
from pipeline.ahead import Tell
from pipeline.archive import Archive, TapeFolder
from pipeline.capture import open_capture
from pipeline.deck import Deck
from pipeline.errors import ArchiveError, CaptureError
from pipeline.files import whole_file, write_text_whole
from pipeline.judge import worst_verdict
from pipeline.overview import Overview, read_overview
from pipeline.qc import SCHEMA, CopyKind, FailedSide, SideQC, Signature, TapeQC, Verdict
from pipeline.records import NotMeasured, from_plain, to_plain
from pipeline.report.contents import SidePage, TapePage
from pipeline.report.criteria import ReportCriteria
from pipeline.report.excerpts import Listening, Sound, cut_listening
from pipeline.report.page import write_report
from pipeline.seal import write_seal
from pipeline.sheet import SideRow
from pipeline.source import TapeSource, read_source


@dataclass(frozen=True)
class Finished:
    tape: str
    verdict: Verdict


def finish(root: Path, archive: Path, qc: TapeQC, now: datetime, tell: Tell) -> Finished:
    """Write qc.json and report.html, seal the working folder and put it in its place.

    Where a worker is killed an engine may ask another one for the same. If the first had just put the tape in place,
    there is nothing left to do.
    """
    if not root.exists() and read_qc(Archive(archive).sealed(qc.tape)) == qc:
        return Finished(qc.tape, qc.verdict)
    write_pages(TapeFolder(root), archive, qc, now)
    tell(0.7)
    source, deck = read_source(TapeFolder(root))
    write_seal(TapeFolder(root), bag_facts(source, deck, qc, now), [copy for side in qc.sides for copy in side.copies])
    Archive(archive).publish(qc.tape)
    return Finished(qc.tape, qc.verdict)


def tape_qc(
    tape: str, sides: Sequence[SideQC], failed: Sequence[FailedSide], signed: Signature | None = None
) -> TapeQC:
    """The tape's record: the worst side decides, and a side that could not be processed fails the tape."""
    verdicts = [side.verdict for side in sides] + [Verdict.FAIL] * bool(failed)
    ordered = tuple(sorted(sides, key=lambda side: side.side))
    return TapeQC(SCHEMA, tape, worst_verdict(verdicts), ordered, tuple(failed), signed)


def read_qc(folder: TapeFolder) -> TapeQC:
    """Raises ArchiveError when the tape's QC record cannot be used."""
    path = folder.qc / "qc.json"
    try:
        document = json.loads(path.read_text("utf-8"))
        if document.get("schema") != SCHEMA:
            raise ValueError(f"expected schema {SCHEMA}, found {document.get('schema')!r}")
        return from_plain(TapeQC, document)
    except (OSError, ValueError, AttributeError) as exc:
        raise ArchiveError(f"{path}: cannot be used as a QC record: {exc}") from exc


def write_pages(folder: TapeFolder, archive: Path, qc: TapeQC, now: datetime) -> tuple[Path, Path]:
    """``qc.json`` and ``report.html`` from the records, the pictures and the copies in ``folder``."""
    source, deck = read_source(folder)
    criteria = source.settings.report
    text = json.dumps(to_plain(qc), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    record = write_text_whole(folder.qc / "qc.json", text)
    page = TapePage(
        tape=qc.tape,
        title=source.rows[0].title or qc.tape,
        verdict=qc.verdict,
        archive=str(archive),
        made=now.isoformat(sep=" ", timespec="minutes"),
        words=box_words(source),
        provenance=provenance(deck, qc),
        sides=tuple(_side_page(folder, side, source.row(side.side), criteria) for side in qc.sides),
        failed=qc.failed,
        signed=qc.signed,
    )
    report = folder.qc / "report.html"
    with whole_file(report) as partial:
        write_report(page, partial, criteria.page)
    return record, report


def _side_page(folder: TapeFolder, side: SideQC, row: SideRow, criteria: ReportCriteria) -> SidePage:
    return SidePage(
        qc=side,
        words=side_words(row),
        overview=_overview(folder, side.side),
        tuning_cents=side.measurement.tuning_cents,
        listening=_listening(folder, side, criteria),
    )


def _overview(folder: TapeFolder, side: str) -> Overview | NotMeasured:
    try:
        return read_overview(folder.qc, side)
    except ArchiveError as exc:
        return NotMeasured(f"the pictures of this side cannot be read: {exc}")


def _listening(folder: TapeFolder, side: SideQC, criteria: ReportCriteria) -> tuple[Listening, ...]:
    paths = {copy.kind: folder.root / copy.path for copy in side.copies}
    before, after = _sound(paths.get(CopyKind.PRESERVATION)), _sound(paths.get(CopyKind.MASTER))
    return () if before is None else cut_listening(side, before, after, criteria.excerpts)


def _sound(path: Path | None) -> Sound | None:
    if path is None:
        return None
    try:
        copy = open_capture(path)
    except CaptureError:
        return None
    hz = copy.sample_rate_hz
    return Sound(lambda start_s, stop_s: copy.read_float32(round(start_s * hz), round(stop_s * hz)), hz)


def box_words(source: TapeSource) -> dict[str, str]:
    box = source.box
    words = {"Box": box.title or box.id, "Owner": box.owner, "Rights": box.rights, "Language": box.language}
    return {label: text for label, text in words.items() if text}


def side_words(row: SideRow) -> dict[str, str]:
    """The sheet's words, in the order a person reads them."""
    words = {
        "Title": row.title,
        "Creator": row.creator,
        "Date": row.date,
        "Place": row.place,
        "Subject": row.subject,
        "Tape": " ".join(text for text in (row.length, f"type {row.tape_type.value}" if row.tape_type else "") if text),
        "Index": "; ".join(f"{note.counter} {note.text}".strip() for note in row.index),
        "Notes": row.notes,
        **row.extra,
    }
    return {label: text for label, text in words.items() if text}


def provenance(deck: Deck, qc: TapeQC) -> Mapping[str, dict[str, str]]:
    """Deck, its parts, its service log and the software, heading by heading."""
    machine = {
        "Label": deck.label,
        "Model": deck.model,
        "Year": deck.year,
        "Serial": deck.serial,
        "Power": deck.power.value if deck.power else "",
        "Head": deck.head.value if deck.head else "",
        "Replay equalisation": f"{deck.replay_equalisation_us:g} µs" if deck.replay_equalisation_us else "not declared",
    }
    parts = {part.name: _part_size(part.diameter_mm, part.length_mm) for part in deck.parts}
    service: dict[str, str] = {}
    for entry in deck.service:
        day = str(entry.date)
        service[day] = f"{service[day]}; {entry.work}" if day in service else entry.work
    headed = {
        "Deck": {label: text for label, text in machine.items() if text},
        "Rotating parts": parts,
        "Service log": service,
        "Software": {f"{copy.kind.value} copy": copy.made_with for copy in (qc.sides[0].copies if qc.sides else ())},
    }
    return {heading: rows for heading, rows in headed.items() if rows}


def _part_size(diameter_mm: float | None, length_mm: float | None) -> str:
    sizes = [
        f"{diameter_mm:g} mm across" if diameter_mm is not None else "",
        f"{length_mm:g} mm long" if length_mm is not None else "",
    ]
    return ", ".join(size for size in sizes if size) or "size not declared"


def bag_facts(source: TapeSource, deck: Deck, qc: TapeQC, now: datetime) -> dict[str, str]:
    """bag-info.txt: the reserved labels of RFC 8493 where they fit, and feltpad's own."""
    first = source.rows[0]
    revisions = ", ".join(f"{side.side} {side.revision}" for side in qc.sides)
    return {
        "Source-Organization": source.box.owner,
        "External-Description": f"Cassette {qc.tape}: {first.title}" if first.title else f"Cassette {qc.tape}",
        "External-Identifier": qc.tape,
        "Bag-Group-Identifier": source.box.id,
        "Bagging-Date": now.date().isoformat(),
        "Rights": source.box.rights,
        "Deck": " ".join(text for text in (deck.label, deck.model, deck.serial) if text),
        "Verdict": qc.verdict.value,
        "Decision-Revisions": revisions,
        "Bag-Software-Agent": f"feltpad {__version__}",
    }
