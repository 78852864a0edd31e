"""Which rotating part turns at this rate: rates from diameters and the measured tape speed, and names for what was heard.

A deck file lists the parts; this module knows how each of them turns when the tape runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class PartKind(StrEnum):
    """What a part is, which says how fast it turns.

    CAPSTAN, PINCH_ROLLER  run on the tape: surface speed is tape speed
    FLYWHEEL               sits on the capstan's shaft unless ``driven_by`` says otherwise
    PULLEY                 motor pulley, take-up pulley, idler: driven by a belt or a rim from ``driven_by``
    BELT                   runs at the surface speed of ``driven_by``; turns once per ``length_mm``
    REEL                   supply or take-up: a band, from full pack to empty hub
    """

    CAPSTAN = "capstan"
    PINCH_ROLLER = "pinch_roller"
    FLYWHEEL = "flywheel"
    PULLEY = "pulley"
    BELT = "belt"
    REEL = "reel"


@dataclass(frozen=True)
class RotatingPart:
    """One rotating part of a deck, as its owner measured it.

    name         how the owner calls it ("motor pulley"); unique within a deck
    kind         see `PartKind`
    diameter_mm  running diameter; for a reel that of the hub; None for a belt
    length_mm    inner length of a belt; None for everything else
    driven_by    name of the part it shares a surface speed with: the pulley a belt runs on, the wheel that drives a
                 pulley. None: the tape drives it (capstan, pinch roller, reel), the capstan's shaft carries it
                 (flywheel), or, for a pulley or a belt, the deck's only flywheel drives it
    shaft_of     name of the part whose shaft it shares, so that both turn at one rate (a take-up pulley pressed on
                 another pulley's hub); None where it has its own
    """

    name: str
    kind: PartKind
    diameter_mm: float | None = None
    length_mm: float | None = None
    driven_by: str | None = None
    shaft_of: str | None = None
