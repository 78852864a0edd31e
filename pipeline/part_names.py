"""Which part? Names for the lines of a deviation spectrum, from the rates of the deck's rotating parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.flutter import FlutterComponent
from pipeline.parts import REELS, PartCriteria, PartKind, PartRate
from pipeline.records import NotMeasured

# What usually causes a line at a part's own rate. Common practice of the bench, from no standard.
_HINTS = {
    PartKind.CAPSTAN: "a bent or dirty capstan, or a dry bearing",
    PartKind.PINCH_ROLLER: "a flat spot on the pinch roller, from standing pressed, or hardened or dirty rubber",
    PartKind.FLYWHEEL: "a flywheel that is off centre or touches, or dirt on its rim",
    PartKind.MOTOR_PULLEY: "an off-centre or dirty motor pulley, or a worn motor bearing",
    PartKind.TAKE_UP_PULLEY: "an off-centre take-up pulley, or a clutch that grips unevenly",
    PartKind.IDLER: "a flat spot on the idler's rubber",
    PartKind.BELT: "a joint, a kink or a tired stretch of the belt",
    PartKind.SUPPLY_REEL: "a dragging supply reel: uneven back tension, or a cassette that rubs",
    PartKind.TAKE_UP_REEL: "a take-up reel that pulls unevenly: its clutch, or a cassette that rubs",
}
_HARMONIC_HINT = "the same fault as at its own rate; a sharp one, a flat spot or a joint, shows several harmonics"
_OVAL_HINT = "an oval part, or two bad places opposite each other"
_BEAT_HINT = "two faults that work together: with either mended it goes"
COMMON_PRACTICE = " (common practice)"
NO_PART = "no part on file turns at this rate"

Seen = tuple[FlutterComponent, PartRate]


def name_parts(
    components: Sequence[FlutterComponent], rates: Sequence[PartRate], criteria: PartCriteria
) -> tuple[FlutterComponent, ...]:
    """The same components, each with the part that turns at its rate and a hint, or NotMeasured and why.

    A part's own rate, or an exact multiple of a component that is named itself, goes before a harmonic of a part
    not seen, and that before a beat of two parts that are. Where several fit, all are named. The component's slide
    tells the reels apart: the supply reel gets faster, the take-up reel slower.
    """
    own = [[rate for rate in rates if _fits(component, rate)] for component in components]
    seen = [(c, rate) for c, fitting in zip(components, own, strict=True) for rate in fitting]
    named = []
    for component, fitting in zip(components, own, strict=True):
        causes = [(rate.part.name, _HINTS[rate.part.kind]) for rate in fitting]
        causes += [(name, _HARMONIC_HINT) for name in _seen_harmonics(component, seen, criteria)]
        causes = causes or [(name, _OVAL_HINT) for name in _unseen_harmonics(component, rates, criteria)]
        causes = causes or [(name, _BEAT_HINT) for name in _beats(component, seen, criteria)]
        part, hint = (
            (" or ".join(dict.fromkeys(column)) for column in zip(*causes, strict=True)) if causes else ("", "")
        )
        named.append(
            replace(
                component,
                part=part or NotMeasured(NO_PART),
                hint=hint + COMMON_PRACTICE if hint else NotMeasured(NO_PART),
            )
        )
    return tuple(named)


def _fits(component: FlutterComponent, rate: PartRate) -> bool:
    slides = abs(component.slide_hz) > 4 * component.hz_uncertainty
    if slides and rate.part.kind in REELS and (component.slide_hz > 0) != (rate.part.kind is PartKind.SUPPLY_REEL):
        return False
    return rate.low_hz - component.hz_uncertainty <= component.hz <= rate.high_hz + component.hz_uncertainty


def _seen_harmonics(component: FlutterComponent, seen: Sequence[Seen], criteria: PartCriteria) -> list[str]:
    """Parts of which another component shows the own rate, and this one an exact multiple of it.

    Where the rates are known no better than that the next multiple fits as well by chance, none is told.
    """
    orders = range(2, criteria.highest_order + 1)
    return [
        f"{rate.part.name}, {_ordinal(order)} harmonic"
        for base, rate in seen
        for order in orders
        if base is not component
        and component.hz_uncertainty + order * base.hz_uncertainty < criteria.chance_share * base.hz
        and _agree(component, order * base.hz, order * base.hz_uncertainty, criteria)
    ]


def _unseen_harmonics(component: FlutterComponent, rates: Sequence[PartRate], criteria: PartCriteria) -> list[str]:
    """Of round parts with a rate of their own; a reel's multiples would claim everything up to 3 Hz."""
    return [
        f"{rate.part.name}, {_ordinal(order)} harmonic"
        for rate in rates
        if rate.part.kind not in (*REELS, PartKind.BELT)
        for order in range(2, criteria.highest_unseen_order + 1)
        if order * rate.low_hz <= component.hz <= order * rate.high_hz
    ]


def _beats(component: FlutterComponent, seen: Sequence[Seen], criteria: PartCriteria) -> list[str]:
    """Pairs of parts that are both seen, at the sum or difference of their components' rates."""
    return [
        f"beat of {one.part.name} and {other.part.name}"
        for number, (first, one) in enumerate(seen)
        for second, other in seen[number + 1 :]
        if component not in (first, second) and first is not second
        for beat_hz in (first.hz + second.hz, abs(first.hz - second.hz))
        if _agree(component, beat_hz, first.hz_uncertainty + second.hz_uncertainty, criteria)
    ]


def _agree(component: FlutterComponent, hz: float, uncertainty_hz: float, criteria: PartCriteria) -> bool:
    return abs(component.hz - hz) <= component.hz_uncertainty + uncertainty_hz + criteria.agreement_share * hz


def _ordinal(order: int) -> str:
    """
    >>> _ordinal(2), _ordinal(4)
    ('2nd', '4th')
    """
    return {2: "2nd", 3: "3rd"}.get(order, f"{order}th")
