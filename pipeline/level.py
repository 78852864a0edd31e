"""Levels of a capture or a copy: peaks, loudness, floors, DC.

Conventions: dBFS of an r.m.s. is of the mean square of samples in -1 … 1, so a full-scale sine reads -3.01; dBFS of a
peak is of the highest sample, so the same sine reads 0. A DC offset is the mean, in percent of full scale.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured, Reading
from pipeline.true_peak import TruePeakMeter

Array = np.ndarray[Any, Any]

_PIECE_FRAMES = 4096  # summed in single precision, the sums of pieces in double


@dataclass(frozen=True)
class Levels:
    """hiss_floor and electronics_floor are r.m.s. of silence and of leader."""

    sample_peak_dbfs: Reading
    true_peak_dbtp: Reading
    integrated_lufs: Reading
    loudness_range_lu: Reading
    hiss_floor_dbfs: Reading
    electronics_floor_dbfs: Reading
    dc_offset_percent: Reading


class LevelMeter:
    """Feed blocks of float32 (frames, channels) in order, cut anywhere; then ask. Asking changes nothing."""

    def __init__(self, channels: int) -> None:
        self._frames = 0
        self._peak = 0.0
        self._sum = np.zeros(channels)
        self._products = np.zeros((channels, channels))

    def feed(self, block: Array) -> None:
        if not len(block):
            return
        self._frames += len(block)
        self._peak = max(self._peak, float(block.max()), -float(block.min()))
        whole = len(block) // _PIECE_FRAMES * _PIECE_FRAMES
        for pieces in (block[:whole].reshape(-1, _PIECE_FRAMES, block.shape[1]), block[None, whole:]):
            across = pieces.transpose(0, 2, 1)
            self._sum += (across @ np.ones(pieces.shape[1], np.float32)).sum(0, dtype=np.float64)
            self._products += (across @ pieces).sum(0, dtype=np.float64)

    def sample_peak_dbfs(self) -> Reading:
        """The highest sample of all channels."""
        return 20 * math.log10(self._peak) if self._peak > 0 else NotMeasured("digital silence")

    def dc_offset_percent(self) -> Reading:
        """The mean of the channel where it is farthest from zero, with its sign."""
        if not self._frames:
            return NotMeasured("no samples")
        means = self._sum / self._frames
        return 100 * float(means[np.argmax(np.abs(means))])

    def rms_dbfs(self) -> tuple[Reading, ...]:
        """The r.m.s. of each channel, its DC offset taken out."""
        if not self._frames:
            return (NotMeasured("no samples"),) * len(self._sum)
        mean_squares = np.diag(self._products) / self._frames
        variances = mean_squares - (self._sum / self._frames) ** 2
        # A remainder below a millionth of what was summed may be rounding.
        return tuple(
            10 * math.log10(variance)
            if variance > 1e-6 * mean_square
            else NotMeasured("digital silence, or hidden under the DC offset")
            for variance, mean_square in zip(variances, mean_squares, strict=True)
        )


def measure_levels(
    level: LevelMeter,
    loudness: LoudnessMeter,
    true_peak: TruePeakMeter,
    hiss_floor_dbfs: Reading,
    electronics_floor_dbfs: Reading,
) -> Levels:
    """The record from meters that have heard the whole capture, and the floors (`pipeline.regions`)."""
    return Levels(
        sample_peak_dbfs=level.sample_peak_dbfs(),
        true_peak_dbtp=true_peak.true_peak_dbtp(),
        integrated_lufs=loudness.integrated_lufs(),
        loudness_range_lu=loudness.loudness_range_lu(),
        hiss_floor_dbfs=hiss_floor_dbfs,
        electronics_floor_dbfs=electronics_floor_dbfs,
        dc_offset_percent=level.dc_offset_percent(),
    )
