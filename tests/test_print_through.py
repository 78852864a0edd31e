"""Copies of loud starts that we printed ourselves, a turn of the reel before, and pauses that only seem to hold one."""

from __future__ import annotations

import numpy as np
import pytest
from programme import hum, in_blocks, music_like, noise, speech_like
from scipy import signal

from pipeline.frames import FrameMeter
from pipeline.method import read_all_settings
from pipeline.print_lags import turn_range_s
from pipeline.print_through import find_copies, measure_print_through
from pipeline.printed import spans_of_copies
from pipeline.records import NotMeasured
from pipeline.regions import RegionKind, find_regions

METHOD = read_all_settings().method
CRITERIA = METHOD.print_through


def with_pauses(kind, rate_hz, seed, starts=4):
    """(frames,) programme that begins suddenly after pauses of some 4 s."""
    rng = np.random.default_rng(seed)
    pieces = [np.zeros(5 * rate_hz)]
    for n in range(starts):
        made = (
            speech_like(6.0, rate_hz, 40 * seed + n)
            if kind == "speech"
            else music_like(6.0, rate_hz, 40 * seed + n)[:, 0]
        )
        first = int(np.argmax(np.abs(made) > 0.03))
        pieces += [made[first : first + 4 * rate_hz], np.zeros(round(rng.uniform(3.8, 5.0) * rate_hz))]
    return np.concatenate(pieces)


def printed(programme, rate_hz, lag_s, level_db, seed):
    """The copy is weaker in bass and treble, as print is; then the tape is replayed with some wow."""
    sos = signal.butter(1, [250, 1200], "bandpass", fs=rate_hz, output="sos")
    lag = round(lag_s * rate_hz)
    tape = programme.copy()
    tape[:-lag] += 10 ** (level_db / 20) * signal.sosfilt(sos, programme)[lag:]
    seconds = np.arange(len(tape)) / rate_hz
    rng = np.random.default_rng(seed)
    wow_s = sum(
        0.001 / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * seconds + rng.uniform(0, 6)) for hz in (0.6, 2.3, 8.0)
    )
    return np.interp(seconds + wow_s, seconds, tape)


def listened(samples, rate_hz, seed=0, hiss_dbfs=-58.0):
    """Frames of the capture, and the copies found in it."""
    capture = (samples[:, None] + noise(len(samples), 2, seed + 1, hiss_dbfs)).astype(np.float32)
    meter = FrameMeter(rate_hz, 2)
    for block in in_blocks(capture, 5 * rate_hz):
        meter.feed(block)
    frames = meter.frames()
    return frames, find_copies(frames, lambda a, b: capture[a:b], rate_hz, CRITERIA)


def measured(samples, rate_hz, seed=0, hiss_dbfs=-58.0):
    return measure_print_through(listened(samples, rate_hz, seed, hiss_dbfs)[1])


@pytest.mark.parametrize("level_db", [-38.0, -50.0])
@pytest.mark.parametrize(
    ("kind", "rate_hz", "lag_s", "seed"),
    [
        ("speech", 48_000, 1.62, 701),
        ("music", 48_000, 2.4, 702),
        ("music", 44_100, 3.1, 703),
        ("speech", 96_000, 2.0, 704),
    ],
)
def test_a_copy_before_loud_starts_is_found_with_its_delay_and_level(kind, rate_hz, lag_s, seed, level_db):
    programme = with_pauses(kind, rate_hz, seed)
    found = measured(printed(programme, rate_hz, lag_s, level_db, seed), rate_hz, seed)
    assert 1 <= found.count <= found.asked <= 6
    assert found.lag_s == pytest.approx(lag_s, abs=0.02)
    assert found.level_db == pytest.approx(level_db, abs=3.0)
    assert found.first_s >= 4.5


def played(kind, hz, seconds, rate_hz, rng):
    """A chord that is struck, or blown and held, then single notes; peak 0.3."""
    decay_s, attack_s = {"struck": (1.2, 0.004), "held": (100.0, 0.05)}[kind]
    out = np.zeros(round(seconds * rate_hz))
    for number, at in enumerate(range(0, len(out) - rate_hz, rate_hz)):
        seconds_on = np.arange(min(rate_hz if kind == "held" else 3 * rate_hz, len(out) - at)) / rate_hz
        ratios = (1, 1.26, 1.498) if number == 0 else (rng.choice([1, 1.122, 1.335, 1.498]),)
        for note_hz in (ratio * hz for ratio in ratios):
            partials = [np.sin(2 * np.pi * n * note_hz * seconds_on + rng.uniform(0, 6)) / n for n in range(1, 9)]
            shape = np.exp(-seconds_on / decay_s) * np.minimum(1, seconds_on / attack_s)
            shape *= np.minimum(1, (seconds_on[-1] - seconds_on) / 0.03)
            out[at : at + len(shape)] += np.sum(partials, axis=0) * shape
    return 0.3 * out / np.abs(out).max()


def two_pieces(kind, rate_hz, rng, upbeat_s=0.0, upbeat_db=-20.0):
    """Two pieces in one key after pauses of 5 and 4.3 s; the seconds at which each begins.

    upbeat_s  so long before each a soft note is played
    """
    hz, out, starts_s = rng.uniform(110, 220), np.zeros(26 * rate_hz), (5.0, 17.3)
    for start_s in starts_s:
        piece = played(kind, hz, 8.0, rate_hz, rng)
        out[round(start_s * rate_hz) :][: len(piece)] += piece
        if upbeat_s:
            note = played("struck", hz * 0.75, 1.2, rate_hz, rng)[: round(0.8 * upbeat_s * rate_hz)]
            out[round((start_s - upbeat_s) * rate_hz) :][: len(note)] += 10 ** (upbeat_db / 20) * note
    return out, [start_s - upbeat_s for start_s in starts_s]


@pytest.mark.parametrize(
    ("kind", "lag_s", "level_db"), [("struck", 1.6, -38.0), ("struck", 2.7, -45.0), ("held", 2.1, -38.0)]
)
def test_two_starts_of_music_that_agree_are_enough_and_nothing_but_their_copies_is_called_faint(kind, lag_s, level_db):
    rate_hz, rng = 48_000, np.random.default_rng([750, round(10 * lag_s)])
    programme, starts_s = two_pieces(kind, rate_hz, rng)
    frames, copies = listened(printed(programme, rate_hz, lag_s, level_db, 75), rate_hz, 75, -62.0)
    found = measure_print_through(copies)
    assert found.count == 2
    assert found.lag_s == pytest.approx(lag_s, abs=0.02)
    assert found.level_db == pytest.approx(level_db, abs=5.0)
    faint = spans_of_copies(frames, copies.found)
    assert [span.start_s for span in faint] == pytest.approx([s - lag_s - 0.1 for s in starts_s], abs=0.05)
    for span, start_s in zip(faint, starts_s, strict=True):
        assert start_s - 0.15 <= span.stop_s <= start_s
    tape = find_regions(frames, [], len(programme) / rate_hz, METHOD.regions, faint).regions
    assert [r.start_s for r in tape if r.kind is RegionKind.PROGRAMME] == pytest.approx(starts_s, abs=0.1)


@pytest.mark.parametrize("upbeat_db", [-30.0, -34.0])
def test_a_soft_note_over_a_copy_is_no_part_of_it(upbeat_db):
    rate_hz, lag_s = 48_000, 1.9
    programme, starts_s = two_pieces("struck", rate_hz, np.random.default_rng(751), 0.45, upbeat_db)
    frames, copies = listened(printed(programme, rate_hz, lag_s, -42.0, 76), rate_hz, 76, -62.0)
    assert len(copies.found) == 2
    for span, start_s in zip(spans_of_copies(frames, copies.found), starts_s, strict=True):
        assert start_s - 0.2 <= span.stop_s <= start_s


@pytest.mark.parametrize("kind", ["struck", "held"])
@pytest.mark.parametrize("room_s", [0.0, 2.0, 4.0])
def test_two_pieces_in_one_key_are_no_copies_of_each_other(kind, room_s):
    rate_hz, rng = 48_000, np.random.default_rng([752, round(room_s)])
    programme = two_pieces(kind, rate_hz, rng)[0]
    if room_s:
        at_s = np.arange(round(room_s * rate_hz)) / rate_hz
        decay = rng.normal(0, 1, len(at_s)) * 10 ** (-3 * at_s / room_s)
        decay[0] = 2 * np.sqrt(np.sum(decay[1:] ** 2))
        programme = signal.fftconvolve(programme, decay / decay[0])[: len(programme)]
    assert measured(programme, rate_hz, 77, -64.0).count == 0


def test_a_loud_tone_before_the_pause_is_no_copy_of_anything():
    rate_hz = 48_000
    programme = with_pauses("speech", rate_hz, 753, starts=2)
    programme[: 2 * rate_hz] = 0.5 * np.sin(2 * np.pi * 440 * np.arange(2 * rate_hz) / rate_hz)
    found = measured(programme, rate_hz, 78, -90.0)
    assert found.count == 0 and found.asked >= 1


@pytest.mark.parametrize("kind", ["speech", "music"])
@pytest.mark.parametrize("seed", [711, 712, 713])
def test_clean_pauses_hold_no_copy(kind, seed):
    found = measured(with_pauses(kind, 48_000, seed), 48_000, seed)
    assert found.count == 0 and found.asked >= 2
    assert isinstance(found.level_db, NotMeasured)


@pytest.mark.parametrize("room_s", [1.0, 2.5])
@pytest.mark.parametrize("seed", [721, 722])
def test_a_room_that_dies_away_before_the_same_chord_is_no_copy(room_s, seed):
    rate_hz = 48_000
    rng = np.random.default_rng(seed)
    at_s = np.arange(2 * rate_hz) / rate_hz
    chord = sum(np.sin(2 * np.pi * 131 * r * n * at_s + n * r) / n for r in (1, 1.26, 1.5) for n in range(1, 7)) * 0.05
    chord *= np.minimum(1, at_s / 0.01) * np.minimum(1, (2 - at_s) / 0.02)
    pieces = [np.zeros(5 * rate_hz)]
    for _ in range(6):
        pieces += [chord, np.zeros(round(rng.uniform(3.2, 4.4) * rate_hz))]
    dry = np.concatenate(pieces)
    decay = rng.normal(0, 1, round(room_s * rate_hz)) * 10 ** (
        -3 * np.arange(round(room_s * rate_hz)) / (room_s * rate_hz)
    )
    decay[0] = 1.5 * np.sqrt(np.sum(decay[1:] ** 2))
    wet = signal.fftconvolve(dry, decay / decay[0])[: len(dry)]
    assert measured(wet, rate_hz, seed).count == 0


def test_an_echo_after_each_start_and_hum_all_along_are_no_copy():
    rate_hz = 48_000
    programme = with_pauses("speech", rate_hz, 731)
    echo = np.roll(programme, 2 * rate_hz) * 0.05
    buzz = hum(len(programme), rate_hz, 50.2, tuple(-52.0 - n for n in range(20)))
    assert measured(programme + echo + buzz, rate_hz, 7).count == 0


def test_programme_without_a_pause_is_not_asked_and_says_so():
    found = measured(music_like(20.0, 48_000, 741)[:, 0], 48_000)
    assert found.asked == 0 and "no sudden loud start" in found.lag_s.reason


@pytest.mark.parametrize("samples", [np.zeros(480), np.zeros(96_000), np.full(480_000, 0.2)])
def test_silence_dc_and_next_to_nothing_are_not_asked(samples):
    assert measured(samples, 48_000, hiss_dbfs=-200.0).asked == 0


def test_turns_are_those_of_an_empty_hub_and_a_full_pack():
    shortest_s, longest_s = turn_range_s()
    assert shortest_s == pytest.approx(2 * np.pi * 10.5 / 47.625, rel=0.07)
    assert longest_s == pytest.approx(2 * np.pi * 25.2 / 47.625, rel=0.07)
