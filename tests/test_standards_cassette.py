"""Cassette mechanics, equalisation and losses against the reference's tables."""

from pathlib import Path

import pytest

from pipeline.standards import cassette

ROWS = [
    (line.split()[0], *map(float, line.split()[1:]))
    for line in (Path(__file__).parent / "truths" / "cassette.txt").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
]


def rows(kind):
    found = [row[1:] for row in ROWS if row[0] == kind]
    assert found
    return found


def test_nominal_speed_is_one_and_seven_eighths_inches_a_second():
    assert pytest.approx(1.875 * 25.4) == cassette.NOMINAL_SPEED_MM_S
    assert 2 * cassette.HALF_SPEED_MM_S == cassette.NOMINAL_SPEED_MM_S == cassette.DOUBLE_SPEED_MM_S / 2


@pytest.mark.parametrize(("diameter_mm", "hz"), rows("rate"))
def test_a_part_on_the_tape_turns_as_tabled(diameter_mm, hz):
    assert cassette.turn_rate_hz(cassette.NOMINAL_SPEED_MM_S, diameter_mm) == pytest.approx(hz, abs=0.006)


@pytest.mark.parametrize(("hz", "um"), rows("wavelength"))
def test_wavelengths(hz, um):
    assert cassette.wavelength_um(hz) == pytest.approx(um, rel=1e-3)


@pytest.mark.parametrize(("arc_minutes", "track_mm", "hz", "db"), rows("azimuth"))
def test_azimuth_loss(arc_minutes, track_mm, hz, db):
    assert cassette.azimuth_loss_db(hz, arc_minutes, track_mm) == pytest.approx(db, abs=0.06 if db < -10 else 0.006)


def test_an_upright_head_loses_nothing():
    assert cassette.azimuth_loss_db(10_000.0, 0.0, cassette.MONO_TRACK_MM) == 0.0


@pytest.mark.parametrize(("arc_minutes", "us"), rows("delay"))
def test_azimuth_delay_and_back(arc_minutes, us):
    assert cassette.azimuth_delay_us(arc_minutes) == pytest.approx(us, abs=0.06)
    assert cassette.azimuth_arc_minutes(cassette.azimuth_delay_us(arc_minutes)) == pytest.approx(arc_minutes)


@pytest.mark.parametrize(("hz", "db"), [(3150.0, -3.6), (10_000.0, -11.5)])
def test_one_micrometre_of_spacing(hz, db):
    assert cassette.spacing_loss_db(hz, 1.0) == pytest.approx(db, abs=0.06)


@pytest.mark.parametrize(("hz", "at_120_db", "at_70_db"), rows("boost"))
def test_replay_boost(hz, at_120_db, at_70_db):
    assert cassette.replay_boost_db(hz, 120.0) == pytest.approx(at_120_db, abs=0.006)
    assert cassette.replay_boost_db(hz, 70.0) == pytest.approx(at_70_db, abs=0.006)


@pytest.mark.parametrize(("hz", "db"), rows("low"))
def test_low_frequency_term(hz, db):
    assert cassette.low_frequency_term_db(hz) == pytest.approx(db, abs=0.006)


@pytest.mark.parametrize(("hz", "at_120_db", "at_70_db"), rows("flux"))
def test_recorded_flux(hz, at_120_db, at_70_db):
    assert cassette.recorded_flux_db(hz, 120.0) == pytest.approx(at_120_db, abs=0.006)
    assert cassette.recorded_flux_db(hz, 70.0) == pytest.approx(at_70_db, abs=0.006)


@pytest.mark.parametrize(("length_m", "thickness_mm", "radius_mm"), rows("pack"))
def test_full_pack_radius(length_m, thickness_mm, radius_mm):
    assert cassette.pack_radius_mm(11.0, 1000 * length_m, thickness_mm) == pytest.approx(radius_mm, abs=0.06)


@pytest.mark.parametrize("row", rows("fluxivity"))
def test_reference_levels_against_each_other(row):
    nwb_m, *expected_db = row
    found_db = [cassette.fluxivity_db(nwb_m, reference) for reference in (160.0, 185.0, 200.0, 250.0)]
    assert found_db == pytest.approx(expected_db, abs=0.006)


def test_time_constants_by_tape_type():
    # IEC 60094-1 (1981); type IV from memory
    assert cassette.TIME_CONSTANT_US == {"I": 120.0, "II": 70.0, "III": 70.0, "IV": 70.0}
    assert cassette.LOW_TIME_CONSTANT_US == 3180.0


def test_leader_at_speed():
    assert [0.001 * s * cassette.NOMINAL_SPEED_MM_S for s in cassette.LEADER_S] == pytest.approx([0.3, 0.5], abs=1e-3)
