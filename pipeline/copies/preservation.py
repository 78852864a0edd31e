"""The preservation copy: the capture bit for bit, losslessly packed, with what stood around its samples kept beside it.

Integer PCM up to 24 bits becomes FLAC. Float, and 32-bit integers (which the FLAC of libsndfile cannot hold), become
WAVE, or RF64 (EBU Tech 3306) where 32-bit sizes would not do. A capture that is FLAC already is copied byte for byte.

What is written depends on the capture alone, not on the time of day. `write_original` makes the capture file again from
what was kept.
"""

from __future__ import annotations

import contextlib
import shutil
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.ahead import Tell, ahead, silent, told
from pipeline.capture import Capture, Encoding, open_capture, sha256_of
from pipeline.container import Container, read_container, write_surroundings
from pipeline.copies.lossless import lossless_file
from pipeline.copies.settings import PreservationSettings
from pipeline.errors import CopyError
from pipeline.files import whole_file
from pipeline.packed import packed_integers

Array = np.ndarray[Any, Any]

LARGEST_WAVE_BYTES = (1 << 32) - (1 << 20)  # RIFF sizes are 32-bit; a little room for the header

_FLAC_SUBTYPES = {Encoding.PCM_8: "PCM_S8", Encoding.PCM_16: "PCM_16", Encoding.PCM_24: "PCM_24"}
_WAVE_SUBTYPES = {Encoding.PCM_32: "PCM_32", Encoding.FLOAT_32: "FLOAT", Encoding.FLOAT_64: "DOUBLE"}


@dataclass(frozen=True)
class PreservationFiles:
    """kept_beside  head and tail of the capture file: with the samples in its byte order in between, that file again"""

    path: Path
    kept_beside: tuple[Path, ...]


def preservation_name(capture: Capture, stem: str) -> str:
    return f"{stem}.flac" if capture.encoding in _FLAC_SUBTYPES else f"{stem}.wav"


def write_preservation(
    capture: Capture, folder: Path, stem: str, settings: PreservationSettings, block_s: float, tell: Tell = silent
) -> PreservationFiles:
    """Write ``folder/stem.flac`` (or ``.wav``) and what stood around the samples. The capture is only read."""
    path = folder / preservation_name(capture, stem)
    blocks = told(ahead(capture.blocks(round(block_s * capture.sample_rate_hz))), capture.frames, tell)
    with whole_file(path) as partial:
        if capture.format_name == "FLAC":
            shutil.copyfile(capture.path, partial)
        else:
            with _opened_for(capture, partial, settings) as sound:
                for block in blocks:
                    sound.write(block)
            _forget_the_time(partial)
    kept: tuple[Path, ...] = ()
    head, tail = folder / f"{stem}-head.bin", folder / f"{stem}-tail.bin"
    if capture.container.family != "other":
        kept = write_surroundings(capture.path, capture.container, head, tail)
    _drop_what_an_earlier_capture_left(path, head, tail, kept)
    return PreservationFiles(path, kept)


def _forget_the_time(path: Path) -> None:
    """libsndfile puts a dated PEAK chunk before float samples; as an empty JUNK chunk it is the same every time."""
    with path.open("rb+") as stream:
        head = stream.read(4096)
        at = head.find(b"PEAK")
        if 0 < at < head.find(b"data"):
            length = struct.unpack("<I", head[at + 4 : at + 8])[0]
            stream.seek(at)
            stream.write(b"JUNK" + head[at + 4 : at + 8] + bytes(length))


def _drop_what_an_earlier_capture_left(path: Path, head: Path, tail: Path, kept: tuple[Path, ...]) -> None:
    """A capture that was replaced by one of another kind leaves files that would no longer belong to any."""
    for other in (path.with_suffix(".flac"), path.with_suffix(".wav"), head, tail):
        if other != path and other not in kept:
            other.unlink(missing_ok=True)


def write_original(preservation: Path, head: Path, tail: Path | None, sha256: str, path: Path) -> Path:
    """Write the capture file again, as it came off the recorder, from its preservation copy and what was kept beside.

    (A FLAC capture has neither: its preservation copy is the file itself.) Raises CopyError, and leaves nothing behind,
    when what comes out is not the file with this ``sha256``.
    """
    layout, source = read_container(head), open_capture(preservation)
    with whole_file(path) as partial:
        with partial.open("wb") as out:
            out.write(head.read_bytes())
            for block in source.blocks(source.sample_rate_hz):
                out.write(_as_on_disk(block, source.encoding, layout))
            if tail is not None:
                with tail.open("rb") as stream:
                    shutil.copyfileobj(stream, out)
        found = sha256_of(partial)
        if found != sha256:
            raise CopyError(
                f"{path}: came out with SHA-256 {found[:16]}…, the capture file had {sha256[:16]}…;"
                " are the preservation copy, its head and its tail of one side?"
            )
    return path


def _as_on_disk(block: Array, encoding: Encoding, layout: Container) -> bytes:
    if encoding.is_float:
        return block.astype(block.dtype.newbyteorder(layout.order)).tobytes()
    octets = packed_integers(block, encoding.sample_bytes)
    if layout.unsigned:
        octets ^= 0x80
    return octets.tobytes() if layout.order == "<" else np.ascontiguousarray(octets[:, ::-1]).tobytes()


def _opened_for(
    capture: Capture, path: Path, settings: PreservationSettings
) -> contextlib.AbstractContextManager[soundfile.SoundFile]:
    hz, channels, encoding = capture.sample_rate_hz, capture.channels, capture.encoding
    if encoding in _FLAC_SUBTYPES:
        return lossless_file(path, hz, channels, _FLAC_SUBTYPES[encoding], settings.flac_level)
    payload_bytes = capture.frames * channels * encoding.sample_bytes
    wave_format = "WAV" if payload_bytes < LARGEST_WAVE_BYTES else "RF64"
    return lossless_file(path, hz, channels, _WAVE_SUBTYPES[encoding], wave_format=wave_format)
