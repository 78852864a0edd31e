"""Loudness against EBU Tech 3341 and 3342, the 997 Hz anchors, and two independent meters."""

from __future__ import annotations

import subprocess
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.loudness import SILENT_LUFS, LoudnessMeter
from pipeline.records import NotMeasured
from pipeline.spans import Span

TRUTHS = Path(__file__).parent / "truths"
TECH_3341 = tomllib.loads((TRUTHS / "ebu_tech_3341.toml").read_text("utf-8"))
TECH_3342 = tomllib.loads((TRUTHS / "ebu_tech_3342.toml").read_text("utf-8"))
ANCHORS = tomllib.loads((TRUTHS / "bs1770_k_weighting.toml").read_text("utf-8"))["anchor"]
RATES_HZ = [44_100, 48_000, pytest.param(96_000, marks=pytest.mark.slow), pytest.param(192_000, marks=pytest.mark.slow)]


def sine(seconds, level, rate_hz, channels=2, hz=1000.0):
    """A sine whose peak is ``level`` dBFS, the same on each channel; silence at -inf."""
    second = 10 ** (level / 20) * np.sin(2 * np.pi * hz * np.arange(rate_hz) / rate_hz)  # whole cycles, so it repeats
    mono = np.resize(second.astype(np.float32), round(seconds * rate_hz))
    return np.repeat(mono[:, None], channels, axis=1)


def meter_of(parts, rate_hz):
    meter = LoudnessMeter(rate_hz, 2)
    for seconds, level in parts:
        meter.feed(sine(seconds, level, rate_hz))
    return meter


def programme_like(kind, seed, rate_hz, seconds=20.0):
    """Noise shaped like speech (syllables, pauses) or music (a wide spectrum, slow swells), stereo, float32."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    shared, own = rng.normal(size=(frames, 1)), rng.normal(size=(frames, 2))
    spectrum = np.fft.rfft(shared + 0.5 * own, axis=0)
    hz = np.fft.rfftfreq(frames, 1 / rate_hz)[:, None]
    low_hz, high_hz, knots_s = (120.0, 900.0, 0.12) if kind == "speech" else (40.0, 300.0, 1.0)
    spectrum *= (hz / low_hz) / (1 + (hz / low_hz) ** 2) ** 0.5 / (1 + (hz / high_hz) ** 2) ** 0.5
    signal = np.fft.irfft(spectrum, frames, axis=0)
    knots = np.arange(0, seconds + knots_s, knots_s)
    swell_db = rng.normal(0, 8 if kind == "speech" else 4, len(knots))
    if kind == "speech":
        swell_db[(knots % 5) > 4] = -60
    signal *= 10 ** (np.interp(np.arange(frames) / rate_hz, knots, swell_db)[:, None] / 20)
    return (0.5 * signal / np.abs(signal).max()).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000])
def test_a_stretch_is_as_loud_as_if_it_had_been_fed_alone(rate_hz):
    """A loud tone before and after does not enter."""
    programme = programme_like("speech", 3, rate_hz)
    tone = sine(6.0, -6.0, rate_hz)
    meter, alone = LoudnessMeter(rate_hz, 2), LoudnessMeter(rate_hz, 2)
    for block in (tone, programme, tone):
        meter.feed(block)
    alone.feed(programme)
    found = meter.integrated_lufs(Span(6.0, 6.0 + len(programme) / rate_hz))
    assert found == pytest.approx(alone.integrated_lufs(), abs=0.02)
    assert found < meter.integrated_lufs() - 3


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", TECH_3341["integrated"], ids=lambda case: f"case-{case['case']}")
def test_tech_3341_integrated_loudness(case, rate_hz):
    meter = meter_of(case["parts"], rate_hz)
    readings = [meter.integrated_lufs()]
    if case.get("momentary_and_short_term_too"):
        readings += [meter.momentary_max_lufs(), meter.short_term_max_lufs()]
    assert readings == pytest.approx([case["lufs"]] * len(readings), abs=TECH_3341["tolerance_lu"])


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("table", "row"), [("short_term_constant", "short_term_lufs"), ("momentary_constant", "momentary_lufs")]
)
def test_tech_3341_cases_9_and_12_read_constant(table, row, rate_hz):
    truth = TECH_3341[table]
    series = meter_of(truth["parts"] * truth["repeats"], rate_hz).series()
    settled = getattr(series, row)[round(truth["after_s"] / series.hop_s) - 1 :]
    assert len(settled) > 40
    np.testing.assert_allclose(settled, truth["lufs"], rtol=0, atol=TECH_3341["tolerance_lu"])


@pytest.mark.parametrize("table", ["short_term_burst", "momentary_burst"])
def test_tech_3341_cases_10_and_13_find_the_burst_wherever_it_begins(table):
    truth, rate_hz = TECH_3341[table], 48_000
    for step in range(20):
        parts = [(step * truth["step_s"], -np.inf), (truth["burst_s"], truth["level"]), (truth["tail_s"], -np.inf)]
        meter = meter_of(parts, rate_hz)
        loudest = meter.short_term_max_lufs() if table == "short_term_burst" else meter.momentary_max_lufs()
        assert loudest == pytest.approx(truth["lufs"], abs=TECH_3341["tolerance_lu"]), step


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", TECH_3342["range"], ids=lambda case: f"case-{case['case']}")
def test_tech_3342_loudness_range(case, rate_hz):
    meter = meter_of([(TECH_3342["step_s"], level) for level in case["levels"]], rate_hz)
    assert meter.loudness_range_lu() == pytest.approx(case["lu"], abs=0.1)  # the table allows 1


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("anchor", ANCHORS, ids=lambda a: f"{a['hz']:g} Hz at {a['level']:g}, {a['channels']} ch")
def test_anchors_of_bs1770(anchor, rate_hz):
    meter = LoudnessMeter(rate_hz, anchor["channels"])
    meter.feed(sine(3.0, anchor["level"], rate_hz, anchor["channels"], anchor["hz"]))
    assert meter.integrated_lufs() == pytest.approx(anchor["lufs"], abs=0.1 if rate_hz < 44_100 else 0.015)


@pytest.mark.parametrize(
    ("kind", "seed", "rate_hz"),
    [("speech", 1, 44_100), ("music", 2, 48_000), ("speech", 3, 48_000), ("music", 4, 96_000)],
)
def test_agrees_with_pyloudnorm(kind, seed, rate_hz):
    pyloudnorm = pytest.importorskip("pyloudnorm")
    signal = programme_like(kind, seed, rate_hz, 10.0)
    meter = LoudnessMeter(rate_hz, 2)
    meter.feed(signal)
    # Its default filters read 0.04 LU low; these follow BS.1770.
    other = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(signal.astype(np.float64))
    assert meter.integrated_lufs() == pytest.approx(other, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "channels", "rate_hz"),
    [("speech", 2, 48_000), ("music", 2, 48_000), ("music", 1, 44_100), ("speech", 2, 96_000), ("music", 1, 192_000)],
)
def test_agrees_with_the_meter_in_ffmpeg(kind, channels, rate_hz):
    signal = programme_like(kind, rate_hz, rate_hz, 10.0)[:, :channels]
    meter = LoudnessMeter(rate_hz, channels)
    meter.feed(signal)
    lufs, _ = ffmpeg_loudness(signal, rate_hz)
    assert meter.integrated_lufs() == pytest.approx(lufs, abs=0.05)


@pytest.mark.parametrize(("kind", "seed"), [("speech", 1), ("music", 2)])
def test_agrees_with_the_loudness_range_of_ffmpeg(kind, seed):
    # That meter takes the percentiles one window lower, which tells where a short signal jumps from window to window.
    signal = programme_like(kind, seed, 48_000, 60.0)
    meter = LoudnessMeter(48_000, 2)
    meter.feed(signal)
    _, lu = ffmpeg_loudness(signal, 48_000)
    assert meter.loudness_range_lu() == pytest.approx(lu, abs=0.1)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 96_000, 192_000])
def test_the_same_programme_reads_the_same_at_every_rate(rate_hz):
    from scipy.signal import resample

    narrow = programme_like("speech", rate_hz, 8_000, 12.0)
    at_48_khz, meter = LoudnessMeter(48_000, 2), LoudnessMeter(rate_hz, 2)
    at_48_khz.feed(resample(narrow, 12 * 48_000))
    meter.feed(resample(narrow, 12 * rate_hz))
    # At telephone rates the shelf is a little off, and a block may change sides of the relative gate.
    assert meter.integrated_lufs() == pytest.approx(at_48_khz.integrated_lufs(), abs=0.1 if rate_hz < 22_050 else 0.01)


def ffmpeg_loudness(signal, rate_hz):
    import imageio_ffmpeg

    layout = ["-f", "f32le", "-ar", str(rate_hz), "-ac", str(signal.shape[1])]
    meter = "ebur128=metadata=1,ametadata=print:file=-"
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", *layout, "-i", "-", "-af", meter, "-f", "null", "-"]
    samples = np.ascontiguousarray(signal, "<f4").tobytes()
    printed = subprocess.run(command, input=samples, capture_output=True, check=True).stdout.decode()
    last = dict(line.split("=") for line in printed.splitlines() if line.startswith("lavfi.r128."))
    return float(last["lavfi.r128.I"]), float(last["lavfi.r128.LRA"])


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), rate_hz=st.sampled_from([8_000, 22_050, 44_100, 48_000]))
def test_where_the_blocks_are_cut_changes_nothing(seed, rate_hz):
    rng = np.random.default_rng(seed)
    signal = rng.normal(0, 0.1, (5 * rate_hz, 2)).astype(np.float32) * np.repeat(rng.random(5), rate_hz)[:, None]
    signal = signal.astype(np.float32)
    whole, pieces = LoudnessMeter(rate_hz, 2), LoudnessMeter(rate_hz, 2)
    whole.feed(signal)
    cuts = np.sort(rng.integers(0, len(signal), rng.integers(1, 60)))
    for piece in np.split(signal, cuts):
        pieces.feed(piece)
    for question in ("integrated_lufs", "loudness_range_lu", "momentary_max_lufs", "short_term_max_lufs"):
        assert getattr(pieces, question)() == pytest.approx(getattr(whole, question)(), abs=1e-6), question


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_a_large_dc_offset_does_not_change_the_loudness_of_hiss_upon_it(rate_hz):
    hiss = np.random.default_rng(7).normal(0, 3e-4, (6 * rate_hz, 2)).astype(np.float32)
    plain, offset = LoudnessMeter(rate_hz, 2), LoudnessMeter(rate_hz, 2)
    plain.feed(hiss)
    offset.feed(hiss + np.float32(0.5))
    # The last 3 s, long after the step with which the offset begins.
    assert offset.series().short_term_lufs[-1] == pytest.approx(plain.series().short_term_lufs[-1], abs=0.002)


def test_a_dead_channel_takes_3_lu():
    both = sine(5.0, -20.0, 48_000)
    left = both * np.array([1, 0], np.float32)
    meter, half = LoudnessMeter(48_000, 2), LoudnessMeter(48_000, 2)
    meter.feed(both)
    half.feed(left)
    assert meter.integrated_lufs() - half.integrated_lufs() == pytest.approx(3.0103, abs=0.001)


def test_what_is_too_short_or_silent_is_not_measured_and_says_why():
    short, silent, faint = (LoudnessMeter(48_000, 2) for _ in range(3))
    short.feed(sine(0.1, -20.0, 48_000))
    silent.feed(np.zeros((5 * 48_000, 2), np.float32))
    faint.feed(sine(5.0, -75.0, 48_000))
    assert short.integrated_lufs() == NotMeasured("shorter than one gating block of 0.4 s")
    assert short.loudness_range_lu() == NotMeasured("shorter than one short-term window of 3 s")
    assert silent.integrated_lufs() == NotMeasured("nothing is louder than the absolute gate of -70 LUFS")
    assert silent.momentary_max_lufs() == NotMeasured("digital silence")
    assert np.all(silent.series().short_term_lufs == SILENT_LUFS)
    assert faint.integrated_lufs() == NotMeasured("nothing is louder than the absolute gate of -70 LUFS")
    assert faint.momentary_max_lufs() == pytest.approx(-75, abs=0.1)  # ungated
    nothing = LoudnessMeter(48_000, 1)
    assert nothing.integrated_lufs() == NotMeasured("shorter than one gating block of 0.4 s")
    assert len(nothing.series().momentary_lufs) == 0


def test_the_absolute_gate_stands_at_70():
    over, under = meter_of([(5.0, -69.5)], 48_000), meter_of([(5.0, -70.5)], 48_000)
    assert over.integrated_lufs() == pytest.approx(-69.5, abs=0.1)
    assert isinstance(under.integrated_lufs(), NotMeasured)


def test_four_tenths_of_a_second_are_enough():
    for rate_hz in (8_000, 44_100, 48_000, 96_000, 192_000):
        meter = LoudnessMeter(rate_hz, 2)
        meter.feed(sine(0.4, -20.0, rate_hz))
        assert meter.integrated_lufs() == pytest.approx(-20, abs=0.25), rate_hz
