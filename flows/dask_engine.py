"""The engine for more than one machine: stages run on an existing Dask cluster whose workers share our storage.

Only `distributed` is used. A task runner that moves whole Prefect tasks to the cluster would have every worker report
to Prefect's server, and ours listens on this machine's loopback alone, on purpose. So the task and its record stay
here, in the thread that waits, and only the stage travels.

On its worker a stage runs in a child process (a `LocalEngine` there), which buys what a thread of the worker could not
give: a stage that crashes or eats the memory takes its child along and not the worker with all its other stages, a
long call into C cannot make the worker look dead, and a stage that nobody waits for any more is ended. When a worker
itself is killed, its children end with it and Dask has the stage done again by another one.
"""

from __future__ import annotations

import hashlib
import logging
import os
import platform
import threading
import time
import uuid
from collections.abc import Sequence
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Self

from distributed import Client, Future, get_worker
from distributed.core import Status
from distributed.scheduler import KilledWorker

import pipeline
from flows.engines import EngineStopped, LocalEngine, StageFailed, WorkerDied, rebuilt, told
from flows.workers import Done, Raised, StageCall, Tell, describe
from pipeline.errors import FeltpadError

CONNECT_WITHIN_S = 10.0
NO_WORKER_FOR_S = 60.0  # long enough for workers that are being started again
LOOK_EVERY_S = 1.0
TELL_EVERY_S = 2.0  # all progress of a cluster goes through its one scheduler
IDLE_CHILD_S = 30.0  # a run that was killed dismisses nobody
MOST_AT_ONCE = 512  # a thread here for each
# What the bytes of a copy and the numbers of a measurement depend on, besides our own code.
_PACKAGES = ("numpy", "scipy", "soxr", "soundfile", "librosa", "mutagen", "imageio-ffmpeg", "matplotlib", "pillow")


class ClusterUnfit(FeltpadError):
    """There is no such cluster, it has no workers, or they cannot do this work: what to do stands in the message."""


@dataclass(frozen=True)
class Demand:
    """What a worker must have, asked before it gets its first stage.

    equipment  versions by name, and a digest over our own files
    probe      a file in the archive with ``token`` in it
    sources    files of the box, which must be there too
    """

    token: str
    equipment: dict[str, str]
    probe: Path
    sources: tuple[Path, ...]


class DaskEngine:
    """Runs stages on the cluster of the scheduler at ``address`` ("tcp://10.0.0.1:8786").

    workplace  a folder of the archive; every worker must see it under this very path, and may write there
    sources    files of the box that every worker must be able to read
    at_once    stages beside each other; as many as the workers have threads where none is given
    patience_s how long the cluster may be without any worker

    Raises ClusterUnfit when it is entered and the cluster cannot do the work.
    """

    def __init__(
        self,
        address: str,
        workplace: Path,
        sources: Sequence[Path] = (),
        at_once: int | None = None,
        patience_s: float = NO_WORKER_FOR_S,
    ) -> None:
        self.at_once = at_once or 1
        self._address, self._given_at_once, self._patience_s = address, at_once, patience_s
        self._workplace = workplace.absolute()
        token = uuid.uuid4().hex
        probe = self._workplace / f"probe-{token}"
        self._demand = Demand(token, find_equipment(), probe, tuple(source.absolute() for source in sources))
        self._client: Client | None = None
        self._listeners: dict[str, Tell] = {}
        self._futures: set[Future] = set()
        self._changing = threading.Lock()
        self._over = threading.Event()
        self._trouble = ""

    def __enter__(self) -> Self:
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what goes wrong is told by us, once
        try:
            self._client = Client(self._address, timeout=CONNECT_WITHIN_S, set_as_default=False, name="feltpad")
        except (OSError, ValueError, TypeError) as exc:
            raise ClusterUnfit(
                f"--scheduler {self._address}: no Dask scheduler answers there within {CONNECT_WITHIN_S:g} s"
                f" ({_first_line(exc)}); is it running, and is its port reachable from here?"
            ) from exc
        try:
            self._check_workers(self._client)
            self._client.subscribe_topic(self._demand.token, self._hear)
        except BaseException:
            self.stop()
            raise
        threading.Thread(target=self._watch_over, args=(self._client,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        """See `flows.engines.Engine`."""
        key = f"{call.label or call.function} {uuid.uuid4().hex}"
        ended = threading.Event()
        future = self._submit(call, key, on_progress)
        future.add_done_callback(lambda _: ended.set())
        try:
            while not ended.wait(LOOK_EVERY_S):
                self._refuse_when_over(call)
            answer = future.result()
        except (CancelledError, KilledWorker) as exc:
            self._refuse_when_over(call)
            if isinstance(exc, KilledWorker):
                what = "every worker that had it died; run again to do this step once more"
                raise WorkerDied(told(call, what)) from exc
            raise ClusterUnfit(told(call, f"the scheduler at {self._address} was lost; run again to go on")) from None
        except FeltpadError:
            raise
        except Exception as exc:  # distributed's own, and a worker that cannot even read the call
            self._refuse_when_over(call)
            raise StageFailed(told(call, f"{type(exc).__name__}: {exc}")) from exc
        finally:
            with self._changing:
                self._listeners.pop(key, None)
                self._futures.discard(future)
            future.release()
        if isinstance(answer, Raised):
            raise rebuilt(call, answer)
        return answer.value

    def stop(self) -> None:
        """See `flows.engines.Engine`. The workers' children end within a moment, the cluster itself stays."""
        with self._changing:
            client, self._client = self._client, None
            futures = list(self._futures)
            self._trouble = self._trouble or "stopped"
        self._over.set()
        self._demand.probe.unlink(missing_ok=True)
        if client is None:
            return
        with suppress(Exception):  # a cluster that is gone has nothing to be told
            client.cancel(futures, force=True)
            client.sync(client._run, dismiss, self._demand.token, on_error="ignore", callback_timeout=CONNECT_WITHIN_S)
        with suppress(Exception):
            client.close(timeout=CONNECT_WITHIN_S)

    def _submit(self, call: StageCall, key: str, on_progress: Tell | None) -> Future:
        absolute = {
            name: value.absolute() if isinstance(value, Path) else value for name, value in call.arguments.items()
        }
        self._refuse_when_over(call)
        with self._changing:
            client = self._client
            if client is None:
                raise EngineStopped(told(call, "not begun, the run was stopped"))
            if on_progress is not None:
                self._listeners[key] = on_progress
            future = client.submit(carry_out, replace(call, arguments=absolute), self._demand, key, key=key, pure=False)
            self._futures.add(future)
        return future

    def _refuse_when_over(self, call: StageCall) -> None:
        if self._trouble == "stopped":
            raise EngineStopped(told(call, "cut short or not begun, the run was stopped"))
        if self._trouble:
            raise ClusterUnfit(told(call, self._trouble))

    def _hear(self, event: tuple[float, tuple[str, float]]) -> None:
        key, fraction = event[1]
        tell = self._listeners.get(key)
        if tell is not None:
            tell(fraction)

    def _check_workers(self, client: Client) -> None:
        try:
            client.wait_for_workers(1, timeout=self._patience_s)
        except TimeoutError as exc:
            raise ClusterUnfit(
                f"--scheduler {self._address}: the scheduler has no worker after {self._patience_s:g} s;"
                f" start some, such as: dask worker {self._address}"
            ) from exc
        self._demand.probe.parent.mkdir(parents=True, exist_ok=True)
        self._demand.probe.write_text(self._demand.token)
        try:
            answers: dict[str, Any] = client.run(find_lack, self._demand, on_error="return")
        except Exception as exc:  # the question itself could not be read there
            answers = {"its workers": exc}
        lacks = [f"worker {name}: {_in_words(answer)}" for name, answer in answers.items() if answer]
        if lacks:
            raise ClusterUnfit(f"--scheduler {self._address}: " + "\n".join(lacks))
        self.at_once = self._given_at_once or min(MOST_AT_ONCE, sum(client.nthreads().values()))

    def _watch_over(self, client: Client) -> None:
        """Dask waits for ever for a worker; a person does not."""
        seen_s = time.monotonic()
        while not self._over.wait(LOOK_EVERY_S):
            what = "there"
            try:
                if client.nthreads():
                    seen_s = time.monotonic()
            except Exception:
                what = "reachable"
            if time.monotonic() - seen_s > self._patience_s:
                self._trouble = self._trouble or (
                    f"no worker of the scheduler at {self._address} has been {what} for {self._patience_s:g} s;"
                    " start some and run again to go on"
                )
                return


def find_equipment() -> dict[str, str]:
    """What must be the same here and on every worker, so that a copy's bytes do not depend on who made it."""
    found = {"feltpad": pipeline.__version__, "Python": ".".join(platform.python_version_tuple()[:2])}
    for package in _PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "missing"
    digest = hashlib.sha256()
    for folder in (Path(pipeline.__file__).parent, Path(__file__).parent):
        for path in sorted(folder.rglob("*.*")):
            if path.suffix in {".py", ".j2", ".js", ".css"}:
                digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    found["feltpad's own files"] = digest.hexdigest()[:12]
    return found


def find_lack(demand: Demand) -> str:
    """Runs on a worker: what it lacks for the work, "" when nothing."""
    here = find_equipment()
    other = [
        f"{name} {here.get(name)} instead of {want}"
        for name, want in demand.equipment.items()
        if here.get(name) != want
    ]
    if other:
        return f"has {', '.join(other)}; install the same feltpad there"
    try:
        if demand.probe.read_text() != demand.token:
            return f"sees another archive at {demand.probe.parent}; it must be the same shared storage"
        for source in demand.sources:
            source.open("rb").close()
    except OSError as exc:
        return (
            f"cannot read {exc.filename} ({exc.strerror}); archive and box must lie on storage that every worker sees"
            " under the same path"
        )
    answer = demand.probe.with_name(f"{demand.probe.name}-{platform.node()}-{os.getpid()}")
    try:
        answer.write_text(demand.token)
        answer.unlink()
    except OSError as exc:
        return f"cannot write in {demand.probe.parent} ({exc.strerror}); it needs the right to"
    return ""


class _Children:
    """On a worker: the child processes of one run, ended when nobody has used them for a while."""

    def __init__(self, threads: int) -> None:
        self.engine = LocalEngine(threads)
        self.users = 0
        self.timer: threading.Timer | None = None
        self.lack: str | None = None


_lock = threading.Lock()
_children: dict[str, _Children] = {}


def carry_out(call: StageCall, demand: Demand, key: str) -> Done | Raised:
    """Runs on a worker: one stage, in a child process there."""
    worker = get_worker()
    with _lock:
        children = _children.setdefault(demand.token, _Children(worker.state.nthreads))
        children.users += 1
        if children.timer is not None:
            children.timer.cancel()
        if children.lack is None:  # it may have joined after the run had begun
            children.lack = find_lack(demand)
    last_s = 0.0

    def tell(fraction: float) -> None:
        nonlocal last_s
        task = worker.state.tasks.get(key)
        if task is None or task.state == "cancelled" or worker.status in (Status.closing, Status.closed):
            raise EngineStopped(told(call, "nobody waits for it any more"))  # ends the child
        if time.monotonic() - last_s >= TELL_EVERY_S:
            last_s = time.monotonic()
            worker.log_event(demand.token, (key, fraction))

    try:
        if children.lack:
            raise ClusterUnfit(told(call, f"worker {worker.address}: {children.lack}"))
        return Done(children.engine.run(call, tell))
    except Exception as error:
        return describe(error)
    finally:
        _leave(demand.token, children)


def dismiss(token: str) -> None:
    """Runs on a worker: the run has ended, and so do its children there."""
    with _lock:
        children = _children.pop(token, None)
    if children is not None:
        if children.timer is not None:
            children.timer.cancel()
        children.engine.stop()


def _leave(token: str, children: _Children) -> None:
    with _lock:
        children.users -= 1
        if children.users == 0 and token in _children:
            children.timer = threading.Timer(IDLE_CHILD_S, _dismiss_idle, (token, children))
            children.timer.daemon = True
            children.timer.start()


def _dismiss_idle(token: str, children: _Children) -> None:
    with _lock:
        if children.users or _children.pop(token, None) is None:
            return
    children.engine.stop()


def _in_words(answer: Any) -> str:
    if "No module named" in str(answer):
        return f"feltpad is not installed there ({answer})"
    return str(answer) if isinstance(answer, str) else _first_line(answer)


def _first_line(error: BaseException) -> str:
    return f"{type(error).__name__}: {(str(error).splitlines() or [''])[0]}"
