"""What the tape and its way over the heads did to the sound: sags of the speed, print-through, missing treble.

Hints are common practice in the trade, not from a standard.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.acceptance import Acceptance
from pipeline.channels import Layout
from pipeline.measurement import Measurement
from pipeline.qc import Finding, Severity, found
from pipeline.records import NotMeasured
from pipeline.regions import RegionKind
from pipeline.sags import STOPPED_PERCENT, Sag


def judge_tape(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    """Findings of the transport, of print-through and of treble."""
    yield from _sags(measurement, limits)
    yield from _print_through(measurement, limits)
    yield from _treble(measurement, limits)


def _print_through(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    printed, limit = measurement.print_through, limits.transport.print_through_db
    if isinstance(printed, NotMeasured):
        return
    level_db, lag_s, first_s = printed.level_db, printed.lag_s, printed.first_s
    if isinstance(level_db, NotMeasured) or isinstance(lag_s, NotMeasured) or isinstance(first_s, NotMeasured):
        return
    message = (
        f"a faint copy comes {lag_s:.2f} s before loud starts, {-level_db:.0f} dB below them ({printed.count} of"
        f" {printed.asked} starts): print-through from the next turn of the reel. Common practice: wind the tape to and"
        " fro some times, let it rest, and capture again; a disc copied on to it would have it at 1.8 s throughout"
    )
    severity = Severity.WARN if level_db > limit else Severity.INFO
    yield found(
        "print-through", severity, message, at=(max(0.0, first_s - lag_s), first_s), value=level_db, limit=limit
    )


def _sags(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    """One finding a sag; how many there are in an hour decides how they weigh."""
    if isinstance(measurement.sags, NotMeasured):
        return
    programme_s = sum(r.stop_s - r.start_s for r in measurement.regions if r.kind is RegionKind.PROGRAMME)
    an_hour = len(measurement.sags) * 3600 / (programme_s or measurement.capture.duration_s)
    severity = Severity.WARN if an_hour > limits.transport.sags_per_hour else Severity.INFO
    for sag in measurement.sags:
        way = "sags" if sag.change_percent < 0 else "jumps up"
        what = "the tape stops" if sag.change_percent <= STOPPED_PERCENT else f"the speed {way} by some {_whole(sag)} %"
        message = (
            f"{what}: on the tape, or this deck sticks or drags? Capture the place again; if it comes back elsewhere,"
            " common practice: wind the tape through once to loosen it, then look at belt, pinch roller and shell"
        )
        yield found("transport-sags", severity, message, at=(sag.start_s, sag.stop_s), value=sag.change_percent)


def _whole(sag: Sag) -> str:
    return f"{abs(sag.change_percent):.0f}"


def _treble(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    """Hiss that falls off is told first: whatever else is missing, the replay loses it."""
    treble, bounds = measurement.treble, limits.treble
    if isinstance(treble, NotMeasured):
        return
    hiss_hz, programme_hz = treble.hiss_edge_hz, treble.programme_edge_hz
    top_hz = 0.4 * measurement.capture.sample_rate_hz
    if not isinstance(hiss_hz, NotMeasured) and hiss_hz < min(bounds.hiss_edge_hz, top_hz):
        message = (
            f"the hiss of the tape itself ends at {hiss_hz / 1000:.1f} kHz: treble is lost in replay, on this tape or"
            " by this deck. Common practice: clean head and guides, look at the felt pad and the head's wear, check the"
            " equalisation switch, and capture again"
        )
        yield found("treble-lost-in-replay", Severity.WARN, message, value=hiss_hz, limit=bounds.hiss_edge_hz)
    elif not isinstance(programme_hz, NotMeasured) and programme_hz < min(bounds.programme_edge_hz, top_hz):
        where = f"the programme ends at {programme_hz / 1000:.1f} kHz{_hiss_goes_on(hiss_hz)}"
        message = f"{where}: {_likely(measurement, limits)}"
        limit = bounds.programme_edge_hz
        yield found("treble-missing", Severity.INFO, message, value=programme_hz, limit=limit)


def _hiss_goes_on(hiss_hz: float | NotMeasured) -> str:
    return "" if isinstance(hiss_hz, NotMeasured) else f", while the hiss goes on to {hiss_hz / 1000:.0f} kHz"


def _likely(measurement: Measurement, limits: Acceptance) -> str:
    """Two channels show the azimuth; one does not."""
    channels = measurement.channels
    delay_us = NotMeasured("") if channels.layout not in (Layout.STEREO, Layout.MONO) else channels.delay_us
    if not isinstance(delay_us, NotMeasured) and abs(delay_us) <= limits.channels.delay_us:
        return "it has no treble, or was recorded dull; azimuth is in order"
    return (
        "it has no treble, was recorded dull, or the azimuth is off. Common practice: turn the azimuth screw by ear on"
        " this tape, note where it stood, and capture again if it gets brighter"
    )
