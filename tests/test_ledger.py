"""The ledger says "done" only for exactly the same inputs and exactly the files that were written."""

from __future__ import annotations

import hashlib
import json
import math
import os
import random
import subprocess
import sys
import time
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import pytest

import pipeline.ledger as ledger_module
from pipeline.errors import ArchiveError
from pipeline.ledger import WHOLE_TAPE, CaptureDigests, Ledger, StepResult, find_stamp, step_key
from pipeline.records import NotMeasured, Reading

KEY = step_key("render", {"capture": "ab" * 32, "ratio": 1.009174})
COPIES = {"T1/data/master/T1-A.flac": b"fLaC master", "T1/data/access/T1-A.mp3": b"ID3 access"}


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    for path, content in COPIES.items():
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(content)
    return tmp_path


@pytest.fixture
def ledger(archive: Path) -> Ledger:
    ledger = Ledger(archive / ".feltpad" / "ledger")
    found = {"peak_dbfs": -3.5, "n": [1, None]}
    ledger.write("T1", "A", "render", KEY, root=archive, outputs=dict.fromkeys(COPIES), result=found)
    return ledger


def look(ledger: Ledger, archive: Path, key: str = KEY) -> StepResult | None:
    return ledger.find("T1", "A", "render", key, archive)


def record_path(archive: Path) -> Path:
    return archive / ".feltpad/ledger/steps/T1/A/render.json"


def count_hashing(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    hashed: list[Path] = []
    real = ledger_module.sha256_of

    def counting(path: Path) -> str:
        hashed.append(path)
        return real(path)

    monkeypatch.setattr(ledger_module, "sha256_of", counting)
    return hashed


def test_a_written_step_is_found_with_its_result_and_files(ledger: Ledger, archive: Path) -> None:
    found = look(ledger, archive)
    assert found is not None
    assert found.result == {"peak_dbfs": -3.5, "n": [1, None]}
    assert {o.path: o.sha256 for o in found.outputs} == {p: hashlib.sha256(c).hexdigest() for p, c in COPIES.items()}


def test_looking_a_done_step_over_reads_no_file(ledger: Ledger, archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hashed = count_hashing(monkeypatch)
    assert look(ledger, archive)
    assert hashed == []


def test_other_inputs_another_tape_side_or_step_are_not_done(ledger: Ledger, archive: Path) -> None:
    assert look(ledger, archive, step_key("render", {"capture": "ab" * 32, "ratio": 1.0})) is None
    assert ledger.find("T1", "B", "render", KEY, archive) is None
    assert ledger.find("T2", "A", "render", KEY, archive) is None
    assert ledger.find("T1", "A", "measure", KEY, archive) is None


def test_a_record_laid_at_another_sides_place_is_not_done(ledger: Ledger, archive: Path) -> None:
    other = archive / ".feltpad/ledger/steps/T1/B/render.json"
    other.parent.mkdir()
    other.write_bytes(record_path(archive).read_bytes())
    assert ledger.find("T1", "B", "render", KEY, archive) is None


def test_a_record_cut_off_anywhere_is_not_done(ledger: Ledger, archive: Path) -> None:
    whole = record_path(archive).read_bytes()
    for length in range(len(whole)):
        record_path(archive).write_bytes(whole[:length])
        assert look(ledger, archive) is None, f"cut to {length} of {len(whole)} bytes"


def test_a_record_with_any_one_byte_changed_is_not_done(ledger: Ledger, archive: Path) -> None:
    whole = record_path(archive).read_bytes()
    chance = random.Random(20)
    for position in range(len(whole)):
        changed = bytearray(whole)
        changed[position] ^= 1 << chance.randrange(8)
        record_path(archive).write_bytes(changed)
        found = look(ledger, archive)
        # A flipped bit may only ever leave the very same content (an "e" for an "E" in a number, say).
        assert found is None or json.loads(bytes(changed)) == json.loads(whole), f"bit flipped in byte {position}"


@pytest.mark.parametrize("junk", [b"", b"null", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000])
def test_junk_instead_of_a_record_is_not_done(ledger: Ledger, archive: Path, junk: bytes) -> None:
    record_path(archive).write_bytes(junk)
    assert look(ledger, archive) is None


@pytest.mark.parametrize("path", COPIES)
def test_a_deleted_output_is_not_done(ledger: Ledger, archive: Path, path: str) -> None:
    (archive / path).unlink()
    assert look(ledger, archive) is None


def test_a_folder_in_the_place_of_an_output_is_not_done(ledger: Ledger, archive: Path) -> None:
    place = archive / next(iter(COPIES))
    place.unlink()
    place.mkdir()
    assert look(ledger, archive) is None


def test_an_output_of_another_size_is_not_done(ledger: Ledger, archive: Path) -> None:
    with (archive / next(iter(COPIES))).open("ab") as stream:
        stream.write(b"x")
    assert look(ledger, archive) is None


def test_an_output_changed_in_place_with_its_old_time_put_back_is_not_done(ledger: Ledger, archive: Path) -> None:
    place = archive / "T1/data/access/T1-A.mp3"
    before = place.stat()
    time.sleep(0.02)
    place.write_bytes(b"ID3 ACCESS")
    os.utime(place, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert place.stat().st_mtime_ns == before.st_mtime_ns
    assert place.stat().st_size == before.st_size
    assert look(ledger, archive) is None


def test_a_touched_or_copied_output_is_done_and_read_only_once(
    ledger: Ledger, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.utime(archive / "T1/data/access/T1-A.mp3", ns=(1, 1))
    hashed = count_hashing(monkeypatch)
    assert look(ledger, archive)
    assert look(ledger, archive)
    assert hashed == [archive / "T1/data/access/T1-A.mp3"]


def test_writing_a_step_again_replaces_it(ledger: Ledger, archive: Path) -> None:
    newer = step_key("render", {"ratio": 1.0})
    ledger.write("T1", "A", "render", newer, root=archive, outputs={}, result={})
    assert look(ledger, archive, newer)
    assert look(ledger, archive) is None


def test_a_failed_write_leaves_the_old_record_and_no_litter(
    ledger: Ledger, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OSError, match="no space"):
        ledger.write("T1", "A", "render", "0" * 64, root=archive, outputs={}, result={})
    monkeypatch.undo()
    assert look(ledger, archive)
    assert [path.name for path in record_path(archive).parent.iterdir()] == ["render.json"]


def test_an_output_that_was_never_written_is_refused_by_name(ledger: Ledger, archive: Path) -> None:
    with pytest.raises(ArchiveError, match=r"gone\.flac.*not there"):
        ledger.write("T1", "A", "render", KEY, root=archive, outputs={"T1/gone.flac": None}, result={})


def test_a_step_of_the_whole_tape_has_a_place_of_its_own(ledger: Ledger, archive: Path) -> None:
    key = step_key("seal", {})
    ledger.write("T1", WHOLE_TAPE, "seal", key, root=archive, outputs={}, result={"bag": "T1"})
    found = ledger.find("T1", WHOLE_TAPE, "seal", key, archive)
    assert found is not None
    assert found.result == {"bag": "T1"}


class Layout(StrEnum):
    MONO = "mono"


@dataclass(frozen=True)
class Floor:
    level_dbfs: Reading
    layout: Layout


def test_a_key_depends_on_every_value_and_not_on_the_order() -> None:
    inputs = {"ratio": 1.009174, "path": Path("a/b"), "floor": Floor(-60.0, Layout.MONO), "tones": (440.0, 3150.0)}
    assert step_key("measure", inputs) == step_key("measure", dict(reversed(inputs.items())))
    others = [
        step_key("render", inputs),
        step_key("measure", {**inputs, "ratio": math.nextafter(1.009174, 2.0)}),
        step_key("measure", {**inputs, "path": Path("a/c")}),
        step_key("measure", {**inputs, "floor": Floor(NotMeasured("no hiss"), Layout.MONO)}),
        step_key("measure", {**inputs, "tones": (3150.0, 440.0)}),
        step_key("measure", {**inputs, "more": None}),
    ]
    assert len({step_key("measure", inputs), *others}) == 1 + len(others)


def test_a_key_is_the_same_in_another_process() -> None:
    inputs = {"b": [1, 2.5], "a": "Ærø 🎙"}
    code = f"from pipeline.ledger import step_key; print(step_key('measure', {inputs!r}))"
    env = {**os.environ, "PYTHONHASHSEED": "77", "PYTHONUTF8": "1"}
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True).stdout
    assert told.strip() == step_key("measure", inputs)


@pytest.mark.parametrize(("value", "error"), [(float("nan"), ValueError), (object(), TypeError), (b"x", TypeError)])
def test_a_key_refuses_what_has_no_one_writing(value: object, error: type[Exception]) -> None:
    with pytest.raises(error):
        step_key("measure", {"value": value})


def test_an_untouched_capture_keeps_its_digests_and_a_touched_one_loses_them(tmp_path: Path) -> None:
    capture, ledger = tmp_path / "Ærø \udcff.wav", Ledger(tmp_path / "ledger")
    capture.write_bytes(b"RIFF one")
    stamp, digests = find_stamp(capture), CaptureDigests("a" * 64, "b" * 64)
    assert stamp is not None
    assert ledger.find_capture_digests(capture) is None
    ledger.write_capture_digests(capture, stamp, digests)
    assert Ledger(tmp_path / "ledger").find_capture_digests(capture) == digests
    time.sleep(0.02)
    capture.write_bytes(b"RIFF two")
    os.utime(capture, ns=(stamp.mtime_ns, stamp.mtime_ns))
    assert ledger.find_capture_digests(capture) is None


def test_a_capture_that_changed_while_it_was_read_is_not_remembered(tmp_path: Path) -> None:
    capture, ledger = tmp_path / "a.wav", Ledger(tmp_path / "ledger")
    capture.write_bytes(b"RIFF half")
    stamp = find_stamp(capture)
    assert stamp is not None
    capture.write_bytes(b"RIFF half and the rest")
    ledger.write_capture_digests(capture, stamp, CaptureDigests("a" * 64, "b" * 64))
    assert ledger.find_capture_digests(capture) is None


def test_a_second_run_is_refused_while_the_first_works_and_let_in_after_it_was_killed(tmp_path: Path) -> None:
    code = "import sys, time, pathlib; from pipeline.ledger import Ledger\n"
    code += f"with Ledger(pathlib.Path({str(tmp_path)!r})).held(): print('held', flush=True); time.sleep(60)"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(ArchiveError, match=f"process {other.pid}"), Ledger(tmp_path).held():
            pass
        other.kill()
        other.wait()
        with Ledger(tmp_path).held():
            pass


def test_five_thousand_sides_are_looked_over_in_seconds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)  # what is timed is the looking over
    ledger, output, sides = Ledger(tmp_path / "ledger"), tmp_path / "one.flac", 5_000
    output.write_bytes(b"x")
    for number in range(sides):
        ledger.write(f"T{number}", "A", "render", KEY, root=tmp_path, outputs={"one.flac": "a" * 64}, result={})
    began = time.process_time()
    found = sum(ledger.find(f"T{number}", "A", "render", KEY, tmp_path) is not None for number in range(sides))
    assert found == sides
    assert time.process_time() - began < 5.0
