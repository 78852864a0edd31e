"""Sides captured twice, found among others: outlines whose truth is known because we made the second pass."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from pages import CRITERIA, side_qc

from pipeline.archive import Archive
from pipeline.outline import balance_of, outline_of
from pipeline.overview import Overview, write_overview
from pipeline.sketches import read_sketches
from pipeline.twins import Sketch, find_twins, with_channels

TWINS = CRITERIA.summary.twins
COLUMNS = 1600


def loudness(seconds: float, seed: int) -> np.ndarray:
    """Peak levels in dB every half second as phrases and sections make them."""
    rng = np.random.default_rng(seed)
    steps = round(seconds / 0.5)
    fine = rng.normal(0, rng.uniform(2, 4), steps)
    phrases = np.interp(
        np.arange(steps),
        np.arange(0, steps + 16, 16),
        rng.normal(0, 4, steps // 16 + 2)[: steps // 16 + 1 + (steps % 16 > 0)],
    )
    return -20 + fine + phrases


def captured(level_db, lead_s=8.0, faster=0.0, gain_db=0.0, missing_s=0.0, seed=0):
    """The overview of one pass over that programme, and from where to where it stands."""
    level_db = level_db[round(missing_s / 0.5) :]
    seconds = len(level_db) * 0.5 / (1 + faster)
    total_s = lead_s + seconds + 25.0
    fine_s = np.arange(0, total_s, 0.5)
    inside = (fine_s >= lead_s) & (fine_s < lead_s + seconds)
    at = np.clip(((fine_s - lead_s) * (1 + faster) / 0.5).astype(int), 0, len(level_db) - 1)
    hiss = np.random.default_rng([seed, 9]).normal(-55, 0.7, len(fine_s))
    peak = 10 ** (np.where(inside, level_db[at] + gain_db, hiss) / 20)
    edges = np.arange(COLUMNS + 1) * len(fine_s) // COLUMNS
    columns = np.array([peak[a : max(b, a + 1)].max() for a, b in pairwise(edges)], np.float32)
    envelope = np.stack([-columns, columns], axis=1)[:, None]
    return Overview(total_s, envelope, np.zeros((4, 4), np.uint8), 40.0, 20_000.0, -130.0), lead_s, lead_s + seconds


def sketch(name, made, digest=None):
    return Sketch(name, "A", digest or name, outline_of(*made, TWINS.outline))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "second",
    [
        {"lead_s": 3.0},
        {"lead_s": 95.0, "faster": 0.025, "gain_db": -7.0},
        {"lead_s": 20.0, "faster": -0.012, "gain_db": 4.0, "missing_s": 60.0},
    ],
)
def test_a_second_pass_is_found_among_other_sides_with_its_speed(seed, second):
    sides = [sketch(f"T{n}", captured(loudness(1200 + 60 * n, 50 * seed + n))) for n in range(10)]
    again = sketch("again", captured(loudness(1200 + 60 * 4, 50 * seed + 4), **second, seed=seed + 1))
    (pair,) = find_twins([*sides, again], TWINS)
    assert (pair.tape, pair.like_tape) == ("again", "T4")
    assert pair.faster_percent == pytest.approx(100 * second.get("faster", 0.0), abs=0.3)
    assert "T4 side A and again side A" in pair.message


def in_stereo(seed, pass_seed, pan_db, exchanged=False, **second):
    """One pass over programme that moves by ``pan_db`` (r.m.s.) between left and right; 0: a mono tape."""
    level_db, pans_db = loudness(1200, seed), loudness(1200, seed + 1000)
    pans_db = pan_db * (pans_db - pans_db.mean()) / pans_db.std()
    noise_db = np.random.default_rng([pass_seed, 3]).normal(0, 0.2, (2, len(level_db)))
    left, *span = captured(level_db - pans_db / 2 + noise_db[0], seed=pass_seed, **second)
    right = captured(level_db + pans_db / 2 + noise_db[1], seed=pass_seed + 50, **second)[0]
    both = np.concatenate([left.envelope, right.envelope], axis=1)
    return replace(left, envelope=both[:, ::-1] if exchanged else both), *span


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("second", [{}, {"lead_s": 40.0, "faster": 0.012, "gain_db": -5.0}])
@pytest.mark.parametrize(
    ("pan_db", "exchanged", "told"),
    [(1.5, True, True), (1.5, False, False), (6.0, True, True), (6.0, False, False), (0.0, True, False)],
)
def test_exchanged_channels_are_told_by_a_second_pass_alone(seed, second, pan_db, exchanged, told):
    first, again = in_stereo(seed, 2 * seed, pan_db), in_stereo(seed, 2 * seed + 1, pan_db, exchanged, **second)
    (pair,) = find_twins([sketch("T1", first), sketch("T2", again)], TWINS)
    balances = [balance_of(*made, TWINS.outline) for made in (again, first)]
    found = with_channels(pair, *balances, TWINS)
    assert found.exchanged == told
    assert ("Left and right are exchanged" in found.message) == told


def test_a_side_of_one_channel_has_no_balance():
    assert len(balance_of(*captured(loudness(900, 1)), TWINS.outline)) == 0


def test_captures_with_the_same_samples_are_told_whatever_is_on_them():
    blank = sketch("T1", captured(np.full(2400, -55.0)), "same")
    (pair,) = find_twins([blank, replace(blank, tape="T2"), sketch("T3", captured(loudness(900, 3)))], TWINS)
    assert (pair.like_tape, pair.tape, pair.faster_percent) == ("T1", "T2", None)
    assert "sample by sample" in pair.message


def test_blank_sides_and_short_ones_are_not_taken_for_each_other():
    hiss = [np.random.default_rng(n).normal(-55, 0.7, 3000) for n in range(4)]
    short = loudness(200, 1)
    sides = [sketch(f"H{n}", captured(level)) for n, level in enumerate(hiss)]
    sides += [sketch(f"S{n}", captured(short, lead_s=4.0 + n)) for n in range(2)]
    assert find_twins(sides, TWINS) == ()


def test_what_repeats_itself_evenly_is_not_told():
    beat = -20 + 6 * np.sign(np.sin(2 * np.pi * np.arange(3000) / 48))
    sides = [sketch(f"R{n}", captured(beat + np.random.default_rng(n).normal(0, 1, 3000))) for n in range(3)]
    assert find_twins(sides, TWINS) == ()


def test_the_sides_of_a_large_box_are_not_taken_for_each_other():
    sides = [sketch(f"T{n}", captured(loudness(600 + 5 * n, 10_000 + n))) for n in range(60)]
    assert find_twins(sides, TWINS) == ()


def test_an_overview_is_read_once_and_a_damaged_shelf_is_made_again(tmp_path):
    archive = Archive(tmp_path)
    archive.state.mkdir(parents=True)
    side = side_qc("A", duration_s=1200.0)
    made = captured(loudness(1100, 5))
    write_overview(made[0], archive.sealed("T1").qc, "A")
    first = read_sketches(archive, [("T1", side)], TWINS.outline)
    assert len(first[0].outline) > 300
    for path in archive.sealed("T1").qc.iterdir():
        path.unlink()
    (again,) = read_sketches(archive, [("T1", side)], TWINS.outline)
    assert again.outline == pytest.approx(first[0].outline, abs=0.006)
    (archive.state / "outlines.npz").write_bytes(b"PK\x03\x04 torn")
    (gone,) = read_sketches(archive, [("T1", side)], TWINS.outline)
    assert len(gone.outline) == 0
