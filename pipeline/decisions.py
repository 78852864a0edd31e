"""What we will do with a side, and why: a small readable file per side and revision.

Every value says who it comes from (``auto``, ``sheet`` or ``person``) and why. The newest revision applies; earlier
ones are kept, so an older copy can always be made again from the preservation copy.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.speed import SpeedSource

SCHEMA = "feltpad.decisions/1"


class By(StrEnum):
    AUTO = "auto"
    SHEET = "sheet"
    PERSON = "person"


class ChannelUse(StrEnum):
    AS_CAPTURED = "as-captured"  # every channel as it is
    RIGHT_FLIPPED = "right-flipped"  # both, the right one turned over
    AVERAGE = "average"  # mono: half of left plus right
    DIFFERENCE = "difference"  # mono: half of left minus right, for channels of opposite polarity
    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True)
class SpeedDecision:
    """read_hz and true_hz: the pair the ratio was made from, where there was one."""

    ratio: float
    source: SpeedSource
    read_hz: float | None
    true_hz: float | None
    by: By
    why: str


@dataclass(frozen=True)
class CutDecision:
    """In seconds of the capture."""

    start_s: float
    stop_s: float
    by: By
    why: str


@dataclass(frozen=True)
class ChannelDecision:
    use: ChannelUse
    by: By
    why: str


@dataclass(frozen=True)
class EqualisationDecision:
    """Replayed with ``deck_us``, meant for ``tape_us``; None where not declared. Changed only where both differ."""

    deck_us: float | None
    tape_us: float | None
    by: By
    why: str

    @property
    def changes(self) -> bool:
        return self.deck_us is not None and self.tape_us is not None and self.deck_us != self.tape_us


@dataclass(frozen=True)
class GainDecision:
    """master_db: 0 unless correction could clip. access_db: None means "to the target", a number means just that."""

    master_db: float
    target_lufs: float
    ceiling_dbtp: float
    access_db: float | None
    by: By
    why: str


@dataclass(frozen=True)
class Decisions:
    schema: str
    tape: str
    side: str
    revision: int
    made: str
    reason: str
    speed: SpeedDecision
    cut: CutDecision
    channels: ChannelDecision
    equalisation: EqualisationDecision
    gain: GainDecision
