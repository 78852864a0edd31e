"""Mains hum and its harmonics, and whether it came from the deck or stands on the tape."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class HumOrigin(StrEnum):
    DECK = "deck"
    TAPE = "tape"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class HumLine:
    hz: float
    level_dbfs: float
    origin: HumOrigin
