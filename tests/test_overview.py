"""The pictures of a whole side. Truths are signals whose answer is known by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pages import CRITERIA

from pipeline.errors import ArchiveError
from pipeline.overview import Overview, OverviewMeter, read_overview, write_overview


def overview_of(samples: np.ndarray, rate_hz: int, block_frames: int, frames_total: int | None = None) -> Overview:
    meter = OverviewMeter(rate_hz, samples.shape[1], frames_total or len(samples), CRITERIA.overview)
    for start in range(0, len(samples), block_frames):
        meter.feed(samples[start : start + block_frames])
    return meter.overview()


def row_of(overview: Overview, hz: float) -> int:
    rows = len(overview.spectrogram)
    share = np.log(hz / overview.lowest_hz) / np.log(overview.highest_hz / overview.lowest_hz)
    return rows - 1 - int(share * rows)


@pytest.mark.parametrize("seed", [1, 22, 333])
def test_the_one_loud_sample_of_a_side_is_in_its_column(seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples = (0.01 * rng.standard_normal((200_000, 2))).astype(np.float32)
    at = int(rng.integers(len(samples)))
    samples[at, 1] = -0.9
    envelope = overview_of(samples, 8000, 7919).envelope
    column = int(np.argmin(envelope[:, 1, 0]))
    assert envelope[column, 1, 0] == np.float32(-0.9)
    assert column == pytest.approx(at * len(envelope) / len(samples), abs=1)
    assert envelope[:, 0].min() > -0.1


@pytest.mark.parametrize("block_frames", [1, 977, 4096, 50_000, 10**6])
def test_the_pictures_do_not_depend_on_the_block_length(block_frames: int) -> None:
    samples = np.random.default_rng(5).standard_normal((60_000 if block_frames > 1 else 3000, 2)).astype(np.float32) / 8
    whole, blocks = overview_of(samples, 8000, len(samples)), overview_of(samples, 8000, block_frames)
    assert np.array_equal(whole.envelope, blocks.envelope)
    assert np.array_equal(whole.spectrogram, blocks.spectrogram)


def test_the_envelope_is_the_extremes_of_each_even_share_of_the_capture() -> None:
    samples = np.random.default_rng(8).standard_normal((16_000, 1)).astype(np.float32) / 8
    shares = samples.reshape(CRITERIA.overview.envelope_columns, -1)
    envelope = overview_of(samples, 8000, 1234).envelope
    assert np.array_equal(envelope[:, 0, 0], shares.min(1))
    assert np.array_equal(envelope[:, 0, 1], shares.max(1))


@pytest.mark.parametrize(
    ("rate_hz", "hz"), [(8000, 300), (44_100, 1000), (48_000, 12_000), (96_000, 60), (192_000, 15_000)]
)
def test_a_sine_stands_in_its_row_at_its_level(rate_hz: int, hz: float) -> None:
    t = np.arange(rate_hz * 6) / rate_hz
    samples = (0.1 * np.sin(2 * np.pi * hz * t))[:, None].astype(np.float32)
    overview = overview_of(samples, rate_hz, rate_hz)
    loudest = overview.levels_dbfs().max(axis=1)
    assert int(np.argmax(loudest)) == pytest.approx(row_of(overview, hz), abs=2 if hz > 100 else 8)
    assert loudest.max() == pytest.approx(-20.0, abs=1.8)  # a Hann window's scalloping is 1.4 dB, a grey is 0.5 dB


def test_a_tone_stands_at_its_time() -> None:
    rate_hz = 16_000
    t = np.arange(rate_hz * 100) / rate_hz
    samples = (0.2 * np.sin(2 * np.pi * 1000 * t) * (t >= 40) * (t < 55))[:, None].astype(np.float32)
    overview = overview_of(samples, rate_hz, 5 * rate_hz)
    heard = np.flatnonzero(overview.levels_dbfs().max(axis=0) > -40) / overview.spectrogram.shape[1] * 100
    assert (heard.min(), heard.max()) == pytest.approx((40, 55), abs=0.2)


def test_channels_of_opposite_polarity_do_not_cancel_in_the_spectrogram() -> None:
    one = np.sin(2 * np.pi * 500 * np.arange(80_000) / 8000).astype(np.float32) / 4
    both = overview_of(np.stack([one, -one], axis=1), 8000, 8000)
    assert np.array_equal(both.spectrogram, overview_of(one[:, None], 8000, 8000).spectrogram)


@pytest.mark.parametrize("frames", [1, 7, 500, 5000])
def test_a_very_short_capture_still_has_both_pictures(frames: int) -> None:
    overview = overview_of(np.full((frames, 2), 0.25, np.float32), 48_000, 4800)
    assert overview.envelope.max() == 0.25
    assert overview.spectrogram.shape[0] == CRITERIA.overview.spectrum_rows
    assert overview.duration_s == frames / 48_000


def test_digital_silence_reads_the_floor() -> None:
    overview = overview_of(np.zeros((400_000, 2), np.float32), 44_100, 100_000)
    assert not overview.spectrogram.any()
    assert not overview.envelope.any()


def test_a_capture_that_ends_early_gives_the_pictures_of_what_was_there() -> None:
    samples = np.random.default_rng(2).standard_normal((300_000, 2)).astype(np.float32) / 8
    full = overview_of(samples, 8000, 40_000, frames_total=600_000)
    assert full.duration_s == 37.5
    assert len(full.envelope) == CRITERIA.overview.envelope_columns // 2
    assert full.spectrogram.shape[1] == pytest.approx(CRITERIA.overview.spectrum_columns / 2, abs=2)


@pytest.mark.parametrize("channels", [1, 2])
def test_written_pictures_read_back_as_they_were(tmp_path, channels: int) -> None:
    samples = np.random.default_rng(channels).standard_normal((90_000, channels)).astype(np.float32) / 8
    overview = overview_of(samples, 44_100, 10_000)
    paths = write_overview(overview, tmp_path / "qc", "A")
    assert [path.name for path in paths] == ["A-envelope.csv", "A-spectrogram.png"]
    again = read_overview(tmp_path / "qc", "A")
    assert np.array_equal(again.spectrogram, overview.spectrogram)
    assert again.envelope == pytest.approx(overview.envelope, abs=1e-6)
    plain = {"envelope": None, "spectrogram": None}
    assert replace(again, **plain).__dict__ == replace(overview, **plain).__dict__


def test_lost_or_foreign_pictures_are_named(tmp_path) -> None:
    with pytest.raises(ArchiveError, match=r"A-envelope\.csv"):
        read_overview(tmp_path, "A")
    overview = overview_of(np.zeros((9000, 1), np.float32), 8000, 9000)
    _, picture = write_overview(overview, tmp_path, "A")
    picture.write_bytes(b"not a picture")
    with pytest.raises(ArchiveError, match=r"A-spectrogram\.png"):
        read_overview(tmp_path, "A")
