"""The corrected master: pitch, purity, length, bits and peaks, against signals whose answer is known.

Limits from the job: 436 Hz leaves at 440.000 ± 0.002 Hz; distortion plus noise below -110 dB.
"""

from __future__ import annotations

import hashlib
import resource
import threading
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from captures import decoded_by_ffmpeg
from decided import BROADCAST, COPIES, WORDS, audio_digest, decided, mastered, preserved

from pipeline.channels import ChannelMeter
from pipeline.copies.master import MasterWords, write_master
from pipeline.copies.settings import MasterFormat
from pipeline.decisions import ChannelUse, decide_channels, decide_gain
from pipeline.equalise import greatest_boost_db
from pipeline.errors import CopyError, DecisionError
from pipeline.method import read_all_settings
from pipeline.true_peak import TruePeakMeter

RATIO = 440 / 436
WAVE = replace(COPIES.master, format=MasterFormat.WAVE)


def sine(hz, seconds, rate_hz, level=0.5, channels=1):
    wave = level * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz + 0.7)
    return np.repeat(wave[:, None], channels, axis=1)


def samples_of(path):
    """Decoded by ffmpeg, not by us."""
    channels = soundfile.info(path).channels
    raw = np.frombuffer(decoded_by_ffmpeg(path, "s32le"), "<i4")
    return raw.reshape(-1, channels) / 2.0**31


def fitted(wave, rate_hz, hz):
    """(frequency, amplitude, r.m.s. of the rest) of one sine, by least squares, frequency by Gauss-Newton steps."""
    t_s = (np.arange(len(wave)) - len(wave) / 2) / rate_hz
    for _ in range(4):
        sin, cos = np.sin(2 * np.pi * hz * t_s), np.cos(2 * np.pi * hz * t_s)
        a, b = np.linalg.lstsq(np.stack([sin, cos], 1), wave, rcond=None)[0]
        slope = 2 * np.pi * t_s * (a * cos - b * sin)
        step = np.linalg.lstsq(np.stack([sin, cos, slope, np.ones_like(t_s)], 1), wave, rcond=None)[0]
        hz += step[2]
    rest = wave - np.stack([sin, cos, slope, np.ones_like(t_s)], 1) @ step
    return hz, np.hypot(a, b), np.sqrt(np.mean(rest**2))


def programme(seconds, rate_hz, channels=2, seed=1, level=0.1):
    """Noise with its highest third taken out, so that nothing lies where a resampler must fade."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((round(seconds * rate_hz), channels)), axis=0)
    spectrum[len(spectrum) * 2 // 3 :] = 0
    wave = np.fft.irfft(spectrum, round(seconds * rate_hz), axis=0)
    return wave * level / np.sqrt(np.mean(wave**2))


# --- speed ---


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_a_tone_of_436_hz_leaves_at_440(tmp_path, rate_hz, subtype):
    path, facts = mastered(tmp_path, sine(436, 8, rate_hz), rate_hz, decided(8.0, ratio=RATIO), subtype=subtype)
    hz, amplitude, _ = fitted(samples_of(path)[rate_hz // 2 : -rate_hz // 2, 0], rate_hz, 440.0)
    assert hz == pytest.approx(440.0, abs=0.002)
    assert hz == pytest.approx(440.0, abs=0.00002)  # and far better, since the ratio is exact
    assert amplitude == pytest.approx(0.5, rel=1e-3)
    assert facts.sample_rate_hz == rate_hz == soundfile.info(path).samplerate


@pytest.mark.parametrize("ratio", [RATIO, 1 / 1.06, 1.06])
@pytest.mark.parametrize("hz", [1_000.0, 10_000.0])
@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_a_corrected_tone_is_clean_to_110_db(tmp_path, ratio, hz, rate_hz):
    path, _ = mastered(tmp_path, sine(hz, 3, rate_hz, level=0.9), rate_hz, decided(3.0, ratio=ratio))
    found_hz, amplitude, rest = fitted(samples_of(path)[rate_hz // 2 : -rate_hz // 2, 0], rate_hz, hz * ratio)
    assert found_hz == pytest.approx(hz * ratio, rel=1e-8)
    assert 20 * np.log10(rest / (amplitude / np.sqrt(2))) < -110


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 96_000, 192_000])
@pytest.mark.parametrize("ratio", [RATIO, 0.96, 1.0])
def test_the_length_is_that_of_the_cut_over_the_ratio(tmp_path, rate_hz, ratio):
    samples = programme(1.1, rate_hz)
    path, facts = mastered(tmp_path, samples, rate_hz, decided(1.0, 0.1, ratio=ratio), block_s=0.173)
    frames = round(1.0 * rate_hz) - round(0.1 * rate_hz)
    assert facts.frames == len(samples_of(path)) and abs(facts.frames - frames / ratio) <= 1
    assert facts.duration_s == facts.frames / rate_hz


def test_nothing_is_shifted_in_time(tmp_path):
    """A click at 0.6 s of the capture stands at (0.6 - start) / ratio of the master."""
    samples = np.zeros((48_000, 1))
    samples[28_800] = 0.5
    path, _ = mastered(tmp_path, samples, 48_000, decided(1.0, 0.1, ratio=RATIO))
    assert np.argmax(np.abs(samples_of(path)[:, 0])) == pytest.approx((28_800 - 4_800) / RATIO, abs=0.51)


# --- bits ---


@pytest.mark.parametrize("subtype", ["PCM_S8", "PCM_16", "PCM_24"])
@pytest.mark.parametrize("settings", [COPIES.master, WAVE], ids=["flac", "wave"])
def test_with_nothing_to_change_the_master_is_the_cut_bit_for_bit(tmp_path, subtype, settings):
    samples = programme(1.0, 48_000)
    decisions = decided(0.9, 0.25)
    path, facts = mastered(tmp_path, samples, 48_000, decisions, subtype=subtype, settings=settings, block_s=0.0173)
    whole = soundfile.read(next(tmp_path.glob("*-source.flac")), dtype="int32", always_2d=True)[0]
    found = np.frombuffer(decoded_by_ffmpeg(path, "s32le"), "<i4").reshape(-1, 2)
    assert np.array_equal(found, whole[12_000:43_200])
    packed = (found >> 8).astype("<i4").tobytes()
    three = b"".join(packed[at : at + 3] for at in range(0, len(packed), 4))
    assert facts.audio_sha256 == hashlib.sha256(three).hexdigest() == audio_digest(path)


@pytest.mark.parametrize("use", [ChannelUse.LEFT, ChannelUse.RIGHT])
def test_one_channel_taken_out_is_that_channel_bit_for_bit(tmp_path, use):
    path, facts = mastered(tmp_path, programme(0.5, 48_000), 48_000, decided(0.5, use=use))
    whole = soundfile.read(tmp_path / "K-017-A-source.flac", dtype="int32", always_2d=True)[0]
    found = np.frombuffer(decoded_by_ffmpeg(path, "s32le"), "<i4")
    assert facts.channels == 1
    assert np.array_equal(found, whole[:, 0 if use is ChannelUse.LEFT else 1])


@pytest.mark.parametrize("subtype", ["PCM_32", "FLOAT", "DOUBLE"])
def test_where_bits_are_lost_the_loss_is_dithered(tmp_path, subtype):
    samples = np.full((96_000, 1), 0.3 * 2.0**-23)
    path, _ = mastered(tmp_path, samples, 48_000, decided(2.0), subtype=subtype)
    found = samples_of(path)[:, 0] * 2.0**23
    assert np.mean(found) == pytest.approx(0.3, abs=0.01)  # by rounding alone it would be 0
    assert np.var(found) == pytest.approx(0.25, rel=0.03)


DECISIONS = {
    "speed": decided(1.9, 0.05, ratio=RATIO),
    "mono": decided(1.9, 0.05, ratio=0.97, use=ChannelUse.AVERAGE),
    "all": decided(1.9, 0.05, ratio=RATIO, use=ChannelUse.RIGHT_FLIPPED, master_db=-1.5, deck_us=120, tape_us=70),
    "as it is": decided(1.9, 0.05),
}


@pytest.mark.parametrize("what", DECISIONS)
@pytest.mark.parametrize("settings", [COPIES.master, WAVE], ids=["flac", "wave"])
def test_the_same_decisions_give_the_same_bytes_again_and_in_other_blocks(tmp_path, what, settings):
    samples = programme(2.0, 48_000, seed=3)
    made = []
    for folder, block_s in (("a", 5.0), ("b", 5.0), ("c", 0.0371), ("d", 0.5)):
        (tmp_path / folder).mkdir()
        path, facts = mastered(tmp_path / folder, samples, 48_000, DECISIONS[what], settings=settings, block_s=block_s)
        made.append((hashlib.sha256(path.read_bytes()).hexdigest(), facts.audio_sha256))
    assert made[0] == made[1]
    assert {digest for _, digest in made} == {made[0][1]}


# --- equalisation, channels, peaks ---


@pytest.mark.parametrize(("deck_us", "tape_us", "expected_db"), [(120.0, 70.0, -4.54), (70.0, 120.0, 4.54)])
def test_the_equalisation_declared_reaches_the_master(tmp_path, deck_us, tape_us, expected_db):
    """Check values §3.2 at 10 kHz."""
    decisions = decided(2.0, ratio=RATIO, deck_us=deck_us, tape_us=tape_us)
    path, _ = mastered(tmp_path, sine(10_000, 2, 48_000, level=0.2), 48_000, decisions)
    _, amplitude, _ = fitted(samples_of(path)[24_000:-24_000, 0], 48_000, 10_000 * RATIO)
    assert 20 * np.log10(amplitude / 0.2) == pytest.approx(expected_db, abs=0.1)


def test_equalisation_declared_on_one_side_only_changes_nothing(tmp_path):
    samples = programme(0.5, 48_000)
    _, plain = mastered(tmp_path, samples, 48_000, decided(0.5), name="plain")
    _, half = mastered(tmp_path, samples, 48_000, decided(0.5, deck_us=120.0), name="half")
    assert half.audio_sha256 == plain.audio_sha256


@pytest.mark.parametrize("right", ["same", "inverted", "dead", "later", "later and inverted"])
def test_a_mono_tape_captured_in_stereo_keeps_its_level_whatever_is_wrong_with_one_channel(tmp_path, right):
    """The copy is mono, and no treble is combed away (later: by 60 µs)."""
    rate_hz = 48_000
    left = programme(12.0, rate_hz, channels=1, seed=6)
    spectrum = np.fft.rfft(left, axis=0)
    delay = np.exp(-2j * np.pi * np.fft.rfftfreq(len(left), 1 / rate_hz) * 60e-6)[:, None]
    later = np.fft.irfft(spectrum * delay, len(left), axis=0)
    other = {"later": later, "later and inverted": -later}.get(
        right, left * (right if not isinstance(right, str) else 1)
    )
    hiss = np.random.default_rng(9).standard_normal((len(left), 2)) * 1e-4
    stereo = (np.concatenate([left, other], axis=1) + hiss).astype(np.float32)
    meter = ChannelMeter(rate_hz, 2, read_all_settings().method.channels)
    for block in np.array_split(stereo, 5):
        meter.feed(block)
    use = decide_channels(meter.measure_channels(None), 2, COPIES).use
    path, facts = mastered(tmp_path, stereo, rate_hz, decided(12.0, use=use))
    assert facts.channels == 1
    found = samples_of(path)[:, 0]
    for low_hz, high_hz in ((300, 1_000), (7_500, 9_500)):  # 60 µs cancel at 8.3 kHz when summed
        band = [power_between(wave, rate_hz, low_hz, high_hz) for wave in (found, left[:, 0])]
        assert 10 * np.log10(band[0] / band[1]) == pytest.approx(0.0, abs=0.3)


def power_between(wave, rate_hz, low_hz, high_hz):
    power = np.abs(np.fft.rfft(wave)) ** 2
    hz = np.fft.rfftfreq(len(wave), 1 / rate_hz)
    return power[(hz >= low_hz) & (hz < high_hz)].sum()


HOT = {
    "full-scale sine near half the rate": lambda rng, n: sine(0.23 * 48_000, n / 48_000, 48_000, level=1.0)[:, 0],
    "noise at full scale": lambda rng, n: np.clip(rng.standard_normal(n) * 0.5, -1, 1),
    "clipped hard": lambda rng, n: np.clip(4 * programme(n / 48_000, 48_000, 1, seed=2, level=0.5)[:, 0], -1, 1),
    "square wave": lambda rng, n: np.sign(np.sin(2 * np.pi * 997 * np.arange(n) / 48_000)),
    "clicks": lambda rng, n: np.where(rng.random(n) < 0.001, rng.choice([-1.0, 1.0], n), 0.0),
}


@pytest.mark.parametrize("kind", HOT)
@pytest.mark.parametrize("ratio", [RATIO, 0.98])
@pytest.mark.parametrize("equalisation", [(None, None), (70.0, 120.0)])
def test_the_master_of_a_hot_capture_never_clips(tmp_path, kind, ratio, equalisation):
    wave = np.clip(HOT[kind](np.random.default_rng(5), 96_000), -1, 1 - 2.0**-23)[:, None].astype(np.float32)
    meter = TruePeakMeter(48_000, 1)
    meter.feed(wave)
    deck_us, tape_us = equalisation
    boost_db = greatest_boost_db(deck_us, tape_us) if tape_us else 0.0
    gain = decide_gain(meter.true_peak_dbtp(), boost_db, COPIES)
    decisions = decided(2.0, ratio=ratio, master_db=gain.master_db, deck_us=deck_us, tape_us=tape_us)
    path, facts = mastered(tmp_path, wave, 48_000, decisions)
    assert facts.clipped_samples == 0
    assert np.max(np.abs(samples_of(path))) < 1.0


# --- what must not happen ---


def test_a_preservation_copy_that_is_not_the_captures_is_refused_and_leaves_nothing(tmp_path):
    samples = programme(1.0, 48_000)
    source, digest = preserved(tmp_path / "source.flac", samples, 48_000)
    samples[-1] += 0.01  # outside the cut
    other, _ = preserved(tmp_path / "other.flac", samples, 48_000)
    threads = threading.active_count()
    for settings in (COPIES.master, WAVE):
        target = tmp_path / "master" / "K-017-A.flac"
        with pytest.raises(CopyError, match=r"other\.flac: decodes to samples with SHA-256 .*restore it"):
            write_master(other, digest, decided(0.5), settings, MasterWords(WORDS, BROADCAST), target, 5.0)
        assert list(target.parent.iterdir()) == []
    assert threading.active_count() == threads
    assert source.exists()


def test_a_failure_keeps_the_master_that_was_there(tmp_path):
    source, digest = preserved(tmp_path / "source.flac", programme(0.5, 48_000), 48_000)
    target = tmp_path / "K-017-A.flac"
    target.write_bytes(b"the earlier one")
    with pytest.raises(CopyError):
        write_master(source, "0" * 64, decided(0.5), COPIES.master, MasterWords(WORDS, BROADCAST), target, 5.0)
    assert target.read_bytes() == b"the earlier one" and not list(tmp_path.glob(".*"))
    with pytest.raises(DecisionError, match="does not fit"):
        write_master(source, digest, decided(9.0), COPIES.master, MasterWords(WORDS, BROADCAST), target, 5.0)
    assert target.read_bytes() == b"the earlier one" and not list(tmp_path.glob(".*"))


@pytest.mark.parametrize("settings", [COPIES.master, WAVE], ids=["flac", "wave"])
def test_a_disk_that_fills_up_is_told_and_leaves_nothing(tmp_path, settings):
    source, digest = preserved(tmp_path / "source.flac", programme(4.0, 48_000), 48_000)
    target = tmp_path / "master" / f"K-017-A.{settings.format.value.replace('wave', 'wav')}"
    threads = threading.active_count()
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    try:
        with pytest.raises((CopyError, OSError), match=r"is the disk full|File too large"):
            write_master(source, digest, decided(4.0), settings, MasterWords(WORDS, BROADCAST), target, 0.1)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert list(target.parent.iterdir()) == []
    assert threading.active_count() == threads
