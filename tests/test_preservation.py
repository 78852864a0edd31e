"""The preservation copy holds the capture bit for bit, and with what is kept beside it the file itself comes back."""

from __future__ import annotations

import hashlib
import os
import time

import numpy as np
import pytest
import soundfile
from captures import aiff, chunk, decoded_by_ffmpeg, extensible, fmt, int_bytes, random_samples, rf64, wave

from pipeline.capture import AudioDigest, open_capture, sha256_of
from pipeline.copies import preservation
from pipeline.copies.preservation import write_original, write_preservation
from pipeline.copies.settings import CopySettings
from pipeline.errors import CaptureError, CopyError
from pipeline.settings import read_settings, shipped

SETTINGS = read_settings(CopySettings, shipped("config") / "copies.toml").preservation
FRAMES = 5003
NOTES = chunk(b"bext", bytes(range(256)) * 3) + chunk(b"iXML", b"<a>tape 7</a>")
AFTER = chunk(b"cue ", bytes(28)) + chunk(b"LIST", b"INFOICMT\x03\x00\x00\x00abc\x00")


def preserved(tmp_path, content: bytes, name: str, block_s=0.013):
    source = tmp_path / "captures" / name
    source.parent.mkdir(exist_ok=True)
    source.write_bytes(content)
    return source, write_preservation(open_capture(source), tmp_path / "copy", "T1-A", SETTINGS, block_s)


def decoded_digest(path):
    capture = open_capture(path)
    digest = AudioDigest(capture.encoding)
    for block in capture.blocks(999):
        digest.update(block)
    return digest.hexdigest()


def original_again(tmp_path, source, files):
    head, tail = [*files.kept_beside, None][:2]
    return write_original(files.path, head, tail, sha256_of(source), tmp_path / "again.bin")


def waves():
    """name → (file, its samples as one expects them in a digest, suffix of the copy)."""
    found = {}
    for bits in (8, 16, 24, 32):
        samples = random_samples(bits, FRAMES, 2 if bits != 8 else 1, seed=bits)
        payload = int_bytes(samples, bits, unsigned=bits == 8)
        layout = fmt(samples.shape[1], 96_000, bits)
        signed = int_bytes(samples, bits)
        suffix = ".wav" if bits == 32 else ".flac"
        found[f"wave {bits}"] = (wave(payload, layout, before=NOTES, after=AFTER), signed, suffix)
        found[f"wave {bits} bare"] = (wave(payload, layout), signed, suffix)
        found[f"wave {bits} cut off"] = (wave(payload, layout, before=NOTES, data_length=0)[:-1], None, suffix)
        found[f"aiff {bits}"] = (aiff(int_bytes(samples, bits, "big"), samples.shape[1], 48_000, bits), signed, suffix)
    samples = random_samples(24, FRAMES, 2, seed=77)
    payload = int_bytes(samples, 24)
    found["rf64"] = (rf64(payload, fmt(2, 192_000, 24), len(payload), after=AFTER), payload, ".flac")
    found["bw64"] = (rf64(payload, fmt(2, 48_000, 24), len(payload), magic=b"BW64"), payload, ".flac")
    found["rf64 cut off"] = (rf64(payload, fmt(2, 48_000, 24), 1 << 40), payload, ".flac")
    found["extensible, 20 of 24 bits"] = (wave(payload, extensible(2, 44_100, 24, 20), after=AFTER), payload, ".flac")
    big = wave(int_bytes(samples, 24, "big"), fmt(2, 48_000, 24, order=">"), magic=b"RIFX", order=">")
    found["rifx"] = (big, payload, ".flac")
    found["aifc sowt"] = (aiff(payload, 2, 48_000, 24, b"sowt", after=chunk(b"NAME", b"odd", ">")), payload, ".flac")
    for dtype, code in (("<f4", b"fl32"), ("<f8", b"fl64")):
        values = np.random.default_rng(3).standard_normal((FRAMES, 2)).astype(dtype)
        values[:3, 0] = [np.nan, np.inf, 3.0]
        layout = fmt(2, 48_000, values.itemsize * 8, code=3)
        found[f"float {dtype}"] = (wave(values.tobytes(), layout, before=NOTES, after=AFTER), values.tobytes(), ".wav")
        big_endian = values.astype(values.dtype.newbyteorder(">")).tobytes()
        content = aiff(big_endian, 2, 48_000, values.itemsize * 8, code)
        found[f"aifc {dtype}"] = (content, values.tobytes(), ".wav")
    return found


WAVES = waves()


@pytest.mark.parametrize("kind", WAVES)
def test_the_copy_decodes_to_the_captures_samples_and_gives_the_file_back(tmp_path, kind):
    content, samples, suffix = WAVES[kind]
    source, files = preserved(tmp_path, content, "take.bin")
    assert files.path.name == f"T1-A{suffix}"
    assert decoded_digest(files.path) == decoded_digest(source)
    if samples is not None:
        assert decoded_digest(files.path) == hashlib.sha256(samples).hexdigest()
    assert original_again(tmp_path, source, files).read_bytes() == content


@pytest.mark.parametrize(
    ("kind", "sample_format"),
    [("wave 16", "s16le"), ("wave 24", "s24le"), ("wave 32", "s32le"), ("float <f4", "f32le"), ("float <f8", "f64le"),
     ("rf64", "s24le"), ("aiff 24", "s24le"), ("bw64", "s24le")],
)  # fmt: skip
def test_ffmpeg_decodes_the_copy_to_the_captures_samples(tmp_path, kind, sample_format):
    content, samples, _ = WAVES[kind]
    _, files = preserved(tmp_path, content, "take.bin")
    assert hashlib.sha256(decoded_by_ffmpeg(files.path, sample_format)).digest() == hashlib.sha256(samples).digest()


def test_what_stood_around_the_samples_is_kept_byte_for_byte(tmp_path):
    content, samples, _ = WAVES["wave 24"]
    _, files = preserved(tmp_path, content, "take.wav")
    head, tail = files.kept_beside
    assert (head.name, tail.name) == ("T1-A-head.bin", "T1-A-tail.bin")
    assert head.read_bytes() + samples + tail.read_bytes() == content
    assert NOTES in head.read_bytes() and tail.read_bytes() == AFTER


def test_a_flac_capture_is_copied_byte_for_byte_with_its_tags(tmp_path):
    path = tmp_path / "made.flac"
    samples = random_samples(24, FRAMES, 2, seed=5)
    with soundfile.SoundFile(path, "w", 48_000, 2, "PCM_24") as sound:
        sound.title = "reel in the attic"
        sound.write((samples << 8).astype(np.int32))
    source, files = preserved(tmp_path, path.read_bytes(), "take.flac")
    assert files.path.read_bytes() == source.read_bytes() and files.kept_beside == ()
    assert decoded_digest(files.path) == hashlib.sha256(int_bytes(samples, 24)).hexdigest()


def test_the_same_capture_gives_the_same_bytes_whenever_and_in_whatever_blocks(tmp_path):
    kinds = ["wave 24", "wave 32", "float <f4", "float <f8"]

    def copies(block_s):
        made = [preserved(tmp_path / kind, WAVES[kind][0], "take.wav", block_s)[1] for kind in kinds]
        return [files.path.read_bytes() for files in made]

    for kind in kinds:
        (tmp_path / kind).mkdir()
    first = copies(block_s=0.013)
    time.sleep(1.1)  # a date in the file would have moved on
    assert copies(block_s=0.5) == first


def test_long_float_captures_become_rf64(tmp_path, monkeypatch):
    monkeypatch.setattr(preservation, "LARGEST_WAVE_BYTES", 10_000)
    content, samples, _ = WAVES["float <f4"]
    source, files = preserved(tmp_path, content, "take.wav")
    assert files.path.read_bytes()[:4] == b"RF64"
    assert decoded_by_ffmpeg(files.path, "f32le") == samples
    assert original_again(tmp_path, source, files).read_bytes() == content


def test_writing_again_never_changes_a_file_that_is_linked_elsewhere(tmp_path):
    """A sealed bag's files are hard links into the working folder."""
    _, files = preserved(tmp_path, WAVES["wave 24"][0], "take.wav")
    sealed = tmp_path / "sealed"
    sealed.mkdir()
    for path in (files.path, *files.kept_beside):
        os.link(path, sealed / path.name)
    before = {path.name: path.read_bytes() for path in sealed.iterdir()}
    preserved(tmp_path, WAVES["wave 16"][0], "other.wav")
    assert {path.name: path.read_bytes() for path in sealed.iterdir()} == before
    assert (tmp_path / "copy" / "T1-A-head.bin").read_bytes() != before["T1-A-head.bin"]


def test_another_capture_in_its_place_leaves_nothing_of_the_first(tmp_path):
    preserved(tmp_path, WAVES["float <f4"][0], "take.wav")
    _, files = preserved(tmp_path, WAVES["wave 24 bare"][0], "take.wav")
    left = sorted(path.name for path in (tmp_path / "copy").iterdir())
    assert left == ["T1-A-head.bin", "T1-A.flac"] == sorted(p.name for p in (files.path, *files.kept_beside))


def test_a_capture_that_breaks_on_the_way_leaves_nothing(tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(WAVES["wave 24"][0])
    capture = open_capture(path)
    path.write_bytes(WAVES["wave 24"][0][:-20_000])  # somebody works on it
    with pytest.raises(CaptureError, match=r"damaged near|ends at"):
        write_preservation(capture, tmp_path / "copy", "T1-A", SETTINGS, 0.1)
    assert list((tmp_path / "copy").iterdir()) == []


def test_a_wrong_head_is_told_and_leaves_nothing(tmp_path):
    source, files = preserved(tmp_path, WAVES["wave 24"][0], "take.wav")
    head, tail = files.kept_beside
    head.write_bytes(head.read_bytes().replace(b"tape 7", b"tape 8"))
    with pytest.raises(CopyError, match=r"again\.bin: came out with SHA-256 .* of one side"):
        write_original(files.path, head, tail, sha256_of(source), tmp_path / "again.bin")
    assert not list(tmp_path.glob("*again*"))


def test_the_capture_is_untouched(tmp_path):
    source = tmp_path / "take.wav"
    source.write_bytes(WAVES["wave 24"][0])
    os.utime(source, ns=(1, 1))
    source.chmod(0o444)
    write_preservation(open_capture(source), tmp_path / "copy", "T1-A", SETTINGS, 0.1)
    assert source.stat().st_mtime_ns == 1 and source.read_bytes() == WAVES["wave 24"][0]
