"""One side on its way through: which steps there are, what each depends on, and what comes out.

The order is measure, preserve, decide, master, access, judge. Deciding and judging cost nothing and are done here;
the others are `Step` objects, asked of the ledger first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

from pipeline.bench_log import newest_bench
from pipeline.capture import Encoding
from pipeline.copies.access import AccessGain
from pipeline.copies.broadcast_wave import BroadcastWords, history_text
from pipeline.copies.settings import MasterFormat
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
from pipeline.deck import Deck
from pipeline.judge import CopyOutcome, judge_side, verdict_of
from pipeline.measurement import METHOD_VERSION, Measurement
from pipeline.qc import CopyKind, CopyRecord, Finding, SideQC
from pipeline.records import NotMeasured
from pipeline.render import QUALITY
from pipeline.sheet import SideRow
from pipeline.source import TapeSource
from pipeline.speed import BenchSpeed, SpeedSource, resolve_speed
from pipeline.stages import Accessed, Mastered, Measured, Preserved, WrittenFile
from pipeline.standards.cassette import TIME_CONSTANT_US
from pipeline.step import Step
from pipeline.tags import TagWords

# Raise one of these when the code behind it gives other bytes for the same inputs: what was made before is then made
# again at the next run. Measuring has its own, METHOD_VERSION.
COPY_VERSION = 1


@dataclass(frozen=True)
class SideJob:
    """A side to be made. ``capture`` is None when it is made again from its preservation copy."""

    source: TapeSource
    deck: Deck
    row: SideRow
    capture: Path | None

    @property
    def tape(self) -> str:
        return self.row.tape

    @property
    def side(self) -> str:
        return self.row.side

    @property
    def stem(self) -> str:
        return f"{self.row.tape}-{self.row.side}"

    @property
    def nominal_tones_hz(self) -> tuple[float, ...]:
        """The box's tones and this side's own."""
        own = () if self.row.tone_hz is None else (self.row.tone_hz,)
        return tuple(dict.fromkeys((*own, *self.source.nominal_tones_hz)))


def measure_step(job: SideJob, capture_sha256: str) -> Step[Measured]:
    settings = job.source.settings
    assert job.capture is not None
    inputs = {
        "capture": capture_sha256,
        "nominal_hz": job.nominal_tones_hz,
        "method": settings.method,
        "pictures": settings.report.overview,
        "version": METHOD_VERSION,
    }
    arguments = {
        "capture": job.capture,
        "stem": job.side,
        "nominal_hz": job.nominal_tones_hz,
        "method": settings.method,
        "pictures": settings.report.overview,
    }
    return Step(
        "measure",
        job.tape,
        job.side,
        inputs,
        "pipeline.stages:measure",
        arguments,
        Measured,
        lambda made: _files(*made.pictures),
    )


def preserve_step(job: SideJob, measured: Measured) -> Step[Preserved]:
    settings = job.source.settings.copies.preservation
    facts = measured.measurement.capture
    inputs = {"capture": facts.sha256, "settings": settings, "version": COPY_VERSION}
    arguments = {
        "capture": job.capture,
        "stem": job.stem,
        "settings": settings,
        "audio_sha256": facts.audio_sha256,
        "block_s": job.source.settings.method.block_s,
    }
    return Step(
        "preserve",
        job.tape,
        job.side,
        inputs,
        "pipeline.stages:preserve",
        arguments,
        Preserved,
        lambda made: _files(*made.files),
    )


def master_step(job: SideJob, preserved: Preserved, decisions: Decisions, measurement: Measurement) -> Step[Mastered]:
    settings = job.source.settings.copies.master
    tags = tag_words(job, decisions)
    broadcast = broadcast_words(job, decisions, measurement)
    inputs = {
        "audio": preserved.audio_sha256,
        "decisions": decisions.substance,
        "settings": settings,
        "tags": tags,
        "broadcast": broadcast if settings.format is MasterFormat.WAVE else None,
        "quality": QUALITY,
        "version": COPY_VERSION,
    }
    arguments = {
        "preservation": preserved.files[0].path,
        "audio_sha256": preserved.audio_sha256,
        "stem": job.stem,
        "decisions": decisions,
        "settings": settings,
        "tags": tags,
        "broadcast": broadcast,
        "block_s": job.source.settings.method.block_s,
    }
    return Step(
        "master",
        job.tape,
        job.side,
        inputs,
        "pipeline.stages:master",
        arguments,
        Mastered,
        lambda made: _files(made.file),
    )


def access_step(job: SideJob, mastered: Mastered, decisions: Decisions) -> Step[Accessed]:
    settings = job.source.settings.copies.access
    tags = tag_words(job, decisions)
    inputs = {
        "audio": mastered.facts.audio_sha256,
        "gain": decisions.gain,
        "settings": settings,
        "tags": tags,
        "version": COPY_VERSION,
    }
    arguments = {
        "mastered": mastered,
        "stem": job.stem,
        "gain": decisions.gain,
        "settings": settings,
        "tags": tags,
        "block_s": job.source.settings.method.block_s,
    }
    return Step(
        "access",
        job.tape,
        job.side,
        inputs,
        "pipeline.stages:access",
        arguments,
        Accessed,
        lambda made: _files(made.file),
    )


def decide_side(job: SideJob, measurement: Measurement, reason: str, now: datetime) -> Decisions:
    """What the capture, the sheet and the deck ask for, as revision 1; see `pipeline.decisions.revised`."""
    copies = job.source.settings.copies
    tape_us = None if job.row.tape_type is None else TIME_CONSTANT_US[job.row.tape_type.value]
    equalisation = decide_equalisation(job.deck.replay_equalisation_us, tape_us)
    boost_db = 0.0
    if equalisation.changes and equalisation.deck_us and equalisation.tape_us:
        boost_db = max(0.0, 20 * math.log10(equalisation.tape_us / equalisation.deck_us))
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
    choice = newest_bench(job.deck, captured_on(job))
    if choice is None or choice.entry.error_percent is None:
        return None, ""
    entry, error_percent = choice.entry, choice.entry.error_percent
    return BenchSpeed(error_percent, entry.uncertainty_percent), f"the deck's bench result of {entry.date}"


def captured_on(job: SideJob) -> date | None:
    """The day the capture was made: the recorder's own time stamp on the file."""
    if job.capture is None:
        return None
    return datetime.fromtimestamp(job.capture.stat().st_mtime).date()


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
    findings = (*judge_side(decided, decisions, outcome, job.row.minutes_a_side, limits), *more)
    return SideQC(job.side, verdict_of(findings), decisions.revision, decided, decisions, copies, findings)


def with_decided_speed(job: SideJob, measurement: Measurement, decisions: Decisions) -> Measurement:
    """``speed`` as the best knowledge of the side: from the tone, or from whoever was trusted more."""
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
    return replace(measurement, speed=replace(speed, drift_percent=measurement.speed.drift_percent))


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
        preserved.audio_sha256,
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
    return CopyOutcome(gain.cut_short_db, mastered.facts.clipped_samples)


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


def tag_words(job: SideJob, decisions: Decisions) -> TagWords:
    """What the sheet and the decisions have to say in a copy's tags."""
    row, box = job.row, job.source.box
    index = "; ".join(f"{note.counter} {note.text}".strip() for note in row.index)
    extra = [
        ("TAPE-LENGTH", row.length),
        ("INDEX", index),
        ("SPEED-CORRECTION", f"{decisions.speed.ratio:.6f} ({decisions.speed.source.value})"),
        ("COLLECTION-ID", box.id),
        ("OWNER", box.owner),
        *((f"SHEET-{_tag_name(name)}", text) for name, text in row.extra.items()),
    ]
    return TagWords(
        title=row.title or f"{row.tape} side {row.side}",
        creator=row.creator,
        collection=box.title,
        tape=row.tape,
        side=row.side,
        date=row.date_iso or row.date,
        place=row.place,
        subject=row.subject,
        notes=row.notes,
        language=box.language,
        rights=box.rights,
        tape_type="" if row.tape_type is None else row.tape_type.value,
        encoded_by="feltpad",
        extra=tuple((name, text) for name, text in extra if text),
    )


def _tag_name(heading: str) -> str:
    """A sheet's heading as a comment name: printable ASCII without "=" (Vorbis comments allow no more)."""
    kept = "".join(c if 0x20 <= ord(c) <= 0x7D and c != "=" else "-" for c in heading.upper())
    return kept.strip() or "COLUMN"


def broadcast_words(job: SideJob, decisions: Decisions, measurement: Measurement) -> BroadcastWords:
    """The bext chunk: who, what, and the coding history from the cassette to this master (EBU R 98)."""
    row, deck, facts = job.row, job.deck, measurement.capture
    mode = "mono" if facts.channels == 1 else "stereo"
    error = 100 * (1 / decisions.speed.ratio - 1)
    us = "" if deck.replay_equalisation_us is None else f"; {deck.replay_equalisation_us:g} us"
    machine = " ".join(text for text in (deck.label, deck.model, deck.serial) if text)
    analogue = history_text(f"compact cassette {job.tape} side {job.side}; {machine}{us}; speed error {error:+.3f} %")
    bits = {8: 8, 16: 16}.get(facts.encoding.sample_bytes * 8, 24)
    history = [
        f"A=ANALOGUE,M={mode},T={analogue}",
        f"A=PCM,F={facts.sample_rate_hz},W={bits},M={mode},T=capture {facts.audio_sha256[:16]}; A/D",
    ]
    steps = [f"channels {decisions.channels.use.value}"]
    if decisions.equalisation.changes:
        steps.append(f"equalisation {decisions.equalisation.deck_us:g} to {decisions.equalisation.tape_us:g} us")
    if decisions.gain.master_db:
        steps.append(f"gain {decisions.gain.master_db:+.2f} dB")
    steps.append(f"resample {decisions.speed.ratio:.9f}; speed correction ({decisions.speed.source.value})")
    history.append(f"A=PCM,F={facts.sample_rate_hz},W=24,T={history_text('; '.join(['feltpad', *steps]))}")
    description = f"{job.tape} side {job.side}: {row.title}"
    return BroadcastWords(description, "feltpad", job.stem, row.date_iso or "", "", tuple(history))


def _files(*written: WrittenFile) -> dict[str, str | None]:
    return {file.path: file.sha256 for file in written}
