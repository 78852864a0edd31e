"""True peak against EBU Tech 3341 and against a much finer resampling of the same signal."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records import NotMeasured
from pipeline.true_peak import TruePeakMeter, interpolator, oversampling_factor

TRUTH = tomllib.loads((Path(__file__).parent / "truths" / "ebu_tech_3341.toml").read_text("utf-8"))["true_peak"]
RATES_HZ = [8_000, 44_100, 48_000, 96_000, 192_000]


def dbtp(signal, rate_hz, cuts=()):
    signal = np.asarray(signal, np.float32)
    signal = signal[:, None] if signal.ndim == 1 else signal
    meter = TruePeakMeter(rate_hz, signal.shape[1])
    for piece in np.split(signal, cuts):
        meter.feed(piece)
    return meter.true_peak_dbtp()


def faded(signal, fade_frames):
    ramp = np.ones(len(signal))
    ramp[:fade_frames] = np.linspace(0, 1, fade_frames)
    return signal * ramp * ramp[::-1]


def within_table(reading, expected):
    return expected - TRUTH["tolerance_below_db"] <= reading <= expected + TRUTH["tolerance_above_db"]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("tone", TRUTH["tone"], ids=lambda tone: f"case-{tone['case']}")
def test_tech_3341_tones_between_the_samples(tone, rate_hz):
    phase = 2 * np.pi * np.arange(rate_hz // 2) / tone["fraction"] + np.deg2rad(tone["phase_degrees"])
    reading = dbtp(faded(tone["amplitude"] * np.sin(phase), round(TRUTH["fade_s"] * rate_hz)), rate_hz)
    assert within_table(reading, tone["dbtp"]), reading


@pytest.mark.parametrize("offset", [0, 1, 2, 3])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_tech_3341_cases_20_to_23_a_burst_made_at_four_times_the_rate(rate_hz, offset):
    from scipy.signal import firwin

    burst, times = TRUTH["burst"], TRUTH["burst"]["made_at"]
    period = burst["tone_fraction"] * times
    tone = burst["tone_amplitude"] * np.sin(2 * np.pi * np.arange(100 * period) / period)
    loud = burst["burst_amplitude"] * np.sin(
        2 * np.pi * np.arange(burst["burst_fraction"] * times) / (burst["burst_fraction"] * times)
    )
    fine = faded(np.concatenate([tone, loud, tone]), 20 * period)
    low_passed = np.convolve(fine, firwin(801, 0.98 / times), mode="same")
    reading = dbtp(low_passed[offset::times], rate_hz)
    assert within_table(reading, burst["dbtp"]), reading


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("highest_share", [0.1, 0.4, 0.4535])  # 0.4535: 20 kHz at 44.1 kHz
def test_agrees_with_resampling_to_32_times_the_rate(rate_hz, seed, highest_share):
    from scipy.signal import resample

    rng = np.random.default_rng(seed)
    frames = 4096
    spectrum = np.fft.rfft(rng.normal(size=(frames, 2)), axis=0)
    spectrum[int(highest_share * frames) :] = 0
    signal = np.fft.irfft(spectrum, frames, axis=0) * np.hanning(frames)[:, None]
    signal = (0.8 * signal / np.abs(signal).max()).astype(np.float32)
    finest = 20 * np.log10(np.abs(resample(signal.astype(np.float64), 32 * frames, axis=0)).max())
    # A peak can fall between two points; the interpolator's own flatness comes on top.
    missed = -20 * np.log10(np.cos(np.pi * highest_share / oversampling_factor(rate_hz)))
    assert -missed - 0.13 <= dbtp(signal, rate_hz) - finest <= 0.13


def test_the_factor_reaches_programme_up_to_20_khz_within_an_eighth_of_a_decibel():
    for rate_hz in (44_100, 48_000, 88_200, 96_000, 176_400, 192_000):
        missed = 20 * np.log10(np.cos(np.pi * 20_000 / (rate_hz * oversampling_factor(rate_hz))))
        assert -0.14 < missed < 0, rate_hz


def whole_interpolation(signal, rate_hz):
    """Every point between all samples, nothing skipped."""
    weights = interpolator(oversampling_factor(rate_hz))
    padded = np.pad(signal.astype(np.float64), ((40, 40), (0, 0)))
    between = [np.convolve(channel, weight[::-1]) for channel in padded.T for weight in weights]
    return 20 * np.log10(max(np.abs(between).max(), np.abs(signal).max()))


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    rate_hz=st.sampled_from(RATES_HZ),
    kind=st.sampled_from(["white", "dark", "square", "impulses", "tone"]),
    channels=st.integers(1, 2),
)
def test_skipping_and_cutting_change_nothing(seed, rate_hz, kind, channels):
    rng = np.random.default_rng(seed)
    frames = int(rng.integers(1, 20_000))
    noise = rng.normal(0, 0.2, (frames, channels))
    signal = {
        "white": lambda: noise,
        "dark": lambda: np.cumsum(noise, axis=0) / 50,
        "square": lambda: 0.7 * np.sign(np.sin(np.arange(frames) / rng.uniform(1, 30)))[:, None] + 0.01 * noise,
        "impulses": lambda: noise * (rng.random((frames, channels)) > 0.99),
        "tone": lambda: 0.9 * np.sin(np.arange(frames) * rng.uniform(0.01, 3))[:, None] + 1e-4 * noise,
    }[kind]()
    swell = np.interp(np.arange(frames), np.linspace(0, frames, 9), rng.uniform(0.1, 1, 9))
    signal = (signal * swell[:, None]).astype(np.float32)
    cuts = np.sort(rng.integers(0, frames, rng.integers(0, 9)))
    if not signal.any():
        return
    reading = dbtp(signal, rate_hz, cuts)
    # Within the rounding of single precision, which adds up a little otherwise in products of another size.
    assert reading == pytest.approx(whole_interpolation(signal, rate_hz), abs=1e-5)
    assert reading == pytest.approx(dbtp(signal, rate_hz), abs=1e-5)


def test_a_peak_on_one_channel_and_a_negative_one_are_found():
    quiet = np.zeros((48_000, 2), np.float32)
    quiet[20_000, 1] = -0.5
    assert dbtp(quiet, 48_000) == pytest.approx(-6.02, abs=0.01)


def test_a_lone_pair_of_samples_reads_the_same_wherever_it_stands():
    for first in range(40, 110):
        quiet = np.zeros((200, 1), np.float32)
        quiet[first : first + 2] = 0.5
        # Half-way between them the ideal interpolation is 0.5 (sinc(-1/2) + sinc(1/2)) = 2 / pi.
        assert dbtp(quiet, 48_000) == pytest.approx(20 * np.log10(2 / np.pi), abs=0.03), first


def test_over_full_scale_reads_over_zero():
    wave = np.sign(np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000))
    assert 0.5 < dbtp(wave, 48_000) < 6.0  # a square wave cut off at half the rate overshoots


def test_silence_and_nothing_are_not_measured():
    assert dbtp(np.zeros((48_000, 2)), 48_000) == NotMeasured("digital silence")
    assert TruePeakMeter(48_000, 1).true_peak_dbtp() == NotMeasured("digital silence")


def test_one_sample_is_a_signal():
    assert dbtp(np.array([0.25]), 96_000) == pytest.approx(-12.04, abs=0.01)


def test_asking_early_changes_nothing():
    signal = np.random.default_rng(5).normal(0, 0.1, (9_999, 1)).astype(np.float32)
    asked = TruePeakMeter(44_100, 1)
    for piece in np.array_split(signal, 7):
        asked.feed(piece)
        asked.true_peak_dbtp()
    assert asked.true_peak_dbtp() == pytest.approx(dbtp(signal, 44_100), abs=1e-5)
