"""Settle findings and sign a tape off, from the command line or the review page: both go through here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any

from flows.box import now
from flows.engines import Engine
from flows.progress import Watcher
from flows.workers import StageCall
from pipeline.archive import Archive
from pipeline.at_a_glance import read_summary, write_summary
from pipeline.errors import DecisionError
from pipeline.finish import read_qc, tape_qc
from pipeline.ledger import Ledger
from pipeline.making import TapeMade
from pipeline.method import read_all_settings
from pipeline.qc import TapeQC
from pipeline.settling import Said, nothing_settled, settle, sign, signature_for, with_settled
from pipeline.settling_notes import note_settled, settled_now, tapes_with_notes
from pipeline.source import read_source
from pipeline.step import Desk
from pipeline.tape import seal_tape


@dataclass(frozen=True)
class AnswerGiven:
    """What a person says to one finding, to a kind (``at_s`` None), or to every open one (``code`` "all")."""

    said: Said
    code: str
    at_s: float | None
    side: str | None = None
    note: str = ""


def qc_now(archive: Archive, tape: str) -> TapeQC:
    """The tape's record with every answer given up to now, sealed or not."""
    record = read_qc(archive.require(tape))
    settled = settled_now(archive, tape)
    sides = with_settled(record.sides, settled)
    return tape_qc(tape, sides, record.failed, signature_for(sides, settled))


def answer(archive: Archive, tape: str, answers: Sequence[AnswerGiven]) -> TapeQC:
    """Write the answers down beside the bag, all or none; the record as it is with them. Raises DecisionError."""
    record = qc_now(archive, tape)
    entries = tuple(
        entry
        for given in answers
        for entry in settle(record, given.side, given.code, given.at_s, given.said, given.note, now())
    )
    note_settled(archive, replace(nothing_settled(tape), finding=entries))
    return qc_now(archive, tape)


def sign_off(archive: Archive, tape: str, name: str, note: str) -> TapeQC:
    """Write a sign-off down beside the bag; the record as it is with it. Raises DecisionError while findings are
    open."""
    signature = sign(qc_now(archive, tape), name, note, now())
    note_settled(archive, replace(nothing_settled(tape), signed=(signature,)))
    return qc_now(archive, tape)


def seal_settled(
    archive: Archive, tape: str, start_engine: Callable[[], AbstractContextManager[Engine]], watcher: Watcher
) -> TapeMade:
    """Take the answers given up to now into the bag and seal it; audio is not touched. Raises ArchiveError when another
    run is working on the archive."""
    ledger = Ledger(archive.state / "ledger")
    with ledger.held(), start_engine() as engine:
        archive.recover()
        folder = archive.require(tape)
        record = read_qc(folder)
        if tape not in tapes_with_notes(archive):  # another run has taken them in meanwhile
            return TapeMade(tape, record.verdict, (), ())

        def run(function: str, arguments: Mapping[str, Any], place: str, name: str) -> Any:
            call = StageCall(function, arguments, f"{place}: {name}", tell_as="tell")
            return engine.run(call, watcher.begin_stage(place, name))

        source, deck = read_source(folder)
        made = seal_tape(source, deck, record.sides, record.failed, Desk(archive, ledger), run, now())
        watcher.end_tape(tape, "sealed with what was settled")
    return TapeMade(tape, made.verdict, ("seal",), ())


def summary_again(archive: Archive) -> None:
    """The archive's own pages from what the sealed tapes say."""
    criteria = read_all_settings().report.summary
    write_summary(archive, read_summary(archive, criteria, now()), criteria)


def answer_typed(said: Said, text: str, side: str | None, note: str) -> AnswerGiven:
    """An answer as typed, ``KIND`` or ``KIND@TIME``, the time in seconds or as the report shows it.

    >>> answer_typed(Said.ACCEPTED, "clip@1:02.5", "A", "").at_s
    62.5
    """
    code, at, time = text.partition("@")
    if not code or (at and not time):
        raise DecisionError(f"expected KIND or KIND@TIME, such as clip or clip@1:02.5, found {text!r}")
    return AnswerGiven(said, code, _seconds(time) if at else None, side, note)


def _seconds(text: str) -> float:
    try:
        parts = [float(part) for part in text.replace(",", ".").split(":")]
    except ValueError:
        parts = []
    if not 1 <= len(parts) <= 3 or not all(0 <= part < 1e6 for part in parts):
        raise DecisionError(f"expected a time in seconds or as 1:02.5, found {text!r}")
    return sum(part * 60**place for place, part in enumerate(reversed(parts)))
