"""The main job from a box to sealed tapes and back again through reruns, without Prefect: every stage runs here."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import bagit
import jsonschema
import mutagen
import numpy as np
import pytest
import soundfile

from flows.box import jobs_due
from flows.cli import main
from flows.workers import StageCall, perform
from pipeline import side_steps
from pipeline.again import Wishes, make_again, plan_again
from pipeline.archive import Archive
from pipeline.copies import access, encoder
from pipeline.errors import ArchiveError, DecisionError, SheetError
from pipeline.finish import read_qc
from pipeline.ledger import Ledger
from pipeline.making import Hands, make_tapes
from pipeline.plan import plan_box
from pipeline.qc import CopyKind, TapeQC, Verdict
from pipeline.records import json_schema
from pipeline.seal import verify_tape
from pipeline.source import read_source
from pipeline.step import Desk

RATE_HZ = 48_000
NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
SLOW = 436 / 440


def side_of_tape(seed: int, tone: bool) -> np.ndarray:
    """Leader, hiss, a 440 Hz tone that the deck plays at 436 Hz, hiss, a melody, hiss: 24 s in two equal channels."""
    rng = np.random.default_rng(seed)
    electronics = lambda s: rng.normal(0, 10 ** (-88 / 20), round(s * RATE_HZ))  # noqa: E731
    hiss = lambda s: rng.normal(0, 10 ** (-62 / 20), round(s * RATE_HZ))  # noqa: E731
    parts = [electronics(2.0), hiss(2.0)]
    if tone:
        t = np.arange(6 * RATE_HZ) / RATE_HZ
        wow = 2 * np.pi * 436 * 0.0012 / (2 * np.pi * 6.3) * np.sin(2 * np.pi * 6.3 * t)
        parts += [0.2 * np.sin(2 * np.pi * 436 * t + wow) + hiss(6.0), hiss(2.0)]
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    beat = np.floor(t * 2)
    pitch = 220 * 2 ** (rng.integers(0, 12, 32)[beat.astype(int)] / 12) * SLOW
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    melody = sum(np.sin(k * phase) / k**1.5 for k in range(1, 6)) * 0.1 * np.exp(-2 * (t * 2 - beat))
    parts += [melody + hiss(8.0), hiss(4.0)]
    mono = np.concatenate(parts)
    return np.stack([mono, mono], axis=1) + rng.normal(0, 1e-6, (len(mono), 2))


@pytest.fixture(scope="module")
def box(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("box")
    (folder / "captures").mkdir()
    for name, seed, tone in (("M1-A", 1, True), ("M1-B", 2, False), ("M2-A", 3, True)):
        soundfile.write(folder / "captures" / f"{name}.wav", side_of_tape(seed, tone), RATE_HZ, subtype="PCM_24")
    (folder / "deck.toml").write_text('[deck]\nlabel = "bench mule"\nreplay_equalisation_us = 120.0\n')
    (folder / "box.toml").write_text(
        '[box]\nid = "moor-1"\ntitle = "Moor & Heath, reel talk"\nowner = "Nobody"\nrights = "none"\nlanguage = "eng"\n'
        '[deck]\nfile = "deck.toml"\n[reference]\ntone_hz = [440.0]\n'
    )
    (folder / "tapes.csv").write_text(
        "tape,side,capture,title,tape_type,tone_hz,read_hz,Shelf\n"
        "M1,A,captures/M1-A.wav,Grüße <b>,I,,,3b\n"
        "M1,B,captures/M1-B.wav,,II,440,436.4,\n"
        "M2,A,captures/M2-A.wav,Two,,,,\n",
        encoding="utf-8",
    )
    return folder


class Here:
    """Runs stages in this process and remembers which."""

    def __init__(self) -> None:
        self.stages: list[str] = []

    def __call__(self, function, arguments, place, stage):
        self.stages.append(f"{place}: {stage}")
        return perform(StageCall(function, arguments, stage, tell_as="tell"))


def digitize(box: Path, root: Path, tapes=()):
    archive = Archive(root)
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    run = Here()
    made = make_tapes(plan_box(box, tapes).jobs, desk, Hands(run), 1, lambda side, error: None, lambda: NOW)
    return made, run.stages, desk


def rerun(root: Path, tape: str, side: str | None, wishes: Wishes):
    archive = Archive(root)
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    run = Here()
    made = make_again(plan_again(archive, tape, side, wishes, NOW), desk, run, lambda side, error: None, lambda: NOW)
    return made, run.stages


@pytest.fixture(scope="module")
def first(box, tmp_path_factory):
    root = tmp_path_factory.mktemp("archive") / "a"
    return root, *digitize(box, root)


def test_without_an_encoder_the_master_is_made_and_the_access_copy_tells(box, tmp_path, monkeypatch):
    monkeypatch.setattr(encoder, "ffmpeg_path", lambda: str(tmp_path / "none"))
    (made,), stages, _ = digitize(box, tmp_path / "a", ["M2"])
    assert "ffmpeg could not be started" in made.failed[0].error
    assert "M2 side A: access" in stages


def test_an_access_copy_is_the_same_encoded_beside_its_master_or_afterwards(box, first, tmp_path, monkeypatch):
    """M1 side B is equalised, which changes its loudness: what to expect is not known, and it gets no draft."""
    written = []
    write_once = access._write_once
    monkeypatch.setattr(
        access, "_write_once", lambda master, *rest: written.append(master.stem) or write_once(master, *rest)
    )
    digitize(box, tmp_path / "beside")
    assert written == ["M1-B"]
    monkeypatch.setattr(side_steps, "_draft_gain_db", lambda *_: None)
    digitize(box, tmp_path / "afterwards")
    assert written[1:] == ["M1-A", "M1-B", "M2-A"]
    for name in ("M1/data/access/M1-A.mp3", "M1/data/access/M1-B.mp3", "M2/data/access/M2-A.mp3"):
        assert (tmp_path / "beside" / name).read_bytes() == (tmp_path / "afterwards" / name).read_bytes()
    assert not list(tmp_path.rglob("drafts"))


def test_only_measuring_may_begin_before_the_flow_does(box, first, tmp_path, monkeypatch):
    archive = Archive(tmp_path / "new")
    new = jobs_due(plan_box(box).jobs, Desk(archive, Ledger(archive.state / "ledger")))
    assert [call.label for call in new.measuring] == ["M1 side A: measure", "M1 side B: measure", "M2 side A: measure"]
    root = shutil.copytree(first[0], tmp_path / "made")
    monkeypatch.setattr("pipeline.tape.PAGE_VERSION", "another")  # only pages are due
    made = jobs_due(plan_box(box).jobs, Desk(Archive(root), Ledger(root / ".feltpad" / "ledger")))
    assert len(made.jobs) == 2
    assert made.measuring == []


@pytest.fixture
def archive_copy(first, tmp_path) -> Path:
    return shutil.copytree(first[0], tmp_path / "a", copy_function=shutil.copy2)


def copy_of(root: Path, tape: str, side: str, kind: CopyKind):
    qc = read_qc(Archive(root).sealed(tape))
    record = next(s for s in qc.sides if s.side == side)
    return next(copy for copy in record.copies if copy.kind is kind)


def digests(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_the_tone_sets_the_ratio_within_two_parts_in_a_hundred_thousand(first):
    side = read_qc(Archive(first[0]).sealed("M1")).sides[0]
    assert side.measurement.speed.error_percent == pytest.approx(100 * (436 / 440 - 1), abs=0.002)
    assert side.decisions.speed.source == "tone"
    assert side.decisions.speed.ratio == pytest.approx(440 / 436, rel=2e-5)


def test_the_sheets_reading_goes_before_everything_else(first):
    side = read_qc(Archive(first[0]).sealed("M1")).sides[1]
    assert (side.decisions.speed.source, side.decisions.speed.by) == ("reading", "sheet")
    assert side.decisions.speed.ratio == 440 / 436.4
    assert side.measurement.speed.source == "reading"


def test_a_mono_deck_captured_in_stereo_gives_mono_copies_and_the_master_holds_only_programme(first):
    master = copy_of(first[0], "M1", "A", CopyKind.MASTER)
    assert master.channels == 1
    assert master.duration_s == pytest.approx((8 + 1 + 2) * SLOW, abs=0.5)


def test_a_type_two_tape_on_a_120_us_deck_is_re_equalised_and_a_type_one_is_not(first):
    sides = read_qc(Archive(first[0]).sealed("M1")).sides
    assert [side.decisions.equalisation.changes for side in sides] == [False, True]


def test_the_preservation_copy_decodes_to_the_bytes_of_the_captures_data_chunk(box, first):
    capture = (box / "captures" / "M1-A.wav").read_bytes()
    data = capture[capture.index(b"data") + 8 :]
    samples, _ = soundfile.read(first[0] / "M1/data/preservation/M1-A.flac", dtype="int32")
    packed = np.ascontiguousarray(samples.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:]).tobytes()
    assert packed == data[: len(packed)] and len(packed) == len(samples) * 6
    assert copy_of(first[0], "M1", "A", CopyKind.PRESERVATION).audio_sha256 == hashlib.sha256(packed).hexdigest()


def test_qc_json_keeps_to_its_schema_and_the_schema_in_the_repo_is_the_records_own(first):
    schema = json_schema(TapeQC)
    for tape in ("M1", "M2"):
        jsonschema.validate(json.loads((first[0] / tape / "data/qc/qc.json").read_text("utf-8")), schema)


def test_the_capture_file_comes_back_byte_for_byte_and_never_over_another(box, first, tmp_path, capsys):
    out = tmp_path / "again.wav"
    command = ["restore", str(first[0]), "--tape", "M1", "--side", "A", "--out", str(out)]
    assert main(command) == 0
    assert out.read_bytes() == (box / "captures/M1-A.wav").read_bytes()
    assert main(command) == 2
    assert "is there already" in capsys.readouterr().err


def test_tags_come_from_the_sheet_also_from_columns_feltpad_does_not_know(first):
    tags = mutagen.File(first[0] / "M1/data/master/M1-A.flac").tags
    assert tags["title"] == ["Grüße <b>"]
    assert tags["sheet-shelf"] == ["3b"]
    access = mutagen.File(first[0] / "M1/data/access/M1-A.mp3").tags
    assert access["TIT2"].text == ["Grüße <b>"] and access["TMED"].text == ["MC/4/I"]


def test_each_tape_is_a_valid_bag_and_verify_agrees(first):
    for tape in ("M1", "M2"):
        bagit.Bag(str(first[0] / tape)).validate()
        assert verify_tape(Archive(first[0]), tape).damages == ()


def test_the_captures_are_as_they_were(box, first):
    for path in (box / "captures").iterdir():
        again = hashlib.sha256(path.read_bytes()).hexdigest()
        tape, side = path.stem.split("-")
        measured = next(s for s in read_qc(Archive(first[0]).sealed(tape)).sides if s.side == side).measurement
        assert measured.capture.sha256 == again


def test_digitizing_again_does_nothing_at_all(box, first, archive_copy):
    digitize(box, archive_copy)  # a copied archive has new time stamps: files are hashed once
    before = digests(archive_copy / "M1")
    made, stages, _ = digitize(box, archive_copy)
    assert stages == []
    assert all(tape.steps_done == () for tape in made)
    assert digests(archive_copy / "M1") == before


def test_a_changed_capture_is_made_again_alone(box, first, archive_copy, tmp_path):
    other = shutil.copytree(box, tmp_path / "box", copy_function=shutil.copy2)
    samples, _ = soundfile.read(other / "captures/M2-A.wav")
    soundfile.write(other / "captures/M2-A.wav", samples * 0.9, RATE_HZ, subtype="PCM_24")
    _, stages, _ = digitize(other, archive_copy)
    assert [s for s in stages if not s.startswith("M2")] == []
    assert stages == [
        "M2 side A: measure",
        "M2 side A: preserve",
        "M2 side A: master",
        "M2 side A: access",
        "M2: finish",
    ]


def test_a_deleted_copy_is_made_again_alone_and_is_the_same(box, first, archive_copy):
    expected = copy_of(archive_copy, "M1", "B", CopyKind.ACCESS)
    (archive_copy / expected.path.replace("data", "M1/data", 1)).unlink()
    _, stages, _ = digitize(box, archive_copy)
    assert stages == ["M1 side B: access", "M1: finish"] or stages == ["M1 side B: access"]
    assert copy_of(archive_copy, "M1", "B", CopyKind.ACCESS).sha256 == expected.sha256
    assert verify_tape(Archive(archive_copy), "M1").damages == ()


def test_a_rerun_with_a_better_reading_renders_only_that_side_and_keeps_the_preservation_copy(archive_copy):
    before = digests(archive_copy / "M1")
    made, stages = rerun(archive_copy, "M1", "B", Wishes(read_hz=436.0, true_hz=440.0))
    after = digests(archive_copy / "M1")
    assert stages == ["M1 side B: master", "M1 side B: access", "M1: finish"]
    same = {name for name in before if after.get(name) == before[name]}
    assert {"data/preservation/M1-A.flac", "data/preservation/M1-B.flac", "data/master/M1-A.flac"} <= same
    assert "data/decisions/B-r0001.toml" in same and "data/decisions/B-r0002.toml" in after
    side = read_qc(Archive(archive_copy).sealed("M1")).sides[1]
    assert (side.revision, side.decisions.speed.by) == (2, "person")
    assert side.decisions.speed.ratio == 440 / 436
    bagit.Bag(str(archive_copy / "M1")).validate()
    assert made.verdict in set(Verdict)


def test_going_back_gives_bit_identical_audio_and_a_record_of_three_revisions(archive_copy):
    first_master = copy_of(archive_copy, "M1", "A", CopyKind.MASTER)
    first_access = copy_of(archive_copy, "M1", "A", CopyKind.ACCESS)
    rerun(archive_copy, "M1", "A", Wishes(ratio=1.02))
    assert copy_of(archive_copy, "M1", "A", CopyKind.MASTER).audio_sha256 != first_master.audio_sha256
    rerun(archive_copy, "M1", "A", Wishes(revision=1))
    assert copy_of(archive_copy, "M1", "A", CopyKind.MASTER).audio_sha256 == first_master.audio_sha256
    assert copy_of(archive_copy, "M1", "A", CopyKind.ACCESS).sha256 == first_access.sha256
    kept = sorted(path.name for path in (archive_copy / "M1/data/decisions").glob("A-*"))
    assert kept == ["A-r0001.toml", "A-r0002.toml", "A-r0003.toml"]


def test_a_rerun_needs_neither_the_box_nor_the_ledger(archive_copy):
    shutil.rmtree(archive_copy / ".feltpad")
    _, stages = rerun(archive_copy, "M2", None, Wishes(start_s=11.0, stop_s=19.0))
    assert stages == ["M2 side A: master", "M2 side A: access", "M2: finish"]
    assert copy_of(archive_copy, "M2", "A", CopyKind.MASTER).duration_s == pytest.approx(8 * SLOW, abs=0.001)
    assert verify_tape(Archive(archive_copy), "M2").damages == ()


def test_a_rerun_judges_the_bench_result_by_the_captures_own_day(box, tmp_path):
    """The deck was measured in 2020 and 2026; the capture is of 2024, and the archive knows it without the capture."""
    other = shutil.copytree(box, tmp_path / "box")
    with (other / "deck.toml").open("a") as deck:
        deck.write("[[bench]]\ndate = 2020-01-01\nerror_percent = -0.9\n")
        deck.write("[[service]]\ndate = 2025-01-01\nwork = 'new belt'\n")
        deck.write("[[bench]]\ndate = 2026-01-01\nerror_percent = 0.4\n")
    (other / "tapes.csv").write_text("tape,side,capture\nM1,B,captures/M1-B.wav\n", encoding="utf-8")
    stamp = datetime(2024, 6, 1, 12).timestamp()
    os.utime(other / "captures" / "M1-B.wav", (stamp, stamp))
    root = tmp_path / "a"
    digitize(other, root)
    shutil.rmtree(other)

    def judged():
        (side,) = read_qc(Archive(root).sealed("M1")).sides
        bench = [(f.code, f.value) for f in side.findings if f.code.startswith("bench")]
        return bench, side.decisions.speed.ratio, side.measurement.speed.error_percent

    first = judged()
    assert first == ([("bench-old", 1613.0)], pytest.approx(1 / 0.991), pytest.approx(-0.9))
    for wishes in (Wishes(start_s=2.5), Wishes(automatic=True)):
        rerun(root, "M1", None, wishes)
        assert judged() == first
    record = root / "M1" / "data" / "source" / "tape.json"
    assert json.loads(record.read_text("utf-8"))["captured_on"] == {"B": "2024-06-01"}


def test_an_archive_of_before_the_day_was_kept_is_still_read(archive_copy):
    record = archive_copy / "M2" / "data" / "source" / "tape.json"
    document = json.loads(record.read_text("utf-8"))
    del document["captured_on"]
    record.write_text(json.dumps(document), encoding="utf-8")
    assert read_source(Archive(archive_copy).sealed("M2"))[0].captured_on == {}


def test_what_a_person_decided_outlives_digitizing_again(box, archive_copy):
    rerun(archive_copy, "M2", None, Wishes(ratio=1.01))
    digitize(box, archive_copy)
    assert read_qc(Archive(archive_copy).sealed("M2")).sides[0].decisions.speed.ratio == 1.01


def test_a_rerun_that_changes_nothing_makes_nothing(archive_copy):
    rerun(archive_copy, "M2", None, Wishes(ratio=1.01))
    again = plan_again(Archive(archive_copy), "M2", None, Wishes(ratio=1.01), NOW)
    assert again.sides == ()


@pytest.mark.parametrize(
    ("wishes", "message"),
    [
        (Wishes(read_hz=436.0), "--read and --true go together"),
        (Wishes(), "nothing is wished"),
        (Wishes(ratio=1.0, read_hz=436.0, true_hz=440.0), "one source of speed"),
        (Wishes(start_s=30.0), "does not fit a capture"),
        (Wishes(revision=1, automatic=True), "contradict"),
    ],
)
def test_a_wish_that_cannot_be_is_refused_before_anything_is_touched(first, wishes, message):
    with pytest.raises(DecisionError, match=message):
        plan_again(Archive(first[0]), "M2", None, wishes, NOW)


def test_a_tape_or_a_revision_that_is_not_there_names_what_is(first):
    with pytest.raises(ArchiveError, match="tapes here: M1, M2"):
        plan_again(Archive(first[0]), "M9", None, Wishes(ratio=1.0), NOW)
    with pytest.raises(ArchiveError, match="A-r0007"):
        plan_again(Archive(first[0]), "M2", "A", Wishes(revision=7), NOW)


def test_a_title_put_right_changes_tags_and_no_audio(box, archive_copy, tmp_path):
    digitize(box, archive_copy)
    other = shutil.copytree(box, tmp_path / "box", copy_function=shutil.copy2)
    sheet = (other / "tapes.csv").read_text("utf-8")
    (other / "tapes.csv").write_text(sheet.replace("Two", "Second"), "utf-8")
    before = [copy_of(archive_copy, "M2", "A", kind) for kind in CopyKind]
    sealed = digests(archive_copy / "M2")
    _, stages, _ = digitize(other, archive_copy)
    assert stages == ["M2 side A: master words", "M2 side A: access words", "M2: finish"]
    after = [copy_of(archive_copy, "M2", "A", kind) for kind in CopyKind]
    assert [copy.audio_sha256 for copy in after] == [copy.audio_sha256 for copy in before]
    assert mutagen.File(archive_copy / "M2/data/access/M2-A.mp3").tags["TIT2"].text == ["Second"]
    assert mutagen.File(archive_copy / "M2/data/master/M2-A.flac").tags["title"] == ["Second"]
    assert digests(archive_copy / "M2") != sealed
    assert verify_tape(Archive(archive_copy), "M2").damages == ()
    assert digitize(other, archive_copy)[1] == []


def test_another_gain_makes_the_access_copy_alone(archive_copy):
    _, stages = rerun(archive_copy, "M2", None, Wishes(gain_db=-3.0))
    assert stages == ["M2 side A: access", "M2: finish"]
    assert copy_of(archive_copy, "M2", "A", CopyKind.ACCESS).gain_db == pytest.approx(-3.0)


def test_a_side_that_fails_costs_nobody_else_and_is_made_when_it_is_mended(box, tmp_path):
    other = shutil.copytree(box, tmp_path / "box", copy_function=shutil.copy2)
    good = (other / "captures/M1-B.wav").read_bytes()
    flac = other / "captures/M1-B.wav"
    flac.write_bytes(b"RIFF\x00\x00\x00\x00WAVEjunk")
    made, _, _ = digitize(other, tmp_path / "a")
    assert [tape.verdict is not None for tape in made] == [True, True]
    record = read_qc(Archive(tmp_path / "a").sealed("M1"))
    assert record.verdict is Verdict.FAIL and [side.side for side in record.failed] == ["B"]
    assert "M1-B.wav" in record.failed[0].error
    flac.write_bytes(good)
    digitize(other, tmp_path / "a")
    mended = read_qc(Archive(tmp_path / "a").sealed("M1"))
    assert mended.failed == () and [side.side for side in mended.sides] == ["A", "B"]


def test_a_run_cut_off_after_any_stage_goes_on_from_there(box, first, tmp_path):
    class Cut(Here):
        def __init__(self, after: int) -> None:
            super().__init__()
            self.after = after

        def __call__(self, *call):
            if len(self.stages) == self.after:
                raise KeyboardInterrupt
            return super().__call__(*call)

    archive = Archive(tmp_path / "a")
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    jobs = plan_box(box, ["M2"]).jobs
    seen = []
    for _ in range(5):
        run = Cut(1)
        try:
            make_tapes(jobs, desk, Hands(run), 1, lambda side, error: None, lambda: NOW)
        except KeyboardInterrupt:
            seen += run.stages
            assert not (tmp_path / "a" / "M2").exists()
            continue
        seen += run.stages
        break
    assert seen == ["M2 side A: measure", "M2 side A: preserve", "M2 side A: master", "M2 side A: access", "M2: finish"]
    for kind in CopyKind:
        assert copy_of(tmp_path / "a", "M2", "A", kind).audio_sha256 == copy_of(first[0], "M2", "A", kind).audio_sha256


@pytest.mark.parametrize("renames", [0, 1, 2])
def test_a_finish_cut_off_anywhere_and_asked_for_again_finishes_the_tape(archive_copy, monkeypatch, renames):
    """As an engine does whose worker was killed: before a tape's old and new folder change places, between, after."""
    rename, done = Path.rename, []

    class Killed(BaseException):
        pass

    def dying(path, target):
        if path.name == "M2":
            if len(done) == renames:
                raise Killed
            done.append(path)
        return rename(path, target)

    class Twice(Here):
        def __call__(self, *call):
            if call[-1] != "finish":
                return super().__call__(*call)
            with monkeypatch.context() as patched:
                patched.setattr(Path, "rename", dying)
                if renames < 2:
                    with pytest.raises(Killed):
                        super().__call__(*call)
                else:
                    super().__call__(*call)
            return super().__call__(*call)

    archive = Archive(archive_copy)
    desk, run = Desk(archive, Ledger(archive.state / "ledger")), Twice()
    plan = plan_again(archive, "M2", "A", Wishes(read_hz=435.5, true_hz=440), NOW)
    make_again(plan, desk, run, lambda side, error: None, lambda: NOW)
    assert len(done) == renames
    assert read_qc(archive.sealed("M2")).sides[0].decisions.revision == 2
    assert verify_tape(archive, "M2").damages == ()
    assert not any((archive.state / "replaced").iterdir())


def test_what_has_rotted_is_not_sealed_in_by_a_rerun(archive_copy):
    path = Archive(archive_copy).sealed("M1").root / copy_of(archive_copy, "M1", "B", CopyKind.ACCESS).path
    was, content = path.stat(), bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
    rerun(archive_copy, "M1", "A", Wishes(read_hz=435.5, true_hz=440))
    damages = verify_tape(Archive(archive_copy), "M1").damages
    assert any(damage.what.startswith("changed since it was sealed") for damage in damages)
    assert {damage.path for damage in damages} == {f"M1/{copy_of(archive_copy, 'M1', 'B', CopyKind.ACCESS).path}"}


def test_a_sheet_error_stops_before_anything_is_written(box, tmp_path):
    other = shutil.copytree(box, tmp_path / "box")
    text = (other / "tapes.csv").read_text("utf-8")
    (other / "tapes.csv").write_text(text.replace("M2,A", "../M2,A"), "utf-8")
    with pytest.raises(SheetError, match="row 4"):
        plan_box(other)


def test_another_access_format_replaces_the_old_copy(box, archive_copy, tmp_path):
    other = shutil.copytree(box, tmp_path / "box", copy_function=shutil.copy2)
    with (other / "box.toml").open("a") as stream:
        stream.write('[copies.access]\nformat = "flac"\n')
    _, stages, _ = digitize(other, archive_copy, ["M2"])
    assert stages == ["M2 side A: access", "M2: finish"]
    assert [path.name for path in (archive_copy / "M2/data/access").iterdir()] == ["M2-A.flac"]
    access = copy_of(archive_copy, "M2", "A", CopyKind.ACCESS)
    assert access.integrated_lufs == pytest.approx(-18.0, abs=0.2)


def digitize_two_a_side(box: Path, root: Path, run):
    archive = Archive(root)
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    jobs = plan_box(box, ["M2"]).jobs
    return make_tapes(jobs, desk, Hands(run, two_a_side=True), 1, lambda side, error: None, lambda: NOW)


def test_a_capture_measured_and_copied_at_the_same_time_gives_the_same_copies(box, first, tmp_path):
    run = Here()
    (made,) = digitize_two_a_side(box, tmp_path / "b", run)
    assert sorted(made.steps_done) == sorted(["A: measure", "A: preserve", "A: master", "A: access", "seal"])
    for kind in CopyKind:
        assert copy_of(tmp_path / "b", "M2", "A", kind) == copy_of(first[0], "M2", "A", kind)
    (again,) = digitize_two_a_side(box, tmp_path / "b", run)
    assert again.steps_done == ()
    assert len(run.stages) == 5


def test_a_capture_that_changes_between_measuring_and_copying_fails_its_side(box, tmp_path):
    here = Here()

    def run(function, arguments, place, stage):
        if stage == "preserve":
            other = tmp_path / "other.wav"
            soundfile.write(other, np.full((48_000 * 60, 2), 0.01), 48_000, subtype="PCM_24")
            arguments = {**arguments, "capture": other}
        return here(function, arguments, place, stage)

    (made,) = digitize_two_a_side(box, tmp_path / "b", run)
    assert made.verdict is None
    assert "change between measuring and copying" in made.failed[0].error
    assert sorted(here.stages) == ["M2 side A: master", "M2 side A: measure", "M2 side A: preserve"]
