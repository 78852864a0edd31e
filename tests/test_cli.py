"""The command line as a newcomer meets it: what is printed where, exit codes, and what is left untouched."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from flows.cli import main
from pipeline.measurement import Measurement
from pipeline.records import json_schema

RATE_HZ = 44_100


@pytest.fixture
def box(tmp_path) -> Path:
    folder = tmp_path / "box"
    (folder / "captures").mkdir(parents=True)
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    hiss = np.random.default_rng(7).normal(0, 1e-3, len(t))
    tone = np.where((t > 1) & (t < 7), 0.2 * np.sin(2 * np.pi * 436 * t), 0)
    soundfile.write(folder / "captures" / "one.wav", tone + hiss, RATE_HZ, subtype="PCM_16")
    (folder / "deck.toml").write_text('[deck]\nlabel = "bench mule"\n')
    (folder / "box.toml").write_text(
        '[box]\nid = "b"\ntitle = "b"\nowner = ""\nrights = ""\nlanguage = ""\n[deck]\nfile = "deck.toml"\n'
    )
    (folder / "tapes.csv").write_text("tape,side,capture\nT1,A,captures/one.wav\n")
    return folder


def state_of(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        str(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_measure_prints_one_json_document_that_keeps_to_the_schema(box, capsys):
    before = state_of(box)
    assert main(["measure", str(box / "captures" / "one.wav"), "--tone", "440", "--json"]) == 0
    told = capsys.readouterr()
    document = json.loads(told.out)
    jsonschema.validate(document, json_schema(Measurement))
    assert document["speed"]["source"] == "tone"
    assert document["speed"]["error_percent"] == pytest.approx(100 * (436 / 440 - 1), abs=0.002)
    assert document["flutter"]["scrape_rms_percent"] is None
    assert document["not_measured"]["flutter.scrape_rms_percent"]
    assert told.err == ""
    assert state_of(box) == before


def test_measure_for_a_person_names_the_tone_and_its_error(box, capsys):
    assert main(["measure", str(box / "captures" / "one.wav"), "--tone", "440"]) == 0
    told = capsys.readouterr().out
    assert "436.00" in told and "-0.909" in told


def test_a_tone_without_a_nominal_corrects_nothing(box, capsys):
    assert main(["measure", str(box / "captures" / "one.wav"), "--tone", "1000", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["tones"][0]["nominal_hz"] is None
    assert document["speed"]["source"] == "none" and document["speed"]["ratio"] == 1.0


def test_check_of_a_box_without_problems_writes_nothing_and_ends_with_0(box, capsys):
    before = state_of(box)
    assert main(["check", str(box)]) == 0
    assert "no problems" in capsys.readouterr().err
    assert state_of(box) == before


def test_check_lists_every_problem_with_its_place_and_slip_and_ends_with_2(box, capsys):
    (box / "tapes.csv").write_text(
        "tape,side,capture,ratio,read_hz\n../x,A,captures/one.wav,440,\nT2,A,captures/two.wav,,436\nT2,a,captures/two.wav,,\n"
    )
    (box / "box.toml").write_text((box / "box.toml").read_text() + "[copies.access]\nformat = 'mp4'\nloud = 3\n")
    before = state_of(box)
    assert main(["check", str(box)]) == 2
    told = capsys.readouterr().out
    for words in ("row 2, column tape", "row 2, column ratio", "row 3", "two.wav", "loud"):
        assert words in told, f"{words!r} is missing in\n{told}"
    assert state_of(box) == before


def test_check_as_json_is_one_document(box, capsys):
    (box / "tapes.csv").write_text("tape,side,capture\nT1,A,captures/gone.wav\n")
    assert main(["check", str(box), "--json"]) == 2
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert "gone.wav" in problem["what"]


def test_digitize_with_a_sheet_error_writes_nothing_and_ends_with_2(box, tmp_path, capsys):
    (box / "tapes.csv").write_text("tape,side,capture\nCON,A,captures/one.wav\n")
    assert main(["digitize", str(box), "--out", str(tmp_path / "archive")]) == 2
    assert "CON" in capsys.readouterr().err
    assert not (tmp_path / "archive").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["rerun", "ARCHIVE", "--tape", "T1", "--ratio", "440"],
        ["rerun", "ARCHIVE"],
        ["measure", "x.wav", "--tone", "many"],
        ["digitize", "BOX"],
        ["digitize", "BOX", "--out", "A", "--workers", "0"],
        ["nonsense"],
    ],
)
def test_usage_errors_end_with_2(arguments, capsys):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("command", ["verify", "qc"])
def test_an_archive_that_is_not_there_is_told_in_one_line(tmp_path, command, capsys):
    assert main([command, str(tmp_path / "nowhere")]) == 2
    told = capsys.readouterr()
    assert "no such archive" in told.err and "Traceback" not in told.err


def test_a_capture_that_is_none_is_told_in_one_line_with_the_likely_slip(tmp_path, capsys):
    (tmp_path / "notes.wav").write_text("these are my notes")
    assert main(["measure", str(tmp_path / "notes.wav")]) == 2
    told = capsys.readouterr()
    assert told.out == "" and "notes.wav" in told.err and "?" in told.err


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="this system keeps no process to some of its cores")
@pytest.mark.parametrize(
    ("words", "kept"),
    [
        (["--workers", "1"], True),
        ([], False),
        (["--workers", "500"], False),
        (["--workers", "1", "--engine", "dask"], False),
    ],
)
def test_so_many_workers_keep_so_many_cores_busy(words, kept):
    code = (
        "import os, sys; from flows import cli; before = os.sched_getaffinity(0);"
        " cli._settle_in(cli.build_parser().parse_args(sys.argv[1:])); after = os.sched_getaffinity(0);"
        " assert after <= before; print(len(before), len(after))"
    )
    command = [sys.executable, "-c", code, "digitize", "B", "--out", "A", *words]
    before, after = map(int, subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())
    assert after == (1 if kept else before)


def test_help_answers_without_loading_anything_heavy():
    code = (
        "import sys\nfrom flows.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'prefect', 'scipy', 'librosa', 'pydantic') if m in sys.modules], file=sys.stderr)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "digitize" in told.stdout
    assert told.stderr.strip() == "[]"
