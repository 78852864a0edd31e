"""One tape on its way through: its sides, then the record, the page and the seal.

Plain functions over a `Desk`; how a stage is carried out (here, in a worker, as a Prefect task) is the caller's.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import Future, wait
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pipeline.archive import TapeFolder
from pipeline.capture import sha256_of
from pipeline.decisions import Decisions, newest_decisions, revised, write_decisions
from pipeline.deck import Deck
from pipeline.finish import Finished, tape_qc
from pipeline.ledger import CaptureDigests, find_stamp
from pipeline.qc import CopyKind, FailedSide, SideQC, TapeQC
from pipeline.records import to_plain
from pipeline.settling import SettledTape, signature_for, with_settled, write_settled
from pipeline.settling_notes import drop_sealed, settled_now
from pipeline.side import copy_outcome, copy_records, decide_side, side_qc
from pipeline.side_job import SideJob
from pipeline.side_steps import access_step, master_step, measure_step, preserve_step
from pipeline.source import TapeSource, write_source
from pipeline.stages import Measured, Preserved, WrittenFile, with_capture_path
from pipeline.step import Desk, Outcome, Run, Step

# Raise it when the page, the QC record or the seal changes for the same inputs.
PAGE_VERSION = 3
FINISH = "finish"  # the step of the whole tape
FIRST_RUN = "first run"
RUN_AGAIN = "digitized again: the sheet, the deck, the settings or the capture changed"


Beside = Callable[[Callable[[], Any]], Future[Any]]  # starts something in a thread of its own


@dataclass(frozen=True)
class SideMade:
    """A side's record; ``steps_done`` names the steps that were really carried out, () when all was found."""

    qc: SideQC
    steps_done: tuple[str, ...]


def make_side(job: SideJob, desk: Desk, run: Run, now: datetime, beside: Beside | None = None) -> SideMade:
    """Take a side from its capture to its copies; only what is due is done.

    With ``beside`` the capture is measured and copied at the same time: neither needs what the other finds.
    """
    done: list[str] = []
    measured, preserved = _capture_read(job, desk, run, beside, done)
    measured = with_capture_path(measured, job.row.capture)  # as the sheet names it: a box that is moved is the same
    previous = newest_decisions(desk.archive.current(job.tape).decisions, job.side)
    reason = FIRST_RUN if previous is None else RUN_AGAIN
    decisions = revised(previous, decide_side(job, measured.measurement, reason, now))
    return render_side(job, measured, preserved, previous, decisions, desk, run, done)


def make_side_again(job: SideJob, before: SideQC, decisions: Decisions, desk: Desk, run: Run) -> SideMade:
    """Render a side anew from its preservation copy; the box and the capture are not needed."""
    copy = next(copy for copy in before.copies if copy.kind is CopyKind.PRESERVATION)
    file = WrittenFile(copy.path, copy.bytes, copy.sha256)
    preserved = Preserved((file,), copy.made_with)
    return render_side(job, Measured(before.measurement, ()), preserved, before.decisions, decisions, desk, run, [])


def render_side(
    job: SideJob,
    measured: Measured,
    preserved: Preserved,
    previous: Decisions | None,
    decisions: Decisions,
    desk: Desk,
    run: Run,
    done: list[str],
) -> SideMade:
    """Master and access copy for the decisions, which are written down first when they are new."""
    if previous is None or decisions.revision != previous.revision:
        write_decisions(decisions, desk.archive.begin(job.tape).decisions)
    mastered = _found_or_made(master_step(job, preserved, decisions, measured.measurement), desk, run, done)
    accessed = _found_or_made(access_step(job, mastered, decisions, measured.measurement), desk, run, done)
    copies = copy_records(measured.measurement, preserved, mastered, accessed, decisions)
    outcome = copy_outcome(mastered, accessed.gain)
    return SideMade(side_qc(job, measured.measurement, decisions, copies, outcome), tuple(done))


def finish_tape(
    source: TapeSource,
    deck: Deck,
    sides: Sequence[SideQC],
    failed: Sequence[FailedSide],
    desk: Desk,
    run: Run,
    now: datetime,
) -> tuple[Finished, bool]:
    """Page and seal, when anything in them would be new; returns the outcome and whether it was done."""
    qc = _settled_qc(source.tape, sides, failed, settled_now(desk.archive, source.tape))
    step = _finish_step(source, deck, qc, desk, now)
    in_work = desk.archive.in_work(source.tape).root.exists()
    found = None if in_work else step.find(desk)
    if found is not None:
        return found, False
    return seal_tape(source, deck, sides, failed, desk, run, now), True


def seal_tape(
    source: TapeSource,
    deck: Deck,
    sides: Sequence[SideQC],
    failed: Sequence[FailedSide],
    desk: Desk,
    run: Run,
    now: datetime,
) -> Finished:
    """Page and seal, whether or not they were there before, with all that was settled up to now."""
    settled = settled_now(desk.archive, source.tape)
    qc = _settled_qc(source.tape, sides, failed, settled)
    step = _finish_step(source, deck, qc, desk, now)
    working = desk.archive.begin(source.tape)
    _drop_what_nothing_names(working, qc)
    write_source(source, deck, working)
    if settled.finding or settled.signed:
        write_settled(settled, working.decisions)
    made: Finished = run(step.function, {**step.arguments, "root": working.root}, step.place, step.name)
    folder = desk.archive.sealed(source.tape)
    outputs = {folder.relative(path): None for path in (folder.qc / "qc.json", folder.qc / "report.html")}
    result = to_plain(made)
    desk.ledger.write(source.tape, "", step.name, step.key, root=folder.root, outputs=outputs, result=result)
    drop_sealed(desk.archive, settled)
    return made


def _settled_qc(tape: str, sides: Sequence[SideQC], failed: Sequence[FailedSide], settled: SettledTape) -> TapeQC:
    answered = with_settled(sides, settled)
    return tape_qc(tape, answered, failed, signature_for(answered, settled))


def _finish_step(source: TapeSource, deck: Deck, qc: TapeQC, desk: Desk, now: datetime) -> Step[Finished]:
    inputs = {
        "qc": to_plain(qc),
        "source": to_plain(source),
        "deck": hashlib.sha256(deck.path.read_bytes()).hexdigest(),
        "version": PAGE_VERSION,
    }
    arguments = {"archive": desk.archive.root, "qc": qc, "now": now}
    return Step(FINISH, source.tape, "", inputs, "pipeline.finish:finish", arguments, Finished, lambda _: {})


def _capture_read(
    job: SideJob, desk: Desk, run: Run, beside: Beside | None, done: list[str]
) -> tuple[Measured, Preserved]:
    """Ask the ledger by the capture's digest; a capture never seen before is measured without hashing it first."""
    assert job.capture is not None
    known = _known_sha256(job, desk)
    measured = measure_step(job, known).find(desk) if known else None
    if measured is None and (beside is None or known):  # a known capture, measured otherwise: its copy may be there
        measured = _measure(job, desk, run, done)
    if measured is not None:
        return measured, _found_or_made(preserve_step(job, measured.measurement.capture), desk, run, done)
    assert beside is not None
    root = desk.archive.begin(job.tape).root
    step = preserve_step(job, None)
    copying = beside(lambda: run(step.function, {**step.arguments, "root": root}, step.place, step.name))
    try:
        measured = _measure(job, desk, run, done)
    finally:
        wait([copying])  # also when measuring failed: nothing of a side goes on once it is given up
    preserved: Preserved = copying.result()
    facts = measured.measurement.capture
    preserve_step(job, facts).note(preserved, desk, root)
    done.append(step.name)
    return measured, preserved


def _known_sha256(job: SideJob, desk: Desk) -> str:
    """The digest of a capture that was read before; "" for one never seen, which is hashed as it is measured."""
    assert job.capture is not None
    digests = desk.ledger.find_capture_digests(job.capture)
    if digests is not None:
        return digests.sha256
    seen = newest_decisions(desk.archive.current(job.tape).decisions, job.side) is not None
    return sha256_of(job.capture) if seen and find_stamp(job.capture) is not None else ""


def _measure(job: SideJob, desk: Desk, run: Run, done: list[str]) -> Measured:
    assert job.capture is not None
    stamp = find_stamp(job.capture)
    step = measure_step(job, "")
    root = desk.archive.begin(job.tape).root
    made: Measured = run(step.function, {**step.arguments, "root": root}, step.place, step.name)
    facts = made.measurement.capture
    measure_step(job, facts.sha256).note(made, desk, root)
    if stamp is not None:
        known = CaptureDigests(facts.sha256, facts.audio_sha256)
        desk.ledger.write_capture_digests(job.capture, stamp, known)
    done.append(step.name)
    return made


def _found_or_made(step: Step[Outcome], desk: Desk, run: Run, done: list[str]) -> Outcome:
    found = step.find(desk)
    if found is not None:
        return found
    done.append(step.name)
    return step.make(desk, run)


def _drop_what_nothing_names(folder: TapeFolder, qc: TapeQC) -> None:
    """A copy in a format that is no longer asked for must not stay beside the new one; nor what served the making."""
    shutil.rmtree(folder.drafts, ignore_errors=True)
    named = {copy.path for side in qc.sides for copy in side.copies}
    for place in (folder.master, folder.access):
        for path in place.glob("*") if place.is_dir() else ():
            if folder.relative(path) not in named:
                path.unlink()
