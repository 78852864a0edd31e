"""The weighting table stands as remembered, and our weighting follows it."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.deviation import weighting
from pipeline.standards import wow_flutter

ROWS = [
    line.split()
    for line in (Path(__file__).parent / "truths" / "wow_flutter.txt").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
]
WEIGHTING = [[None if field == "-" else float(field) for field in row[1:]] for row in ROWS if row[0] == "weighting"]


def test_the_weighting_table_holds_the_remembered_rows():
    assert [list(row) for row in wow_flutter.WEIGHTING_DB] == WEIGHTING


def test_the_pulse_table_holds_its_rows():
    pulses = [tuple(map(float, row[1:])) for row in ROWS if row[0] == "pulse"]
    assert list(wow_flutter.PULSE_READINGS) == pulses
    assert [tuple(map(float, row[1:])) for row in ROWS if row[0] == "fall"] == [wow_flutter.FALL_BETWEEN_PULSES]


def test_weighting_goes_through_every_row():
    hz, db, *_ = zip(*WEIGHTING, strict=True)
    assert 20 * np.log10(weighting(np.array(hz))) == pytest.approx(db, abs=1e-9)


@pytest.mark.parametrize(
    ("hz", "db"), [(0.30, -20.9), (0.69, -7.5), (1.32, -2.8), (1.52, -2.1), (6.06, -0.8), (7.58, -1.4), (10.1, -2.1)]
)
def test_between_rows_weighting_is_straight_over_log_frequency(hz, db):
    # computed by the project's reference from the table (from memory), at rates of cassette parts
    assert 20 * np.log10(weighting(np.array([hz])))[0] == pytest.approx(db, abs=0.06)


def test_weighting_keeps_falling_about_six_db_an_octave_at_the_far_ends():
    high = 20 * np.log10(weighting(np.array([100.0, 200.0, 400.0, 800.0])))
    assert np.diff(high) == pytest.approx([-5.7, -5.7, -5.7], abs=0.01)
    assert weighting(np.array([0.0, 0.05, 0.099])).tolist() == [0.0, 0.0, 0.0]
