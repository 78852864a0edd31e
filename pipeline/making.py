"""A whole box on its way through: sides beside each other, each tape finished as soon as its last side is.

A side that fails costs nobody else's work: the others go on, its tape is sealed with what there is, and says so.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pipeline.deck import Deck
from pipeline.errors import FeltpadError
from pipeline.qc import FailedSide, Verdict
from pipeline.side_job import SideJob
from pipeline.source import TapeSource
from pipeline.step import Desk, Run
from pipeline.tape import Beside, SideMade, finish_tape, make_side


@dataclass(frozen=True)
class TapeJob:
    """A tape to be made: its sides, and those that cannot even begin, with the reason."""

    source: TapeSource
    deck: Deck
    sides: tuple[SideJob, ...]
    failed: tuple[FailedSide, ...]


@dataclass(frozen=True)
class TapeMade:
    """What became of a tape. verdict is None where nothing of it could be sealed.

    steps_done  the steps really carried out, "A: master"; () when everything was found done
    """

    tape: str
    verdict: Verdict | None
    steps_done: tuple[str, ...]
    failed: tuple[FailedSide, ...]


SideDone = Callable[[SideJob, str], None]  # the side, and why it failed ("" where it did not); from any thread


def _as_it_is(piece: Callable[[], Any]) -> Callable[[], Any]:
    return piece


def _nothing() -> None:
    return


@dataclass(frozen=True)
class Hands:
    """Who does the work.

    run        carries out a stage
    in_thread  wraps what is handed to another thread, for callers whose context has to go along
    stop       ends running stages at once
    two_a_side whether a side may have two stages run at the same time, where it can
    """

    run: Run
    in_thread: Callable[[Callable[[], Any]], Callable[[], Any]] = _as_it_is
    stop: Callable[[], None] = _nothing
    two_a_side: bool = False


def make_tapes(
    jobs: Sequence[TapeJob],
    desk: Desk,
    hands: Hands,
    at_once: int,
    side_done: SideDone,
    now: Callable[[], datetime],
) -> tuple[TapeMade, ...]:
    """Make every tape, ``at_once`` sides beside each other; in the order of ``jobs``."""
    count = max(1, at_once)
    with ThreadPoolExecutor(count, "beside") as second, ThreadPoolExecutor(count, "side") as pool:

        def beside(piece: Callable[[], Any]) -> Future[Any]:
            return second.submit(hands.in_thread(piece))

        tapes = [_TapeWork(job, desk, hands, beside if hands.two_a_side else None, side_done, now) for job in jobs]
        futures = [pool.submit(hands.in_thread(piece)) for tape in tapes for piece in tape.pieces()]
        try:
            for future in as_completed(futures):
                future.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            hands.stop()  # before the pool's threads are waited for: they are in the middle of long stages
            raise
    return tuple(tape.outcome() for tape in tapes)


class _TapeWork:
    """One tape: its sides are worked on in any order by any thread; whoever ends the last one finishes the tape."""

    def __init__(
        self,
        job: TapeJob,
        desk: Desk,
        hands: Hands,
        beside: Beside | None,
        side_done: SideDone,
        now: Callable[[], datetime],
    ) -> None:
        self._job, self._desk, self._side_done, self._now = job, desk, side_done, now
        self._run, self._beside = hands.run, beside
        self._lock = threading.Lock()
        self._left = len(job.sides)
        self._made: list[SideMade] = []
        self._failed = list(job.failed)
        self._outcome: TapeMade | None = None

    def pieces(self) -> list[Callable[[], None]]:
        """What can be done by itself, a side each; a tape of which no side can begin is told at once."""
        if not self._job.sides:
            self._outcome = TapeMade(self._job.source.tape, None, (), tuple(self._failed))
        return [lambda side=side: self._work_on(side) for side in self._job.sides]  # type: ignore[misc]

    def outcome(self) -> TapeMade:
        assert self._outcome is not None
        return self._outcome

    def _work_on(self, side: SideJob) -> None:
        error = ""
        try:
            made = make_side(side, self._desk, self._run, self._now(), self._beside)
        except (FeltpadError, OSError) as exc:
            error = str(exc)
        with self._lock:
            if error:
                self._failed.append(FailedSide(side.side, error))
            else:
                self._made.append(made)
            self._left -= 1
            last = self._left == 0
        self._side_done(side, error)
        if last:
            self._outcome = self._finish()

    def _finish(self) -> TapeMade:
        job = self._job
        made = sorted(self._made, key=lambda side: side.qc.side)
        done = tuple(f"{side.qc.side}: {step}" for side in made for step in side.steps_done)
        failed = tuple(sorted(self._failed, key=lambda side: side.side))
        if not made:
            return TapeMade(job.source.tape, None, done, failed)
        records = [side.qc for side in made]
        try:
            finished, fresh = finish_tape(job.source, job.deck, records, failed, self._desk, self._run, self._now())
        except (FeltpadError, OSError) as exc:
            broken = FailedSide("", f"the tape could not be finished: {exc}")
            return TapeMade(job.source.tape, None, done, (*failed, broken))
        return TapeMade(job.source.tape, finished.verdict, (*done, *(["seal"] if fresh else [])), failed)
