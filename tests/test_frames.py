"""The table of short frames against signals of known level, pitch and evenness."""

from __future__ import annotations

import numpy as np
import pytest
from signals import as_mono, as_stereo, hiss, in_blocks, note, tone

from pipeline.frames import BAND_CENTRES_HZ, FRAME_S, SILENT_DB, FrameMeter, frame_length

RATES_HZ = [8_000, 11_025, 44_100, 48_000, 96_000, 192_000]


def frames_of(samples, rate_hz, block_frames=None):
    meter = FrameMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples, block_frames or 5 * rate_hz):
        meter.feed(block)
    return meter.frames()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_frame_is_about_43_ms_and_half_overlapped(rate_hz):
    length = frame_length(rate_hz)
    assert length & (length - 1) == 0 and 2**-0.51 < length / rate_hz / FRAME_S < 2**0.51
    found = frames_of(as_mono(np.zeros(rate_hz)), rate_hz)
    assert found.hop_s == length / 2 / rate_hz
    assert len(found.times_s) == (rate_hz - length) // (length // 2) + 1
    assert found.times_s[0] == length / 2 / rate_hz
    assert np.allclose(np.diff(found.times_s), found.hop_s)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_tone_shows_its_pitch_its_level_and_that_it_is_pure(rate_hz):
    """Log-parabolic interpolation of a Hann window's peak errs by 0.016 bins at most (check values §8)."""
    for hz in (315.0, 1000.0, 3150.0):
        found = frames_of(as_mono(tone(0.5, rate_hz, hz, level_dbfs=-20.0)), rate_hz)
        bin_hz = rate_hz / frame_length(rate_hz)
        assert np.max(np.abs(found.line_hz - hz)) < 0.03 * bin_hz
        assert np.allclose(found.total_db, -20.0, atol=0.05)
        assert np.allclose(found.line_db, -20.0, atol=0.05)
        assert np.min(found.line_share) > 0.999
        octave = int(np.argmin(np.abs(np.log2(np.array(BAND_CENTRES_HZ) / hz))))
        assert np.all(np.argmax(found.band_db[:, 0], axis=1) == octave)
        assert np.allclose(found.band_db[:, 0, octave], -20.0, atol=0.1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_white_noise_lies_in_each_octave_by_its_width(rate_hz):
    found = frames_of(as_mono(hiss(6.0, rate_hz, -30.0, seed=rate_hz)), rate_hz)
    power = np.mean(10 ** (found.band_db[:, 0] / 10), axis=0)
    for centre_hz, level in zip(BAND_CENTRES_HZ, 10 * np.log10(power), strict=False):
        top_hz = min(centre_hz * np.sqrt(2), rate_hz / 2)
        expected = -30.0 + 10 * np.log10((top_hz - centre_hz / np.sqrt(2)) / (rate_hz / 2))
        assert level == pytest.approx(expected, abs=0.7 if centre_hz > 100 else 2.5)
    assert 10 * np.log10(np.mean(10 ** (found.total_db / 10))) == pytest.approx(-30.0, abs=0.2)


def test_noise_is_even_and_a_note_is_not():
    """The mean level of exponentially distributed power lies 2.51 dB (10 log10 e^-gamma) below its mean power."""
    even = frames_of(as_mono(hiss(4.0, 48_000, -30.0, seed=2)), 48_000).flat_db
    assert np.mean(even) == pytest.approx(-2.8, abs=0.4)  # the worse of two octaves
    notes = frames_of(as_mono(note(4.0, 48_000, 440.0, [-6.0] * 12) + hiss(4.0, 48_000, -70.0, 3)), 48_000).flat_db
    assert np.mean(notes) < -10


def test_dc_and_the_channels_do_not_leak_into_one_another():
    left = tone(1.0, 48_000, 1000.0, level_dbfs=-20) + 0.3
    found = frames_of(as_stereo(left, np.zeros(48_000)), 48_000)
    assert np.allclose(found.total_db[:, 0], -20.0, atol=0.05)
    assert np.all(found.total_db[:, 1] == SILENT_DB) and np.all(found.line_share[:, 1] == 0)
    assert np.all(found.band_db[:, 1] == SILENT_DB) and not found.zeros.any()


def test_only_frames_of_exact_zeros_on_every_channel_count_as_zeros():
    samples = as_stereo(hiss(3.0, 8_000, -40.0, seed=1))
    samples[8_000:16_000] = 0.0
    samples[12_000, 1] = 1e-9
    found = frames_of(samples, 8_000)
    length, hop = frame_length(8_000), frame_length(8_000) // 2
    expected = [not samples[n * hop : n * hop + length].any() for n in range(len(found.zeros))]
    assert found.zeros.tolist() == expected and 20 < sum(expected) < len(expected)


@pytest.mark.parametrize("block_frames", [100, 1024, 7777, 48_000, 10**6])
def test_blocks_may_be_cut_anywhere(block_frames):
    samples = as_stereo(tone(3.0, 48_000, 440.0) + hiss(3.0, 48_000, -50, 1), hiss(3.0, 48_000, -45, 2))
    whole, parts = frames_of(samples, 48_000), frames_of(samples, 48_000, block_frames)
    for name, expected in vars(whole).items():
        assert np.array_equal(getattr(parts, name), expected)


@pytest.mark.parametrize("frames", [1, 50, 255])
def test_a_capture_shorter_than_one_frame_gives_one(frames):
    found = frames_of(as_stereo(np.full(frames, 0.1)), 8_000)
    assert len(found.times_s) == 1 and found.band_db.shape[:2] == (1, 2)


def test_nothing_but_zeros_is_silent_and_warns_of_nothing():
    found = frames_of(as_mono(np.zeros(96_000)), 96_000)
    assert np.all(found.total_db == SILENT_DB) and np.all(found.line_db == SILENT_DB) and np.all(found.zeros)
    assert np.all(np.isfinite(found.flat_db)) and np.all(np.isfinite(found.line_hz))
