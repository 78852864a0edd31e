"""The chunks of a capture file: where the samples stand, and what else the recorder wrote around them.

WAVE (RIFF, RF64, BW64) and AIFF are trees of chunks. feltpad reads them itself for two reasons: a recorder that was
cut off leaves a length that is wrong, and what stands around the samples (a recorder's notes, cue points, time code)
belongs to the original and is kept beside the preservation copy.

Source: RIFF/WAVE and AIFF chunk layout; RF64 sizes by EBU Tech 3306 (the ds64 payload layout is from memory, and is
tested against files that libsndfile writes).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import CaptureError

UNKNOWN_LENGTH = 0xFFFFFFFF


@dataclass(frozen=True)
class Container:
    """Where a capture's samples stand in its file.

    family          "wave", "aiff" or "other" (FLAC and whatever else is not a tree of chunks)
    samples_offset  first byte of the samples
    samples_bytes   how many bytes of samples are really there, whole frames only
    declared_bytes  how many the header says there are
    frame_bytes     bytes of one frame (all channels)
    sample_format   the WAVE format code (1 integer, 3 float); 0 where it does not apply
    bits            bits of one sample's container
    channels, sample_rate_hz   as the header says
    """

    family: str
    samples_offset: int = 0
    samples_bytes: int = 0
    declared_bytes: int = 0
    frame_bytes: int = 0
    sample_format: int = 0
    bits: int = 0
    channels: int = 0
    sample_rate_hz: int = 0

    @property
    def length_is_wrong(self) -> bool:
        """True when the header promises another amount than the file holds: a recorder that was cut off."""
        return self.declared_bytes != self.samples_bytes


def read_container(path: Path) -> Container:
    """Look at a file's chunks without reading its samples. Raises CaptureError when a WAVE has no usable header."""
    with path.open("rb") as stream:
        magic = stream.read(12)
        try:
            if magic[:4] in (b"RIFF", b"RF64", b"BW64") and magic[8:12] == b"WAVE":
                return _read_wave(path, stream)
            if magic[:4] == b"FORM" and magic[8:12] in (b"AIFF", b"AIFC"):
                return _read_aiff(path, stream)
        except struct.error as exc:
            raise CaptureError(f"{path}: its header is cut short; was the recording interrupted at its start?") from exc
    return Container("other")


def _chunks(stream: BinaryIO, file_bytes: int, order: str) -> list[tuple[bytes, int, int]]:
    """(name, payload offset, declared payload bytes) of each chunk, up to the first that runs past the end."""
    found = []
    position = 12
    while position + 8 <= file_bytes:
        stream.seek(position)
        name, length = struct.unpack(f"{order}4sI", stream.read(8))
        found.append((name, position + 8, length))
        if length == UNKNOWN_LENGTH or (name == b"data" and length == 0):
            break  # either a 64-bit length stands elsewhere or the recorder never came back to fill it in
        position += 8 + length + (length & 1)
    return found


def _read_wave(path: Path, stream: BinaryIO) -> Container:
    file_bytes = path.stat().st_size
    chunks = _chunks(stream, file_bytes, "<")
    by_name = {name: (offset, length) for name, offset, length in reversed(chunks)}
    if b"fmt " not in by_name:
        raise CaptureError(f"{path}: a WAVE file without a format chunk; was the recording interrupted at its start?")
    if b"data" not in by_name:
        raise CaptureError(f"{path}: a WAVE file without a data chunk; was the recording interrupted at its start?")
    offset, length = by_name[b"fmt "]
    stream.seek(offset)
    header = stream.read(min(length, 40))
    if len(header) < 16:
        raise CaptureError(f"{path}: its format chunk holds {len(header)} bytes, at least 16 were expected")
    code, channels, rate_hz, _, frame_bytes, bits = struct.unpack("<HHIIHH", header[:16])
    if code == 0xFFFE and len(header) >= 26:  # WAVE_FORMAT_EXTENSIBLE: the code opens the sub-format
        code = struct.unpack("<H", header[24:26])[0]
    samples_offset, declared = by_name[b"data"]
    if declared == UNKNOWN_LENGTH and b"ds64" in by_name:
        stream.seek(by_name[b"ds64"][0] + 8)
        declared = struct.unpack("<Q", stream.read(8))[0]
    there = file_bytes - samples_offset
    # A length of 0 with nothing behind it is an empty capture; with bytes behind it, one that was never closed.
    real = there if declared > there or declared == 0 else declared
    frame_bytes = max(frame_bytes, 1)
    return Container(
        "wave", samples_offset, real - real % frame_bytes, declared, frame_bytes, code, bits, channels, rate_hz
    )


def _read_aiff(path: Path, stream: BinaryIO) -> Container:
    file_bytes = path.stat().st_size
    by_name = {name: (offset, length) for name, offset, length in reversed(_chunks(stream, file_bytes, ">"))}
    if b"COMM" not in by_name or b"SSND" not in by_name:
        raise CaptureError(f"{path}: an AIFF file without its COMM and SSND chunks; was the recording interrupted?")
    stream.seek(by_name[b"COMM"][0])
    channels, _, bits = struct.unpack(">hIh", stream.read(8))
    frame_bytes = max(1, channels * ((bits + 7) // 8))
    offset, length = by_name[b"SSND"]
    stream.seek(offset)
    skip = struct.unpack(">I", stream.read(4))[0]
    samples_offset = offset + 8 + skip
    declared = length - 8 - skip
    real = min(declared, file_bytes - samples_offset)
    return Container("aiff", samples_offset, real - real % frame_bytes, declared, frame_bytes, 0, bits, channels)


def write_surroundings(path: Path, container: Container, head: Path, tail: Path) -> tuple[Path, ...]:
    """Keep what stands before and after the samples, byte for byte; returns the files written.

    ``head`` + the samples in the source's byte order + ``tail`` is the original file again, bit for bit. A file that
    ends with its samples gets no tail.
    """
    written = [head]
    stop = container.samples_offset + container.samples_bytes
    with path.open("rb") as stream:
        head.write_bytes(stream.read(container.samples_offset))
        stream.seek(stop)
        rest = stream.read()
    if rest:
        tail.write_bytes(rest)
        written.append(tail)
    return tuple(written)
