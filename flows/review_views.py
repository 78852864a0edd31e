"""What the review page of a tape shows, as plain values for its template; every text is escaped there."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jinja2

import pipeline.report
from flows.review_box import url_of
from flows.settle import qc_now
from pipeline.again import speed_from
from pipeline.archive import Archive
from pipeline.at_a_glance import read_twins
from pipeline.errors import DecisionError
from pipeline.qc import CopyKind, Finding, Severity, SideQC, TapeQC
from pipeline.report import words
from pipeline.report.excerpts import sounds_different
from pipeline.report.findings import FindingGroup, group_findings
from pipeline.settling import count_open, is_open
from pipeline.side_job import SideJob
from pipeline.source import read_source
from pipeline.speed import SpeedSource

PAGES = Path(__file__).parent / "review_pages"
REPORT_STYLE = Path(pipeline.report.__file__).parent / "templates" / "style.css"
SHOWN_OF_A_KIND = 12  # the worst; more of a kind are settled together
BEFORE_S, LEAST_S, MOST_S = 1.3, 4.0, 15.0  # what is heard of a finding


@dataclass(frozen=True)
class FindingView:
    """One finding. ``at`` names it in an answer, "" for one without a moment; ``hear`` is (start_s, stop_s).

    corrected  whether it is in the master too, and sounds otherwise there
    """

    finding: Finding
    at: str
    sign: str
    where: str
    measured: str
    hear: tuple[float, float] | None
    corrected: bool


@dataclass(frozen=True)
class KindView:
    """Findings of one kind. ``left`` of them are open, ``rest`` are not shown; settled: every one was answered."""

    group: FindingGroup
    sign: str
    left: int
    rows: tuple[FindingView, ...]
    rest: int
    settled: bool


@dataclass(frozen=True)
class SpeedChoice:
    """A source the speed can be taken from. ``trouble``: why it cannot."""

    source: str
    name: str
    says: str
    trouble: str


@dataclass(frozen=True)
class SideView:
    """data: JSON for the drawing; see ``stage.js``."""

    qc: SideQC
    id: str
    left: int
    kinds: tuple[KindView, ...]
    speeds: tuple[SpeedChoice, ...]
    read_hz: str
    true_hz: str
    channels: tuple[tuple[str, str], ...]
    data: str


@dataclass(frozen=True)
class TapeView:
    """twins: which of its sides carry the same audio as another, in words."""

    qc: TapeQC
    title: str
    left: int
    sides: tuple[SideView, ...]
    verdict: tuple[str, str]
    sign: str
    url: str
    report: str
    twins: tuple[str, ...]


def tape_view(archive: Archive, tape: str) -> TapeView:
    """Everything the page of a tape shows. Raises ArchiveError."""
    qc = qc_now(archive, tape)
    folder = archive.require(tape)
    source, deck = read_source(folder)
    sides = tuple(
        _side_view(f"s{number}", side, SideJob(source, deck, source.row(side.side), None))
        for number, side in enumerate(qc.sides, 1)
    )
    return TapeView(
        qc=qc,
        title=source.rows[0].title or tape,
        left=count_open(qc),
        sides=sides,
        verdict=words.VERDICT_WORDS[qc.verdict],
        sign=words.VERDICT_SIGNS[qc.verdict],
        url=url_of(tape),
        report=f"/archive/{quote(tape, safe='')}/data/qc/report.html",
        twins=tuple(pair.message for pair in read_twins(archive) if tape in (pair.tape, pair.like_tape)),
    )


def render(template: str, values: Mapping[str, object]) -> str:
    return _environment().get_template(template).render(**values, today=date.today().isoformat())


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(PAGES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["with_code"] = words.with_code
    environment.globals["verdict_signs"] = words.VERDICT_SIGNS
    return environment


def _side_view(id: str, side: SideQC, job: SideJob) -> SideView:
    speed = side.decisions.speed
    uses = words.CHANNEL_WORDS.items() if side.measurement.capture.channels == 2 else ()
    return SideView(
        qc=side,
        id=id,
        left=sum(map(is_open, side.findings)),
        kinds=tuple(_kind_view(group, side) for group in sorted(group_findings(side.findings), key=_as_judged)),
        speeds=_speed_choices(side, job),
        read_hz=f"{speed.read_hz:.8g}" if speed.read_hz else "",
        true_hz=f"{speed.true_hz:.8g}" if speed.true_hz else "",
        channels=tuple((use.value, text) for use, text in uses),
        data=json.dumps(_drawing(side, job)),
    )


def _as_judged(group: FindingGroup) -> tuple[int, int, str]:
    """The order on the page: a kind stays where it is when its findings are settled."""
    order = (Severity.FAIL, Severity.WARN, Severity.INFO)
    return min(order.index(finding.severity) for finding in group.findings), -len(group.findings), group.code


def _kind_view(group: FindingGroup, side: SideQC) -> KindView:
    shown = group.findings[:SHOWN_OF_A_KIND]
    return KindView(
        group=group,
        sign=words.SEVERITY_SIGNS[group.severity],
        left=sum(map(is_open, group.findings)),
        rows=tuple(_finding_view(f, side) for f in sorted(shown, key=lambda f: f.start_s or 0.0)),
        rest=len(group.findings) - len(shown),
        settled=all(finding.settled for finding in group.findings),
    )


def _finding_view(finding: Finding, side: SideQC) -> FindingView:
    hear = None
    if finding.start_s is not None:
        start_s = max(0.0, finding.start_s - BEFORE_S)
        stop_s = min(max(start_s + LEAST_S, (finding.stop_s or finding.start_s) + BEFORE_S), start_s + MOST_S)
        hear = (start_s, min(stop_s, side.measurement.capture.duration_s))
    return FindingView(
        finding=finding,
        at="" if finding.start_s is None else repr(finding.start_s),
        sign="✓" if finding.settled else words.SEVERITY_SIGNS[finding.severity],
        where=words.span(finding.start_s, finding.stop_s),
        measured=words.beside_limit(finding),
        hear=hear,
        corrected=hear is not None and _is_in_the_master(hear, side),
    )


def _is_in_the_master(hear: tuple[float, float], side: SideQC) -> bool:
    cut = side.decisions.cut
    return sounds_different(side.decisions) and hear[0] < cut.stop_s and hear[1] > cut.start_s


def _speed_choices(side: SideQC, job: SideJob) -> tuple[SpeedChoice, ...]:
    choices = []
    for source, name in (
        (SpeedSource.TONE, "a tone on this capture"),
        (SpeedSource.BENCH, "the deck's test tape"),
        (SpeedSource.NONE, "as it was captured"),
    ):
        try:
            decision = speed_from(source, job, side.measurement)
            says, trouble = f"ratio {decision.ratio:.6f}", ""
        except DecisionError as exc:
            says, trouble = "", str(exc)
        choices.append(SpeedChoice(source.value, name, says, trouble))
    return tuple(choices)


def _drawing(side: SideQC, job: SideJob) -> dict[str, Any]:
    facts, cut = side.measurement.capture, side.decisions.cut
    marks = [
        [f.start_s, f.stop_s if f.stop_s is not None else f.start_s, f.counts_as.value]
        for f in sorted(side.findings, key=lambda f: list(Severity).index(f.counts_as))
        if f.start_s is not None
    ]
    return {
        "side": side.side,
        "duration_s": facts.duration_s,
        "cut": [cut.start_s, cut.stop_s],
        "regions": [[r.kind.value, r.start_s, r.stop_s] for r in side.measurement.regions],
        "marks": marks,
        "master": any(copy.kind is CopyKind.MASTER for copy in side.copies),
        "floor_dbfs": job.source.settings.report.overview.floor_dbfs,
        "range_db": job.source.settings.report.page.picture_range_db,
    }
