"""Prefect's server for the time of one run: started, waited for, and ended by us, so that nothing of it is left behind.

Whoever has set ``PREFECT_API_URL`` has a server already: it is used, and nothing is started. Otherwise a server of our
own listens on a free port of the loopback address and keeps its database in a folder of ours. It is a thread of
this process, so it ends with it, however that comes about, and shares what client and server both import: 130 MB
and 2 s of processor less than a process of its own. That database holds one run: what is done stands in our own
ledger (`pipeline.ledger`), and a database that starts blank has no runs in it that a power cut left "running", and does
not grow by 20 KB a task for ever.

Nothing is sent to the network: the two places where Prefect counts its users are switched off.
"""

from __future__ import annotations

import contextvars
import gc
import json
import logging
import os
import shutil
import signal
import socket
import sqlite3
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
_GRACE_S = 2  # for requests that are under way when the server ends
_SILENT = {"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false"}
# Scheduling, automations and their like have nothing to do in a server that lives for one run.
_IDLE_SERVICES = "cancellation_cleanup event_persister foreman late_runs pause_expirations scheduler triggers"
_SERVER = {
    **{f"server.services.{name}.enabled": False for name in _IDLE_SERVICES.split()},
    "server.register_blocks_on_start": False,
    "server.ui.enabled": False,
    # Written down fifty at a time: 3.5 ms of CPU a task instead of 13.
    "server.services.task_run_recorder.batch_size": 50,
    "server.services.task_run_recorder.flush_interval": 1.0,
}
LOG_NAME = "prefect.log"
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
        undo.enter_context(_prefect_settings(server.settings))
        server.start()
        undo.callback(server.end)
        undo.callback(_drain_events)
        yield server.address
        _drain_events()
        server.wait_until_recorded()


class _OwnServer:
    """One server, in a thread. It hears no signals: Ctrl-C must not end it before its clients."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}/api"
        self.environment = {**_SILENT, "PREFECT_API_URL": self.address, "PREFECT_HOME": str(home)}

    def __enter__(self) -> Self:
        self._has_blank = _lay_blank_database(self._home)
        return self

    def __exit__(self, *_: object) -> None:
        self._listening.close()

    @property
    def settings(self) -> dict[str, Any]:
        """What Prefect is to know of this server, as client and as server."""
        ours = {"api.url": self.address, "home": str(self._home)}
        return {**ours, **_SERVER, "server.database.migrate_on_start": not self._has_blank}

    def start(self) -> None:
        """Start it, and wait until it answers. Raises ServerError when it ends instead, or takes too long."""
        gc.disable()  # importing makes much that stays and nothing to collect: a third of the time goes into looking
        import uvicorn
        from prefect.server.api.server import create_app

        app = create_app()
        gc.freeze()
        gc.enable()
        settings = uvicorn.Config(app, log_config=None, lifespan="on", timeout_graceful_shutdown=_GRACE_S)
        self._server = uvicorn.Server(settings)
        inside = contextvars.copy_context()  # Prefect keeps its settings in the context
        self._thread = threading.Thread(target=inside.run, args=(self._serve,), name="prefect-server", daemon=True)
        self._thread.start()
        until_s = time.monotonic() + HEALTHY_WITHIN_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > until_s:
                self.end()
                raise ServerError(f"Prefect's server did not come up; its log is {self._home / LOG_NAME}")
            time.sleep(0.01)
        if not self._has_blank:
            _keep_blank_database(self._home)

    def _serve(self) -> None:
        try:
            self._server.run(sockets=[self._listening])
        except Exception:
            logging.getLogger("uvicorn").exception("the server ended")

    def wait_until_recorded(self) -> None:
        """Until the server has written down every task it was told of, `FLUSHED_WITHIN_S` at most."""
        until_s, last = time.monotonic() + FLUSHED_WITHIN_S, -1
        with suppress(OSError, ValueError):
            while (now := int(self._ask("/task_runs/count", b"{}"))) != last and time.monotonic() < until_s:
                last = now
                time.sleep(_SETTLED_AFTER_S)

    def _ask(self, path: str, body: bytes | None) -> bytes:
        request = urllib.request.Request(self.address + path, body, {"content-type": "application/json"})
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(request, timeout=_ANSWER_WITHIN_S) as answer:
            return bytes(answer.read())

    def end(self) -> None:
        """End it; a server that does not end in time is left to end with the process."""
        self._server.should_exit = True
        self._thread.join(ENDED_WITHIN_S)


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
    """Prefect's logging as we want it: all of it in a file, nothing on the terminal."""
    place, log = home / "logging.json", home / LOG_NAME
    target = {"class": "logging.FileHandler", "filename": str(log), "mode": "w", "encoding": "utf-8", "delay": True}
    named = {name: {"level": "WARNING", "handlers": ["file"], "propagate": False} for name in _LOGGERS.split()}
    named["prefect"]["level"] = "INFO"
    named["prefect.server"] = named["uvicorn"]
    settings = {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"plain": {"format": "%(asctime)s %(levelname)s %(name)s %(threadName)s: %(message)s"}},
        "handlers": {"file": {**target, "formatter": "plain"}},
        "loggers": named,
    }
    place.write_text(json.dumps(settings).replace("$", "$$"))  # Prefect fills in $NAMES
    return {"PREFECT_LOGGING_SETTINGS_PATH": str(place), "PREFECT_LOGGING_TO_API_ENABLED": "false"}


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
    gc.disable()  # see _OwnServer.start
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
