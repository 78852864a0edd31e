"""Peaks, DC and r.m.s. of signals whose levels are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from programme import drums_like, in_blocks, music_like, noise, speech_like
from scipy import signal

from pipeline.level import LevelMeter, measure_levels
from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured
from pipeline.spans import Span
from pipeline.true_peak import TruePeakMeter


def sine(rate_hz, seconds, amplitude, hz=997.0):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_peak_dc_and_rms_of_a_sine_on_an_offset(rate_hz):
    meter = LevelMeter(rate_hz, 2)
    both = np.stack([sine(rate_hz, 2.0, 0.5) + 0.01, sine(rate_hz, 2.0, 0.25) - 0.03], axis=1).astype(np.float32)
    meter.feed(both)
    assert meter.sample_peak_dbfs() == pytest.approx(20 * np.log10(0.51), abs=0.002)
    assert meter.dc_offset_percent() == pytest.approx(-3.0, abs=0.001)
    assert meter.rms_dbfs() == pytest.approx([-9.0309, -15.0515], abs=0.002)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), channels=st.integers(1, 2))
def test_where_the_blocks_are_cut_changes_nothing(seed, channels):
    rng = np.random.default_rng(seed)
    made = (rng.normal(0, 0.1, (30_000, channels)) + rng.uniform(-0.3, 0.3, channels)).astype(np.float32)
    meter = LevelMeter(44_100, channels)
    for piece in np.split(made, np.sort(rng.integers(0, 30_000, 12))):
        meter.feed(piece)
    exact = made.astype(np.float64)
    means = exact.mean(0)
    assert meter.sample_peak_dbfs() == pytest.approx(20 * np.log10(np.abs(exact).max()), abs=1e-6)
    # Pieces are summed in single precision: a millionth of full scale, -120 dBFS, is the most that may cost.
    assert meter.dc_offset_percent() == pytest.approx(100 * means[np.abs(means).argmax()], abs=1e-4)
    assert meter.rms_dbfs() == pytest.approx(20 * np.log10(exact.std(0)), abs=1e-3)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_where_the_blocks_are_cut_moves_no_dc(seed):
    rng = np.random.default_rng(seed)
    made = (rng.normal(0, 0.01, (80_000, 2)) + np.linspace(0, rng.uniform(-0.1, 0.1), 80_000)[:, None]).astype("f4")
    whole, cut = LevelMeter(8_000, 2), LevelMeter(8_000, 2)
    whole.feed(made)
    for piece in np.split(made, np.sort(rng.integers(0, 80_000, 40))):
        cut.feed(piece)
    assert cut.dc_wander_percent() == pytest.approx(whole.dc_wander_percent(), abs=1e-4)


def wander(samples, rate_hz):
    meter = LevelMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples.astype(np.float32), 3 * rate_hz + 17):
        meter.feed(block)
    return meter.dc_wander_percent()


def a_side(rate_hz, seed, kind):
    """Hiss, programme, hiss; nothing in it moves its DC."""
    if kind == "speech":
        made = speech_like(30, rate_hz, seed)[:, None].repeat(2, axis=1)
    else:
        made = drums_like(30, rate_hz, seed) if kind == "drums" else music_like(30, rate_hz, seed)
    return np.pad(made, ((12 * rate_hz, 12 * rate_hz), (0, 0))) + noise(54 * rate_hz, 2, seed, -55.0)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
@pytest.mark.parametrize("kind", ["speech", "music", "drums"])
def test_a_dc_that_moves_is_read_and_one_that_does_not_is_none(rate_hz, kind):
    side = a_side(rate_hz, rate_hz + len(kind), kind)
    seconds = np.arange(len(side)) / rate_hz
    assert wander(side, rate_hz) < 0.02
    assert wander(side + 0.02, rate_hz) < 0.02  # an offset is no wander
    thump = 0.2 * np.exp(-np.abs(seconds - 25) / 0.2)
    assert wander(side + thump[:, None], rate_hz) < 0.05
    for course in (0.015 * seconds / 54, 0.015 * (seconds > 46), -0.0075 * np.cos(2 * np.pi * seconds / 108)):
        one = side.copy()
        one[:, 1] += course
        assert 0.6 < wander(one, rate_hz) < 1.55  # told is what the programme cannot account for


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
def test_a_deep_bass_a_rumble_and_a_lopsided_voice_move_no_dc(rate_hz):
    seconds = np.arange(40 * rate_hz) / rate_hz
    loud = (seconds > 12) & (seconds < 28)
    for hz in (20.0, 31.3, 41.2):
        assert wander((0.5 * np.sin(2 * np.pi * hz * seconds) * loud)[:, None], rate_hz) < 0.02
    rumble = signal.sosfilt(
        signal.butter(2, [4, 25], "bandpass", fs=rate_hz, output="sos"), noise(len(seconds), 1, rate_hz, -10.0)[:, 0]
    )
    assert wander((rumble * loud)[:, None], rate_hz) < 0.02
    voice = np.maximum(0, np.sin(2 * np.pi * 110 * seconds)) ** 8 * loud * (np.sin(2 * np.pi * 1.3 * seconds) > -0.2)
    uncoupled = 0.5 * voice + noise(len(seconds), 1, 5, -60.0)[:, 0]
    assert (
        wander(signal.sosfilt(signal.butter(1, 20, "highpass", fs=rate_hz, output="sos"), uncoupled)[:, None], rate_hz)
        < 0.02
    )


def test_a_muted_head_has_no_dc_to_move_from_and_a_short_capture_none_to_be_told():
    hiss = noise(30 * 8_000, 1, 3, -50.0) + 0.02
    hiss[: 9 * 8_000] = 0
    assert wander(hiss, 8_000) < 0.02
    assert isinstance(wander(hiss[-5 * 8_000 :], 8_000), NotMeasured)
    assert isinstance(wander(np.zeros((80_000, 2)), 8_000), NotMeasured)


def test_silence_reads_as_silence_and_a_dead_channel_beside_a_live_one_too():
    meter = LevelMeter(48_000, 2)
    meter.feed(np.zeros((1000, 2), np.float32))
    assert meter.sample_peak_dbfs() == NotMeasured("digital silence")
    assert meter.dc_offset_percent() == 0.0
    meter.feed(np.stack([sine(48_000, 1.0, 1.0), np.zeros(48_000)], axis=1).astype(np.float32))
    left, right = meter.rms_dbfs()
    assert left == pytest.approx(-3.01 - 10 * np.log10(49 / 48), abs=0.01)
    assert isinstance(right, NotMeasured)


def test_nothing_fed_is_not_measured():
    meter = LevelMeter(48_000, 1)
    meter.feed(np.zeros((0, 1), np.float32))
    assert meter.dc_offset_percent() == NotMeasured("no samples")
    assert meter.rms_dbfs() == (NotMeasured("no samples"),)


def test_the_record_takes_each_reading_from_its_meter():
    signal = np.repeat(sine(48_000, 4.0, 0.1)[:, None], 2, axis=1).astype(np.float32)
    level, loudness, true_peak = LevelMeter(48_000, 2), LoudnessMeter(48_000, 2), TruePeakMeter(48_000, 2)
    for meter in (level, loudness, true_peak):
        meter.feed(signal)
    record = measure_levels(level, loudness, true_peak, Span(1.0, 3.0), -60.0, NotMeasured("no leader"))
    assert record.sample_peak_dbfs == pytest.approx(-20, abs=0.01)
    assert record.true_peak_dbtp == pytest.approx(-20, abs=0.01)
    assert record.integrated_lufs == pytest.approx(-20, abs=0.02)
    assert record.programme_lufs == pytest.approx(-20, abs=0.02)
    assert record.loudness_range_lu == pytest.approx(0, abs=0.01)
    assert record.dc_offset_percent == pytest.approx(0, abs=0.01)
    assert (record.hiss_floor_dbfs, record.electronics_floor_dbfs) == (-60.0, NotMeasured("no leader"))


def test_a_tenth_of_a_second_still_has_peaks():
    signal = sine(48_000, 0.1, 0.5, 1000.0)[:, None].astype(np.float32)
    level, loudness, true_peak = LevelMeter(48_000, 1), LoudnessMeter(48_000, 1), TruePeakMeter(48_000, 1)
    for meter in (level, loudness, true_peak):
        meter.feed(signal)
    record = measure_levels(level, loudness, true_peak, None, NotMeasured("no silence"), NotMeasured("no leader"))
    assert record.true_peak_dbtp == pytest.approx(-6.02, abs=0.05)
    assert isinstance(record.integrated_lufs, NotMeasured)
    assert record.programme_lufs == NotMeasured("no programme")
