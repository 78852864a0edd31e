"""The judgement: findings against the limits, and the verdict they add up to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.decisions import Decisions
from pipeline.measurement import Measurement
from pipeline.records import Reading

SCHEMA = "feltpad.qc/1"


class Severity(StrEnum):
    INFO = "info"
    WARN = "warn"
    FAIL = "fail"


class Verdict(StrEnum):
    PASS = "pass"
    WARN = "warn"
    FAIL = "fail"


class CopyKind(StrEnum):
    PRESERVATION = "preservation"
    MASTER = "master"
    ACCESS = "access"


class Answer(StrEnum):
    """What a person says to a finding."""

    ACCEPTED = "accepted"  # it is so, and it may stay so
    REFUSED = "refused"  # it is no fault


@dataclass(frozen=True)
class Settled:
    """A person's answer to a finding; see `pipeline.settling`. ``on`` is when, ISO."""

    answer: Answer
    note: str
    on: str


@dataclass(frozen=True)
class Signature:
    """Somebody went over the tape as it is now: revision by side."""

    name: str
    on: str
    note: str
    revisions: dict[str, int]


@dataclass(frozen=True)
class Finding:
    """Something a person should know. ``code`` is a stable word; the message is for reading.

    severity         as it was judged against the limits, whatever a person says to it
    start_s, stop_s  where on the capture, None for the whole side
    value, limit     what was measured and what it was held against, None where there is no number
    settled          what a person said to it, None where nobody has
    """

    code: str
    severity: Severity
    message: str
    start_s: float | None
    stop_s: float | None
    value: float | None
    limit: float | None
    settled: Settled | None = None

    @property
    def counts_as(self) -> Severity:
        """What it weighs in the verdict: once a person has settled it, no more than an info."""
        return self.severity if self.settled is None else Severity.INFO


def found(
    code: str,
    severity: Severity,
    message: str,
    *,
    at: tuple[float, float] | None = None,
    value: float | None = None,
    limit: float | None = None,
) -> Finding:
    """A fresh finding that nobody has settled; ``at`` is from where to where on the capture, in seconds."""
    start_s, stop_s = at if at is not None else (None, None)
    return Finding(code, severity, message, start_s, stop_s, value, limit)


@dataclass(frozen=True)
class CopyRecord:
    """One file we wrote, as it was proven after writing.

    path          relative to the tape's folder ("data/access/…")
    audio_sha256  lossless: of the samples (see `pipeline.capture`); lossy: of the encoded audio packets, which neither
                  tags nor the choice of decoder can change
    gain_db       what was applied on the way: master headroom, or access normalisation
    made_with     the software whose work the bytes are, with versions
    """

    kind: CopyKind
    path: str
    bytes: int
    sha256: str
    audio_sha256: str
    sample_rate_hz: int
    channels: int
    encoding: str
    duration_s: float
    integrated_lufs: Reading
    true_peak_dbtp: Reading
    gain_db: float
    made_with: str


@dataclass(frozen=True)
class SideQC:
    side: str
    verdict: Verdict
    revision: int
    measurement: Measurement
    decisions: Decisions
    copies: tuple[CopyRecord, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class FailedSide:
    """A side that could not be processed, and why; it has no copies."""

    side: str
    error: str


@dataclass(frozen=True)
class TapeQC:
    schema: str
    tape: str
    verdict: Verdict
    sides: tuple[SideQC, ...]
    failed: tuple[FailedSide, ...]
    signed: Signature | None = None
