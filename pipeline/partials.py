"""A tone and its harmonics on every channel, measured in step with the tone's own wavering phase.

The demodulated phase tells how the tone turned; the samples are turned back by it, so that flutter spreads nothing and
noise averages out over the whole stretch. Each piece is weighted by a Hann window, whose leakage from one harmonic
into the next is below -100 dB.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.capture import Capture, as_float32
from pipeline.demodulate import Demodulated
from pipeline.errors import CaptureError

Array = np.ndarray[Any, Any]
FEWEST_PIECES = 4  # fewer tell no scatter


@dataclass(frozen=True)
class PartialCriteria:
    """How harmonics are measured (table ``[partials]`` of ``config/bench.toml``).

    piece_s        length of one piece, seconds
    longest_s      at most this much of a tone, from its middle
    dropout_share  pieces with a smaller share of the usual amplitude are left out
    sure           a harmonic is told from this many standard errors on
    coherence      least agreement of two channels that carry one tone, 0 … 1
    highest_share  no harmonic above this share of the sample rate
    """

    piece_s: float
    longest_s: float
    dropout_share: float
    sure: float
    coherence: float
    highest_share: float


@dataclass(frozen=True)
class Partials:
    """hz: of the fundamental. pieces: complex peak amplitudes (pieces, channels, orders), in step with the tone."""

    hz: float
    orders: tuple[int, ...]
    pieces: Array

    def of(self, order: int) -> Array:
        """(pieces, channels)."""
        return np.asarray(self.pieces[:, :, self.orders.index(order)])

    @property
    def level_dbfs(self) -> tuple[float, ...]:
        """R.m.s. of the fundamental on each channel; a full-scale sine is at -3.01."""
        power = np.mean(np.abs(self.of(1)) ** 2, axis=0) / 2
        return tuple(10 * float(np.log10(max(p, 1e-20))) for p in power)


def measure_partials(capture: Capture, tone: Demodulated, orders: Sequence[int], criteria: PartialCriteria) -> Partials:
    """Read the middle of the tone once more. ``orders`` above ``highest_share`` of the rate are left out.

    Raises CaptureError when the tone is too short.
    """
    rate_hz = capture.sample_rate_hz
    kept = tuple(order for order in orders if order * tone.carrier_hz < criteria.highest_share * rate_hz)
    length = round(criteria.piece_s * rate_hz)
    seconds = min(tone.seconds, criteria.longest_s)
    start = int(np.ceil((tone.start_s + (tone.seconds - seconds) / 2) * rate_hz))
    count = int(seconds * rate_hz) // length
    if count < FEWEST_PIECES:
        raise CaptureError(f"a tone of {tone.seconds:.2f} s is too short for its harmonics")
    blocks = (as_float32(raw) for raw in capture.blocks(length, start, start + count * length))
    pieces = np.stack(list(_pieces(blocks, start, length, rate_hz, tone, kept)))
    strength = np.abs(pieces[:, :, 0]).max(axis=1)
    whole = strength >= criteria.dropout_share * np.median(strength)
    return Partials(tone.carrier_hz, kept, pieces[whole])


def _pieces(
    blocks: Iterable[Array], start: int, length: int, rate_hz: int, tone: Demodulated, orders: Sequence[int]
) -> Iterable[Array]:
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)
    window *= 2 / window.sum()
    base_s = tone.start_s + np.arange(len(tone.phase_rad)) / tone.rate_hz
    for number, block in enumerate(blocks):
        at_s = (start + number * length + np.arange(length)) / rate_hz
        turned = 2 * np.pi * tone.carrier_hz * (at_s - tone.start_s) + np.interp(at_s, base_s, tone.phase_rad)
        wave = np.exp(-1j * turned)
        turning = np.stack([wave**order * window for order in orders], axis=1)
        yield block.T.astype(np.float64) @ turning
