"""Speed error, ratio and drift: closed forms of check values §1.5 and §8, and tones known by construction."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
import signals

from pipeline.demodulate import DemodulationCriteria, demodulate
from pipeline.records import NotMeasured
from pipeline.settings import settings_from
from pipeline.speed import (
    BenchSpeed,
    SpeedCriteria,
    SpeedSource,
    cents_of,
    error_percent,
    half_last_digit,
    measure_drift,
    ratio_of,
    resolve_speed,
    tones_agree,
)
from pipeline.tone import Tone, ToneCriteria, measure_tone

METHOD = tomllib.loads((Path(__file__).parent.parent / "config" / "method.toml").read_text("utf-8"))
CRITERIA = settings_from(SpeedCriteria, METHOD["speed"], "config/method.toml")
TONES = settings_from(ToneCriteria, METHOD["tone"], "config/method.toml")
DEMODULATION = settings_from(DemodulationCriteria, METHOD["demodulation"], "config/method.toml")


def tone_of(error, nominal_hz=440.0, uncertainty_percent=0.001, start_s=0.0, seconds=10.0):
    hz = (nominal_hz if not isinstance(nominal_hz, NotMeasured) else 440.0) * (1 + error / 100)
    return Tone(start_s, start_s + seconds, nominal_hz, hz, hz * uncertainty_percent / 100, -9.0)


def resolved(tones=(), reading=None, ratio=None, bench=None, drift_within=()):
    return resolve_speed(tones, reading=reading, ratio=ratio, bench=bench, criteria=CRITERIA, drift_within=drift_within)


# Check values §1.5: deviation in percent, what 3150 Hz then reads, cents, ratio to apply; computed there.
TABLE = [
    (-3.0, 3055.50, -52.73, 1.030928),
    (-2.0, 3087.00, -34.98, 1.020408),
    (-1.5, 3102.75, -26.17, 1.015228),
    (-1.0, 3118.50, -17.40, 1.010101),
    (-0.5, 3134.25, -8.68, 1.005025),
    (1.0, 3181.50, 17.23, 0.990099),
    (2.0, 3213.00, 34.28, 0.980392),
]


@pytest.mark.parametrize(("error", "reads_hz", "cents", "ratio"), TABLE)
def test_the_table_of_speed_errors(error, reads_hz, cents, ratio):
    assert error_percent(reads_hz, 3150.0) == pytest.approx(error, abs=1e-9)
    assert cents_of(reads_hz, 3150.0) == pytest.approx(cents, abs=0.005)
    assert ratio_of(reads_hz, 3150.0) == pytest.approx(ratio, abs=5e-7)


def test_436_read_where_440_was_meant():
    """Check values §8, worked case."""
    speed = resolved(reading=(436.0, 440.0))
    assert speed.source is SpeedSource.READING
    assert speed.error_percent == pytest.approx(-0.90909, abs=5e-6)
    assert speed.ratio == pytest.approx(1.0091743, abs=5e-8)
    assert cents_of(436.0, 440.0) == pytest.approx(-15.810, abs=0.0005)
    assert speed.uncertainty_percent == pytest.approx(100 * 0.5 / 440)


def test_a_436_hz_tone_on_the_capture_gives_the_same_ratio():
    samples = signals.as_stereo(signals.tone(15.0, 44_100, 436.0, 0.0, [(6.3, 0.12)]))
    tone = measure_tone(demodulate([samples], 44_100, 436.5, 0.0, DEMODULATION), [440.0], TONES)
    speed = resolved([tone])
    assert speed.source is SpeedSource.TONE
    assert speed.ratio == pytest.approx(440 / 436, rel=2e-5)
    assert speed.uncertainty_percent < 0.002


def test_the_sources_in_order_of_trust():
    tones, bench = [tone_of(-1.0)], BenchSpeed(-0.5, 0.01)
    everything = {"tones": tones, "reading": (436.0, 440.0), "ratio": 1.02, "bench": bench}
    seen = []
    for name in ("ratio", "reading", "tones", "bench", None):
        speed = resolved(**everything)
        seen.append((speed.source, round(speed.ratio, 6)))
        if name is not None:
            del everything[name]
    assert seen == [
        (SpeedSource.RATIO, 1.02),
        (SpeedSource.READING, 1.009174),
        (SpeedSource.TONE, 1.010101),
        (SpeedSource.BENCH, 1.005025),
        (SpeedSource.NONE, 1.0),
    ]


def test_without_any_reference_nothing_is_corrected_and_the_error_is_not_known():
    speed = resolved()
    assert speed.ratio == 1.0
    assert isinstance(speed.error_percent, NotMeasured)
    assert isinstance(speed.uncertainty_percent, NotMeasured)
    assert isinstance(speed.drift_percent, NotMeasured)


def test_a_tone_that_matches_no_nominal_corrects_nothing():
    assert resolved([tone_of(-1.0, NotMeasured("outside"))]).source is SpeedSource.NONE


def test_a_ratio_and_a_bench_without_uncertainty_say_so():
    assert "ratio" in resolved(ratio=1.01).uncertainty_percent.reason
    assert isinstance(resolved(bench=BenchSpeed(-1.0, None)).uncertainty_percent, NotMeasured)
    assert resolved(bench=BenchSpeed(-1.0, 0.02)).uncertainty_percent == 0.02


def test_tones_weigh_by_their_certainty():
    """Two readings 0.001 apart, uncertain by 0.002 and 0.004: weights 4 to 1."""
    speed = resolved([tone_of(-1.0, uncertainty_percent=0.002), tone_of(-1.001, uncertainty_percent=0.004)])
    assert speed.error_percent == pytest.approx(-1.0002, abs=2e-6)
    assert speed.uncertainty_percent == pytest.approx(1 / np.hypot(1 / 0.002, 1 / 0.004), rel=0.02)


def test_two_tones_that_disagree_give_the_middle_and_own_up_to_it():
    speed = resolved([tone_of(-1.0, uncertainty_percent=0.001), tone_of(-1.4, uncertainty_percent=0.002)])
    assert speed.error_percent == pytest.approx(-1.2, abs=1e-3)
    assert speed.uncertainty_percent >= 0.2


def test_agreement_of_tones():
    near = [tone_of(-1.0), tone_of(-1.02, 3150.0, start_s=20.0)]
    assert tones_agree(near, CRITERIA) is None
    assert tones_agree(near[:1], CRITERIA) is None
    apart = [*near, tone_of(-1.5, 1000.0, start_s=40.0)]
    found = tones_agree(apart, CRITERIA)
    assert found is not None
    assert found.difference_percent == pytest.approx(-0.5, abs=1e-6)
    assert (found.first.nominal_hz, found.second.nominal_hz) == (440.0, 1000.0)
    assert tones_agree([near[0], tone_of(-3.0, NotMeasured("outside"))], CRITERIA) is None


def test_drift_between_tones_at_head_and_tail():
    tones = [tone_of(-1.0), tone_of(-0.8, start_s=1300.0), tone_of(-1.1, start_s=2600.0)]
    assert resolved(tones).drift_percent == pytest.approx(0.3, abs=1e-6)


def test_one_short_tone_shows_no_drift():
    assert "span less than" in resolved([tone_of(-1.0)]).drift_percent.reason
    assert isinstance(resolved([tone_of(-1.0), tone_of(-1.2, start_s=11.0)]).drift_percent, NotMeasured)


@pytest.mark.parametrize("seed", [1, 2])
def test_drift_inside_a_long_tone_is_told_from_wow(seed):
    """A change of 0.4 % over 200 s under wow of 0.3 % at 0.5 Hz; the average over 10 s sees 0.38 % of it."""
    rate_hz = 8_000
    t_s = signals.times_s(200.0, rate_hz)
    come_s = signals.speed_phase_s(t_s, -1.0, [(0.5, 0.3, seed)]) + 0.004 * t_s**2 / 400
    tone = 0.3 * np.sin(2 * np.pi * 1000 * come_s) + signals.hiss(200.0, rate_hz, -50, seed)
    drift = measure_drift(demodulate([signals.as_mono(tone)], rate_hz, 993.0, 0.0, DEMODULATION), CRITERIA)
    assert drift == pytest.approx(0.38, abs=0.02)
    assert resolved([tone_of(-1.0)], drift_within=[drift]).drift_percent == drift


def test_wow_alone_is_no_drift():
    tone = signals.tone(90.0, 8_000, 1000, -1.0, [(0.31, 0.3), (5.0, 0.2)]) + signals.hiss(90.0, 8_000, -50, 1)
    assert measure_drift(demodulate([signals.as_mono(tone)], 8_000, 990.0, 0.0, DEMODULATION), CRITERIA) < 0.01


def test_a_short_tone_has_no_drift_of_its_own():
    tone = signals.as_mono(signals.tone(15.0, 8_000, 1000))
    assert isinstance(measure_drift(demodulate([tone], 8_000, 1000.0, 0.0, DEMODULATION), CRITERIA), NotMeasured)


@pytest.mark.parametrize(("read_hz", "half_hz"), [(436.0, 0.5), (435.9, 0.05), (3121.36, 0.005), (1000.0, 0.5)])
def test_a_reading_is_good_to_half_its_last_digit(read_hz, half_hz):
    assert half_last_digit(read_hz) == pytest.approx(half_hz)
