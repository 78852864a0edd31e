"""Where programme and hiss end, on tapes whose losses are known because we made them.

Losses by the textbooks' geometry: spacing takes 54.6 dB a wavelength from everything on the tape; a tilted head takes
sin(x) / x from the programme and leaves the hiss.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from programme import in_blocks, music_like, noise, speech_like

from pipeline.frames import FrameMeter
from pipeline.method import read_all_settings
from pipeline.records import NotMeasured
from pipeline.regions import Region, RegionKind
from pipeline.treble import Treble, TrebleMeter

CRITERIA = read_all_settings().method.treble
SPEED_MM_S = 47.625
LEADER_S, HISS_S, PROGRAMME_S = 3.0, 4.0, 20.0
REGIONS = (
    Region(RegionKind.LEADER, 0.0, LEADER_S),
    Region(RegionKind.SILENCE, LEADER_S, LEADER_S + HISS_S),
    Region(RegionKind.PROGRAMME, LEADER_S + HISS_S, LEADER_S + HISS_S + PROGRAMME_S),
    Region(RegionKind.SILENCE, LEADER_S + HISS_S + PROGRAMME_S, LEADER_S + 2 * HISS_S + PROGRAMME_S),
)


def lossy(samples, rate_hz, loss_db):
    """The samples with ``loss_db`` (of Hz, 0 and below) taken out, phase untouched."""
    spectrum = np.fft.rfft(samples, axis=0)
    hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    return np.fft.irfft(spectrum * 10 ** (loss_db(hz) / 20)[:, None], len(samples), axis=0)


def spacing(micrometres):
    return lambda hz: -54.6 * micrometres * 1e-3 * hz / SPEED_MM_S


def low_pass(edge_hz):
    """A recorder that ends there: 36 dB an octave."""
    return lambda hz: -10 * np.log10(1 + (hz / edge_hz) ** 12)


def tilted(arc_minutes, track_mm=1.5):
    slope = track_mm * np.tan(np.radians(arc_minutes / 60)) / SPEED_MM_S
    return lambda hz: 20 * np.log10(np.maximum(np.abs(np.sinc(hz * slope)), 1e-3))


@cache
def programme_of(kind, rate_hz, seed):
    made = (
        speech_like(PROGRAMME_S, rate_hz, seed)[:, None] if kind == "speech" else music_like(PROGRAMME_S, rate_hz, seed)
    )
    return made[:, :1]


def measured(kind, rate_hz, seed, programme_loss=None, replay_loss=None, hiss_dbfs=-58.0, electronics_dbfs=-82.0):
    before, after = round((LEADER_S + HISS_S) * rate_hz), round(HISS_S * rate_hz)
    programme = programme_of(kind, rate_hz, seed)
    if programme_loss is not None:
        programme = lossy(programme, rate_hz, programme_loss)
    tape = np.pad(programme, ((before, after), (0, 0))).astype(np.float64)
    tape += noise(len(tape), 1, seed + 1, hiss_dbfs)
    if replay_loss is not None:
        tape = lossy(tape, rate_hz, replay_loss)
    tape[: round(LEADER_S * rate_hz)] = 0.0
    capture = (tape + noise(len(tape), 1, seed + 2, electronics_dbfs)).astype(np.float32)
    treble = TrebleMeter(rate_hz, CRITERIA)
    frames = FrameMeter(rate_hz, 1, [treble])
    for block in in_blocks(capture, 5 * rate_hz):
        frames.feed(block)
    frames.frames()
    return treble.measure_treble(REGIONS)


@pytest.mark.parametrize(
    ("kind", "rate_hz", "seed"), [("speech", 48_000, 1), ("music", 44_100, 2), ("speech", 96_000, 3)]
)
def test_a_good_replay_reaches_the_top_with_hiss_and_far_up_with_programme(kind, rate_hz, seed):
    treble = measured(kind, rate_hz, seed)
    assert treble.hiss_edge_hz > 17_000
    assert treble.programme_edge_hz > 8_000


@pytest.mark.parametrize("edge_hz", [2500.0, 3500.0, 6000.0])
@pytest.mark.parametrize(("kind", "seed"), [("speech", 4), ("music", 5)])
def test_a_dull_recording_ends_where_it_was_cut_and_leaves_the_hiss(edge_hz, kind, seed):
    treble = measured(kind, 48_000, seed, programme_loss=low_pass(edge_hz))
    assert treble.programme_edge_hz == pytest.approx(edge_hz * 1.3, rel=0.5)
    assert treble.hiss_edge_hz > 17_000


def test_a_tilted_head_takes_the_treble_and_leaves_the_hiss():
    treble = measured("speech", 48_000, 6, programme_loss=lambda hz: np.where(hz < 2500, tilted(40)(hz), -60.0))
    assert treble.programme_edge_hz < 4000 and treble.hiss_edge_hz > 17_000


@pytest.mark.parametrize("micrometres", [4.0, 6.0, 10.0])
@pytest.mark.parametrize(("kind", "seed"), [("speech", 7), ("music", 8)])
def test_a_head_held_off_the_tape_takes_the_hiss_as_well(micrometres, kind, seed):
    treble = measured(kind, 48_000, seed, replay_loss=spacing(micrometres), electronics_dbfs=-100.0)
    falls_by_12_db_hz = 12 / (54.6 * micrometres * 1e-3 / SPEED_MM_S) + 1500  # below its level at 1 to 2.5 kHz
    assert treble.hiss_edge_hz == pytest.approx(falls_by_12_db_hz, rel=0.3)


def test_hiss_that_the_electronics_cover_is_not_called_lost():
    treble = measured("speech", 48_000, 9, replay_loss=spacing(8.0), electronics_dbfs=-60.0)
    assert isinstance(treble.hiss_edge_hz, NotMeasured) and "electronics" in treble.hiss_edge_hz.reason


def test_programme_hardly_above_the_hiss_does_not_tell_where_it_ends():
    treble = measured("speech", 48_000, 10, hiss_dbfs=-38.0)
    assert isinstance(treble.programme_edge_hz, NotMeasured)


@pytest.mark.parametrize("rate_hz", [8000, 16_000])
def test_a_low_rate_has_no_treble_or_ends_at_its_own_top(rate_hz):
    treble = measured("speech", rate_hz, 11)
    if rate_hz == 8000:
        assert treble == Treble(treble.programme_edge_hz, treble.hiss_edge_hz)
        assert not isinstance(treble.hiss_edge_hz, float) or treble.hiss_edge_hz > 3000
    else:
        assert 6500 < treble.hiss_edge_hz < 8000


def test_without_hiss_alone_nothing_is_told():
    meter = TrebleMeter(48_000, CRITERIA)
    meter.hear(np.full((100, 1, 1025), 1e-9, np.float32))
    treble = meter.measure_treble((Region(RegionKind.PROGRAMME, 0.0, 2.0),))
    assert isinstance(treble.programme_edge_hz, NotMeasured) and isinstance(treble.hiss_edge_hz, NotMeasured)
