"""The whole command under Prefect's embedded server: what a person gets, and what a killed run leaves behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile

pytestmark = [pytest.mark.flow, pytest.mark.slow]

RATE_HZ = 44_100


@pytest.fixture(scope="module")
def box(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("flow") / "box"
    (folder / "captures").mkdir(parents=True)
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    for seed, name in enumerate(("one", "two", "three")):
        rng = np.random.default_rng(seed)
        notes = np.sin(2 * np.pi * np.cumsum(rng.choice([220, 277, 330, 440], 40)[(t * 2).astype(int)]) / RATE_HZ)
        loud = np.where((t > 2) & (t < 17), 0.2 * notes * np.exp(-3 * (t * 2 % 1)), 0)
        soundfile.write(folder / "captures" / f"{name}.wav", loud + rng.normal(0, 1e-3, len(t)), RATE_HZ, "PCM_24")
    (folder / "captures" / "four.wav").write_bytes(b"RIFF\x10\x00\x00\x00WAVEnothing here")
    (folder / "deck.toml").write_text('[deck]\nlabel = "bench mule"\n')
    (folder / "box.toml").write_text(
        '[box]\nid = "b"\ntitle = "b"\nowner = "o"\nrights = ""\nlanguage = ""\n[deck]\nfile = "deck.toml"\n'
    )
    rows = "T1,A,captures/one.wav\nT1,B,captures/two.wav\nT2,A,captures/three.wav\nT2,B,captures/four.wav\n"
    (folder / "tapes.csv").write_text("tape,side,capture\n" + rows)
    return folder


def start(box: Path, out: Path, **more) -> subprocess.Popen:
    command = [sys.executable, "-m", "flows.cli", "digitize", str(box), "--out", str(out), "--workers", "2"]
    environment = {**os.environ, "HOME": str(out.parent / "home"), **more}
    (out.parent / "home").mkdir(exist_ok=True)
    root = Path(__file__).parent.parent
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=root
    )


def processes_that_name(text: str) -> list[str]:
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            words = (entry / "cmdline").read_bytes() + (entry / "environ").read_bytes()
        except OSError:
            continue
        if text.encode() in words and int(entry.name) != os.getpid():
            found.append(entry.name)
    return found


@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="looks for left processes in /proc")
def test_a_killed_run_leaves_no_process_and_the_next_one_goes_on_from_what_was_finished(box, tmp_path):
    out = tmp_path / "archive"
    mark = f"feltpad-test-{tmp_path.name}"
    process = start(box, out, FELTPAD_TEST_MARK=mark)
    deadline = time.monotonic() + 120
    measured = out / ".feltpad/ledger/steps/T1"
    while not list(measured.rglob("preserve.json")) and time.monotonic() < deadline:
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    deadline = time.monotonic() + 10
    while processes_that_name(mark) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert processes_that_name(mark) == []

    stdout, stderr = start(box, out).communicate(timeout=300)
    begun = [line for line in stderr.splitlines() if ": measure" in line]
    assert len(begun) < 3, f"what was measured before the kill was measured again:\n{stderr}"
    assert "four.wav" in stderr and "T2" in stdout
    assert sorted(path.name for path in (tmp_path / "home").iterdir()) == []
    for tape in ("T1", "T2"):
        bagit.Bag(str(out / tape)).validate()
    summary = json.loads((out / "summary.json").read_text("utf-8"))
    assert {(side["tape"], side["side"]) for side in summary["sides"]} == {
        *{("T1", "A"), ("T1", "B"), ("T2", "A"), ("T2", "B")}
    }
    assert not list(out.rglob("*.partial*"))


def test_one_side_that_cannot_be_processed_ends_with_4_and_the_others_are_there(box, tmp_path):
    process = start(box, tmp_path / "archive")
    stdout, stderr = process.communicate(timeout=300)
    assert process.returncode == 4, stderr
    assert "four.wav" in stderr
    assert (tmp_path / "archive/T2/data/master/T2-A.flac").is_file()
    again = start(box, tmp_path / "archive")
    stdout, stderr = again.communicate(timeout=120)
    assert again.returncode == 4
    assert "no audio work was done" in stdout
