"""The chunks of a capture file: where the samples stand, and what else the recorder wrote around them.

WAVE (RIFF, RIFX, RF64, BW64) and AIFF are trees of chunks. feltpad reads them itself for two reasons: a recorder that
was cut off leaves a length that is wrong, and what stands around the samples (a recorder's notes, cue points, time
code) belongs to the original and is kept beside the preservation copy.

Source: RIFF/WAVE and AIFF chunk layout; RF64 sizes by EBU Tech 3306 (the ds64 payload layout is from memory, and is
tested against files that libsndfile writes).
"""

from __future__ import annotations

import hashlib
import shutil
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.errors import CaptureError
from pipeline.files import whole_file

UNKNOWN_LENGTH = 0xFFFFFFFF
LEAST_BEHIND_S = 0.1  # behind the samples less than this is padding, or whatever a program left there
# What stands behind samples and is none, also where it was cut short: chunks, and tags as MPEG files bear them.
_BEHIND = (
    b"LIST",
    b"bext",
    b"cue ",
    b"fact",
    b"iXML",
    b"id3 ",
    b"smpl",
    b"junk",
    b"JUNK",
    b"PAD ",
    b"ID3",
    b"TAG",
    b"APE",
)
_INTEGER, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE  # WAVE format codes
_MAGICS = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">"}
# AIFC compression types that are no compression: byte order, WAVE format code, bits (None: as COMM says), unsigned
_AIFC_KINDS: dict[bytes, tuple[str, int, int | None, bool]] = {
    b"NONE": (">", _INTEGER, None, False),
    b"twos": (">", _INTEGER, None, False),
    b"sowt": ("<", _INTEGER, None, False),
    b"raw ": (">", _INTEGER, None, True),
    b"in24": (">", _INTEGER, 24, False),
    b"in32": (">", _INTEGER, 32, False),
    b"fl32": (">", _FLOAT, 32, False),
    b"FL32": (">", _FLOAT, 32, False),
    b"fl64": (">", _FLOAT, 64, False),
    b"FL64": (">", _FLOAT, 64, False),
}


@dataclass(frozen=True)
class Container:
    """Where a capture's samples stand in its file.

    family          "wave", "aiff" or "other" (FLAC and whatever else is not a tree of chunks)
    samples_offset  first byte of the samples
    samples_bytes   how many bytes of samples are really there, whole frames only
    declared_bytes  how many the header says there are
    frame_bytes     bytes of one frame (all channels)
    sample_format   the WAVE format code (1 integer, 3 float; others are coded); 0 where it is not known
    bits            bits of one sample
    channels, sample_rate_hz   as the header says
    order           "<" or ">": which byte of a sample comes first
    unsigned        True for 8-bit samples that count from 0 up
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
    order: str = "<"
    unsigned: bool = False

    @property
    def length_is_wrong(self) -> bool:
        """True when the header promises another amount than the file holds: a recorder that was cut off."""
        return self.declared_bytes != self.samples_bytes

    @property
    def frames(self) -> int:
        return self.samples_bytes // max(self.frame_bytes, 1)


def read_container(path: Path) -> Container:
    """Look at a file's chunks without reading its samples. Raises CaptureError when a WAVE has no usable header."""
    with path.open("rb") as stream:
        magic = stream.read(12)
        try:
            if magic[:4] in _MAGICS and magic[8:12] == b"WAVE":
                return _read_wave(path, stream, magic)
            if magic[:4] == b"FORM" and magic[8:12] in (b"AIFF", b"AIFC"):
                return _read_aiff(path, stream, magic[8:12] == b"AIFC")
        except (struct.error, OverflowError) as exc:
            raise CaptureError(f"{path}: its header is cut short; was the recording interrupted at its start?") from exc
    return Container("other")


def _chunks(stream: BinaryIO, file_bytes: int, order: str) -> list[tuple[bytes, int, int]]:
    """(name, payload offset, declared payload bytes) of each chunk, up to the first that runs past the end."""
    found = []
    position = 12
    while position + 8 <= file_bytes:
        stream.seek(position)
        name, length = struct.unpack(f"{order}4sI", stream.read(8))
        if not all(0x20 <= byte < 0x7F for byte in name):
            break  # no chunk: samples or padding behind a length that is wrong
        found.append((name, position + 8, length))
        if length == UNKNOWN_LENGTH or (name == b"data" and length == 0):
            break  # either a 64-bit length stands elsewhere or the recorder never came back to fill it in
        position += 8 + length + (length & 1)
    return found


def _read_wave(path: Path, stream: BinaryIO, magic: bytes) -> Container:
    file_bytes = path.stat().st_size
    order = _MAGICS[magic[:4]]
    by_name = {name: (offset, length) for name, offset, length in reversed(_chunks(stream, file_bytes, order))}
    if b"fmt " not in by_name:
        raise CaptureError(f"{path}: a WAVE file without a format chunk; was the recording interrupted at its start?")
    if b"data" not in by_name:
        raise CaptureError(f"{path}: a WAVE file without a data chunk; was the recording interrupted at its start?")
    offset, length = by_name[b"fmt "]
    stream.seek(offset)
    header = stream.read(min(length, 40))
    if len(header) < 16:
        raise CaptureError(f"{path}: its format chunk holds {len(header)} bytes, at least 16 were expected")
    code, channels, rate_hz, _, aligned, bits = struct.unpack(f"{order}HHIIHH", header[:16])
    if code == _EXTENSIBLE and len(header) >= 26:  # the code opens the sub-format
        code = struct.unpack(f"{order}H", header[24:26])[0]
    frame_bytes = aligned
    if code in (_INTEGER, _FLOAT):
        frame_bytes = channels * ((bits + 7) // 8)
        if aligned > frame_bytes:
            raise CaptureError(
                f"{path}: its format chunk says {bits} bits a sample on {channels} channels, but {aligned} bytes a"
                " frame; save it with samples of whole bytes, without padding"
            )
    offset, declared = by_name[b"data"]
    if declared == UNKNOWN_LENGTH and b"ds64" in by_name:
        stream.seek(by_name[b"ds64"][0] + 8)
        declared = struct.unpack("<Q", stream.read(8))[0]
    riff_bytes = struct.unpack(f"{order}I", magic[4:8])[0]
    finished_empty = declared == 0 and _are_chunks(stream, offset, file_bytes, order)
    real = 0 if finished_empty else _real_bytes(declared, riff_bytes, file_bytes, offset)
    least = round(LEAST_BEHIND_S * rate_hz * frame_bytes)
    if real == declared and real and _samples_go_on(stream, offset + real, file_bytes, order, least):
        real = file_bytes - offset
    real -= real % max(frame_bytes, 1)
    unsigned = bits <= 8 and code == _INTEGER
    return Container("wave", offset, real, declared, frame_bytes, code, bits, channels, rate_hz, order, unsigned)


def _are_chunks(stream: BinaryIO, position: int, file_bytes: int, order: str) -> bool:
    """True where chunks stand one behind the other up to the end: the header was finished, the capture is empty."""
    while position + 8 <= file_bytes:
        stream.seek(position)
        name, length = struct.unpack(f"{order}4sI", stream.read(8))
        if not all(0x20 <= sign < 0x7F for sign in name):
            return False
        position += 8 + length + (length & 1)
    return position in (file_bytes, file_bytes + 1)


def _samples_go_on(stream: BinaryIO, position: int, file_bytes: int, order: str, least_bytes: int) -> bool:
    """True where neither chunks nor tags stand behind the samples that the header knows of, but more samples.

    A recorder brings its header up to date now and then, and was cut off some time after the last.
    """
    if file_bytes - position < least_bytes:
        return False
    stream.seek(position)
    rest = stream.read(4096)
    if not any(rest) or rest.lstrip(b"\0").startswith(_BEHIND):
        return False
    return not any(_are_chunks(stream, at, file_bytes, order) for at in (position, position + 1))


def _real_bytes(declared: int, riff_bytes: int, file_bytes: int, samples_offset: int) -> int:
    """How many bytes of samples are there, whatever the header says."""
    there = file_bytes - samples_offset
    if declared > there or declared == 0:
        return there  # cut off, or never closed
    # Some recorders let 32-bit sizes run over: the file is whole multiples of 4 GiB longer than it says.
    overrun = (file_bytes - 8 - riff_bytes + (1 << 31) >> 32) << 32
    known = 0 < riff_bytes < UNKNOWN_LENGTH and overrun > 0
    return declared + overrun if known and declared + overrun <= there else declared


def _read_aiff(path: Path, stream: BinaryIO, is_aifc: bool) -> Container:
    file_bytes = path.stat().st_size
    by_name = {name: (offset, length) for name, offset, length in reversed(_chunks(stream, file_bytes, ">"))}
    if b"COMM" not in by_name or b"SSND" not in by_name:
        raise CaptureError(f"{path}: an AIFF file without its COMM and SSND chunks; was the recording interrupted?")
    stream.seek(by_name[b"COMM"][0])
    common = stream.read(22)
    channels, _, bits = struct.unpack(">hIh", common[:8])
    order, code, own_bits, unsigned = _AIFC_KINDS.get(common[18:22] if is_aifc else b"NONE", (">", 0, None, False))
    bits = own_bits or bits
    frame_bytes = max(1, channels * ((bits + 7) // 8))
    offset, length = by_name[b"SSND"]
    stream.seek(offset)
    skip = struct.unpack(">I", stream.read(4))[0]
    samples_offset = offset + 8 + skip
    there = max(0, file_bytes - samples_offset)
    declared = max(0, length - 8 - skip)
    real = there if length <= 8 + skip else min(declared, there)
    rate_hz = _extended(common[8:18])
    real -= real % frame_bytes
    return Container(
        "aiff", samples_offset, real, declared, frame_bytes, code, bits, channels, rate_hz, order, unsigned
    )


def _extended(octets: bytes) -> int:
    """AIFF's 80-bit number as a whole one (a sample rate).

    >>> _extended(bytes.fromhex("400ebb80000000000000"))
    48000
    """
    exponent, mantissa = struct.unpack(">HQ", octets)
    return round(mantissa * 2.0 ** ((exponent & 0x7FFF) - 16383 - 63))


class Window:
    """A part of a file that looks like a whole one."""

    def __init__(self, stream: Any, offset: int, length: int) -> None:
        self._stream, self._offset, self._length, self._position = stream, offset, length, 0

    def seek(self, position: int, whence: int = 0) -> int:
        base = {0: 0, 1: self._position, 2: self._length}[whence]
        self._position = base + position
        return self._position

    def tell(self) -> int:
        return self._position

    def readinto(self, buffer: Any) -> int:
        wanted = min(len(buffer), max(0, self._length - self._position))
        self._stream.seek(self._offset + self._position)
        read = self._stream.readinto(memoryview(buffer)[:wanted])
        self._position += read
        return int(read)

    def read(self, length: int = -1) -> bytes:
        left = max(0, self._length - self._position)
        wanted = left if length < 0 else min(length, left)
        self._stream.seek(self._offset + self._position)
        chunk: bytes = self._stream.read(wanted)
        self._position += len(chunk)
        return chunk

    def write(self, _: bytes) -> int:
        raise OSError("a capture is never written to")


def digests_of(path: Path, part: range, chunk_bytes: int = 1 << 20) -> tuple[str, str]:
    """SHA-256 of a whole file, and of the bytes of a part; read once, in chunks."""
    of_whole, of_part = hashlib.sha256(), hashlib.sha256()
    at = 0
    with path.open("rb") as stream:
        while chunk := memoryview(stream.read(chunk_bytes)):
            of_whole.update(chunk)
            of_part.update(chunk[max(part.start - at, 0) : max(part.stop - at, 0)])
            at += len(chunk)
    return of_whole.hexdigest(), of_part.hexdigest()


def write_surroundings(path: Path, container: Container, head: Path, tail: Path) -> tuple[Path, ...]:
    """Keep what stands before and after the samples, byte for byte; returns the files written.

    ``head`` + the samples in the source's byte order + ``tail`` is the original file again, bit for bit. A file that
    ends with its samples gets no tail, and loses one that stood there from an earlier capture.
    """
    stop = container.samples_offset + container.samples_bytes
    with path.open("rb") as stream:
        _write_part(stream, 0, container.samples_offset, head)
        if path.stat().st_size <= stop:
            tail.unlink(missing_ok=True)
            return (head,)
        _write_part(stream, stop, path.stat().st_size - stop, tail)
    return (head, tail)


def _write_part(stream: BinaryIO, offset: int, length: int, target: Path) -> None:
    with whole_file(target) as partial, partial.open("wb") as out:
        shutil.copyfileobj(Window(stream, offset, length), out, 1 << 20)
