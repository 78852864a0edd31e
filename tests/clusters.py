"""A Dask cluster on loopback: a real scheduler and real worker processes, ended whatever happens."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

WITHIN_S = 40.0


class Cluster:
    """``workers`` are the processes by their order of start; `stop_all` ends everything."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file = folder / "scheduler.json"
        options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(self._file)]
        self.scheduler = self._start("scheduler", options, {})
        until = time.monotonic() + WITHIN_S
        while not self._file.exists() or not self._file.read_text().endswith("}"):
            assert self.scheduler.poll() is None, (folder / "log").read_text()
            assert time.monotonic() < until, "the scheduler did not come up"
            time.sleep(0.05)
        self.address: str = json.loads(self._file.read_text())["address"]
        self.workers: list[subprocess.Popen[bytes]] = []

    def add_worker(self, threads: int = 1, cwd: Path | None = None, **env: str) -> subprocess.Popen[bytes]:
        options = ["--scheduler-file", str(self._file), "--nthreads", str(threads), "--no-nanny", "--no-dashboard"]
        options += ["--host", "127.0.0.1", "--local-directory", str(self._folder)]
        worker = self._start("worker", options, env, cwd)
        self.workers.append(worker)
        return worker

    def _start(
        self, what: str, options: list[str], env: dict[str, str], cwd: Path | None = None
    ) -> subprocess.Popen[bytes]:
        path = os.pathsep.join([str(Path(__file__).parent.parent), str(Path(__file__).parent)])
        with (self._folder / "log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-W", "ignore", "-c", "from dask.__main__ import main; main()", what, *options],
                env={**os.environ, "PYTHONPATH": path, **env},
                cwd=cwd or self._folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def stop_all(self) -> None:
        for process in (*self.workers, self.scheduler):
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@contextmanager
def running_cluster(folder: Path, workers: int) -> Iterator[Cluster]:
    folder.mkdir(parents=True, exist_ok=True)
    cluster = Cluster(folder)
    try:
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        cluster.stop_all()


def tell_for(seconds: float, mark: str, tell: Callable[[float], None]) -> str:
    """A stage that tells its progress all the time; notes its process in ``mark``."""
    Path(mark).write_text(f"{os.getpid()}\n")
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        tell(0.5)
        time.sleep(0.05)
    return "told"
