"""A deck's rotating parts, and how often each turns when the tape runs.

Everything follows the tape: it turns capstan, pinch roller and reels by its own speed, the flywheel sits on the
capstan's shaft, and pulleys and belts share the surface speed of what they touch. A diameter, thus a rate, is known
only within a band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from pipeline.standards.cassette import (
    FULL_PACK_RADIUS_MM,
    HUB_RADIUS_MM,
    NOMINAL_SPEED_MM_S,
    TAPE_THICKNESS_MM,
    turn_rate_hz,
)


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
    driven_by       name of the part it shares a surface speed with, directly or by a belt; None: the deck's only
                    flywheel. Of a flywheel: the capstan whose shaft it sits on; None: the only one
    """

    name: str
    kind: PartKind
    diameter_mm: float | None = None
    length_mm: float | None = None
    uncertainty_mm: float | None = None
    driven_by: str | None = None


@dataclass(frozen=True)
class PartCriteria:
    """How far a part may turn from what its size says (table ``[parts]`` of ``config/method.toml``).

    uncertainty_mm       how well a diameter is known where the deck file does not say, mm
    belt_uncertainty_mm  … and a belt's length
    belt_thickness_mm    a belt runs this far above a pulley's face at most, counted in diameter, mm
    rubber_give_share    a pressed rubber roller runs as if it were smaller by up to this share
    slip_share           a belt slips, and a belt stretches, by up to this share
    highest_order        harmonics of a part that is seen itself are told up to this order
    highest_unseen_order … and of a part that is not (an oval one shows its second alone)
    chance_share         … if rates are surer than this share of the part's own: else one would fit by chance
    agreement_share      a harmonic or beat lies this near to the rate that other components make, share of it
    """

    uncertainty_mm: float
    belt_uncertainty_mm: float
    belt_thickness_mm: float
    rubber_give_share: float
    slip_share: float
    highest_order: int
    highest_unseen_order: int
    chance_share: float
    agreement_share: float


@dataclass(frozen=True)
class PartRate:
    """How often a part turns: what its size says, and the band that its uncertainty leaves."""

    part: RotatingPart
    hz: float
    low_hz: float
    high_hz: float


_CASSETTE_REELS = (
    RotatingPart("supply reel", PartKind.SUPPLY_REEL),
    RotatingPart("take-up reel", PartKind.TAKE_UP_REEL),
)
REELS = (PartKind.SUPPLY_REEL, PartKind.TAKE_UP_REEL)
_ON_TAPE = (PartKind.CAPSTAN, PartKind.PINCH_ROLLER)


def part_rates(
    parts: Sequence[RotatingPart], speed_error_percent: float, criteria: PartCriteria
) -> tuple[PartRate, ...]:
    """How often each part turns on a deck that runs this much fast (positive) or slow, the cassette's reels with them.

    Parts whose rate does not follow from what is on file (a belt on a deck without flywheel) are left out.
    """
    speed_mm_s = NOMINAL_SPEED_MM_S * (1 + speed_error_percent / 100)
    named = {part.name: part for part in parts}
    kinds = {part.kind for part in parts}
    reels = tuple(reel for reel in _CASSETTE_REELS if reel.kind not in kinds)
    rates = (_rate(part, named, speed_mm_s, criteria, ()) for part in (*parts, *reels))
    return tuple(rate for rate in rates if rate is not None)


def _rate(
    part: RotatingPart,
    named: dict[str, RotatingPart],
    speed_mm_s: float,
    criteria: PartCriteria,
    driving: tuple[str, ...],
) -> PartRate | None:
    """None where the rate does not follow; ``driving`` are the parts that ask for it, lest two drive each other."""
    if part.kind in REELS:
        hub_mm = (part.diameter_mm / 2,) * 2 if part.diameter_mm else HUB_RADIUS_MM
        low_hz = turn_rate_hz(speed_mm_s, 2 * FULL_PACK_RADIUS_MM)
        high_hz = turn_rate_hz(speed_mm_s, 2 * hub_mm[0])
        return PartRate(part, math.sqrt(low_hz * high_hz), low_hz, high_hz)
    if part.kind in _ON_TAPE:
        return _on_tape(part, speed_mm_s, criteria)
    driver = _driver(part, named)
    if driver is None or part.name in driving:
        return None
    driver_rate = _rate(driver, named, speed_mm_s, criteria, (*driving, part.name))
    if driver_rate is None:
        return None
    if part.kind is PartKind.FLYWHEEL:
        return PartRate(part, driver_rate.hz, driver_rate.low_hz, driver_rate.high_hz)
    return _driven(part, driver, driver_rate, criteria)


def _driver(part: RotatingPart, named: dict[str, RotatingPart]) -> RotatingPart | None:
    """The part whose rate says this one's; a belt in between passes its own driver's surface speed on."""
    wanted = PartKind.CAPSTAN if part.kind is PartKind.FLYWHEEL else PartKind.FLYWHEEL
    driver = named.get(part.driven_by) if part.driven_by is not None else None
    for _ in named:
        if driver is None or driver.kind is not PartKind.BELT or part.kind is PartKind.BELT:
            break
        driver = named.get(driver.driven_by) if driver.driven_by is not None else None
    if driver is part or (part.kind is PartKind.FLYWHEEL and (driver is None or driver.kind is not wanted)):
        driver = None  # what drives a flywheel follows its rate, as everything follows the tape
    found = [other for other in named.values() if other.kind is wanted]
    return driver or (found[0] if len(found) == 1 else None)


def _on_tape(part: RotatingPart, speed_mm_s: float, criteria: PartCriteria) -> PartRate | None:
    """The tape's middle runs at tape speed, so a capstan counts as up to one tape thicker than it is."""
    if part.diameter_mm is None:
        return None
    doubt_mm = _doubt_mm(part, criteria)
    thickest_mm = max(TAPE_THICKNESS_MM.values())
    give = criteria.rubber_give_share if part.kind is PartKind.PINCH_ROLLER else 0.0
    return PartRate(
        part,
        hz=turn_rate_hz(speed_mm_s, part.diameter_mm),
        low_hz=turn_rate_hz(speed_mm_s, part.diameter_mm + doubt_mm + thickest_mm),
        high_hz=turn_rate_hz(speed_mm_s, (part.diameter_mm - doubt_mm) * (1 - give)),
    )


def _driven(part: RotatingPart, driver: RotatingPart, rate: PartRate, criteria: PartCriteria) -> PartRate | None:
    """Both surfaces run alike; a belt's own thickness counts with both diameters."""
    round_mm = math.pi * part.diameter_mm if part.diameter_mm else part.length_mm
    if round_mm is None or driver.diameter_mm is None:
        return None
    doubt_mm, driver_doubt_mm = _doubt_mm(part, criteria), _doubt_mm(driver, criteria)
    slip, belt_mm = criteria.slip_share, criteria.belt_thickness_mm
    surface_mm = math.pi * driver.diameter_mm
    if part.kind is PartKind.BELT:
        ratios = [
            (surface_mm - math.pi * driver_doubt_mm) / (round_mm + doubt_mm),
            (surface_mm + math.pi * (driver_doubt_mm + belt_mm)) / (round_mm - doubt_mm),
        ]
    else:
        ratios = [
            (driver.diameter_mm + sign * driver_doubt_mm + thick) / (round_mm / math.pi - sign * doubt_mm + thick)
            for sign in (-1, 1)
            for thick in (0.0, belt_mm)
        ]
    low, high = min(ratios) * (1 - slip), max(ratios) * (1 + slip)
    return PartRate(part, rate.hz * surface_mm / round_mm, rate.low_hz * low, rate.high_hz * high)


def _doubt_mm(part: RotatingPart, criteria: PartCriteria) -> float:
    if part.uncertainty_mm is not None:
        return part.uncertainty_mm
    return criteria.belt_uncertainty_mm if part.kind is PartKind.BELT else criteria.uncertainty_mm
