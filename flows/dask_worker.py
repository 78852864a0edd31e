"""What of the Dask engine runs on a worker of the cluster: asking what it has, and one stage at a time.

A stage runs in a child process (a `LocalEngine` there), which buys what a thread of the worker could not
give: a stage that crashes or eats the memory takes its child along and not the worker with all its other stages, a
long call into C cannot make the worker look dead, and a stage that nobody waits for any more is ended. When a worker
itself is killed, its children end with it and Dask has the stage done again by another one.
"""

from __future__ import annotations

import hashlib
import os
import platform
import threading
import time
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from distributed import get_worker
from distributed.core import Status

import pipeline
from flows.engines import EngineStopped, LocalEngine, told
from flows.workers import Done, Raised, StageCall, describe
from pipeline.errors import FeltpadError

TELL_EVERY_S = 2.0  # all progress of a cluster goes through its one scheduler
IDLE_CHILD_S = 30.0  # a run that was killed dismisses nobody
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
