"""Azimuth: how much later one channel of a test tape's tones comes than the other, and the treble that costs.

Definition: the delay is positive when the right channel comes later. The phase between the channels at one frequency
gives it but for whole turns, so tones are taken from the lowest up: each fixes how many turns the next one has made.
At the lowest tone the delay is taken as the smallest that fits; how far that holds is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.partials import PartialCriteria, Partials
from pipeline.records import NotMeasured, Reading
from pipeline.standards.cassette import (
    MONO_TRACK_MM,
    NOMINAL_SPEED_MM_S,
    STEREO_TRACK_MM,
    azimuth_arc_minutes,
    azimuth_loss_db,
)

Array = np.ndarray[Any, Any]
INVERTED_BELOW_HZ = 700.0  # half a turn there is 700 µs or more: no azimuth, but a polarity turned over


@dataclass(frozen=True)
class AzimuthCriteria:
    """How azimuth is read (table ``[azimuth]`` of ``config/bench.toml``).

    greatest_us      no head is tilted by more, µs
    sure_turns       a tone's turns are known when the delay is, within this part of one turn
    floor_us         no delay is known better, µs
    loss_hz          treble loss is told at these frequencies
    deepest_loss_db  … down to here
    """

    greatest_us: float
    sure_turns: float
    floor_us: float
    loss_hz: tuple[float, ...]
    deepest_loss_db: float


@dataclass(frozen=True)
class TrebleLoss:
    """Loss at hz for a head over both tracks of a side (mono) and for one channel of a stereo head; 0 or below."""

    hz: float
    mono_db: float
    stereo_db: float


@dataclass(frozen=True)
class Azimuth:
    """
    delay_us        positive: the right channel comes later
    uncertainty_us  half-width, 95 %
    arc_minutes     tilt of the head against the tape's recording
    unless_us       the delay is right unless it truly is further than this from zero, or a polarity is turned over;
                    None: it holds in any case
    inverted        the channels have opposite polarity
    loss            treble loss by this tilt; empty where it was not measured
    """

    delay_us: Reading
    uncertainty_us: Reading
    arc_minutes: Reading
    unless_us: float | None
    inverted: bool
    loss: tuple[TrebleLoss, ...]


@dataclass(frozen=True)
class _Phase:
    """How far the right channel lags at one frequency, in turns, and how well that is known (95 %)."""

    hz: float
    turns: float
    uncertainty_turns: float


def azimuth_not_measured(reason: str) -> Azimuth:
    unknown = NotMeasured(reason)
    return Azimuth(unknown, unknown, unknown, None, False, ())


def measure_azimuth(
    tones: Sequence[Partials],
    coarse_us: tuple[float, float] | None,
    speed_error_percent: float,
    criteria: AzimuthCriteria,
    partials: PartialCriteria,
) -> Azimuth:
    """From the two channels of each tone.

    coarse_us  a delay known from programme, with its uncertainty (95 %), where there is one
    """
    if not tones:
        return azimuth_not_measured("no steady tone on this capture")
    phases = sorted((p for p in map(_phase, tones, [partials.coherence] * len(tones)) if p), key=lambda p: p.hz)
    if not phases:
        return azimuth_not_measured("the channels carry no common tone")
    lowest = phases[0]
    inverted = lowest.hz < INVERTED_BELOW_HZ and abs(lowest.turns) > 0.25
    if inverted:
        phases = [_Phase(p.hz, _within_half(p.turns + 0.5), p.uncertainty_turns) for p in phases]
    if coarse_us is None:
        half_turn_us = 0.5e6 / phases[0].hz
        unless_us = None if half_turn_us >= criteria.greatest_us else half_turn_us
        delay_us, doubt_us = 1e6 * phases[0].turns / phases[0].hz, 1e6 * phases[0].uncertainty_turns / phases[0].hz
    else:
        unless_us, (delay_us, doubt_us) = None, coarse_us
    for phase in phases if coarse_us is not None else phases[1:]:
        if doubt_us * 1e-6 * phase.hz > criteria.sure_turns:
            break
        turns = round(delay_us * 1e-6 * phase.hz - phase.turns) + phase.turns
        next_us, next_doubt_us = 1e6 * turns / phase.hz, 1e6 * phase.uncertainty_turns / phase.hz
        if abs(next_us - delay_us) > 0.5e6 * criteria.sure_turns / phase.hz + doubt_us + next_doubt_us:
            break  # the channels' own phase responses part: the lower tones stand
        if next_doubt_us < doubt_us:
            delay_us, doubt_us = next_us, next_doubt_us
    return _told(delay_us, max(doubt_us, criteria.floor_us), unless_us, inverted, speed_error_percent, criteria)


def _told(
    delay_us: float,
    doubt_us: float,
    unless_us: float | None,
    inverted: bool,
    speed_error_percent: float,
    criteria: AzimuthCriteria,
) -> Azimuth:
    if abs(delay_us) > criteria.greatest_us:
        return azimuth_not_measured(f"the channels are {abs(delay_us):.0f} µs apart: too far for a tilted head")
    speed_mm_s = NOMINAL_SPEED_MM_S * (1 + speed_error_percent / 100)
    minutes = azimuth_arc_minutes(delay_us, speed_mm_s=speed_mm_s)

    def loss_db(hz: float, track_mm: float) -> float:
        return max(criteria.deepest_loss_db, azimuth_loss_db(hz, minutes, track_mm, speed_mm_s))

    loss = tuple(TrebleLoss(hz, loss_db(hz, MONO_TRACK_MM), loss_db(hz, STEREO_TRACK_MM)) for hz in criteria.loss_hz)
    return Azimuth(delay_us, doubt_us, minutes, unless_us, inverted, loss)


def _phase(tone: Partials, coherence: float) -> _Phase | None:
    """None where the channels have nothing in common at this tone."""
    left, right = tone.of(1).T
    cross = np.vdot(right, left)
    power = np.sqrt(np.sum(np.abs(left) ** 2) * np.sum(np.abs(right) ** 2))
    if power == 0 or abs(cross) < coherence * power:
        return None
    turns = np.angle(left * np.conj(right) * np.exp(-1j * np.angle(cross))) / (2 * np.pi)
    scatter = float(np.std(turns, ddof=1)) / np.sqrt(len(turns))
    return _Phase(tone.hz, float(np.angle(cross)) / (2 * np.pi), 2 * scatter)


def _within_half(turns: float) -> float:
    return turns - round(turns)
