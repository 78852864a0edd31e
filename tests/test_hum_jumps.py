"""Jumps of hum: samples taken out of hum that the electronics make, and hum with all that may look alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import programme
import pytest
import soundfile

from pipeline.capture import open_capture
from pipeline.events import HUM_JUMPED, EventKind
from pipeline.hum import HumMeter
from pipeline.measurement import measure_capture
from pipeline.method import read_all_settings
from pipeline.regions import Region, RegionKind

METHOD = read_all_settings().method
LEADER_S, SECONDS = 6, 90
ELECTRONICS, TAPE = (-60.0, -70.0, -64.0, -80.0), (-58.0, -70.0, -62.0)


@dataclass(frozen=True)
class Waves:
    """How many waves of mains, or of what was recorded of it, have come by each frame."""

    rate_hz: int
    mains_hz: float
    seed: int

    def steady(self) -> programme.Array:
        """Mains, some hundredths of a hertz off and wandering by as much within a minute."""
        rng, seconds = np.random.default_rng(self.seed), np.arange(SECONDS * self.rate_hz) / self.rate_hz
        wander_hz = 0.05 * np.sin(2 * np.pi * (seconds / 60 + rng.random())) + rng.normal(0, 0.02)
        return np.asarray(np.cumsum(self.mains_hz + wander_hz) / self.rate_hz)

    def recorded(self, speed: float, wow_percent: float) -> programme.Array:
        rng, seconds = np.random.default_rng(self.seed + 1), np.arange(SECONDS * self.rate_hz) / self.rate_hz
        wow = sum(np.sin(2 * np.pi * (hz * seconds + rng.random())) for hz in (0.6, 2.2, 8.0)) / np.sqrt(1.5)
        return np.asarray(np.cumsum(speed * self.mains_hz * (1 + wow_percent / 100 * wow)) / self.rate_hz)


def hum(waves: programme.Array, levels_dbfs: Sequence[float], seed: int) -> programme.Array:
    rng = np.random.default_rng(seed)
    return np.asarray(
        sum(
            np.sqrt(2) * 10 ** (level / 20) * np.cos(2 * np.pi * (order * waves + rng.random()))
            for order, level in enumerate(levels_dbfs, start=1)
        )
    )


def played(
    waves: Waves, electronics: programme.Array | float, tape: programme.Array | float = 0.0, leader: bool = True
) -> programme.Array:
    """Leader, and tape without programme; hiss as loud within 272 Hz as a tape's of -56 dBFS."""
    count, begins = SECONDS * waves.rate_hz, LEADER_S * waves.rate_hz if leader else 0
    hiss_dbfs = -56 + 10 * np.log10(waves.rate_hz / 48_000)
    samples = programme.noise(count, 2, waves.seed + 2, hiss_dbfs - 25)
    samples += np.broadcast_to(np.asarray(electronics), count)[:, None] * [1.0, 0.6]
    of_tape = programme.noise(count, 2, waves.seed + 3, hiss_dbfs) + np.broadcast_to(np.asarray(tape), count)[:, None]
    samples[begins:] += of_tape[begins:]
    return samples.astype(np.float32)


def jumps(samples: programme.Array, rate_hz: int, leader: bool = True) -> programme.Array:
    """Their seconds."""
    begins = LEADER_S if leader else 0
    regions = [Region(RegionKind.SILENCE, begins, len(samples) / rate_hz)]
    if leader:
        regions.insert(0, Region(RegionKind.LEADER, 0, LEADER_S))
    meter = HumMeter(rate_hz, 2, METHOD.hum)
    for block in programme.in_blocks(samples, 2 * rate_hz + 77):
        meter.feed(block)
    lines = meter.measure_hum(regions)
    return np.array(meter.find_jumps(lines, regions, METHOD.events.hum_jumps)) / rate_hz


def without(samples: programme.Array, rate_hz: int, seed: int) -> tuple[programme.Array, list[float], list[float]]:
    """1 to 200 ms taken out every four seconds: what is left, where it is missing there, and how long it was."""
    rng, kept = np.random.default_rng(seed), np.ones(len(samples), bool)
    starts = [round((at + rng.uniform(0, 1)) * rate_hz) for at in range(LEADER_S + 3, SECONDS - 4, 4)]
    lengths = [round(0.001 * 200 ** rng.random() * rate_hz) for _ in starts]
    for start, length in zip(starts, lengths, strict=True):
        kept[start : start + length] = False
    at_s = [float(kept[:start].sum()) / rate_hz for start in starts]
    return samples[kept], at_s, [length / rate_hz for length in lengths]


@pytest.mark.parametrize(
    ("rate_hz", "mains_hz", "louder_db", "leader"),
    [
        (8000, 50.0, 0.0, True),
        (22050, 60.0, 0.0, True),
        (48000, 50.0, 0.0, True),
        (11025, 50.0, 8.0, False),  # to be known as steadier than a tape
        (11025, 60.0, 15.0, True),
        (8000, 50.0, 30.0, True),
        (16000, 60.0, 25.0, False),
    ],
)
def test_nine_of_ten_losses_of_a_tenth_of_a_wave_and_more_are_found_and_nothing_else(
    rate_hz: int, mains_hz: float, louder_db: float, leader: bool
) -> None:
    waves = Waves(rate_hz, mains_hz, rate_hz)
    electronics = hum(waves.steady(), [level + louder_db for level in ELECTRONICS], rate_hz)
    samples, at_s, lost_s = without(played(waves, electronics, leader=leader), rate_hz, rate_hz)
    found = jumps(samples, rate_hz, leader)
    turns = [abs((lost * mains_hz + 0.5) % 1 - 0.5) for lost in lost_s]
    hits = [bool(np.any(np.abs(found - at) < 0.005)) for at, turn in zip(at_s, turns, strict=True) if turn > 0.1]
    assert len(hits) >= 12
    assert sum(hits) >= 0.9 * len(hits)
    assert all(min(abs(one - at) for at in at_s) < 0.005 for one in found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hum_that_beats_with_another_on_the_tape_does_not_jump(seed: int) -> None:
    waves = Waves(8000, 50.0, seed)
    speed = 1 + np.random.default_rng(seed).choice([0.0002, 0.002, 0.01, 0.03])
    tape = hum(waves.recorded(speed, 0.08), TAPE, seed + 1)
    for leader in (True, False):
        assert len(jumps(played(waves, hum(waves.steady(), ELECTRONICS, seed), tape, leader), 8000, leader)) == 0


@pytest.mark.parametrize("wow_percent", [0.05, 0.15])
def test_hum_on_the_tape_that_was_cut_there_tells_of_no_loss(wow_percent: float) -> None:
    waves, rng = Waves(8000, 50.0, 4), np.random.default_rng(4)
    recorded = waves.recorded(1.0, wow_percent)
    for at_s in np.arange(LEADER_S + 2, SECONDS - 2, 3):
        recorded[round(at_s * 8000) :] += rng.random()
    tape = hum(recorded, [level + 8 for level in TAPE], 4)
    for leader in (True, False):
        assert len(jumps(played(waves, 0.0, tape, leader), 8000, leader)) == 0


@pytest.mark.parametrize("louder_db", [0.0, 25.0])
def test_loads_that_are_switched_make_hum_louder_or_turn_it_but_do_not_jump(louder_db: float) -> None:
    waves, rng = Waves(8000, 60.0, 5), np.random.default_rng(5)
    steady, usual = waves.steady(), [level + louder_db for level in ELECTRONICS]
    electronics = hum(steady, usual, 5)
    for at_s in np.arange(LEADER_S + 2, SECONDS - 4, 3):
        first, stop = round(at_s * 8000), round((at_s + 1.5) * 8000)
        levels = [level + rng.uniform(-12, 6) for level in usual]
        electronics[first:stop] += hum(steady[first:stop], levels, int(rng.integers(1 << 30)))
    assert len(jumps(played(waves, electronics), 8000)) == 0
    electronics = hum(steady, usual, 6)
    for at_s in np.arange(LEADER_S + 2, SECONDS - 4, 3):
        electronics[round(at_s * 8000) :] *= 10 ** (rng.uniform(-3, 3) / 20)
    assert len(jumps(played(waves, electronics), 8000)) == 0


@pytest.mark.parametrize("louder_db", [0.0, 25.0])
def test_clicks_thumps_and_notes_beside_hum_are_no_jumps(louder_db: float) -> None:
    waves, rng = Waves(8000, 50.0, 7), np.random.default_rng(7)
    samples = played(waves, hum(waves.steady(), [level + louder_db for level in ELECTRONICS], 7))
    seconds = np.arange(4000) / 8000
    for at_s in np.arange(1.0, SECONDS - 2, 1.7):
        start, height = round(at_s * 8000), 10 ** (rng.uniform(-55, -10) / 20)
        hz = rng.choice([0.0, rng.uniform(30, 140), 48.999, 51.913, 97.999, 100.0, 103.826])
        sound = np.cos(2 * np.pi * hz * seconds) * np.exp(-seconds / (0.003 if hz == 0 else rng.uniform(0.02, 0.3)))
        samples[start : start + 4000] += (height * sound[:, None]).astype(np.float32)
    assert len(jumps(samples, 8000)) == 0


@pytest.mark.parametrize(
    ("louder_db", "rate_hz"), [(0.0, 24_000), (25.0, 24_000), (0.0, 96_000)]
)  # the jump of the louder one clicks; a high rate is halved for hum
def test_a_capture_tells_a_jump_of_its_hum_as_a_gap_and_what_stands_there(
    tmp_path: Path, louder_db: float, rate_hz: int
) -> None:
    waves = Waves(rate_hz, 50.0, 8)
    samples = played(waves, hum(waves.steady(), [level + louder_db for level in ELECTRONICS], 8))
    speech = programme.speech_like(50, rate_hz, 8, -24)
    samples[20 * rate_hz : 70 * rate_hz] += speech[:, None]
    lost = rate_hz // 160  # a third of a wave
    samples = np.delete(samples, slice(15 * rate_hz, 15 * rate_hz + lost), axis=0)
    soundfile.write(tmp_path / "hum.wav", samples, rate_hz, subtype="PCM_24")
    overview = read_all_settings().report.overview
    measured, _ = measure_capture(open_capture(tmp_path / "hum.wav"), (1000.0,), METHOD, overview)
    (event,) = [event for event in measured.events if event.start_s < 20]
    assert event.kind is EventKind.GAP
    assert event.depth_db == HUM_JUMPED
    assert event.start_s == pytest.approx(15.0, abs=0.005)
