"""Phase jumps: samples taken out of tones from simulated decks, and tones with everything else that a tape does."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import programme
import pytest
import soundfile
from scipy import signal
from transport import Fault, Transport

from pipeline.capture import open_capture
from pipeline.demodulate import DemodulationCriteria, demodulate
from pipeline.events import JUMPED, EventKind
from pipeline.measurement import measure_capture
from pipeline.method import read_all_settings
from pipeline.phase_jumps import PhaseJumpCriteria, find_phase_jumps
from pipeline.settings import settings_from, shipped

TABLE = tomllib.loads((shipped("config") / "method.toml").read_text())
DEMODULATION = settings_from(DemodulationCriteria, TABLE["demodulation"], "method.toml")
CRITERIA = settings_from(PhaseJumpCriteria, TABLE["events"]["jumps"], "method.toml")
DECKS = {
    "good": Transport(faults=(Fault(0.5, 0.05), Fault(9.3, 0.04))),
    "worn": Transport(random_percent=0.1, faults=(Fault(0.5, 0.3), Fault(6.2, 0.2), Fault(9.3, 0.2), Fault(24.0, 0.1))),
    "scraping": Transport(faults=(Fault(9.3, 0.05), Fault(83.0, 0.1), Fault(147.0, 0.1), Fault(190.0, 0.05))),
    "broken": Transport(random_percent=0.3, faults=(Fault(4.0, 0.6), Fault(11.0, 0.8), Fault(50.0, 0.4))),
}


def jumps(samples: programme.Array, rate_hz: int, hz: float) -> tuple[int, ...]:
    tone = demodulate(programme.in_blocks(samples, 3 * rate_hz), rate_hz, hz, 0.0, DEMODULATION)
    return find_phase_jumps(lambda start, stop: samples[max(0, start) : stop], rate_hz, tone, CRITERIA)


def turns_of(deck: Transport, hz: float, rate_hz: int, seed: int, seconds: float = 30) -> programme.Array:
    """How many waves of the tone have come by each frame."""
    deviation = deck.deviation_percent(seconds, rate_hz, np.random.default_rng(seed))
    return np.asarray(np.cumsum(1 + deviation / 100) * (hz / rate_hz))


def played(
    deck: Transport, hz: float, rate_hz: int, seed: int, seconds: float = 30, hiss_dbfs: float = -55
) -> programme.Array:
    """A tone of -10 dBFS on both channels, its level wavering a little, hiss and hum."""
    rng = np.random.default_rng(seed)
    wave = np.sin(2 * np.pi * turns_of(deck, hz, rate_hz, seed, seconds))
    slow = signal.sosfilt(signal.butter(1, 8, fs=rate_hz, output="sos"), rng.normal(0, 1, len(wave)))
    wave *= 1 + 0.03 * slow / np.std(slow)
    hum = programme.hum(len(wave), rate_hz, 50.0, (-60, -80, -70))
    pair = programme.both(programme.at_level(wave, -10) + hum)
    return pair + programme.noise(len(wave), 2, seed + 1, hiss_dbfs)


def without(samples: programme.Array, rate_hz: int, seed: int) -> tuple[programme.Array, list[int], list[slice]]:
    """5 to 200 ms taken out about once a second: what is left, where it is missing there, and what is missing."""
    rng, kept = np.random.default_rng(seed), np.ones(len(samples), bool)
    starts = [round((at + rng.uniform(0, 0.5)) * rate_hz) for at in range(1, len(samples) // rate_hz - 1)]
    lost = [slice(start, start + round(0.005 * 40 ** rng.random() * rate_hz)) for start in starts]
    for part in lost:
        kept[part] = False
    return samples[kept], [int(kept[:start].sum()) for start in starts], lost


@pytest.mark.parametrize("deck", ["good", "worn", "scraping"])
@pytest.mark.parametrize(
    ("hz", "rate_hz"),
    [
        (1000.0, 44100),
        (440.0, 8000),
        pytest.param(3150.0, 96000, marks=pytest.mark.slow),
        pytest.param(315.0, 48000, marks=pytest.mark.slow),
    ],
)
def test_most_losses_of_more_than_a_tenth_of_a_wave_are_found_where_they_are(
    hz: float, rate_hz: int, deck: str
) -> None:
    turns = turns_of(DECKS[deck], hz, rate_hz, rate_hz)
    samples, at, lost = without(played(DECKS[deck], hz, rate_hz, rate_hz), rate_hz, rate_hz)
    found = np.array(jumps(samples, rate_hz, hz))
    beside = [abs((turns[part.stop] - turns[part.start] + 0.5) % 1 - 0.5) for part in lost]
    near = [int(np.abs(found - frame).min()) for frame in at]
    hits = [distance < 0.001 * rate_hz for distance, waves in zip(near, beside, strict=True) if waves > 0.1]
    assert len(hits) > 12
    assert sum(hits) >= 0.95 * len(hits)
    assert all(min(abs(frame - one) for one in at) < 0.001 * rate_hz for frame in found)


def test_a_loss_of_whole_waves_is_not_seen() -> None:
    samples = played(Transport(), 1000.0, 48000, 1)
    samples = np.delete(samples, slice(480_000, 480_480), axis=0)
    assert jumps(samples, 48000, 1000.0) == ()
    assert len(jumps(np.delete(samples, slice(700_000, 700_504), axis=0), 48000, 1000.0)) == 1


@pytest.mark.slow
@pytest.mark.parametrize("deck", DECKS)
@pytest.mark.parametrize(("hz", "rate_hz"), [(3150.0, 48000), (440.0, 44100), (10_000.0, 48000), (100.0, 22050)])
def test_wow_flutter_and_scrape_make_none(hz: float, rate_hz: int, deck: str) -> None:
    for seed, hiss_dbfs in ((2, -60), (3, -40)):
        assert jumps(played(DECKS[deck], hz, rate_hz, seed, 30, hiss_dbfs), rate_hz, hz) == ()


@pytest.mark.parametrize(("hz", "rate_hz"), [(3150.0, 96000), (400.0, 44100)])
def test_dropouts_and_clicks_in_the_tone_make_none(hz: float, rate_hz: int) -> None:
    samples, rng = played(DECKS["worn"], hz, rate_hz, 4), np.random.default_rng(4)
    for at_s in np.arange(0.5, 29, 0.4):
        start = round((at_s + rng.uniform(0, 0.2)) * rate_hz)
        gain = programme.fading(rng.uniform(0.003, 0.08), rng.uniform(6, 40), rng.uniform(0.0005, 0.004), rate_hz)
        samples[start : start + len(gain)] *= gain[:, None]
        samples[start - 3000 : start - 2998] += rng.uniform(-0.5, 0.5)
    assert jumps(samples, rate_hz, hz) == ()


def test_a_tone_that_stops_begins_again_or_becomes_another_has_none_there() -> None:
    first, second = played(DECKS["good"], 1000.0, 48000, 5, 10), played(DECKS["good"], 1000.0, 48000, 6, 10)
    pause = programme.noise(4800, 2, 7, -55)
    splice = np.linspace(0, 1, 960)[:, None]  # a cut at 45 degrees passes the gap in 20 ms and more
    spliced = np.concatenate([first[:-960], first[-960:] * (1 - splice) + second[:960] * splice, second[960:]])
    assert jumps(spliced, 48000, 1000.0) == ()
    assert jumps(np.concatenate([first, pause, second]), 48000, 1000.0) == ()
    assert jumps(np.concatenate([first, second * np.float32(0.5)]), 48000, 1000.0) == ()
    assert jumps(np.concatenate([first, played(DECKS["good"], 1060.0, 48000, 8, 10)]), 48000, 1000.0) == ()


@pytest.mark.parametrize("count", [4500, 9000])
def test_a_tone_too_short_to_be_asked_has_none(count: int) -> None:
    assert jumps(played(Transport(), 3150.0, 48000, 9)[:count], 48000, 3150.0) == ()


def test_a_capture_tells_a_jump_of_its_tone_as_a_gap_and_what_stands_there(tmp_path: Path) -> None:
    samples = played(DECKS["good"], 1000.0, 48000, 10, 12)
    samples = np.delete(samples, slice(300_000, 300_252), axis=0)
    soundfile.write(tmp_path / "tone.wav", samples, 48000, subtype="PCM_24")
    settings = read_all_settings()
    measured, _ = measure_capture(
        open_capture(tmp_path / "tone.wav"), (1000.0,), settings.method, settings.report.overview
    )
    (event,) = measured.events
    assert (event.kind, event.depth_db) == (EventKind.GAP, JUMPED)
    assert event.start_s == pytest.approx(300_000 / 48000, abs=0.0005)
