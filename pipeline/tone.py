"""Reference tones: found by their steadiness and purity, measured by their demodulated frequency."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Reading


@dataclass(frozen=True)
class Tone:
    """One steady tone on a capture.

    nominal_hz      the nominal tone it was matched to, or why it matches none
    measured_hz     mean frequency over the span, as captured
    uncertainty_hz  half-width that covers the true mean in at least 95 % of cases
    level_dbfs      r.m.s. of the tone
    """

    start_s: float
    stop_s: float
    nominal_hz: Reading
    measured_hz: float
    uncertainty_hz: float
    level_dbfs: float
