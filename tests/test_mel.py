"""The mel spectrogram against the library it stands in for."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from pipeline.report.mel import mel_bands, mel_spectrogram


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 96_000])
@pytest.mark.parametrize("rows", [24, 64, 128])
def test_bands_are_librosas(rate_hz, rows):
    fft = 1024 if rate_hz < 40_000 else 4096
    expected = librosa.filters.mel(sr=rate_hz, n_fft=fft, n_mels=rows, fmin=50.0, norm=None)
    assert np.abs(mel_bands(rate_hz, fft, rows, 50.0) - expected).max() < 1e-5


@pytest.mark.parametrize(("frames", "hop"), [(2048, 100), (30_000, 77), (96_001, 512)])
def test_spectrogram_is_librosas(frames, hop):
    rng = np.random.default_rng(frames)
    samples = (rng.standard_normal(frames) * np.linspace(0, 0.5, frames)).astype(np.float32)
    found = mel_spectrogram(samples, 48_000, 2048, hop, 48, 50.0)
    expected = librosa.feature.melspectrogram(
        y=samples, sr=48_000, n_fft=2048, hop_length=hop, n_mels=48, fmin=50.0, norm=None
    )
    assert found.shape == expected.shape
    assert found == pytest.approx(expected, rel=1e-3, abs=1e-6 * float(expected.max()))
