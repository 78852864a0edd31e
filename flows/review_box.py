"""What the review's list of all tapes shows, as plain values for its template; every text is escaped there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from flows.settle import qc_now
from pipeline.archive import Archive
from pipeline.at_a_glance import DOCUMENT, read_twins
from pipeline.errors import ArchiveError
from pipeline.overview import read_overview
from pipeline.qc import SideQC, Verdict
from pipeline.report import words
from pipeline.report.pictures import data_uri
from pipeline.report.summary import summary_picture
from pipeline.settling import count_open
from pipeline.source import TapeSource, read_source

TWINS_MOST = 20  # pairs of sides captured twice; the index has more


@dataclass(frozen=True)
class RowSide:
    side: str
    verdict: Verdict
    sign: str
    length: str
    picture: str


@dataclass(frozen=True)
class TapeRow:
    """A tape in the list. ``trouble``: why its record cannot be read."""

    tape: str
    url: str
    title: str
    verdict: Verdict
    sign: str
    left: int
    signed: str
    sides: tuple[RowSide, ...]
    failed: tuple[str, ...]
    trouble: str


@dataclass(frozen=True)
class BoxView:
    """left and unsigned: findings to settle and tapes to sign off. twins: sides captured twice, in words."""

    rows: tuple[TapeRow, ...]
    left: int
    unsigned: int
    twins: tuple[str, ...]
    more_twins: int


def box_view(archive: Archive, rows: tuple[TapeRow, ...]) -> BoxView:
    """What the list of tapes shows above and around its rows."""
    twins = read_twins(archive)
    return BoxView(
        rows=rows,
        left=sum(row.left for row in rows),
        unsigned=sum(not row.signed for row in rows),
        twins=tuple(pair.message for pair in twins[:TWINS_MOST]),
        more_twins=max(0, len(twins) - TWINS_MOST),
    )


class BoxList:
    """The list of tapes; a tape is read again only when it has changed."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._kept: dict[str, tuple[str, TapeRow]] = {}

    def rows(self) -> tuple[TapeRow, ...]:
        kept = {}
        for tape in self._archive.tapes():
            version = version_of(self._archive, tape)
            known = self._kept.get(tape)
            kept[tape] = known if known and known[0] == version else (version, self._row(tape))
        self._kept = kept
        return tuple(row for _, row in kept.values())

    def version(self) -> str:
        """Another text whenever any tape, or the summary of all, has changed."""
        tapes = tuple((tape, version_of(self._archive, tape)) for tape in self._archive.tapes())
        return str(hash((tapes, _changed(self._archive.root / DOCUMENT))))

    def _row(self, tape: str) -> TapeRow:
        try:
            qc, (source, _) = qc_now(self._archive, tape), read_source(self._archive.sealed(tape))
        except ArchiveError as exc:
            fail = Verdict.FAIL
            return TapeRow(tape, "", "", fail, words.VERDICT_SIGNS[fail], 0, "", (), (), str(exc))
        return TapeRow(
            tape=tape,
            url=url_of(tape),
            title=source.rows[0].title,
            verdict=qc.verdict,
            sign=words.VERDICT_SIGNS[qc.verdict],
            left=count_open(qc),
            signed=f"{qc.signed.name}, {qc.signed.on[:10]}" if qc.signed else "",
            sides=tuple(self._side(tape, side, source) for side in qc.sides),
            failed=tuple(side.side for side in qc.failed),
            trouble="",
        )

    def _side(self, tape: str, side: SideQC, source: TapeSource) -> RowSide:
        try:
            overview = read_overview(self._archive.sealed(tape).qc, side.side)
            picture = data_uri(summary_picture(overview, source.settings.report.summary), "image/png")
        except ArchiveError:
            picture = ""
        length = words.clock(side.measurement.capture.duration_s)
        return RowSide(side.side, side.verdict, words.VERDICT_SIGNS[side.verdict], length, picture)


def neighbours(rows: Sequence[TapeRow], tape: str) -> tuple[str, str]:
    """Addresses of the tapes before and after this one that are not done with; "" where there is none."""
    names = [row.tape for row in rows]
    here = names.index(tape) if tape in names else 0
    waiting = [(number, row.url) for number, row in enumerate(rows) if row.url and (row.left or not row.signed)]
    before = [url for number, url in waiting if number < here]
    after = [url for number, url in waiting if number > here]
    return (before[-1] if before else "", after[0] if after else "")


def version_of(archive: Archive, tape: str) -> str:
    """Another text whenever the tape's record or the answers to it have changed."""
    places = (archive.sealed(tape).qc / "qc.json", archive.state / "settling" / tape / "settled.toml")
    return "-".join(map(_changed, places))


def _changed(place: Path) -> str:
    return str(place.stat().st_mtime_ns) if place.exists() else "0"


def url_of(tape: str) -> str:
    return f"/tape/{quote(tape, safe='')}"
