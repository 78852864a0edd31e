"""Channels chosen, levels kept and integers made as decided; the truth is arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from decided import decided

from pipeline.capture import Encoding, open_capture
from pipeline.decisions import ChannelUse
from pipeline.errors import DecisionError
from pipeline.render import Quantiser, choose_channels, cut_frames, is_bit_exact, rendered_channels

STEP_24 = 2.0**-23


def noise(frames=4000, channels=2, seed=1, level=0.1):
    return (np.random.default_rng(seed).standard_normal((frames, channels)) * level).astype(np.float32)


def capture_of(tmp_path, samples, rate_hz=8000):
    import soundfile

    soundfile.write(tmp_path / "a.wav", samples, rate_hz, subtype="PCM_24")
    return open_capture(tmp_path / "a.wav")


# --- channels ---


def test_each_use_of_the_channels_is_what_its_name_says():
    block = noise()
    left, right = block[:, :1], block[:, 1:]
    expected = {
        ChannelUse.AS_CAPTURED: block,
        ChannelUse.RIGHT_FLIPPED: np.concatenate([left, -right], axis=1),
        ChannelUse.AVERAGE: (left + right) / 2,
        ChannelUse.DIFFERENCE: (left - right) / 2,
        ChannelUse.LEFT: left,
        ChannelUse.RIGHT: right,
    }
    assert set(expected) == set(ChannelUse)
    for use, samples in expected.items():
        assert np.allclose(choose_channels(block, use), samples, atol=1e-8)


def test_channels_of_opposite_polarity_never_cancel():
    wave = noise(channels=1)
    inverted = np.concatenate([wave, -wave], axis=1)
    assert not choose_channels(inverted, ChannelUse.AVERAGE).any()  # what the decision must avoid
    for use in (ChannelUse.DIFFERENCE, ChannelUse.LEFT):
        assert np.allclose(choose_channels(inverted, use), wave, atol=1e-8)
    flipped = choose_channels(inverted, ChannelUse.RIGHT_FLIPPED)
    assert np.allclose(flipped.sum(axis=1, keepdims=True), 2 * wave, atol=1e-7)


@pytest.mark.parametrize("use", [u for u in ChannelUse if u not in (ChannelUse.AS_CAPTURED, ChannelUse.LEFT)])
def test_a_use_that_needs_two_channels_is_refused_on_one(use):
    with pytest.raises(DecisionError, match=f"{use.value!r} needs two channels"):
        choose_channels(noise(channels=1), use)


def test_the_number_of_channels_rendered_is_told_before(tmp_path):
    stereo = capture_of(tmp_path, noise())
    for use in ChannelUse:
        assert rendered_channels(stereo, decided(0.5, use=use)) == choose_channels(noise(), use).shape[1]


# --- cuts ---


@pytest.mark.parametrize(("start_s", "stop_s"), [(-0.1, 0.2), (0.2, 0.2), (0.3, 0.2), (0.0, 0.6), (0.6, 0.7)])
def test_a_cut_that_does_not_fit_is_refused_with_the_captures_length(tmp_path, start_s, stop_s):
    capture = capture_of(tmp_path, noise())
    with pytest.raises(DecisionError, match=r"does not fit a capture of 0\.500 s; .*before speed correction"):
        cut_frames(capture, decided(stop_s, start_s))


def test_a_cut_falls_on_the_nearest_frames(tmp_path):
    assert cut_frames(capture_of(tmp_path, noise()), decided(0.25, 0.1)) == (800, 2000)


# --- integers ---


@pytest.mark.parametrize("bits", [16, 24])
def test_whole_steps_stay_untouched_without_dither(bits):
    whole = np.random.default_rng(2).integers(-(1 << bits - 1), 1 << bits - 1, (5000, 2))
    whole[0] = [-(1 << bits - 1), (1 << bits - 1) - 1]
    quantiser = Quantiser(bits, dither=False)
    found = quantiser.quantise((whole * 2.0 ** (1 - bits)).astype(np.float32))
    assert np.array_equal(found, whole << 32 - bits) and quantiser.clipped_samples == 0


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5, -0.37])
def test_dither_leaves_no_bias_and_an_error_that_does_not_know_the_signal(bits, offset):
    """TPDF of ±1 step and rounding: mean error 0, variance 1/6 + 1/12 = 1/4 of a step squared, whatever the input."""
    count = 400_000
    steady = np.full((count, 1), offset * 2.0 ** (1 - bits), np.float64).astype(np.float32)
    found = Quantiser(bits, dither=True).quantise(steady) / float(1 << 32 - bits)
    error = found - offset
    assert np.mean(error) == pytest.approx(0.0, abs=5 * 0.5 / np.sqrt(count))
    assert np.var(error) == pytest.approx(0.25, rel=0.01)
    assert np.max(np.abs(error)) <= 1.5 + 1e-6
    flat = error[:, 0] - error.mean()
    spectrum = np.abs(np.fft.rfft(flat[: 1 << 18].reshape(64, -1))) ** 2
    bands = spectrum.mean(0)[1:].reshape(-1, 128).mean(1)
    assert bands.max() / bands.min() < 1.25  # white


def test_left_and_right_are_dithered_independently():
    found = Quantiser(24, dither=True).quantise(np.zeros((200_000, 2), np.float32)).astype(np.float64)
    assert abs(np.corrcoef(found.T)[0, 1]) < 0.01


def test_a_tone_below_the_last_bit_survives_in_the_dither():
    """A sine of half a step would vanish by rounding alone; dithered it stands with its own level in the noise."""
    frames, hz, rate_hz = 480_000, 1000.0, 48_000
    wave = 0.4 * 2.0**-15 * np.sin(2 * np.pi * hz * np.arange(frames) / rate_hz)
    plain = Quantiser(16, dither=False).quantise(wave[:, None].astype(np.float32))
    assert not plain.any()
    found = Quantiser(16, dither=True).quantise(wave[:, None].astype(np.float32))[:, 0] / 2.0**31
    level = abs(2 / frames * np.sum(found * np.exp(-2j * np.pi * hz * np.arange(frames) / rate_hz)))
    assert level == pytest.approx(0.4 * 2.0**-15, rel=0.05)


@pytest.mark.parametrize("dither", [True, False])
def test_the_result_does_not_depend_on_how_the_audio_was_cut(dither):
    """Also beyond the length of the table of noise, which is 2^21."""
    samples = noise(frames=1_300_000, seed=4)
    whole = Quantiser(24, dither).quantise(samples)
    for sizes in ([1, 2, 3, 999_983], [700_001], [0, 5, 0]):
        quantiser = Quantiser(24, dither)
        parts = [quantiser.quantise(part) for part in np.split(samples, np.cumsum(sizes))]
        assert np.array_equal(np.concatenate(parts), whole)


def test_what_does_not_fit_is_held_at_full_scale_and_counted():
    quantiser = Quantiser(24, dither=False)
    found = quantiser.quantise(np.array([[1.5, -1.5], [1.0, -1.0], [0.0, 1 - STEP_24]], np.float32))
    top, bottom = ((1 << 23) - 1) << 8, -(1 << 31)
    assert found.tolist() == [[top, bottom], [top, bottom], [0, top]]
    assert quantiser.clipped_samples == 3  # +1.5, -1.5 and +1.0, which is one step above the highest


def test_dither_is_only_left_out_where_nothing_is_changed():
    assert is_bit_exact(decided(1.0))
    assert is_bit_exact(decided(1.0, use=ChannelUse.RIGHT))
    assert is_bit_exact(decided(1.0, deck_us=120.0, tape_us=120.0))
    assert not is_bit_exact(decided(1.0, ratio=1.001))
    assert not is_bit_exact(decided(1.0, use=ChannelUse.AVERAGE))
    assert not is_bit_exact(decided(1.0, master_db=-0.5))
    assert not is_bit_exact(decided(1.0, deck_us=120.0, tape_us=70.0))
    held = {encoding for encoding in Encoding if encoding.holds_24_bits}
    assert held == {Encoding.PCM_8, Encoding.PCM_16, Encoding.PCM_24}
