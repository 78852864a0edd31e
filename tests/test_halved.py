"""Halving the rate, held against NumPy's convolution, SciPy's frequency response, and sines whose level is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from scipy import signal

from pipeline.capture import open_capture
from pipeline.halved import REACH, Halver, half_band_weights
from pipeline.measurement import Measurement, measure_capture
from pipeline.method import read_all_settings
from tests.sides import make_side
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


@pytest.mark.slow
def test_a_side_reads_the_same_at_every_rate(tmp_path: Path) -> None:
    """An invented side at 48 kHz without what lies above 22 kHz, and the same brought to other rates by soxr."""
    side = make_side(11, layout="stereo", hum_dbfs=-55.0, hum_hz=50.0, thumps=False, bits=24)
    audible = soxr.resample(soxr.resample(side.samples, 48_000, 44_100), 44_100, 48_000)
    expected = measured(tmp_path, audible, 48_000)
    for rate_hz in (96_000, 192_000):
        found = measured(tmp_path, soxr.resample(audible, 48_000, rate_hz), rate_hz)
        assert [region.kind for region in found.regions] == [region.kind for region in expected.regions]
        starts_s, expected_s = ([region.start_s for region in one.regions] for one in (found, expected))
        assert starts_s == pytest.approx(expected_s, abs=0.1)
        for level in ("integrated_lufs", "loudness_range_lu", "hiss_floor_dbfs", "true_peak_dbtp"):
            assert getattr(found.levels, level) == pytest.approx(getattr(expected.levels, level), abs=0.05), level
        hum, expected_hum = ([(line.hz, line.level_dbfs) for line in one.hum] for one in (found, expected))
        assert np.array(hum) == pytest.approx(np.array(expected_hum), abs=0.3)
        assert found.channels.layout is expected.channels.layout


def measured(folder: Path, samples: np.ndarray, rate_hz: int) -> Measurement:
    path, settings = folder / f"{rate_hz}.wav", read_all_settings()
    soundfile.write(path, np.clip(samples, -1, 1), rate_hz, subtype="PCM_24")
    return measure_capture(open_capture(path), (), settings.method, settings.report.overview)[0]
