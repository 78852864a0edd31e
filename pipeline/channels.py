"""How the two channels of a capture belong together: layout, balance, azimuth delay, correlation.

Twice in every stretch of a quarter of a second a short Hann-windowed frame is transformed. Of it only the two powers
and the cross power in some thirty bands are kept, so that the closing call can look at programme alone, and hum, rumble
and DC (below ``LOWEST_HZ``) never count.

A layout is read from the residual: the share of power that no fixed gain and delay, band by band, carries from one
channel into the other. It is 0 for a mono deck captured in stereo. Independent hiss adds to it, as it does for a mono
recording on a stereo head, and hum of the deck has a polarity of its own, so powers and cross power of the pauses are
taken off first; of the quietest stretches where no pause is known.

Delay is the slope of the cross spectrum's phase over frequency. Its uncertainty comes from groups of stretches that
must agree: programme spread wide by spaced microphones has no one delay, and then none is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from pipeline.channel_bands import SILENT, Array, Bands, coarse_delay_s, coherence_of, delay_weight, fine_delay_s
from pipeline.records import NotMeasured, Reading
from pipeline.rows import Rows
from pipeline.spans import Span

FRAME_S = 0.0213  # 2048 frames at 96 kHz
STRETCH_S = 0.25
FRAMES_PER_STRETCH = 2
LOWEST_HZ = 250.0
# narrow where the residual is read: 150 µs of delay turn the phase by 0.12 rad across 125 Hz, a residual of 0.001
EDGES_HZ = (*np.arange(LOWEST_HZ, 2000.0, 125.0), *np.arange(2000.0, 4000.0, 250.0), *np.arange(4000.0, 12001.0, 500.0))


class Layout(StrEnum):
    MONO = "mono"  # one channel, or two that carry the same
    STEREO = "stereo"
    LEFT_ONLY = "left-only"
    RIGHT_ONLY = "right-only"
    INVERTED = "inverted"  # opposite polarity: two that carry the same, or stereo with one channel turned over


@dataclass(frozen=True)
class Channels:
    """balance_db: right minus left. delay_us: positive when the right channel comes later. correlation: -1 … 1, with
    the delay taken out. delay_uncertainty_us: one standard error of the delay."""

    layout: Layout
    balance_db: Reading
    delay_us: Reading
    correlation: Reading
    delay_uncertainty_us: Reading


@dataclass(frozen=True)
class ChannelCriteria:
    """dead_db                      a channel this far below the other (dB, loud stretches) is dead whatever it holds
    steady_db                    a channel is dead too if its level moves less than this (dB, 10th to 90th percentile)
                                 while the other's moves more, and they have nothing in common
    unrelated                    coherence (0 … 1) below which two channels have nothing in common
    related                      coherence (0 … 1) below which two channels are never called the same
    mono_residual                residual share of power (0 … 1), hiss taken off, up to which two channels are the same
    mono_highest_hz              residual is read up to here (Hz); above, a wandering azimuth would count
    opposed_correlation          stereo below this (-1 … 1) has one channel turned over
    lapse_db                     stretches whose balance is further (dB) from the usual are left out for the residual …
    lapse_share                  … where the others hold this share of all power (0 … 1)
    hiss_share                   most that may be taken off as hiss (0 … 1) where no stretch without programme is there
    quietest_programme_dbfs      below this (dBFS, ``LOWEST_HZ`` to 12 kHz) a capture holds nothing to measure
    greatest_delay_us            delays are looked for within +- this
    greatest_uncertainty_us      a delay less certain than this (one standard error) is not told
    delay_groups                 groups of stretches whose delays must agree
    shortest_s                   programme shorter than this gives no delay
    """

    dead_db: float
    steady_db: float
    unrelated: float
    related: float
    mono_residual: float
    mono_highest_hz: float
    opposed_correlation: float
    lapse_db: float
    lapse_share: float
    hiss_share: float
    quietest_programme_dbfs: float
    greatest_delay_us: float
    greatest_uncertainty_us: float
    delay_groups: int
    shortest_s: float


class ChannelMeter:
    """Feed blocks of float32 (frames, channels) in order; `measure_channels` closes and may be called again."""

    def __init__(self, rate_hz: int, channels: int, criteria: ChannelCriteria) -> None:
        self._criteria = criteria
        self._channels = channels
        self._length = int(2 ** round(np.log2(rate_hz * FRAME_S)))
        self._step = max(self._length, round(rate_hz * STRETCH_S / FRAMES_PER_STRETCH))
        self._stretch_s = self._step * FRAMES_PER_STRETCH / rate_hz
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(self._length) / self._length)).astype(np.float32)
        self._scale = np.float32(2.0 / (self._length * float(np.sum(self._window.astype(np.float64) ** 2))))
        edges_hz = [edge for edge in EDGES_HZ if edge <= 0.46 * rate_hz]
        self._edges = np.round(np.array(edges_hz) * self._length / rate_hz).astype(int)
        self._hz = np.arange(self._edges[0], self._edges[-1], dtype=np.float32) * np.float32(rate_hz / self._length)
        self._held = np.zeros((channels, 0), np.float32)
        self._table = tuple(Rows() for _ in range(4))

    def feed(self, block: Array) -> None:
        if self._channels == 1:
            return
        whole = self._step * FRAMES_PER_STRETCH
        held = np.concatenate([self._held, block.T], axis=1) if self._held.shape[1] else block.T
        used = held.shape[1] // whole * whole
        if used:
            frames = held[:, :used].reshape(2, -1, self._step)[..., : self._length]
            for column, rows in zip(self._table, self._reduced(frames, FRAMES_PER_STRETCH), strict=True):
                column.add(rows)
        self._held = held[:, used:].copy()

    def _reduced(self, frames: Array, together: int) -> tuple[Array, Array, Array, Array]:
        """frames is (2, frames, length); gives (frames / together, bands) of each part of `Bands`."""
        import scipy.fft

        low, high = self._edges[0], self._edges[-1]
        left, right = scipy.fft.rfft(frames * self._window, axis=-1)[..., low:high]
        cross = np.conj(left) * right  # its phase is minus the delay of the right channel
        weight = np.abs(cross)
        parts = (left.real**2 + left.imag**2, right.real**2 + right.imag**2, cross, weight, weight * self._hz)
        starts = self._edges[:-1] - low
        powers = [np.add.reduceat(part, starts, axis=1) * self._scale for part in parts]
        grouped = [power.reshape(-1, together, power.shape[1]).mean(1) for power in powers]
        return (*grouped[:3], grouped[4] / np.maximum(grouped[3], np.float32(1e-30)))

    def measure_channels(self, spans: Sequence[Span] | None, hiss_spans: Sequence[Span] = ()) -> Channels:
        """Layout and numbers over programme and tones; ``spans`` None is the whole capture, empty is "no programme".

        hiss_spans  pauses: the tape runs, its hiss and the deck's hum are heard and nothing else; never a leader
        """
        if self._channels == 1:
            return _untold(Layout.MONO, "one channel")
        bands = self._bands()
        if not np.any(bands.left > SILENT) and not np.any(bands.right > SILENT):
            return _untold(Layout.MONO, "both channels are digital silence")
        inside = np.full(len(bands.left), True) if spans is None else self._within(spans, len(bands.left))
        pauses = bands.taken(self._within(hiss_spans, len(bands.left)) & ~inside)
        if not np.any(inside):
            layout = _read_layout(bands, bands.taken(inside), self._criteria)
            return _untold(layout, "programme is too short" if spans else "no programme")
        chosen = bands.taken(inside)
        loudest = np.max(np.maximum(chosen.left.sum(1), chosen.right.sum(1)))
        if 10 * np.log10(max(float(loudest), SILENT)) < self._criteria.quietest_programme_dbfs:
            return _untold(_read_layout(chosen, pauses, self._criteria), "nothing louder than noise")
        return self._measured(chosen, pauses)

    def _within(self, spans: Sequence[Span], count: int) -> Array:
        """Which of the stretches lie wholly in a span, (count,)."""
        starts_s, inside = np.arange(count) * self._stretch_s, np.full(count, False)
        for span in spans:
            inside |= (starts_s >= span.start_s) & (starts_s + self._stretch_s <= span.stop_s)
        return inside

    def _bands(self) -> Bands:
        if not len(self._table[0]):  # shorter than one stretch: one frame of what is there, filled up with zeros
            frame = np.zeros((2, 1, self._length), np.float32)
            frame[:, 0, : self._held.shape[1]] = self._held[:, : self._length]
            return Bands(*self._reduced(frame, 1))
        return Bands(*(column.whole() for column in self._table))

    def _measured(self, chosen: Bands, pauses: Bands) -> Channels:
        layout = _read_layout(chosen, pauses, self._criteria)
        if layout in (Layout.LEFT_ONLY, Layout.RIGHT_ONLY):
            return _untold(layout, f"the {'right' if layout is Layout.LEFT_ONLY else 'left'} channel is dead")
        total = chosen.summed()
        balance_db = 10 * np.log10(total.right.sum() / total.left.sum())
        delay_us, uncertainty_us = self._measure_delay(chosen)
        turn_s = 0.0 if isinstance(delay_us, NotMeasured) else delay_us * 1e-6
        aligned = total.cross * np.exp(2j * np.pi * total.hz * turn_s)
        correlation = aligned.real.sum() / np.sqrt(total.left.sum() * total.right.sum())
        return Channels(layout, float(balance_db), delay_us, float(np.clip(correlation, -1, 1)), uncertainty_us)

    def _measure_delay(self, chosen: Bands) -> tuple[Reading, Reading]:
        criteria = self._criteria
        count = len(chosen.left)
        if count * self._stretch_s < criteria.shortest_s or count < 2 * criteria.delay_groups:
            return (NotMeasured("programme is too short"),) * 2
        total = chosen.summed()
        weight = delay_weight(total, count * FRAMES_PER_STRETCH)
        best_s = coarse_delay_s(total, weight, criteria.greatest_delay_us)
        groups = np.arange(count) * criteria.delay_groups // count  # whole stretches of time, so groups are independent
        parts = [chosen.taken(groups == group).summed() for group in range(criteria.delay_groups)]
        # a band in which a group has no note tells that group nothing
        usual = np.mean([np.abs(part.cross) for part in parts], axis=0)
        weights = [weight * np.minimum(1, np.abs(part.cross) / np.maximum(usual, 1e-30)) for part in parts]
        fits_s = [fine_delay_s(part, own, best_s)[0] for part, own in zip(parts, weights, strict=True)]
        delay_s, bands_error_s = fine_delay_s(total, weight, best_s)
        time_error_s = float(np.std(fits_s, ddof=1)) / np.sqrt(criteria.delay_groups)
        error_us = 1e6 * max(time_error_s, bands_error_s)
        if error_us > criteria.greatest_uncertainty_us:
            return (NotMeasured(f"the channels agree on no one delay (standard error {error_us:.1f} µs)"),) * 2
        if abs(delay_s) * 1e6 > 0.98 * criteria.greatest_delay_us:
            return (NotMeasured("no delay within the range looked at"),) * 2
        return float(1e6 * delay_s), float(error_us)


def _untold(layout: Layout, reason: str) -> Channels:
    return Channels(layout, *(NotMeasured(reason) for _ in range(4)))


def _read_layout(chosen: Bands, pauses: Bands, criteria: ChannelCriteria) -> Layout:
    left, right = chosen.left.sum(1, dtype=np.float64), chosen.right.sum(1, dtype=np.float64)
    loud = np.maximum(left, right) >= np.percentile(np.maximum(left, right), 70)
    difference_db = 10 * np.log10((right[loud].sum() + SILENT) / (left[loud].sum() + SILENT))
    if abs(difference_db) > criteria.dead_db:
        return Layout.LEFT_ONLY if difference_db < 0 else Layout.RIGHT_ONLY
    total = chosen.summed()
    low = total.hz < criteria.mono_highest_hz
    coherence = np.average(coherence_of(total)[low], weights=np.sqrt(total.left * total.right)[low] + SILENT)
    if coherence < criteria.unrelated:
        left_steady, right_steady = (_spread_db(power) < criteria.steady_db for power in (left, right))
        if left_steady != right_steady:
            return Layout.RIGHT_ONLY if left_steady else Layout.LEFT_ONLY
    clean = _without_noise(_without_lapses(chosen, criteria), pauses, low, criteria)
    power = np.sqrt(clean.left * clean.right)[low]
    residual = np.sum(power * (1 - coherence_of(clean)[low])) / np.maximum(power.sum(), SILENT)
    turn_s = coarse_delay_s(total, delay_weight(total, len(left) * FRAMES_PER_STRETCH), criteria.greatest_delay_us)
    aligned = np.sum((clean.cross * np.exp(2j * np.pi * total.hz * turn_s)).real)
    if aligned < criteria.opposed_correlation * np.sqrt(clean.left.sum() * clean.right.sum()):
        return Layout.INVERTED
    if coherence < criteria.related or residual > criteria.mono_residual:
        return Layout.STEREO
    return Layout.MONO if aligned > 0 else Layout.INVERTED


def _without_lapses(chosen: Bands, criteria: ChannelCriteria) -> Bands:
    """Without the stretches in which one channel drops out; all of them where balance changes as it does in stereo."""
    left, right = (part.sum(1, dtype=np.float64) + SILENT for part in (chosen.left, chosen.right))
    balance_db = 10 * np.log10(right / left)
    even = np.abs(balance_db - np.median(balance_db)) <= criteria.lapse_db
    is_most = (left + right)[even].sum() >= criteria.lapse_share * (left + right).sum()
    return chosen.taken(even) if is_most else chosen


def _spread_db(power: Array) -> float:
    low, high = 10 * np.log10(np.percentile(power + SILENT, [10, 90]))
    return float(high - low)


def _without_noise(chosen: Bands, pauses: Bands, low: Array, criteria: ChannelCriteria) -> Bands:
    """The stretches together, less the hiss and hum of the pauses; where there are none, of the quietest stretches.

    A band that holds more noise than programme is emptied.
    """
    total, known = chosen.summed(), len(pauses.left) > 0
    asked = pauses if known else chosen
    levels = np.sqrt(asked.left * asked.right)[:, low].sum(1)
    if not np.any(levels > SILENT):
        return total
    if known:  # no click, and no leader taken for a pause
        taken = np.abs(np.log2(np.maximum(levels, SILENT) / max(float(np.median(levels)), SILENT))) <= 1
    else:
        taken = (levels > SILENT) & (levels <= np.percentile(levels[levels > SILENT], 5))
    floor = asked.taken(taken).summed()
    times = len(chosen.left) / max(1, int(np.count_nonzero(taken)))
    if not known and np.average(coherence_of(floor)[low]) > criteria.unrelated:
        # the quietest there is may be programme: it must not hide its width
        power, noise = np.sqrt(total.left * total.right), np.sqrt(floor.left * floor.right) * (1 - coherence_of(floor))
        share = float(times * noise[low].sum() * 2 / np.maximum(power[low].sum(), SILENT))
        times *= min(1.0, criteria.hiss_share / max(share, SILENT))
    left, right = total.left - times * floor.left, total.right - times * floor.right
    heard = (left > 0.5 * total.left) & (right > 0.5 * total.right)
    if not np.any(heard & low):
        return total
    return Bands(left * heard, right * heard, (total.cross - times * floor.cross) * heard, total.hz)
