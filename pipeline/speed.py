"""Speed error and the ratio that corrects it. The sign is defined here and nowhere else.

``error_percent = 100 * (measured_hz / nominal_hz - 1)``: negative, the deck ran slow.
``ratio = nominal_hz / measured_hz``: by how much playback is sped up.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.records import Reading


class SpeedSource(StrEnum):
    TONE = "tone"
    BENCH = "bench"
    READING = "reading"
    RATIO = "ratio"
    HUM = "hum"
    NONE = "none"


@dataclass(frozen=True)
class Speed:
    """The constant speed error of a side, and what says so.

    drift_percent  slow change of the error over the side, largest minus smallest; apart from wow and from the error
    """

    source: SpeedSource
    error_percent: Reading
    uncertainty_percent: Reading
    ratio: float
    drift_percent: Reading
