"""The steps of a side that cost time: what each depends on, and the stage that does it."""

from __future__ import annotations

from pipeline.capture import CaptureFacts
from pipeline.copies.access_gain import expected_levels, gain_for
from pipeline.copies.settings import AccessFormat, AccessSettings, MasterFormat
from pipeline.decisions import Decisions
from pipeline.measurement import METHOD_VERSION, Measurement
from pipeline.render import QUALITY
from pipeline.side_job import SideJob
from pipeline.side_words import broadcast_words, tag_words
from pipeline.stages import Accessed, Mastered, Measured, Preserved, WrittenFile
from pipeline.step import Step

MEASURE = "measure"  # the step that depends on nothing made or decided before

# Raise one of these when the code behind it gives other bytes for the same inputs: what was made before is then made
# again at the next run. Measuring has its own, METHOD_VERSION.
COPY_VERSION = 3


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
        MEASURE,
        job.tape,
        job.side,
        inputs,
        "pipeline.stages:measure",
        arguments,
        Measured,
        lambda made: _files(*made.pictures),
    )


def preserve_step(job: SideJob, facts: CaptureFacts | None) -> Step[Preserved]:
    """``facts`` None: the capture is still being measured; such a step can be run, not looked up or noted."""
    settings = job.source.settings.copies.preservation
    inputs = {"capture": facts.sha256 if facts else "", "settings": settings, "version": COPY_VERSION}
    arguments = {
        "capture": job.capture,
        "stem": job.stem,
        "settings": settings,
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
    copies, facts = job.source.settings.copies, measurement.capture
    settings = copies.master
    tags = tag_words(job, decisions)
    broadcast = broadcast_words(job, decisions, measurement)
    inputs = {
        "audio": facts.audio_sha256,
        "decisions": decisions.master_substance,
        "settings": settings,
        "broadcast": broadcast if settings.format is MasterFormat.WAVE else None,
        "quality": QUALITY,
        "version": COPY_VERSION,
    }
    arguments = {
        "preservation": preserved.files[0].path,
        "audio_sha256": facts.audio_sha256,
        "stem": job.stem,
        "decisions": decisions,
        "settings": settings,
        "tags": tags,
        "broadcast": broadcast,
        "access_settings": copies.access,
        "access_gain_db": _draft_gain_db(measurement, decisions, copies.access),
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
        words=tags if settings.format is MasterFormat.FLAC else None,
        reword="pipeline.stages:reword" if settings.format is MasterFormat.FLAC else "",
    )


def access_step(job: SideJob, mastered: Mastered, decisions: Decisions, measurement: Measurement) -> Step[Accessed]:
    settings = job.source.settings.copies.access
    tags, expected = tag_words(job, decisions), expected_levels(measurement, decisions)
    inputs = {
        "audio": mastered.facts.audio_sha256,
        "gain": decisions.access_substance,
        "expected": expected,
        "settings": settings,
        "version": COPY_VERSION,
    }
    arguments = {
        "mastered": mastered,
        "stem": job.stem,
        "expected": expected,
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
        words=tags,
        reword="pipeline.stages:reword",
    )


def _draft_gain_db(measurement: Measurement, decisions: Decisions, settings: AccessSettings) -> float | None:
    """Only of what takes an encoder long."""
    expected = expected_levels(measurement, decisions)
    if expected is None or settings.format is AccessFormat.FLAC:
        return None
    return gain_for(expected, decisions.gain, settings).gain_db


def _files(*written: WrittenFile) -> dict[str, str | None]:
    return {file.path: file.sha256 for file in written}
