"""Quick octave levels every two milliseconds, for what comes and goes fast.

A capture is first brought to 44.1 to 48 kHz by summing neighbours. Each octave is then the third difference over two
samples, which peaks at a quarter of the rate and falls by 18 dB per octave below; the next one is taken from the
signal at half the rate. That is coarse beside an FFT and a tenth of its cost; levels here are only ever compared with
each other.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

CHUNK_S = 0.002
PEAK_S = 0.00025  # a click is no longer
BASE_RATE_HZ = 44100  # as far up as hiss stands clear of programme
LOWEST_HZ = 340.0
STAGES = 3  # differences an octave
SCALE = 4.0**-STAGES  # a sine at the middle of its octave reads its own mean square


class Octaves:
    """How a capture of this rate is cut: ``chunk`` frames of it make one row of powers."""

    def __init__(self, rate_hz: int) -> None:
        self.thin = max(1, rate_hz // BASE_RATE_HZ)
        base_hz = rate_hz / self.thin
        self.count = max(1, int(np.log2(base_hz / 4 / LOWEST_HZ)) + 1)
        self.centres_hz = tuple(base_hz / 4 / 2**k for k in range(self.count))
        self._coarsest = 2 ** (self.count - 1)
        self._chunk = self._coarsest * max(2, round(base_hz * CHUNK_S / self._coarsest))
        self._parts = next(n for n in range(round(CHUNK_S / PEAK_S), 0, -1) if self._chunk % n == 0)
        self._sums = np.repeat(np.eye(self._parts, dtype=np.float32), self._chunk // self._parts, axis=1)
        self.chunk = self._chunk * self.thin
        self.chunk_s = self.chunk / rate_hz
        self.lead = 4 * self._coarsest * self.thin  # frames needed before the first chunk …
        self.trail = 8 * self._coarsest * self.thin  # … and after the last

    def powers(self, samples: Array, start: int, chunks: int, highest: int) -> tuple[Array, Array]:
        """Mean square in the ``highest`` octaves, from the top down, of chunks from ``start`` on: (channels, octaves,
        chunks).

        Beside it the greatest mean square of the highest octave over `PEAK_S` within each chunk: (channels, chunks).
        samples is (channels, frames), with ``lead`` and ``trail`` frames around the chunks.
        """
        taken = samples[:, start - self.lead : start + chunks * self.chunk + self.trail]
        signal, scale = _summed(taken, self.thin), SCALE / self.thin**2
        powers = np.empty((len(samples), min(highest, self.count), chunks), np.float32)
        lead, chunk = 4 * self._coarsest, self._chunk
        for octave in range(powers.shape[1]):
            high = signal
            for _ in range(STAGES):
                high = high[:, 2:] - high[:, :-2]
            inner = high[:, lead - STAGES :][:, : chunks * chunk]
            squares = np.square(inner).reshape(len(samples), chunks, chunk)
            if octave == 0:
                parts = self._sums @ squares.transpose(0, 2, 1)  # (channels, parts, chunks)
                peaks = parts.max(1) * np.float32(scale * self._parts / chunk)
                power = parts.sum(1)
            else:
                power = squares @ np.ones(chunk, np.float32)
            powers[:, octave] = power * np.float32(scale / chunk)
            if octave < powers.shape[1] - 1:
                signal, scale = _halved(signal), scale / 64
                lead, chunk = lead // 2, chunk // 2
        return powers, peaks


def _summed(samples: Array, thin: int) -> Array:
    """The sums of every ``thin`` neighbours."""
    if thin == 1:
        return samples
    whole = samples.shape[1] // thin * thin
    signal: Array = samples[:, 0:whole:thin] + samples[:, 1:whole:thin]
    for k in range(2, thin):
        signal += samples[:, k:whole:thin]
    return signal


def _halved(signal: Array) -> Array:
    """Every second sample of the signal smoothed by (1, 3, 3, 1), which makes it eight times as loud."""
    smooth = signal[:, 1:] + signal[:, :-1]
    smooth = smooth[:, 1:] + smooth[:, :-1]
    return smooth[:, :-1:2] + smooth[:, 1::2]
