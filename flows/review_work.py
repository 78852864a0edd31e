"""What the review page has done in the background, one thing at a time: tapes sealed, sides made again.

A side is made again by ``feltpad rerun`` itself, in a process of its own: what the page can do and what the command can
do are the same thing. Answers are on the disk before they come here; sealing the tape with them waits until the person
pauses, since it reads the whole tape.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from flows.running import find_running
from pipeline.archive import Archive
from pipeline.errors import FeltpadError
from pipeline.settling_notes import tapes_with_notes

TRY_AGAIN_S = 5.0
LOOK_AGAIN_S = 0.5
_LAST_LINES = 4  # of what a failed rerun said
_FINE = (0, 3)  # exit codes: done, and done with a failing verdict

Rerun = Callable[[Sequence[str]], str]  # the arguments of a rerun; why it failed, "" where it did not
Seal = Callable[[str], None]


@dataclass(frozen=True)
class Waiting:
    """What the page shows of the work of a tape."""

    tape: str
    what: str
    trouble: str


@dataclass(frozen=True)
class _Task:
    """arguments: of the rerun; None to seal the tape."""

    tape: str
    arguments: tuple[str, ...] | None

    @property
    def what(self) -> str:
        return "is being sealed" if self.arguments is None else "is being made again"


class Work:
    """The queue. ``quiet_s``: how long after the last answer a tape is sealed."""

    def __init__(self, archive: Archive, quiet_s: float, rerun: Rerun, seal: Seal) -> None:
        self._archive, self._quiet_s, self._rerun, self._seal = archive, quiet_s, rerun, seal
        self._change = threading.Condition()
        self._reruns: list[_Task] = []
        self._seal_at_s = {tape: time.monotonic() for tape in tapes_with_notes(archive)}
        self._doing: _Task | None = None
        self._trouble: dict[str, str] = {}
        self._closing = False
        self._thread = threading.Thread(target=self._serve, name="review-work", daemon=True)
        self._thread.start()

    def make_again(self, tape: str, arguments: Sequence[str]) -> None:
        """Have a rerun done as soon as nothing else is."""
        with self._change:
            self._trouble.pop(tape, None)
            self._reruns.append(_Task(tape, tuple(arguments)))
            self._change.notify_all()

    def seal_soon(self, tape: str, at_once: bool = False) -> None:
        """Have a tape sealed with the answers given, after a pause or at once."""
        with self._change:
            self._seal_at_s[tape] = time.monotonic() + (0 if at_once else self._quiet_s)
            self._change.notify_all()

    def waiting(self) -> list[Waiting]:
        """What is being done, what is to be done, and what went wrong last."""
        with self._change:
            listed = [Waiting(self._doing.tape, self._doing.what, "")] if self._doing else []
            listed += [Waiting(task.tape, "waits to be made again", "") for task in self._reruns]
            return listed + [Waiting(tape, "", trouble) for tape, trouble in self._trouble.items()]

    def close(self) -> None:
        """Seal what is left, and end; reruns not begun yet are dropped."""
        with self._change:
            self._closing = True
            self._reruns.clear()
            self._change.notify_all()
        self._thread.join()

    def _serve(self) -> None:
        while (task := self._next()) is not None:
            trouble = ""
            try:
                if task.arguments is None:
                    self._seal(task.tape)
                else:
                    trouble = self._rerun(task.arguments)
            except (FeltpadError, OSError) as exc:
                trouble = str(exc)
            self._ended(task, trouble)

    def _ended(self, task: _Task, trouble: str) -> None:
        with self._change:
            self._doing = None
            self._trouble.pop(task.tape, None)
            if trouble:
                self._trouble[task.tape] = trouble
                if task.arguments is None and not self._closing:
                    self._seal_at_s.setdefault(task.tape, time.monotonic() + TRY_AGAIN_S)

    def _next(self) -> _Task | None:
        """Waits for the next thing to do; None when closing and nothing is left that can be done."""
        with self._change:
            while True:
                due = self._due()
                busy = due is not None and find_running(self._archive) is not None  # a run started elsewhere goes first
                if due is not None and not busy:
                    self._doing = due
                    if due.arguments is None:
                        del self._seal_at_s[due.tape]
                    else:
                        self._reruns.remove(due)
                    return due
                if self._closing:
                    return None
                first_s = min(self._seal_at_s.values(), default=None)
                self._change.wait(LOOK_AGAIN_S if busy else first_s and max(0.0, first_s - time.monotonic()))

    def _due(self) -> _Task | None:
        if self._reruns:
            return self._reruns[0]
        tape = min(self._seal_at_s, key=self._seal_at_s.__getitem__, default=None)
        if tape is not None and (self._closing or self._seal_at_s[tape] <= time.monotonic()):
            return _Task(tape, None)
        return None


def run_rerun(arguments: Sequence[str]) -> str:
    """``feltpad rerun`` with these arguments, in a process of its own; the end of what it said where it failed."""
    home = Path(__file__).resolve().parent.parent
    path = os.pathsep.join([str(home), *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-P", "-c", "import sys; from flows.cli import main; sys.exit(main())", "rerun"]
    with subprocess.Popen(
        [*command, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": path},
    ) as process:
        assert process.stderr is not None
        said = process.stderr.read().decode(errors="replace").strip().splitlines()
    said = [line for line in said if line.startswith("feltpad:")] or said
    return "" if process.returncode in _FINE else "\n".join(said[-_LAST_LINES:]) or "the rerun was ended"
