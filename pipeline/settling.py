"""What a person settled about a tape: findings accepted or refused, and the sign-off.

``data/decisions/settled.toml`` in the tape's bag holds every answer, the newest for a finding applies. An *accepted*
finding is so and may stay so; a *refused* one is no fault. Neither weighs in the verdict any more, both stay in the
record with the severity they were judged with.

An answer holds for what the person saw: a finding that has become worse, has moved, or has another value after a rerun
is open again. A sign-off holds for the revisions it was given for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path

import tomli_w

from pipeline.errors import ArchiveError, DecisionError, SettingsError
from pipeline.files import write_text_whole
from pipeline.judge import verdict_of
from pipeline.qc import Answer, Finding, Settled, Severity, SideQC, Signature, TapeQC
from pipeline.records import to_plain
from pipeline.settings import settings_from
from pipeline.tags import printable

SCHEMA = "feltpad.settled/1"
NAME = "settled.toml"
EVERY_OPEN = "all"
LONGEST_NOTE = 2000  # characters: a note, no essay
TYPED_WITHIN_S = 0.15  # the report prints tenths of a second, and a person types what it prints
SAME_PLACE_S = 0.1  # another version of a detector may put the same fault a little to the side
SAME_VALUE = 0.1  # share by which a value, or the number of a kind, may differ and the answer still holds
_ORDER = (Severity.FAIL, Severity.WARN, Severity.INFO)


class Said(StrEnum):
    """What stands in the file: an answer, or that it was taken back."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    OPEN = "open"


@dataclass(frozen=True)
class Settlement:
    """One answer.

    start_s   the finding it is for, in seconds of the capture; None for every finding of this kind on the side
    on        when, ISO
    severity  the worst it was for; count: how many it was for; value: what was measured, where it was for one
    """

    side: str
    code: str
    said: Said
    note: str
    on: str
    severity: Severity
    count: int
    start_s: float | None = None
    value: float | None = None

    @property
    def key(self) -> tuple[str, str, float | None]:
        return self.side, self.code, None if self.start_s is None else round(self.start_s, 3)


@dataclass(frozen=True)
class SettledTape:
    """Everything settled about a tape, oldest first."""

    schema: str
    tape: str
    finding: tuple[Settlement, ...]
    signed: tuple[Signature, ...]


def nothing_settled(tape: str) -> SettledTape:
    return SettledTape(SCHEMA, tape, (), ())


def is_open(finding: Finding) -> bool:
    """Whether a person has yet to say something to it."""
    return finding.counts_as is not Severity.INFO


def count_open(qc: TapeQC) -> int:
    return sum(is_open(finding) for side in qc.sides for finding in side.findings)


def settle(
    qc: TapeQC, side: str | None, code: str, at_s: float | None, said: Said, note: str, now: datetime
) -> tuple[Settlement, ...]:
    """An answer to the finding of this code next to ``at_s``; without a time to all of the kind.

    ``code`` "all" means every open finding; ``side`` None every side. Raises DecisionError when there is no such
    finding, or a refusal says nothing of why.
    """
    note = cleaned(note)
    if said is Said.REFUSED and not note:
        raise DecisionError("a refused finding needs a note: why is it no fault?")
    wanted = [one for one in qc.sides if side in (None, one.side)]
    if code == EVERY_OPEN:
        codes = [(one, kind) for one in wanted for kind in dict.fromkeys(f.code for f in one.findings if is_open(f))]
    else:
        codes = [(one, code) for one in wanted if any(f.code == code for f in one.findings)]
    if not codes:
        raise DecisionError(_no_such(qc, side, code))
    on = now.isoformat(timespec="seconds")
    if at_s is None:
        return tuple(_for_kind(one, kind, said, note, on) for one, kind in codes)
    return tuple(_for_one(one, _nearest(one, kind, at_s), said, note, on) for one, kind in codes)


def cleaned(text: str) -> str:
    """A person's words as they go into the file. Raises DecisionError when they are too many."""
    text = printable(text).strip()
    if len(text) > LONGEST_NOTE:
        raise DecisionError(f"a note holds {LONGEST_NOTE} characters at most, found {len(text)}")
    return text


def sign(qc: TapeQC, name: str, note: str, now: datetime) -> Signature:
    """The sign-off of a tape as it is. Raises DecisionError while findings are open, or without a name."""
    name = " ".join(cleaned(name).split())
    if not name:
        raise DecisionError("a sign-off needs a name")
    left = [f"side {s.side}: {n} open" for s in qc.sides if (n := sum(is_open(f) for f in s.findings))]
    if left:
        raise DecisionError(f"tape {qc.tape} has findings nobody has settled: {'; '.join(left)}")
    return Signature(name, now.isoformat(timespec="seconds"), cleaned(note), _revisions(qc.sides))


def merged(older: SettledTape, newer: SettledTape) -> SettledTape:
    """Both; of two answers to the same finding the newer one's. Merging the same again changes nothing."""
    answers = {entry.key: entry for entry in older.finding}
    for entry in newer.finding:
        answers.pop(entry.key, None)
        answers[entry.key] = entry
    signed = (*older.signed, *(entry for entry in newer.signed if entry not in older.signed))
    ordered = sorted(answers.values(), key=lambda entry: datetime.fromisoformat(entry.on))
    return SettledTape(SCHEMA, older.tape, tuple(ordered), signed)


def with_settled(sides: Iterable[SideQC], settled: SettledTape) -> tuple[SideQC, ...]:
    """The sides with the answers put to their findings, and the verdicts they leave."""
    return tuple(_side_with(side, [s for s in settled.finding if s.side == side.side]) for side in sides)


def signature_for(sides: Sequence[SideQC], settled: SettledTape) -> Signature | None:
    """The newest sign-off, when it was for just these revisions and nothing has opened since."""
    if not settled.signed or any(is_open(finding) for side in sides for finding in side.findings):
        return None
    newest = settled.signed[-1]
    return newest if newest.revisions == _revisions(sides) else None


def write_settled(settled: SettledTape, folder: Path) -> Path:
    """``settled.toml`` in ``folder``; what nobody gave is left out, since TOML has no word for it."""
    plain = to_plain(settled)
    del plain["not_measured"]
    plain["finding"] = [{key: v for key, v in entry.items() if v is not None} for entry in plain["finding"]]
    head = (
        f"# What a person settled about tape {settled.tape}. Written by feltpad; change it with `feltpad review` or\n"
    )
    head += "# `feltpad rerun`. accepted: it is so and may stay so. refused: it is no fault. open: taken back.\n\n"
    return write_text_whole(folder / NAME, head + tomli_w.dumps(plain))


def read_settled(folder: Path, tape: str) -> SettledTape:
    """What `write_settled` wrote; nothing settled where there is no file. Raises ArchiveError naming the key."""
    path = folder / NAME
    if not path.exists():
        return nothing_settled(tape)
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        settled = settings_from(SettledTape, table, str(path))
        if settled.schema != SCHEMA:
            raise SettingsError(f"schema: expected {SCHEMA}, found {settled.schema!r}; written by another version?")
        for on in (*(entry.on for entry in settled.finding), *(entry.on for entry in settled.signed)):
            datetime.fromisoformat(on)
    except (OSError, ValueError, SettingsError) as exc:
        raise ArchiveError(f"{path}: expected a file of settled findings as feltpad writes it: {exc}") from exc
    return settled


def _side_with(side: SideQC, answers: Sequence[Settlement]) -> SideQC:
    by_code: dict[str, list[Settlement]] = {}
    for answer in answers:
        by_code.setdefault(answer.code, []).append(answer)
    of_kind: dict[str, int] = {}
    for finding in side.findings:
        of_kind[finding.code] = of_kind.get(finding.code, 0) + 1
    indexed = {code: _Answers(entries, of_kind.get(code, 0)) for code, entries in by_code.items()}
    nobody = _Answers((), 0)
    findings = tuple(replace(f, settled=indexed.get(f.code, nobody).to(f)) for f in side.findings)
    return replace(side, findings=findings, verdict=verdict_of(findings))


class _Answers:
    """The answers to one kind on one side, found by place: a bad tape has thousands."""

    def __init__(self, entries: Sequence[Settlement], of_kind: int) -> None:
        self._rank = {entry: number for number, entry in enumerate(entries)}
        self._whole = [e for e in entries if e.start_s is None and of_kind <= e.count * (1 + SAME_VALUE)]
        self._placed: dict[int, list[Settlement]] = {}
        for entry in entries:
            if entry.start_s is not None:
                self._placed.setdefault(int(entry.start_s / SAME_PLACE_S), []).append(entry)

    def to(self, finding: Finding) -> Settled | None:
        """The newest that holds for this finding."""
        near: list[Settlement] = []
        if finding.start_s is not None:
            cell = int(finding.start_s / SAME_PLACE_S)
            for entry in (e for at in (cell - 1, cell, cell + 1) for e in self._placed.get(at, ())):
                if entry.start_s is not None and abs(entry.start_s - finding.start_s) <= SAME_PLACE_S:
                    near.append(entry)
        holding = [entry for entry in (*near, *self._whole) if _holds(entry, finding)]
        newest = max(holding, key=self._rank.__getitem__, default=None)
        if newest is None or newest.said is Said.OPEN:
            return None
        return Settled(Answer(newest.said.value), newest.note, newest.on)


def _holds(entry: Settlement, finding: Finding) -> bool:
    if _ORDER.index(finding.severity) < _ORDER.index(entry.severity):
        return False
    if entry.value is None or finding.value is None:
        return True
    return abs(finding.value - entry.value) <= SAME_VALUE * abs(entry.value)


def _for_kind(side: SideQC, code: str, said: Said, note: str, on: str) -> Settlement:
    found = [finding for finding in side.findings if finding.code == code]
    worst = min((finding.severity for finding in found), key=_ORDER.index)
    value = found[0].value if len(found) == 1 else None
    return Settlement(side.side, code, said, note, on, worst, len(found), None, value)


def _for_one(side: SideQC, finding: Finding, said: Said, note: str, on: str) -> Settlement:
    return Settlement(side.side, finding.code, said, note, on, finding.severity, 1, finding.start_s, finding.value)


def _nearest(side: SideQC, code: str, at_s: float) -> Finding:
    placed = [finding for finding in side.findings if finding.code == code and finding.start_s is not None]
    best = min(placed, key=lambda finding: abs((finding.start_s or 0.0) - at_s), default=None)
    if best is None or abs((best.start_s or 0.0) - at_s) > TYPED_WITHIN_S:
        some = ", ".join(f"{finding.start_s:.1f}" for finding in placed[:8]) or "none with a time"
        raise DecisionError(f"side {side.side} has no finding {code!r} at {at_s:g} s; of this kind at: {some}")
    return best


def _no_such(qc: TapeQC, side: str | None, code: str) -> str:
    known = sorted({f.code for one in qc.sides if side in (None, one.side) for f in one.findings})
    where = f"tape {qc.tape}" + (f" side {side}" if side else "")
    if code == EVERY_OPEN:
        return f"{where} has no open finding"
    return f"{where} has no finding {code!r}; kinds here: {', '.join(known) or 'none'}"


def _revisions(sides: Sequence[SideQC]) -> dict[str, int]:
    return {side.side: side.revision for side in sides}
