"""One side on its way through: which steps there are, what each depends on, and what comes out.

The order is measure, preserve, decide, master, access, judge. Deciding and judging cost nothing and are done here;
the others are `Step` objects, asked of the ledger first.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from pipeline.bench_log import BenchChoice, newest_bench
from pipeline.capture import Encoding
from pipeline.copies.access_gain import AccessGain
from pipeline.decisions import (
    SCHEMA,
    By,
    Decisions,
    SpeedDecision,
    decide_channels,
    decide_cut,
    decide_equalisation,
    decide_gain,
)
from pipeline.equalise import greatest_boost_db
from pipeline.judge import CopyOutcome, judge_bench, judge_side, verdict_of
from pipeline.judge_sheet import judge_sheet
from pipeline.measurement import Measurement
from pipeline.part_names import name_parts
from pipeline.parts import part_rates
from pipeline.qc import CopyKind, CopyRecord, Finding, SideQC
from pipeline.records import NotMeasured
from pipeline.side_job import SideJob
from pipeline.speed import BenchSpeed, SpeedSource, resolve_speed
from pipeline.stages import Accessed, Mastered, Preserved
from pipeline.standards.cassette import TIME_CONSTANT_US


def decide_side(job: SideJob, measurement: Measurement, reason: str, now: datetime) -> Decisions:
    """What the capture, the sheet and the deck ask for, as revision 1; see `pipeline.decisions.revised`."""
    copies = job.source.settings.copies
    tape_us = None if job.row.tape_type is None else TIME_CONSTANT_US[job.row.tape_type.value]
    equalisation = decide_equalisation(job.deck.replay_equalisation_us, tape_us)
    boost_db = 0.0
    if equalisation.changes and equalisation.deck_us and equalisation.tape_us:
        boost_db = greatest_boost_db(equalisation.deck_us, equalisation.tape_us)
    return Decisions(
        SCHEMA,
        job.tape,
        job.side,
        1,
        now.isoformat(timespec="seconds"),
        reason,
        decide_speed(job, measurement),
        decide_cut(measurement.regions, measurement.capture.duration_s, copies),
        decide_channels(measurement.channels, measurement.capture.channels, copies),
        equalisation,
        decide_gain(measurement.levels.true_peak_dbtp, boost_db, copies),
    )


def decide_speed(job: SideJob, measurement: Measurement) -> SpeedDecision:
    """The ratio by the sources in order of trust: the sheet's reading or ratio, a tone, the deck's bench, none."""
    row = job.row
    reading = None if row.read_hz is None or row.tone_hz is None else (row.read_hz, row.tone_hz)
    bench, bench_words = bench_speed(job)
    speed = resolve_speed(
        measurement.tones,
        reading=reading,
        ratio=row.ratio,
        bench=bench,
        criteria=job.source.settings.method.speed,
    )
    match speed.source:
        case SpeedSource.READING:
            assert reading is not None
            why = f"the sheet says a tone of {reading[1]:g} Hz reads {reading[0]:g} Hz on this deck"
            return SpeedDecision(speed.ratio, speed.source, *reading, By.SHEET, why)
        case SpeedSource.RATIO:
            return SpeedDecision(speed.ratio, speed.source, None, None, By.SHEET, "the sheet gives the ratio")
        case SpeedSource.TONE:
            count = sum(not isinstance(tone.nominal_hz, NotMeasured) for tone in measurement.tones)
            why = "a reference tone on this capture" if count == 1 else f"{count} reference tones on this capture"
            return SpeedDecision(speed.ratio, speed.source, None, None, By.AUTO, why)
        case SpeedSource.BENCH:
            return SpeedDecision(speed.ratio, speed.source, None, None, By.AUTO, bench_words)
    why = "no tone, no reading and no bench result: the speed is left as it was captured"
    return SpeedDecision(1.0, SpeedSource.NONE, None, None, By.AUTO, why)


def bench_speed(job: SideJob) -> tuple[BenchSpeed | None, str]:
    """The deck's newest bench result that is valid on the day of the capture, and which one it is, in words."""
    choice = bench_choice(job)
    if choice is None or choice.entry.error_percent is None:
        return None, ""
    entry, error_percent = choice.entry, choice.entry.error_percent
    return BenchSpeed(error_percent, entry.uncertainty_percent), f"the deck's bench result of {entry.date}"


def bench_choice(job: SideJob) -> BenchChoice | None:
    """The bench result that holds for this side, with its age; None where the deck has none."""
    return newest_bench(job.deck, captured_on(job))


def captured_on(job: SideJob) -> date | None:
    """The day the capture was made, as the tape's own record keeps it; None in archives of before it was kept."""
    day = job.source.captured_on.get(job.side)
    return None if day is None else date.fromisoformat(day)


def side_qc(
    job: SideJob,
    measurement: Measurement,
    decisions: Decisions,
    copies: tuple[CopyRecord, ...],
    outcome: CopyOutcome,
    more: tuple[Finding, ...] = (),
) -> SideQC:
    """Judge the side and put its record together. The measurement's speed becomes the one that was decided on."""
    decided = with_decided_speed(job, measurement, decisions)
    limits = job.source.settings.acceptance
    judged = judge_side(decided, decisions, outcome, job.row.minutes_a_side, limits)
    findings = (*judged, *_bench_findings(job, decisions), *judge_sheet(job.row), *more)
    return SideQC(job.side, verdict_of(findings), decisions.revision, decided, decisions, copies, findings)


def _bench_findings(job: SideJob, decisions: Decisions) -> tuple[Finding, ...]:
    """Only where this very result was used: a bench file given at a rerun is a person's own choice."""
    used = decisions.speed.source is SpeedSource.BENCH and decisions.speed.by is By.AUTO
    choice = bench_choice(job) if used else None
    return () if choice is None else judge_bench(choice, job.source.settings.acceptance)


def with_decided_speed(job: SideJob, measurement: Measurement, decisions: Decisions) -> Measurement:
    """``speed`` as the best knowledge of the side, from the tone or from whoever was trusted more, and the lines of
    its flutter with the deck's parts that turn at their rates at this speed."""
    chosen = decisions.speed
    reading = None if chosen.read_hz is None or chosen.true_hz is None else (chosen.read_hz, chosen.true_hz)
    given = chosen.source is SpeedSource.RATIO
    bench = bench_speed(job)[0] if chosen.source is SpeedSource.BENCH else None
    speed = resolve_speed(
        measurement.tones if chosen.source is SpeedSource.TONE else (),
        reading=reading,
        ratio=chosen.ratio if given else None,
        bench=bench,
        criteria=job.source.settings.method.speed,
    )
    # A bench file given at a rerun is not in the deck's own log: the decision itself is the better witness then.
    if speed.ratio != chosen.ratio:
        speed = replace(speed, source=chosen.source, ratio=chosen.ratio, error_percent=100 * (1 / chosen.ratio - 1))
    criteria, flutter = job.source.settings.method.parts, measurement.flutter
    rates = part_rates(job.deck.parts, 100 * (1 / speed.ratio - 1), criteria)
    return replace(
        measurement,
        speed=replace(speed, drift_percent=measurement.speed.drift_percent),
        flutter=replace(flutter, components=name_parts(flutter.components, rates, criteria)),
    )


def copy_records(
    measurement: Measurement, preserved: Preserved, mastered: Mastered, accessed: Accessed, decisions: Decisions
) -> tuple[CopyRecord, ...]:
    facts = measurement.capture
    first = preserved.files[0]
    preservation = CopyRecord(
        CopyKind.PRESERVATION,
        first.path,
        first.bytes,
        first.sha256,
        facts.audio_sha256,
        facts.sample_rate_hz,
        facts.channels,
        facts.encoding.value,
        facts.duration_s,
        measurement.levels.integrated_lufs,
        measurement.levels.true_peak_dbtp,
        0.0,
        preserved.made_with,
    )
    master_encoding = Encoding.PCM_24.value
    master = _copy(CopyKind.MASTER, mastered, master_encoding, decisions.gain.master_db)
    suffix = Path(accessed.file.path).suffix.removeprefix(".")
    access_encoding = Encoding.PCM_16.value if suffix == "flac" else suffix
    access = _copy(CopyKind.ACCESS, accessed, access_encoding, accessed.gain.gain_db)
    return preservation, master, access


def copy_outcome(mastered: Mastered, gain: AccessGain) -> CopyOutcome:
    facts = mastered.facts
    return CopyOutcome(gain.cut_short_db, facts.clipped_samples, facts.integrated_lufs)


def _copy(kind: CopyKind, made: Mastered | Accessed, encoding: str, gain_db: float) -> CopyRecord:
    return CopyRecord(
        kind,
        made.file.path,
        made.file.bytes,
        made.file.sha256,
        made.facts.audio_sha256,
        made.facts.sample_rate_hz,
        made.facts.channels,
        encoding,
        made.facts.duration_s,
        made.facts.integrated_lufs,
        made.facts.true_peak_dbtp,
        gain_db,
        made.made_with,
    )
