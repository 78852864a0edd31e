"""Demodulated tones against frequency modulation that is known by construction (check values §1.4)."""

from __future__ import annotations

import tomllib
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import signals

from pipeline.demodulate import DemodulationCriteria, demodulate
from pipeline.errors import CaptureError
from pipeline.settings import settings_from

METHOD = tomllib.loads((Path(__file__).parent.parent / "config" / "method.toml").read_text("utf-8"))
CRITERIA = settings_from(DemodulationCriteria, METHOD["demodulation"], "config/method.toml")


def demodulated(samples, rate_hz, carrier_hz, block_frames=50_000, start_s=0.0):
    return demodulate(signals.in_blocks(samples, block_frames), rate_hz, carrier_hz, start_s, CRITERIA)


def depth_and_lag(found, rate_hz):
    """Peak deviation at this rate and its phase against a cosine from the start of the capture."""
    at_s = found.start_s + np.arange(len(found.deviation_percent)) / found.rate_hz
    model = np.exp(-2j * np.pi * rate_hz * at_s) * np.hanning(len(at_s))
    line = 2 * np.sum(model * found.deviation_percent) / np.sum(np.hanning(len(at_s)))
    return abs(line), np.angle(line)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("flutter_hz", [1.2, 6.3, 50.0, 100.0, 200.0])
def test_flutter_is_shown_at_its_depth_and_moment_up_to_200_hz(rate_hz, flutter_hz):
    tone = signals.tone(4.0, rate_hz, 3150, -0.9, [(flutter_hz, 0.2)])
    found = demodulated(signals.as_mono(tone), rate_hz, 3150 * 0.995, start_s=0.0)
    depth, lag = depth_and_lag(found, flutter_hz)
    assert depth == pytest.approx(0.2, rel=0.01)
    assert lag == pytest.approx(0.0, abs=0.01)
    assert found.bandwidth_hz == 200.0


def test_a_440_hz_tone_says_that_it_cannot_show_200_hz():
    found = demodulated(signals.as_mono(signals.tone(4.0, 48_000, 440, 0.0, [(140.0, 0.2)])), 48_000, 440)
    assert 140.0 < found.bandwidth_hz < 160.0
    assert depth_and_lag(found, 140.0)[0] == pytest.approx(0.2, rel=0.01)


def test_strong_slow_wow_of_one_percent_is_followed():
    found = demodulated(signals.as_mono(signals.tone(20.0, 48_000, 3150, 0.0, [(0.5, 1.0)])), 48_000, 3150)
    assert depth_and_lag(found, 0.5)[0] == pytest.approx(1.0, rel=0.005)


def test_where_the_blocks_are_cut_changes_nothing():
    samples = signals.as_stereo(signals.tone(2.0, 48_000, 3150, 0.0, [(6.3, 0.2)]) + signals.hiss(2.0, 48_000, -50, 1))
    whole = demodulated(samples, 48_000, 3150, len(samples))
    pieces = demodulated(samples, 48_000, 3150, 777)
    assert len(whole.deviation_percent) == len(pieces.deviation_percent)
    np.testing.assert_allclose(pieces.deviation_percent, whole.deviation_percent, atol=1e-4)
    assert pieces.carrier_hz == pytest.approx(whole.carrier_hz, abs=1e-6)


def test_time_and_lost_ends_are_told():
    found = demodulated(signals.as_mono(signals.tone(5.0, 48_000, 440)), 48_000, 440, start_s=12.0)
    assert found.start_s == pytest.approx(12.0 + found.edge_s)
    assert found.edge_s < 0.05
    assert found.start_s + found.seconds + found.edge_s == pytest.approx(17.0, abs=3 / found.rate_hz)


@pytest.mark.parametrize(("level_dbfs", "rate_hz"), [(-3.0, 8_000), (-20.0, 48_000), (-45.0, 96_000)])
def test_the_level_is_the_tones_rms(level_dbfs, rate_hz):
    found = demodulated(signals.as_mono(signals.tone(3.0, rate_hz, 1000, level_dbfs=level_dbfs)), rate_hz, 1000)
    assert np.median(found.level_dbfs) == pytest.approx(level_dbfs, abs=0.01)


@pytest.mark.parametrize("snr_db", [20.0, 40.0, 60.0])
@pytest.mark.parametrize("seed", [3, 4])
def test_the_hiss_in_the_band_is_known(snr_db, seed):
    """White hiss over half the sample rate: the share inside ±w Hz is 2 w over half the rate."""
    tone = signals.tone(20.0, 48_000, 3150, 0.0, [(6.3, 0.1)], level_dbfs=-9.0)
    found = demodulated(signals.as_mono(tone + signals.hiss(20.0, 48_000, -9.0 - snr_db, seed)), 48_000, 3150)
    expected_db = snr_db + 10 * np.log10(24_000 / (2 * found.noise_width_hz))
    assert found.tone_to_noise_db == pytest.approx(expected_db, abs=0.7)


@pytest.mark.parametrize("seed", [5, 6])
def test_what_hiss_reads_as_flutter_is_foretold(seed):
    tone = signals.tone(30.0, 48_000, 3150) + signals.hiss(30.0, 48_000, -39.0, seed)
    found = demodulated(signals.as_mono(tone), 48_000, 3150)
    hz = np.fft.rfftfreq(len(found.deviation_percent), 1 / found.rate_hz)
    power = np.abs(np.fft.rfft(found.deviation_percent)) ** 2 / len(found.deviation_percent) ** 2 * 2
    inside = (hz > 10) & (hz < 200)
    assert found.hiss_rms_percent(10, 200) == pytest.approx(np.sqrt(power[inside].sum()), rel=0.12)


def test_two_channels_carry_less_hiss_than_one():
    tone = signals.tone(10.0, 48_000, 3150)
    left, right = (tone + signals.hiss(10.0, 48_000, -39.0, seed) for seed in (7, 8))
    one = demodulated(signals.as_mono(left), 48_000, 3150)
    both = demodulated(signals.as_stereo(left, right), 48_000, 3150)
    assert both.channels == (0, 1)
    assert both.tone_to_noise_db - one.tone_to_noise_db == pytest.approx(3.0, abs=0.7)


@pytest.mark.parametrize("gain", [-1.0, 0.3])
def test_inverted_and_softer_channels_do_not_cancel(gain):
    tone = signals.tone(5.0, 48_000, 1000, -0.5)
    found = demodulated(signals.as_stereo(tone, gain * tone + signals.hiss(5.0, 48_000, -60.0, 2)), 48_000, 1000)
    assert np.median(found.level_dbfs) == pytest.approx(-9.0, abs=0.05)
    assert found.carrier_hz == pytest.approx(995.0, abs=1e-3)


@pytest.mark.parametrize("dead", [0, 1])
def test_a_dead_channel_is_left_out(dead):
    waves = [signals.tone(5.0, 48_000, 1000, -0.5), signals.hiss(5.0, 48_000, -60.0, 2)]
    found = demodulated(signals.as_stereo(*(waves[::-1] if dead == 0 else waves)), 48_000, 1000)
    assert found.channels == (1 - dead,)
    assert found.carrier_hz == pytest.approx(995.0, abs=1e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_dropouts_slip_no_cycle(seed):
    """A single lost cycle of 3150 Hz in 15 s is 0.07 Hz."""
    rng = np.random.default_rng(seed)
    tone = signals.tone(15.0, 48_000, 3150, -0.9, [(6.3, 0.12), (1.2, 0.08)])
    for at in rng.integers(48_000, 14 * 48_000, 8):
        tone[at : at + 2400] *= 0.003
    found = demodulated(signals.as_mono(tone + signals.hiss(15.0, 48_000, -49.0, seed)), 48_000, 3150)
    assert found.carrier_hz == pytest.approx(3150 * 0.991, abs=0.03)
    assert 0.3 < np.sum(~found.present) / found.rate_hz < 0.7
    assert np.max(np.abs(found.deviation_percent)) < 0.5


def test_hum_and_harmonics_do_not_read_as_flutter():
    tone = signals.tone(10.0, 48_000, 440, third_percent=5.0) + signals.hum(10.0, 48_000, -39.0)
    found = demodulated(signals.as_mono(tone), 48_000, 440)
    assert np.std(found.deviation_percent[50:-50]) < 0.002


def test_too_short_silent_and_impossible_tones_are_refused():
    with pytest.raises(CaptureError, match="too short"):
        demodulated(np.zeros((1000, 1), np.float32), 48_000, 3150)
    with pytest.raises(CaptureError, match="silent"):
        demodulated(np.zeros((48_000, 2), np.float32), 48_000, 3150)
    with pytest.raises(CaptureError, match="cannot be demodulated at 8000 Hz"):
        demodulated(np.zeros((8_000, 1), np.float32), 8_000, 3900)


@pytest.mark.slow
def test_45_minutes_of_tone_need_less_than_100_mb():
    block = signals.as_stereo(signals.tone(5.0, 96_000, 3150) + signals.hiss(5.0, 96_000, -60.0, 1))
    tracemalloc.start()
    try:
        found = demodulate((block for _ in range(540)), 96_000, 3150, 0.0, CRITERIA)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found.seconds == pytest.approx(2700.0, abs=0.1)
    assert peak_bytes < 100e6
