"""The K-weighting against the printed numbers, and what they mean at other rates."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from pipeline.k_weighting import KWeightedEnergy, k_weighting_sections
from pipeline.standards import loudness as standard

TRUTH = tomllib.loads((Path(__file__).parent / "truths" / "bs1770_k_weighting.toml").read_text("utf-8"))


def gain_db(sections, hz, rate_hz):
    z = np.exp(-2j * np.pi * np.asarray(hz) / rate_hz)
    powers = np.stack([np.ones_like(z), z, z**2])
    return sum(20 * np.log10(np.abs((s[:3] @ powers) / (s[3:] @ powers))) for s in sections)


def test_at_48_khz_the_sections_are_the_printed_ones():
    printed = [np.concatenate(section) for section in (standard.K_WEIGHTING_SHELF, standard.K_WEIGHTING_HIGH_PASS)]
    np.testing.assert_allclose(k_weighting_sections(48_000), printed, rtol=0, atol=1e-12)


def test_the_gain_is_the_tabled_one_at_48_khz():
    np.testing.assert_allclose(
        gain_db(k_weighting_sections(48_000), TRUTH["hz"], 48_000), TRUTH["gain_db"], rtol=0, atol=0.0055
    )


@pytest.mark.parametrize(
    ("rate_hz", "tolerance_db"),
    [(8_000, 0.25), (11_025, 0.12), (22_050, 0.04), (32_000, 0.02), (44_100, 0.01), (96_000, 0.012), (192_000, 0.015)],
)
def test_the_gain_holds_at_other_rates(rate_hz, tolerance_db):
    # The bilinear transform squeezes the shelf towards half the rate; only at telephone rates is that a matter of more
    # than a hundredth of a decibel.
    below = np.array(TRUTH["hz"]) < rate_hz / 2
    measured = gain_db(k_weighting_sections(rate_hz), np.array(TRUTH["hz"])[below], rate_hz)
    np.testing.assert_allclose(measured, np.array(TRUTH["gain_db"])[below], rtol=0, atol=tolerance_db)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 44_100, 47_901, 48_000])
def test_the_row_by_row_filter_equals_the_recursive_one(rate_hz):
    signal = np.random.default_rng(rate_hz).normal(0, 0.1, (rate_hz, 2)).astype(np.float32)
    energy, meter = fed(signal, rate_hz)
    np.testing.assert_allclose(energy, recursive_energy(signal, meter, rate_hz, len(energy)), rtol=2e-6)
    assert_steps_fit(meter)


@pytest.mark.parametrize("rate_hz", [88_200, 96_000, 176_400, 192_000])
def test_some_of_the_values_of_a_high_rate_tell_what_all_of_them_do(rate_hz):
    """Noise up to 20 kHz, second by second; with noise up to half the rate, which no tape holds, within 0.04 dB."""
    noise = np.random.default_rng(rate_hz).normal(0, 0.1, (rate_hz, 2))
    spectrum = np.fft.rfft(noise, axis=0)
    spectrum[20_000:] = 0  # one second: a bin a hertz
    audible = np.fft.irfft(spectrum, rate_hz, axis=0).astype(np.float32)
    for signal, in_a_step, in_all in ((audible, 0.005, 1e-6), (noise.astype(np.float32), 0.2, 0.01)):
        energy, meter = fed(signal, rate_hz)
        expected = recursive_energy(signal, meter, rate_hz, len(energy))
        np.testing.assert_allclose(energy, expected, rtol=in_a_step)
        assert energy.mean() == pytest.approx(expected.mean(), rel=in_all)
        assert_steps_fit(meter)


def fed(signal, rate_hz):
    meter = KWeightedEnergy(rate_hz, 2)
    return np.concatenate([meter.feed(signal[:333]), meter.feed(signal[333:])]), meter


def recursive_energy(signal, meter, rate_hz, steps):
    """By SciPy's recursive filter, every value of it."""
    from scipy.signal import sosfilt

    weighted = sosfilt(k_weighting_sections(rate_hz), signal.astype(np.float64), axis=0)
    return (weighted[: steps * meter.step_frames].reshape(steps, meter.step_frames, 2) ** 2).mean(1).sum(1)


def assert_steps_fit(meter):
    assert meter.steps_in_gating_step * meter.step_s == pytest.approx(0.1, rel=5e-4)
    assert 0.005 <= meter.step_s <= 0.0126
