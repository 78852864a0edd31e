"""What a tape's page is made from: the records, the sheet's words, the pictures and the excerpts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.overview import Overview
from pipeline.qc import FailedSide, SideQC, Signature, Verdict
from pipeline.records import NotMeasured, Reading
from pipeline.report.excerpts import Listening

Words = Mapping[str, str]  # label to text, in the order to be shown


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
    signed      the sign-off that holds for the tape as it is
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
    signed: Signature | None = None
