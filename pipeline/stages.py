"""What a worker process is asked to do: one function a stage, with small arguments and a record to return.

Every function takes ``root``, the tape's working folder, and writes only below it; ``tell`` hears how far it is.
"""

from __future__ import annotations

import contextlib
import platform
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

from pipeline import __version__
from pipeline.ahead import Tell
from pipeline.archive import TapeFolder
from pipeline.capture import open_capture, sha256_of
from pipeline.copies.access import access_name, write_access
from pipeline.copies.access_gain import AccessGain, CopyLevels
from pipeline.copies.broadcast_wave import BroadcastWords
from pipeline.copies.draft import DraftWriter
from pipeline.copies.master import AudioFacts, MasterWords, master_name, write_master
from pipeline.copies.preservation import write_preservation
from pipeline.copies.settings import AccessFormat, AccessSettings, MasterSettings, PreservationSettings
from pipeline.decisions import Decisions, GainDecision
from pipeline.errors import CopyError
from pipeline.files import whole_file
from pipeline.measurement import Measurement, measure_capture
from pipeline.method import Method
from pipeline.overview import OverviewCriteria, write_overview
from pipeline.records import NotMeasured
from pipeline.render import rendered_channels
from pipeline.tags import TagWords, write_tags


@dataclass(frozen=True)
class WrittenFile:
    """A file below the tape's folder, as it stands on disk."""

    path: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Measured:
    """The measurement of a side, and the pictures of it that were drawn on the way."""

    measurement: Measurement
    pictures: tuple[WrittenFile, ...]


@dataclass(frozen=True)
class Preserved:
    """files[0] is the preservation copy itself; the others stood around the capture's samples."""

    files: tuple[WrittenFile, ...]
    made_with: str


@dataclass(frozen=True)
class Mastered:
    file: WrittenFile
    facts: AudioFacts
    made_with: str


@dataclass(frozen=True)
class Accessed:
    file: WrittenFile
    facts: AudioFacts
    gain: AccessGain
    made_with: str


def measure(
    root: Path,
    capture: Path,
    stem: str,
    nominal_hz: Sequence[float],
    method: Method,
    pictures: OverviewCriteria,
    tell: Tell,
) -> Measured:
    """Everything there is to know of a capture, in one pass over its samples."""
    measurement, overview = measure_capture(open_capture(capture), nominal_hz, method, pictures, tell=tell)
    written = write_overview(overview, TapeFolder(root).qc, stem)
    return Measured(measurement, tuple(_written(root, path) for path in written))


def preserve(
    root: Path,
    capture: Path,
    stem: str,
    settings: PreservationSettings,
    block_s: float,
    tell: Tell,
) -> Preserved:
    """The capture, bit for bit; it is proven when the master is made from it."""
    files = write_preservation(open_capture(capture), TapeFolder(root).preservation, stem, settings, block_s, tell)
    written = tuple(_written(root, path) for path in (files.path, *files.kept_beside))
    return Preserved(written, made_with("soundfile"))


def master(
    root: Path,
    preservation: str,
    audio_sha256: str,
    stem: str,
    decisions: Decisions,
    settings: MasterSettings,
    tags: TagWords,
    broadcast: BroadcastWords,
    access_settings: AccessSettings,
    access_gain_db: float | None,
    block_s: float,
    tell: Tell,
) -> Mastered:
    """The corrected master, from the preservation copy, which is proven on the way.

    access_gain_db  what the access copy's gain is expected to be, for a draft of it; None where there shall be none
    """
    copy, path = root / preservation, TapeFolder(root).master / master_name(stem, settings)
    words = MasterWords(tags, broadcast)
    with contextlib.ExitStack() as beside:
        draft = None
        if access_gain_db is not None:
            source, folder = open_capture(copy), TapeFolder(root).drafts
            hz, channels = source.sample_rate_hz, rendered_channels(source, decisions)
            with contextlib.suppress(CopyError):  # no encoder: the master is made all the same, the access copy tells
                draft = beside.enter_context(DraftWriter(folder, stem, hz, channels, access_settings, access_gain_db))
        facts = write_master(copy, audio_sha256, decisions, settings, words, path, block_s, tell, draft)
    return Mastered(_written(root, path), facts, made_with("soxr", "soundfile", "scipy", "mutagen"))


def access(
    root: Path,
    mastered: Mastered,
    stem: str,
    expected: CopyLevels | None,
    gain: GainDecision,
    settings: AccessSettings,
    tags: TagWords,
    block_s: float,
    tell: Tell,
) -> Accessed:
    """The access copy, from its draft or the master's samples."""
    path, source = TapeFolder(root).access / access_name(stem, settings), root / mastered.file.path
    drafts = TapeFolder(root).drafts
    facts, applied = write_access(source, mastered.facts, gain, settings, tags, path, block_s, tell, expected, drafts)
    encoder = "soundfile" if settings.format is AccessFormat.FLAC else "imageio-ffmpeg"
    return Accessed(_written(root, path), facts, applied, made_with("soxr", encoder, "mutagen"))


def reword(root: Path, made: Mastered | Accessed, words: TagWords, tell: Tell) -> Mastered | Accessed:
    """New tags into a copy whose audio stays as it is; the sealed file itself is never edited."""
    path = root / made.file.path
    lufs = made.facts.integrated_lufs
    with whole_file(path) as partial:
        shutil.copyfile(path, partial)
        tell(0.5)
        write_tags(partial, words, None if isinstance(lufs, NotMeasured) else lufs)
    return replace(made, file=_written(root, path))


def made_with(*packages: str) -> str:
    """feltpad, Python and the packages an audio went through, with their versions."""
    named = [f"{name} {version(name)}" for name in ("numpy", *packages)]
    return "; ".join([f"feltpad {__version__}", f"Python {platform.python_version()}", *named])


def _written(root: Path, path: Path) -> WrittenFile:
    return WrittenFile(path.relative_to(root).as_posix(), path.stat().st_size, sha256_of(path))


def with_capture_path(measured: Measured, capture: Path) -> Measured:
    """The same measurement, its capture named otherwise."""
    facts = replace(measured.measurement.capture, path=capture.as_posix())
    return replace(measured, measurement=replace(measured.measurement, capture=facts))
