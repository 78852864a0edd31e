"""Halving the rate, held against NumPy's convolution, SciPy's frequency response, and sines whose level is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from pipeline.halved import REACH, Halver, half_band_weights
from tests.signals import times_s


def halved(samples: np.ndarray, rate_hz: int, cuts: list[int]) -> np.ndarray:
    halver = Halver(rate_hz, samples.shape[1])
    parts = [halver.feed(block) for block in np.split(samples, cuts)]
    rest = halver.rest()
    return np.concatenate([*parts, rest] if len(rest) else parts)


@pytest.mark.parametrize(("rate_hz", "frames"), [(96_000, 10_007), (88_200, 1), (192_000, 20_001), (48_000, 99)])
def test_every_value_is_that_of_a_plain_convolution_however_blocks_are_cut(rate_hz: int, frames: int) -> None:
    noise = np.random.default_rng(5).standard_normal((frames, 2)).astype(np.float32)
    expected = noise.astype(np.float64)
    for _ in range({48_000: 0, 88_200: 1, 96_000: 1, 192_000: 2}[rate_hz]):
        full = np.stack([np.convolve(channel, half_band_weights()) for channel in expected.T], axis=1)
        expected = full[REACH - 1 :][: len(expected)][::2]
    cuts = sorted(np.random.default_rng(6).integers(0, frames, 7).tolist())
    found = halved(noise, rate_hz, cuts)
    assert found.shape == expected.shape
    np.testing.assert_allclose(found, expected, atol=3e-6)


def test_the_low_pass_is_as_its_description_says() -> None:
    hz, response = signal.freqz(half_band_weights(), worN=np.arange(0, 48_000, 10.0), fs=96_000)
    level_db = 20 * np.log10(np.maximum(np.abs(response), 1e-9))
    assert np.abs(level_db[hz <= 20_000]).max() < 0.03
    assert level_db[hz >= 29_000].max() < -70


@pytest.mark.parametrize(("hz", "level_db"), [(1000.0, 0.0), (18_000.0, 0.0), (35_000.0, -70.0)])
def test_a_sine_keeps_its_level_or_is_gone(hz: float, level_db: float) -> None:
    tone = (0.5 * np.sin(2 * np.pi * hz * times_s(0.5, 96_000)))[:, None].astype(np.float32)
    inner = halved(tone, 96_000, [])[100:-100].astype(np.float64)
    found_db = 10 * np.log10(np.mean(inner**2) / 0.125)
    assert found_db == pytest.approx(0.0, abs=0.01) if level_db == 0 else found_db < level_db
