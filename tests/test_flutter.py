"""Wow and flutter against signals whose deviation is known, and the remembered pulse table."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
import signals
from transport import Fault, Transport
from warped_tape import warped_tape

from pipeline.demodulate import DemodulationCriteria, demodulate
from pipeline.deviation import Deviation, DeviationBands, weighting
from pipeline.flutter import FlutterCriteria, Passes, deviation_of, flutter_not_measured, measure_flutter, two_sigma
from pipeline.quasi_peak import pointer_trace
from pipeline.records import NotMeasured, from_plain, to_plain
from pipeline.settings import settings_from, shipped
from pipeline.standards.wow_flutter import FALL_BETWEEN_PULSES, PULSE_PERIOD_S, PULSE_READINGS

METHOD = tomllib.loads((shipped("config") / "method.toml").read_text(encoding="utf-8"))
CRITERIA = settings_from(FlutterCriteria, METHOD["flutter"], "method.toml")
DEMODULATION = settings_from(DemodulationCriteria, METHOD["demodulation"], "method.toml")
RATE_HZ = 650.0


def played(transport, seconds, tone_to_noise_db=70.0, carrier_hz=3150.0, bandwidth_hz=200.0, seed=1):
    """The transport's deviation as an ideal demodulator gives it; the hiss's true density beside it."""
    percent, amplitude = transport.baseband(seconds, RATE_HZ, carrier_hz, tone_to_noise_db, np.random.default_rng(seed))
    hiss = 1 / (10 ** (tone_to_noise_db / 10) * RATE_HZ)
    return Deviation(percent, RATE_HZ, carrier_hz, bandwidth_hz, hiss, amplitude / amplitude.mean())


def captured(transport, seconds, rate_hz=48_000, tone_hz=3150.0, tone_to_noise_db=50.0, seed=1, extra=None):
    samples = transport.test_tape(seconds, rate_hz, tone_hz, tone_to_noise_db, np.random.default_rng(seed))
    if extra is not None:
        samples = samples + extra(np.arange(len(samples)) / rate_hz)
    return deviation_of(demodulate([samples.astype(np.float32)[:, None]], rate_hz, tone_hz, 0.0, DEMODULATION))


def read(deviation):
    return measure_flutter(deviation, Passes.DECK, CRITERIA)


# --- definitions ------------------------------------------------------------------------------------------------------


def test_two_sigma_of_a_gaussian_is_two_standard_deviations():
    assert two_sigma(0.3 * np.random.default_rng(5).standard_normal(400_000)) == pytest.approx(0.6, rel=0.01)


@pytest.mark.parametrize("hz", [0.5, 0.7, 1.0, 2.0, 4.0, 7.6, 20.0, 40.0, 63.0, 100.0])
@pytest.mark.parametrize("seconds", [10.0, 25.0])
def test_a_sine_reads_its_deviation_flat_and_by_the_table_weighted(hz, seconds):
    flutter = read(played(Transport(faults=(Fault(hz, 0.2, phase_rad=hz),)), seconds))
    factor = weighting(np.array([hz]))[0]
    assert flutter.unweighted_peak_percent == pytest.approx(0.2, rel=0.02)
    assert flutter.unweighted_rms_percent == pytest.approx(0.2 / 1.4142, rel=0.02)
    assert flutter.weighted_peak_percent == pytest.approx(0.2 * factor, rel=0.02)
    assert flutter.weighted_rms_percent == pytest.approx(0.2 * factor / 1.4142, rel=0.02)
    assert flutter.unweighted_peak_percent / flutter.unweighted_rms_percent == pytest.approx(0.997 * 1.4142, rel=0.02)


@pytest.mark.parametrize("phase_rad", [0.0, 0.2, np.pi / 8])
@pytest.mark.parametrize("hz", [25.0, 50.0, 80.0, 100.0])
def test_a_sine_that_keeps_step_with_the_samples_reads_its_peak(hz, phase_rad):
    """800 samples a second, which captures at 48 kHz come down to, are 8 to a turn of 100 Hz."""
    percent = 0.2 * np.sin(2 * np.pi * hz * np.arange(12 * 800) / 800 + phase_rad)
    flutter = read(Deviation(percent, 800.0, 3150.0, 200.0, NotMeasured("none")))
    assert flutter.unweighted_peak_percent == pytest.approx(0.2, rel=0.01)
    assert flutter.weighted_peak_percent == pytest.approx(0.2 * weighting(np.array([hz]))[0], rel=0.01)


def test_random_flutter_reads_twice_its_rms():
    # a published pair of one deck (service data), ±0.18 % peak and 0.11 % r.m.s. unweighted, has the ratio 1.64
    flutter = read(played(Transport(random_percent=0.1), 120.0))
    ratio = flutter.unweighted_peak_percent / flutter.unweighted_rms_percent
    assert 1.64 < ratio == pytest.approx(2.0, rel=0.05)


def test_wow_and_flutter_are_told_apart_at_4_hz_and_scrape_above_100_hz():
    transport = Transport(faults=(Fault(1.1, 0.2), Fault(12.0, 0.1), Fault(150.0, 0.03)))
    flutter = read(played(transport, 30.0))
    assert flutter.wow_rms_percent == pytest.approx(0.2 / 2**0.5, rel=0.01)
    assert flutter.flutter_rms_percent == pytest.approx(np.hypot(0.1, 0.03) / 2**0.5, rel=0.01)
    assert flutter.scrape_rms_percent == pytest.approx(0.03 / 2**0.5, rel=0.03)


def test_drift_and_settling_are_no_wow():
    flutter = read(played(Transport(drift_percent=1.0, settling_percent=0.5), 60.0))
    assert flutter.unweighted_peak_percent < 0.01
    assert flutter.weighted_peak_percent < 0.001
    assert flutter.components == ()


# --- the quasi-peak meter ---------------------------------------------------------------------------------------------


def pulse_trace(pulse_ms):
    """Pointer on one-sided speed pulses through the weighting, as high as a sine of peak 1 is from peak to peak."""
    at_s = np.arange(round(12 * RATE_HZ)) / RATE_HZ
    pulses = np.where(at_s % PULSE_PERIOD_S < pulse_ms / 1000, 2.0, 0.0)
    deviation = Deviation(pulses, RATE_HZ, 3150.0, RATE_HZ / 2, NotMeasured("no hiss"))
    weighted = DeviationBands(deviation, (0.2, RATE_HZ / 2), (), CRITERIA.bands).part(weighted=True)
    return pointer_trace(weighted, RATE_HZ, CRITERIA.quasi_peak)[-round(3 * RATE_HZ) :]


@pytest.mark.parametrize(("pulse_ms", "percent", "tolerance"), PULSE_READINGS)
def test_quasi_peak_pulses_read_as_remembered(pulse_ms, percent, tolerance):
    assert 100 * pulse_trace(pulse_ms).max() == pytest.approx(percent, abs=tolerance)


def test_quasi_peak_falls_between_pulses():
    pulse_ms, percent, tolerance = FALL_BETWEEN_PULSES
    assert 100 * pulse_trace(pulse_ms).min() == pytest.approx(percent, abs=tolerance)


@pytest.mark.parametrize(("hz", "within"), [(4.0, 0.01), (10.0, 0.03), (40.0, 0.03), (2.0, 0.06)])
def test_quasi_peak_of_a_steady_sine_is_its_weighted_peak(hz, within):
    flutter = read(played(Transport(faults=(Fault(hz, 0.3),)), 20.0))
    assert flutter.weighted_quasi_peak_percent == pytest.approx(0.3 * weighting(np.array([hz]))[0], rel=within)


# --- hiss and hum -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("carrier_hz", "bandwidth_hz"), [(3150.0, 200.0), (440.0, 145.0)])
@pytest.mark.parametrize("tone_to_noise_db", [20.0, 30.0, 40.0])
def test_hiss_alone_reads_far_below_its_floor(carrier_hz, bandwidth_hz, tone_to_noise_db):
    flutter = read(played(Transport(), 30.0, tone_to_noise_db, carrier_hz, bandwidth_hz))
    assert flutter.unweighted_rms_percent < 0.1 * flutter.unweighted_floor_percent
    assert flutter.components == ()


@pytest.mark.parametrize("tone_to_noise_db", [25.0, 35.0])
def test_the_floor_is_what_hiss_reads_when_it_is_not_taken_out(tone_to_noise_db):
    deviation = played(Transport(), 60.0, tone_to_noise_db, 440.0, 145.0)
    raw = read(replace(deviation, hiss_rad2_hz=NotMeasured("not taken out")))
    told = read(deviation)
    assert raw.unweighted_rms_percent == pytest.approx(told.unweighted_floor_percent, rel=0.05)
    assert raw.weighted_rms_percent == pytest.approx(told.weighted_floor_percent, rel=0.05)


def test_flutter_under_hiss_reads_as_without():
    faults = (Fault(7.6, 0.15), Fault(0.6, 0.1))
    clean = read(played(Transport(faults=faults, random_percent=0.03), 60.0, 90.0))
    hissy = read(played(Transport(faults=faults, random_percent=0.03), 60.0, 25.0))
    assert hissy.unweighted_floor_percent > 0.5 * clean.unweighted_rms_percent
    for name in ("weighted_peak_percent", "unweighted_peak_percent", "weighted_rms_percent", "unweighted_rms_percent"):
        assert getattr(hissy, name) == pytest.approx(getattr(clean, name), rel=0.02), name


def test_hum_beside_a_440_hz_tone_is_no_flutter():
    transport = Transport(faults=(Fault(7.6, 0.1),))
    flutter = read(captured(transport, 30.0, tone_hz=440.0, extra=lambda at: 0.002 * np.sin(2 * np.pi * 400.0 * at)))
    assert [round(component.hz, 1) for component in flutter.components] == [7.6]
    assert flutter.unweighted_peak_percent == pytest.approx(0.1, rel=0.05)


# --- what cannot be told ----------------------------------------------------------------------------------------------


def test_what_a_440_hz_tone_cannot_show_is_null_with_the_reason():
    flutter = read(captured(Transport(faults=(Fault(5.0, 0.2),)), 12.0, tone_hz=440.0))
    assert isinstance(flutter.scrape_rms_percent, NotMeasured)
    assert "440 Hz shows rates up to 145 Hz" in flutter.scrape_rms_percent.reason
    assert flutter.unweighted_peak_percent == pytest.approx(0.2, rel=0.02)
    assert flutter.high_hz == pytest.approx(145.2, abs=0.1)


def test_a_low_tone_shows_wow_only():
    flutter = read(played(Transport(faults=(Fault(1.0, 0.2),)), 12.0, carrier_hz=90.0, bandwidth_hz=30.0))
    assert flutter.wow_rms_percent == pytest.approx(0.2 / 2**0.5, rel=0.02)
    for reading in (flutter.weighted_peak_percent, flutter.weighted_quasi_peak_percent, flutter.flutter_rms_percent):
        assert isinstance(reading, NotMeasured)


def test_a_tone_too_short_is_not_read():
    flutter = read(played(Transport(), 4.0))
    assert isinstance(flutter.weighted_peak_percent, NotMeasured)
    assert "4.0 s" in flutter.weighted_peak_percent.reason


@pytest.mark.parametrize("flutter", [flutter_not_measured("no tone"), read(played(Transport(), 8.0))])
def test_the_record_survives_json(flutter):
    assert from_plain(type(flutter), to_plain(flutter)) == flutter


# --- lines ------------------------------------------------------------------------------------------------------------


def random_transport(rng, seconds):
    """Three to nine faults from 0.5 to 100 Hz, two of them 0.1 Hz apart, a reel that slides, drift, unsteadiness."""
    rates_hz = []
    while len(rates_hz) < rng.integers(3, 9):
        hz = float(np.exp(rng.uniform(np.log(0.5), np.log(100.0))))
        if all(abs(hz - other) > 0.35 for other in rates_hz):
            rates_hz.append(hz)
    rates_hz.append(rates_hz[0] + 0.1)
    faults = [
        Fault(
            hz,
            float(np.exp(rng.uniform(np.log(0.05), np.log(0.4)))),
            phase_rad=rng.uniform(0, 2 * np.pi),
            # swelling once in 10 s would put a true line 0.1 Hz away, on the neighbour
            breathing=0.0 if number in (0, len(rates_hz) - 1) else rng.uniform(0, 0.1),
            breathing_s=rng.uniform(10, 40),
        )
        for number, hz in enumerate(rates_hz)
    ]
    reel_hz = rng.uniform(0.32, 0.68)
    if all(abs(reel_hz - hz) > 0.35 for hz in rates_hz):
        slide_hz = rng.choice([-1, 1]) * 2 * np.pi * reel_hz**3 * 0.018 / 47.625 * seconds  # geometry of the pack
        faults.append(Fault(reel_hz, rng.uniform(0.06, 0.5), slide_hz=slide_hz, phase_rad=rng.uniform(0, 6)))
    return Transport(
        drift_percent=rng.uniform(-0.5, 0.5),
        settling_percent=rng.choice([0.0, 0.3]),
        random_percent=rng.uniform(0.0, 0.03),
        faults=tuple(faults),
    )


def assert_recovered(transport, components, seed):
    left = list(components)
    for fault in transport.faults:
        near = min(left, key=lambda component: abs(component.hz - fault.hz), default=None)
        assert near is not None and near.hz == pytest.approx(fault.hz, abs=0.1), (seed, fault)
        assert near.peak_percent == pytest.approx(fault.peak_percent, rel=0.1), (seed, fault)
        left.remove(near)
    assert [component for component in left if component.peak_percent > 0.03] == [], seed


@pytest.mark.slow
def test_200_random_transports_are_recovered():
    inside_hz, inside_peak = [], []
    for seed in range(200):
        rng = np.random.default_rng([3, seed])
        transport = random_transport(rng, 60.0)
        flutter = read(played(transport, 60.0, rng.uniform(30.0, 50.0), seed=[4, seed]))
        assert_recovered(transport, flutter.components, seed)
        for fault in transport.faults:
            near = min(flutter.components, key=lambda component: abs(component.hz - fault.hz), default=None)
            inside_hz.append(abs(near.hz - fault.hz) <= near.hz_uncertainty)
            inside_peak.append(abs(near.peak_percent - fault.peak_percent) <= near.peak_uncertainty_percent)
    assert np.mean(inside_hz) >= 0.95
    assert np.mean(inside_peak) >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
def test_a_transport_is_recovered_from_a_capture_of_its_test_tape(seed):
    transport = replace(random_transport(np.random.default_rng(seed), 60.0), speed_error_percent=-0.9)
    flutter = read(captured(transport, 60.0, tone_to_noise_db=35.0, seed=seed))
    assert_recovered(transport, flutter.components, seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 106))
def test_parts_that_turn_by_the_tape_are_found_in_a_warped_wave_and_nothing_else_is(seed):
    tape = warped_tape(seed)
    blocks = signals.in_blocks(tape.samples[tape.rate_hz :].astype(np.float32), 5 * tape.rate_hz)
    near_hz = tape.tone_hz * (1 + tape.error_percent / 100)
    components = list(read(deviation_of(demodulate(blocks, tape.rate_hz, near_hz, 0.0, DEMODULATION))).components)
    for line in sorted(tape.lines, key=lambda each: -each.peak_percent):
        fitting = [c for c in components if abs(c.hz - line.hz) < 0.1]
        near = min(fitting, key=lambda c: abs(c.peak_percent - line.peak_percent), default=None)
        if near is not None and abs(near.peak_percent / line.peak_percent - 1) < 0.1:
            components.remove(near)
        else:
            assert line.peak_percent < 0.05 or line.hz > 200, line
    false = [c for c in components if not any(abs(c.hz - t.hz) < 0.1 and t.peak_percent > 0.02 for t in tape.lines)]
    assert [c for c in false if c.peak_percent > 0.03] == []


def test_a_part_whose_rate_follows_slow_wow_is_one_line():
    """Phase modulation: 0.25 % of wow at 0.35 Hz sets lines of 0.17 of its depth at 0.35 Hz to either side of 40 Hz."""
    at_s = np.arange(round(60 * RATE_HZ)) / RATE_HZ
    wow = 0.25 * np.sin(2 * np.pi * 0.35 * at_s)
    passed_s = at_s - 0.0025 / (2 * np.pi * 0.35) * np.cos(2 * np.pi * 0.35 * at_s)
    percent = wow + 0.3 * np.sin(2 * np.pi * 40 * passed_s)
    noise = np.random.default_rng(5).normal(0, 0.02, len(at_s))
    told = read(Deviation(percent + noise, RATE_HZ, 3150.0, 200.0, NotMeasured("none"))).components
    assert [round(c.hz, 2) for c in told if c.peak_percent > 0.02] == [40.0, 0.35]
    beside = percent + 0.12 * np.sin(2 * np.pi * 40.35 * at_s) + noise  # a part of its own
    told = read(Deviation(beside, RATE_HZ, 3150.0, 200.0, NotMeasured("none"))).components
    assert 40.35 in [round(c.hz, 2) for c in told]


@pytest.mark.slow
def test_a_reel_is_followed_through_a_long_tone():
    reel = Fault(0.58, 0.2, slide_hz=-0.2)
    flutter = read(played(Transport(faults=(reel, Fault(7.58, 0.1))), 540.0, 40.0))
    steady, sliding = sorted(flutter.components, key=lambda component: -component.hz)
    assert (steady.hz, steady.peak_percent, steady.slide_hz) == pytest.approx((7.58, 0.1, 0.0), abs=0.002)
    assert sliding.hz == pytest.approx(0.58, abs=0.005)
    assert sliding.peak_percent == pytest.approx(0.2, rel=0.03)
    assert sliding.slide_hz == pytest.approx(-0.2, abs=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_unsteady_speed_without_a_rate_shows_no_line(seed):
    flutter = read(played(Transport(random_percent=0.15, drift_percent=0.3), 60.0, 30.0, seed=seed))
    assert [component for component in flutter.components if component.peak_percent > 0.03] == []


@pytest.mark.parametrize("seconds", [6.0, 20.0, 60.0])
@pytest.mark.parametrize("steepness", [1.0, 2.0, 3.0])
def test_wow_that_wanders_steeply_shows_no_line(seconds, steepness):
    for seed in range(8):
        rng = np.random.default_rng([seed, int(seconds)])
        spectrum = np.fft.rfft(rng.standard_normal(round(seconds * RATE_HZ)))
        wander = np.fft.irfft(spectrum / (0.3 + np.fft.rfftfreq(round(seconds * RATE_HZ), 1 / RATE_HZ)) ** steepness)
        deviation = Deviation(0.15 * wander / wander.std(), RATE_HZ, 3150.0, 200.0, NotMeasured("none"))
        assert read(deviation).components == ()


@pytest.mark.parametrize("slide_hz", [-0.35, 0.25])
def test_a_reel_that_slides_within_a_minute_is_one_line(slide_hz):
    transport = Transport(faults=(Fault(0.5, 0.2, slide_hz=slide_hz), Fault(1.45, 0.1)), random_percent=0.01)
    reel, roller = sorted(read(played(transport, 60.0, 40.0)).components, key=lambda component: component.hz)
    assert (reel.hz, reel.slide_hz) == pytest.approx((0.5, slide_hz), abs=0.02)
    assert reel.peak_percent == pytest.approx(0.2, rel=0.1)
    assert roller.peak_percent == pytest.approx(0.1, rel=0.1)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 192_000])
def test_the_reading_does_not_hang_on_the_captures_rate(rate_hz):
    transport = Transport(faults=(Fault(7.6, 0.15), Fault(90.0, 0.06)))
    flutter = read(captured(transport, 12.0, rate_hz, tone_to_noise_db=40.0))
    assert flutter.unweighted_rms_percent == pytest.approx(np.hypot(0.15, 0.06) / 2**0.5, rel=0.02)
    assert [round(component.hz, 1) for component in flutter.components] == [7.6, 90.0]
