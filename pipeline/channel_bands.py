"""Powers and cross power of two channels in bands of frequency, and the delay their phases tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

SILENT = 1e-20  # power below which a channel is exact zeros for us


@dataclass(frozen=True)
class Bands:
    """(stretches, bands) each: mean square left and right, their cross power, and its centre of gravity in Hz."""

    left: Array
    right: Array
    cross: Array
    hz: Array

    def taken(self, chosen: Array) -> Bands:
        return Bands(self.left[chosen], self.right[chosen], self.cross[chosen], self.hz[chosen])

    def summed(self) -> Bands:
        """The stretches together, (bands,) each."""
        weight = np.abs(self.cross)
        hz = np.sum(self.hz * weight, 0) / np.maximum(weight.sum(0), 1e-30)
        left, right = (part.sum(0, dtype=np.float64) for part in (self.left, self.right))
        return Bands(left, right, self.cross.sum(0, dtype=np.complex128), hz)


def coherence_of(total: Bands) -> Array:
    """0 (nothing in common) to 1 (a fixed gain and delay apart) in each band, (bands,)."""
    return np.abs(total.cross) ** 2 / np.maximum(total.left * total.right, SILENT**2)


def delay_weight(total: Bands, frames: int) -> Array:
    """Inverse variance of each band's phase, up to a factor; held in bounds so that no few bands decide alone."""
    coherence = np.clip((coherence_of(total) - 1 / frames) / (1 - 1 / max(frames, 2)), 0.0, 0.999)
    return coherence / (1 - coherence)


def coarse_delay_s(total: Bands, weight: Array, greatest_us: float) -> float:
    """The delay on a 2 µs grid that lines the bands' phases up, at either polarity."""
    grid_s = np.arange(-greatest_us, greatest_us + 1, 2.0) * 1e-6
    unit = total.cross / np.maximum(np.abs(total.cross), 1e-30)
    sums = np.exp(2j * np.pi * grid_s[:, None] * total.hz) @ (weight * unit)
    return float(grid_s[np.argmax(np.abs(sums.real))])


def fine_delay_s(total: Bands, weight: Array, near_s: float) -> tuple[float, float]:
    """Least squares line through the phases that remain when ``near_s`` and the polarity are taken out.

    Gives the delay and its standard error by the scatter of the bands about the line.
    """
    turned = total.cross * np.exp(2j * np.pi * total.hz * near_s)
    polarity = np.sign(np.sum(weight * (turned / np.maximum(np.abs(turned), 1e-30)).real))
    radians_per_s = 2 * np.pi * total.hz
    remaining = np.angle(polarity * turned)
    bend = float(np.sum(weight * radians_per_s**2))
    if bend <= 0:
        return near_s, 0.0
    slope_s = float(np.sum(weight * radians_per_s * remaining)) / bend
    scatter = float(np.sum(weight * (remaining - slope_s * radians_per_s) ** 2)) / max(1, len(weight) - 1)
    return near_s - slope_s, float(np.sqrt(scatter / bend))
