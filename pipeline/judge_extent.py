"""Whether the whole side is on the capture: cut off at an end, or shorter or longer than the cassette's length says."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.acceptance import Acceptance
from pipeline.measurement import Measurement
from pipeline.qc import Finding, Severity, found
from pipeline.regions import RegionKind


def judge_extent(measurement: Measurement, minutes_a_side: float | None, limits: Acceptance) -> Iterator[Finding]:
    """What programme at the ends and the length of the tape tell; nothing where there is no programme.

    minutes_a_side  what the sheet says the cassette holds on a side, None where it does not say
    """
    programme = [region for region in measurement.regions if region.kind is RegionKind.PROGRAMME]
    if not programme:
        return
    duration_s = measurement.capture.duration_s
    edge_s = limits.programme.touching_edge_s
    if programme[0].start_s < edge_s:
        message = "programme runs from the very first moment of the capture: was the recorder started too late?"
        yield found("programme-at-head", Severity.WARN, message, at=(0.0, min(2.0, duration_s)))
    is_cut = programme[-1].stop_s > duration_s - edge_s
    if is_cut:
        message = "programme runs to the very last moment of the capture: was the recorder stopped too early?"
        tail = (max(0.0, duration_s - 2.0), duration_s)
        yield found("programme-at-tail", Severity.WARN, message + _captured(measurement, minutes_a_side), at=tail)
    if minutes_a_side is None:
        return
    longest_s = minutes_a_side * 60 * (1 + limits.programme.too_long_percent / 100)
    spread_s = programme[-1].stop_s - programme[0].start_s
    if spread_s > longest_s:
        message = (
            f"the programme spans {spread_s / 60:.1f} min, more than a side of this cassette holds"
            f" ({minutes_a_side:g} min): is the length in the sheet right, or are two sides in one capture?"
        )
        yield found("side-too-long", Severity.WARN, message, value=spread_s, limit=longest_s)
    elif not is_cut:
        yield from _too_short(measurement, minutes_a_side, programme[-1].stop_s, limits)


def _too_short(
    measurement: Measurement, minutes_a_side: float, programme_stop_s: float, limits: Acceptance
) -> Iterator[Finding]:
    """A side recorded in part only is no fault; one whose programme goes on until the tape stops may be."""
    start_s, stop_s = _tape(measurement)
    shortest_s = minutes_a_side * 60 * (1 - limits.programme.too_short_percent / 100)
    if stop_s - start_s >= shortest_s:
        return
    played = f"{(stop_s - start_s) / 60:.1f} of {minutes_a_side:g} min"
    ends_in_leader = measurement.regions[-1].kind is RegionKind.LEADER
    if ends_in_leader and programme_stop_s > stop_s - limits.programme.runs_into_stop_s:
        message = (
            f"programme goes on until the tape stops or ends, after {played}: was the deck stopped, is the tape torn or"
            " cut, or has it another length than the sheet says? Look at what is left on the reel"
        )
        at = (max(0.0, stop_s - 2.0), min(measurement.capture.duration_s, stop_s + 2.0))
        yield found("side-cut-short", Severity.WARN, message, at=at, value=stop_s - start_s, limit=shortest_s)
    else:
        message = f"{played} of this side were captured; if nobody has, play the rest once: there may be more on it"
        yield found("side-not-whole", Severity.INFO, message, value=stop_s - start_s, limit=shortest_s)


def _captured(measurement: Measurement, minutes_a_side: float | None) -> str:
    start_s, stop_s = _tape(measurement)
    return "" if minutes_a_side is None else f" {(stop_s - start_s) / 60:.1f} of {minutes_a_side:g} min were captured"


def _tape(measurement: Measurement) -> tuple[float, float]:
    """From where to where tape ran: without the leader, or the standing transport, at either end."""
    first, last = measurement.regions[0], measurement.regions[-1]
    start_s = first.stop_s if first.kind is RegionKind.LEADER else 0.0
    return start_s, last.start_s if last.kind is RegionKind.LEADER else measurement.capture.duration_s
