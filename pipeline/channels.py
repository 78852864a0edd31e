"""How the two channels of a capture belong together."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.records import Reading


class Layout(StrEnum):
    MONO = "mono"  # one channel, or two that carry the same
    STEREO = "stereo"
    LEFT_ONLY = "left-only"
    RIGHT_ONLY = "right-only"
    INVERTED = "inverted"  # two that carry the same with opposite polarity


@dataclass(frozen=True)
class Channels:
    """balance_db: right minus left. delay_us: positive when the right channel comes later. correlation: -1 … 1."""

    layout: Layout
    balance_db: Reading
    delay_us: Reading
    correlation: Reading
