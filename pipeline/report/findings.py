"""Findings put in groups of one kind, worst first, so that a bad tape still gives a readable page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.qc import Finding, Severity

_RANK = {Severity.FAIL: 0, Severity.WARN: 1, Severity.INFO: 2}


@dataclass(frozen=True)
class FindingGroup:
    """All findings of one code on one side, worst first; ``severity`` is the worst of those not yet settled."""

    code: str
    severity: Severity
    findings: tuple[Finding, ...]

    @property
    def title(self) -> str:
        return self.code.replace("-", " ").replace("_", " ").strip().capitalize()


def group_findings(findings: Iterable[Finding]) -> tuple[FindingGroup, ...]:
    """Groups by code: the most severe first, among equals the one with more findings."""
    by_code: dict[str, list[Finding]] = {}
    for finding in findings:
        by_code.setdefault(finding.code, []).append(finding)
    groups = [
        FindingGroup(
            code, min((f.counts_as for f in members), key=_RANK.__getitem__), tuple(sorted(members, key=_badness))
        )
        for code, members in by_code.items()
    ]
    return tuple(sorted(groups, key=lambda group: (_RANK[group.severity], -len(group.findings), group.code)))


def count_severities(findings: Iterable[Finding]) -> dict[Severity, int]:
    """How many of each, a settled one as an info; every severity has its count."""
    counts = dict.fromkeys(_RANK, 0)
    for finding in findings:
        counts[finding.counts_as] += 1
    return counts


def _badness(finding: Finding) -> tuple[float, ...]:
    """Sorts the worst first: severity, then how far past the limit, then how long, then where."""
    past = abs(finding.value - finding.limit) if finding.value is not None and finding.limit is not None else 0.0
    start_s = finding.start_s if finding.start_s is not None else -1.0
    seconds = finding.stop_s - start_s if finding.stop_s is not None and finding.start_s is not None else 0.0
    return (_RANK[finding.counts_as], -past, -seconds, start_s)
