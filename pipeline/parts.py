"""Which rotating part turns at this rate: from diameters and the measured tape speed to names for what was heard.

A deck file lists the parts; this module knows how each of them turns when the tape runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class PartKind(StrEnum):
    """What a part is, which says how fast it turns when the tape runs.

    CAPSTAN, PINCH_ROLLER        run on the tape: their surface speed is the tape's
    FLYWHEEL                     sits on the capstan's shaft
    MOTOR_PULLEY, TAKE_UP_PULLEY,
    IDLER                        share a surface speed with ``driven_by``, through a belt or rim to rim
    BELT                         runs at the surface speed of ``driven_by``, once round per ``length_mm``
    SUPPLY_REEL, TAKE_UP_REEL    a band from empty hub to full pack; every cassette brings them, they need not be listed
    """

    CAPSTAN = "capstan"
    PINCH_ROLLER = "pinch_roller"
    FLYWHEEL = "flywheel"
    MOTOR_PULLEY = "motor_pulley"
    TAKE_UP_PULLEY = "take_up_pulley"
    IDLER = "idler"
    BELT = "belt"
    SUPPLY_REEL = "supply_reel"
    TAKE_UP_REEL = "take_up_reel"


@dataclass(frozen=True)
class RotatingPart:
    """One rotating part of a deck, as its owner measured it.

    name            how the owner calls it ("main belt"); unique within a deck
    kind            see `PartKind`
    diameter_mm     running diameter; of a reel its hub's; None for a belt
    length_mm       inner length of a belt; None for everything else
    uncertainty_mm  how well the diameter or length is known; None: what `PartCriteria` says
    driven_by       name of the part it shares a surface speed with; None: the deck's only flywheel
    """

    name: str
    kind: PartKind
    diameter_mm: float | None = None
    length_mm: float | None = None
    uncertainty_mm: float | None = None
    driven_by: str | None = None
