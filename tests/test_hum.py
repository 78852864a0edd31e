"""Hum: lines put in at known frequency and level; tape hum moves with the tape's speed, deck hum does not."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

import numpy as np
import programme
import pytest

from pipeline.hum import HumCriteria, HumLine, HumMeter, HumOrigin
from pipeline.regions import Region, RegionKind
from pipeline.settings import settings_from, shipped

LEADER_S, SILENCE_S, PROGRAMME_S = 5, 8, 40
REGIONS = (
    Region(RegionKind.LEADER, 0, LEADER_S),
    Region(RegionKind.SILENCE, LEADER_S, LEADER_S + SILENCE_S),
    Region(RegionKind.PROGRAMME, LEADER_S + SILENCE_S, LEADER_S + SILENCE_S + PROGRAMME_S),
)
MUSIC_ALONE = (Region(RegionKind.PROGRAMME, 0, PROGRAMME_S),)


def measured(samples: programme.Array, rate_hz: int, regions: Sequence[Region]) -> tuple[HumLine, ...]:
    table = tomllib.loads((shipped("config") / "method.toml").read_text())["hum"]
    meter = HumMeter(rate_hz, samples.shape[1], settings_from(HumCriteria, table, "method.toml"))
    for block in programme.in_blocks(samples, 2 * rate_hz + 333):
        meter.feed(block)
    return meter.measure_hum(regions)


def side(
    rate_hz: int, seed: int, deck_hum: programme.Array | float, tape_hum: programme.Array | float
) -> programme.Array:
    """Leader, silence and music; the tape's hum and hiss begin with the tape."""
    count, tape = (LEADER_S + SILENCE_S + PROGRAMME_S) * rate_hz, LEADER_S * rate_hz
    samples = programme.noise(count, 2, seed, -85) + 0.01  # an offset is no hum
    samples[tape:] += programme.noise(count - tape, 2, seed + 1, -56)
    samples[(LEADER_S + SILENCE_S) * rate_hz :] += programme.music_like(PROGRAMME_S, rate_hz, seed)
    samples += np.broadcast_to(np.asarray(deck_hum), count)[:, None]
    samples[tape:] += np.broadcast_to(np.asarray(tape_hum), count)[tape:, None]
    return samples.astype(np.float32)


@pytest.mark.parametrize(("rate_hz", "mains_hz"), [(8000, 50.03), (22050, 59.97)])
def test_hum_that_stands_in_the_leader_is_the_decks(rate_hz: int, mains_hz: float) -> None:
    levels = (-58.0, -72.0, -63.0)
    lines = measured(side(rate_hz, 1, programme.hum(53 * rate_hz, rate_hz, mains_hz, levels), 0.0), rate_hz, REGIONS)
    assert [line.origin for line in lines] == [HumOrigin.DECK] * 3
    for order, (line, level) in enumerate(zip(lines, levels, strict=True), start=1):
        assert line.hz == pytest.approx(order * mains_hz, abs=0.02)
        assert line.level_dbfs == pytest.approx(level, abs=0.5)


@pytest.mark.parametrize(("seed", "speed"), [(2, 0.985), (3, 1.0), (4, 1.03)])
def test_hum_that_stands_only_where_tape_plays_is_on_the_tape_and_moves_with_its_speed(seed: int, speed: float) -> None:
    hum = programme.hum(53 * 11025, 11025, 50.0 * speed, (-50, -60, -52), seed)
    lines = measured(side(11025, seed, 0.0, hum), 11025, REGIONS)[:3]
    assert [line.origin for line in lines] == [HumOrigin.TAPE] * 3
    assert lines[0].hz == pytest.approx(50.0 * speed, abs=0.02)
    assert lines[0].level_dbfs == pytest.approx(-50.0, abs=0.5)


def test_deck_hum_and_tape_hum_one_and_a_half_percent_apart_are_told_apart() -> None:
    deck = programme.hum(53 * 8000, 8000, 50.0, (-50, -70, -55), 5)
    tape = programme.hum(53 * 8000, 8000, 50.0 * 0.985, (-48, -70, -54), 6)
    lines = measured(side(8000, 7, deck, tape), 8000, REGIONS)
    assert [line.origin for line in lines[:2]] == [HumOrigin.TAPE, HumOrigin.DECK]
    assert [line.hz for line in lines[:2]] == pytest.approx([49.25, 50.0], abs=0.02)


@pytest.mark.parametrize("speed", [0.986, 0.9935, 1.009])
def test_a_short_leader_still_tells_deck_hum_from_tape_hum_close_beside_it(speed: float) -> None:
    """3 s of leader show the deck's line as broad as 0.7 Hz to either side."""
    deck = programme.hum(53 * 8000, 8000, 50.0, (-50, -90, -56), 5)
    tape = programme.hum(53 * 8000, 8000, 50.0 * speed, (-52, -90, -90), 6)
    leader, *others = REGIONS
    lines = measured(side(8000, 7, deck, tape), 8000, (Region(RegionKind.LEADER, 2, leader.stop_s), *others))
    told = {line.origin: line.hz for line in lines if line.hz < 55}
    assert told == {
        HumOrigin.DECK: pytest.approx(50.0, abs=0.05),
        HumOrigin.TAPE: pytest.approx(50.0 * speed, abs=0.05),
    }


def test_without_a_leader_hum_at_mains_frequency_may_be_either() -> None:
    samples = side(8000, 8, programme.hum(53 * 8000, 8000, 50.0, (-50, -60, -52)), 0.0)
    lines = measured(samples, 8000, REGIONS[1:])
    assert {line.origin for line in lines} == {HumOrigin.UNKNOWN}


def test_hum_in_one_channel_is_read_at_its_level_there() -> None:
    samples = side(8000, 9, 0.0, 0.0)
    samples[:, 1] += programme.hum(len(samples), 8000, 50.0, (-50, -60, -55))
    assert measured(samples, 8000, REGIONS)[0].level_dbfs == pytest.approx(-50.0, abs=0.5)


@pytest.mark.parametrize("seed", range(10, 16))
def test_bass_lines_and_voices_are_no_hum(seed: int) -> None:
    music = programme.music_like(PROGRAMME_S, 8000, seed)
    speech = programme.both(programme.speech_like(PROGRAMME_S, 8000, seed))
    assert measured(music + programme.noise(len(music), 2, seed, -55), 8000, MUSIC_ALONE) == ()
    assert measured(speech, 8000, MUSIC_ALONE) == ()


def test_hum_under_speech_is_found_with_no_quiet_stretch_to_look_in() -> None:
    speech = programme.speech_like(PROGRAMME_S, 8000, 17)
    speech = speech + programme.hum(len(speech), 8000, 50.0, (-50, -60, -52))
    lines = measured(speech[:, None], 8000, MUSIC_ALONE)
    assert lines[0].hz == pytest.approx(50.0, abs=0.1)


@pytest.mark.parametrize("count", [0, 5, 900, 90000])
def test_a_short_or_silent_capture_has_no_hum(count: int) -> None:
    samples = np.zeros((count, 2), np.float32)
    assert measured(samples, 44100, [Region(RegionKind.LEADER, 0, max(count / 44100, 0.001))]) == ()


@pytest.mark.parametrize("seed", range(20, 24))
def test_hiss_alone_is_no_hum(seed: int) -> None:
    samples = programme.noise(6 * 8000, 1, seed, -40)
    assert measured(samples, 8000, [Region(RegionKind.SILENCE, 0, 6)]) == ()
