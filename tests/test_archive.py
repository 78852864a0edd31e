"""A tape's folder changes in one step, is sealed as a BagIt bag, and every later change to it is named."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import bagit
import numpy as np
import pytest
from decided import COPIES, WORDS, audio_digest, decided, mastered
from pages import side_qc
from signals import melody

from pipeline.archive import Archive
from pipeline.copies.access import write_access
from pipeline.errors import ArchiveError
from pipeline.files import write_text_whole
from pipeline.qc import SCHEMA, CopyKind, TapeQC, Verdict
from pipeline.records import to_plain
from pipeline.seal import decoded_audio_sha256, verify_tape, write_seal

FACTS = {"Source-Organization": "the Hollweg\n family", "External-Identifier": "K-017", "Rights": "", "Deck": "Bench 2"}


def tree(root: Path) -> dict[str, bytes]:
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


# --- one step, whatever happens ---


def begun(archive: Archive, text: str, tape="T1"):
    """Something in work, as a finished run leaves it."""
    folder = archive.begin(tape)
    write_text_whole(folder.payload / "a.txt", text)
    write_text_whole(folder.root / "bagit.txt", "BagIt")
    return folder


def test_a_first_tape_is_made_beside_the_archive_and_then_takes_its_place(tmp_path):
    archive = Archive(tmp_path)
    folder = begun(archive, "one")
    assert archive.tapes() == () and archive.current("T1").root == folder.root
    assert archive.publish("T1").root == tmp_path / "T1"
    assert archive.tapes() == ("T1",) and not folder.root.exists()
    assert (tmp_path / "T1" / "data" / "a.txt").read_text() == "one"


def test_work_on_a_sealed_tape_never_changes_the_sealed_files(tmp_path):
    archive = Archive(tmp_path)
    begun(archive, "one")
    (archive.in_work("T1").payload / "sound.flac").write_bytes(b"large")
    archive.publish("T1")
    sealed = tree(archive.sealed("T1").root)
    folder = begun(archive, "two")
    assert tree(archive.sealed("T1").root) == sealed
    same = folder.payload / "sound.flac"
    assert same.stat().st_ino == (archive.sealed("T1").payload / "sound.flac").stat().st_ino  # no copy of the large
    archive.publish("T1")
    assert (archive.sealed("T1").payload / "a.txt").read_text() == "two"
    assert not list((archive.state / "replaced").iterdir())


def test_a_killed_run_goes_on_with_what_it_had(tmp_path):
    archive = Archive(tmp_path)
    folder = begun(archive, "half")
    assert archive.begin("T1").root == folder.root and (folder.payload / "a.txt").read_text() == "half"
    left = folder.root.with_name(".T2.linking")
    (left / "data").mkdir(parents=True)
    (left / "data" / "rest.txt").write_text("of a killed begin")
    assert list(archive.begin("T2").root.iterdir()) == []


class Killed(BaseException):
    pass


@pytest.mark.parametrize("dies_at", [1, 2, 3])
def test_a_kill_between_any_two_steps_of_the_exchange_loses_nothing(tmp_path, monkeypatch, dies_at):
    """1, 2: before either rename; 3: while the replaced folder is cleared away."""
    archive = Archive(tmp_path)
    begun(archive, "one")
    archive.publish("T1")
    begun(archive, "two")
    steps = []

    def dying(original):
        def call(*arguments, **named):
            steps.append(arguments)
            if len(steps) == dies_at:
                raise Killed
            return original(*arguments, **named)

        return call

    with monkeypatch.context() as patched, pytest.raises(Killed):
        patched.setattr(Path, "rename", dying(Path.rename))
        whole = shutil.rmtree

        def half_cleared(path, **named):
            if Path(path).exists():
                next(p for p in Path(path).rglob("*.txt")).unlink()
                dying(whole)(path, **named)

        patched.setattr(shutil, "rmtree", half_cleared)
        archive.publish("T1")
    archive.recover()
    kept = (archive.sealed("T1").payload / "a.txt").read_text()
    assert kept == ("two" if dies_at == 3 else "one")
    assert not any((archive.state / "replaced").iterdir())
    if dies_at < 3:
        assert (archive.in_work("T1").payload / "a.txt").read_text() == "two"
        archive.publish("T1")
        assert (archive.sealed("T1").payload / "a.txt").read_text() == "two"


def test_the_rest_of_a_killed_clearing_does_not_stop_the_next_exchange(tmp_path):
    archive = Archive(tmp_path)
    begun(archive, "one")
    archive.publish("T1")
    rest = archive.state / "replaced" / "T1" / "data"
    rest.mkdir(parents=True)
    (rest / "a.txt").write_text("zero")
    begun(archive, "two")
    archive.publish("T1")
    assert (archive.sealed("T1").payload / "a.txt").read_text() == "two"


def test_recovering_where_nothing_was_broken_changes_nothing(tmp_path):
    archive = Archive(tmp_path)
    archive.recover()
    begun(archive, "one")
    archive.publish("T1")
    before = tree(tmp_path)
    archive.recover()
    assert tree(tmp_path) == before


def test_links_fall_back_to_copies_where_the_file_system_has_none(tmp_path, monkeypatch):
    archive = Archive(tmp_path)
    begun(archive, "one")
    archive.publish("T1")

    def no_links(*_):
        raise OSError("not supported")

    monkeypatch.setattr(os, "link", no_links)
    folder = archive.begin("T1")
    assert (folder.payload / "a.txt").read_text() == "one"
    assert (folder.payload / "a.txt").stat().st_nlink == 1


def test_a_tape_that_is_not_there_is_told_with_those_that_are(tmp_path):
    archive = Archive(tmp_path)
    for tape in ("T2", "T1"):
        begun(archive, "x", tape)
        archive.publish(tape)
    with pytest.raises(ArchiveError, match="holds no sealed tape 'T3'; tapes here: T1, T2"):
        archive.require("T3")
    with pytest.raises(ArchiveError, match="no such archive"):
        Archive(tmp_path / "none").tapes()


# --- the seal ---


@pytest.fixture(scope="module")
def sealed_once(tmp_path_factory):
    """A tape with one side, its copies, its record, sealed; made once and copied for each test."""
    root = tmp_path_factory.mktemp("sealed")
    archive = Archive(root)
    folder = archive.begin("K-017")
    for place in (folder.preservation, folder.master, folder.access, folder.qc, folder.decisions):
        place.mkdir(parents=True)
    wave = melody(2.0, 48_000, seed=1, level_dbfs=-24)[:, None]
    master, facts = mastered(folder.master, wave, 48_000, decided(2.0, ratio=440 / 436))
    source = (folder.master / "K-017-A-source.flac").rename(folder.preservation / "K-017-A.flac")
    access = folder.access / "K-017-A.mp3"
    heard, _ = write_access(master, facts, decided(2.0).gain, COPIES.access, WORDS, access, 5.0)
    digests = {
        CopyKind.PRESERVATION: (source, audio_digest(source)),
        CopyKind.MASTER: (master, facts.audio_sha256),
        CopyKind.ACCESS: (access, heard.audio_sha256),
    }
    side = side_qc("A")
    copies = tuple(
        replace(
            copy,
            path=folder.relative(digests[copy.kind][0]),
            bytes=digests[copy.kind][0].stat().st_size,
            sha256=hashlib.sha256(digests[copy.kind][0].read_bytes()).hexdigest(),
            audio_sha256=digests[copy.kind][1],
            channels=1,
        )
        for copy in side.copies
    )
    write_record(folder.qc / "qc.json", TapeQC(SCHEMA, "K-017", Verdict.PASS, (replace(side, copies=copies),), ()))
    (folder.payload / "source").mkdir()
    (folder.payload / "source" / "Größe 🎸.txt").write_text("kept as it was named")
    write_seal(folder, FACTS)
    archive.publish("K-017")
    return root


@pytest.fixture
def archive(sealed_once, tmp_path):
    shutil.copytree(sealed_once, tmp_path / "archive")
    return Archive(tmp_path / "archive")


def write_record(path: Path, qc: TapeQC) -> None:
    path.write_text(json.dumps(to_plain(qc)), "utf-8")


def remake_manifests(root: Path) -> None:
    """As somebody would who wants a change to go unseen."""
    bag = bagit.Bag(str(root))
    bag.save(manifests=True)


def damages(archive: Archive) -> dict[str, str]:
    """What is told of each file, under its name in the bag."""
    told: dict[str, list[str]] = {}
    for damage in verify_tape(archive, "K-017").damages:
        told.setdefault(damage.path.removeprefix("K-017/"), []).append(damage.what)
    return {path: "; ".join(what) for path, what in told.items()}


def test_a_sealed_tape_is_a_valid_bag_for_bagit_python_too(archive):
    root = archive.sealed("K-017").root
    bag = bagit.Bag(str(root))
    bag.validate()
    assert (root / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert bag.algorithms == ["sha256"] and bag.info["Source-Organization"] == "the Hollweg family"
    assert "Rights" not in bag.info  # empty: left out
    octets = sum(len(content) for name, content in tree(root).items() if name.startswith("data/"))
    files = sum(name.startswith("data/") for name in tree(root))
    assert bag.info["Payload-Oxum"] == f"{octets}.{files}"


def test_the_manifest_lists_every_file_once_with_its_sha256(archive):
    root = archive.sealed("K-017").root
    lines = (root / "manifest-sha256.txt").read_text("utf-8").splitlines()
    listed = dict(reversed(line.split(maxsplit=1)) for line in lines)
    there = {n: hashlib.sha256(c).hexdigest() for n, c in tree(root).items() if n.startswith("data/")}
    assert listed == there and len(lines) == len(there)
    tags = dict(
        reversed(line.split(maxsplit=1)) for line in (root / "tagmanifest-sha256.txt").read_text("utf-8").splitlines()
    )
    assert set(tags) == {"bagit.txt", "bag-info.txt", "manifest-sha256.txt"}


def test_an_untouched_tape_is_proven_whole(archive):
    proof = verify_tape(archive, "K-017")
    assert proof.damages == () and proof.audio_files == 3
    assert proof.files == len(tree(archive.sealed("K-017").root))
    assert proof.bytes == sum(map(len, tree(archive.sealed("K-017").root).values()))


def test_sealing_does_not_leave_us_in_another_folder(archive, tmp_path):
    before = Path.cwd()
    write_seal(archive.begin("K-017"), FACTS)
    assert Path.cwd() == before


def test_every_bad_file_is_named_and_not_the_first_alone(archive):
    root = archive.sealed("K-017").root
    flip(root / "data" / "preservation" / "K-017-A.flac", -2000)
    (root / "data" / "access" / "K-017-A.mp3").unlink()
    (root / "data" / "extra.txt").write_text("slipped in")
    (root / "data" / "source" / "Größe 🎸.txt").write_text("changed")
    (root / "bag-info.txt").write_text("External-Identifier: other\n")
    found = damages(archive)
    assert set(found) == {
        "data/preservation/K-017-A.flac",
        "data/access/K-017-A.mp3",
        "data/extra.txt",
        "data/source/Größe 🎸.txt",
        "bag-info.txt",
    }
    assert found["data/access/K-017-A.mp3"] == "missing: it is in the manifest"
    assert "put here after sealing" in found["data/extra.txt"]
    assert "changed since it was sealed: SHA-256" in found["data/source/Größe 🎸.txt"]


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 0x01
    path.write_bytes(content)


@pytest.mark.parametrize("kind", ["preservation/K-017-A.flac", "master/K-017-A.flac", "access/K-017-A.mp3"])
def test_one_bit_of_any_copy_is_found_even_with_the_manifests_remade(archive, kind):
    root = archive.sealed("K-017").root
    path = root / "data" / kind
    flip(path, path.stat().st_size // 2)
    assert (
        "changed since it was sealed" in damages(archive)[f"data/{kind}"]
        or "decode" in damages(archive)[f"data/{kind}"]
    )
    remake_manifests(root)
    bagit.Bag(str(root)).validate()  # as a bag it is valid again
    assert list(damages(archive)) == [f"data/{kind}"]


def test_other_audio_in_place_of_a_copy_is_found_with_the_manifests_remade(archive, tmp_path):
    root = archive.sealed("K-017").root
    other, _ = mastered(tmp_path, 0.1 * np.ones((4800, 1)), 48_000, decided(0.1))
    shutil.copy(other, root / "data" / "master" / "K-017-A.flac")
    remake_manifests(root)
    found = verify_tape(archive, "K-017").damages
    assert {damage.path for damage in found} == {"K-017/data/master/K-017-A.flac"}
    assert any("decodes to other audio than recorded" in damage.what for damage in found)


def test_a_copy_whose_tags_alone_were_changed_is_told_too(archive):
    from pipeline.tags import write_tags

    root = archive.sealed("K-017").root
    write_tags(root / "data" / "access" / "K-017-A.mp3", replace(WORDS, title="another title"))
    remake_manifests(root)
    assert damages(archive) == {
        "data/access/K-017-A.mp3": "manifest and qc.json do not agree on its SHA-256: one was changed by hand"
    }


def test_a_copy_taken_away_is_missed_with_the_manifests_remade(archive):
    root = archive.sealed("K-017").root
    (root / "data" / "master" / "K-017-A.flac").unlink()
    remake_manifests(root)
    assert damages(archive) == {"data/master/K-017-A.flac": "recorded in qc.json, but not there"}


def test_a_stereo_file_in_place_of_a_mono_one_is_a_damage_and_no_crash(archive, tmp_path):
    root = archive.sealed("K-017").root
    stereo = np.zeros((48_000, 2)) + 0.01
    master, facts = mastered(tmp_path, stereo, 48_000, decided(1.0))
    write_access(master, facts, decided(1.0).gain, COPIES.access, WORDS, root / "data/access/K-017-A.mp3", 5.0)
    assert set(damages(archive)) == {"data/access/K-017-A.mp3"}


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("bagit.txt", None, "not a readable bag"),
        ("bagit.txt", b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n", "expected BagIt 1.0, found 0.97"),
        ("bagit.txt", b"\xff\xfe", "not a readable bag"),
        ("manifest-sha256.txt", None, "not a readable bag|missing"),
        ("manifest-sha256.txt", b"nonsense\n", "not in the manifest"),
        ("manifest-sha256.txt", b"0" * 64 + b"  data/../../outside.txt\n", "not a readable bag"),
        ("data/qc/qc.json", b"{", "cannot be read as a QC record"),
        ("data/qc/qc.json", b'{"schema": "feltpad.qc/9"}', "expected schema feltpad.qc/1, found 'feltpad.qc/9'"),
        ("data/qc/qc.json", b"[]", "cannot be read as a QC record"),
        ("data/qc/qc.json", None, "missing: it is in the manifest"),
    ],
)
def test_a_spoilt_structure_is_told_and_no_crash(archive, name, content, words):
    path = archive.sealed("K-017").root / name
    path.unlink()
    if content is not None:
        path.write_bytes(content)
    told = " / ".join(f"{path}: {what}" for path, what in damages(archive).items())
    assert any(word in told for word in words.split("|")), told


def test_a_copys_digest_can_be_made_again_from_the_file_alone(archive):
    root = archive.sealed("K-017").root
    record = json.loads((root / "data" / "qc" / "qc.json").read_text("utf-8"))
    for copy in record["sides"][0]["copies"]:
        assert decoded_audio_sha256(root / copy["path"], copy["channels"]) == copy["audio_sha256"]


def test_two_sides_that_begin_at_once_get_one_folder_with_all_that_was_sealed(tmp_path):
    archive = Archive(tmp_path)
    for turn in range(20):
        tape = f"T{turn}"
        payload = archive.sealed(tape).payload
        payload.mkdir(parents=True)
        for number in range(30):
            (payload / f"{number}.txt").write_text(str(number))
        together = threading.Barrier(4)

        def begin(tape=tape, together=together):
            together.wait()
            return archive.begin(tape)

        with ThreadPoolExecutor(4) as pool:
            folders = [each.result() for each in [pool.submit(begin) for _ in range(4)]]
        assert {folder.root for folder in folders} == {archive.in_work(tape).root}
        assert len(list(folders[0].payload.iterdir())) == 30
