"""Programme loudness and loudness range by BS.1770, EBU Tech 3341 and Tech 3342, as a streaming meter.

Conventions: stereo is two front channels, mono is one (a -18 dBFS sine at 997 Hz on both channels of a stereo signal
reads -18 LUFS, the same in mono -21.01). Momentary and short-term loudness are ungated. What ends before a gating
block is whole is not counted, as the recommendation has it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.k_weighting import KWeightedEnergy
from pipeline.records import NotMeasured, Reading
from pipeline.rows import Rows
from pipeline.spans import Span
from pipeline.standards import loudness as standard

Array = np.ndarray[Any, Any]

SILENT_LUFS = -120.0  # what a series holds where there is no energy to take a logarithm of
_BLOCK = round(standard.GATING_BLOCK_S / standard.GATING_STEP_S)  # gating steps in a gating block
_SHORT = round(standard.SHORT_TERM_S / standard.GATING_STEP_S)


@dataclass(frozen=True)
class LoudnessSeries:
    """Loudness along the signal. Row ``i`` is the window that ends at ``(i + 1) * hop_s``, which at the start of the
    signal has not filled yet: those rows hold what a meter's needle would show, silence before the first frame.

    hop_s            seconds from one row to the next
    momentary_lufs   (rows,) over 0.4 s; ``SILENT_LUFS`` where there is nothing
    short_term_lufs  (rows,) over 3 s
    """

    hop_s: float
    momentary_lufs: Array
    short_term_lufs: Array


class LoudnessMeter:
    """Feed blocks of float32 (frames, channels) in order, cut anywhere; then ask. Asking changes nothing.

    Holds one double for about every 10 ms: 4.3 MB for 90 minutes.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._weighted = KWeightedEnergy(rate_hz, channels)
        self._steps = self._weighted.steps_in_gating_step
        self._energy = Rows()

    def feed(self, block: Array) -> None:
        self._energy.add(self._weighted.feed(block))

    def integrated_lufs(self, within: Span | None = None) -> Reading:
        """Gated loudness of all that was fed, or of a stretch of it (BS.1770).

        Not measured under 0.4 s or where all lies below the gate.
        """
        steps = self._gating_steps()
        if within is not None:
            step_s = self._weighted.step_s * self._steps
            steps = steps[round(within.start_s / step_s) : round(within.stop_s / step_s)]
        blocks = _means(steps, _BLOCK)
        if not len(blocks):
            return NotMeasured("shorter than one gating block of 0.4 s")
        gated = _over_gates(blocks, standard.RELATIVE_GATE_LU)
        if not len(gated):
            return NotMeasured("nothing is louder than the absolute gate of -70 LUFS")
        return float(_lufs(gated.mean()))

    def loudness_range_lu(self) -> Reading:
        """Loudness range (Tech 3342). Not measured under 3 s or where all lies below the gate."""
        blocks = _means(self._gating_steps(), _SHORT)
        if not len(blocks):
            return NotMeasured("shorter than one short-term window of 3 s")
        gated = _lufs(_over_gates(blocks, standard.RANGE_RELATIVE_GATE_LU))
        if not len(gated):
            return NotMeasured("nothing is louder than the absolute gate of -70 LUFS")
        low, high = np.percentile(gated, [standard.RANGE_LOW_PERCENTILE, standard.RANGE_HIGH_PERCENTILE])
        return float(high - low)

    def momentary_max_lufs(self) -> Reading:
        """The loudest 0.4 s, searched in steps of about 10 ms."""
        return self._loudest(_BLOCK, standard.MOMENTARY_S)

    def short_term_max_lufs(self) -> Reading:
        """The loudest 3 s, searched in steps of about 10 ms."""
        return self._loudest(_SHORT, standard.SHORT_TERM_S)

    def series(self) -> LoudnessSeries:
        """Momentary and short-term loudness every 0.1 s."""
        energy = self._gating_steps()
        momentary, short = (
            _lufs(_means(np.concatenate([np.zeros(steps - 1), energy]), steps)) for steps in (_BLOCK, _SHORT)
        )
        return LoudnessSeries(self._weighted.step_s * self._steps, momentary, short)

    def _loudest(self, gating_steps: int, window_s: float) -> Reading:
        windows = _means(self._all_steps(), gating_steps * self._steps)
        if not len(windows):
            return NotMeasured(f"shorter than one window of {window_s:g} s")
        loudest = float(_lufs(windows.max()))
        return loudest if loudest > SILENT_LUFS else NotMeasured("digital silence")

    def _all_steps(self) -> Array:
        return self._energy.whole()

    def _gating_steps(self) -> Array:
        energy = self._all_steps()
        means: Array = energy[: len(energy) // self._steps * self._steps].reshape(-1, self._steps).mean(1)
        return means


def _means(energy: Array, window: int) -> Array:
    """Mean of every ``window`` neighbours, one step apart; empty where there are fewer."""
    if len(energy) < window:
        return np.zeros(0)
    summed = np.concatenate([[0.0], np.cumsum(energy)])
    means: Array = np.maximum(summed[window:] - summed[:-window], 0.0) / window
    return means


def _over_gates(blocks: Array, relative_gate_lu: float) -> Array:
    """The blocks over the absolute gate, and over the gate that lies so far below the mean of those."""
    heard = blocks[_lufs(blocks) > standard.ABSOLUTE_GATE_LUFS]
    if not len(heard):
        return heard
    gated: Array = heard[_lufs(heard) > _lufs(heard.mean()) + relative_gate_lu]
    return gated


def _lufs(energy: Any) -> Array:
    quietest = 10 ** ((SILENT_LUFS - standard.LOUDNESS_OFFSET_LU) / 10)
    lufs: Array = standard.LOUDNESS_OFFSET_LU + 10 * np.log10(np.maximum(energy, quietest))
    return lufs
