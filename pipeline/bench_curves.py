"""What a certificate draws, thinned to what a print can show: the speed over time, and its spectrum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.bench_speed import slow_course
from pipeline.demodulate import Demodulated
from pipeline.deviation import Deviation, DeviationBands, weighting
from pipeline.flutter import FlutterCriteria, deviation_of, flat_band_hz
from pipeline.flutter_lines import Line
from pipeline.records import NotMeasured
from pipeline.speed import error_percent
from pipeline.tone import Tone

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class CurveCriteria:
    """How fine curves are (table ``[course]`` of ``config/bench.toml``).

    columns    points across
    segment_s  the spectrum is the mean over pieces of this length, seconds
    slow_s     the slow course of the speed is averaged over this long, seconds
    """

    columns: int
    segment_s: float
    slow_s: float


@dataclass(frozen=True)
class Envelope:
    """Lowest and highest deviation in each column, percent; (columns,) each."""

    times_s: Array
    low_percent: Array
    high_percent: Array


@dataclass(frozen=True)
class SlowCourse:
    """Speed error of one tone over time; (points,) each."""

    nominal_hz: float
    times_s: Array
    error_percent: Array


@dataclass(frozen=True)
class DeviationSpectrum:
    """Peak deviation of a line at each rate, percent; (columns,) each, even over log Hz. floor: what hiss makes."""

    hz: Array
    unweighted_percent: Array
    weighted_percent: Array
    floor_percent: Array | None


@dataclass(frozen=True)
class BenchCurves:
    """The three curves of the tone that shows most; None where it is too short. slow: one for each nominal tone."""

    slow: tuple[SlowCourse, ...]
    unweighted: Envelope | None
    weighted: Envelope | None
    spectrum: DeviationSpectrum | None


def draw_curves(
    tones: Sequence[Tone],
    demodulated: Sequence[Demodulated],
    best: Demodulated | None,
    lines: Sequence[Line],
    flutter: FlutterCriteria,
    criteria: CurveCriteria,
) -> BenchCurves:
    """``best`` is the tone that flutter is read from, None where none is; ``lines`` are those found in it."""
    slow = tuple(
        _slow(tone, tone.nominal_hz, course, criteria)
        for tone, course in zip(tones, demodulated, strict=True)
        if not isinstance(tone.nominal_hz, NotMeasured) and course.seconds >= criteria.slow_s
    )
    if best is None:
        return BenchCurves(slow, None, None, None)
    deviation = deviation_of(best)
    band_hz = flat_band_hz(deviation, flutter)
    bands = DeviationBands(deviation, band_hz, lines, flutter.bands)
    flat, weighted = bands.part(), bands.part(weighted=True)
    return BenchCurves(
        slow,
        _envelope(flat, best, criteria),
        _envelope(weighted, best, criteria),
        _spectrum(deviation, band_hz, criteria),
    )


def _slow(tone: Tone, nominal_hz: float, course: Demodulated, criteria: CurveCriteria) -> SlowCourse:
    times_s, percent = slow_course(course, criteria.slow_s)
    thin = max(1, len(times_s) // criteria.columns)
    speed = course.carrier_hz * (1 + percent[::thin] / 100)
    error = np.array([error_percent(float(hz), nominal_hz) for hz in speed])
    return SlowCourse(nominal_hz, times_s[::thin], error)


def _envelope(percent: Array, tone: Demodulated, criteria: CurveCriteria) -> Envelope:
    edge_s = (tone.seconds - len(percent) / tone.rate_hz) / 2
    edges = np.unique(np.linspace(0, len(percent), criteria.columns + 1).astype(int))
    low, high = np.minimum.reduceat(percent, edges[:-1]), np.maximum.reduceat(percent, edges[:-1])
    times_s = tone.start_s + edge_s + (edges[:-1] + edges[1:]) / 2 / tone.rate_hz
    return Envelope(times_s, low, high)


def _spectrum(deviation: Deviation, band_hz: tuple[float, float], criteria: CurveCriteria) -> DeviationSpectrum:
    """A mean over half-overlapped pieces; each column holds the highest of its bins, so that no line is lost."""
    from scipy.fft import next_fast_len, rfft

    length = min(len(deviation.percent), round(criteria.segment_s * deviation.rate_hz))
    window = np.hanning(length + 2)[1:-1]
    padded = next_fast_len(2 * length, real=True)
    along = np.linspace(-1, 1, length)
    powers = []
    for start in range(0, len(deviation.percent) - length + 1, max(1, length // 2)):
        piece = deviation.percent[start : start + length]
        piece = piece - np.polynomial.legendre.legval(along, np.polynomial.legendre.legfit(along, piece, 2))
        powers.append(np.abs(rfft(piece * window, padded) * 2 / window.sum()) ** 2)
    height = np.sqrt(np.mean(powers, axis=0))
    bin_hz = deviation.rate_hz / padded
    hz = np.geomspace(*band_hz, criteria.columns)
    edges = np.sqrt(hz[1:] * hz[:-1])
    low = np.concatenate([[hz[0]], edges]) / bin_hz
    high = np.concatenate([edges, [hz[-1]]]) / bin_hz
    last = len(height) - 1
    unweighted = np.array(
        [height[int(a) : min(last, max(int(a), int(b))) + 1].max() for a, b in zip(low, high, strict=True)]
    )
    floor = None
    if not isinstance(deviation.hiss_rad2_hz, NotMeasured):
        # Mean height of a bin of noise: its density over the window's noise bandwidth.
        bandwidth_hz = deviation.rate_hz * float(np.sum(window**2)) / float(window.sum()) ** 2
        density = deviation.hiss_rad2_hz * (100 * hz / deviation.carrier_hz) ** 2
        floor = np.sqrt(2 * density * bandwidth_hz)
    return DeviationSpectrum(hz, unweighted, unweighted * weighting(hz), floor)
