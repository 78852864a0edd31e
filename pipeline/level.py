"""Levels of a capture or a copy: peaks, loudness, floors, DC.

Conventions: dBFS of an r.m.s. is of the mean square of samples in -1 … 1, so a full-scale sine reads -3.01; dBFS of a
peak is of the highest sample, so the same sine reads 0. A DC offset is the mean, in percent of full scale. How far it
wanders is told as what the signal itself cannot account for: the lowest voices and drums push it about by a share of
their own level, and that is taken off, so over loud programme only a large movement counts, and in pauses any.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured, Reading
from pipeline.rows import Rows
from pipeline.spans import Span
from pipeline.true_peak import TruePeakMeter

Array = np.ndarray[Any, Any]

PIECE_S = 0.02  # summed in single precision, the sums of pieces in double; a whole wave of hum
DC_PIECES = 75  # a DC is read over these, 1.5 s, weighed so that a bass of 20 Hz counts less than a thousandth in it
DC_STEP = 25
DC_MEDIAN = 13  # of readings half a second apart, so that what is over within three seconds (a thump) is none
DC_OWN_SHARE = 0.3  # of the r.m.s.; simulated drums and bands with much below 5 Hz reach 0.25 after the median


@dataclass(frozen=True)
class Levels:
    """
    programme_lufs                 gated loudness from the first programme to the last, tones at the ends left out
    hiss_floor, electronics_floor  r.m.s. of silence and of leader, up to 24 kHz in captures at 88.2 kHz and above
    dc_wander                      the DC moves by at least as much
    """

    sample_peak_dbfs: Reading
    true_peak_dbtp: Reading
    integrated_lufs: Reading
    programme_lufs: Reading
    loudness_range_lu: Reading
    hiss_floor_dbfs: Reading
    electronics_floor_dbfs: Reading
    dc_offset_percent: Reading
    dc_wander_percent: Reading


class LevelMeter:
    """Feed blocks of float32 (frames, channels) in order, cut anywhere; then ask. Asking changes nothing."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._piece = max(1, round(rate_hz * PIECE_S))
        self._frames = 0
        self._peak = 0.0
        self._totals = np.zeros((2, channels))  # sum and sum of squares of all …
        self._begun = np.zeros((2, channels, 1))  # … of a piece not yet whole …
        self._pieces = Rows()  # … and their means over every whole one, (pieces, channels, 2)

    def feed(self, block: Array) -> None:
        if not len(block):
            return
        self._peak = max(self._peak, float(block.max()), -float(block.min()))
        wanted = min(-self._frames % self._piece, len(block))  # by the piece that has begun
        whole = wanted + (len(block) - wanted) // self._piece * self._piece
        self._frames += len(block)
        self._begun += self._add(block[:wanted], 1)
        if wanted and (self._frames - len(block) + wanted) % self._piece == 0:
            self._keep(self._begun)
            self._begun = np.zeros_like(self._begun)
        self._keep(self._add(block[wanted:whole], (whole - wanted) // self._piece))
        self._begun += self._add(block[whole:], 1)

    def _keep(self, sums: Array) -> None:
        self._pieces.add((sums / self._piece).astype(np.float32).T)

    def _add(self, samples: Array, count: int) -> Array:
        """Take so many pieces in; their sums and sums of squares (2, channels, count)."""
        pieces = samples.T.reshape(samples.shape[1], count, -1) if count else np.zeros((samples.shape[1], 0, 1))
        sums = np.stack([pieces.sum(-1), np.einsum("cpf,cpf->cp", pieces, pieces)]).astype(np.float64)
        self._totals += sums.sum(-1)
        return sums

    def sample_peak_dbfs(self) -> Reading:
        """The highest sample of all channels."""
        return 20 * math.log10(self._peak) if self._peak > 0 else NotMeasured("digital silence")

    def dc_offset_percent(self) -> Reading:
        """The mean of the channel where it is farthest from zero, with its sign."""
        if not self._frames:
            return NotMeasured("no samples")
        means = self._totals[0] / self._frames
        return 100 * float(means[np.argmax(np.abs(means))])

    def dc_wander_percent(self) -> Reading:
        """How far the DC moves at least, in the channel where it does most; digital silence has none."""
        if not len(self._pieces):
            return NotMeasured("too short, or digital silence")
        means, squares = self._pieces.whole().T.astype(np.float64)  # (channels, pieces) each
        known = [moved for moved in map(_moved, means, squares) if moved is not None]
        return 100 * max(known) if known else NotMeasured("too short, or digital silence")

    def rms_dbfs(self) -> tuple[Reading, ...]:
        """The r.m.s. of each channel, its DC offset taken out."""
        if not self._frames:
            return (NotMeasured("no samples"),) * self._totals.shape[1]
        means, mean_squares = self._totals / self._frames
        variances = mean_squares - means**2
        # A remainder below a millionth of what was summed may be rounding.
        return tuple(
            10 * math.log10(variance)
            if variance > 1e-6 * mean_square
            else NotMeasured("digital silence, or hidden under the DC offset")
            for variance, mean_square in zip(variances, mean_squares, strict=True)
        )


def _moved(means: Array, squares: Array) -> float | None:
    """How far a channel's DC moves at least, from the means and mean squares of its pieces."""
    if len(means) < DC_PIECES:
        return None
    weights = np.hanning(DC_PIECES + 2)[1:-1]
    means = np.where(means == 0, np.nan, means)  # of digital silence
    dc, square = (sliding_window_view(of, DC_PIECES)[::DC_STEP] @ (weights / weights.sum()) for of in (means, squares))
    heard = np.isfinite(dc)
    dc, square = dc[heard], square[heard]
    if len(dc) < DC_MEDIAN:
        return None
    own = DC_OWN_SHARE * np.sqrt(np.maximum(square - dc**2, 0))
    lowest, highest = (np.median(sliding_window_view(bound, DC_MEDIAN), axis=1) for bound in (dc + own, dc - own))
    return max(0.0, float(highest.max() - lowest.min()))


def measure_levels(
    level: LevelMeter,
    loudness: LoudnessMeter,
    true_peak: TruePeakMeter,
    programme: Span | None,
    hiss_floor_dbfs: Reading,
    electronics_floor_dbfs: Reading,
) -> Levels:
    """The record from meters that have heard the whole capture, and what `pipeline.regions` found.

    programme  from its first beginning to its last end
    """
    return Levels(
        sample_peak_dbfs=level.sample_peak_dbfs(),
        true_peak_dbtp=true_peak.true_peak_dbtp(),
        integrated_lufs=loudness.integrated_lufs(),
        programme_lufs=loudness.integrated_lufs(programme) if programme else NotMeasured("no programme"),
        loudness_range_lu=loudness.loudness_range_lu(),
        hiss_floor_dbfs=hiss_floor_dbfs,
        electronics_floor_dbfs=electronics_floor_dbfs,
        dc_offset_percent=level.dc_offset_percent(),
        dc_wander_percent=level.dc_wander_percent(),
    )
