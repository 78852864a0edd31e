"""The lines of one piece of deviation: found one by one, fitted, taken out, and fitted again without each other.

Definition: a line is a sine in the speed deviation whose rate may slide evenly and whose depth may swell slowly. The
largest line above the local floor is fitted and taken out, then the next; after each, its neighbours are fitted again
with the others taken out, so that they do not lean on each other.

Conventions: what is significant follows from the floor around (`pipeline.line_floor`), not from a fixed limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.line_floor import noise_floor

Array = np.ndarray[Any, Any]
_REACH_BINS = 6  # a line that keeps its rate, and swells slowly, stays within this many bins under a sine window
# Least squares under a sine window, in noise of mean power F a bin: variance of the peak is _PEAK_SPREAD * F, that of
# the rate _HZ_SPREAD * F / (peak * seconds)**2; from the window's moments.
_PEAK_SPREAD = 0.608
_HZ_SPREAD = 0.289

_FOLLOWING = 1.3  # a line to either side up to so many times as deep as a rate that follows the tape's speed makes


@dataclass(frozen=True)
class LineCriteria:
    """What counts as a line (table ``[flutter.lines]`` of ``config/method.toml``).

    segment_s          a longer tone is taken in pieces of at most this length, seconds
    least_turns        a line must come round this often within a piece
    false_chance       chance that a piece of mere noise shows one line
    floor_doubt_db     how far the local floor may be underestimated, dB
    floor_bins         the floor at a rate is the median over this many bins to either side …
    floor_share        … or this share of the rate, whichever is more
    slide_share        largest slide within a piece, as a share of the rate (a drifting machine takes its parts along)
    least_slide_hz     … but always up to this (a reel fills), Hz
    slide_gain         a slide is believed when it raises the line's power by this factor
    skirt_bins         within this many bins of a stronger line …
    skirt_share        … a line of less than this share of its peak is that line's own unsteadiness
    swell_hz           so are two small lines alike, equally far to either side of a stronger one, up to this far, Hz
    lopsided           a line with one sideband below this share of the other is a foreign tone (hum), not speed
    least_percent      smaller lines are not told, percent of speed …
    least_share        … nor looked for where no bin holds this share of it (a line that slides spreads over many)
    most_lines         at most this many in a piece
    doubt_bins         what neighbours and an unsteady part may leave in a rate, bins (1 / seconds) …
    doubt_share        … and in a peak, as a share of it
    """

    segment_s: float
    least_turns: float
    false_chance: float
    floor_doubt_db: float
    floor_bins: int
    floor_share: float
    slide_share: float
    least_slide_hz: float
    slide_gain: float
    skirt_bins: float
    skirt_share: float
    swell_hz: float
    lopsided: float
    least_percent: float
    least_share: float
    most_lines: int
    doubt_bins: float
    doubt_share: float


@dataclass(frozen=True)
class Line:
    """One line. Uncertainties are half-widths that cover the truth in at least 95 % of cases.

    hz            mean rate over the tone
    peak_percent  peak deviation, mean over the tone
    slide_hz      rate at the end minus rate at the start
    foreign       it is no speed: a tone beside the carrier (hum), which a demodulator cannot keep out
    """

    hz: float
    hz_uncertainty: float
    peak_percent: float
    peak_uncertainty_percent: float
    slide_hz: float
    foreign: bool


@dataclass(frozen=True)
class _Fit:
    """One line in one piece: rate at its middle, slide over it, complex peak at its middle, how much that swells
    (r.m.s.), and the line's share of the spectrum from ``first_bin`` on."""

    hz: float
    slide_hz: float
    peak: complex
    swell: float
    first_bin: int
    spectrum: Array


class Piece:
    """The spectrum of one piece of tone, and the lines taken out of it so far."""

    def __init__(self, deviation: Array, rate_hz: float, band_hz: tuple[float, float], criteria: LineCriteria) -> None:
        from scipy.fft import next_fast_len, rfft

        self._criteria = criteria
        self._rate_hz = rate_hz
        self.seconds = len(deviation) / rate_hz
        along = np.linspace(-1, 1, len(deviation))
        drift = np.polynomial.legendre.legval(along, np.polynomial.legendre.legfit(along, deviation, 2))
        self._window = np.cos(np.pi / 2 * along * len(deviation) / (len(deviation) + 1))
        self._padded = next_fast_len(len(deviation), real=True)
        self._scale = 2 / self._window.sum()  # a line of peak d stands d high
        self._left = rfft((deviation - drift) * self._window, self._padded) * self._scale
        self._bin_hz = rate_hz / self._padded
        low_hz = max(band_hz[0], criteria.least_turns / self.seconds)
        self._first = round(low_hz / self._bin_hz)
        self._last = min(round(band_hz[1] / self._bin_hz), len(self._left) - 1 - _REACH_BINS)
        self._fits: list[_Fit] = []

    def lines(self, amplitude: Array | None, carrier_hz: float) -> list[Line]:
        from scipy.fft import rfft

        if self._last - self._first < 4 * _REACH_BINS:
            return []
        limit = math.log((self._last - self._first) / self._criteria.false_chance)
        limit *= 10 ** (self._criteria.floor_doubt_db / 10)
        least = (self._criteria.least_share * self._criteria.least_percent) ** 2
        band = slice(self._first, self._last + 1)
        while len(self._fits) < self._criteria.most_lines:
            power = np.abs(self._left[band]) ** 2
            if power.max() < least:
                break
            excess = np.where(power < least, 0.0, power / (limit * self._floor()[band]))
            top = int(np.argmax(excess))
            if excess[top] < 1:
                break
            fit = self._fit((self._first + top) * self._bin_hz)
            self._take_out(fit)
            self._settle([f for f in self._fits if abs(f.hz - fit.hz) < 2 * self._half_hz(fit.hz)])
        self._settle(list(self._fits))
        floor = self._floor()
        inside = [f for f in self._fits if self._first <= f.hz / self._bin_hz <= self._last]
        clear = [f for f in inside if abs(f.peak) ** 2 > limit * floor[round(f.hz / self._bin_hz)]]
        told = [f for f in clear if not self._is_skirt(f, clear)]
        swings = None if amplitude is None else rfft(amplitude * self._window, self._padded) * self._scale
        return [self._told(f, floor, swings is not None and self._foreign(f, swings, carrier_hz)) for f in told]

    def _floor(self) -> Array:
        """Mean power of the noise in each bin; where a line was taken out, some of the noise went with it."""
        taken = np.zeros(len(self._left), bool)
        for fit in self._fits:
            at, half = round(fit.hz / self._bin_hz), 3 + round(abs(fit.slide_hz) / 2 / self._bin_hz)
            taken[max(0, at - half) : at + half + 1] = True
        power = np.abs(self._left) ** 2
        return noise_floor(power, taken, self._last, self._criteria.floor_bins, self._criteria.floor_share)

    def _slide_hz(self, hz: float) -> float:
        return max(self._criteria.least_slide_hz, self._criteria.slide_share * hz)

    def _half_hz(self, hz: float) -> float:
        return self._slide_hz(hz) / 2 + _REACH_BINS * self._bin_hz

    def _band(self, hz: float) -> tuple[int, int, Array, Array]:
        """Bins about hz, and the time grid of that band alone: seconds from the piece's middle, window there."""
        half = max(4, min(math.ceil(self._half_hz(hz) / self._bin_hz), round(hz / self._bin_hz) - 1))
        count = 4 * half
        at_s = np.arange(count) / (count * self._bin_hz) - (self.seconds - 1 / self._rate_hz) / 2
        window = np.where(np.abs(at_s) < self.seconds / 2, np.cos(np.pi * at_s / self.seconds), 0.0)
        return round(hz / self._bin_hz), half, at_s, window * (self._rate_hz / self._bin_hz) * self._scale / 2

    def _fit(self, hz: float, start: _Fit | None = None) -> _Fit:
        """The line near hz in what is left: searched for where there is no start, then refined to least squares."""
        centre, half, at_s, window = self._band(hz)
        bins, voice = _voice(self._left, centre, half, len(at_s))
        centre_hz = centre * self._bin_hz
        if start is None:
            offset_hz, slide_hz = self._search(voice * window, at_s, hz)
        else:
            offset_hz, slide_hz = start.hz - centre_hz, start.slide_hz
        start_hz = offset_hz = max(offset_hz, 4 * self._bin_hz - centre_hz)  # below, both halves of the spectrum meet
        at = 2 * at_s / self.seconds
        powers = np.stack([window, window * at, window * at**2, window * at**3], axis=1)
        inverse = np.linalg.pinv(powers[:, :3])
        largest_hz = self._slide_hz(hz)
        for _ in range(4):
            turn = np.exp(-2j * np.pi * (offset_hz * at_s + slide_hz / (2 * self.seconds) * at_s**2))
            level, tilt, bend = inverse @ (voice * turn)
            offset_hz += float((tilt / level).imag) / (np.pi * self.seconds)
            slide_hz += 4 / (np.pi * self.seconds) * float((bend / level).imag)
            offset_hz = float(np.clip(offset_hz, start_hz - 2 * self._bin_hz, start_hz + 2 * self._bin_hz))
            slide_hz = float(np.clip(slide_hz, -largest_hz, largest_hz))
        turn = np.exp(-2j * np.pi * (offset_hz * at_s + slide_hz / (2 * self.seconds) * at_s**2))
        shape = powers @ (np.linalg.pinv(powers) @ (voice * turn))
        share = np.fft.fft(shape / turn) / len(at_s)
        depth = np.abs(shape)
        swell = math.sqrt(np.mean((depth - window * (window @ depth) / (window @ window)) ** 2) / np.mean(window**2))
        middle_s = (self.seconds - 1 / self._rate_hz) / 2
        peak = (window * voice * turn).sum() / (window**2).sum() * np.exp(2j * np.pi * centre_hz * middle_s)
        return _Fit(centre_hz + offset_hz, slide_hz, complex(peak), swell, centre + int(bins[0]), share[bins])

    def _search(self, voice: Array, at_s: Array, hz: float) -> tuple[float, float]:
        """Offset from the band's centre and slide with the most power, a line that keeps its rate being preferred."""
        steps = math.ceil(self._slide_hz(hz) / self._bin_hz / 2)  # of two bins: the refinement finds what is between
        slides_hz = np.arange(-steps, steps + 1) * 2 * self._bin_hz
        bent = voice * np.exp(-1j * np.pi * slides_hz[:, None] / self.seconds * at_s**2)
        size = 2 * len(at_s)
        power = np.abs(np.fft.fft(bent, size, axis=1)) ** 2
        offsets = np.fft.fftfreq(size, at_s[1] - at_s[0])
        power[:, np.abs(offsets) > self._half_hz(hz) - 3 * self._bin_hz] = 0
        best = power.max(axis=1)
        best[steps] *= self._criteria.slide_gain
        row = int(np.argmax(best))
        return float(offsets[np.argmax(power[row])]), float(slides_hz[row])

    def _take_out(self, fit: _Fit) -> None:
        self._left[fit.first_bin : fit.first_bin + len(fit.spectrum)] -= fit.spectrum
        self._fits.append(fit)

    def _settle(self, fits: list[_Fit]) -> None:
        """Fit these lines again, each with the others taken out."""
        for _ in range(2 if len(fits) > 1 else 0):
            renewed = []
            for fit in fits:
                self._left[fit.first_bin : fit.first_bin + len(fit.spectrum)] += fit.spectrum
                self._fits.remove(fit)
                self._take_out(self._fit(fit.hz, fit))
                renewed.append(self._fits[-1])
            fits = renewed

    def _is_skirt(self, fit: _Fit, fits: list[_Fit]) -> bool:
        """Whether it is a stronger line's own unsteadiness: close beside it, or one of two alike to either side."""
        near_hz = self._criteria.skirt_bins * self._bin_hz
        for strong in fits:
            away_hz = abs(strong.hz - fit.hz)
            mirrored_hz = 2 * strong.hz - fit.hz
            twins = [f for f in fits if abs(f.hz - mirrored_hz) < 2 * self._bin_hz]
            has_twin = fit is not strong and any(0.5 < abs(t.peak / fit.peak) < 2 for t in twins)
            if has_twin and any(self._follows(fit, strong, slow) for slow in fits):
                return True
            if abs(fit.peak) > self._criteria.skirt_share * abs(strong.peak):
                continue
            if away_hz < near_hz + abs(strong.slide_hz) / 2 or (has_twin and away_hz < self._criteria.swell_hz):
                return True
        return False

    def _follows(self, fit: _Fit, strong: _Fit, slow: _Fit) -> bool:
        """Whether it is no more than what the strong line's part makes by following the tape in its slow wow: a part's
        rate rises and falls with the speed, which sets a line to either side as far away as the wow is quick."""
        away_hz = abs(strong.hz - fit.hz)
        if slow in (fit, strong) or slow.hz > strong.hz / 2:
            return False
        made = abs(strong.peak) * strong.hz * abs(slow.peak) / (200 * slow.hz)
        near_hz = 2 * self._bin_hz + (abs(slow.slide_hz) + abs(strong.slide_hz)) / 2
        return abs(away_hz - slow.hz) < near_hz and abs(fit.peak) < _FOLLOWING * made

    def _foreign(self, fit: _Fit, swings: Array, carrier_hz: float) -> bool:
        """Whether it is a tone beside the carrier: one sideband only, where speed makes two alike.

        swings  spectrum of the tone's amplitude, as high as that of the deviation
        """
        centre, half, at_s, _ = self._band(fit.hz)
        centre_hz = centre * self._bin_hz
        turns = (fit.hz - centre_hz) * at_s + fit.slide_hz / (2 * self.seconds) * at_s**2
        middle_s = (self.seconds - 1 / self._rate_hz) / 2
        along = np.exp(2j * np.pi * (centre_hz * middle_s - turns))
        swing = complex(np.mean(_voice(swings, centre, half, len(at_s))[1] * along))
        from_speed = carrier_hz * fit.peak / (100 * fit.hz)  # the phase it swings, turned by a quarter
        sidebands = sorted((abs(swing + from_speed), abs(swing - from_speed)))
        return bool(sidebands[0] < self._criteria.lopsided * sidebands[1])

    def _told(self, fit: _Fit, floor: Array, foreign: bool) -> Line:
        noise = floor[round(fit.hz / self._bin_hz)]
        peak = abs(fit.peak)
        doubt_bins = math.hypot(2 * math.sqrt(_HZ_SPREAD * noise) / peak, self._criteria.doubt_bins)
        return Line(
            hz=fit.hz,
            hz_uncertainty=doubt_bins / self.seconds,
            peak_percent=peak,
            peak_uncertainty_percent=math.hypot(
                2 * math.sqrt(_PEAK_SPREAD * noise), fit.swell, self._criteria.doubt_share * peak
            ),
            slide_hz=fit.slide_hz,
            foreign=foreign,
        )


def _voice(spectrum: Array, centre: int, half: int, count: int) -> tuple[Array, Array]:
    """The bins about the centre bin, and what they sound together against it, (count,) samples of the whole piece."""
    bins = np.arange(-min(half, centre - 1), min(half, len(spectrum) - 1 - centre) + 1)
    band = np.zeros(count, complex)
    band[bins] = spectrum[centre + bins]
    return bins, np.fft.ifft(band) * count
