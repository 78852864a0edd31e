"""Leader, silence, tone and programme: what stands where on a capture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RegionKind(StrEnum):
    LEADER = "leader"  # no oxide, or the transport stopped: electronics noise only
    SILENCE = "silence"  # tape hiss, no programme
    TONE = "tone"
    PROGRAMME = "programme"


@dataclass(frozen=True)
class Region:
    """One stretch of a capture. The regions of a capture cover it whole, without overlap or hole."""

    kind: RegionKind
    start_s: float
    stop_s: float
