"""Who carries out the stages: this process, worker processes on this machine, or somebody else behind the same method.

An engine runs one stage and returns what its function returned. It is called from many threads at once, one a stage.
What a stage raises comes back as the same FeltpadError; anything else as `StageFailed`. A worker that is killed costs
the stage it had (`WorkerDied`) and nothing else.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol, Self

from flows import guard
from flows.heap import ONE_THREAD
from flows.workers import Done, Progress, Raised, StageCall, Tell, describe, perform, read_frame, write_frame
from pipeline.errors import FeltpadError

CLOSE_WITHIN_S = 3.0
_START = "from flows.workers import serve; serve()"


class StageFailed(FeltpadError):
    """A stage ended by something that is no FeltpadError: a fault of ours, or of the machine. ``trace`` says where."""

    def __init__(self, message: str, trace: str = "") -> None:
        super().__init__(message)
        self.trace = trace


class WorkerDied(FeltpadError):
    """The worker process was killed or crashed in the middle of a stage; nothing the stage wrote counts as done."""


class EngineStopped(FeltpadError):
    """The engine was stopped before the stage had ended."""


class Engine(Protocol):
    """What the flows need of an engine. ``at_once``: how many stages it can carry out beside each other."""

    at_once: int

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        """Run one stage to its end; ``on_progress`` hears the fraction done. Safe from many threads."""

    def stop(self) -> None:
        """End everything at once, from any thread: running and later `run` calls raise EngineStopped."""


class InlineEngine:
    """Runs each stage in this process, in the thread that asks."""

    def __init__(self) -> None:
        self.at_once = 1
        self._stopped = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        """See `Engine`."""
        if self._stopped:
            raise EngineStopped(told(call, "not begun, the run was stopped"))
        try:
            return perform(call, on_progress)
        except FeltpadError:
            raise
        except Exception as error:
            raise rebuilt(call, describe(error)) from error

    def stop(self) -> None:
        """Later calls are refused; one that is running cannot be ended from here."""
        self._stopped = True


class LocalEngine:
    """Up to ``workers`` child processes on this machine, each started when first needed and then kept.

    ``log`` takes what stages print; without it that is dropped.
    """

    def __init__(self, workers: int, log: Path | None = None) -> None:
        if workers < 1:
            raise ValueError(f"workers must be >= 1: {workers}")
        self.at_once = workers
        self._log = log
        self._change = threading.Condition()
        self._idle: list[_Worker] = []
        self._lent: set[_Worker] = set()
        self._stopped = False
        self._guard: _Guard | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        """See `Engine`. Waits for a free worker first."""
        answer = None
        for again in (True, True, False):  # a worker killed while idle, or before it was up, costs no stage
            answer = answer or self._attempt(call, on_progress or (lambda _: None), again)
        assert answer is not None
        if isinstance(answer, Raised):
            raise rebuilt(call, answer)
        return answer.value

    def _attempt(self, call: StageCall, on_progress: Tell, again: bool) -> Done | Raised | None:
        """One worker's answer; None when it was dead before it had begun and there shall be another attempt."""
        worker = self._borrow(call)
        try:
            return worker.ask(call, on_progress)
        except (EOFError, OSError) as error:
            how = worker.end()
            if self._stopped:
                raise EngineStopped(told(call, "cut short, the run was stopped")) from None
            if again and not worker.has_begun:
                return None
            raise WorkerDied(told(call, f"the worker process {how}; run again to do this step once more")) from error
        finally:
            self._give_back(worker)

    def stop(self) -> None:
        """See `Engine`. Returns when every worker has ended, after `CLOSE_WITHIN_S` each at the latest."""
        with self._change:
            self._stopped = True
            self._change.notify_all()
            workers = [*self._idle, *self._lent]
            self._idle.clear()
            last_guard, self._guard = self._guard, None
        for worker in workers:
            worker.kill()
        for worker in workers:
            worker.end()
        if last_guard is not None:
            last_guard.dismiss()

    def _borrow(self, call: StageCall) -> _Worker:
        """A worker for one stage: an idle one, or a new one where there may be more."""
        with self._change:
            self._change.wait_for(lambda: self._stopped or len(self._lent) < self.at_once)
            if self._stopped:
                raise EngineStopped(told(call, "not begun, the run was stopped"))
            while self._idle:
                worker = self._idle.pop()
                if worker.is_fit:
                    break
                worker.end()  # killed while it had nothing to do: no stage is lost
            else:
                self._guard = self._guard or _Guard()
                worker = _Worker(self._log, self._guard)
            self._lent.add(worker)
            return worker

    def _give_back(self, worker: _Worker) -> None:
        with self._change:
            self._lent.discard(worker)
            keep = worker.is_fit and not self._stopped
            if keep:
                self._idle.append(worker)
            self._change.notify()
        if not keep:
            worker.end()


class _Worker:
    """Our end of one child; see `flows.workers.serve`. It leads a process group, so that its encoders end with it."""

    def __init__(self, log: Path | None, watched_by: _Guard) -> None:
        with (log or Path(os.devnull)).open("ab") as errors:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _START],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=errors,
                start_new_session=True,
                env={**os.environ, **ONE_THREAD, "PYTHONPATH": _our_path()},
            )
        self._guard = watched_by
        self._guard.watch(self._process.pid)
        self._busy = False
        self.has_begun = False  # the stage last asked for
        self._ending = threading.Lock()
        self._ended = ""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._outbox, self._inbox = self._process.stdin, self._process.stdout

    @property
    def is_fit(self) -> bool:
        """Alive, and its last answer was read."""
        return not self._busy and not self._ended and self._process.poll() is None

    def ask(self, call: StageCall, on_progress: Tell) -> Done | Raised:
        """Have one stage done. Raises EOFError or OSError when the child dies meanwhile."""
        self._busy, self.has_begun = True, False
        write_frame(self._outbox, call)
        while isinstance(answer := read_frame(self._inbox), Progress):
            self.has_begun = True
            on_progress(answer.fraction)
        self._busy = False
        return answer

    def kill(self) -> None:
        """End the child and all it started, without waiting."""
        with self._ending:
            if not self._ended:
                self._kill_group()

    def end(self) -> str:
        """The same, and wait; how the child ended, in words."""
        with self._ending:
            if not self._ended:
                self._kill_group()  # leaves the exit status of a child that is already dead as it is
                with suppress(subprocess.TimeoutExpired):
                    self._process.wait(CLOSE_WITHIN_S)
                self._ended = _how_it_ended(self._process.returncode)
                self._guard.forget(self._process.pid)
                for pipe in (self._outbox, self._inbox):
                    with suppress(OSError):
                        pipe.close()
            return self._ended

    def _kill_group(self) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)


class _Guard:
    """Our end of `flows.guard`."""

    def __init__(self) -> None:
        self._writing = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", str(Path(guard.__file__).resolve())],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def watch(self, group: int) -> None:
        self._say(f"+{group}\n")

    def forget(self, group: int) -> None:
        self._say(f"-{group}\n")

    def dismiss(self) -> None:
        self._say("bye\n")
        with suppress(OSError):
            self._process.communicate(timeout=CLOSE_WITHIN_S)

    def _say(self, line: str) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        with self._writing, suppress(OSError, ValueError):  # workers watch for themselves too
            pipe.write(line.encode())
            pipe.flush()


def _our_path() -> str:
    """Where this process finds its modules, for a child that must find the same."""
    return os.pathsep.join([*filter(None, sys.path), str(Path(guard.__file__).resolve().parent.parent)])


def told(call: StageCall, what: str) -> str:
    return f"{call.label or call.function}: {what}"


def _how_it_ended(returncode: int | None) -> str:
    if returncode is None:
        return "cannot be ended"
    if returncode >= 0:
        return f"ended with exit code {returncode}"
    hint = " (was memory short?)" if returncode == -signal.SIGKILL else ""
    return f"was ended by {signal.Signals(-returncode).name}{hint}"


def rebuilt(call: StageCall, answer: Raised) -> FeltpadError:
    """The exception as the stage raised it, its trace in the other process hung on as the cause."""
    if answer.ours is None:
        return StageFailed(told(call, answer.summary), answer.trace)
    error = answer.ours.__new__(answer.ours, *answer.arguments)
    vars(error).update(answer.attributes)
    error.__cause__ = StageFailed("in the worker process", answer.trace)
    return error
