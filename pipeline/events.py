"""Moments that need ears: dropouts, clicks, clipping, lost samples."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.records import Reading


class EventKind(StrEnum):
    DROPOUT = "dropout"
    CLICK = "click"
    CLIP = "clip"
    GAP = "gap"


@dataclass(frozen=True)
class Event:
    """depth_db: how far the level fell (dropout), or rose (click); NotMeasured where depth has no meaning."""

    kind: EventKind
    start_s: float
    stop_s: float
    depth_db: Reading
