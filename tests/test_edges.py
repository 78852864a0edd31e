"""Clicks and thumps close to programme are none of it; first words and notes, which are as short, are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import signal

from pipeline.frames import FrameMeter
from pipeline.method import read_all_settings
from pipeline.regions import RegionKind, find_regions

Array = np.ndarray[Any, Any]
CRITERIA = read_all_settings().method.regions
RATE_HZ, START_S, STOP_S = 48_000, 5.0, 12.0


def notes(hz: float, seconds: float, fall_s: float, partials: int = 9) -> Array:
    at_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tones = [np.sin(2 * np.pi * n * hz * at_s + n * n) / n for n in range(1, partials)]
    end = np.minimum(1, (seconds - at_s) / 0.03)
    return 0.15 * np.sum(tones, axis=0) * np.exp(-at_s / fall_s) * np.minimum(1, at_s / 0.003) * end


def puff(seconds: float, low_hz: float, high_hz: float, rng: np.random.Generator) -> Array:
    sos = signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    count = round(seconds * RATE_HZ)
    return signal.sosfilt(sos, rng.normal(0, 0.1, count)) * np.hanning(count)


def thump(hz: float, fall_s: float, rng: np.random.Generator) -> Array:
    at_s = np.arange(round(0.25 * RATE_HZ)) / RATE_HZ
    stroke = 0.3 * rng.normal(size=len(at_s)) * np.exp(-at_s / 0.004)
    return 0.2 * (np.sin(2 * np.pi * hz * at_s) * np.exp(-at_s / fall_s) + stroke)


def side(rng: np.random.Generator) -> Array:
    """(frames,) struck chords from START_S to STOP_S between silences; the last is damped."""
    tape = np.zeros(17 * RATE_HZ)
    for at_s in np.arange(START_S, STOP_S - 0.1, 0.7):
        chord = sum(notes(220 * ratio, 0.7, 0.5) for ratio in (1, 1.26, rng.choice([1.5, 1.68])))
        tape[round(at_s * RATE_HZ) :][: len(chord)] += chord
    return tape


def add(tape: Array, sound: Array, at_s: float) -> None:
    tape[round(at_s * RATE_HZ) :][: len(sound)] += sound


def programme_in(tape: Array, rng: np.random.Generator, hiss_dbfs: float = -58.0) -> tuple[float, float]:
    capture = (tape + rng.normal(0, 10 ** (hiss_dbfs / 20), len(tape))).astype(np.float32)[:, None]
    meter = FrameMeter(RATE_HZ, 1)
    meter.feed(capture)
    regions = find_regions(meter.frames(), [], len(capture) / RATE_HZ, CRITERIA).regions
    programme = [region for region in regions if region.kind is RegionKind.PROGRAMME]
    return programme[0].start_s, programme[-1].stop_s


@pytest.mark.parametrize("seed", range(4))
def test_clicks_close_together_and_close_to_programme_are_none_of_it(seed: int) -> None:
    rng = np.random.default_rng([801, seed])
    tape = side(rng)
    for at_s in (
        START_S - 2.1,
        START_S - 1.75,
        START_S - 0.62,
        START_S - 0.25,
        STOP_S + 0.3,
        STOP_S + 0.6,
        STOP_S + 1.9,
    ):
        width = rng.integers(1, 10)
        add(tape, np.full(width, 10 ** (rng.uniform(-40, -15) / 20)) * rng.choice([-1, 1]), at_s)
    assert programme_in(tape, rng) == pytest.approx((START_S, STOP_S), abs=0.18)


@pytest.mark.parametrize("before_s", [0.25, 0.35, 0.5, 0.9])
@pytest.mark.parametrize(("hz", "fall_s"), [(60.0, 0.03), (140.0, 0.02)])
def test_a_thump_before_programme_is_none_of_it(before_s: float, hz: float, fall_s: float) -> None:
    rng = np.random.default_rng([802, round(100 * before_s)])
    tape = side(rng)
    add(tape, thump(hz, fall_s, rng), START_S - before_s)
    assert programme_in(tape, rng)[0] == pytest.approx(START_S, abs=0.1)


@pytest.mark.parametrize("after_s", [0.3, 0.6, 1.5])
def test_a_thump_after_programme_is_none_of_it(after_s: float) -> None:
    rng = np.random.default_rng([803, round(100 * after_s)])
    tape = side(rng)
    add(tape, thump(90.0, 0.03, rng), STOP_S + after_s)
    assert programme_in(tape, rng)[1] == pytest.approx(STOP_S, abs=0.15)


FIRST = {  # what is heard first, and how long it is before the rest begins
    "a soft syllable of 80 ms": (lambda rng: puff(0.08, 300, 3000, rng), 0.3),
    "a soft syllable of 150 ms": (lambda rng: 0.3 * puff(0.15, 200, 2500, rng), 0.4),
    "a hissed consonant before its vowel": (lambda rng: puff(0.07, 4000, 9000, rng), 0.13),
    "the burst of a stop before its vowel": (lambda rng: puff(0.012, 1000, 6000, rng), 0.08),
    "a breath": (lambda rng: 0.3 * puff(0.4, 800, 4000, rng), 0.5),
    "a plucked note that rings": (lambda rng: 0.3 * notes(196, 0.5, 0.4), 0.5),
    "a plucked note that is damped": (lambda rng: 0.3 * notes(196, 0.13, 0.3), 0.4),
    "a note of the bass": (lambda rng: 0.4 * notes(65, 0.3, 0.15), 0.45),
    "a dry wooden stroke": (lambda rng: 0.3 * notes(660, 0.15, 0.04, 3), 0.4),
}


@pytest.mark.parametrize("first", FIRST)
@pytest.mark.parametrize("hiss_dbfs", [-66.0, -56.0])
def test_first_words_and_notes_are_programme(first: str, hiss_dbfs: float) -> None:
    rng = np.random.default_rng(804)
    tape = side(rng)
    make, before_s = FIRST[first]
    add(tape, make(rng), START_S - before_s)
    start_s = programme_in(tape, rng, hiss_dbfs)[0]
    assert START_S - before_s - 0.15 <= start_s <= START_S - before_s + 0.12


@pytest.mark.parametrize("beat_s", [0.35, 0.5])
def test_sticks_that_count_in_are_programme(beat_s: float) -> None:
    rng = np.random.default_rng(805)
    tape = side(rng)
    for beat in range(1, 5):
        add(tape, notes(1500, 0.03, 0.006, 4), START_S - beat * beat_s)
    assert programme_in(tape, rng)[0] == pytest.approx(START_S - 4 * beat_s, abs=0.1)
