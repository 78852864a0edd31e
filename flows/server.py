"""Prefect's server for the time of one run: started, waited for, and ended by us, so that nothing of it is left behind.

Whoever has set ``PREFECT_API_URL`` has a server already: it is used, and nothing is started. Otherwise a server of our
own listens on a free port of the loopback address and keeps its database in a folder of ours. That database
holds one run: what is done stands in our own ledger (`pipeline.ledger`), and a database that starts blank has no runs
in it that a power cut left "running", and does not grow by 20 KB a task for ever.

Nothing is sent to the network: the two places where Prefect counts its users are switched off.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any, Self

from pipeline.errors import FeltpadError

HEALTHY_WITHIN_S = 60.0
FLUSHED_WITHIN_S = 10.0
ENDED_WITHIN_S = 5.0
_ANSWER_WITHIN_S = 10.0
_SETTLED_AFTER_S = 0.3  # a count of tasks that stands still this long is the last; the server's end writes the rest
_START = "from flows.serving import serve; serve()"
_SILENT = {"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false"}
# Scheduling, automations and their like have nothing to do in a server that lives for one run.
_IDLE_SERVICES = "CANCELLATION_CLEANUP EVENT_PERSISTER FOREMAN LATE_RUNS PAUSE_EXPIRATIONS SCHEDULER TRIGGERS"
_LOGGERS = "prefect uvicorn fastapi EventsWorker APILogWorker asyncio httpx httpcore websockets docket"


class ServerError(FeltpadError):
    """Prefect's server did not come up; the message names its log."""


@contextmanager
def running_server(home: Path) -> Iterator[str]:
    """Prefect made ready for this process, for as long as the block lasts; gives the address of its API.

    ``home`` is the folder for our own server's database and for Prefect's logs; it is made. Import prefect only inside
    the block. SIGTERM unwinds the block like Ctrl-C does. Raises ServerError when the server does not come up.
    """
    home = home.resolve()
    home.mkdir(parents=True, exist_ok=True)
    theirs = os.environ.get("PREFECT_API_URL")
    with ExitStack() as undo:
        undo.enter_context(_sigterm_unwinds())
        if theirs:
            undo.enter_context(_environment({**_SILENT, **_logging_to(home)}))
            undo.enter_context(_prefect_settings({}))
            undo.callback(_drain_events)
            yield theirs
            return
        server = undo.enter_context(_OwnServer(home))
        undo.enter_context(_environment({**server.environment, **_logging_to(home)}, without="PREFECT_"))
        undo.enter_context(_prefect_settings({"api.url": server.address, "home": str(home)}))
        server.wait_until_healthy()
        undo.callback(_drain_events)
        yield server.address
        _drain_events()
        server.wait_until_recorded()


class _OwnServer:
    """One server process, in a session of its own: Ctrl-C on a terminal must not end it before its clients."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._log = home / "server.log"
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}/api"
        self.environment = {**_SILENT, "PREFECT_API_URL": self.address, "PREFECT_HOME": str(home)}

    def __enter__(self) -> Self:
        self._has_blank = _lay_blank_database(self._home)
        self._process = self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end()
        self._listening.close()

    def wait_until_healthy(self) -> None:
        """Until the server answers. Raises ServerError when it ends instead, or takes too long."""
        if not self._answers():
            state = self._process.poll()
            how = f"did not answer within {HEALTHY_WITHIN_S:.0f} s" if state is None else f"ended with code {state}"
            raise ServerError(f"Prefect's server {how}; its log is {self._log}")
        self._listening.close()  # the server has its own hold on it
        if not self._has_blank:
            _keep_blank_database(self._home)

    def wait_until_recorded(self) -> None:
        """Until the server has written down every task it was told of, `FLUSHED_WITHIN_S` at most."""
        until_s, last = time.monotonic() + FLUSHED_WITHIN_S, -1
        with suppress(OSError, ValueError):
            while (now := int(self._ask("/task_runs/count", b"{}"))) != last and time.monotonic() < until_s:
                last = now
                time.sleep(_SETTLED_AFTER_S)

    def _start(self) -> subprocess.Popen[bytes]:
        descriptor = self._listening.fileno()
        inherited = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
        services = {f"PREFECT_SERVER_SERVICES_{name}_ENABLED": "false" for name in _IDLE_SERVICES.split()}
        more = {
            "PREFECT_SERVER_DATABASE_MIGRATE_ON_START": "false" if self._has_blank else "true",
            "PREFECT_SERVER_REGISTER_BLOCKS_ON_START": "false",
            "PREFECT_SERVER_UI_ENABLED": "false",
            # Written down fifty at a time: 3.5 ms of CPU a task instead of 13.
            "PREFECT_SERVER_SERVICES_TASK_RUN_RECORDER_BATCH_SIZE": "50",
            "PREFECT_SERVER_SERVICES_TASK_RUN_RECORDER_FLUSH_INTERVAL": "1",
            "PREFECT_LOGGING_SETTINGS_PATH": str(_write_logging_settings(self._home / "server-logging.json", None)),
            "PYTHONPATH": os.pathsep.join([*filter(None, sys.path), str(Path(__file__).resolve().parent.parent)]),
        }
        with self._log.open("wb") as log:
            return subprocess.Popen(
                [sys.executable, "-P", "-c", _START, str(descriptor)],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                env={**inherited, **self.environment, **services, **more},
                cwd=self._home,  # Prefect reads settings from files in the working folder
                pass_fds=[descriptor],
                start_new_session=True,
            )

    def _answers(self) -> bool:
        until_s = time.monotonic() + HEALTHY_WITHIN_S
        while time.monotonic() < until_s and self._process.poll() is None:
            with suppress(OSError):
                self._ask("/health", None)
                return True
        return False

    def _ask(self, path: str, body: bytes | None) -> bytes:
        request = urllib.request.Request(self.address + path, body, {"content-type": "application/json"})
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(request, timeout=_ANSWER_WITHIN_S) as answer:
            return bytes(answer.read())

    def _end(self) -> None:
        self._process.terminate()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(ENDED_WITHIN_S)
        self._process.kill()
        self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()


def _blank_places(home: Path) -> list[Path]:
    """Where a blank database of this Prefect may lie: beside our compiled files, as Python keeps its own, or at home.

    Making one takes Prefect some 4 s and 116 migrations; copying it takes nothing.
    """
    name = f"blank-prefect-{version('prefect')}.db"
    return [Path(__file__).resolve().parent / "__pycache__" / name, home / name]


def _lay_blank_database(home: Path) -> bool:
    """Take the last run's database away and lay a blank one in its place; False when there is none yet."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        (home / f"prefect.db{suffix}").unlink(missing_ok=True)
    for blank in _blank_places(home):
        if _is_sound(blank):
            shutil.copyfile(blank, home / "prefect.db")
            return True
    return False


def _is_sound(blank: Path) -> bool:
    """Whether a blank database is there and whole; one that is not makes way for a new one, where it may."""
    if not blank.exists():
        return False
    with (
        suppress(sqlite3.Error),
        closing(sqlite3.connect(f"{blank.as_uri()}?mode=ro&immutable=1", uri=True)) as database,
    ):
        tables = database.execute("select count(*) from sqlite_master where name in ('flow_run', 'task_run')")
        if database.execute("pragma quick_check").fetchone() == ("ok",) and tables.fetchone() == (2,):
            return True
    with suppress(OSError):
        blank.unlink()
    return False


def _keep_blank_database(home: Path) -> None:
    for blank in _blank_places(home):
        part = blank.with_suffix(f".{os.getpid()}")
        try:
            part.parent.mkdir(exist_ok=True)
            with closing(sqlite3.connect(home / "prefect.db")) as ours, closing(sqlite3.connect(part)) as copy:
                ours.backup(copy)
            part.replace(blank)
            return
        except (OSError, sqlite3.Error):  # a folder we may not write in
            with suppress(OSError):
                part.unlink(missing_ok=True)


def _logging_to(home: Path) -> dict[str, str]:
    settings = _write_logging_settings(home / "logging.json", home / "prefect.log")
    return {"PREFECT_LOGGING_SETTINGS_PATH": str(settings), "PREFECT_LOGGING_TO_API_ENABLED": "false"}


def _write_logging_settings(place: Path, log: Path | None) -> Path:
    """Prefect's logging as we want it: all of it in a file (None: on standard error), nothing on the terminal."""
    target: dict[str, Any] = {"class": "logging.StreamHandler"}
    if log is not None:
        target = {"class": "logging.FileHandler", "filename": str(log), "mode": "w", "encoding": "utf-8", "delay": True}
    named = {name: {"level": "WARNING", "handlers": ["file"], "propagate": False} for name in _LOGGERS.split()}
    named["prefect"]["level"] = "INFO" if log else "WARNING"
    settings = {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"plain": {"format": "%(asctime)s %(levelname)s %(name)s %(threadName)s: %(message)s"}},
        "handlers": {"file": {**target, "formatter": "plain"}},
        "loggers": named,
    }
    place.write_text(json.dumps(settings).replace("$", "$$"))  # Prefect fills in $NAMES
    return place


@contextmanager
def _environment(changes: Mapping[str, str], without: str = "") -> Iterator[None]:
    """Set variables for the block; those that start with ``without`` are out of the way meanwhile."""
    before = dict(os.environ)
    for name in [name for name in before if without and name.startswith(without)]:
        del os.environ[name]
    os.environ.update(changes)
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)


@contextmanager
def _prefect_settings(changes: Mapping[str, Any]) -> Iterator[None]:
    """Import prefect and apply what its environment variables cannot say, or said too late in this process."""
    gc.disable()  # see flows.serving
    from prefect.logging.configuration import setup_logging
    from prefect.settings import temporary_settings

    gc.enable()
    quiet = {
        "flows.heartbeat_frequency": None,  # each flow would otherwise wait up to a second for its heartbeat to end
        "logging.config_path": os.environ["PREFECT_LOGGING_SETTINGS_PATH"],
        "logging.to_api.enabled": False,
    }
    with temporary_settings({**quiet, **changes}):
        setup_logging(incremental=False)
        yield


def _drain_events() -> None:
    """Hand over what Prefect's client still has to tell the server: once that is gone, the client hangs for minutes."""
    from prefect.events.worker import EventsWorker

    EventsWorker.drain_all(timeout=FLUSHED_WITHIN_S, at_exit=False)


@contextmanager
def _sigterm_unwinds() -> Iterator[None]:
    """SIGTERM raises SystemExit in the block, so that everything is put away; another program's handler is kept."""
    ours = threading.current_thread() is threading.main_thread()
    if not ours or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL:
        yield
        return

    def leave(sign: int, _: FrameType | None) -> None:
        sys.exit(128 + sign)

    signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
