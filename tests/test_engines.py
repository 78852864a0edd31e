"""An engine runs stages apart from each other, tells how each ended, and leaves no process behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from flows.engines import Engine, EngineStopped, InlineEngine, LocalEngine, StageFailed, WorkerDied
from flows.workers import StageCall
from pipeline.errors import CaptureError, SheetError

PARENT = """
import sys, threading
from pathlib import Path
from flows.engines import LocalEngine
from flows.workers import StageCall
engine = LocalEngine(2)
for stage, mark in zip(sys.argv[1::2], sys.argv[2::2]):
    arguments = {"mark": mark, **({"seconds": 60.0} if "sleep" in stage else {})}
    call = StageCall("trial_stages:" + stage, arguments)
    threading.Thread(target=engine.run, args=(call,)).start()
"""


@pytest.fixture
def engine() -> Iterator[LocalEngine]:
    with LocalEngine(2) as engine:
        yield engine


def stage(name: str, **arguments: object) -> StageCall:
    return StageCall(f"trial_stages:{name}", arguments, label=f"T1 side A: {name}")


def lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


def wait_for(what: Path, seconds: float = 20.0) -> list[int]:
    until = time.monotonic() + seconds
    while not what.exists() or not what.read_text().endswith("\n"):
        assert time.monotonic() < until, f"{what.name} did not appear"
        time.sleep(0.02)
    return [int(line) for line in what.read_text().split()]


def all_gone_within(pids: list[int], seconds: float) -> list[int]:
    until = time.monotonic() + seconds
    while (left := [pid for pid in pids if lives(pid)]) and time.monotonic() < until:
        time.sleep(0.02)
    return left


def children_of(pid: int) -> list[int]:
    return [
        int(child) for task in Path(f"/proc/{pid}/task").iterdir() for child in (task / "children").read_text().split()
    ]


@pytest.mark.parametrize("make", [InlineEngine, lambda: LocalEngine(1)], ids=["inline", "local"])
class TestAnyEngine:
    def test_a_stage_returns_what_its_function_returned(self, make: type[InlineEngine]) -> None:
        with make() as engine:
            assert engine.run(stage("add", first=1.5, second=2)) == 3.5

    def test_an_error_of_ours_comes_back_as_it_was_raised(self, make: type[InlineEngine]) -> None:
        with make() as engine, pytest.raises(CaptureError, match=r"^a\.wav: ends at frame 7, 9 were promised$"):
            engine.run(stage("fail_with_capture_error"))

    def test_an_error_with_parts_comes_back_with_its_parts(self, make: type[InlineEngine]) -> None:
        with make() as engine, pytest.raises(SheetError) as caught:
            engine.run(stage("fail_with_sheet_error"))
        assert [problem.place for problem in caught.value.problems] == ["tapes.csv, row 2", "tapes.csv, row 3"]
        assert str(caught.value) == "tapes.csv, row 2: no capture\ntapes.csv, row 3: ratio 440 (a reading?)"

    def test_a_fault_comes_back_named_with_its_trace(self, make: type[InlineEngine]) -> None:
        with make() as engine, pytest.raises(StageFailed, match=r"T1 side A.*TypeError: no such luck") as caught:
            engine.run(stage("fail_with_type_error"))
        assert "trial_stages.py" in caught.value.trace

    def test_a_stage_that_does_not_exist_is_a_fault(self, make: type[InlineEngine]) -> None:
        with make() as engine, pytest.raises(StageFailed, match="no_such_stage"):
            engine.run(stage("no_such_stage"))

    def test_progress_reaches_the_caller(self, make: type[InlineEngine]) -> None:
        heard: list[float] = []
        with make() as engine:
            engine.run(StageCall("trial_stages:report", {"steps": 2}, tell_as="tell"), heard.append)
        assert [fraction for fraction in heard if fraction] == [0.5, 1.0]

    def test_nobody_need_listen_to_progress(self, make: type[InlineEngine]) -> None:
        with make() as engine:
            assert engine.run(StageCall("trial_stages:report", {"steps": 1}, tell_as="tell")) == 1

    def test_a_stopped_engine_takes_no_more(self, make: type[InlineEngine]) -> None:
        with make() as engine:
            engine.stop()
            with pytest.raises(EngineStopped, match="not begun"):
                engine.run(stage("add", first=1, second=2))


def test_a_worker_is_another_process_in_a_session_of_its_own_and_is_kept(engine: LocalEngine) -> None:
    first, second = engine.run(stage("who")), engine.run(stage("who"))
    assert first == second
    assert first["pid"] == first["session"] != os.getpid()
    assert first["threads"] == "1"
    assert first["sigint"]


def test_no_worker_is_started_before_there_is_work() -> None:
    before = set(children_of(os.getpid()))
    with LocalEngine(2):
        assert set(children_of(os.getpid())) == before


def test_two_workers_work_at_once_and_never_more(engine: LocalEngine) -> None:
    engine.run(stage("add", first=1, second=1))
    with ThreadPoolExecutor(6) as threads:
        began = time.monotonic()
        list(threads.map(lambda _: engine.run(stage("sleep", seconds=0.3)), range(6)))
        assert 0.85 < time.monotonic() - began < 1.8
        pids = {answer["pid"] for answer in threads.map(lambda _: engine.run(stage("who")), range(20))}
    assert len(pids) <= 2


def test_what_a_stage_prints_reaches_the_log_and_nothing_else(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with LocalEngine(1, tmp_path / "log") as engine:
        assert engine.run(stage("print_loudly")) == "quiet"
    assert capfd.readouterr() == ("", "")
    assert (tmp_path / "log").read_text().splitlines() == [
        "printed by a stage",
        "written by a stage",
        "written to the descriptor",
        "printed by an encoder",
        "complained by a stage",
    ]


@pytest.mark.parametrize(
    ("name", "how"),
    [("kill_self", "SIGKILL .was memory short"), ("crash", "SIGSEGV"), ("leave_at_once", "exit code 7")],
)
def test_a_worker_that_dies_costs_only_its_own_stage(engine: LocalEngine, name: str, how: str) -> None:
    with ThreadPoolExecutor(2) as threads:
        innocents = [threads.submit(engine.run, stage("sleep", seconds=0.2)) for _ in range(3)]
        culprit = threads.submit(engine.run, stage(name))
        innocents += [threads.submit(engine.run, stage("sleep", seconds=0.2)) for _ in range(3)]
        with pytest.raises(WorkerDied, match=f"T1 side A: {name}.*{how}"):
            culprit.result()
        assert [innocent.result() for innocent in innocents] == ["slept"] * 6


def test_a_worker_killed_while_idle_costs_nothing(engine: LocalEngine) -> None:
    pid = engine.run(stage("who"))["pid"]
    os.kill(pid, signal.SIGKILL)
    assert engine.run(stage("add", first=1, second=2)) == 3


def test_a_stage_that_leaves_or_answers_nonsense_keeps_its_worker(engine: LocalEngine) -> None:
    pid = engine.run(stage("who"))["pid"]
    with pytest.raises(StageFailed, match="SystemExit: 7"):
        engine.run(stage("leave"))
    with pytest.raises(StageFailed, match="cannot travel"):
        engine.run(stage("answer_with_a_lambda"))
    assert engine.run(stage("who"))["pid"] == pid


def test_a_caller_that_fails_over_progress_costs_no_later_stage(engine: LocalEngine) -> None:
    def refuse(_: float) -> None:
        raise KeyError("the caller's own")

    with pytest.raises(KeyError, match="own"):
        engine.run(StageCall("trial_stages:report", {"steps": 2}, tell_as="tell"), refuse)
    assert engine.run(stage("add", first=1, second=2)) == 3


def test_stopping_ends_running_and_waiting_stages_at_once_with_their_encoders(tmp_path: Path) -> None:
    with LocalEngine(1) as engine, ThreadPoolExecutor(2) as threads:
        running = threads.submit(engine.run, stage("sleep_with_encoder", seconds=60.0, mark=str(tmp_path / "mark")))
        pids = wait_for(tmp_path / "mark")
        waiting = threads.submit(engine.run, stage("add", first=1, second=2))
        began = time.monotonic()
        engine.stop()
        with pytest.raises(EngineStopped, match="cut short"):
            running.result(5)
        with pytest.raises(EngineStopped, match="not begun"):
            waiting.result(5)
        assert time.monotonic() - began < 2
    assert not all_gone_within(pids, 1)


def test_a_worker_killed_from_outside_takes_its_encoder_along(engine: LocalEngine, tmp_path: Path) -> None:
    with ThreadPoolExecutor(1) as threads:
        running = threads.submit(engine.run, stage("sleep_with_encoder", seconds=60.0, mark=str(tmp_path / "mark")))
        pids = wait_for(tmp_path / "mark")
        os.kill(pids[0], signal.SIGKILL)
        with pytest.raises(WorkerDied, match="SIGKILL"):
            running.result(5)
    assert not all_gone_within(pids, 1)


def test_leaving_the_engine_leaves_no_process(tmp_path: Path) -> None:
    before = set(children_of(os.getpid()))
    with LocalEngine(2) as engine, ThreadPoolExecutor(2) as threads:
        list(threads.map(lambda _: engine.run(stage("sleep", seconds=0.2)), range(2)))
        started = set(children_of(os.getpid())) - before
        assert len(started) == 3  # two workers and the guard
    assert not all_gone_within(sorted(started), 1)


@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGTERM])
@pytest.mark.parametrize("name", ["sleep_with_encoder", "spin_in_c"])
def test_nothing_goes_on_working_when_the_parent_is_killed(tmp_path: Path, sign: signal.Signals, name: str) -> None:
    marks = [str(tmp_path / "one"), str(tmp_path / "two")]
    command = [sys.executable, "-c", PARENT, name, marks[0], "sleep_with_encoder", marks[1]]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    with subprocess.Popen(command, env=env, start_new_session=True) as parent:
        pids = [pid for mark in marks for pid in wait_for(Path(mark))]
        everyone = {*pids, *children_of(parent.pid)}
        assert len(everyone) == 5  # two workers, their two encoders, the guard
        parent.send_signal(sign)
        parent.wait(5)
    assert not all_gone_within(sorted(everyone), 3)


def test_a_worker_that_cannot_even_start_is_told_and_not_tried_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flows.engines._START", "raise SystemExit(9)")
    with LocalEngine(1) as engine, pytest.raises(WorkerDied, match="exit code 9"):
        engine.run(stage("add", first=1, second=2))


@pytest.mark.parametrize("workers", [0, -1])
def test_an_engine_without_workers_is_refused(workers: int) -> None:
    with pytest.raises(ValueError, match=">= 1"):
        LocalEngine(workers)


def test_both_engines_offer_what_the_flows_need() -> None:
    engines: list[Engine] = [InlineEngine(), LocalEngine(1)]
    assert all(callable(engine.run) and callable(engine.stop) for engine in engines)


def test_many_threads_share_few_workers_without_mixing_answers(engine: LocalEngine) -> None:
    with ThreadPoolExecutor(16) as threads:
        sums = list(threads.map(lambda n: engine.run(stage("add", first=n, second=1000)), range(400)))
    assert sums == [n + 1000 for n in range(400)]
