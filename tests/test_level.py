"""Peaks, DC and r.m.s. of signals whose levels are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.level import LevelMeter, measure_levels
from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured
from pipeline.true_peak import TruePeakMeter


def sine(rate_hz, seconds, amplitude, hz=997.0):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_peak_dc_and_rms_of_a_sine_on_an_offset(rate_hz):
    meter = LevelMeter(2)
    both = np.stack([sine(rate_hz, 2.0, 0.5) + 0.01, sine(rate_hz, 2.0, 0.25) - 0.03], axis=1).astype(np.float32)
    meter.feed(both)
    assert meter.sample_peak_dbfs() == pytest.approx(20 * np.log10(0.51), abs=0.002)
    assert meter.dc_offset_percent() == pytest.approx(-3.0, abs=0.001)
    assert meter.rms_dbfs() == pytest.approx([-9.0309, -15.0515], abs=0.002)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), channels=st.integers(1, 2))
def test_where_the_blocks_are_cut_changes_nothing(seed, channels):
    rng = np.random.default_rng(seed)
    signal = (rng.normal(0, 0.1, (30_000, channels)) + rng.uniform(-0.3, 0.3, channels)).astype(np.float32)
    meter = LevelMeter(channels)
    for piece in np.split(signal, np.sort(rng.integers(0, 30_000, 12))):
        meter.feed(piece)
    exact = signal.astype(np.float64)
    means = exact.mean(0)
    assert meter.sample_peak_dbfs() == pytest.approx(20 * np.log10(np.abs(exact).max()), abs=1e-6)
    # Pieces are summed in single precision: a millionth of full scale, -120 dBFS, is the most that may cost.
    assert meter.dc_offset_percent() == pytest.approx(100 * means[np.abs(means).argmax()], abs=1e-4)
    assert meter.rms_dbfs() == pytest.approx(20 * np.log10(exact.std(0)), abs=1e-3)


def test_silence_reads_as_silence_and_a_dead_channel_beside_a_live_one_too():
    meter = LevelMeter(2)
    meter.feed(np.zeros((1000, 2), np.float32))
    assert meter.sample_peak_dbfs() == NotMeasured("digital silence")
    assert meter.dc_offset_percent() == 0.0
    meter.feed(np.stack([sine(48_000, 1.0, 1.0), np.zeros(48_000)], axis=1).astype(np.float32))
    left, right = meter.rms_dbfs()
    assert left == pytest.approx(-3.01 - 10 * np.log10(49 / 48), abs=0.01)
    assert isinstance(right, NotMeasured)


def test_nothing_fed_is_not_measured():
    meter = LevelMeter(1)
    meter.feed(np.zeros((0, 1), np.float32))
    assert meter.dc_offset_percent() == NotMeasured("no samples")
    assert meter.rms_dbfs() == (NotMeasured("no samples"),)


def test_the_record_takes_each_reading_from_its_meter():
    signal = np.repeat(sine(48_000, 4.0, 0.1)[:, None], 2, axis=1).astype(np.float32)
    level, loudness, true_peak = LevelMeter(2), LoudnessMeter(48_000, 2), TruePeakMeter(48_000, 2)
    for meter in (level, loudness, true_peak):
        meter.feed(signal)
    record = measure_levels(level, loudness, true_peak, -60.0, NotMeasured("no leader"))
    assert record.sample_peak_dbfs == pytest.approx(-20, abs=0.01)
    assert record.true_peak_dbtp == pytest.approx(-20, abs=0.01)
    assert record.integrated_lufs == pytest.approx(-20, abs=0.02)
    assert record.loudness_range_lu == pytest.approx(0, abs=0.01)
    assert record.dc_offset_percent == pytest.approx(0, abs=0.01)
    assert (record.hiss_floor_dbfs, record.electronics_floor_dbfs) == (-60.0, NotMeasured("no leader"))


def test_a_tenth_of_a_second_still_has_peaks():
    signal = sine(48_000, 0.1, 0.5, 1000.0)[:, None].astype(np.float32)
    level, loudness, true_peak = LevelMeter(1), LoudnessMeter(48_000, 1), TruePeakMeter(48_000, 1)
    for meter in (level, loudness, true_peak):
        meter.feed(signal)
    record = measure_levels(level, loudness, true_peak, NotMeasured("no silence"), NotMeasured("no leader"))
    assert record.true_peak_dbtp == pytest.approx(-6.02, abs=0.05)
    assert isinstance(record.integrated_lufs, NotMeasured)
