"""The speed deviation of one tone, split into the bands that flutter is read in.

Conventions: filters have no phase shift and are applied to the whole tone at once, its ends mirrored. Hiss beside the
tone is phase noise of known density: where the deviation's power does not stand clear of it there is nothing to read,
and elsewhere it is subtracted in power. Hum beside the tone is cut out. In a short tone, slow lines already found are
fitted together with the drift and go round the filters, which would see too few of their turns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.line_fit import Line
from pipeline.records import NotMeasured, Reading
from pipeline.standards.wow_flutter import WEIGHTING_DB

Array = np.ndarray[Any, Any]
SPREAD = 4  # instants to a sample: 32 to a turn at 100 Hz miss its peak by half a percent
RUN = 251  # samples in a row at one of them


@dataclass(frozen=True)
class BandCriteria:
    """How the deviation is split (table ``[flutter.bands]`` of ``config/method.toml``).

    edge_s             not read at either end of the tone, where filters see only half, seconds
    short_s            a tone up to this long is short, seconds …
    slow_hz            … and a line below this rate is slow, Hz
    hiss_smoothing_hz  the deviation spectrum is compared with hiss over this width, Hz
    hiss_gate          where its power is below this multiple of the hiss's, it is hiss
    foreign_width_hz   taken out on either side of a hum line beside the tone, Hz
    """

    edge_s: float
    short_s: float
    slow_hz: float
    hiss_smoothing_hz: float
    hiss_gate: float
    foreign_width_hz: float


@dataclass(frozen=True)
class Deviation:
    """What is read: the speed deviation of one tone.

    percent        float64 (samples,), true to depth for rates up to bandwidth_hz
    rate_hz        samples a second
    carrier_hz     the tone's mean frequency
    hiss_rad2_hz   one-sided density of the phase noise that hiss makes, rad² a Hz; taken as even over the band
    amplitude      the tone's amplitude (samples,) about a mean of 1; None where not known
    """

    percent: Array
    rate_hz: float
    carrier_hz: float
    bandwidth_hz: float
    hiss_rad2_hz: Reading
    amplitude: Array | None = None


def weighting(rates_hz: Array) -> Array:
    """Linear factor of the weighting at each rate of modulation, straight in dB over log Hz between the table's rows.

    Above 200 Hz it goes on falling as between its last two rows; below 0.1 Hz it is nothing.
    """
    hz, db = (np.array(column) for column in list(zip(*WEIGHTING_DB, strict=True))[:2])
    octaves = np.log2(np.maximum(rates_hz, hz[0] / 2) / hz[-1])
    slope_db = (db[-1] - db[-2]) / np.log2(hz[-1] / hz[-2])
    inside_db = np.interp(octaves, np.log2(hz / hz[-1]), db)
    factors = 10 ** (np.where(octaves > 0, db[-1] + slope_db * octaves, inside_db) / 20)
    return np.asarray(np.where(rates_hz < hz[0], 0.0, factors))


class DeviationBands:
    """The deviation's spectrum, hiss and hum taken out, from which each reading takes its part."""

    def __init__(
        self, deviation: Deviation, band_hz: tuple[float, float], lines: Sequence[Line], criteria: BandCriteria
    ) -> None:
        from scipy.fft import next_fast_len, rfft

        low_hz, high_hz = band_hz
        self._deviation = deviation
        count = len(deviation.percent)
        short = count <= criteria.short_s * deviation.rate_hz
        slow = [line for line in lines if short and line.hz < criteria.slow_hz and not line.foreign]
        flat, self._slow = _without_drift(deviation, slow)
        # The ends are mirrored, so that the filters' rings at the seam fall outside.
        self._mirror = min(count - 1, math.ceil(2 * deviation.rate_hz / low_hz))
        self._size = next_fast_len(count + 2 * self._mirror, real=True)
        spectrum = rfft(np.pad(flat, self._mirror, mode="reflect"), self._size)
        self._hz = np.arange(len(spectrum)) * deviation.rate_hz / self._size
        self._edge = min(round(criteria.edge_s * deviation.rate_hz), count // 10)
        octave_below = np.clip(np.log2(np.maximum(self._hz, 1e-9) / (low_hz / 2)), 0, 1)
        self._shape = np.where(self._hz > high_hz, 0.0, np.sin(np.pi / 2 * octave_below) ** 2)
        for line in (e for e in lines if e.foreign):
            width_hz = criteria.foreign_width_hz + abs(line.slide_hz) / 2
            self._shape[np.abs(self._hz - line.hz) < width_hz] = 0
        self._spectrum = spectrum * self._shape
        if not isinstance(deviation.hiss_rad2_hz, NotMeasured):
            self._spectrum *= self._above_hiss(spectrum, deviation.hiss_rad2_hz, criteria)

    def _above_hiss(self, spectrum: Array, hiss_rad2_hz: float, criteria: BandCriteria) -> Array:
        """Factor for each bin that leaves the power above the hiss, and nothing where there is mostly hiss."""
        deviation = self._deviation
        used = len(deviation.percent) + 2 * self._mirror
        density = 2 * np.abs(spectrum) ** 2 / (deviation.rate_hz * used)  # percent² a Hz
        width = max(3, round(criteria.hiss_smoothing_hz / self._hz[1]))
        above = _smoothed(density, width) / np.maximum(self._hiss_density(hiss_rad2_hz), 1e-30)
        return np.sqrt(np.where(above < criteria.hiss_gate, 0.0, 1 - 1 / np.maximum(above, 1.0)))

    def _hiss_density(self, hiss_rad2_hz: float) -> Array:
        """Hiss is even in phase; frequency is the phase's slope, so its power grows with the square of the rate."""
        return np.asarray(hiss_rad2_hz * (100 * self._hz / self._deviation.carrier_hz) ** 2)

    def part(self, band_hz: tuple[float, float] = (0.0, math.inf), weighted: bool = False) -> Array:
        """The deviation within band_hz, in percent, without the edges."""
        response = np.where((self._hz >= band_hz[0]) & (self._hz < band_hz[1]), 1.0, 0.0)
        if weighted:
            response *= weighting(self._hz)
        return self._inside(response, 0.0)

    def spread_part(self, weighted: bool = False) -> Array:
        """The same at instants between the samples, by turns: for statistics, not for its course in time.

        Eight samples to a turn, which 100 Hz has at 800 samples a second, may all miss its peak by 7 %.
        """
        response = weighting(self._hz) if weighted else np.ones(len(self._hz))
        spread = self._inside(response, 0.0)
        turns = np.arange(len(spread)) // RUN % SPREAD
        for turn in range(1, SPREAD):
            spread[turns == turn] = self._inside(response, turn / SPREAD)[turns == turn]
        return spread

    def _inside(self, response: Array, later: float) -> Array:
        """What passes this response, a share of a sample later."""
        from scipy.fft import irfft

        count = len(self._deviation.percent)
        shift = np.exp(2j * np.pi * self._hz * later / self._deviation.rate_hz) if later else 1.0
        part = irfft(self._spectrum * response * shift, self._size)[self._mirror : self._mirror + count]
        for hz, wave in self._slow:  # too slow for a sample to matter
            part += np.interp(hz, self._hz, response) * wave
        return np.asarray(part[self._edge : len(part) - self._edge])

    def floor_rms_percent(self, weighted: bool) -> Reading:
        hiss = self._deviation.hiss_rad2_hz
        if isinstance(hiss, NotMeasured):
            return hiss
        response = self._shape * (weighting(self._hz) if weighted else 1.0)
        return float(np.sqrt(np.sum(self._hiss_density(hiss) * response**2) * self._hz[1]))


def _smoothed(values: Array, width: int) -> Array:
    """The mean of every ``width`` neighbours, mirrored at the ends."""
    total = np.cumsum(np.pad(values, (width // 2 + 1, width - width // 2 - 1), mode="symmetric"))
    return np.asarray((total[width:] - total[:-width]) / width)


def _without_drift(deviation: Deviation, slow: Sequence[Line]) -> tuple[Array, list[tuple[float, Array]]]:
    """The deviation without drift and without these lines, and the lines apart, each with its rate."""
    count = len(deviation.percent)
    along = np.linspace(-1, 1, count)
    at_s = along * (count - 1) / 2 / deviation.rate_hz
    basis = [np.ones(count), along]
    for line in slow:
        turns = line.hz * at_s + line.slide_hz * deviation.rate_hz / (2 * count) * at_s**2
        basis += [np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)]
    columns = np.stack(basis)
    weights = np.linalg.solve(columns @ columns.T, columns @ deviation.percent)
    waves = [(e.hz, weights[2 + 2 * k : 4 + 2 * k] @ columns[2 + 2 * k : 4 + 2 * k]) for k, e in enumerate(slow)]
    return deviation.percent - weights @ columns, waves
