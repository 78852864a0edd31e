"""Captures of every kind are read bit for bit; what is no capture is refused with words that help.

The truth is the bytes we put into the file ourselves (`tests.captures`), ffmpeg, and hashlib.
"""

from __future__ import annotations

import hashlib
import os
import struct
import sys
import threading

import numpy as np
import pytest
import soundfile
from captures import (
    aiff,
    chunk,
    decoded_by_ffmpeg,
    encoded_by_ffmpeg,
    extensible,
    fmt,
    int_bytes,
    random_samples,
    rf64,
    wave,
)

from pipeline.ahead import ahead
from pipeline.capture import AudioDigest, Encoding, as_float32, open_capture, sha256_of
from pipeline.container import digests_of
from pipeline.errors import CaptureError

hooks: list = []
sys.addaudithook(lambda event, arguments: [hook(event, arguments) for hook in hooks])  # cannot be taken out again

FRAMES = 1013  # a prime: no block size below divides it
BLOCKS = (1, 7, 250, 1012, 5000)
FLAC_ENCODINGS = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}


def written(tmp_path, content: bytes, name="take.wav"):
    path = tmp_path / name
    path.write_bytes(content)
    return path


def read_whole(capture, block_frames):
    return np.concatenate(list(capture.blocks(block_frames)))


def audio_digest(capture, block_frames=250):
    digest = AudioDigest(capture.encoding)
    for block in capture.blocks(block_frames):
        digest.update(block)
    return digest.hexdigest()


def holds(capture, samples, bits):
    """The capture's samples are these whole numbers, however it is cut into blocks."""
    for block_frames in BLOCKS:
        assert np.array_equal(read_whole(capture, block_frames), samples.astype(np.int64) << 32 - bits)
    return True


# --- every kind that is taken ---


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("channels", [1, 2])
def test_an_integer_wave_is_read_bit_for_bit(tmp_path, bits, channels):
    samples = random_samples(bits, FRAMES, channels, seed=bits)
    payload = int_bytes(samples, bits, unsigned=bits == 8)
    capture = open_capture(written(tmp_path, wave(payload, fmt(channels, 48_000, bits))))
    assert (capture.channels, capture.frames, capture.sample_rate_hz) == (channels, FRAMES, 48_000)
    assert capture.encoding == f"pcm{bits}" and not capture.length_is_wrong
    assert holds(capture, samples, bits)
    # 8-bit WAVE counts from 0; the digest is of signed bytes, as the head of the module says
    expected = int_bytes(samples, 8) if bits == 8 else payload
    assert audio_digest(capture) == hashlib.sha256(expected).hexdigest()


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 96_000, 192_000])
def test_every_rate_is_taken(tmp_path, rate_hz):
    samples = random_samples(16, FRAMES, 2, seed=rate_hz)
    capture = open_capture(written(tmp_path, wave(int_bytes(samples, 16), fmt(2, rate_hz, 16))))
    assert capture.sample_rate_hz == rate_hz
    assert capture.duration_s == pytest.approx(FRAMES / rate_hz)
    assert holds(capture, samples, 16)


@pytest.mark.parametrize("dtype", ["<f4", "<f8"])
@pytest.mark.parametrize("layout", ["plain", "extensible"])
def test_a_float_wave_is_read_bit_for_bit_with_all_it_may_hold(tmp_path, dtype, layout):
    values = np.random.default_rng(5).standard_normal((FRAMES, 2)).astype(dtype)
    values[:4, 0] = [2.5, -1e-30, -0.0, 1e6]  # beyond full scale and far below it
    bits = values.itemsize * 8
    head = fmt(2, 96_000, bits, code=3) if layout == "plain" else extensible(2, 96_000, bits, bits, code=3)
    capture = open_capture(written(tmp_path, wave(values.tobytes(), head)))
    assert capture.encoding == f"float{bits}" and capture.encoding.is_float
    for block_frames in BLOCKS:
        assert read_whole(capture, block_frames).tobytes() == values.tobytes()
    assert audio_digest(capture) == hashlib.sha256(values.tobytes()).hexdigest()


@pytest.mark.parametrize(("bits", "valid"), [(16, 16), (24, 24), (24, 20), (32, 32), (32, 24)])
def test_wave_format_extensible_is_read_also_with_fewer_valid_bits(tmp_path, bits, valid):
    samples = random_samples(valid, FRAMES, 2, seed=bits) << bits - valid
    payload = int_bytes(samples, bits)
    capture = open_capture(written(tmp_path, wave(payload, extensible(2, 48_000, bits, valid))))
    assert capture.encoding == f"pcm{bits}"
    assert holds(capture, samples, bits)
    assert audio_digest(capture) == hashlib.sha256(payload).hexdigest()


@pytest.mark.parametrize("bits", [16, 24])
def test_rf64_is_read_with_the_sizes_of_ds64(tmp_path, bits):
    samples = random_samples(bits, FRAMES, 2, seed=3)
    payload = int_bytes(samples, bits)
    path = written(tmp_path, rf64(payload, fmt(2, 96_000, bits), len(payload), after=chunk(b"LIST", b"INFOabcd")))
    capture = open_capture(path)
    assert not capture.length_is_wrong and holds(capture, samples, bits)
    assert capture.container.samples_bytes == len(payload)


def test_rf64_as_libsndfile_writes_it_is_read(tmp_path):
    samples = random_samples(24, FRAMES, 2, seed=4)
    path = tmp_path / "take.wav"
    soundfile.write(path, (samples << 8).astype(np.int32), 96_000, format="RF64", subtype="PCM_24")
    assert path.read_bytes()[:4] == b"RF64"
    capture = open_capture(path)
    assert not capture.length_is_wrong and holds(capture, samples, 24)


def test_bw64_and_big_endian_wave_are_read(tmp_path):
    samples = random_samples(24, FRAMES, 1, seed=6)
    payload = int_bytes(samples, 24)
    bw64 = open_capture(written(tmp_path, rf64(payload, fmt(1, 48_000, 24), len(payload), magic=b"BW64"), "b.wav"))
    assert not bw64.length_is_wrong and holds(bw64, samples, 24)
    big = wave(int_bytes(samples, 24, "big"), fmt(1, 48_000, 24, order=">"), magic=b"RIFX", order=">")
    rifx = open_capture(written(tmp_path, big, "x.wav"))
    assert not rifx.length_is_wrong and holds(rifx, samples, 24)


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_aiff_is_read_bit_for_bit_and_its_digest_is_little_endian(tmp_path, bits):
    samples = random_samples(bits, FRAMES, 2, seed=bits)
    content = aiff(int_bytes(samples, bits, "big"), 2, 44_100, bits)
    capture = open_capture(written(tmp_path, content, "take.aiff"))
    assert capture.encoding == f"pcm{bits}" and capture.sample_rate_hz == 44_100
    assert holds(capture, samples, bits)
    assert audio_digest(capture) == hashlib.sha256(int_bytes(samples, bits)).hexdigest()


@pytest.mark.parametrize(
    ("kind", "order", "bits"), [(b"sowt", "little", 16), (b"NONE", "big", 24), (b"sowt", "little", 24)]
)
def test_uncompressed_aifc_is_read_in_either_byte_order(tmp_path, kind, order, bits):
    samples = random_samples(bits, FRAMES, 2, seed=8)
    capture = open_capture(written(tmp_path, aiff(int_bytes(samples, bits, order), 2, 48_000, bits, kind), "take.aif"))
    assert not capture.length_is_wrong and holds(capture, samples, bits)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 96_000, 192_000])
@pytest.mark.parametrize("bits", [8, 16, 24])
def test_flac_is_read_bit_for_bit(tmp_path, bits, rate_hz):
    samples = random_samples(bits, FRAMES, 2, seed=rate_hz + bits)
    path = tmp_path / "take.flac"
    soundfile.write(path, (samples << 32 - bits).astype(np.int32), rate_hz, subtype=FLAC_ENCODINGS[bits])
    capture = open_capture(path)
    assert capture.encoding == f"pcm{bits}" and capture.container.family == "other"
    assert holds(capture, samples, bits)
    assert audio_digest(capture) == hashlib.sha256(int_bytes(samples, bits)).hexdigest()


def test_flac_from_another_encoder_is_read_bit_for_bit(tmp_path):
    samples = random_samples(24, FRAMES, 2, seed=9)
    source = written(tmp_path, wave(int_bytes(samples, 24), fmt(2, 96_000, 24)))
    capture = open_capture(encoded_by_ffmpeg(source, tmp_path / "take.flac"))
    assert holds(capture, samples, 24)


@pytest.mark.parametrize(("name", "bits"), [("a.wav", 16), ("a.wav", 24), ("a.aiff", 24), ("a.flac", 24)])
def test_ffmpeg_decodes_to_the_same_samples(tmp_path, name, bits):
    samples = random_samples(bits, FRAMES, 2, seed=bits)
    path = tmp_path / name
    soundfile.write(path, (samples << 32 - bits).astype(np.int32), 48_000, subtype=f"PCM_{bits}")
    ours = audio_digest(open_capture(path))
    assert ours == hashlib.sha256(decoded_by_ffmpeg(path, f"s{bits}le")).hexdigest()


def test_a_stretch_is_read_from_where_it_stands_and_clipped_to_what_is_there(tmp_path):
    samples = random_samples(16, FRAMES, 2, seed=1)
    capture = open_capture(written(tmp_path, wave(int_bytes(samples, 16), fmt(2, 48_000, 16))))
    found = np.concatenate(list(capture.blocks(64, 100, 400)))
    assert np.array_equal(found, samples[100:400] << 16)
    assert np.allclose(capture.read_float32(-50, 20), samples[:20] / 32768)
    assert np.allclose(capture.read_float32(FRAMES - 3, FRAMES + 99), samples[-3:] / 32768)
    assert capture.read_float32(FRAMES + 5, FRAMES + 9).shape == (0, 2)


def test_24_bits_become_float32_and_come_back_unchanged():
    whole = np.array([[-(1 << 23), (1 << 23) - 1], [1, -1], [12345, -777]], np.int32) << 8
    assert np.array_equal((as_float32(whole).astype(np.float64) * (1 << 31)).astype(np.int64), whole)


def test_what_is_not_a_number_becomes_silence():
    odd = np.array([[np.nan, np.inf], [-np.inf, 1e300], [0.25, -2.0]])
    assert as_float32(odd).tolist() == [[0.0, 0.0], [0.0, 0.0], [0.25, -2.0]]


# --- recorders that were cut off, and headers that say otherwise ---

WRONG_LENGTHS = {"zero": 0, "unknown": 0xFFFFFFFF, "more than there is": 9_999_999, "less one": None}


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("claim", ["zero", "unknown", "more than there is"])
def test_a_wave_that_was_cut_off_is_read_to_its_end(tmp_path, bits, claim):
    samples = random_samples(bits, FRAMES, 2, seed=2)
    payload = int_bytes(samples, bits, unsigned=bits == 8)
    broken = wave(payload, fmt(2, 48_000, bits), data_length=WRONG_LENGTHS[claim], riff_length=0)
    capture = open_capture(written(tmp_path, broken))
    assert capture.length_is_wrong and capture.frames == FRAMES
    assert holds(capture, samples, bits)
    expected = int_bytes(samples, 8) if bits == 8 else payload
    assert audio_digest(capture) == hashlib.sha256(expected).hexdigest()


@pytest.mark.parametrize(("bits", "known"), [(16, 1), (16, 4800), (24, 4801), (24, 96_000), (32, 30_001)])
def test_samples_behind_a_header_that_was_not_brought_up_to_date_any_more_are_read(tmp_path, bits, known):
    """As a recorder leaves a file that counts its samples now and then: both lengths agree, and fall short."""
    samples = random_samples(bits, 100_801, 2, seed=known)
    payload = int_bytes(samples, bits)
    claim = known * 2 * bits // 8
    content = wave(payload, fmt(2, 48_000, bits), data_length=claim, riff_length=36 + claim)
    capture = open_capture(written(tmp_path, content[: len(content) - len(payload) % 2]))
    assert capture.length_is_wrong and capture.frames == len(samples)
    assert holds(capture, samples, bits)


BEHIND = {
    "chunks": chunk(b"LIST", b"INFO" + bytes(range(200)) * 200) + chunk(b"zzzz", b"own" * 9000),
    "a chunk cut short": chunk(b"iXML", b"<a>" * 20_000)[:40_000],
    "a tag of another format": b"ID3\x04" + b"cover" * 9000,
    "zeros": bytes(40_000),
    "a little of anything": b"\x01\x9f\x80" * 500,
}


@pytest.mark.parametrize("behind", BEHIND)
@pytest.mark.parametrize("frames", [9_001, 9_002])
def test_what_stands_behind_the_samples_is_not_read_as_samples(tmp_path, behind, frames):
    samples = random_samples(24, frames, 1, seed=frames)
    payload = int_bytes(samples, 24)
    capture = open_capture(written(tmp_path, wave(payload, fmt(1, 48_000, 24), after=BEHIND[behind])))
    assert not capture.length_is_wrong and holds(capture, samples, 24)


@pytest.mark.parametrize("dtype", ["<f4", "<f8"])
def test_a_float_wave_that_was_cut_off_is_read_to_its_end(tmp_path, dtype):
    values = np.random.default_rng(5).standard_normal((FRAMES, 1)).astype(dtype)
    layout = fmt(1, 48_000, values.itemsize * 8, code=3)
    capture = open_capture(written(tmp_path, wave(values.tobytes(), layout, data_length=0xFFFFFFFF)))
    assert capture.length_is_wrong and read_whole(capture, 77).tobytes() == values.tobytes()


@pytest.mark.parametrize("lost_bytes", [1, 2, 3, 5, 6, 7])
def test_a_wave_that_ends_within_a_frame_is_read_up_to_the_last_whole_one(tmp_path, lost_bytes):
    samples = random_samples(24, FRAMES, 2, seed=2)
    content = wave(int_bytes(samples, 24), fmt(2, 48_000, 24))
    capture = open_capture(written(tmp_path, content[:-lost_bytes]))
    whole = FRAMES - -(-lost_bytes // 6)
    assert capture.length_is_wrong and capture.frames == whole
    assert holds(capture, samples[:whole], 24)


def test_a_header_that_itself_promises_half_a_frame_is_told_as_wrong(tmp_path):
    samples = random_samples(16, FRAMES, 2, seed=2)
    payload = int_bytes(samples, 16)
    capture = open_capture(written(tmp_path, wave(payload[:-2], fmt(2, 48_000, 16))))
    assert capture.length_is_wrong and holds(capture, samples[:-1], 16)


@pytest.mark.parametrize("claim", [0, 1 << 40])
def test_rf64_that_was_cut_off_is_read_to_its_end(tmp_path, claim):
    samples = random_samples(24, FRAMES, 2, seed=11)
    capture = open_capture(written(tmp_path, rf64(int_bytes(samples, 24), fmt(2, 96_000, 24), claim)))
    assert capture.length_is_wrong and holds(capture, samples, 24)


def test_rf64_whose_ds64_was_never_written_is_read_to_its_end(tmp_path):
    samples = random_samples(24, FRAMES, 2, seed=12)
    reserved = chunk(b"JUNK", bytes(28))
    content = wave(int_bytes(samples, 24), fmt(2, 96_000, 24), before=reserved, data_length=0, riff_length=0)
    capture = open_capture(written(tmp_path, content))
    assert capture.length_is_wrong and holds(capture, samples, 24)


@pytest.mark.parametrize(
    ("kind", "order", "bits"), [(b"", "big", 24), (b"sowt", "little", 16), (b"NONE", "big", 16), (b"", "big", 8)]
)
def test_an_aiff_that_was_cut_off_is_read_to_its_end(tmp_path, kind, order, bits):
    samples = random_samples(bits, FRAMES, 2, seed=13)
    frame_bytes = 2 * bits // 8
    content = aiff(int_bytes(samples, bits, order), 2, 22_050, bits, kind)
    end = len(content) - 10 * frame_bytes
    capture = open_capture(written(tmp_path, content[:end], "take.aiff"))
    assert capture.length_is_wrong and capture.sample_rate_hz == 22_050
    assert holds(capture, samples[:-10], bits)


def test_an_aiff_of_floats_that_was_cut_off_is_read_as_floats(tmp_path):
    values = np.random.default_rng(5).standard_normal((FRAMES, 1)).astype(">f4")
    content = aiff(values.tobytes(), 1, 48_000, 32, b"fl32")[:-8]
    capture = open_capture(written(tmp_path, content, "take.aifc"))
    assert capture.encoding is Encoding.FLOAT_32
    assert np.array_equal(read_whole(capture, 77), values[:-2])


def test_sizes_that_ran_over_4_gib_are_read_to_their_end(tmp_path):
    """A file of zeros with holes: only its header and its size matter."""
    payload_bytes = (1 << 32) + 600_000
    layout = fmt(2, 96_000, 24)
    head = wave(b"", layout, data_length=payload_bytes % (1 << 32), riff_length=(payload_bytes + 36) % (1 << 32))
    path = tmp_path / "long.wav"
    with path.open("wb") as stream:
        stream.write(head)
        stream.truncate(len(head) + payload_bytes)
    capture = open_capture(path)
    assert capture.length_is_wrong and capture.frames == payload_bytes // 6
    last = next(capture.blocks(10, capture.frames - 10))
    assert last.shape == (10, 2) and not last.any()


def test_a_finished_file_without_samples_is_empty_whatever_stands_behind(tmp_path):
    content = wave(b"", fmt(2, 48_000, 16), after=chunk(b"LIST", b"INFOISFTabcd" * 40))
    with pytest.raises(CaptureError, match="holds no samples"):
        open_capture(written(tmp_path, content))


@pytest.mark.parametrize("before", [b"", chunk(b"bext", bytes(603)), chunk(b"LIST", b"INFO") + chunk(b"junk", b"odd")])
@pytest.mark.parametrize("after", [b"", chunk(b"cue ", bytes(28)), chunk(b"iXML", b"<a/>") + chunk(b"LIST", bytes(99))])
@pytest.mark.parametrize("frames", [1000, 1001])
def test_other_chunks_around_the_samples_do_no_harm(tmp_path, before, after, frames):
    samples = random_samples(8, frames, 1, seed=frames)  # one byte a frame: the odd one is padded
    content = wave(int_bytes(samples, 8, unsigned=True), fmt(1, 48_000, 8), before=before, after=after)
    capture = open_capture(written(tmp_path, content))
    assert not capture.length_is_wrong and holds(capture, samples, 8)


def test_large_chunks_before_the_samples_are_stepped_over(tmp_path):
    samples = random_samples(24, FRAMES, 2, seed=14)
    before = chunk(b"iXML", bytes(3_000_001)) + chunk(b"bext", bytes(70_000))
    capture = open_capture(written(tmp_path, wave(int_bytes(samples, 24), fmt(2, 48_000, 24), before=before)))
    assert not capture.length_is_wrong and holds(capture, samples, 24)


def test_the_name_of_the_file_does_not_decide(tmp_path):
    samples = random_samples(16, FRAMES, 2, seed=15)
    for name in ("take", "take.raw", "take.flac", "Größe 🎸 ½.WAV", "a:b.wav"):
        path = written(tmp_path, wave(int_bytes(samples, 16), fmt(2, 48_000, 16)), name)
        assert holds(open_capture(path), samples, 16)


# --- what is refused, and how ---


def three_channels(tmp_path):
    return written(tmp_path, wave(bytes(600), fmt(3, 48_000, 16)))


def refused_files(tmp_path):
    """(file, what the message must say) of everything that is no capture."""
    good = wave(int_bytes(random_samples(16, FRAMES, 2, 1), 16), fmt(2, 48_000, 16))
    (tmp_path / "folder.wav").mkdir()
    soundfile.write(tmp_path / "good.wav", np.zeros((4800, 1), np.int16), 48_000)
    mp3 = encoded_by_ffmpeg(tmp_path / "good.wav", tmp_path / "x.mp3").rename(tmp_path / "mp3.wav")
    ogg = encoded_by_ffmpeg(tmp_path / "good.wav", tmp_path / "x.opus").rename(tmp_path / "opus.wav")
    adpcm = encoded_by_ffmpeg(tmp_path / "good.wav", tmp_path / "adpcm.wav", "-c:a", "adpcm_ms")
    ulaw = encoded_by_ffmpeg(tmp_path / "good.wav", tmp_path / "ulaw.wav", "-c:a", "pcm_mulaw")
    flac = encoded_by_ffmpeg(tmp_path / "good.wav", tmp_path / "good.flac")
    streamed = bytearray(flac.read_bytes())
    streamed[8 + 13] &= 0xF0  # the 36-bit sample count of STREAMINFO, check values §6.4
    streamed[8 + 14 : 8 + 18] = bytes(4)
    return {
        "missing": (tmp_path / "none.wav", "no such file.*spelled"),
        "folder": (tmp_path / "folder.wav", "expected a file, found a folder"),
        "empty": (written(tmp_path, b"", "empty.wav"), "empty .0 bytes.*out of space"),
        "text": (written(tmp_path, b"Dear Sir, " * 99, "text.wav"), "expected a WAV.*renamed"),
        "text.raw": (written(tmp_path, b"Dear Sir, " * 99, "text.raw"), "expected a WAV.*renamed"),
        "mp3": (mp3, "found MPEG.*lossy copy"),
        "opus": (ogg, "found OGG.*lossy copy"),
        "adpcm": (adpcm, "found WAVE format 2; was a lossy copy"),
        "ulaw": (ulaw, "found.*(U-Law|WAVE format 7).*lossy copy"),
        "mp3 in a cut-off WAVE": (
            written(tmp_path, wave(bytes(99), fmt(2, 48_000, 16, code=0x55), data_length=0), "c.wav"),
            "found WAVE format 85",
        ),
        "three channels": (three_channels(tmp_path), "expected 1 or 2 channels, found 3; export"),
        "4 kHz": (written(tmp_path, wave(bytes(600), fmt(1, 4_000, 16)), "low.wav"), "8 to 192 kHz, found 4000 Hz"),
        "384 kHz": (written(tmp_path, wave(bytes(600), fmt(1, 384_000, 16)), "high.wav"), "found 384000 Hz"),
        "no data": (written(tmp_path, good[:36], "nodata.wav"), "without a data chunk.*interrupted"),
        "no format": (written(tmp_path, good[:12], "nofmt.wav"), "without a format chunk.*interrupted"),
        "half a header": (written(tmp_path, good[:30], "half.wav"), "format chunk holds 10 bytes|without a data chunk"),
        "no samples": (written(tmp_path, good[:44], "nosamples.wav"), "holds no samples"),
        "24 bits in 4 bytes": (
            written(tmp_path, wave(bytes(800), fmt(2, 48_000, 24, align=8)), "padded.wav"),
            "24 bits a sample on 2 channels, but 8 bytes a frame; save it",
        ),
        "64-bit integers": (
            written(tmp_path, wave(bytes(800), fmt(1, 48_000, 64), data_length=0), "wide.wav"),
            "8 to 32 bits a sample.*found 64",
        ),
        "aiff header only": (written(tmp_path, b"FORM\0\0\0\0AIFFCOMM", "cut.aiff"), "without its COMM and SSND"),
        "flac of unknown length": (
            written(tmp_path, bytes(streamed), "streamed.flac"),
            "does not say how long.*Decode",
        ),
    }


CASES = [
    "missing", "folder", "empty", "text", "text.raw", "mp3", "opus", "adpcm", "ulaw", "mp3 in a cut-off WAVE",
    "three channels", "4 kHz", "384 kHz", "no data", "no format", "half a header", "no samples", "24 bits in 4 bytes",
    "64-bit integers", "aiff header only", "flac of unknown length",
]  # fmt: skip


def test_what_is_no_capture_is_refused_by_name_with_what_was_found_and_the_likely_slip(tmp_path):
    refused = refused_files(tmp_path)
    assert list(refused) == CASES
    for path, words in refused.values():
        with pytest.raises(CaptureError, match=words) as caught:
            open_capture(path)
        assert str(caught.value).startswith(f"{path}: ")


def test_a_truncated_or_damaged_flac_is_refused_when_it_is_read(tmp_path):
    path = tmp_path / "take.flac"
    soundfile.write(path, (random_samples(24, 60_000, 2, seed=1) << 8).astype(np.int32), 48_000, subtype="PCM_24")
    whole = path.read_bytes()
    for name, content in {
        "cut.flac": whole[: len(whole) // 2],
        "hit.flac": whole[:100_000] + bytes(200) + whole[100_200:],
    }.items():
        capture = open_capture(written(tmp_path, content, name))
        with pytest.raises(CaptureError, match=f"{name}: (damaged near|ends at) frame"):
            read_whole(capture, 4096)


def test_a_capture_that_vanishes_between_looking_and_reading_is_told(tmp_path):
    path = written(tmp_path, wave(bytes(600), fmt(2, 48_000, 16)))
    capture = open_capture(path)
    path.unlink()
    with pytest.raises(CaptureError, match="could be read before"):
        next(capture.blocks(100))


def test_a_capture_that_shrinks_while_it_is_read_is_told(tmp_path):
    path = written(tmp_path, wave(bytes(400_000), fmt(2, 48_000, 16)))
    capture = open_capture(path)
    os.truncate(path, 50_044)
    with pytest.raises(CaptureError, match="ends at frame"):
        read_whole(capture, 20_000)


# --- never opened for writing ---


@pytest.mark.parametrize("broken", [False, True])
def test_a_capture_is_only_ever_opened_for_reading(tmp_path, monkeypatch, broken):
    folder = tmp_path / "captures"
    folder.mkdir()
    samples = random_samples(24, FRAMES, 2, seed=1)
    content = wave(int_bytes(samples, 24), fmt(2, 48_000, 24), data_length=0 if broken else None)
    path = written(folder, content)
    os.utime(path, ns=(1, 1))
    path.chmod(0o444)
    folder.chmod(0o555)
    before, modes = path.stat(), []

    def listening(event, arguments):
        if event == "open" and arguments[0] == str(path):
            modes.append(arguments[2])

    hooks.append(listening)
    try:
        capture = open_capture(path)
        assert holds(capture, samples, 24)
        assert sha256_of(path) == hashlib.sha256(content).hexdigest()
        capture.read_float32(3, 9)
    finally:
        hooks.remove(listening)
        folder.chmod(0o755)
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
    assert modes and not any(mode & writing for mode in modes)
    after = path.stat()
    assert (after.st_mtime_ns, after.st_size, after.st_ino, after.st_mode) == (
        1,
        before.st_size,
        before.st_ino,
        before.st_mode,
    )
    assert [entry.name for entry in folder.iterdir()] == [path.name]


# --- the digest, and blocks made ahead ---


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_the_audio_digest_does_not_depend_on_blocks_or_memory_order(bits):
    samples = (random_samples(bits, FRAMES, 2, seed=bits) << 32 - bits).astype(np.int32)
    expected = hashlib.sha256(int_bytes(samples >> 32 - bits, bits)).hexdigest()
    for blocks in ([samples], np.array_split(samples, 7), [np.asfortranarray(samples)]):
        digest = AudioDigest(Encoding(f"pcm{bits}"))
        for block in blocks:
            digest.update(block)
        assert digest.hexdigest() == expected


@pytest.mark.parametrize(("bits", "code"), [(16, 1), (24, 1), (32, 1), (32, 3), (64, 3)])
def test_the_bytes_that_are_digested_are_found_in_the_file(tmp_path, bits, code):
    payload = np.random.default_rng(bits).standard_normal(FRAMES * 2).astype(f"<f{bits // 8 if code == 3 else 8}")
    samples = payload.tobytes()[: FRAMES * 2 * bits // 8]
    content = wave(
        samples, fmt(2, 48_000, bits, code), before=chunk(b"bext", bytes(603)), after=chunk(b"cue ", bytes(28))
    )
    path = written(tmp_path, content)
    capture = open_capture(path)
    place = capture.digested_bytes
    assert path.read_bytes()[place.start : place.stop] == samples
    for chunk_bytes in (7, 1 << 20):
        found = digests_of(path, place, chunk_bytes)
        assert found == (hashlib.sha256(content).hexdigest(), hashlib.sha256(samples).hexdigest())
    assert found[1] == audio_digest(capture)


def test_samples_that_are_digested_otherwise_than_they_stand_are_not_looked_for_in_the_file(tmp_path):
    samples = random_samples(8, FRAMES, 2, seed=1)
    eight = written(tmp_path, wave(int_bytes(samples, 8, unsigned=True), fmt(2, 48_000, 8)))
    turned = written(tmp_path, aiff(int_bytes(samples, 16, "big"), 2, 44_100, 16), "take.aiff")
    for path in (eight, turned):
        assert not open_capture(path).digested_bytes
        assert digests_of(path, range(0))[0] == sha256_of(path)


def test_an_error_in_a_block_made_ahead_reaches_who_asked():
    def failing():
        yield 1
        raise CaptureError("damaged")

    with pytest.raises(CaptureError, match="damaged"):
        list(ahead(failing()))


def test_closing_early_stops_the_thread_and_closes_the_source():
    closed = []

    def endless():
        try:
            while True:
                yield 0
        finally:
            closed.append(True)

    before = threading.active_count()
    inner = endless()
    blocks = ahead(ahead(inner))
    assert next(blocks) == 0
    blocks.close()
    assert threading.active_count() == before and closed == [True]


def test_ds64_is_where_ebu_tech_3306_has_it(tmp_path):
    """RIFF size, data size, sample count: three 64-bit numbers; libsndfile is the other writer."""
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros((FRAMES, 2), np.int16), 48_000, format="RF64", subtype="PCM_16")
    content = path.read_bytes()
    assert content[12:16] == b"ds64"
    assert struct.unpack("<QQQ", content[20:44])[1] == FRAMES * 4
