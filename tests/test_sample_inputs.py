"""The sample box: whole, small, made again by its own script, and as its table of truths says."""

from __future__ import annotations

import sys
import tomllib

import numpy as np
import pytest
import scipy.signal
import soundfile
from boxes import criteria

from pipeline.box import check_box
from pipeline.settings import shipped

BOX = shipped("sample_inputs")
sys.path.insert(0, str(BOX))  # the script stands alone and imports only its neighbours

import make_sample_box as making  # noqa: E402
import sample_machine as machine  # noqa: E402

TRUTHS = making.truths()
WITH_TONES = [path for path, truth in TRUTHS.items() if truth.tones]


def read(path, start_s=0.0, stop_s=None):
    """Samples of a stretch, float64 (frames, channels), and their rate."""
    rate_hz = soundfile.info(BOX / path).samplerate
    stop = None if stop_s is None else round(stop_s * rate_hz)
    samples, _ = soundfile.read(BOX / path, start=round(start_s * rate_hz), stop=stop, always_2d=True)
    return samples, rate_hz


def deviation_of(samples, rate_hz, carrier_hz):
    """Relative deviation from a carrier, by the slope of the demodulated phase; 100 Hz wide, ends left out."""
    moved = samples * np.exp(-2j * np.pi * carrier_hz * np.arange(len(samples)) / rate_hz)
    taps = scipy.signal.firwin(round(0.05 * rate_hz), 100.0, fs=rate_hz)
    phase = np.unwrap(np.angle(scipy.signal.fftconvolve(moved, taps, "valid")))
    return np.diff(phase)[:: rate_hz // 1000] * rate_hz / (2 * np.pi * carrier_hz)


def level_db(samples):
    return 10 * np.log10(np.mean((samples - samples.mean(axis=0)) ** 2))


def test_the_sample_box_stays_small():
    files = [path for path in BOX.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    assert sum(path.stat().st_size for path in files) <= 12_000_000


def test_the_sample_sheet_deck_and_captures_have_no_problem():
    check = check_box(BOX, criteria())
    assert check.problems == ()
    listed = {side.row.capture.as_posix() for side in check.sides}
    assert listed | {"testtape/hedgerow-test-tape.flac"} == set(TRUTHS)
    for side in check.sides:
        assert side.capture.duration_s == pytest.approx(TRUTHS[side.row.capture.as_posix()].regions[-1][2])


def test_every_file_of_audio_is_one_the_script_makes():
    there = {path.relative_to(BOX).as_posix() for path in BOX.rglob("*.flac")}
    assert there == set(TRUTHS)


def test_the_box_holds_the_variety_it_was_made_for():
    rows = {side.row.capture.stem: side for side in check_box(BOX, criteria()).sides}
    assert len({side.row.tape for side in rows.values()}) >= 4
    assert {"A", "B"} <= {side.row.side for side in rows.values() if side.row.tape == "PW-01"}
    assert {side.capture.sample_rate_hz for side in rows.values()} == {44_100, 48_000, 96_000}
    assert {side.capture.channels for side in rows.values()} == {1, 2}
    assert rows["PW-02-A"].row.read_hz == 436.2
    assert rows["PW-04-A"].row.tone_hz is rows["PW-04-A"].row.ratio is None
    assert rows["PW-03-A"].row.tape_type == "II"
    assert all(side.row.extra for side in rows.values())


def test_truths_cover_each_capture_without_overlap_or_hole():
    for path, truth in TRUTHS.items():
        assert truth.regions[0][1] == 0.0, path
        for (kind, _, stop_s), (next_kind, start_s, _) in zip(truth.regions[:-1], truth.regions[1:], strict=True):
            assert stop_s == start_s and kind != next_kind, path


def test_a_capture_comes_out_of_the_script_as_it_is_shipped():
    assert_made_again("captures/PW-06-A.flac")


@pytest.mark.slow
@pytest.mark.parametrize("path", [path for path in TRUTHS if path != "captures/PW-06-A.flac"])
def test_every_capture_comes_out_of_the_script_as_it_is_shipped(path):
    assert_made_again(path)


def assert_made_again(path):
    """To the last bit on the machine that made it; another one's arithmetic may round a sample the other way."""
    take = making.TRUTH[path]
    shipped_samples, rate_hz = soundfile.read(BOX / path, dtype="int32", always_2d=True)
    assert rate_hz == take.rate_hz and soundfile.info(BOX / path).subtype == f"PCM_{take.bits}"
    steps = (shipped_samples >> (32 - take.bits)).astype(np.int64) - making.make_capture(path, take)
    assert np.abs(steps).max() <= 1
    assert np.mean(steps != 0) < 1e-3


def test_making_a_capture_twice_gives_the_same_samples():
    path = "captures/PW-06-A.flac"
    take = making.TRUTH[path]
    assert np.array_equal(making.make_capture(path, take), making.make_capture(path, take))


@pytest.mark.parametrize("path", WITH_TONES)
def test_tones_stand_where_and_at_what_frequency_the_truth_says(path):
    for nominal_hz, measured_hz, start_s, stop_s in TRUTHS[path].tones:
        assert 100 * (measured_hz / nominal_hz - 1) == pytest.approx(-0.90909, abs=1e-5)
        samples, rate_hz = read(path, start_s + 0.1, stop_s - 0.1)
        deviation = deviation_of(samples[:, 0], rate_hz, measured_hz)
        weights = np.hanning(len(deviation)) ** 2
        assert abs(np.average(deviation, weights=weights)) < 1e-5  # 0.001 %
        assert 0.15 < 100 * np.abs(deviation).max() < 0.30  # four parts together reach 0.28 %
        before, _ = read(path, start_s - 0.15, start_s - 0.01)
        assert level_db(samples) - level_db(before) > 35


def test_the_test_tape_flutters_at_the_rates_of_the_parts_in_the_deck_file():
    deck = tomllib.loads((BOX / "decks" / "hedgerow.toml").read_text("utf-8"))
    size_mm = {part.get("name", part["kind"]): part.get("diameter_mm", part.get("length_mm")) for part in deck["part"]}
    speed_mm_s = 47.625 * 436 / 440
    capstan_hz = speed_mm_s / (np.pi * size_mm["capstan"])
    rates_hz = {
        "capstan": capstan_hz,
        "pinch roller": speed_mm_s / (np.pi * size_mm["pinch roller"]),
        "main belt": capstan_hz * np.pi * size_mm["flywheel"] / size_mm["main belt"],
        "take-up reel": speed_mm_s / (np.pi * size_mm["take-up reel"]),
    }
    path = "testtape/hedgerow-test-tape.flac"
    measured_hz, start_s, stop_s = next(tone[1:] for tone in TRUTHS[path].tones if tone[0] == 3150.0)
    samples, rate_hz = read(path, start_s + 0.1, stop_s - 0.1)
    deviation = deviation_of(samples[:, 0], rate_hz, measured_hz)
    at_s = np.arange(len(deviation)) / 1000.0
    for name, hz in rates_hz.items():
        weights = np.hanning(len(deviation))
        peak = 2 * np.abs(np.average(deviation * np.exp(-2j * np.pi * hz * at_s), weights=weights))
        assert 100 * peak == pytest.approx(machine.FAULTS[name][1], rel=0.1), name


@pytest.mark.parametrize("path", TRUTHS)
def test_hiss_lies_well_above_the_leader_and_the_deck_hums_in_it(path):
    truth = TRUTHS[path]
    leader_s, silence_s = (next(r[1:] for r in truth.regions if r[0] == kind) for kind in ("leader", "silence"))
    leader, rate_hz = read(path, leader_s[0] + 1.0, leader_s[1] - 0.1)
    silence, _ = read(path, silence_s[0] + 0.1, silence_s[1] - 0.1)
    band = scipy.signal.butter(4, (1000.0, 8000.0), "bandpass", fs=rate_hz, output="sos")
    step_db = [level_db(scipy.signal.sosfilt(band, part[:, 0])[2000:]) for part in (leader, silence)]
    assert 10 < step_db[1] - step_db[0] < 30
    hz, power = scipy.signal.periodogram(leader[:, 0], rate_hz, "hann", nfft=8 * rate_hz)
    loudest_hz = hz[(hz > 40) & (hz < 300)][np.argmax(power[(hz > 40) & (hz < 300)])]
    assert loudest_hz == pytest.approx(50.0, abs=0.2)


def test_faults_are_where_the_truth_says():
    overdriven = "captures/PW-05-A.flac"
    take = making.TRUTH[overdriven]
    samples, rate_hz = read(overdriven)
    assert np.mean(np.abs(samples) > take.ceiling - 1e-3) > 0.01
    assert np.abs(samples).max() < take.ceiling + 1e-3
    for start_s, stop_s in TRUTHS[overdriven].gaps:
        assert not samples[round(start_s * rate_hz) : round(stop_s * rate_hz)].any()
        beside = samples[round((start_s - 0.03) * rate_hz) : round(start_s * rate_hz)]
        assert level_db(beside) > -20
    dead, _ = read("captures/PW-04-A.flac")
    assert level_db(dead[:, 1]) < -90 < -30 < level_db(dead[:, 0])
    mono, _ = read("captures/PW-01-A.flac")
    assert level_db(mono[:, 0] - mono[:, 1]) < -90
