"""Hold a side against the limits: findings in words, and the verdict they add up to.

To add a judgement: write a small generator that yields findings, and name it in `judge_side`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pipeline.acceptance import Acceptance
from pipeline.bench_log import BenchChoice
from pipeline.capture import CaptureFacts
from pipeline.channels import Channels, Layout
from pipeline.decisions import Decisions
from pipeline.events import HUM_JUMPED, JUMPED, REPEATED, Event, EventKind
from pipeline.judge_extent import judge_extent
from pipeline.judge_tape import judge_tape
from pipeline.measurement import Measurement
from pipeline.qc import Finding, Severity, Verdict
from pipeline.qc import found as _found
from pipeline.records import NotMeasured, Reading
from pipeline.regions import RegionKind
from pipeline.speed import SpeedSource

SHORT_DB = 0.05  # less than a printed decimal is no news
DEPTHS = {EventKind.DROPOUT: " by {:.0f} dB", EventKind.CLICK: ", {:.0f} dB above what is beside it"}
LOSSES: dict[Reading, str] = {  # what else stands where samples are lost; otherwise zeros do
    REPEATED: "samples are missing: the recorder wrote earlier ones once more in their place, capture again",
    JUMPED: "samples are missing: a steady tone jumps here by a part of its wave, capture again",
    HUM_JUMPED: "samples are missing: the electronics' hum jumps here by a part of its wave, capture again",
}
BIT_DEPTHS = {"pcm8": 8, "pcm16": 16, "pcm24": 24, "pcm32": 32, "float32": 24, "float64": 53}


@dataclass(frozen=True)
class CopyOutcome:
    """What the making of the copies has to say.

    access_short_db  by how much peaks held the access copy below its target
    clipped_samples  samples of the master that did not fit
    programme_lufs   loudness of the master, which holds the programme without tone and leader
    """

    access_short_db: float
    clipped_samples: int
    programme_lufs: Reading


def judge_side(
    measurement: Measurement,
    decisions: Decisions,
    outcome: CopyOutcome,
    minutes_a_side: float | None,
    limits: Acceptance,
) -> tuple[Finding, ...]:
    """Every finding of a side, worst first and then by time."""
    found = [
        *_capture(measurement.capture, limits),
        *_programme(measurement),
        *judge_extent(measurement, minutes_a_side, limits),
        *_speed(measurement, decisions, limits),
        *_flutter(measurement, limits),
        *_levels(measurement, limits),
        *_channels(measurement.channels, limits),
        *judge_tape(measurement, limits),
        *_hum(measurement, outcome, limits),
        *_events(measurement, limits),
        *_copies(decisions, outcome, limits),
    ]
    order = (Severity.FAIL, Severity.WARN, Severity.INFO)
    return tuple(sorted(found, key=lambda f: (order.index(f.severity), f.start_s or 0.0)))


def judge_bench(choice: BenchChoice, limits: Acceptance) -> tuple[Finding, ...]:
    """What speaks against the deck's bench result that a side was corrected with."""
    found = []
    age, limit = choice.age_days, limits.bench.oldest_days
    if choice.older_than_service:
        message = (
            f"the deck's bench result of {choice.entry.date} is from before its last service: it may run differently"
            " now. Measure it again with `feltpad bench`"
        )
        found.append(_found("bench-before-service", Severity.WARN, message))
    if age is not None and abs(age) > limit:
        side = "older" if age > 0 else "younger"
        message = (
            f"the deck's bench result of {choice.entry.date} is {abs(age)} days {side} than this capture: belts stretch"
            " and oil thickens. Measure the deck again with `feltpad bench`"
        )
        found.append(_found("bench-old", Severity.WARN, message, value=float(abs(age)), limit=float(limit)))
    return tuple(found)


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """The worst severity decides, settled findings aside; no warning and no failure is a pass."""
    severities = {finding.counts_as for finding in findings}
    if Severity.FAIL in severities:
        return Verdict.FAIL
    return Verdict.WARN if Severity.WARN in severities else Verdict.PASS


def worst_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of several; pass for none."""
    return max(verdicts, key=list(Verdict).index, default=Verdict.PASS)


def _known(value: Reading) -> float | None:
    return None if isinstance(value, NotMeasured) else value


def _capture(facts: CaptureFacts, limits: Acceptance) -> Iterator[Finding]:
    if facts.length_is_wrong:
        message = (
            "the capture's header promises another length than the file holds: the recorder was cut off. What is there"
            " was read; listen to the end and decide whether to capture again"
        )
        yield _found("capture-cut-off", Severity.WARN, message, at=(facts.duration_s, facts.duration_s))
    lowest = limits.capture
    bits = BIT_DEPTHS[facts.encoding.value]
    if facts.sample_rate_hz < lowest.lowest_rate_hz:
        message = f"captured at {facts.sample_rate_hz} Hz; guidelines ask for {lowest.lowest_rate_hz} Hz and more"
        if facts.sample_rate_hz < lowest.dropouts_rate_hz:
            message += ". It holds too little hiss for dropouts to be looked for"
        limit = float(lowest.lowest_rate_hz)
        yield _found("capture-rate-low", Severity.WARN, message, value=float(facts.sample_rate_hz), limit=limit)
    if bits < lowest.lowest_bits:
        message = f"captured with {bits} bits; guidelines ask for {lowest.lowest_bits}"
        yield _found("capture-bits-low", Severity.WARN, message, value=float(bits), limit=float(lowest.lowest_bits))


def _programme(measurement: Measurement) -> Iterator[Finding]:
    if not any(region.kind is RegionKind.PROGRAMME for region in measurement.regions):
        message = "no programme was found on this side: nothing recorded, the wrong side, or a dead lead"
        yield _found("no-programme", Severity.FAIL, message)
        return
    if isinstance(measurement.levels.electronics_floor_dbfs, NotMeasured) and any(
        region.kind is RegionKind.SILENCE for region in measurement.regions
    ):
        reason = measurement.levels.electronics_floor_dbfs.reason
        yield _found("leader-not-told-apart", Severity.INFO, f"leader and silence: {reason}")


def _speed(measurement: Measurement, decisions: Decisions, limits: Acceptance) -> Iterator[Finding]:
    speed, bounds = measurement.speed, limits.speed
    if decisions.speed.source is SpeedSource.NONE:
        message = (
            "nothing tells this side's speed: no reference tone, no reading, no bench result. It was not corrected; to"
            " correct it later, use `feltpad rerun` with a reading"
        )
        yield _found("speed-unknown", Severity.WARN, message)
    error = 100 * (1 / decisions.speed.ratio - 1)
    if decisions.speed.source is not SpeedSource.NONE:
        yield from _speed_error(error, limits)
    uncertainty = _known(speed.uncertainty_percent)
    if uncertainty is not None and uncertainty > bounds.uncertainty_percent:
        message = f"the speed is known to ±{uncertainty:.3f} % only; a finer reading or a longer tone would help"
        limit = bounds.uncertainty_percent
        yield _found("speed-uncertain", Severity.WARN, message, value=uncertainty, limit=limit)
    drift = _known(speed.drift_percent)
    if drift is not None and drift > bounds.drift_percent:
        message = f"the speed drifts by {drift:.2f} % over the side; a constant correction cannot take that out"
        yield _found("speed-drifts", Severity.WARN, message, value=drift, limit=bounds.drift_percent)
    for tone in measurement.tones:
        span = (tone.start_s, tone.stop_s)
        nominal_hz = _known(tone.nominal_hz)
        if nominal_hz is None:
            message = f"a steady tone of {tone.measured_hz:.2f} Hz matches no nominal tone and corrects nothing"
            yield _found("tone-without-nominal", Severity.WARN, message, at=span, value=tone.measured_hz)
            continue
        tone_error = 100 * (tone.measured_hz / nominal_hz - 1)
        if decisions.speed.source is not SpeedSource.NONE and abs(tone_error - error) > bounds.disagreement_percent:
            message = (
                f"the tone of {nominal_hz:g} Hz says {tone_error:+.3f} %, the correction used is for {error:+.3f} %:"
                " they do not tell the same story"
            )
            value, limit = abs(tone_error - error), bounds.disagreement_percent
            yield _found("speed-sources-disagree", Severity.WARN, message, at=span, value=value, limit=limit)


def _speed_error(error_percent: float, limits: Acceptance) -> Iterator[Finding]:
    bounds = limits.speed
    size = abs(error_percent)
    way = "slow" if error_percent < 0 else "fast"
    if size > bounds.fail_percent:
        message = f"the deck ran {size:.2f} % {way}: too far to correct without somebody looking at the reference first"
        yield _found("speed-far-off", Severity.FAIL, message, value=size, limit=bounds.fail_percent)
    elif size > bounds.hifi_percent:
        message = f"the deck ran {size:.2f} % {way}, beyond the old hi-fi limit; corrected, but look at the machine"
        yield _found("speed-off", Severity.WARN, message, value=size, limit=bounds.hifi_percent)
    elif size > bounds.good_percent:
        message = f"the deck ran {size:.2f} % {way}, within the old hi-fi limit; corrected"
        yield _found("speed-corrected", Severity.INFO, message, value=size, limit=bounds.hifi_percent)


def _flutter(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    peak, limit = _known(measurement.flutter.weighted_peak_percent), limits.flutter.weighted_peak_percent
    if peak is not None and peak > limit:
        message = f"weighted wow and flutter of ±{peak:.2f} %; only the machine can mend that, correction cannot"
        yield _found("flutter-high", Severity.WARN, message, value=peak, limit=limit)


def _levels(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    levels, bounds = measurement.levels, limits.levels
    peak = _known(levels.sample_peak_dbfs)
    if peak is not None and peak < bounds.quiet_peak_dbfs:
        message = f"the capture peaks at {peak:.1f} dBFS: raise the recorder's input and capture again if you can"
        yield _found("capture-quiet", Severity.WARN, message, value=peak, limit=bounds.quiet_peak_dbfs)
    true_peak = _known(levels.true_peak_dbtp)
    if true_peak is not None and true_peak > bounds.hot_peak_dbtp:
        message = f"the capture peaks at {true_peak:+.1f} dBTP and leaves no headroom; lower the recorder's input"
        yield _found("capture-hot", Severity.INFO, message, value=true_peak, limit=bounds.hot_peak_dbtp)
    offset = _known(levels.dc_offset_percent)
    if offset is not None and abs(offset) > bounds.dc_offset_percent:
        message = f"a DC offset of {offset:+.2f} % of full scale; look at the recorder's input"
        yield _found("dc-offset", Severity.WARN, message, value=abs(offset), limit=bounds.dc_offset_percent)
    wander = _known(levels.dc_wander_percent)
    if wander is not None and wander > bounds.dc_wander_percent:
        message = f"the DC offset wanders by {wander:.2f} % of full scale; look at the recorder's input"
        yield _found("dc-wanders", Severity.WARN, message, value=wander, limit=bounds.dc_wander_percent)


def _channels(channels: Channels, limits: Acceptance) -> Iterator[Finding]:
    dead = {Layout.LEFT_ONLY: "right", Layout.RIGHT_ONLY: "left"}
    if channels.layout in dead:
        message = (
            f"the {dead[channels.layout]} channel is dead; copies carry the live one. Look at the lead and the head"
        )
        yield _found("channel-dead", Severity.WARN, message)
    if channels.layout is Layout.INVERTED:
        message = "the channels have opposite polarity; copies do not cancel. Look at the leads and at the head's wires"
        yield _found("polarity-inverted", Severity.WARN, message)
    balance, delay = _known(channels.balance_db), _known(channels.delay_us)
    if channels.layout is Layout.MONO and balance is not None and abs(balance) > limits.channels.balance_db:
        message = f"the same on both channels, but the right one is {balance:+.1f} dB against the left"
        yield _found(
            "channels-unbalanced", Severity.WARN, message, value=abs(balance), limit=limits.channels.balance_db
        )
    if delay is not None and abs(delay) > limits.channels.delay_us:
        message = f"the channels are {abs(delay):.0f} µs apart: azimuth is off, treble is lost in mono"
        yield _found("azimuth-off", Severity.WARN, message, value=abs(delay), limit=limits.channels.delay_us)


def _hum(measurement: Measurement, outcome: CopyOutcome, limits: Acceptance) -> Iterator[Finding]:
    loudness = _known(outcome.programme_lufs)
    if loudness is None or not measurement.hum:
        return
    loudest = max(measurement.hum, key=lambda line: line.level_dbfs)
    below = loudness - loudest.level_dbfs
    if below < limits.hum.below_programme_lu:
        where = {"deck": "made by the replay machine", "tape": "recorded on the tape"}
        origin = where.get(loudest.origin.value, "of unknown origin")
        message = f"hum at {loudest.hz:.1f} Hz, {below:.0f} dB under the programme, {origin}"
        yield _found("hum", Severity.WARN, message, value=below, limit=limits.hum.below_programme_lu)


def _events(measurement: Measurement, limits: Acceptance) -> Iterator[Finding]:
    programme_s = sum(r.stop_s - r.start_s for r in measurement.regions if r.kind is RegionKind.PROGRAMME)
    hours = (programme_s or measurement.capture.duration_s) / 3600
    bounds = limits.events
    by_kind: dict[EventKind, list[Event]] = {}
    for event in measurement.events:
        by_kind.setdefault(event.kind, []).append(event)
    clips = len(by_kind.get(EventKind.CLIP, ())) / hours
    clip_severity = Severity.FAIL if clips > bounds.clips_per_hour_fail else Severity.WARN
    told = {
        EventKind.CLIP: (clip_severity, bounds.clips_per_hour_warn, "the peaks are cut flat: the input was overdriven"),
        EventKind.GAP: (Severity.FAIL, bounds.gaps_fail, "samples are missing: zeros stand there, capture again"),
        EventKind.DROPOUT: (Severity.WARN, bounds.dropouts_per_hour_warn, "the level drops out"),
        EventKind.CLICK: (Severity.WARN, bounds.clicks_per_hour_warn, "a click"),
    }
    for kind, events in by_kind.items():
        severity, limit, words = told[kind]
        count = len(events) if kind is EventKind.GAP else len(events) / hours
        if count <= limit:
            severity = Severity.INFO
        for event in events:
            depth_db = _known(event.depth_db)
            message = LOSSES.get(event.depth_db, words)
            if depth_db is not None and kind in DEPTHS:
                message += DEPTHS[kind].format(depth_db)
            yield _found(kind.value, severity, message, at=(event.start_s, event.stop_s), value=depth_db)


def _copies(decisions: Decisions, outcome: CopyOutcome, limits: Acceptance) -> Iterator[Finding]:
    limit = limits.levels.loudness_short_lu
    if outcome.access_short_db > SHORT_DB:
        message = (
            f"the access copy stays {outcome.access_short_db:.1f} LU under its target: its peaks reached the ceiling,"
            " and feltpad does not limit them"
        )
        severity = Severity.WARN if outcome.access_short_db > limit else Severity.INFO
        yield _found("access-quiet", severity, message, value=outcome.access_short_db, limit=limit)
    if outcome.clipped_samples:
        message = f"{outcome.clipped_samples} samples of the master did not fit and were held at full scale"
        yield _found("master-clipped", Severity.WARN, message, value=float(outcome.clipped_samples), limit=0.0)
    if decisions.gain.master_db < 0:
        yield _found("master-turned-down", Severity.INFO, decisions.gain.why, value=-decisions.gain.master_db)
    if decisions.equalisation.changes:
        yield _found("equalisation-changed", Severity.INFO, decisions.equalisation.why)
