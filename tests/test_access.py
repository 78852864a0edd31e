"""Access copies: loudness, peaks, length and rates on the decoded file, measured by others than the maker.

Loudness by pyloudnorm (its "DeMan" filters, which agree with BS.1770), true peak by an FFT oversampling of this test's
own, decoding by ffmpeg. Limits from the job: target ± 0.2 LU, true peak at most -1 dBTP.
"""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
import scipy.fft
import scipy.signal
import soundfile
from captures import decoded_by_ffmpeg, tags_by_ffmpeg
from decided import COPIES, WORDS, decided, mastered
from signals import melody, speech_like

from pipeline.capture import AudioDigest, Encoding
from pipeline.copies import access, encoder
from pipeline.copies.access import access_name, write_access
from pipeline.copies.access_gain import BORNE_OUT_DB, CopyLevels, first_gain, gain_for
from pipeline.copies.draft import DraftWriter, find_draft
from pipeline.copies.encoder import access_rate_hz, decoded_blocks, packet_sha256, write_encoded
from pipeline.copies.settings import AccessFormat
from pipeline.errors import CopyError
from pipeline.records import NotMeasured

FORMATS = list(AccessFormat)
LOSSY = [kind for kind in AccessFormat if kind is not AccessFormat.FLAC]
GAIN = decided(1.0).gain  # to -18 LUFS under -1 dBTP


def settings(kind, **changes):
    return replace(COPIES.access, format=kind, **changes)


def peaky(seconds, rate_hz, seed=3):
    """Quiet programme with short loud knocks: the peaks decide, not the loudness."""
    wave = melody(seconds, rate_hz, seed, level_dbfs=-38)
    knock = 0.7 * np.exp(-np.arange(rate_hz // 50) / (rate_hz / 400)) * np.sin(np.arange(rate_hz // 50) * 0.9)
    for at in np.random.default_rng(seed).integers(0, len(wave) - len(knock), 6):
        wave[at : at + len(knock)] += knock
    return np.clip(wave, -0.99, 0.99)


def stereo(wave, seed=1):
    right = 0.8 * np.roll(wave, 7) + 1e-4 * np.random.default_rng(seed).standard_normal(len(wave))
    return np.stack([wave, right], axis=1)


def made(tmp_path, samples, rate_hz, kind, gain=GAIN, **changes):
    """(path, what the maker says, gain applied) of an access copy from a master of these samples."""
    master, facts = mastered(tmp_path, samples, rate_hz, decided(len(samples) / rate_hz))
    chosen = settings(kind, **changes)
    path = tmp_path / "access" / access_name("K-017-A", chosen)
    found, applied = write_access(master, facts, gain, chosen, WORDS, path, 1.7)
    return path, found, applied


def decoded(path, channels):
    return np.frombuffer(decoded_by_ffmpeg(path, "f32le"), "<f4").reshape(-1, channels).astype(np.float64)


def loudness_of(samples, rate_hz):
    """At 48 kHz, where the recommendation gives the filters; at 8 kHz pyloudnorm's own are 0.2 LU off."""
    if rate_hz != 48_000:
        samples = scipy.signal.resample_poly(samples, 48_000 // 100, rate_hz // 100, axis=0)
    return pyloudnorm.Meter(48_000, filter_class="DeMan").integrated_loudness(samples)


def true_peak_of(samples):
    """Eight-fold oversampling of the whole signal at once by its spectrum, dBTP."""
    length = scipy.fft.next_fast_len(len(samples) + 2048, real=True)
    length += length % 2
    finer = scipy.fft.irfft(scipy.fft.rfft(samples, length, axis=0), 8 * length, axis=0) * 8
    return 20 * np.log10(np.max(np.abs(finer)))


# --- loudness and peaks ---


PROGRAMMES = {
    "music 96k": (lambda hz: stereo(melody(6, hz, seed=2)), 96_000, -18.0),
    "speech 44.1k": (lambda hz: speech_like(6, hz, seed=4, level_dbfs=-30)[:, None], 44_100, -18.0),
    "speech 8k": (lambda hz: speech_like(6, hz, seed=5, level_dbfs=-26)[:, None], 8_000, -23.0),
    "loud music 48k": (lambda hz: stereo(np.clip(melody(6, hz, seed=6, level_dbfs=-8), -0.98, 0.98)), 48_000, -18.0),
}


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("programme", PROGRAMMES)
def test_the_decoded_copy_has_the_target_loudness_and_keeps_the_ceiling(tmp_path, kind, programme):
    make, rate_hz, target_lufs = PROGRAMMES[programme]
    samples = make(rate_hz)
    path, facts, applied = made(tmp_path, samples, rate_hz, kind, replace(GAIN, target_lufs=target_lufs))
    heard = decoded(path, samples.shape[1])
    lufs = loudness_of(heard, facts.sample_rate_hz)
    assert applied.cut_short_db == 0
    assert lufs == pytest.approx(target_lufs, abs=0.2)
    assert true_peak_of(heard) <= -1.0 + 0.02
    assert facts.integrated_lufs == pytest.approx(lufs, abs=0.1)
    assert facts.true_peak_dbtp == pytest.approx(true_peak_of(heard), abs=0.2)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_a_gain_cut_short_by_peaks_is_told_and_nothing_is_limited(tmp_path, kind, rate_hz):
    samples = stereo(peaky(6, rate_hz))
    path, facts, applied = made(tmp_path, samples, rate_hz, kind)
    heard = decoded(path, 2)
    peak, lufs = true_peak_of(heard), loudness_of(heard, facts.sample_rate_hz)
    assert applied.cut_short_db > 3
    assert -2.5 < peak <= -1.0 + 0.02  # as loud as the ceiling lets it be, less what the coder may add
    assert lufs < -18.0 - 3
    assert lufs + applied.cut_short_db == pytest.approx(-18.0, abs=0.3)
    if kind is AccessFormat.FLAC:  # gain only: the very same wave, a constant times louder
        times = 10 ** (applied.gain_db / 20)
        assert np.max(np.abs(heard - times * soundfile.read(tmp_path / "K-017-A.flac")[0])) < 1e-4


@pytest.mark.parametrize("kind", FORMATS)
def test_a_person_may_set_the_gain_as_far_as_the_peaks_allow(tmp_path, kind):
    samples = stereo(melody(5, 48_000, seed=8, level_dbfs=-20))
    path, facts, applied = made(tmp_path, samples, 48_000, kind, replace(GAIN, access_db=-7.5))
    assert (applied.gain_db, applied.cut_short_db) == (-7.5, 0.0)
    before = loudness_of(soundfile.read(tmp_path / "K-017-A.flac")[0], 48_000)
    assert loudness_of(decoded(path, 2), facts.sample_rate_hz) == pytest.approx(before - 7.5, abs=0.2)
    _, _, held = made(tmp_path, samples, 48_000, kind, replace(GAIN, access_db=60.0))
    assert held.cut_short_db > 20


def test_a_copy_that_peaks_too_high_after_coding_is_made_again_quieter(tmp_path):
    """With nothing set aside for the coder the first try is over the ceiling."""
    samples = stereo(np.clip(4 * melody(5, 48_000, seed=2), -0.5, 0.5))
    gain = replace(GAIN, target_lufs=3.0)
    master, facts = mastered(tmp_path, samples, 48_000, decided(5.0))
    chosen = settings(AccessFormat.MP3, codec_overshoot_db=0.0)
    path = tmp_path / "a.mp3"
    found, applied = write_access(master, facts, gain, chosen, WORDS, path, 5.0)
    assert applied.gain_db < gain_for(levels_of(facts), gain, chosen).gain_db - 0.05
    assert true_peak_of(decoded(path, 2)) <= -1.0 + 0.05 and found.true_peak_dbtp <= -1.0
    with pytest.raises(CopyError, match=r"a\.mp3: after 1 tries .* above -1\.0 dBTP; raise encode_tries"):
        write_access(master, facts, gain, replace(chosen, encode_tries=1), WORDS, path, 5.0)
    assert [p.name for p in tmp_path.glob("*a.*mp3")] == ["a.mp3"]  # the one made before


# --- odd programme ---


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("channels", [1, 2])
def test_silence_stays_silence(tmp_path, kind, channels):
    path, facts, applied = made(tmp_path, np.zeros((2 * 48_000, channels)), 48_000, kind)
    assert isinstance(facts.integrated_lufs, NotMeasured)
    assert (applied.gain_db, applied.cut_short_db) == (0.0, 0.0)
    assert np.max(np.abs(decoded(path, channels))) <= 2 / 32768  # dither at most


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("seconds", [0.2, pytest.param(1.0, marks=pytest.mark.slow)])
def test_a_copy_is_as_long_as_its_master_whatever_the_coder_pads(tmp_path, kind, rate_hz, seconds):
    samples = 0.2 * np.sin(2 * np.pi * 440 * np.arange(round(seconds * rate_hz)) / rate_hz)[:, None]
    path, facts, _ = made(tmp_path, samples, rate_hz, kind)
    heard = decoded(path, 1)
    expected = len(samples) * facts.sample_rate_hz / rate_hz
    assert facts.frames == len(heard) and abs(len(heard) - expected) <= 1
    assert facts.sample_rate_hz == access_rate_hz(rate_hz, settings(kind))
    # and it is the same 440 Hz, at the same place
    t_s = np.arange(len(heard)) / facts.sample_rate_hz
    turn = np.mean(heard[:, 0] * np.exp(-2j * np.pi * 440 * t_s)) * 2
    assert abs(np.angle(turn * 1j)) < 0.15
    assert abs(turn) == pytest.approx(np.max(np.abs(heard)), rel=0.2)


@pytest.mark.parametrize(("rate_hz", "frames"), [(48_000, 1174), (8_000, 2311), (44_100, 4623), (44_100, 4800)])
def test_an_mp3_ends_at_most_46_frames_late_and_then_in_silence(tmp_path, rate_hz, frames):
    """What does not fit the note of its length stays at the end; it is heard by nobody, and nothing is lost."""
    wave = np.sin(2 * np.pi * 440 * np.arange(frames) / rate_hz).astype(np.float32)[:, None] * 0.3
    target = tmp_path / "a.mp3"
    write_encoded([wave], rate_hz, 1, encoder.codec_arguments(settings(AccessFormat.MP3)), target)
    heard = decoded(target, 1)
    assert 0 <= len(heard) - frames <= 46
    assert np.max(np.abs(heard[frames:]), initial=0.0) < 0.1


@pytest.mark.parametrize(
    ("master_hz", "expected"),
    [
        (8_000, {"mp3": 8_000, "opus": 48_000, "m4a": 8_000, "flac": 8_000}),
        (11_025, {"mp3": 11_025, "opus": 48_000, "m4a": 11_025, "flac": 11_025}),
        (44_100, {"mp3": 44_100, "opus": 48_000, "m4a": 44_100, "flac": 44_100}),
        (48_000, {"mp3": 48_000, "opus": 48_000, "m4a": 48_000, "flac": 48_000}),
        (88_200, {"mp3": 44_100, "opus": 48_000, "m4a": 44_100, "flac": 44_100}),
        (96_000, {"mp3": 48_000, "opus": 48_000, "m4a": 48_000, "flac": 48_000}),
        (176_400, {"mp3": 44_100, "opus": 48_000, "m4a": 44_100, "flac": 44_100}),
        (192_000, {"mp3": 48_000, "opus": 48_000, "m4a": 48_000, "flac": 48_000}),
    ],
)
def test_the_rate_is_the_masters_own_family(master_hz, expected):
    assert {kind.value: access_rate_hz(master_hz, settings(kind)) for kind in FORMATS} == expected


@pytest.mark.parametrize("kind", FORMATS)
def test_the_same_master_gives_the_same_bytes(tmp_path, kind):
    samples = stereo(melody(3, 96_000, seed=9))
    master, facts = mastered(tmp_path, samples, 96_000, decided(3.0))
    digests = []
    for name, block_s, drafted in (("a", 5.0, False), ("b", 5.0, True), ("c", 0.31, False), ("d", 0.31, True)):
        path = tmp_path / f"{name}.{kind.value}"
        drafts = draft_of(master, facts, kind, tmp_path / "drafts", name) if drafted else None
        found, _ = write_access(master, facts, GAIN, settings(kind), WORDS, path, block_s, drafts=drafts)
        digests.append((path.read_bytes(), found.audio_sha256))
        assert drafts is None or not list(drafts.iterdir())
    assert digests == digests[:1] * 4


def draft_of(master, facts, kind, folder, stem):
    """What is encoded while a master is written, in blocks of another length than it is ever read in."""
    if kind is AccessFormat.FLAC:
        return None
    raw = soundfile.read(master, dtype="int32", always_2d=True)[0]
    gain_db = gain_for(levels_of(facts), GAIN, settings(kind)).gain_db
    with DraftWriter(folder, stem, facts.sample_rate_hz, 2, settings(kind), gain_db) as draft:
        for start in range(0, len(raw), 7_777):
            draft.feed(raw[start : start + 7_777])
        draft.keep(facts.audio_sha256)
    assert len(list(folder.iterdir())) == 1
    for sha256, db, chosen in (
        ("another", gain_db, settings(kind)),
        (facts.audio_sha256, gain_db + 0.01, settings(kind)),
        (facts.audio_sha256, gain_db, settings(kind, mp3_vbr_quality=9)),
    ):
        assert find_draft(folder, stem, sha256, db, chosen) is None
    return folder


def test_a_draft_that_was_not_kept_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError), DraftWriter(tmp_path, "S", 48_000, 1, settings(AccessFormat.MP3), 0.0) as draft:
        draft.feed(np.zeros((48_000, 1), np.int32))
        raise RuntimeError
    assert not list(tmp_path.iterdir())


def test_an_encoder_that_fails_costs_a_draft_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(encoder, "ffmpeg_path", broken_ffmpeg(tmp_path, "exit 3"))
    with DraftWriter(tmp_path / "drafts", "S", 48_000, 1, settings(AccessFormat.MP3), 0.0) as draft:
        for _ in range(50):
            draft.feed(np.zeros((48_000, 1), np.int32))
        draft.keep("digest")
    assert not list((tmp_path / "drafts").iterdir())


@pytest.mark.parametrize("off_db", [-0.5, -0.11, -0.09, 0.0, 0.09, 0.11, 0.5])
@pytest.mark.parametrize(("lufs", "peak"), [(-25.0, -12.0), (-25.0, -3.0), (-25.0, NotMeasured("silence"))])
def test_an_expected_gain_is_taken_where_the_master_bears_it_out(off_db, lufs, peak):
    """Whether the loudness decides or the peaks do."""
    chosen = settings(AccessFormat.MP3)
    master = CopyLevels(lufs, peak)
    expected = CopyLevels(lufs + off_db, peak if isinstance(peak, NotMeasured) else peak + off_db)
    found, exact = first_gain(master, expected, GAIN, chosen), gain_for(master, GAIN, chosen)
    assert first_gain(master, None, GAIN, chosen) == exact
    assert found == (gain_for(expected, GAIN, chosen) if abs(off_db) < BORNE_OUT_DB else exact)


def levels_of(facts):
    return CopyLevels(facts.integrated_lufs, facts.true_peak_dbtp)


# --- what is recorded, and what must not happen ---


@pytest.mark.parametrize("kind", FORMATS)
def test_the_audio_digest_is_what_anybody_can_make_again(tmp_path, kind):
    path, facts, _ = made(tmp_path, stereo(melody(2, 48_000, seed=1)), 48_000, kind)
    if kind is AccessFormat.FLAC:
        digest = AudioDigest(Encoding.PCM_16)
        digest.update(np.frombuffer(decoded_by_ffmpeg(path, "s32le"), "<i4"))
        assert facts.audio_sha256 == digest.hexdigest()
        assert soundfile.info(path).subtype == "PCM_16"
    else:
        assert facts.audio_sha256 == packet_sha256(path)
    assert tags_by_ffmpeg(path)["title"] == WORDS.title
    if kind is AccessFormat.OPUS:
        gain = int(tags_by_ffmpeg(path)["r128_track_gain"])
        assert gain / 256 == pytest.approx(-23.0 - facts.integrated_lufs, abs=0.01)


@pytest.mark.parametrize("kind", [AccessFormat.MP3, AccessFormat.FLAC])
def test_a_damaged_master_is_refused_and_leaves_nothing(tmp_path, kind):
    master, facts = mastered(tmp_path, stereo(melody(2, 48_000, seed=1)), 48_000, decided(2.0))
    threads, target = threading.active_count(), tmp_path / "access" / f"a.{kind.value}"
    with pytest.raises(CopyError, match=r"K-017-A\.flac: .*the master is damaged"):
        write_access(master, replace(facts, audio_sha256="0" * 64), GAIN, settings(kind), WORDS, target, 0.3)
    assert list(target.parent.iterdir()) == []
    assert threading.active_count() == threads


def broken_ffmpeg(tmp_path, script):
    path = tmp_path / "ffmpeg"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return lambda: str(path)


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("echo no such codec >&2; exit 3", "ffmpeg stopped with code 3: no such codec"),
        ("cat > /dev/null; echo disk full >&2; exit 1", "ffmpeg stopped with code 1: disk full"),
        ("kill -9 $$", "ffmpeg stopped with code -9"),
    ],
)
def test_an_encoder_that_fails_is_told_in_its_own_words_and_leaves_nothing(tmp_path, monkeypatch, script, words):
    master, facts = mastered(tmp_path, stereo(melody(2, 48_000, seed=1)), 48_000, decided(2.0))
    monkeypatch.setattr(encoder, "ffmpeg_path", broken_ffmpeg(tmp_path, script))
    threads, target = threading.active_count(), tmp_path / "access" / "a.mp3"
    with pytest.raises(CopyError, match=words):
        write_access(master, facts, GAIN, settings(AccessFormat.MP3), WORDS, target, 0.3)
    assert list(target.parent.iterdir()) == []
    assert threading.active_count() == threads


def test_an_ffmpeg_that_is_not_there_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(encoder, "ffmpeg_path", lambda: str(tmp_path / "none"))
    with pytest.raises(CopyError, match="ffmpeg could not be started"):
        list(decoded_blocks(tmp_path / "a.mp3", 1, 100))


def test_an_encoder_that_loses_audio_is_found_out(tmp_path, monkeypatch):
    master, facts = mastered(tmp_path, stereo(melody(2, 48_000, seed=1)), 48_000, decided(2.0))
    whole = access.decoded_blocks
    monkeypatch.setattr(access, "decoded_blocks", lambda *a: (block[:-1] for block in whole(*a)))
    with pytest.raises(CopyError, match=r"frames went in, \d+ decode; the encoder lost audio"):
        write_access(master, facts, GAIN, settings(AccessFormat.OPUS), WORDS, tmp_path / "a.opus", 0.3)


@pytest.mark.parametrize("kind", LOSSY)
def test_a_damaged_copy_does_not_decode_quietly(tmp_path, kind):
    path, facts, _ = made(tmp_path, stereo(melody(4, 48_000, seed=1)), 48_000, kind)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 2000] = bytes(2000)
    path.write_bytes(content)
    try:
        frames = sum(len(block) for block in decoded_blocks(path, 2, 1000))
    except CopyError:
        return
    assert frames != facts.frames or packet_sha256(path) != facts.audio_sha256


def test_decoding_gives_the_channels_asked_for_whatever_the_file_holds(tmp_path):
    path, facts, _ = made(tmp_path, melody(1, 48_000, seed=1)[:, None], 48_000, AccessFormat.MP3)
    blocks = list(decoded_blocks(path, 2, 777))
    assert {block.shape[1] for block in blocks} == {2} and sum(map(len, blocks)) == facts.frames


def test_a_name_with_a_colon_is_a_file_and_no_protocol(tmp_path):
    target = tmp_path / "12:30.mp3"
    blocks = [np.zeros((4800, 1), np.float32), np.zeros((0, 1), np.float32)]
    arguments = encoder.codec_arguments(settings(AccessFormat.MP3))
    assert write_encoded(blocks, 48_000, 1, arguments, target) == target
    assert sum(map(len, decoded_blocks(target, 1, 1000))) == 4800


@pytest.mark.parametrize("rate_hz", [8_000, 24_000, 44_100, 48_000])
@pytest.mark.parametrize("frames", [2500, 1152 * 3 - 1, 1152 * 7 + 3, 50_077])
def test_both_decoders_of_mp3_give_the_same_samples_also_above_full_scale(tmp_path, rate_hz, frames):
    rng = np.random.default_rng(frames)
    samples = (rng.standard_normal((frames, 2)) * 0.4).astype(np.float32)
    arguments = encoder.codec_arguments(settings(AccessFormat.MP3))
    path = write_encoded([samples], rate_hz, 2, arguments, tmp_path / "a.mp3")
    here = np.concatenate(list(encoder.decoded_mp3_blocks(path, 10_000)))
    other = np.concatenate(list(decoded_blocks(path, 2, 10_000)))
    assert here.shape == other.shape
    assert np.abs(here - other).max() < 1e-5


def test_an_mp3_cut_short_does_not_read_back(tmp_path):
    path, _, _ = made(tmp_path, stereo(melody(4, 48_000, seed=1)), 48_000, AccessFormat.MP3)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(CopyError, match="decode"):
        list(encoder.decoded_mp3_blocks(path, 1000))
