"""Dropouts: put at known places into what comes off the tape, programme and hiss alike; the deck's own noise stays."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import programme
import pytest
from scipy import signal

from pipeline.events import Event, EventCriteria, EventKind, EventMeter
from pipeline.records import NotMeasured
from pipeline.regions import Region, RegionKind
from pipeline.settings import settings_from, shipped

SECONDS = 40
SLACK_S = 0.02


@dataclass(frozen=True)
class Drop:
    start_s: float
    stop_s: float
    depth_db: float


def dropouts(samples: programme.Array, rate_hz: int, regions: Sequence[Region] = ()) -> list[Event]:
    table = tomllib.loads((shipped("config") / "method.toml").read_text())["events"]
    meter = EventMeter(rate_hz, samples.shape[1], settings_from(EventCriteria, table, "method.toml"))
    for block in programme.in_blocks(samples.astype(np.float32), 5 * rate_hz + 17):
        meter.feed(block)
    return [event for event in meter.measure_events(regions) if event.kind is EventKind.DROPOUT]


def on_tape(sound: programme.Array, rate_hz: int, seed: int, hiss_dbfs: float = -55) -> programme.Array:
    """With the tape's hiss, which falls above 12 kHz."""
    hiss = programme.noise(len(sound), 2, seed + 100, 0.0)
    if rate_hz > 30_000:
        hiss = signal.sosfilt(signal.butter(1, 12_000, fs=rate_hz, output="sos"), hiss, axis=0)
    return sound + programme.at_level(hiss, hiss_dbfs)


def through_deck(tape: programme.Array, rate_hz: int, seed: int, electronics_dbfs: float = -78) -> programme.Array:
    hum = programme.hum(len(tape), rate_hz, 50.0, (-66, -80, -72))[:, None]
    return programme.quantised(tape + hum + programme.noise(len(tape), 2, seed + 200, electronics_dbfs), 24)


def speech(rate_hz: int, seed: int, gain_db: float = 0.0, seconds: float = SECONDS) -> programme.Array:
    return programme.both(programme.speech_like(seconds, rate_hz, seed, -22 + gain_db))


def music(rate_hz: int, seed: int, gain_db: float = 0.0, seconds: float = SECONDS) -> programme.Array:
    return programme.music_like(seconds, rate_hz, seed, -20 + gain_db)


def with_drops(
    tape: programme.Array, rate_hz: int, seed: int, every_s: float = 2.0
) -> tuple[programme.Array, list[Drop]]:
    """20 to 250 ms and 15 to 30 dB; on the left, the right or both, half of them weaker below 1.5 kHz."""
    rng, tape, truth = np.random.default_rng(seed), tape.copy(), []
    for at_s in np.arange(1.0, len(tape) / rate_hz - every_s, every_s):
        start = round((at_s + rng.uniform(0, every_s - 0.5)) * rate_hz)
        length_s, depth_db, edge_s = 0.02 * 12.5 ** rng.random(), rng.uniform(15, 30), rng.uniform(0.001, 0.005)
        gain = programme.fading(length_s + edge_s, depth_db, edge_s, rate_hz)[:, None]
        part = slice(start, start + len(gain))
        chosen = [[0], [1], [0, 1]][rng.integers(3)]
        if rng.random() < 0.5:
            before = max(0, start - rate_hz // 10)
            low = signal.sosfilt(signal.butter(1, 1500, fs=rate_hz, output="sos"), tape[before : part.stop], axis=0)
            low = low[start - before :].astype(np.float32)
            tape[part, chosen] = (low * gain**0.6 + (tape[part] - low) * gain)[:, chosen]
        else:
            tape[part, chosen] *= gain
        truth.append(Drop(start / rate_hz, part.stop / rate_hz, depth_db))
    return tape, truth


def meets(event: Event, drop: Drop) -> bool:
    return event.start_s < drop.stop_s + SLACK_S and event.stop_s > drop.start_s - SLACK_S


def hits_and_misses(rate_hz: int, gain_db: float, seeds: Sequence[int]) -> list[bool]:
    """Whether each dropout was found; nothing else may be."""
    hits = []
    for seed in seeds:
        for make in (speech, music):
            tape, truth = with_drops(on_tape(make(rate_hz, seed, gain_db), rate_hz, seed), rate_hz, seed)
            found = dropouts(through_deck(tape, rate_hz, seed), rate_hz)
            hits += [any(meets(event, drop) for event in found) for drop in truth]
            assert all(any(meets(event, drop) for drop in truth) for event in found)
    return hits


def test_nineteen_dropouts_of_twenty_are_found_and_nothing_else() -> None:
    hits = [
        hit for gain_db, seed in ((-14.0, 1), (0.0, 2), (6.0, 3)) for hit in hits_and_misses(44100, gain_db, [seed])
    ]
    assert len(hits) > 100
    assert sum(hits) >= 0.95 * len(hits)


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [48000, 96000, 192000])
def test_the_same_holds_at_every_rate_that_masters_have(rate_hz: int) -> None:
    hits = [
        hit for gain_db, seed in ((-14.0, 4), (0.0, 5), (6.0, 6)) for hit in hits_and_misses(rate_hz, gain_db, [seed])
    ]
    assert sum(hits) >= 0.95 * len(hits)


@pytest.mark.parametrize("hiss_dbfs", [-66, -48])
@pytest.mark.parametrize("gain_db", [-25.0, 6.0])
def test_whole_programme_has_none(gain_db: float, hiss_dbfs: float) -> None:
    for make, seed in ((speech, 5), (music, 6)):
        tape = on_tape(make(44100, seed, gain_db), 44100, seed, hiss_dbfs)
        assert dropouts(through_deck(tape, 44100, seed), 44100) == []


def test_programme_without_any_hiss_has_none() -> None:
    for make, seed in ((speech, 7), (music, 8)):
        assert dropouts(programme.quantised(make(44100, seed), 16), 44100) == []
        assert dropouts(programme.quantised(make(44100, seed), 24), 44100) == []


def test_rests_between_hard_struck_notes_are_none_but_a_loss_of_tape_as_long_is() -> None:
    rate_hz, rng = 48000, np.random.default_rng(9)
    at = np.arange(SECONDS * rate_hz)
    chord = sum(
        np.sin(2 * np.pi * hz / rate_hz * at + rng.uniform(0, 6)) / (1 + hz / 900) for hz in 220 * np.arange(1, 40)
    )
    beats = at / rate_hz % 0.5
    held = np.clip(np.minimum(beats, 0.42 - beats) / 0.003, 0, 1)  # 80 ms of rest, edges of 3 ms
    tape = on_tape(programme.both(programme.at_level(chord * held, -20)), rate_hz, 9)
    assert dropouts(through_deck(tape, rate_hz, 9), rate_hz) == []
    start = round(20.1 * rate_hz)
    gain = programme.fading(0.08, 30, 0.003, rate_hz)
    tape[start : start + len(gain)] *= gain[:, None]
    found = dropouts(through_deck(tape, rate_hz, 9), rate_hz)
    assert [round(event.start_s, 2) for event in found] == [20.1]


@pytest.mark.parametrize(("length_s", "depth_db"), [(0.02, 15.0), (0.05, 20.0), (0.3, 25.0)])
@pytest.mark.parametrize("rate_hz", [44100, 96000, 192000])
def test_place_length_and_depth_are_told(rate_hz: int, length_s: float, depth_db: float) -> None:
    tone = programme.both((0.1 * np.sin(2 * np.pi * 3150 / rate_hz * np.arange(8 * rate_hz))).astype(np.float32))
    tape = on_tape(tone, rate_hz, 10, -55)
    start = round(4.2 * rate_hz)
    gain = programme.fading(length_s + 0.003, depth_db, 0.003, rate_hz)
    tape[start : start + len(gain), 1] *= gain
    (event,) = dropouts(through_deck(tape, rate_hz, 10, -90), rate_hz)
    assert event.start_s == pytest.approx(4.2015, abs=0.004)
    assert event.stop_s - event.start_s == pytest.approx(length_s, abs=0.006)
    assert not isinstance(event.depth_db, NotMeasured)
    assert event.depth_db == pytest.approx(depth_db, abs=3.0)


def test_a_dropout_in_the_hiss_between_words_is_found_and_one_in_the_leader_is_not() -> None:
    tape = on_tape(np.zeros((20 * 48000, 2), np.float32), 48000, 11)
    for at_s in (3.0, 12.0):
        start = round(at_s * 48000)
        gain = programme.fading(0.06, 20, 0.003, 48000)
        tape[start : start + len(gain)] *= gain[:, None]
    assert [round(event.start_s) for event in dropouts(through_deck(tape, 48000, 11), 48000)] == [3, 12]
    tape[: 6 * 48000] *= 0.2
    leader = [Region(RegionKind.LEADER, 0.0, 6.0)]
    assert [round(event.start_s) for event in dropouts(through_deck(tape, 48000, 11), 48000, leader)] == [12]


def test_neither_a_leader_nor_another_hiss_is_a_dropout() -> None:
    tape = on_tape(music(44100, 12), 44100, 12)
    tape[: 6 * 44100] = 0
    tape[20 * 44100 :] *= 0.4  # as if the tape went on with another recording
    assert dropouts(through_deck(tape, 44100, 12), 44100) == []


@pytest.mark.parametrize("rate_hz", [8000, 16000])
def test_where_no_octave_shows_hiss_none_is_told(rate_hz: int) -> None:
    tape, _ = with_drops(on_tape(speech(rate_hz, 13), rate_hz, 13), rate_hz, 13)
    assert dropouts(through_deck(tape, rate_hz, 13), rate_hz) == []


@pytest.mark.slow
def test_half_an_hour_of_programme_has_one_false_dropout_at_most() -> None:
    false = 0
    for seed in range(20, 35):
        for make in (speech, music):
            rng = np.random.default_rng(seed)
            tape = on_tape(make(44100, seed, rng.uniform(-20, 6), 60), 44100, seed, rng.uniform(-66, -46))
            false += len(dropouts(through_deck(tape, 44100, seed), 44100))
    assert false <= 1


@pytest.mark.parametrize("seed", range(3))
def test_held_notes_that_let_the_hiss_through_at_every_change_drop_nothing_out(seed: int) -> None:
    """Notes of an organ reach into the top octave and stand still there; all let go together for 25 ms now and then."""
    rate_hz, pause_s, played_s = 48_000, 4.0, 30.0
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(played_s * rate_hz)) / rate_hz
    notes = sum(np.sin(2 * np.pi * hz * at_s + rng.uniform(0, 6)) for hz in rng.uniform(200, 2000, 8))
    wind = signal.sosfilt(signal.butter(2, 9000, "high", fs=rate_hz, output="sos"), rng.standard_normal(len(at_s)))
    held = programme.at_level(notes[:, None], -18) + programme.at_level(wind[:, None], -50 + seed)
    change = programme.fading(0.03, 60.0, 0.004, rate_hz)
    for start_s in np.arange(1.5, played_s - 1, 1.9):
        start = round(start_s * rate_hz)
        held[start : start + len(change), 0] *= change
    sound = np.concatenate([np.zeros((round(pause_s * rate_hz), 1)), held, np.zeros((round(pause_s * rate_hz), 1))])
    tape = on_tape(programme.both(sound[:, 0]), rate_hz, seed, -56)
    stop_s = pause_s + played_s
    regions = [
        Region(RegionKind.SILENCE, 0.0, pause_s),
        Region(RegionKind.PROGRAMME, pause_s, stop_s),
        Region(RegionKind.SILENCE, stop_s, stop_s + pause_s),
    ]
    assert dropouts(through_deck(tape, rate_hz, seed), rate_hz, regions) == []
    start = round((pause_s + 12.3) * rate_hz)
    lost = programme.fading(0.06, 20.0, 0.003, rate_hz)
    tape[start : start + len(lost)] *= lost[:, None]
    (found,) = dropouts(through_deck(tape, rate_hz, seed), rate_hz, regions)
    assert found.start_s == pytest.approx(pause_s + 12.3, abs=SLACK_S)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reeds_that_let_go_between_two_strokes_drop_nothing_out(seed: int) -> None:
    """A squeeze-box: all it plays falls by 14 dB there, but the highest octave no further than to the hiss."""
    rate_hz, rng = 48_000, np.random.default_rng(seed)
    t = np.arange(SECONDS * rate_hz) / rate_hz
    beat_s = rng.uniform(0.35, 0.5)
    strokes = np.floor(t / beat_s)
    along_s = t - strokes * beat_s
    lets_go = np.clip(along_s / 0.012, 0, 1) * np.clip((beat_s - 0.012 - along_s) / 0.012, 0, 1)
    chords = rng.choice([196.0, 261.6, 293.7, 329.6], (round(SECONDS / beat_s) + 2, 1)) * [1, 1.26, 1.5]
    sound = np.zeros(len(t))
    for voice in range(3):
        for detuned in (0.998, 1.0, 1.0025):
            turns = np.cumsum(chords[strokes.astype(int), voice] * detuned) / rate_hz
            sound += signal.sawtooth(2 * np.pi * turns)
    sound = signal.sosfilt(signal.butter(2, 4000, fs=rate_hz, output="sos"), sound * (0.2 + 0.8 * lets_go))
    sound[: 4 * rate_hz] = 0
    played = np.repeat(programme.at_level(sound[:, None], -16), 2, axis=1)
    capture = through_deck(on_tape(played, rate_hz, seed, -60), rate_hz, seed)
    assert (
        dropouts(capture, rate_hz, [Region(RegionKind.SILENCE, 0, 4), Region(RegionKind.PROGRAMME, 4, SECONDS)]) == []
    )


def dense(rate_hz: int, seed: int, seconds: float = SECONDS) -> programme.Array:
    """A band that plays into a limiter, (frames, 2): strings and open cymbals leave hiss no moment in any octave."""
    rng, t = np.random.default_rng(seed), np.arange(round(seconds * rate_hz)) / rate_hz
    strings = sum(
        signal.sawtooth(2 * np.pi * (hz * t + 0.3 * np.sin(2 * np.pi * rng.uniform(4, 6) * t + rng.uniform(0, 6))))
        for hz in rng.choice([196.0, 233.1, 293.7, 349.2, 440.0], 4, replace=False)
    )
    cymbals = programme.noise(len(t), 2, seed, 0.0) * np.exp(-(t % rng.uniform(0.5, 0.9)) / 0.6)[:, None]
    band = [
        programme.at_level(strings[:, None] * [1.0, 0.8], -20),
        programme.at_level(np.diff(cymbals, axis=0, prepend=0), -26),
        music(rate_hz, seed, 2.0, seconds),
        programme.drums_like(seconds, rate_hz, seed, -20.0),
    ]
    return programme.at_level(np.tanh(3 * sum(band)), -11)


def between_pauses(
    sound: programme.Array, rate_hz: int, seed: int, hiss_dbfs: float = -60
) -> tuple[programme.Array, list[Region]]:
    pause_s, pause = 3.0, np.zeros((3 * rate_hz, 2), np.float32)
    stop_s = pause_s + len(sound) / rate_hz
    regions = [
        Region(RegionKind.SILENCE, 0.0, pause_s),
        Region(RegionKind.PROGRAMME, pause_s, stop_s),
        Region(RegionKind.SILENCE, stop_s, stop_s + pause_s),
    ]
    return on_tape(np.concatenate([pause, sound, pause]), rate_hz, seed, hiss_dbfs), regions


def test_where_a_dense_band_covers_hiss_four_dropouts_of_five_are_found_and_nothing_else() -> None:
    rate_hz, hits = 44100, []
    for seed in (31, 32):
        tape, regions = between_pauses(dense(rate_hz, seed), rate_hz, seed)
        assert dropouts(through_deck(tape, rate_hz, seed), rate_hz, regions) == []
        tape, truth = with_drops(tape, rate_hz, seed, 4.0)
        truth = [drop for drop in truth if drop.start_s > 3.1 and drop.stop_s < SECONDS + 2.9]
        found = dropouts(through_deck(tape, rate_hz, seed), rate_hz, regions)
        hits += [any(meets(event, drop) for event in found) for drop in truth]
    assert len(hits) >= 18
    assert sum(hits) >= 0.8 * len(hits)


@pytest.mark.parametrize(("seed", "pauses_db"), [(41, 0.0), (42, 0.0), (43, -4.0)])
def test_a_band_that_stops_as_one_drops_nothing_out(seed: int, pauses_db: float) -> None:
    """Also where hiss is weaker in the pauses, as on tape that was never recorded on."""
    rate_hz, rng = 48_000, np.random.default_rng(seed)
    sound = dense(rate_hz, seed)
    for at_s in np.arange(3.0, SECONDS - 3, 5.5) + rng.uniform(0, 2, 7):
        start, rest = round(at_s * rate_hz), programme.fading(rng.uniform(0.06, 0.3), 80, 0.006, rate_hz)
        sound[start : start + len(rest)] *= rest[:, None]
    tape, regions = between_pauses(sound, rate_hz, seed)
    for pause in (slice(0, 3 * rate_hz), slice(-3 * rate_hz, None)):
        tape[pause] *= 10 ** (pauses_db / 20)
    assert dropouts(through_deck(tape, rate_hz, seed), rate_hz, regions) == []
