"""The Dask engine on a real scheduler with real workers: same results, clear errors, no work lost or left behind."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

pytest.importorskip("distributed", reason="the engine for a cluster needs the extra: pip install 'feltpad[dask]'")

from clusters import Cluster, running_cluster

from flows.dask_engine import DaskEngine
from flows.dask_worker import ClusterUnfit, Demand, find_equipment, find_lack
from flows.engines import EngineStopped, LocalEngine, StageFailed, WorkerDied
from flows.workers import StageCall
from pipeline.archive import Archive
from pipeline.errors import CaptureError, SheetError
from pipeline.finish import read_qc
from pipeline.ledger import Ledger
from pipeline.making import Hands, make_tapes
from pipeline.plan import plan_box
from pipeline.records import to_plain
from pipeline.seal import verify_tape
from pipeline.step import Desk

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent
NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
RATE_HZ = 44_100
LEAVES_AT_ONCE = """
import sys, threading
from pathlib import Path
from flows.dask_engine import DaskEngine
from flows.workers import StageCall
address, folder, mark = sys.argv[1:]
engine = DaskEngine(address, Path(folder)).__enter__()
engine.run(StageCall("clusters:tell_for", {"seconds": 60.0, "mark": mark}, "T1", tell_as="tell"))
"""


def stage(name: str, **arguments: object) -> StageCall:
    return StageCall(f"trial_stages:{name}", arguments, label=f"T1 side A: {name}")


def wait_until(what, seconds: float = 30.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it did not come to pass"
        time.sleep(0.05)


def lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


def pid_in(mark: Path) -> int:
    wait_until(lambda: mark.exists() and mark.read_text().endswith("\n"))
    return int(mark.read_text())


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with running_cluster(tmp_path_factory.mktemp("cluster"), 2) as cluster:
        yield cluster


@pytest.fixture
def engine(cluster: Cluster, tmp_path: Path):
    with DaskEngine(cluster.address, tmp_path / "state") as engine:
        yield engine


def test_a_stage_returns_what_it_returned_and_its_errors_are_those_it_raised(engine):
    assert engine.run(stage("add", first=1.5, second=2)) == 3.5
    with pytest.raises(CaptureError, match=r"^a\.wav: ends at frame 7, 9 were promised$"):
        engine.run(stage("fail_with_capture_error"))
    with pytest.raises(SheetError) as caught:
        engine.run(stage("fail_with_sheet_error"))
    assert [problem.place for problem in caught.value.problems] == ["tapes.csv, row 2", "tapes.csv, row 3"]
    with pytest.raises(StageFailed, match=r"T1 side A.*TypeError: no such luck") as failed:
        engine.run(stage("fail_with_type_error"))
    assert "trial_stages.py" in failed.value.trace


def test_progress_reaches_the_caller(engine):
    heard: list[float] = []
    call = StageCall("trial_stages:report", {"steps": 8}, tell_as="tell")
    assert engine.run(call, heard.append) == 8
    wait_until(lambda: any(0 < fraction <= 1 for fraction in heard), 5)


def test_a_relative_path_means_the_same_on_a_worker_that_stands_elsewhere(engine, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    engine.run(StageCall("shutil:copy", {"src": Path(__file__), "dst": Path("copied")}))
    assert (tmp_path / "copied").read_bytes() == Path(__file__).read_bytes()


@pytest.mark.parametrize(("name", "how"), [("kill_self", "SIGKILL"), ("crash", "SIGSEGV"), ("leave_at_once", "code 7")])
def test_a_stage_that_kills_its_process_costs_itself_and_no_worker(engine, cluster, name, how):
    with ThreadPoolExecutor(4) as threads:
        innocents = [threads.submit(engine.run, stage("sleep", seconds=0.2)) for _ in range(3)]
        culprit = threads.submit(engine.run, stage(name))
        innocents += [threads.submit(engine.run, stage("sleep", seconds=0.2)) for _ in range(3)]
        with pytest.raises(WorkerDied, match=f"T1 side A: {name}.*{how}"):
            culprit.result(30)
        assert [innocent.result(30) for innocent in innocents] == ["slept"] * 6
    assert [worker.poll() for worker in cluster.workers] == [None, None]


def test_stopping_ends_running_and_waiting_stages_and_their_processes(engine, tmp_path):
    with ThreadPoolExecutor(8) as threads:
        running = [threads.submit(engine.run, stage("sleep", seconds=60.0, mark=str(tmp_path / "mark")))]
        pid = pid_in(tmp_path / "mark")
        running += [threads.submit(engine.run, stage("sleep", seconds=60.0)) for _ in range(5)]
        time.sleep(0.2)
        began = time.monotonic()
        engine.stop()
        for future in running:
            with pytest.raises(EngineStopped):
                future.result(5)
        assert time.monotonic() - began < 4
    wait_until(lambda: not lives(pid), 3)
    with pytest.raises(EngineStopped, match="not begun"):
        engine.run(stage("add", first=1, second=2))


def test_a_stage_nobody_waits_for_any_more_ends(cluster, tmp_path):
    command = [sys.executable, "-c", LEAVES_AT_ONCE, cluster.address, str(tmp_path), str(tmp_path / "mark")]
    path = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
    with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": path}) as client:
        pid = pid_in(tmp_path / "mark")
        client.kill()
    wait_until(lambda: not lives(pid), 20)


def test_a_killed_worker_costs_only_the_step_it_had_which_another_one_does_again(tmp_path):
    with running_cluster(tmp_path / "cluster", 1) as cluster, DaskEngine(cluster.address, tmp_path / "state") as engine:
        mark = tmp_path / "mark"
        with ThreadPoolExecutor(1) as threads:
            running = threads.submit(engine.run, stage("sleep", seconds=3.0, mark=str(mark)))
            first = pid_in(mark)
            cluster.workers[0].kill()
            mark.unlink()
            cluster.add_worker()
            assert running.result(30) == "slept"
        assert pid_in(mark) != first
        assert not lives(first)


def test_without_a_scheduler_it_says_so_soon(tmp_path):
    began = time.monotonic()
    with pytest.raises(ClusterUnfit, match=r"tcp://127.0.0.1:9: no Dask scheduler answers.*is it running"):
        DaskEngine("tcp://127.0.0.1:9", tmp_path).__enter__()
    assert time.monotonic() - began < 15
    with pytest.raises(ClusterUnfit, match="no Dask scheduler answers"):
        DaskEngine("nonsense://x", tmp_path).__enter__()


def test_without_workers_it_says_so_at_the_start_and_later(tmp_path):
    with running_cluster(tmp_path / "cluster", 0) as cluster:
        with pytest.raises(ClusterUnfit, match=r"has no worker after 1 s; start some.*dask worker tcp"):
            DaskEngine(cluster.address, tmp_path / "state", patience_s=1).__enter__()
        worker = cluster.add_worker()
        with DaskEngine(cluster.address, tmp_path / "state", patience_s=20) as engine, ThreadPoolExecutor(1) as threads:
            engine._patience_s = 2
            running = threads.submit(engine.run, stage("sleep", seconds=60.0, mark=str(tmp_path / "mark")))
            pid_in(tmp_path / "mark")
            worker.kill()
            with pytest.raises(ClusterUnfit, match=r"no worker .* has been there for 2 s"):
                running.result(20)


def test_a_scheduler_that_goes_away_ends_the_run_with_a_reason(tmp_path):
    with running_cluster(tmp_path / "cluster", 1) as cluster:
        with DaskEngine(cluster.address, tmp_path / "state") as engine, ThreadPoolExecutor(1) as threads:
            call = StageCall(
                "clusters:tell_for", {"seconds": 60.0, "mark": str(tmp_path / "mark")}, "T1", tell_as="tell"
            )
            running = threads.submit(engine.run, call)
            pid = pid_in(tmp_path / "mark")
            cluster.scheduler.kill()
            with pytest.raises(ClusterUnfit, match=r"scheduler at .* was lost|has been reachable"):
                running.result(60)
        wait_until(lambda: not lives(pid), 20)


def test_a_worker_without_feltpad_is_named(tmp_path):
    (tmp_path / "bare/flows").mkdir(parents=True)
    (tmp_path / "bare/flows/__init__.py").write_text("raise ModuleNotFoundError(\"No module named 'flows'\")")
    with running_cluster(tmp_path / "cluster", 0) as cluster:
        cluster.add_worker(PYTHONPATH=str(tmp_path / "bare"))
        with pytest.raises(ClusterUnfit, match="feltpad is not installed there"):
            DaskEngine(cluster.address, tmp_path / "state").__enter__()


def test_a_worker_with_another_feltpad_is_refused_also_when_it_comes_later(tmp_path):
    other = tmp_path / "other"
    for package in ("pipeline", "flows"):
        shutil.copytree(ROOT / package, other / package, ignore=shutil.ignore_patterns("__pycache__"))
    with (other / "pipeline/level.py").open("a") as stream:
        stream.write("\n# another\n")
    with running_cluster(tmp_path / "cluster", 0) as cluster:
        strange = cluster.add_worker(PYTHONPATH=f"{other}{os.pathsep}{ROOT / 'tests'}")
        with pytest.raises(ClusterUnfit, match=r"worker tcp://.*own files .* instead of .*install the same feltpad"):
            DaskEngine(cluster.address, tmp_path / "state").__enter__()
        strange.kill()
        cluster.add_worker()
        with DaskEngine(cluster.address, tmp_path / "state", patience_s=30) as engine:
            assert engine.run(stage("add", first=1, second=2)) == 3
            cluster.workers[-1].kill()
            cluster.add_worker(PYTHONPATH=f"{other}{os.pathsep}{ROOT / 'tests'}")
            with pytest.raises(ClusterUnfit, match=r"T1 side A: add: worker tcp://.*own files"):
                engine.run(stage("add", first=1, second=2))


def test_storage_that_a_worker_does_not_see_is_named(cluster, tmp_path):
    with pytest.raises(ClusterUnfit, match=r"worker tcp://.*cannot read .*box.toml.*storage that every worker sees"):
        DaskEngine(cluster.address, tmp_path / "state", [tmp_path / "box.toml"]).__enter__()
    assert list((tmp_path / "state").iterdir()) == []


def test_another_archive_under_the_same_path_and_one_that_cannot_be_written_are_lacks(tmp_path, monkeypatch):
    demand = Demand("right", find_equipment(), tmp_path / "probe", ())
    demand.probe.write_text("wrong")
    assert "sees another archive" in find_lack(demand)
    demand.probe.write_text("right")
    assert find_lack(demand) == ""
    assert [path.name for path in tmp_path.iterdir()] == ["probe"]
    older = {**demand.equipment, "numpy": "1.0"}
    assert "instead of 1.0" in find_lack(replace(demand, equipment=older))

    def refuse(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(Path, "write_text", refuse)
    assert "cannot write in" in find_lack(demand)


@pytest.fixture(scope="module")
def box(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("box")
    (folder / "captures").mkdir()
    rows = ["tape,side,capture,tone_hz,read_hz"]
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    for seed, (tape, side) in enumerate((("D1", "A"), ("D1", "B"), ("D2", "A"))):
        rng = np.random.default_rng(seed)
        notes = np.sin(2 * np.pi * np.cumsum(rng.choice([220, 277, 330, 440], 60)[(t * 2).astype(int)]) / RATE_HZ)
        loud = np.where((t > 2) & (t < 10), 0.2 * notes * np.exp(-3 * (t * 2 % 1)), 0)
        samples = np.stack([loud, loud * 0.9], axis=1) + rng.normal(0, 1e-3, (len(t), 2))
        soundfile.write(folder / "captures" / f"{tape}{side}.wav", samples, RATE_HZ, "PCM_24")
        rows.append(f"{tape},{side},captures/{tape}{side}.wav,440,{436 + seed}")
    (folder / "box.toml").write_text('[box]\nid = "fen-2"\n')
    (folder / "tapes.csv").write_text("\n".join(rows) + "\n")
    return folder


def digitize(box: Path, root: Path, engine, began=lambda stage: None):
    archive = Archive(root)
    desk = Desk(archive, Ledger(archive.state / "ledger"))

    def run(function, arguments, place, name):
        call = StageCall(function, arguments, f"{place}: {name}", tell_as="tell")
        return engine.run(call, lambda _: began(name))

    return make_tapes(plan_box(box).jobs, desk, Hands(run), 2, lambda side, error: None, lambda: NOW)


def told_of(root: Path) -> list[dict]:
    return [to_plain(read_qc(Archive(root).sealed(tape))) for tape in ("D1", "D2")]


@pytest.fixture(scope="module")
def local(box, tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("local") / "a"
    with LocalEngine(2) as engine:
        digitize(box, root, engine)
    return root


def test_the_archive_is_the_local_engines_bit_for_bit(box, local, engine, tmp_path):
    made = digitize(box, tmp_path / "a", engine)
    assert [tape.failed for tape in made] == [(), ()]
    assert told_of(tmp_path / "a") == told_of(local)
    copies = [
        path.relative_to(local) for kind in ("preservation", "master", "access") for path in local.rglob(f"{kind}/*")
    ]
    assert len(copies) >= 9
    for path in copies:
        assert (tmp_path / "a" / path).read_bytes() == (local / path).read_bytes(), path


@pytest.mark.parametrize("at", ["measure", "master", "finish"])
def test_a_worker_killed_in_any_step_costs_no_side_and_changes_no_copy(box, local, tmp_path, at):
    with running_cluster(tmp_path / "cluster", 1) as cluster, DaskEngine(cluster.address, tmp_path / "state") as engine:
        killing = threading.Lock()

        def began(name: str) -> None:
            if name == at and killing.acquire(blocking=False):  # once
                cluster.workers[0].send_signal(signal.SIGKILL)
                cluster.add_worker()

        made = digitize(box, tmp_path / "a", engine, began)
        assert cluster.workers[0].poll() == -signal.SIGKILL
        suspicions = engine._client.run_on_scheduler(
            lambda dask_scheduler: sum(prefix.suspicious for prefix in dask_scheduler.task_prefixes.values())
        )
        assert suspicions >= 1, "no step was cut off"
    assert [tape.failed for tape in made] == [(), ()]
    assert told_of(tmp_path / "a") == told_of(local)
    assert [verify_tape(Archive(tmp_path / "a"), tape).damages for tape in ("D1", "D2")] == [(), ()]
    assert not list((tmp_path / "a").rglob("*.partial*"))


@pytest.mark.flow
def test_the_command_makes_a_box_on_the_cluster_and_prefect_keeps_the_record(box, cluster, tmp_path):
    command = [sys.executable, "-m", "flows.cli", "digitize", str(box), "--out", "archive", "--quiet"]
    command += ["--engine", "dask", "--scheduler", cluster.address]
    env = {**os.environ, "HOME": str(tmp_path / "home"), "PYTHONPATH": str(ROOT)}
    (tmp_path / "home").mkdir()
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=300)
    assert done.returncode in (0, 3), done.stderr
    assert sorted(path.parent.name for path in (tmp_path / "archive").glob("*/bagit.txt")) == ["D1", "D2"]
    (database,) = (tmp_path / "archive/.feltpad/prefect").rglob("prefect.db")
    with sqlite3.connect(database) as connection:
        rows = connection.execute("select name, state_type from task_run").fetchall()
    assert len(rows) == 14 and {state for _, state in rows} == {"COMPLETED"}
    again = subprocess.run([*command[:-1], "tcp://127.0.0.1:9"], cwd=tmp_path, env=env, capture_output=True, text=True)
    assert again.returncode == done.returncode
    assert "no audio work was done" in again.stdout


def test_the_command_names_what_is_missing(box, tmp_path, capsys):
    from flows.cli import main

    assert main(["digitize", str(box), "--out", str(tmp_path / "a"), "--engine", "dask"]) == 2
    assert "--scheduler" in capsys.readouterr().err
