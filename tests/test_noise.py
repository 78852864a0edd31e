"""Weighting curves against their published tables, and noise of known power read through them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.noise import NoiseSpectrum, measure_noise, measure_noise_spectrum
from pipeline.records import NotMeasured
from pipeline.standards.noise_weighting import UNITY_2K_FROM_468_DB, a_weighting_db, weighting_468_db

TRUTHS = Path(__file__).parent / "truths"
A_TABLE = np.loadtxt(TRUTHS / "iec_61672_a.csv", delimiter=",", skiprows=3)
TABLE_468 = np.loadtxt(TRUTHS / "bs468.csv", delimiter=",", skiprows=3)
PRINTED_DB = 0.05  # the tables carry one decimal


def third_octave(hz):
    """The exact base-10 frequency behind a nominal one: 15 848.9 for 16 kHz."""
    return 1000 * 10 ** (np.round(10 * np.log10(hz / 1000)) / 10)


def white(seed, rms_db, rate_hz, seconds, channels=1):
    return np.random.default_rng(seed).normal(0, 10 ** (rms_db / 20), (round(seconds * rate_hz), channels))


def through_table_db(table):
    """What white noise of 20 Hz to 20 kHz loses or gains through a curve drawn straight between the table's rows."""
    hz = np.arange(20.0, 20_000.0)
    gain_db = np.interp(np.log(hz), np.log(table[:, 0]), table[:, 1], left=-50)
    return 10 * np.log10(np.mean(10 ** (gain_db / 10)))


def test_the_a_curve_meets_every_row_of_its_table():
    hz, db, above_db, below_db = A_TABLE.T
    error_db = a_weighting_db(third_octave(hz)) - db
    assert np.all(error_db <= above_db)
    assert np.all(error_db >= -below_db)
    # The limits are for instruments; the curve itself is the table.
    np.testing.assert_allclose(error_db, 0, atol=PRINTED_DB + 0.011)


def test_the_468_curve_meets_every_row_of_its_table():
    hz, db, above_db, below_db = TABLE_468.T
    error_db = weighting_468_db(hz) - db
    assert np.all(error_db <= above_db + PRINTED_DB)
    assert np.all(error_db >= -below_db - PRINTED_DB)


def test_the_variant_of_aes17_has_unity_at_2_khz():
    assert weighting_468_db([2000.0])[0] + UNITY_2K_FROM_468_DB == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_a_tone_reads_its_level_and_the_tables_gain(rate_hz):
    for table, reading in ((A_TABLE, "a_weighted_dbfs"), (TABLE_468, "weighted_468_dbfs")):
        for hz, db, *_ in table[(table[:, 0] >= 50) & (table[:, 0] <= 16_000)]:
            # Where a curve is steep, a tone a little beside the nominal frequency reads a little else.
            exact = third_octave(hz) if table is A_TABLE else hz
            tone = 0.1 * np.sin(2 * np.pi * exact * np.arange(rate_hz) / rate_hz)
            (noise,) = measure_noise([tone[:, None].astype(np.float32)], rate_hz)
            assert noise.rms_dbfs == pytest.approx(-23.01, abs=0.02)
            assert getattr(noise, reading) == pytest.approx(-23.01 + db, abs=0.2), (reading, hz)


@pytest.mark.parametrize(("rate_hz", "seed"), [(44_100, 1), (48_000, 2), (96_000, 3), (192_000, 4)])
def test_white_noise_reads_its_power_through_each_curve(rate_hz, seed):
    in_band_db = -60 + 10 * np.log10(19_980 / (rate_hz / 2))
    left, right = measure_noise([white(seed, -60, rate_hz, 5, channels=2).astype(np.float32)], rate_hz)
    assert [left.rms_dbfs, right.rms_dbfs] == pytest.approx([in_band_db] * 2, abs=0.1)
    assert left.a_weighted_dbfs == pytest.approx(in_band_db + through_table_db(A_TABLE), abs=0.25)
    assert left.weighted_468_dbfs == pytest.approx(in_band_db + through_table_db(TABLE_468), abs=0.25)


def test_hum_and_dc_are_taken_out_by_the_a_curve():
    rate_hz = 48_000
    hiss = white(11, -70, rate_hz, 4)
    hum = 0.01 * np.sin(2 * np.pi * 50 * np.arange(len(hiss)) / rate_hz)[:, None]
    (clean,) = measure_noise([hiss.astype(np.float32)], rate_hz)
    (dirty,) = measure_noise([(hiss + hum + 0.1).astype(np.float32)], rate_hz)
    assert dirty.rms_dbfs == pytest.approx(-43.0, abs=0.1)
    hum_through_a = 10 ** ((-43.01 - 30.2) / 10) + 10 ** (clean.a_weighted_dbfs / 10)
    assert dirty.a_weighted_dbfs == pytest.approx(10 * np.log10(hum_through_a), abs=0.15)


def test_stretches_are_averaged_by_their_length():
    rate_hz = 48_000
    loud, soft = white(21, -50, rate_hz, 2).astype(np.float32), np.zeros((6 * rate_hz, 1), np.float32)
    (noise,) = measure_noise([loud, soft, loud[:100]], rate_hz)
    (alone,) = measure_noise([loud], rate_hz)
    assert noise.rms_dbfs == pytest.approx(alone.rms_dbfs - 6.0, abs=0.25)


def test_the_spectrum_sums_up_to_the_mean_square():
    spectrum = measure_noise_spectrum([white(31, -40, 44_100, 10).astype(np.float32)], 44_100)
    assert isinstance(spectrum, NoiseSpectrum)
    assert 10 * np.log10(spectrum.power.sum()) == pytest.approx(-40, abs=0.05)


def test_what_cannot_be_read_says_why():
    assert measure_noise([np.zeros((100, 2), np.float32)], 48_000) == NotMeasured("no stretch as long as 0.17 s")
    assert measure_noise([], 48_000) == NotMeasured("no stretch as long as 0.17 s")
    left, right = measure_noise([np.zeros((48_000, 2), np.float32)], 48_000)
    assert left == right
    assert left.a_weighted_dbfs == NotMeasured("digital silence")
    (telephone,) = measure_noise([white(41, -50, 8_000, 2).astype(np.float32)], 8_000)
    assert telephone.rms_dbfs == pytest.approx(-50, abs=0.2)
    assert telephone.weighted_468_dbfs == NotMeasured("needs a sample rate of 30000 Hz or more")
