"""The flow over a box: Prefect keeps the record of the run, our ledger decides what is due, an engine does the work."""

from __future__ import annotations

import contextvars
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from functools import partial
from typing import Any

from flows.engines import Engine
from flows.head_start import HeadStart
from flows.progress import Watcher
from flows.server import running_server
from flows.workers import StageCall, Tell, perform
from pipeline.again import TapeAgain, make_again
from pipeline.archive import Archive
from pipeline.errors import FeltpadError
from pipeline.finish import read_qc
from pipeline.ledger import Ledger
from pipeline.making import Hands, SideDone, TapeJob, TapeMade, make_tapes
from pipeline.side_job import SideJob
from pipeline.side_steps import MEASURE
from pipeline.source import read_source
from pipeline.step import Desk
from pipeline.tape import FINISH, seal_tape

Started = Callable[[], AbstractContextManager[Engine]]


class _Due(FeltpadError):
    """Raised in place of doing a step while only looking what is due."""


def now() -> datetime:
    return datetime.now().astimezone()


def make_box(
    jobs: Sequence[TapeJob], archive: Archive, start_engine: Started, at_once: int | None, watcher: Watcher
) -> tuple[TapeMade, ...]:
    """Make every tape of ``jobs``; what is done already is found, and then nothing is started at all.

    ``at_once``: sides beside each other; None: as many as the engine can.

    Raises ArchiveError when another run is working on the archive.
    """
    ledger = Ledger(archive.state / "ledger")
    with ledger.held():
        archive.recover()
        desk = Desk(archive, ledger)
        due = jobs_due(jobs, desk)
        made: dict[str, TapeMade] = {}
        if due.jobs:
            made = {tape.tape: tape for tape in _flow_over(due, desk, start_engine, at_once, watcher)}
        return tuple(made.get(job.source.tape) or due.found[job.source.tape] for job in jobs)


class _Looked:
    """measuring: what is to be measured first of all; nothing else may begin before its tape is gone through again"""

    def __init__(self) -> None:
        self.jobs: list[TapeJob] = []
        self.measuring: list[StageCall] = []
        self.found: dict[str, TapeMade] = {}


def jobs_due(jobs: Sequence[TapeJob], desk: Desk) -> _Looked:
    """Which tapes have work to do, by going through them with nobody to do it."""

    looked = _Looked()

    def refuse(function: str, arguments: Mapping[str, Any], place: str, stage: str) -> Any:
        if stage == MEASURE:
            looked.measuring.append(_call(function, arguments, place, stage))
        raise _Due(f"{place}: {stage}")

    for job in jobs:
        (made,) = make_tapes([job], desk, Hands(refuse), 1, lambda side, error: None, now)
        if (made.verdict is None and job.sides) or any(not known for known in _accounted(job, made)):
            looked.jobs.append(job)
        else:
            looked.found[job.source.tape] = made
    return looked


def _call(function: str, arguments: Mapping[str, Any], place: str, stage: str) -> StageCall:
    return StageCall(function, arguments, f"{place}: {stage}", tell_as="tell")


def _accounted(job: TapeJob, made: TapeMade) -> list[bool]:
    failed_before = {side.side for side in job.failed}
    return [side.side in failed_before for side in made.failed]


def make_tape_again(again: TapeAgain, archive: Archive, start_engine: Started, watcher: Watcher) -> TapeMade:
    """Make a sealed tape again as was newly decided. Raises FeltpadError when it cannot be done."""
    ledger = Ledger(archive.state / "ledger")
    with ledger.held():
        archive.recover()
        desk = Desk(archive, ledger)

        def work(hands: Hands, engine_can: int) -> tuple[TapeMade, ...]:
            return (make_again(again, desk, hands.run, _teller(watcher), now),)

        return _in_flow(work, desk, start_engine, watcher, len(again.sides), ())[0]


def _teller(watcher: Watcher) -> SideDone:
    def side_done(side: SideJob, error: str) -> None:
        watcher.end_side(f"{side.tape} side {side.side}", f"failed: {error}" if error else "done")

    return side_done


def _flow_over(
    due: _Looked, desk: Desk, start_engine: Started, at_once: int | None, watcher: Watcher
) -> tuple[TapeMade, ...]:
    def work(hands: Hands, engine_can: int) -> tuple[TapeMade, ...]:
        return make_tapes(due.jobs, desk, hands, at_once or engine_can, _teller(watcher), now)

    sides = sum(len(job.sides) for job in due.jobs)
    return _in_flow(work, desk, start_engine, watcher, sides, due.measuring[:at_once])


def _in_flow(
    work: Callable[[Hands, int], tuple[TapeMade, ...]],
    desk: Desk,
    start_engine: Started,
    watcher: Watcher,
    sides: int,
    first: Sequence[StageCall],
) -> tuple[TapeMade, ...]:
    """Carry out ``work`` as a Prefect flow: every stage it runs is a task, done by the engine.

    As many of the ``first`` stages as the engine can do at once begin before the flow does.
    """
    with (
        start_engine() as engine,
        HeadStart(engine, first[: engine.at_once]) as begun,
        running_server(desk.archive.state / "prefect"),
    ):
        from prefect import flow, task
        from prefect.cache_policies import NO_CACHE
        from prefect.states import Completed, Failed

        @task(cache_policy=NO_CACHE, persist_result=False)
        def stage(call: StageCall, tell: Tell) -> Any:
            return begun.run(call, tell)

        def run(function: str, arguments: Mapping[str, Any], place: str, name: str) -> Any:
            call = _call(function, arguments, place, name)
            made = stage.with_options(task_run_name=call.label)(call, watcher.begin_stage(place, name))
            if name == FINISH:
                watcher.end_tape(place, "sealed")
            return made

        def in_thread(piece: Callable[[], Any]) -> Callable[[], Any]:
            return partial(contextvars.copy_context().run, piece)

        outcome: list[TapeMade] = []

        @flow(name="feltpad", flow_run_name=f"{sides} sides", persist_result=False, validate_parameters=False)
        def box() -> Any:
            outcome.extend(work(Hands(run, in_thread, engine.stop, two_a_side=engine.at_once > 1), engine.at_once))
            failed = sum(len(tape.failed) for tape in outcome)
            return Failed(message=f"{failed} sides could not be processed") if failed else Completed()

        state: Any = box(return_state=True)
        if not outcome:
            state.result()  # raises what stopped the flow itself
        return tuple(outcome)


def pages_again(archive: Archive, tapes: Sequence[str], watcher: Watcher) -> None:
    """The page of every tape anew from its records and copies, and sealed again; nothing is rendered."""
    ledger = Ledger(archive.state / "ledger")

    def run(function: str, arguments: Mapping[str, Any], place: str, name: str) -> Any:
        return perform(_call(function, arguments, place, name), watcher.begin_stage(place, name))

    with ledger.held():
        archive.recover()
        desk = Desk(archive, ledger)
        for tape in tapes:
            folder = archive.require(tape)
            source, deck = read_source(folder)
            record = read_qc(folder)
            seal_tape(source, deck, record.sides, record.failed, desk, run, now())
            watcher.end_tape(tape, "page made and sealed")
