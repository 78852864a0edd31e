"""The preservation copy: the capture bit for bit, losslessly packed, with what stood around its samples kept beside it.

Integer PCM up to 24 bits becomes FLAC. Float, and 32-bit integers (which the FLAC of libsndfile cannot hold), become
WAVE, or RF64 (EBU Tech 3306) where 32-bit sizes would not do. A capture that is FLAC already is copied byte for byte.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import soundfile

from pipeline.ahead import Tell, ahead, silent, told
from pipeline.capture import AudioDigest, Capture, Encoding
from pipeline.container import write_surroundings
from pipeline.copies.settings import PreservationSettings
from pipeline.errors import CopyError
from pipeline.files import whole_file

LARGEST_WAVE_BYTES = (1 << 32) - (1 << 20)  # RIFF sizes are 32-bit; a little room for the header

_FLAC_SUBTYPES = {Encoding.PCM_8: "PCM_S8", Encoding.PCM_16: "PCM_16", Encoding.PCM_24: "PCM_24"}
_WAVE_SUBTYPES = {Encoding.PCM_32: "PCM_32", Encoding.FLOAT_32: "FLOAT", Encoding.FLOAT_64: "DOUBLE"}


@dataclass(frozen=True)
class PreservationFiles:
    """audio_sha256: of the samples as they were read; the written file is proven against it when it is next decoded.

    kept_beside: head and tail of the capture file; head + samples in the source's byte order + tail is that file again
    """

    path: Path
    audio_sha256: str
    kept_beside: tuple[Path, ...]


def preservation_name(capture: Capture, stem: str) -> str:
    return f"{stem}.flac" if capture.encoding in _FLAC_SUBTYPES else f"{stem}.wav"


def write_preservation(
    capture: Capture, folder: Path, stem: str, settings: PreservationSettings, block_s: float, tell: Tell = silent
) -> PreservationFiles:
    """Write ``folder/stem.flac`` (or ``.wav``) and what stood around the samples. The capture is only read."""
    path = folder / preservation_name(capture, stem)
    digest = AudioDigest(capture.encoding)
    block_frames = round(block_s * capture.sample_rate_hz)
    blocks = told(ahead(capture.blocks(block_frames)), capture.frames, tell)
    with whole_file(path) as partial:
        if capture.format_name == "FLAC":
            shutil.copyfile(capture.path, partial)
            for block in blocks:
                digest.update(block)
        else:
            with _opened_for(capture, partial, settings) as sound:
                for block in blocks:
                    digest.update(block)
                    sound.write(block)
    kept: tuple[Path, ...] = ()
    if capture.container.family != "other":
        head, tail = folder / f"{stem}-head.bin", folder / f"{stem}-tail.bin"
        kept = write_surroundings(capture.path, capture.container, head, tail)
    return PreservationFiles(path, digest.hexdigest(), kept)


def _opened_for(capture: Capture, path: Path, settings: PreservationSettings) -> soundfile.SoundFile:
    flac = capture.encoding in _FLAC_SUBTYPES
    subtype = _FLAC_SUBTYPES[capture.encoding] if flac else _WAVE_SUBTYPES[capture.encoding]
    payload_bytes = capture.frames * capture.channels * capture.encoding.sample_bytes
    file_format = "FLAC" if flac else "WAV" if payload_bytes < LARGEST_WAVE_BYTES else "RF64"
    try:
        return soundfile.SoundFile(
            path,
            "w",
            samplerate=capture.sample_rate_hz,
            channels=capture.channels,
            format=file_format,
            subtype=subtype,
            compression_level=flac_compression(settings.flac_level) if flac else None,
        )
    except (soundfile.LibsndfileError, OSError) as exc:
        raise CopyError(f"{path}: cannot be written ({exc})") from exc


def flac_compression(level: int) -> float:
    """libsndfile counts FLAC's levels 0 … 8 as 0 … 1."""
    return level / 8
