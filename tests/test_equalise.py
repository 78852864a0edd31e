"""Changing the replay equalisation against the published table of replay boosts (tests/truths/equalisation.txt)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.equalise import Equaliser

TABLE = np.loadtxt(Path(__file__).parent / "truths" / "equalisation.txt")
RATES_HZ = [44_100, 48_000, 88_200, 96_000, 192_000]
TOLERANCE_DB = 0.1 + 0.005


def gain_db(equaliser: Equaliser, hz: float, rate_hz: int, blocks: int = 5) -> float:
    """By a least-squares sine through the second half, when the start has died away."""
    t_s = np.arange(rate_hz // 4) / rate_hz
    wave = 0.25 * np.sin(2 * np.pi * hz * t_s + 0.3)
    out = np.concatenate([equaliser.process(b[:, None].astype(np.float32)) for b in np.array_split(wave, blocks)])
    late = slice(len(wave) // 2, None)
    basis = np.stack([np.sin(2 * np.pi * hz * t_s[late]), np.cos(2 * np.pi * hz * t_s[late])], axis=1)
    return 20 * np.log10(np.hypot(*np.linalg.lstsq(basis, out[late, 0], rcond=None)[0]) / 0.25)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("deck_us", "tape_us", "sign"), [(120.0, 70.0, -1), (70.0, 120.0, 1)])
def test_the_change_is_the_difference_of_the_published_boosts(rate_hz, deck_us, tape_us, sign):
    """A machine with the shorter constant gives less treble: its tapes lose what 120 µs gave too much."""
    for hz, boost_120_db, boost_70_db, difference_db, re_315_db, re_1000_db in TABLE:
        found_db = gain_db(Equaliser(deck_us, tape_us, rate_hz, 1), hz, rate_hz)
        assert found_db == pytest.approx(sign * difference_db, abs=TOLERANCE_DB)
        assert found_db == pytest.approx(sign * (boost_120_db - boost_70_db), abs=TOLERANCE_DB + 0.005)
        at_315 = gain_db(Equaliser(deck_us, tape_us, rate_hz, 1), 315, rate_hz)
        at_1000 = gain_db(Equaliser(deck_us, tape_us, rate_hz, 1), 1000, rate_hz)
        assert found_db - at_315 == pytest.approx(sign * re_315_db, abs=TOLERANCE_DB)
        assert found_db - at_1000 == pytest.approx(sign * re_1000_db, abs=TOLERANCE_DB)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050])
def test_low_rates_follow_the_table_within_half_a_decibel_up_to_a_third_of_the_rate(rate_hz):
    for hz, _, _, difference_db, *_ in TABLE[TABLE[:, 0] < rate_hz / 3]:
        found_db = gain_db(Equaliser(120.0, 70.0, rate_hz, 1), hz, rate_hz)
        assert found_db == pytest.approx(-difference_db, abs=0.5)


def test_low_frequencies_and_dc_keep_their_level():
    out = Equaliser(120.0, 70.0, 48_000, 2).process(np.full((4800, 2), 0.5, np.float32))
    assert np.allclose(out[-100:], 0.5, atol=1e-6)
    assert gain_db(Equaliser(120.0, 70.0, 48_000, 1), 20, 48_000) == pytest.approx(0.0, abs=0.02)


def test_there_and_back_is_the_same_again():
    noise = np.random.default_rng(4).standard_normal((9600, 2)).astype(np.float32) * 0.1
    there = Equaliser(120.0, 70.0, 96_000, 2).process(noise)
    back = Equaliser(70.0, 120.0, 96_000, 2).process(there)
    assert np.max(np.abs(there - noise)) > 0.05
    assert np.max(np.abs(back - noise)) < 1e-6


@pytest.mark.parametrize("sizes", [[1] * 50, [7, 0, 993], [333, 333, 334]])
def test_blocks_may_be_cut_anywhere(sizes):
    noise = np.random.default_rng(8).standard_normal((sum(sizes), 2)).astype(np.float32)
    whole = Equaliser(120.0, 70.0, 48_000, 2).process(noise)
    equaliser = Equaliser(120.0, 70.0, 48_000, 2)
    parts = [equaliser.process(block) for block in np.split(noise, np.cumsum(sizes)[:-1])]
    assert np.array_equal(np.concatenate(parts), whole)
