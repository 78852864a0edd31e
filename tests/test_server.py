"""Prefect runs a box with a server that is ours: nothing to start, nothing sent away, nothing left behind.

Each test runs a program of its own (`trial_flow`), as a person would, because what is asked is what remains after it.
"""

from __future__ import annotations

import os
import pty
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from flows.server import _lay_blank_database

TRIAL = [sys.executable, str(Path(__file__).with_name("trial_flow.py"))]


def environment(tmp_path: Path, **more: str) -> dict[str, str]:
    """An environment with an empty home and no settings of Prefect."""
    (tmp_path / "empty").mkdir(exist_ok=True)
    kept = {
        name: value for name, value in os.environ.items() if not name.startswith(("PREFECT", "DO_NOT", "XDG", "PYTHON"))
    }
    paths = os.pathsep.join(filter(None, sys.path))
    return {**kept, "PYTHONPATH": paths, "HOME": str(tmp_path / "empty"), "TMPDIR": str(tmp_path / "empty"), **more}


def descendants(pid: int) -> set[int]:
    found: set[int] = set()
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            found |= {int(child)} | descendants(int(child))
    return found


def lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


def left_after(pids: set[int], seconds: float) -> list[int]:
    until = time.monotonic() + seconds
    while (left := [pid for pid in pids if lives(pid)]) and time.monotonic() < until:
        time.sleep(0.02)
    return left


def wait_for(*marks: Path, seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while not all(mark.exists() for mark in marks):
        assert time.monotonic() < until, f"{marks} did not appear"
        time.sleep(0.05)


def rows(home: Path, question: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(home / "prefect.db")) as database:
        return database.execute(question).fetchall()


@pytest.mark.flow
def test_each_side_stands_for_itself_and_nothing_leaves_the_machine(tmp_path: Path) -> None:
    home, trace = tmp_path / "archive" / "prefect", tmp_path / "trace"
    sides = ["sleep:0.2,print_loudly", "kill_self,sleep:0.1", "sleep:0.1,fail_with_capture_error", "sleep:0,sleep:0.1"]
    traced = ["strace", "-f", "-qq", "--seccomp-bpf", "-e", "trace=connect,sendto", "-o", str(trace)]
    tracer = traced if shutil.which("strace") else []
    env = environment(tmp_path, PREFECT_API_URL="", PREFECT_PROFILE="another", PREFECT_API_KEY="no")
    done = subprocess.run(
        [*tracer, *TRIAL, str(home), "2", *sides], env=env, cwd=tmp_path / "empty", capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (4, "FAILED: 2 of 4 sides failed\n"), done.stderr
    ended = re.findall(r"^(T\d): (done|failed: .*) \(\d of 4", done.stderr, re.MULTILINE)
    assert {side: outcome.split(";")[0] for side, outcome in ended} == {
        "T1": "done",
        "T2": "failed: kill_self: the worker process was ended by SIGKILL (was memory short?)",
        "T3": "failed: a.wav: ends at frame 7, 9 were promised",
        "T4": "done",
    }
    assert len(done.stderr.splitlines()) == 7 + 4  # a line a stage that was begun, a line a side, and nothing else
    states = rows(home, "select name, state_type from task_run order by name")
    assert states == [
        ("T1 print_loudly", "COMPLETED"),
        ("T1 sleep", "COMPLETED"),
        ("T2 kill_self", "FAILED"),
        ("T3 fail_with_capture_error", "FAILED"),
        ("T3 sleep", "COMPLETED"),
        ("T4 sleep", "COMPLETED"),
        ("T4 sleep", "COMPLETED"),
    ]
    assert rows(home, "select state_type from flow_run") == [("FAILED",)]
    assert list((tmp_path / "empty").iterdir()) == []
    assert not re.search("WARNING|ERROR", (home / "prefect.log").read_text().replace("ERROR prefect.task_runs", ""))
    if tracer:
        addresses = re.findall(
            r"sin_addr=inet_addr\(\"([\d.]+)\"\)|inet_pton\(AF_INET6, \"([^\"]+)\"", trace.read_text()
        )
        assert addresses  # the client did speak with its server
        assert {one or other for one, other in addresses} <= {"127.0.0.1", "::1"}


@pytest.mark.flow
@pytest.mark.parametrize(("sign", "code"), [(signal.SIGINT, -2), (signal.SIGTERM, 143), (signal.SIGKILL, -9)])
def test_a_run_that_is_broken_off_leaves_no_process(tmp_path: Path, sign: signal.Signals, code: int) -> None:
    command = [*TRIAL, str(tmp_path), "2", *["sleep_with_encoder:60"] * 3]
    pid, terminal = pty.fork()  # Ctrl-C is for a real terminal: a job in the background ignores it
    if pid == 0:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # not what the tests were started with
        os.execve(command[0], command, environment(tmp_path))
    threading.Thread(target=read_to_the_end, args=(terminal,), daemon=True).start()
    wait_for(tmp_path / "T1.mark", tmp_path / "T2.mark")
    everyone = descendants(pid)
    assert len(everyone) == 5  # the guard, two workers and their encoders
    if sign is signal.SIGINT:
        os.write(terminal, b"\x03")
    else:
        os.kill(pid, sign)
    began = time.monotonic()
    status = os.waitpid(pid, 0)[1]
    assert time.monotonic() - began < 5
    assert not left_after(everyone, 3)
    assert os.waitstatus_to_exitcode(status) == code


def read_to_the_end(terminal: int) -> None:
    while True:
        try:
            if not os.read(terminal, 4096):
                return
        except OSError:
            return


@pytest.mark.flow
def test_a_killed_run_is_followed_by_one_that_works(tmp_path: Path) -> None:
    env = environment(tmp_path)
    with subprocess.Popen([*TRIAL, str(tmp_path), "1", "sleep:60"], env=env, stderr=subprocess.DEVNULL) as first:
        wait_for(tmp_path / "T1.mark")
        first.kill()
    second = subprocess.run([*TRIAL, str(tmp_path), "1", "sleep:0"], env=env, capture_output=True, text=True)
    assert (second.returncode, second.stdout) == (0, "COMPLETED: all done\n"), second.stderr
    assert rows(tmp_path, "select state_type from flow_run") == [("COMPLETED",)]


@pytest.mark.flow
def test_a_server_the_person_has_is_used_and_none_is_started(tmp_path: Path) -> None:
    theirs, ours = tmp_path / "theirs", tmp_path / "ours"
    code = f"""
import os, subprocess, sys
from pathlib import Path
from flows.server import running_server
with running_server(Path({str(theirs)!r})) as address:
    done = subprocess.run({[*TRIAL, str(ours), "1", "sleep:0"]!r}, env={{**os.environ, "PREFECT_API_URL": address}})
    print(done.returncode, address)
"""
    done = subprocess.run([sys.executable, "-c", code], env=environment(tmp_path), capture_output=True, text=True)
    assert re.search(r"^COMPLETED: all done\n0 http://127\.0\.0\.1:\d+/api$", done.stdout), done.stderr
    assert rows(theirs, "select state_type from flow_run") == [("COMPLETED",)]
    assert not (ours / "prefect.db").exists()


def test_a_server_that_does_not_come_up_is_told_with_its_log(tmp_path: Path) -> None:
    code = f"""
import os
from pathlib import Path
import flows.server
before = dict(os.environ)
home = Path({str(tmp_path / "home")!r})
lay = flows.server._lay_blank_database
def lay_a_folder(place):  # where the database should be
    (place / "prefect.db").mkdir()
    return False
flows.server._lay_blank_database = lay_a_folder
try:
    with flows.server.running_server(home):
        print("up")
except flows.server.ServerError as error:
    print(error)
assert dict(os.environ) == before
(home / "prefect.db").rmdir()
flows.server._lay_blank_database = lay
with flows.server.running_server(home):
    print("the next one is up")
"""
    done = subprocess.run([sys.executable, "-c", code], env=environment(tmp_path), capture_output=True, text=True)
    assert done.stdout == (
        f"Prefect's server did not come up; its log is {tmp_path}/home/prefect.log\nthe next one is up\n"
    ), done.stderr
    assert not done.stderr
    assert "Application startup failed" in (tmp_path / "home/prefect.log").read_text()


@pytest.mark.parametrize("damage", ["cut", "zeroed", "other", "empty"])
def test_only_a_whole_blank_database_is_laid_and_the_last_runs_is_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str
) -> None:
    blank, database = tmp_path / "blank.db", tmp_path / "prefect.db"
    monkeypatch.setattr("flows.server._blank_places", lambda home: [tmp_path / "none.db", blank])
    with closing(sqlite3.connect(blank)) as made:
        made.executescript("create table flow_run (id, name); create table task_run (id, name);")
        made.executemany("insert into flow_run values (?, ?)", [(number, "x" * 100) for number in range(500)])
        made.commit()
    whole = blank.read_bytes()
    database.write_bytes(b"the last run")
    assert _lay_blank_database(tmp_path)
    assert database.read_bytes() == whole
    middle = len(whole) // 2
    damaged = {
        "cut": whole[:middle],
        "zeroed": whole[:middle] + bytes(4096) + whole[middle + 4096 :],
        "other": b"not a database at all" * 400,
        "empty": b"",
    }
    blank.write_bytes(damaged[damage])
    assert not _lay_blank_database(tmp_path)
    assert not blank.exists()
    assert not database.exists()
