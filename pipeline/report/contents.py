"""What a tape's page is made from: the records, the sheet's words, the pictures and the excerpts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.overview import Overview, OverviewCriteria
from pipeline.qc import FailedSide, SideQC, Verdict
from pipeline.records import NotMeasured, Reading
from pipeline.report.excerpts import ExcerptCriteria, Listening

Words = Mapping[str, str]  # label to text, in the order to be shown


@dataclass(frozen=True)
class PageCriteria:
    """worst_per_kind    findings of one kind that are shown; the rest are counted
    reasons_most      lines under the verdict
    regions_most      rows in the table of regions
    marks_apart       closest two marks on the timeline, of 1000 across
    sound_bytes_most  base64 characters of excerpts in one page
    picture_range_db  from the spectrogram's darkest to paper white
    """

    worst_per_kind: int
    reasons_most: int
    regions_most: int
    marks_apart: float
    sound_bytes_most: int
    picture_range_db: float


@dataclass(frozen=True)
class SummaryCriteria:
    """pictures_most     rows that get a small picture
    picture_columns, picture_rows  its size
    title_characters  longer titles are cut in the index
    outliers_most, outlier_percent  how many sides the chart names, and how far from their deck's middle
    """

    pictures_most: int
    picture_columns: int
    picture_rows: int
    title_characters: int
    outliers_most: int
    outlier_percent: float


@dataclass(frozen=True)
class ReportCriteria:
    """``config/report.toml``, table by table."""

    overview: OverviewCriteria
    excerpts: ExcerptCriteria
    page: PageCriteria
    summary: SummaryCriteria


@dataclass(frozen=True)
class SidePage:
    """One side.

    words         what the sheet says of this side: title, creator, date, notes …
    overview      NotMeasured where the pictures were lost
    tuning_cents  how far the music stands from A = 440 Hz as captured: advice, never applied
    listening     the excerpts, as `cut_listening` made them
    """

    qc: SideQC
    words: Words
    overview: Overview | NotMeasured
    tuning_cents: Reading
    listening: tuple[Listening, ...]


@dataclass(frozen=True)
class TapePage:
    """One tape.

    archive     the archive's folder as it is to be typed in commands
    words       what the sheet says of the whole tape and of the box
    provenance  heading to rows: deck, its parts, its service log, software versions
    failed      sides that could not be processed
    made        when the page was made, as text
    """

    tape: str
    title: str
    verdict: Verdict
    archive: str
    made: str
    words: Words
    provenance: Mapping[str, Words]
    sides: tuple[SidePage, ...]
    failed: tuple[FailedSide, ...]
