"""Channels: every truth is by construction, out of programme that knows nothing of the meter."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

import numpy as np
import programme
import pytest

from pipeline.channels import ChannelCriteria, ChannelMeter, Channels, Layout
from pipeline.records import NotMeasured
from pipeline.settings import settings_from, shipped
from pipeline.spans import Span

SECONDS = 12
ARCMINUTE_US = 5.50  # left-right delay per arc-minute of azimuth at 0.9 mm track distance, check-values §2.4


def criteria() -> ChannelCriteria:
    table = tomllib.loads((shipped("config") / "method.toml").read_text())["channels"]
    return settings_from(ChannelCriteria, table, "method.toml")


def measured(samples: programme.Array, rate_hz: int, spans: Sequence[Span] | None = None) -> Channels:
    meter = ChannelMeter(rate_hz, samples.shape[1], criteria())
    for block in programme.in_blocks(samples.astype(np.float32), 3 * rate_hz + 17):
        meter.feed(block)
    return meter.measure_channels(spans)


def mono_deck(rate_hz: int, seed: int, delay_us: float, gain_db: float) -> programme.Array:
    """One programme with its hiss, in both channels at different gains; each input adds a noise of its own."""
    one = programme.speech_like(SECONDS, rate_hz, seed)
    one = one + programme.noise(len(one), 1, seed + 1, -55)[:, 0]
    other = programme.delayed(one, delay_us, rate_hz) * 10 ** (gain_db / 20)
    return np.stack([one, other], axis=1) + programme.noise(len(one), 2, seed + 2, -85)


@pytest.mark.parametrize(("rate_hz", "delay_us"), [(8000, 62.0), (44100, -68.0), (48000, 4 * ARCMINUTE_US)])
def test_a_mono_deck_captured_in_stereo_is_mono_whatever_its_gains_and_delay(rate_hz: int, delay_us: float) -> None:
    found = measured(mono_deck(rate_hz, rate_hz, delay_us, -3.5), rate_hz)
    assert found.layout is Layout.MONO
    assert found.balance_db == pytest.approx(-3.5, abs=0.1)
    assert found.delay_us == pytest.approx(delay_us, abs=1.0)
    assert found.correlation > 0.99


def test_a_mono_recording_on_a_stereo_head_is_mono_in_spite_of_independent_hiss() -> None:
    one = programme.both(programme.speech_like(SECONDS, 44100, 31))
    found = measured(one + programme.noise(len(one), 2, 32, -45), 44100)
    assert found.layout is Layout.MONO


@pytest.mark.parametrize("seed", [3, 4])
def test_opposite_polarity_is_inverted_and_correlates_negatively(seed: int) -> None:
    found = measured(mono_deck(44100, seed, 12.0, 2.0) * [1, -1], 44100)
    assert found.layout is Layout.INVERTED
    assert found.correlation < -0.99
    assert found.delay_us == pytest.approx(12.0, abs=1.0)


@pytest.mark.parametrize("side", [0.1, 0.3])
def test_stereo_with_one_lead_reversed_is_inverted(side: float) -> None:
    middle = programme.music_like(SECONDS, 44100, 7)[:, 0]
    away = programme.music_like(SECONDS, 44100, 8)[:, 0]
    pair = np.stack([middle + side * away, side * away - middle], axis=1)
    assert measured(pair + programme.noise(len(pair), 2, 9, -60), 44100).layout is Layout.INVERTED


@pytest.mark.parametrize("seed", range(3))
def test_dropouts_of_one_track_leave_a_mono_recording_mono(seed: int) -> None:
    rate_hz, rng = 44100, np.random.default_rng(seed)
    one = programme.both(programme.speech_like(SECONDS, rate_hz, 40 + seed))
    for at in rng.uniform(1, SECONDS - 1, 6):
        lost = programme.fading(rng.uniform(0.08, 0.2), 25.0, 0.003, rate_hz)
        start = round(at * rate_hz)
        one[start : start + len(lost), seed % 2] *= lost
    assert measured(one + programme.noise(len(one), 2, 50 + seed, -55), rate_hz).layout is Layout.MONO


@pytest.mark.parametrize("side", [0.06, 0.1, 0.3])
def test_music_that_is_nearly_mono_is_stereo(side: float) -> None:
    middle = programme.music_like(SECONDS, 44100, 7)[:, 0]
    away = programme.music_like(SECONDS, 44100, 8)[:, 0]
    pair = np.stack([middle + side * away, middle - side * away], axis=1)
    assert measured(pair + programme.noise(len(pair), 2, 9, -60), 44100).layout is Layout.STEREO


@pytest.mark.parametrize("silent", ["zeros", "hum and hiss", "leak"])
@pytest.mark.parametrize("dead", [0, 1])
def test_a_dead_channel_is_told_whatever_noise_it_carries(silent: str, dead: int) -> None:
    count = SECONDS * 44100
    pair = programme.both(programme.speech_like(SECONDS, 44100, 11))
    pair[:, dead] *= 0.02 if silent == "leak" else 0.0
    if silent == "hum and hiss":
        pair[:, dead] = programme.hum(count, 44100, 50.0, (-35, -50, -40, -60, -50, -60, -55))
        pair = pair + programme.noise(count, 2, 12, -48)
    found = measured(pair, 44100)
    assert found.layout is (Layout.RIGHT_ONLY, Layout.LEFT_ONLY)[dead]
    assert isinstance(found.balance_db, NotMeasured)
    assert "dead" in found.balance_db.reason


@pytest.mark.parametrize(("seed", "minutes"), [(21, 0.0), (22, 3.0), (23, -5.0), (24, 10.0)])
def test_azimuth_delay_is_read_from_stereo_music_within_three_microseconds(seed: int, minutes: float) -> None:
    pair = programme.music_like(SECONDS, 48000, seed).copy()
    pair[:, 1] = programme.delayed(pair[:, 1], minutes * ARCMINUTE_US, 48000)
    found = measured(pair + programme.noise(len(pair), 2, seed, -58), 48000)
    assert found.layout is Layout.STEREO
    assert found.delay_us == pytest.approx(minutes * ARCMINUTE_US, abs=3.0)
    assert found.delay_uncertainty_us < 2.0


def test_unrelated_programme_in_two_channels_has_no_delay() -> None:
    pair = np.stack([programme.music_like(SECONDS, 44100, seed)[:, 0] for seed in (41, 42)], axis=1)
    found = measured(pair, 44100)
    assert found.layout is Layout.STEREO
    assert isinstance(found.delay_us, NotMeasured)


def test_hum_and_dc_do_not_count() -> None:
    speech = mono_deck(44100, 51, 0.0, 0.0)
    hum = programme.hum(len(speech), 44100, 50.0, (-12, -30, -20))
    found = measured(speech + np.stack([hum, 0 * hum - 0.2], axis=1), 44100)
    assert found.layout is Layout.MONO
    assert found.balance_db == pytest.approx(0.0, abs=0.2)


def test_only_the_spans_handed_in_are_measured() -> None:
    speech, loud_hiss = mono_deck(44100, 61, 0.0, -6.0), programme.noise(10 * 44100, 2, 62, -15)
    found = measured(np.concatenate([loud_hiss, speech]), 44100, [Span(10.0, 10.0 + SECONDS)])
    assert found.layout is Layout.MONO
    assert found.balance_db == pytest.approx(-6.0, abs=0.1)


@pytest.mark.parametrize(
    ("samples", "layout", "reason"),
    [
        (programme.noise(90000, 1, 1, -20), Layout.MONO, "one channel"),
        (np.zeros((90000, 2)), Layout.MONO, "digital silence"),
        (programme.noise(90000, 2, 1, -92), Layout.STEREO, "nothing louder"),
        (programme.both(programme.noise(900, 1, 1, -20)[:, 0]), Layout.MONO, "too short"),
    ],
)
def test_what_holds_no_programme_has_a_layout_and_a_reason(
    samples: programme.Array, layout: Layout, reason: str
) -> None:
    found = measured(samples, 44100)
    assert found.layout is layout
    assert isinstance(found.delay_us, NotMeasured)
    assert reason in found.delay_us.reason


def test_no_programme_spans_leave_the_numbers_unmeasured() -> None:
    found = measured(programme.both(programme.noise(90000, 1, 1, -60)[:, 0]), 44100, [])
    assert found.layout is Layout.MONO
    assert isinstance(found.correlation, NotMeasured)


def on_a_tape(pair: programme.Array, rate_hz: int, seed: int, hiss_dbfs: float, hum: float = 0.0) -> programme.Array:
    """5 s of leader, 4 s of pause, the pair, 4 s of pause; hiss of each track's own, hum of the deck in phase."""
    before, after = np.zeros((9 * rate_hz, 2)), np.zeros((4 * rate_hz, 2))
    tape = np.concatenate([before, pair, after])
    hiss = programme.noise(len(tape), 2, seed, hiss_dbfs).astype(np.float64)
    hiss[: 5 * rate_hz] *= 0.1  # electronics noise alone
    lines = programme.hum(len(tape), rate_hz, 50.0, (-48, -50, -50, -54, -52, -56, -54))
    return tape + hiss + hum * lines[:, None]


PROGRAMME, PAUSES = [Span(9.0, 9.0 + SECONDS)], [Span(5.0, 9.0), Span(9.0 + SECONDS, 13.0 + SECONDS)]


def measured_on_a_tape(tape: programme.Array, rate_hz: int, pauses: Sequence[Span]) -> Channels:
    meter = ChannelMeter(rate_hz, 2, criteria())
    for block in programme.in_blocks(tape.astype(np.float32), 3 * rate_hz + 17):
        meter.feed(block)
    return meter.measure_channels(PROGRAMME, pauses)


@pytest.mark.parametrize(("polarity", "layout"), [(1, Layout.MONO), (-1, Layout.INVERTED)])
@pytest.mark.parametrize(("rate_hz", "hiss_dbfs"), [(44100, -36), (32000, -38)])
def test_a_leader_quieter_than_the_hiss_does_not_make_a_mono_recording_stereo(
    polarity: int, layout: Layout, rate_hz: int, hiss_dbfs: float
) -> None:
    pair = programme.both(programme.speech_like(SECONDS, rate_hz, 71 + rate_hz)) * [1, polarity]
    found = measured_on_a_tape(on_a_tape(pair, rate_hz, 72, hiss_dbfs), rate_hz, PAUSES)
    assert found.layout is layout


@pytest.mark.parametrize("rate_hz", [44100, 32000])
def test_without_a_known_pause_the_gaps_of_speech_show_the_hiss_and_the_leader_does_not(rate_hz: int) -> None:
    pair = programme.both(programme.speech_like(SECONDS, rate_hz, 75))
    assert measured_on_a_tape(on_a_tape(pair, rate_hz, 76, -36), rate_hz, []).layout is Layout.MONO


@pytest.mark.parametrize("side", [0.1, 0.3])
def test_hiss_of_known_pauses_hides_no_narrow_stereo(side: float) -> None:
    middle, away = (programme.music_like(SECONDS, 44100, seed)[:, 0] for seed in (77, 78))
    pair = np.stack([middle + side * away, middle - side * away], axis=1)
    assert measured_on_a_tape(on_a_tape(pair, 44100, 79, -36), 44100, PAUSES).layout is Layout.STEREO


def test_a_click_or_a_second_of_electronics_noise_in_a_pause_changes_no_layout() -> None:
    tape = on_a_tape(programme.both(programme.speech_like(SECONDS, 44100, 81)), 44100, 82, -36)
    tape[6 * 44100 : 6 * 44100 + 2000] += 10 * programme.noise(2000, 2, 83, -20)
    found = measured_on_a_tape(tape, 44100, [Span(4.0, 9.0), PAUSES[1]])
    assert found.layout is Layout.MONO


@pytest.mark.parametrize("seed", [85, 86])
def test_inverted_speech_is_inverted_in_spite_of_hum_in_phase(seed: int) -> None:
    speech = programme.speech_like(SECONDS, 44100, seed, -38)  # peaks near -20 dBFS
    found = measured_on_a_tape(on_a_tape(programme.both(speech) * [1, -1], 44100, seed, -75, hum=1.0), 44100, PAUSES)
    assert found.layout is Layout.INVERTED
    assert found.correlation < 0


@pytest.mark.parametrize("delay_us", [0.0, 18.0])
def test_held_pure_notes_with_hiss_have_their_delay(delay_us: float) -> None:
    rate_hz, seconds = 44100, np.arange(4 * 44100) / 44100
    notes = [0.1 * np.sin(2 * np.pi * hz * seconds) + 0.02 * np.sin(4 * np.pi * hz * seconds) for hz in (441, 589, 700)]
    one = np.concatenate([np.hanning(len(note)) ** 0.2 * note for note in notes])
    pair = np.stack([one, programme.delayed(one, delay_us, rate_hz)], axis=1)
    found = measured(pair + programme.noise(len(one), 2, 87, -56), rate_hz)
    assert found.layout is Layout.MONO
    assert found.delay_us == pytest.approx(delay_us, abs=2.0)


def test_a_badly_tilted_head_leaves_a_mono_recording_mono() -> None:
    one = programme.speech_like(SECONDS, 48000, 91)
    pair = np.stack([one, programme.delayed(one, 150.0, 48000)], axis=1)
    found = measured(pair + programme.noise(len(one), 2, 92, -60), 48000)
    assert found.layout is Layout.MONO
    assert found.delay_us == pytest.approx(150.0, abs=2.0)
