"""FLAC, WAVE and RF64 written through libsndfile: a disk that is full is told in words."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import soundfile

from pipeline.errors import CopyError


@contextlib.contextmanager
def lossless_file(
    path: Path, rate_hz: int, channels: int, subtype: str, flac_level: int | None = None, wave_format: str = "WAV"
) -> Iterator[soundfile.SoundFile]:
    """A new file to write blocks to; FLAC where ``flac_level`` (0 … 8) is given, else ``wave_format``.

    Raises CopyError when the file cannot be made or no longer takes samples.
    """
    arguments = {"samplerate": rate_hz, "channels": channels, "subtype": subtype}
    if flac_level is None:
        arguments |= {"format": wave_format}
    else:
        arguments |= {"format": "FLAC", "compression_level": flac_level / 8}  # libsndfile counts them as 0 … 1
    try:
        with soundfile.SoundFile(path, "w", **arguments) as sound:
            yield sound
    except (soundfile.LibsndfileError, AssertionError) as exc:  # AssertionError: soundfile's own, when a write is short
        reason = str(exc) or "not all samples were taken"
        raise CopyError(f"{path}: cannot be written ({reason}); is the disk full?") from exc
