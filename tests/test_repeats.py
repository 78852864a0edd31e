"""Repeated blocks: copies put into programme at known places, and machine-made sounds that repeat themselves."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

import numpy as np
import programme
import pytest

from pipeline.events import REPEATED, Event, EventCriteria, EventKind, EventMeter
from pipeline.settings import settings_from, shipped

SECONDS = 20


def gaps(samples: programme.Array, rate_hz: int, block_frames: int = 0) -> list[Event]:
    table = tomllib.loads((shipped("config") / "method.toml").read_text())["events"]
    meter = EventMeter(rate_hz, samples.shape[1], settings_from(EventCriteria, table, "method.toml"))
    for block in programme.in_blocks(samples.astype(np.float32), block_frames or 2 * rate_hz + 11):
        meter.feed(block)
    return [event for event in meter.measure_events(()) if event.kind is EventKind.GAP]


def repeats(samples: programme.Array, rate_hz: int) -> list[Event]:
    return [event for event in gaps(samples, rate_hz) if event.depth_db == REPEATED]


def captured(sound: programme.Array, seed: int, bits: int, hiss_dbfs: float = -58) -> programme.Array:
    return programme.quantised(sound + programme.noise(len(sound), sound.shape[1], seed, hiss_dbfs), bits)


def speech(rate_hz: int, seed: int, seconds: float = SECONDS) -> programme.Array:
    return programme.both(programme.speech_like(seconds, rate_hz, seed))


def music(rate_hz: int, seed: int, seconds: float = SECONDS) -> programme.Array:
    return programme.music_like(seconds, rate_hz, seed)


def with_repeats(
    samples: programme.Array, rate_hz: int, seed: int
) -> tuple[programme.Array, list[tuple[float, float]]]:
    """Blocks of 5.2 to 120 ms once more, 0 to 400 ms behind; in place of what followed, or put in between."""
    rng, parts, truth, at, count = np.random.default_rng(seed), [], [], 0, 0
    for at_s in np.arange(0.8, len(samples) / rate_hz - 0.5, 0.7):
        start, length = round((at_s + rng.uniform(0, 0.1)) * rate_hz), round(0.0052 * 23 ** rng.random() * rate_hz)
        behind = length if rng.random() < 0.5 else round(rng.uniform(length, 0.4 * rate_hz))
        parts += [samples[at:start], samples[start - behind : start - behind + length]]
        if start - behind < at:  # it would reach back beyond the last loss
            parts[-1] = samples[start - length : start]
        count += start - at
        truth.append((count / rate_hz, (count + length) / rate_hz))
        count += length
        at = start + (length if rng.random() < 0.5 else 0)
    return np.concatenate([*parts, samples[at:]]), truth


def hits_among(found: list[Event], truth: list[tuple[float, float]]) -> int:
    """How many are found where they are, to the sample or two; nothing else may be."""
    assert all(any(abs(event.start_s - start_s) < 0.0006 for start_s, _ in truth) for event in found)
    assert {event.depth_db for event in found} <= {REPEATED}
    starts_stops = [(event.start_s, event.stop_s) for event in found]
    return sum(any(max(abs(a - start), abs(b - stop)) < 0.0006 for a, b in starts_stops) for start, stop in truth)


@pytest.mark.parametrize(("rate_hz", "bits"), [(8000, 16), (44100, 16), (48000, 24), (96000, 24)])
def test_blocks_written_twice_are_found_where_they_are(rate_hz: int, bits: int) -> None:
    hits, count = 0, 0
    for make, seed in ((speech, 1), (music, 2)):
        samples, truth = with_repeats(captured(make(rate_hz, seed), seed, bits), rate_hz, seed)
        hits, count = hits + hits_among(gaps(samples, rate_hz), truth), count + len(truth)
    assert hits >= 0.99 * count


def test_a_floating_point_capture_and_a_dead_channel_hide_none() -> None:
    samples = music(44100, 3) + programme.noise(SECONDS * 44100, 2, 3, -60)
    samples[:, 0] = 0
    repeated, truth = with_repeats(samples, 44100, 3)
    assert hits_among(gaps(repeated, 44100), truth) == len(truth)
    assert hits_among(gaps(repeated[:, 1:], 44100), truth) == len(truth)


def test_a_buffer_written_four_times_is_one_gap() -> None:
    samples = captured(speech(48000, 4), 4, 16)
    block = samples[400_000:401_024]
    repeated = np.concatenate([samples[:401_024], block, block, block, samples[401_024:]])
    (event,) = gaps(repeated, 48000)
    assert (round(event.start_s * 48000), round(event.stop_s * 48000)) == (401_024, 401_024 + 3 * 1024)


@pytest.mark.parametrize("block_frames", [1000, 10**7])
def test_the_size_of_blocks_changes_nothing(block_frames: int) -> None:
    samples, truth = with_repeats(captured(music(22050, 5), 5, 16), 22050, 5)
    whole = gaps(samples, 22050)
    assert len(whole) == len(truth)
    assert gaps(samples, 22050, block_frames) == whole


def machine_made(rate_hz: int) -> Iterator[tuple[str, programme.Array]]:
    rng, seconds = np.random.default_rng(rate_hz), np.arange(10 * rate_hz) / rate_hz
    for hz in (1000.0, 440.0, 100.0, 50.0, rate_hz / 480, rng.uniform(30, 300), rng.uniform(300, 3000)):
        tone = 0.5 * np.sin(2 * np.pi * hz * seconds)
        yield f"tone of {hz:.2f} Hz", tone
        yield f"quiet tone of {hz:.2f} Hz", 0.003 * tone
        yield f"beats of {hz:.2f} Hz", tone * (seconds % 0.25 < 0.1)
        yield f"swelling tone of {hz:.2f} Hz", tone * (1 + 0.5 * np.sin(4 * np.pi * seconds)) / 2
        yield f"decaying tone of {hz:.2f} Hz", tone * np.exp(-(seconds % 0.5) / 0.05)
        yield f"square wave of {hz:.2f} Hz", 0.5 * np.sign(tone + 1e-9)
    yield "silence", 0 * seconds
    yield "direct voltage", 0 * seconds + 0.1
    for bits in (8, 16):
        yield f"dither of {bits} bits", (rng.random(len(seconds)) + rng.random(len(seconds)) - 1) / 2 ** (bits - 1)


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000])
def test_machine_made_tones_silence_and_dither_are_none(rate_hz: int, bits: int) -> None:
    for name, sound in machine_made(rate_hz):
        assert repeats(programme.quantised(programme.both(sound), bits), rate_hz) == [], name


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_programme_has_none_at_any_word_length_also_as_one_signal_in_two_channels(bits: int) -> None:
    for make, seed in ((speech, 6), (music, 7)):
        sound = make(22050, seed, 60)
        assert repeats(captured(sound, seed, bits), 22050) == []
        assert repeats(programme.quantised(programme.both(sound[:, 0]), bits), 22050) == []
        assert repeats(programme.quantised(sound * 0.01, bits), 22050) == []
