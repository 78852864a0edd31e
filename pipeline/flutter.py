"""Wow and flutter from a demodulated tone, as the trade states it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import NotMeasured, Reading


@dataclass(frozen=True)
class FlutterComponent:
    """One line of the deviation spectrum.

    part  the rotating part it belongs to, or why none is named
    """

    hz: float
    peak_percent: float
    part: str | NotMeasured


@dataclass(frozen=True)
class Flutter:
    """Readings of one tone, in percent of speed."""

    weighted_peak_percent: Reading
    unweighted_peak_percent: Reading
    weighted_rms_percent: Reading
    unweighted_rms_percent: Reading
    wow_rms_percent: Reading
    flutter_rms_percent: Reading
    components: tuple[FlutterComponent, ...]
