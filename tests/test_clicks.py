"""Clicks: ticks, pops and cuts put into programme at known places, and programme with the sharp sounds of its own."""

from __future__ import annotations

import tomllib

import numpy as np
import programme
import pytest

from pipeline.events import Event, EventCriteria, EventKind, EventMeter
from pipeline.records import NotMeasured
from pipeline.settings import settings_from, shipped

SECONDS = 30


def clicks(samples: programme.Array, rate_hz: int) -> list[Event]:
    table = tomllib.loads((shipped("config") / "method.toml").read_text())["events"]
    meter = EventMeter(rate_hz, samples.shape[1], settings_from(EventCriteria, table, "method.toml"))
    for block in programme.in_blocks(samples.astype(np.float32), 4 * rate_hz + 5):
        meter.feed(block)
    return [event for event in meter.measure_events(()) if event.kind is EventKind.CLICK]


def speech(rate_hz: int, seed: int) -> programme.Array:
    return programme.both(programme.speech_like(SECONDS, rate_hz, seed, -26))


def music(rate_hz: int, seed: int) -> programme.Array:
    return programme.music_like(SECONDS, rate_hz, seed, -26)


def with_hiss(sound: programme.Array, seed: int) -> programme.Array:
    return sound + programme.noise(len(sound), 2, seed + 100, -58)


def one_click(kind: str, height: float, rate_hz: int, rng: np.random.Generator) -> programme.Array:
    if kind == "tick":  # some samples of the recorder's own
        return np.full(rng.integers(1, 4), height)
    if kind == "cut":  # a step, and the way back through the coupling capacitor
        return height * np.exp(-np.arange(round(0.02 * rate_hz)) / (0.004 * rate_hz))
    length = rng.uniform(0.0003, 0.0015) * rate_hz  # static
    return height * rng.normal(0, 1, round(4 * length)) * np.exp(-np.arange(round(4 * length)) / length)


@pytest.mark.parametrize(
    ("kind", "least"), [("tick", 0.8), ("pop", 0.8), ("cut", 0.7)]
)  # some fall on programme as sharp
@pytest.mark.parametrize("rate_hz", [22050, 44100, 96000])
def test_most_loud_clicks_are_found_where_they_are_and_nothing_else(kind: str, least: float, rate_hz: int) -> None:
    hits, rng = [], np.random.default_rng(rate_hz)
    for make, seed in ((speech, 1), (music, 2)):
        samples, truth_s = with_hiss(make(rate_hz, seed), seed), []
        for at_s in np.arange(0.5, SECONDS - 1, 1.0):
            start = round((at_s + rng.uniform(0, 0.7)) * rate_hz)
            height = rng.choice([-1, 1]) * 10 ** (rng.uniform(-14, -3) / 20)
            wave = one_click(kind, height, rate_hz, rng)[:, None]
            samples[start : start + len(wave), [[0], [1], [0, 1]][rng.integers(3)]] += wave
            truth_s.append(start / rate_hz)
        found = clicks(np.clip(samples, -0.99, 0.99), rate_hz)
        hits += [any(abs(event.start_s - at_s) < 0.006 for event in found) for at_s in truth_s]
        assert all(min(abs(event.start_s - at_s) for at_s in truth_s) < 0.006 for event in found)
        assert all(not isinstance(event.depth_db, NotMeasured) and event.depth_db >= 10 for event in found)
    assert sum(hits) >= least * len(hits)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 96000])
def test_plosives_pulses_of_a_voice_and_struck_notes_are_none(rate_hz: int) -> None:
    for seed in (3, 4):
        assert clicks(with_hiss(speech(rate_hz, seed), seed), rate_hz) == []
        assert clicks(with_hiss(music(rate_hz, seed), seed), rate_hz) == []


def test_a_creaking_voice_and_a_drum_roll_are_none() -> None:
    rng, rate_hz = np.random.default_rng(5), 44100
    creak = np.zeros((10 * rate_hz, 2))
    for start in np.cumsum(rng.uniform(0.012, 0.021, 450) * rate_hz).astype(int):
        pulse = rng.normal(0, 0.2, 60) * np.exp(-np.arange(60) / 15)
        creak[start : start + 60] += pulse[:, None]
    assert len(clicks(with_hiss(creak, 5), rate_hz)) <= 1  # the first of them has none before
    roll = np.zeros((10 * rate_hz, 2))
    for start in np.cumsum(rng.uniform(0.05, 0.3, 50) * rate_hz).astype(int):
        rise = np.minimum(1, np.arange(6000) / 30)
        hit = rng.normal(0, 0.2, 6000) * rise * np.exp(-np.arange(6000) / 900)
        roll[start : start + 6000] += hit[:, None]
    assert clicks(with_hiss(roll, 6), rate_hz) == []


def test_the_edges_of_lost_samples_and_of_clipping_are_not_told_twice() -> None:
    samples = with_hiss(music(44100, 7), 7)
    samples[400_000:401_000] = 0
    samples = np.clip(samples * 6, -0.9, 0.9)
    assert clicks(samples, 44100) == []


def test_coarse_steps_in_digital_silence_are_none() -> None:
    assert clicks(programme.quantised(speech(16000, 8), 8), 16000) == []


def struck(rate_hz: int, seed: int) -> programme.Array:
    """Drums with a sharp beginning and a body far below it, more to the left or more to the right."""
    rng, count = np.random.default_rng(seed), SECONDS * rate_hz
    sound, seconds = np.zeros((count + rate_hz, 2)), np.arange(rate_hz // 2) / rate_hz
    fade = 0.5 + 0.5 * np.cos(2 * np.pi * seconds)
    for at in np.arange(0.3, SECONDS - 1, 0.4):
        body_hz, decay_s = rng.choice([55.0, 90.0, 180.0, 400.0, 1700.0]), rng.uniform(0.03, 0.15)
        beater = np.diff(rng.normal(0, 1, len(seconds) + 1)) * np.exp(-seconds / rng.uniform(0.0003, 0.0015))
        body = np.sin(2 * np.pi * (body_hz * seconds + 1 - np.exp(-seconds / 0.02))) * np.exp(-seconds / decay_s)
        place = rng.uniform(0.2, 0.8)
        hit = (body + rng.uniform(0.1, 0.5) * beater) * fade * rng.uniform(0.1, 0.4)
        start = round((at + rng.uniform(0, 0.03)) * rate_hz)
        sound[start : start + len(hit)] += hit[:, None] * [place, 1 - place]
    return sound[:count]


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_drums_struck_with_hard_beaters_are_none(rate_hz: int) -> None:
    for seed in (11, 12):
        assert clicks(with_hiss(struck(rate_hz, seed), seed), rate_hz) == []
