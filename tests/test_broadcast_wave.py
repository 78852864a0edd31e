"""The Broadcast Wave master, read back by a reader of this test's own, by libsndfile and by ffmpeg.

The reader follows the offsets of EBU Tech 3285 v2 as check values §6.1 gives them, and the sizes of EBU Tech 3306
(§6.3): it shares no line with the writer.
"""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from captures import decoded_by_ffmpeg, random_samples, tags_by_ffmpeg
from decided import BROADCAST, COPIES, decided, mastered

from pipeline.capture import open_capture
from pipeline.copies import broadcast_wave
from pipeline.copies.broadcast_wave import BroadcastWaveWriter, BroadcastWords, ascii_text, history_text
from pipeline.copies.settings import MasterFormat
from pipeline.standards.bext import loudness_word

RATE_HZ = 48_000
NOT_FILLED_IN = 0x7FFF  # check values §6.1, from memory


def chunks_of(content: bytes) -> dict[bytes, bytes]:
    """Every chunk by name; 64-bit sizes from ds64 where a 32-bit one is 0xFFFFFFFF."""
    position, found = 12, {}
    while position < len(content):
        name, length = struct.unpack("<4sI", content[position : position + 8])
        if length == 0xFFFFFFFF:
            length = struct.unpack("<Q", found[b"ds64"][8:16])[0]
        found[name] = content[position + 8 : position + 8 + length]
        position += 8 + length + length % 2
    assert position == len(content)
    return found


def bext_of(content: bytes) -> dict:
    payload = chunks_of(content)[b"bext"]
    words = struct.unpack("<5h", payload[412:422])
    return {
        "description": payload[0:256].rstrip(b"\0").decode("ascii"),
        "originator": payload[256:288].rstrip(b"\0").decode("ascii"),
        "reference": payload[288:320].rstrip(b"\0").decode("ascii"),
        "date": payload[320:330].rstrip(b"\0").decode("ascii"),
        "time": payload[330:338].rstrip(b"\0").decode("ascii"),
        "time reference": struct.unpack("<Q", payload[338:346])[0],
        "version": struct.unpack("<H", payload[346:348])[0],
        "umid": payload[348:412],
        "loudness": words[0],
        "range": words[1],
        "true peak": words[2],
        "momentary, short-term": words[3:],
        "reserved": payload[422:602],
        "history": payload[602:].rstrip(b"\0").decode("ascii"),
    }


def written(path, samples, words=BROADCAST, loudness=None):
    with BroadcastWaveWriter(path, RATE_HZ, samples.shape[1], words) as wave:
        for block in np.array_split((samples << 8).astype(np.int32), 3):
            wave.write(block)
        if loudness:
            wave.set_loudness(*loudness)
    return path.read_bytes()


@pytest.fixture
def samples():
    return random_samples(24, 3001, 1, seed=5)  # 9003 bytes: odd, so the chunk is padded


def test_every_field_stands_where_ebu_tech_3285_has_it(tmp_path, samples):
    found = bext_of(written(tmp_path / "a.wav", samples, loudness=(-22.68, 7.125, -1.005)))
    assert found == {
        "description": BROADCAST.description,
        "originator": "feltpad",
        "reference": "K-017-A",
        "date": "1984-06-02",
        "time": "",
        "time reference": 0,
        "version": 2,
        "umid": bytes(64),
        "loudness": -2268,  # 0xF724, the example of check values §6.1
        "range": 713,
        "true peak": -101,
        "momentary, short-term": (NOT_FILLED_IN, NOT_FILLED_IN),
        "reserved": bytes(180),
        "history": "".join(f"{line}\r\n" for line in BROADCAST.history),
    }


def test_loudness_that_was_not_measured_is_marked_so(tmp_path, samples):
    for loudness in (None, (None, None, None)):
        found = bext_of(written(tmp_path / "a.wav", samples, loudness=loudness))
        assert (found["loudness"], found["range"], found["true peak"]) == (NOT_FILLED_IN,) * 3


@pytest.mark.parametrize(
    ("value", "word"),
    [(-23.0, -2300), (-22.684, -2268), (-22.685, -2269), (22.685, 2269), (-0.004, 0), (0.005, 1), (-400.0, -32768),
     (400.0, 32766), (None, NOT_FILLED_IN)],
)  # fmt: skip
def test_loudness_is_rounded_half_away_from_zero_and_kept_in_its_range(value, word):
    """Check values §6.1; the rounding rule is from memory."""
    assert loudness_word(value) == word


def test_long_and_foreign_texts_are_cut_and_never_spill_into_the_next_field(tmp_path, samples):
    long = BroadcastWords(
        "ü" * 300, "o" * 40, "r" * 40, "2026-02-11T10:40", "10:40:12.5", ("A=ANALOGUE,T=" + "x" * 999,)
    )
    found = bext_of(written(tmp_path / "a.wav", samples, long))
    assert found["description"] == "?" * 256
    assert (found["originator"], found["reference"]) == ("o" * 32, "r" * 32)
    assert (found["date"], found["time"]) == ("2026-02-11", "10:40:12")
    assert found["history"] == long.history[0] + "\r\n"
    assert found["version"] == 2 and found["reserved"] == bytes(180)


def test_free_text_cannot_break_a_line_or_a_field_of_the_history():
    assert history_text("deck, mended\r\nin May") == "deck; mended  in May"
    assert ascii_text("Größe 🎸", 99) == b"Gr??e ?"


def test_the_samples_come_out_as_they_went_in_by_three_readers(tmp_path, samples):
    path = tmp_path / "a.wav"
    content = written(path, samples)
    packed = b"".join(int(n).to_bytes(3, "little", signed=True) for n in samples[:, 0])
    assert chunks_of(content)[b"data"] == packed
    assert decoded_by_ffmpeg(path, "s24le") == packed
    assert np.array_equal(soundfile.read(path, dtype="int32", always_2d=True)[0], samples << 8)
    assert not open_capture(path).length_is_wrong
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
    assert struct.unpack("<HHIIHH", chunks_of(content)[b"fmt "]) == (1, 1, RATE_HZ, RATE_HZ * 3, 3, 24)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [3000, 3001])
def test_beyond_4_gib_it_becomes_rf64(tmp_path, monkeypatch, channels, frames):
    """The limit is brought down to where a test can reach it; the sizes must stand in ds64 then."""
    samples = random_samples(24, frames, channels, seed=6)
    plain = written(tmp_path / "plain.wav", samples)
    riff_bytes = len(plain) - 8
    monkeypatch.setattr(broadcast_wave, "_LARGEST_RIFF_BYTES", riff_bytes)
    assert written(tmp_path / "fits.wav", samples) == plain
    monkeypatch.setattr(broadcast_wave, "_LARGEST_RIFF_BYTES", riff_bytes - 1)
    path = tmp_path / "large.wav"
    content = written(path, samples, loudness=(-22.68, 7.0, -1.0))
    assert content[:4] == b"RF64" and content[8:16] == b"WAVEds64"
    assert struct.unpack("<I", content[4:8])[0] == 0xFFFFFFFF
    found = chunks_of(content)
    assert struct.unpack("<QQQI", found[b"ds64"]) == (riff_bytes, 3 * channels * frames, frames, 0)
    assert found[b"data"] == chunks_of(plain)[b"data"]
    assert bext_of(content)["loudness"] == -2268
    assert decoded_by_ffmpeg(path, "s24le") == found[b"data"]
    assert soundfile.info(path).format == "RF64"
    assert np.array_equal(soundfile.read(path, dtype="int32", always_2d=True)[0], samples << 8)
    assert not open_capture(path).length_is_wrong


def test_ffmpeg_reads_the_words_of_a_whole_master(tmp_path):
    wave = 0.1 * np.sin(2 * np.pi * 997 * np.arange(5 * RATE_HZ) / RATE_HZ)[:, None]
    settings = replace(COPIES.master, format=MasterFormat.WAVE)
    path, facts = mastered(tmp_path, np.repeat(wave, 2, axis=1), RATE_HZ, decided(5.0), settings=settings)
    tags = tags_by_ffmpeg(path)
    words = tags.get("description") or tags["comment"]  # newer ffmpeg calls it comment
    assert words.rstrip("\0") == BROADCAST.description
    assert (tags["encoded_by"], tags["originator_reference"]) == ("feltpad", "K-017-A")
    assert tags["date"] == "1984-06-02" and tags["time_reference"] == "0"
    assert tags["coding_history"].splitlines() == list(BROADCAST.history)
    found = bext_of(path.read_bytes())
    # A 997 Hz sine of peak 0.1 (-20 dBFS) on both channels reads -20 LUFS by BS.1770's anchor.
    assert found["loudness"] == pytest.approx(-2000, abs=2) and found["range"] == 0
    assert found["true peak"] == pytest.approx(-2000, abs=2)
    assert facts.integrated_lufs == pytest.approx(-20.0, abs=0.02)


def test_a_failure_while_writing_leaves_the_file_unfinished_but_closed(tmp_path, samples):
    with pytest.raises(KeyError), BroadcastWaveWriter(tmp_path / "a.wav", RATE_HZ, 1, BROADCAST) as wave:
        wave.write((samples << 8).astype(np.int32))
        raise KeyError
    assert (tmp_path / "a.wav").read_bytes()[4:8] == bytes(4)  # no size: nobody takes it for finished
