"""Clicks of known height in hiss of several colours, and hiss, coarse captures and quiet programme without any.

What is a click, and how far it stands out, is known because we put it there.
"""

from __future__ import annotations

import numpy as np
import pytest
from programme import both, drums_like, hum, in_blocks, music_like, noise, quantised, speech_like
from scipy import signal
from test_clicks import clicks

from pipeline.method import read_all_settings
from pipeline.octaves import Octaves
from pipeline.ranges import FoundRanges
from pipeline.small_clicks import SmallClickFinder

CRITERIA = read_all_settings().method.events.small_clicks
COLOURS = ("white", "dull", "brown", "bright", "band")


def hiss(colour, seconds, rate_hz, seed, level_dbfs):
    """(frames, 2) at this r.m.s."""
    made = noise(round(seconds * rate_hz), 2, seed, -30.0)
    if colour == "dull":
        made = signal.lfilter(*signal.butter(1, 3000, fs=rate_hz), made, axis=0)
    elif colour == "brown":
        made = signal.lfilter([1.0], [1.0, -0.95], made, axis=0)
    elif colour == "bright":
        made = signal.lfilter([1.0, -0.9], [1.0], made, axis=0)
    elif colour == "band":
        made = signal.sosfilt(signal.butter(4, 0.3 * rate_hz, fs=rate_hz, output="sos"), made, axis=0)
    return made / np.sqrt(np.mean(np.square(made))) * 10 ** (level_dbfs / 20)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("colour", ["white", "dull", "band"])
def test_nine_of_ten_small_clicks_in_hiss_are_found_and_nothing_else(colour, rate_hz):
    """Of 20 to 30 dB over the hiss, from one sample to 2 ms, also beside hum."""
    rng = np.random.default_rng([rate_hz, len(colour)])
    sound, truth_s = hiss(colour, 40, rate_hz, rate_hz, -52.0), []
    for at_s in np.arange(1.0, 39.0, 0.8):
        start, length = (
            round((at_s + rng.uniform(0, 0.2)) * rate_hz),
            round(rng.choice([0, 0.0003, 0.001, 0.002]) * rate_hz),
        )
        height = 10 ** ((rng.uniform(20, 30) - 52.0) / 20)
        sound[start : start + max(1, length), rng.integers(2)] += rng.choice([-1, 1]) * height
        truth_s.append(start / rate_hz)
    found = clicks(sound + hum(len(sound), rate_hz, 50.0, (-60, -76, -70))[:, None], rate_hz)
    hits = [any(abs(event.start_s - at_s) < 0.006 for event in found) for at_s in truth_s]
    assert sum(hits) >= 0.9 * len(hits)
    assert all(min(abs(event.start_s - at_s) for at_s in truth_s) < 0.006 for event in found)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("colour", COLOURS)
def test_hiss_of_any_colour_has_none(colour, rate_hz):
    for seed, level_dbfs in ((1, -45.0), (2, -62.0)):
        sound = hiss(colour, 20, rate_hz, 10 * rate_hz + seed, level_dbfs)
        assert clicks(quantised(sound, 16), rate_hz) == []


@pytest.mark.parametrize(("bits", "level_dbfs"), [(8, -58.0), (8, -52.0), (16, -108.0), (16, -101.0), (16, -97.0)])
def test_the_single_steps_of_a_capture_too_coarse_for_its_hiss_are_none(bits, level_dbfs):
    assert clicks(quantised(hiss("white", 30, 44_100, bits, level_dbfs), bits), 44_100) == []


@pytest.mark.parametrize("rate_hz", [22_050, 48_000])
def test_quiet_programme_over_hiss_has_none(rate_hz):
    for made in (
        both(speech_like(20, rate_hz, 71, -44)),
        music_like(20, rate_hz, 72, -44),
        drums_like(20, rate_hz, 73, -38),
    ):
        assert clicks(made + hiss("band", 20, rate_hz, 64, -56.0), rate_hz) == []


def test_rain_is_programme():
    rng, rate_hz = np.random.default_rng(9), 48_000
    rain = hiss("white", 20, rate_hz, 9, -32.0)
    for at in rng.integers(1000, len(rain) - 1000, 100):
        rain[at : at + 30] += 0.2 * rng.normal(0, 1, (30, 1))
    assert found_in(rain[:, 0], rate_hz, 1 << 16) == []


def found_in(samples, rate_hz, frames):
    chunk = Octaves(rate_hz).chunk
    finder = SmallClickFinder(rate_hz, chunk, FoundRanges(0, 1000), CRITERIA)
    for block in in_blocks(samples[: len(samples) // chunk * chunk], frames // chunk * chunk):
        pieces = block.reshape(-1, chunk)
        finder.look(block.astype(np.float32), np.ptp(pieces, axis=1).astype(np.float32))
    return [(one.start, one.stop) for one in finder.found.ranges]


def test_where_the_pieces_are_cut_changes_nothing():
    sound = hiss("white", 12, 44_100, 3, -50.0)[:, 0]
    for at in range(30_000, 500_000, 21_111):
        sound[at] += 0.05
    whole = found_in(sound, 44_100, len(sound) + 1000)
    assert len(whole) >= 20
    assert all(found_in(sound, 44_100, frames) == whole for frames in (500, 1 << 12, 1 << 16))
