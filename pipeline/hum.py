"""Mains hum and its harmonics, and whether it came from the deck or stands on the tape.

Both channels are kept at about ``SERIES_HZ`` while the capture is read (90 minutes: some 28 MB), so that the closing
call can look at any stretch with windows long enough to tell 50.0 from 49.8 Hz. Leader, silence and programme are each
looked at by themselves: in the first two the mean over windows, in programme the level that stands in four windows
of five, which a bass line does not.

A line belongs to a family: harmonics of one fundamental near 50 or 60 Hz. Mains keeps within a percent of its nominal
value nearly always (EN 50160, check-values §5.3), a tape's speed does not, so a family further off than that was
recorded. Where a leader is there, it decides: what stands in it comes from the deck, what stands only where tape plays
is on the tape; of two lines nearer to each other than a short leader resolves, the nearer one to its line is the
deck's. Without it, hum at mains frequency may be either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.hum_jumps import HumJumpCriteria, find_hum_jumps
from pipeline.hum_turn import ACROSS
from pipeline.regions import Region, RegionKind
from pipeline.rows import Rows

Array = np.ndarray[Any, Any]

SERIES_HZ = 640.0
TAPS_PER_STEP = ACROSS  # length of the decimating filter in output steps
PASSBAND_HZ = 272.0  # above it lines would be mirrored
MAINS_HZ = (50.0, 60.0)
HARMONICS = 5
PROGRAMME_HARMONICS = 3  # higher ones are mistaken for notes
PIECE_FRAMES = 1 << 15  # larger products would be spread over threads, which cost more than they save at this size
LEVEL_TOLERANCE_DB = 6.0  # a line this much louder where tape plays than in the leader is not the deck's alone


class HumOrigin(StrEnum):
    DECK = "deck"
    TAPE = "tape"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class HumLine:
    """level_dbfs: r.m.s. of the line, in the channel where it is louder (a full-scale sine is -3.01)."""

    hz: float
    level_dbfs: float
    origin: HumOrigin


@dataclass(frozen=True)
class HumCriteria:
    """window_s                longest analysis window (s): resolution is about 1.5 / window_s
    programme_window_s      the same in programme, where many windows are needed
    shortest_s              stretches shorter than this are not looked at
    fewest_windows          windows of programme below which it is not looked at
    prominence_db           a line stands this much above its surroundings
    alone_db                one without relatives stands this much above them
    lowest_dbfs             lines below this are left out
    mains_tolerance_percent how far mains strays from 50 or 60 Hz
    speed_range_percent     how far the tape's speed may be off, to either side
    agreement_percent       harmonics of one family agree within this
    """

    window_s: float
    programme_window_s: float
    shortest_s: float
    fewest_windows: int
    prominence_db: float
    alone_db: float
    lowest_dbfs: float
    mains_tolerance_percent: float
    speed_range_percent: float
    agreement_percent: float


@dataclass(frozen=True)
class _Line:
    hz: float
    level_dbfs: float
    prominence_db: float
    off_mains_percent: float


@dataclass(frozen=True)
class _Spectrum:
    """power: (channels, bins) mean square per bin, ``bin_hz`` apart; ``width_hz`` is the resolution."""

    power: Array
    bin_hz: float
    width_hz: float

    def level_dbfs(self, hz: float) -> float:
        """R.m.s. of what stands at ``hz`` above its surroundings, in the louder channel; at least -200."""
        centre, half = round(hz / self.bin_hz), round(self.width_hz / self.bin_hz)
        line = self.power[:, centre - half : centre + half + 1].sum(1)
        floor = np.array([_surroundings(power, centre, half) for power in self.power]) * (2 * half + 1)
        return 10 * float(np.log10(max(float(np.max(line - floor)), 1e-20)))


class HumMeter:
    """Feed blocks of float32 (frames, channels) in order; `measure_hum` closes and may be called again."""

    def __init__(self, rate_hz: int, channels: int, criteria: HumCriteria) -> None:
        self._criteria, self._channels = criteria, channels
        self._step = max(1, round(rate_hz / SERIES_HZ))
        self._series_hz = rate_hz / self._step
        self._filter = _filter_columns(rate_hz, self._step)
        self._held = np.zeros((channels, 0), np.float32)
        self._series = Rows()

    def feed(self, block: Array) -> None:
        for at in range(0, len(block), PIECE_FRAMES):
            self._take(block[at : at + PIECE_FRAMES].T)

    def _take(self, piece: Array) -> None:
        held = np.concatenate([self._held, piece], axis=1) if self._held.shape[1] else piece
        steps = held.shape[1] // self._step
        ready = steps - TAPS_PER_STEP + 1
        if ready > 0:
            rows = held[:, : steps * self._step].reshape(self._channels, steps, self._step)
            parts = rows @ self._filter
            self._series.add(np.sum([parts[:, k : k + ready, k] for k in range(TAPS_PER_STEP)], axis=0).T)
            held = held[:, ready * self._step :]
        self._held = held.copy()

    def measure_hum(self, regions: Sequence[Region]) -> tuple[HumLine, ...]:
        """Every line of hum found in leader, silence or programme, lowest first; empty where there is none."""
        if not len(self._series):
            return ()
        series = self._series.whole()
        leader = self._spectrum(series, regions, RegionKind.LEADER)
        decks = self._lines(leader)
        found = [HumLine(line.hz, line.level_dbfs, HumOrigin.DECK) for line in decks]
        for kind in (RegionKind.SILENCE, RegionKind.PROGRAMME):
            spectrum = self._spectrum(series, regions, kind)
            width_hz = max((part.width_hz for part in (leader, spectrum) if part is not None), default=0.0)
            lines = self._lines(spectrum, in_programme=kind is RegionKind.PROGRAMME)
            for line in lines:
                beside = leader is not None and _is_beside(line, lines, decks, leader.width_hz)
                origin = HumOrigin.TAPE if beside else self._origin(line, leader, kind)
                known = [old for old in found if abs(old.hz - line.hz) < width_hz]
                if not any(old.origin is origin or origin is HumOrigin.UNKNOWN for old in known):
                    found.append(HumLine(line.hz, line.level_dbfs, origin))
        return tuple(sorted(found, key=lambda line: line.hz))

    def find_jumps(
        self, lines: Sequence[HumLine], regions: Sequence[Region], criteria: HumJumpCriteria
    ) -> tuple[int, ...]:
        """The first frames, of those fed, after losses within the electronics' hum; lines: what `measure_hum` found."""
        within = self._criteria.mains_tolerance_percent / 100
        mains = [
            (line.level_dbfs, line.hz / order)
            for line in lines
            for order in range(1, HARMONICS + 1)
            if line.origin is not HumOrigin.TAPE and min(abs(line.hz / order / hz - 1) for hz in MAINS_HZ) <= within
        ]
        hz = max(mains)[1] if mains else 0.0
        jumps = find_hum_jumps(self._series.whole(), self._series_hz, hz, regions, criteria) if mains else ()
        return tuple(round((at + (TAPS_PER_STEP - 1) / 2) * self._step) for at in jumps)

    def _origin(self, line: _Line, leader: _Spectrum | None, kind: RegionKind) -> HumOrigin:
        if leader is not None:
            louder_db = line.level_dbfs - leader.level_dbfs(line.hz)
            return HumOrigin.TAPE if louder_db > LEVEL_TOLERANCE_DB else HumOrigin.DECK
        if kind is RegionKind.SILENCE and abs(line.off_mains_percent) > self._criteria.mains_tolerance_percent:
            return HumOrigin.TAPE
        return HumOrigin.UNKNOWN

    def _spectrum(self, series: Array, regions: Sequence[Region], kind: RegionKind) -> _Spectrum | None:
        """The mean over windows; in programme the level that four windows of five reach. None where too short."""
        import scipy.fft

        criteria = self._criteria
        bounds = [
            (round(region.start_s * self._series_hz), min(round(region.stop_s * self._series_hz), len(series)))
            for region in regions
            if region.kind is kind
        ]
        programme = kind is RegionKind.PROGRAMME
        longest = max((stop - start for start, stop in bounds), default=0)
        wanted_s = criteria.programme_window_s if programme else criteria.window_s
        length = min(longest, round(wanted_s * self._series_hz))
        if length < criteria.shortest_s * self._series_hz:
            return None
        starts = [at for start, stop in bounds for at in range(start, stop - length + 1, length // 2)]
        if programme and len(starts) < criteria.fewest_windows:
            return None
        starts = starts[:: max(1, len(starts) // 400)]  # enough to tell; keeps memory small on long sides
        window = np.hanning(length + 1)[:-1].astype(np.float32)
        padded = scipy.fft.next_fast_len(4 * length, real=True)
        powers = np.empty((len(starts), self._channels, round(300 * padded / self._series_hz)), np.float32)
        for row, at in enumerate(starts):
            spectrum = scipy.fft.rfft(series[at : at + length].T * window, padded, axis=-1)[:, : powers.shape[2]]
            powers[row, :, : spectrum.shape[1]] = np.abs(spectrum) ** 2
        power = np.percentile(powers, 20, axis=0) if programme else powers.mean(0, dtype=np.float64)
        scale = 2.0 / (padded * float(np.sum(window.astype(np.float64) ** 2)))
        return _Spectrum(power * scale, self._series_hz / padded, 2.0 * self._series_hz / length)

    def _lines(self, spectrum: _Spectrum | None, in_programme: bool = False) -> list[_Line]:
        """The lines of every family in this spectrum; in programme, where notes are, of two members at least."""
        if spectrum is None:
            return []
        peaks = _peaks(spectrum, self._criteria.prominence_db)
        found: list[_Line] = []
        while peaks:
            orders = PROGRAMME_HARMONICS if in_programme else HARMONICS
            family, off_percent = self._strongest_family(peaks, spectrum.width_hz, orders)
            if len(family) < 2 and (in_programme or not family or family[0][1] < self._criteria.alone_db):
                break
            found += [_Line(hz, spectrum.level_dbfs(hz), over_db, off_percent) for hz, over_db in family]
            near_hz = spectrum.width_hz
            peaks = [peak for peak in peaks if all(abs(peak[0] - member[0]) > near_hz / 2 for member in family)]
        return [line for line in found if line.level_dbfs > self._criteria.lowest_dbfs]

    def _strongest_family(
        self, peaks: list[tuple[float, float]], width_hz: float, orders: int
    ) -> tuple[list[tuple[float, float]], float]:
        """The peaks (Hz, dB over surroundings) that are harmonics of one fundamental, and its distance from mains."""
        best: tuple[list[tuple[float, float]], float] = ([], 0.0)
        criteria = self._criteria
        reach_percent = criteria.speed_range_percent + criteria.mains_tolerance_percent
        for mains_hz in MAINS_HZ:
            for hz, _ in peaks:
                for order in range(1, orders + 1):
                    fundamental_hz = hz / order
                    off_percent = 100 * (fundamental_hz / mains_hz - 1)
                    if abs(off_percent) > reach_percent:
                        continue
                    family = _harmonics(peaks, fundamental_hz, criteria.agreement_percent / 100, width_hz, orders)
                    if not family or family[0][0] > 2.5 * fundamental_hz:  # a third alone is some note or whistle
                        continue
                    if sum(peak[1] for peak in family) > sum(peak[1] for peak in best[0]):
                        best = (family, off_percent)
        return best


def _filter_columns(rate_hz: int, step: int) -> Array:
    """A low-pass as (step, taps), so that one matrix product filters and decimates at once."""
    length = step * TAPS_PER_STEP
    cutoff_hz = 0.5 * (PASSBAND_HZ + rate_hz / step - PASSBAND_HZ)
    at = np.arange(length) - (length - 1) / 2
    taps = np.sinc(2 * cutoff_hz / rate_hz * at) * np.kaiser(length, 4.0)
    taps /= taps.sum()
    return taps.reshape(TAPS_PER_STEP, step).T.astype(np.float32)


def _is_beside(line: _Line, lines: Sequence[_Line], decks: Sequence[_Line], width_hz: float) -> bool:
    """Whether the deck's line is another: a short leader shows it as broad as both, but one of both is its own."""
    for deck in decks:
        if abs(line.hz - deck.hz) < 2 * width_hz and line.hz != min(lines, key=lambda each: abs(each.hz - deck.hz)).hz:
            return True
    return False


def _surroundings(power: Array, centre: int, half: int) -> float:
    """The median of what lies between two and twelve widths to both sides."""
    low, high = max(0, centre - 12 * half), centre + 2 * half
    return float(
        np.median(np.concatenate([power[low : max(low, centre - 2 * half)], power[high : centre + 12 * half]]))
    )


def _peaks(spectrum: _Spectrum, prominence_db: float) -> list[tuple[float, float]]:
    """(Hz, dB over surroundings) of every line from below the lowest to above the highest harmonic."""
    power = spectrum.power.sum(0)
    half = round(spectrum.width_hz / spectrum.bin_hz)
    first, last = round(44 / spectrum.bin_hz), round(PASSBAND_HZ / spectrum.bin_hz)
    middle = power[first:last]
    tops = (middle > power[first - 1 : last - 1]) & (middle >= power[first + 1 : last + 1])
    found = []
    for at in np.flatnonzero(tops) + first:
        floor = _surroundings(power, int(at), half)
        near = power[max(0, at - half) : at + half + 1]
        over_db = 10 * np.log10(max(power[at], 1e-30) / max(floor, 1e-30))
        if over_db < prominence_db or power[at] < near.max():
            continue
        left, top, right = np.log(np.maximum(power[at - 1 : at + 2], 1e-30))
        offset = 0.5 * (left - right) / min(left - 2 * top + right, -1e-12)
        found.append((float((at + np.clip(offset, -0.5, 0.5)) * spectrum.bin_hz), float(over_db)))
    return found


def _harmonics(
    peaks: list[tuple[float, float]], fundamental_hz: float, agreement: float, width_hz: float, orders: int
) -> list[tuple[float, float]]:
    family = []
    for order in range(1, orders + 1):
        wanted_hz = order * fundamental_hz
        near = [peak for peak in peaks if abs(peak[0] - wanted_hz) < agreement * wanted_hz + 0.15 * width_hz]
        if near:
            family.append(max(near, key=lambda peak: peak[1]))
    return family
