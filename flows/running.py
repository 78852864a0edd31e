"""What a run on an archive is doing, noted where other processes see it: ``ARCHIVE/.feltpad/running.json``.

The review page shows the progress of any run this way, its own or one started beside it in a terminal. The note is
a courtesy: who may work on an archive is decided by the ledger's lock alone. It is touched every few seconds, so that
what a killed run left behind is known for what it is.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from flows.progress import Watcher
from flows.workers import Tell
from pipeline.archive import Archive

WRITE_EVERY_S = 0.3
TOUCH_EVERY_S = 2.0
GONE_AFTER_S = 10.0


@dataclass(frozen=True)
class StageInWork:
    """``fraction`` of the stage is done, 0 … 1."""

    side: str
    stage: str
    fraction: float


@dataclass(frozen=True)
class Running:
    """A run as its process notes it: how many of its sides have ended, and what is being done now."""

    process: int
    sides: int
    ended: int
    stages: tuple[StageInWork, ...]


def find_running(archive: Archive) -> Running | None:
    """The run that is working on the archive; None where there is none, or it is gone."""
    place = _place(archive)
    try:
        if time.time() - place.stat().st_mtime > GONE_AFTER_S:
            return None
        noted = json.loads(place.read_text("utf-8"))
        stages = tuple(StageInWork(**stage) for stage in noted.pop("stages"))
        return Running(**noted, stages=stages)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


@contextmanager
def noted(watcher: Watcher, archive: Archive, sides: int) -> Iterator[Watcher]:
    """A watcher that notes what it hears for other processes, and passes it on to ``watcher``."""
    noting = _Noting(watcher, _place(archive), sides)
    try:
        yield noting
    finally:
        noting.end()


def _place(archive: Archive) -> Path:
    return archive.state / "running.json"


class _Noting:
    def __init__(self, watcher: Watcher, place: Path, sides: int) -> None:
        self._watcher, self._place, self._sides = watcher, place, sides
        self._changing = threading.Lock()
        self._stages: dict[str, StageInWork] = {}
        self._ended = 0
        self._written_s = 0.0
        self._over = threading.Event()
        self._toucher: threading.Thread | None = None

    def begin_stage(self, side: str, stage: str) -> Tell:
        tell_on = self._watcher.begin_stage(side, stage)
        self._note(side, StageInWork(side, stage, 0.0))

        def tell(fraction: float) -> None:
            tell_on(fraction)
            if time.monotonic() - self._written_s >= WRITE_EVERY_S:
                self._note(side, StageInWork(side, stage, round(fraction, 3)))

        return tell

    def end_side(self, side: str, outcome: str) -> None:
        self._watcher.end_side(side, outcome)
        self._ended += 1
        self._note(side, None)

    def end_tape(self, tape: str, outcome: str) -> None:
        self._watcher.end_tape(tape, outcome)
        self._note(tape, None)

    def say(self, text: str) -> None:
        self._watcher.say(text)

    def end(self) -> None:
        """Clear the note; a run that never came to work leaves alone what the one that keeps it waiting wrote."""
        if self._toucher is not None:
            self._over.set()
            self._toucher.join()
            with suppress(OSError):
                self._place.unlink()

    def _touch(self) -> None:
        while not self._over.wait(TOUCH_EVERY_S):
            with suppress(OSError):
                os.utime(self._place)

    def _note(self, side: str, stage: StageInWork | None) -> None:
        with self._changing, suppress(OSError):
            if self._toucher is None:
                self._toucher = threading.Thread(target=self._touch, daemon=True)
                self._toucher.start()
            self._stages.pop(side, None)
            if stage is not None:
                self._stages[side] = stage
            running = Running(os.getpid(), self._sides, self._ended, tuple(self._stages.values()))
            partial = self._place.with_name(".running.partial.json")
            partial.write_text(json.dumps(asdict(running)), "utf-8")
            partial.replace(self._place)
            self._written_s = time.monotonic()
