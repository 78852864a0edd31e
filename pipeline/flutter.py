"""Wow and flutter from a demodulated tone, as the trade states it.

Definition: the relative speed deviation, mean and slow drift taken away, in the band ``low_hz`` … ``high_hz``;
weighted by the curve of IEC 60386 or flat; read as the level it stays under for 95.45 % of the time ("two sigma", the
peak reading), by the older quasi-peak meter, or as r.m.s. Wow lies below 4 Hz, flutter above, scrape above 100 Hz.

Conventions: filters have no phase shift and are applied to the whole tone at once. Drift is what lies below 0.2 Hz; a
tone too short to show 0.2 Hz twice is read from the rate it shows twice. Hiss beside the tone is phase noise of known
density: wherever the deviation spectrum does not stand clear of it, it is taken out, in power elsewhere, before any
reading; what the hiss alone would have read is told as the floor. Hum beside the tone is taken out as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.demodulate import Demodulated
from pipeline.deviation import BandCriteria, Deviation, DeviationBands
from pipeline.flutter_lines import find_lines
from pipeline.line_fit import Line, LineCriteria
from pipeline.quasi_peak import QuasiPeakCriteria, measure_quasi_peak
from pipeline.records import NotMeasured, Reading
from pipeline.standards.wow_flutter import (
    LEAST_OBSERVATION_S,
    SCRAPE_FROM_HZ,
    TWO_SIGMA_SHARE,
    UNWEIGHTED_BAND_HZ,
    WOW_FLUTTER_BOUNDARY_HZ,
)

Array = np.ndarray[Any, Any]


class Passes(StrEnum):
    """Whose flutter a tone shows."""

    DECK = "one pass of the deck"  # a test tape, whose own flutter is small
    BOTH = "recorder and deck together"  # a tone recorded elsewhere: two passes add up, or cancel
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class FlutterCriteria:
    """How flutter is read (table ``[flutter]`` of ``config/method.toml``).

    least_turns              the low edge of the band must come round this often within the tone
    weighted_reach_hz        the weighted readings need a tone that shows rates up to this, Hz
    unweighted_reach_hz      … and the unweighted ones up to this
    """

    least_turns: float
    weighted_reach_hz: float
    unweighted_reach_hz: float
    bands: BandCriteria
    quasi_peak: QuasiPeakCriteria
    lines: LineCriteria


@dataclass(frozen=True)
class FlutterComponent:
    """One line of the deviation spectrum.

    hz            mean rate; peak_percent: mean peak deviation; uncertainties are half-widths, 95 %
    slide_hz      rate at the end of the tone minus rate at its start
    part          the rotating part it belongs to (several, where several turn at this rate), or why none is named
    hint          what usually causes it, by common practice; or why none is given
    """

    hz: float
    peak_percent: float
    part: str | NotMeasured
    hint: str | NotMeasured
    hz_uncertainty: float
    peak_uncertainty_percent: float
    slide_hz: float


@dataclass(frozen=True)
class Flutter:
    """Readings of one tone, in percent of speed.

    weighted_peak_percent        two-sigma reading, weighted: "± x %"
    unweighted_peak_percent      the same, flat
    weighted_quasi_peak_percent  the older meter's reading, weighted
    scrape_rms_percent           above 100 Hz, as far as the tone shows it
    weighted_floor_percent       r.m.s. that the hiss beside the tone alone would read; its two-sigma is twice that
    unweighted_floor_percent     the same, flat
    low_hz, high_hz              band the flat readings cover
    tone_hz, tone_s              the tone they are from, as captured, and how long it was
    passes                       whose flutter it is
    """

    weighted_peak_percent: Reading
    unweighted_peak_percent: Reading
    weighted_quasi_peak_percent: Reading
    weighted_rms_percent: Reading
    unweighted_rms_percent: Reading
    wow_rms_percent: Reading
    flutter_rms_percent: Reading
    scrape_rms_percent: Reading
    weighted_floor_percent: Reading
    unweighted_floor_percent: Reading
    low_hz: Reading
    high_hz: Reading
    tone_hz: Reading
    tone_s: Reading
    passes: Passes
    components: tuple[FlutterComponent, ...]


def deviation_of(tone: Demodulated) -> Deviation:
    """What flutter is read from, of a demodulated tone."""
    noise = tone.tone_to_noise_db
    if not isinstance(noise, NotMeasured):
        noise = 1 / (2 * 10 ** (noise / 10) * tone.noise_width_hz)
    amplitude = 10 ** (tone.level_dbfs.astype(np.float64) / 20)
    amplitude /= amplitude[tone.present].mean() if tone.present.any() else amplitude.mean()
    return Deviation(
        percent=tone.deviation_percent.astype(np.float64),
        rate_hz=tone.rate_hz,
        carrier_hz=tone.carrier_hz,
        bandwidth_hz=tone.bandwidth_hz,
        hiss_rad2_hz=noise,
        amplitude=np.where(tone.present, amplitude, 1.0),
    )


def flutter_not_measured(reason: str) -> Flutter:
    """The record of a side that shows no flutter, and why."""
    unknown = NotMeasured(reason)
    readings = {f.name: unknown for f in fields(Flutter) if f.name not in ("passes", "components")}
    return Flutter(**readings, passes=Passes.UNKNOWN, components=())


def measure_flutter(deviation: Deviation, passes: Passes, criteria: FlutterCriteria) -> Flutter:
    """Every reading the tone allows. Components come unnamed; `pipeline.part_names.name_parts` names them."""
    return measure_flutter_and_lines(deviation, passes, criteria)[0]


def flat_band_hz(deviation: Deviation, criteria: FlutterCriteria) -> tuple[float, float]:
    """The band that flat readings of this tone cover."""
    seconds = len(deviation.percent) / deviation.rate_hz
    low_hz = max(UNWEIGHTED_BAND_HZ[0], criteria.least_turns / seconds)
    return low_hz, min(UNWEIGHTED_BAND_HZ[1], deviation.bandwidth_hz)


def measure_flutter_and_lines(
    deviation: Deviation, passes: Passes, criteria: FlutterCriteria
) -> tuple[Flutter, tuple[Line, ...]]:
    """The same with the lines that were found, hum beside the tone among them; none where the tone is too short."""
    seconds = len(deviation.percent) / deviation.rate_hz
    if seconds < LEAST_OBSERVATION_S:
        reason = f"a tone of {seconds:.1f} s: a reading takes {LEAST_OBSERVATION_S:g} s at least"
        return flutter_not_measured(reason), ()
    low_hz, high_hz = flat_band_hz(deviation, criteria)
    tone = None if deviation.amplitude is None else (deviation.amplitude, deviation.carrier_hz)
    lines = find_lines(deviation.percent, deviation.rate_hz, (low_hz, high_hz), criteria.lines, tone)
    bands = DeviationBands(deviation, (low_hz, high_hz), lines, criteria.bands)
    weighted, flat = bands.part(weighted=True), bands.part()
    short = {name: _too_narrow(deviation, reach_hz, name) for name, reach_hz in _reaches(criteria).items()}
    wow_hz = (0.0, WOW_FLUTTER_BOUNDARY_HZ)

    def told(name: str, value: Reading) -> Reading:
        return short[name] or value

    flutter = Flutter(
        weighted_peak_percent=told("weighted", two_sigma(bands.spread_part(weighted=True))),
        unweighted_peak_percent=told("unweighted", two_sigma(bands.spread_part())),
        weighted_quasi_peak_percent=told(
            "weighted", measure_quasi_peak(weighted, deviation.rate_hz, criteria.quasi_peak)
        ),
        weighted_rms_percent=told("weighted", _rms(weighted)),
        unweighted_rms_percent=told("unweighted", _rms(flat)),
        wow_rms_percent=told("wow", _rms(bands.part(wow_hz))),
        flutter_rms_percent=told("unweighted", _rms(bands.part((WOW_FLUTTER_BOUNDARY_HZ, math.inf)))),
        scrape_rms_percent=told("scrape", _rms(bands.part((SCRAPE_FROM_HZ, math.inf)))),
        weighted_floor_percent=told("weighted", bands.floor_rms_percent(weighted=True)),
        unweighted_floor_percent=told("unweighted", bands.floor_rms_percent(weighted=False)),
        low_hz=low_hz,
        high_hz=high_hz,
        tone_hz=deviation.carrier_hz,
        tone_s=seconds,
        passes=passes,
        components=tuple(_component(line) for line in lines if not line.foreign),
    )
    return flutter, lines


def two_sigma(deviation_percent: Array) -> float:
    """The level that |deviation| stays under for 95.45 % of the time (AES6-2008, the share from memory).

    >>> at = np.arange(100_000) / 100_000
    >>> round(two_sigma(np.sin(2 * np.pi * 7 * at)), 3)
    0.997
    """
    return float(np.quantile(np.abs(deviation_percent), TWO_SIGMA_SHARE))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _reaches(criteria: FlutterCriteria) -> dict[str, float]:
    return {
        "wow": WOW_FLUTTER_BOUNDARY_HZ,
        "weighted": criteria.weighted_reach_hz,
        "unweighted": criteria.unweighted_reach_hz,
        "scrape": UNWEIGHTED_BAND_HZ[1],
    }


def _too_narrow(deviation: Deviation, reach_hz: float, name: str) -> NotMeasured | None:
    if deviation.bandwidth_hz >= reach_hz * (1 - 1e-9):
        return None
    return NotMeasured(
        f"a tone of {deviation.carrier_hz:.0f} Hz shows rates up to {deviation.bandwidth_hz:.0f} Hz; "
        f"the {name} reading needs {reach_hz:g} Hz"
    )


def _component(line: Line) -> FlutterComponent:
    return FlutterComponent(
        hz=line.hz,
        peak_percent=line.peak_percent,
        part=NotMeasured("not compared with a deck's parts"),
        hint=NotMeasured("no part is named"),
        hz_uncertainty=line.hz_uncertainty,
        peak_uncertainty_percent=line.peak_uncertainty_percent,
        slide_hz=line.slide_hz,
    )
