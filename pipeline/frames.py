"""Short frames over a whole capture: the level in octave bands, and the strongest line, every 20 ms or so.

What tells leader, silence, tone and programme apart is looked up here, so that a capture is transformed once. A frame
is about 43 ms of Hann-windowed signal, half overlapped, whatever the sample rate.

Conventions: levels are r.m.s. in dBFS with a full-scale sine at -3.01 dBFS (mean square of samples in -1 … 1); a band
or line with no energy at all reads ``SILENT_DB``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from pipeline.rows import Rows

Array = np.ndarray[Any, Any]

FRAME_S = 0.0427  # 2048 frames at 48 kHz
BAND_CENTRES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
LOWEST_LINE_HZ = 60.0  # below it a line is hum or rumble and never the strongest line we look for
EVEN_BANDS_HZ = (2000.0, 4000.0)  # above mains hum, below where tape and heads roll off
SILENT_DB = -200.0
BATCH_BYTES = 1 << 22  # measured at once: enough to be worth the calls
TRANSFORM_BYTES = 1 << 19  # transformed at once: few enough to stay in the processor's own cache


@dataclass(frozen=True)
class Frames:
    """One row a frame. Frame ``i`` is centred on ``times_s[i]``.

    hop_s          seconds from one frame to the next
    band_db        (frames, channels, bands) level in each octave of ``BAND_CENTRES_HZ``, the last cut short by the rate
    total_db       (frames, channels) level of the whole frame, DC taken out
    line_hz        (frames, channels) the strongest line above ``LOWEST_LINE_HZ``, by log-parabolic interpolation
    line_share     (frames, channels) its share of all power above ``LOWEST_LINE_HZ``: 1 for a pure tone
    line_db        (frames, channels) its level
    flat_db        (frames, channels) how even the spectrum is in the octaves of ``EVEN_BANDS_HZ``, the worse of them:
                   mean of its lines' levels in dB, over their mean power; about -2.5 for noise, far lower for notes
    zeros          (frames,) True where every sample of the frame is exactly zero on every channel
    """

    hop_s: float
    times_s: Array
    band_db: Array
    total_db: Array
    line_hz: Array
    line_share: Array
    line_db: Array
    flat_db: Array
    zeros: Array


class PowerMeter(Protocol):
    """Somebody who wants more of the spectra than `Frames` keeps."""

    def hear(self, power: Array) -> None:
        """The next frames' power, (frames, channels, bins) float32, DC taken out; not to be kept or changed.

        Bin k is the frequency k times the rate over `frame_length`; a frame's bins add up to its mean square.
        """


def frame_length(rate_hz: int) -> int:
    """Frames of audio in one analysis frame: the power of two nearest to ``FRAME_S``."""
    return int(2 ** round(np.log2(rate_hz * FRAME_S)))


class FrameMeter:
    """Feed blocks of float32 (frames, channels) in order; `frames` gives the table, once.

    beside  meters that hear every frame's spectrum as well, so that a capture is transformed once
    """

    def __init__(self, rate_hz: int, channels: int, beside: Sequence[PowerMeter] = ()) -> None:
        self._beside = tuple(beside)
        self._rate_hz = rate_hz
        self._length = frame_length(rate_hz)
        self._hop = self._length // 2
        window = _hann(self._length)
        scale = 2.0 / (self._length * float(np.sum(window.astype(np.float64) ** 2)))
        self._window = (window * np.sqrt(scale)).astype(np.float32)
        at_once = max(1, BATCH_BYTES // (4 * self._length * channels))
        self._held = np.zeros((channels, (at_once - 1) * self._hop + self._length), np.float32)
        self._filled = 0  # so much of ``_held`` waits to be measured
        self._power = np.empty((at_once, channels, self._length // 2 + 1), np.float32)
        together = max(1, TRANSFORM_BYTES // (4 * self._length * channels))
        self._windowed = np.empty((together, channels, self._length), np.float32)
        self._table: tuple[Rows, ...] = ()  # a column each
        hz = np.fft.rfftfreq(self._length, 1 / rate_hz)
        centres = [c for c in BAND_CENTRES_HZ if c / np.sqrt(2) < 0.4 * rate_hz]
        edges = [(c / np.sqrt(2), c * np.sqrt(2)) for c in centres]
        self._bands = [(int(np.searchsorted(hz, low)), int(np.searchsorted(hz, high))) for low, high in edges]
        self._even = [band for centre, band in zip(centres, self._bands, strict=True) if centre in EVEN_BANDS_HZ]
        self._low_bin = max(2, int(np.searchsorted(hz, LOWEST_LINE_HZ)))
        self._cuts = sorted({0, self._low_bin, *(edge for band in self._bands for edge in band)} - {len(hz)})
        self._cuts_in = [slice(*np.searchsorted(self._cuts, band)) for band in self._bands]

    def feed(self, block: Array) -> None:
        at = 0
        while at < len(block):
            count = min(len(block) - at, self._held.shape[1] - self._filled)
            self._held[:, self._filled : self._filled + count] = block[at : at + count].T
            self._filled += count
            at += count
            if self._filled == self._held.shape[1]:
                self._keep(self._measured(self._held))
                self._filled = self._length - self._hop
                self._held[:, : self._filled] = self._held[:, -self._filled :].copy()

    def frames(self) -> Frames:
        """Every whole frame so far. A capture shorter than one frame is filled up with zeros to give one."""
        rest = self._held[:, : self._filled]
        if not self._table and self._filled < self._length:
            rest = np.pad(rest, ((0, 0), (0, self._length - self._filled)))
        if rest.shape[1] >= self._length:
            self._keep(self._measured(rest))
        total, bands, line_hz, share, line, flat, zeros = (column.whole() for column in self._table)
        times_s = (np.arange(len(zeros)) * self._hop + self._length / 2) / self._rate_hz
        return Frames(self._hop / self._rate_hz, times_s, bands, total, line_hz, share, line, flat, zeros)

    def _keep(self, columns: tuple[Array, ...]) -> None:
        self._table = self._table or tuple(Rows() for _ in columns)
        for column, rows in zip(self._table, columns, strict=True):
            column.add(rows)

    def _measured(self, samples: Array) -> tuple[Array, ...]:
        """The columns of every whole frame in (channels, frames of audio)."""
        views = np.lib.stride_tricks.sliding_window_view(samples, self._length, axis=1)[:, :: self._hop]
        views = views.transpose(1, 0, 2)
        power = self._transformed(views)
        for meter in self._beside:
            meter.hear(power)
        columns = self._columns_of(power)
        zeros = np.all(columns[0] == SILENT_DB, axis=1)
        zeros[zeros] = ~np.any(views[zeros], axis=(1, 2))
        return (*columns, zeros)

    def _transformed(self, views: Array) -> Array:
        """views is (frames, channels, length); gives the power of each bin, (frames, channels, bins)."""
        import scipy.fft

        power = self._power[: len(views)]
        for at in range(0, len(views), len(self._windowed)):
            part = views[at : at + len(self._windowed)]
            windowed = np.multiply(part, self._window, out=self._windowed[: len(part)])
            magnitude = np.abs(scipy.fft.rfft(windowed, axis=-1), out=power[at : at + len(part)])
            magnitude *= magnitude
        power[..., :2] = 0.0  # they hold DC through the window
        return power

    def _columns_of(self, power: Array) -> tuple[Array, ...]:
        between = np.add.reduceat(power, self._cuts, axis=-1)  # one cut and the next
        bands = np.stack([between[..., cuts].sum(-1) for cuts in self._cuts_in], axis=-1)
        heard = between[..., self._cuts.index(self._low_bin) :].sum(-1)
        peak = np.argmax(power, axis=-1)
        low = peak < self._low_bin  # asked again: looking at a part of every row would copy them all
        peak[low] = np.argmax(power[low, self._low_bin :], axis=-1) + self._low_bin
        line_hz, line = self._strongest(power, peak)
        share = np.divide(line, heard, out=np.zeros_like(line), where=line > 0)
        flat = np.min([self._evenness(power[..., low:high]) for low, high in self._even], axis=0)
        return _db(between.sum(-1)), _db(bands), line_hz, np.minimum(share, 1.0), _db(line), flat

    @staticmethod
    def _evenness(power: Array) -> Array:
        level_db = np.log(np.maximum(power, np.float32(1e-20))).mean(-1) * np.float32(10 / np.log(10))
        return level_db - 10 * np.log10(np.maximum(power.mean(-1), np.float32(1e-20)))

    def _strongest(self, power: Array, peak: Array) -> tuple[Array, Array]:
        around = np.clip(peak[..., None] + np.arange(-3, 4), 0, power.shape[-1] - 1)
        near = np.take_along_axis(power, around, -1)
        left, middle, right = np.moveaxis(np.log(np.maximum(near[..., 2:5], np.float32(1e-30))), -1, 0)
        bend = left - 2 * middle + right
        offset = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
        return (peak + np.clip(offset, -0.5, 0.5)) * (self._rate_hz / self._length), near.sum(-1)


def _hann(length: int) -> Array:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)).astype(np.float32)


def _db(power: Array) -> Array:
    return np.where(power > 1e-20, 10 * np.log10(np.maximum(power, 1e-20)), SILENT_DB).astype(np.float32)
