"""The numbers we chose for the pages: ``config/report.toml``, table by table. They change no measurement."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.overview import OverviewCriteria
from pipeline.twins import TwinCriteria


@dataclass(frozen=True)
class ExcerptCriteria:
    """place_s, finding_s  length of an excerpt at head, middle and tail, and around a finding
    findings_most   findings of one side that get an excerpt
    fade_ms         fade at both ends
    format          "mp3" or "opus"
    mono_kbps, stereo_kbps, rate_hz  how small
    picture_columns, picture_rows  size of the excerpt's spectrogram
    """

    place_s: float
    finding_s: float
    findings_most: int
    fade_ms: int
    format: str
    mono_kbps: int
    stereo_kbps: int
    rate_hz: int
    picture_columns: int
    picture_rows: int


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
    twins_most        pairs of sides with the same audio that are named
    twins             how those are told
    """

    pictures_most: int
    picture_columns: int
    picture_rows: int
    title_characters: int
    outliers_most: int
    outlier_percent: float
    twins_most: int
    twins: TwinCriteria


@dataclass(frozen=True)
class ReportCriteria:
    """``config/report.toml``, table by table."""

    overview: OverviewCriteria
    excerpts: ExcerptCriteria
    page: PageCriteria
    summary: SummaryCriteria
