"""Change the replay equalisation of a capture after the fact: a 70 µs tape that was replayed at 120 µs, or the reverse.

Replay boosts the treble by ``1 + jωτ``. What was replayed with the deck's τ and meant for the tape's τ is put right by
``H(s) = (1 + s·τ_tape) / (1 + s·τ_deck)``: unity at low frequencies, ``20 log10(τ_tape/τ_deck)`` in the limit. The
3180 µs term is the same for both and stays out of it. This is the electrical network itself, phase included.

Source: IEC 60094-1 (1981) time constants, as given in ``pipeline.standards.cassette``.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

# The bilinear transform is exact at one frequency only; here, in the middle of where the shelf rises.
MATCHED_HZ = 3150.0


def greatest_boost_db(deck_us: float, tape_us: float) -> float:
    """By how much a peak can grow at most: a step comes out as high as the sum of the response's magnitudes.

    More than the gain of any sine: a square wave gains 7.7 dB from 70 to 120 µs, a sine 4.7 dB.

    >>> round(greatest_boost_db(70, 120), 2), greatest_boost_db(120, 70)
    (7.71, 0.0)
    """
    return max(0.0, 20 * math.log10(max(1.0, 2 * tape_us / deck_us - 1)))


class Equaliser:
    """First-order shelf over blocks of (frames, channels); keeps its state from block to block."""

    def __init__(self, deck_us: float, tape_us: float, rate_hz: int, channels: int) -> None:
        # At low rates the matched frequency would come too near to half the rate.
        matched_hz = min(MATCHED_HZ, rate_hz / 8)
        warp = 2 * math.pi * matched_hz / math.tan(math.pi * matched_hz / rate_hz)
        tape, deck = warp * tape_us * 1e-6, warp * deck_us * 1e-6
        self._b = np.array([1 + tape, 1 - tape]) / (1 + deck)
        self._a = np.array([1.0, (1 - deck) / (1 + deck)])
        self._state = np.zeros((1, channels))

    def process(self, block: Array) -> Array:
        """The next block, equalised, float32."""
        from scipy.signal import lfilter

        if not len(block):
            return block  # lfilter would forget the state
        out, self._state = lfilter(self._b, self._a, block.astype(np.float64), axis=0, zi=self._state)
        return out.astype(np.float32)
