"""One raw recording as it came off the recorder. It is only ever opened for reading.

Samples come in blocks, so memory does not grow with the length of a tape: a 45-minute side at 96 kHz in stereo is
2.1 GB as float32.

Two digests name a capture. ``sha256`` is of the file. ``audio_sha256`` is of the samples alone, interleaved, little
endian, in the bytes of their own encoding (8-bit as signed bytes): for an integer or float WAVE of 16 bits and more it
is the SHA-256 of the data chunk, which any tool can make again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.container import Container, read_container
from pipeline.errors import CaptureError

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000


class Encoding(StrEnum):
    """How one sample is written; the value stands in records."""

    PCM_8 = "pcm8"
    PCM_16 = "pcm16"
    PCM_24 = "pcm24"
    PCM_32 = "pcm32"
    FLOAT_32 = "float32"
    FLOAT_64 = "float64"

    @property
    def is_float(self) -> bool:
        return self in (Encoding.FLOAT_32, Encoding.FLOAT_64)

    @property
    def sample_bytes(self) -> int:
        return int(self.value.removeprefix("pcm").removeprefix("float")) // 8

    @property
    def holds_24_bits(self) -> bool:
        """True when every value it can take is a whole 24-bit step."""
        return not self.is_float and self.sample_bytes <= 3

    @property
    def raw_dtype(self) -> str:
        """The dtype blocks come in: integers left-justified in 32 bits, floats as they are."""
        return self.value if self.is_float else "int32"


_SUBTYPES = {
    "PCM_S8": Encoding.PCM_8,
    "PCM_U8": Encoding.PCM_8,
    "PCM_16": Encoding.PCM_16,
    "PCM_24": Encoding.PCM_24,
    "PCM_32": Encoding.PCM_32,
    "FLOAT": Encoding.FLOAT_32,
    "DOUBLE": Encoding.FLOAT_64,
}
_FORMATS = {"WAV", "WAVEX", "RF64", "FLAC", "AIFF"}


@dataclass(frozen=True)
class CaptureFacts:
    """What is known of a capture without judging it.

    length_is_wrong  the header promised another length than the file holds: the recorder was cut off
    """

    path: str
    sha256: str
    audio_sha256: str
    sample_rate_hz: int
    channels: int
    encoding: Encoding
    frames: int
    duration_s: float
    length_is_wrong: bool


@dataclass(frozen=True)
class Capture:
    """A capture's header, checked, and the way to its samples.

    length_is_wrong  the header promises another length than the file holds; ``frames`` is what is really there
    """

    path: Path
    sample_rate_hz: int
    channels: int
    encoding: Encoding
    frames: int
    length_is_wrong: bool
    container: Container
    format_name: str

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[np.ndarray[Any, Any]]:
        """The samples from ``start_frame`` up to ``stop_frame``, ``block_frames`` at a time.

        Each block is (frames, channels) of the encoding's ``raw_dtype``; `as_float32` turns it into -1 … 1.
        Raises CaptureError when the file gives fewer frames than its header promised.
        """
        stop_frame = self.frames if stop_frame is None else min(stop_frame, self.frames)
        with self._open() as (stream, sound):
            del stream
            if start_frame:
                sound.seek(start_frame)
            position = start_frame
            while position < stop_frame:
                wanted = min(block_frames, stop_frame - position)
                try:
                    block = sound.read(wanted, dtype=self.encoding.raw_dtype, always_2d=True)
                except soundfile.LibsndfileError as exc:
                    raise CaptureError(f"{self.path}: damaged near frame {position} ({exc})") from exc
                if len(block) < wanted:
                    raise CaptureError(
                        f"{self.path}: ends at frame {position + len(block)}, {self.frames} were promised;"
                        " is the file damaged or still being copied?"
                    )
                position += wanted
                yield block

    def read_float32(self, start_frame: int, stop_frame: int) -> np.ndarray[Any, Any]:
        """A short stretch as float32, (frames, channels), clipped to what is there."""
        start_frame = max(0, min(start_frame, self.frames))
        stop_frame = max(start_frame, min(stop_frame, self.frames))
        if stop_frame == start_frame:
            return np.zeros((0, self.channels), np.float32)
        return as_float32(next(self.blocks(stop_frame - start_frame, start_frame, stop_frame)))

    def _open(self) -> _Opened:
        return _Opened(self)


class _Opened:
    """The file and the decoder over it, closed together. A capture whose header lies is read past its header."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture

    def __enter__(self) -> tuple[Any, soundfile.SoundFile]:
        capture = self._capture
        self._stream = capture.path.open("rb")
        if not capture.length_is_wrong:
            self._sound = soundfile.SoundFile(self._stream)
        else:
            self._sound = soundfile.SoundFile(
                _Window(self._stream, capture.container.samples_offset, capture.container.samples_bytes),
                samplerate=capture.sample_rate_hz,
                channels=capture.channels,
                format="RAW",
                subtype=_raw_subtype(capture),
                endian="LITTLE" if capture.container.family == "wave" else "BIG",
            )
        return self._stream, self._sound

    def __exit__(self, *_: object) -> None:
        self._sound.close()
        self._stream.close()


class _Window:
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


def open_capture(path: Path) -> Capture:
    """Read a capture's header. Raises CaptureError with the file, what was expected and what was found."""
    _refuse_what_is_no_file(path)
    container = read_container(path)
    broken = container.length_is_wrong
    try:
        header = None if broken else soundfile.info(path)
    except soundfile.LibsndfileError as exc:
        raise CaptureError(
            f"{path}: expected a WAV, RF64, FLAC or AIFF recording, found something else or a damaged header"
            f" ({exc.error_string.rstrip('.')}); is it a renamed file of another kind?"
        ) from exc
    if header is None:
        encoding, format_name = _encoding_of(path, container), "WAV" if container.family == "wave" else "AIFF"
        rate_hz, channels = container.sample_rate_hz, container.channels
        frames = container.samples_bytes // container.frame_bytes
    else:
        if header.format not in _FORMATS or header.subtype not in _SUBTYPES:
            raise CaptureError(
                f"{path}: expected uncompressed or FLAC samples in WAV, RF64, FLAC or AIFF,"
                f" found {header.format_info}, {header.subtype_info}; was a lossy copy put in place of the capture?"
            )
        encoding, format_name = _SUBTYPES[header.subtype], header.format
        rate_hz, channels, frames = header.samplerate, header.channels, header.frames
    _refuse_what_we_do_not_take(path, rate_hz, channels, frames)
    return Capture(path, rate_hz, channels, encoding, frames, broken, container, format_name)


def _refuse_what_is_no_file(path: Path) -> None:
    if not path.exists():
        raise CaptureError(f"{path}: no such file; is the name in the sheet spelled as on disk?")
    if not path.is_file():
        raise CaptureError(f"{path}: expected a file, found a folder or a device")
    if path.stat().st_size == 0:
        raise CaptureError(f"{path}: the file is empty (0 bytes); did the recorder run out of space?")


def _refuse_what_we_do_not_take(path: Path, rate_hz: int, channels: int, frames: int) -> None:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise CaptureError(f"{path}: expected a sample rate of 8 to 192 kHz, found {rate_hz} Hz")
    if channels not in (1, 2):
        raise CaptureError(f"{path}: expected 1 or 2 channels, found {channels}; export the two the deck was on")
    if frames == 0:
        raise CaptureError(f"{path}: holds no samples; was the recording stopped before it began?")


def _encoding_of(path: Path, container: Container) -> Encoding:
    kind = "float" if container.sample_format == 3 else "pcm"
    if container.family == "wave" and container.sample_format not in (1, 3):
        raise CaptureError(f"{path}: expected integer or float samples, found WAVE format {container.sample_format}")
    try:
        return Encoding(f"{kind}{(container.bits + 7) // 8 * 8}")
    except ValueError as exc:
        raise CaptureError(f"{path}: expected 8 to 32 bits a sample, found {container.bits}") from exc


def _raw_subtype(capture: Capture) -> str:
    if capture.encoding is Encoding.PCM_8:
        return "PCM_U8" if capture.container.family == "wave" else "PCM_S8"
    return {code: name for name, code in _SUBTYPES.items() if name != "PCM_U8"}[capture.encoding]


def as_float32(block: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """A raw block as float32, full scale = 1. What is not a number in a float capture becomes silence.

    >>> as_float32(np.array([[1 << 30, -(1 << 31)]], np.int32)).tolist()
    [[0.5, -1.0]]
    """
    if block.dtype == np.int32:
        return block.astype(np.float32) * np.float32(2.0**-31)
    return np.nan_to_num(block.astype(np.float32), copy=False, nan=0.0, posinf=0.0, neginf=0.0)


class AudioDigest:
    """SHA-256 of samples alone, block by block; see the head of this module for the byte order."""

    def __init__(self, encoding: Encoding) -> None:
        self._encoding = encoding
        self._sha256 = hashlib.sha256()

    def update(self, block: np.ndarray[Any, Any]) -> None:
        """Add a raw block, as `Capture.blocks` gives it."""
        block = np.ascontiguousarray(block)
        if not self._encoding.is_float and self._encoding.sample_bytes < 4:
            spare = 4 - self._encoding.sample_bytes
            block = np.ascontiguousarray(block.astype("<i4", copy=False).view(np.uint8).reshape(-1, 4)[:, spare:])
        self._sha256.update(block.data.cast("B") if block.dtype.isnative else block.tobytes())

    def hexdigest(self) -> str:
        return self._sha256.hexdigest()


def sha256_of(path: Path, chunk_bytes: int = 1 << 20) -> str:
    """SHA-256 of a file's bytes, read in chunks."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while chunk := stream.read(chunk_bytes):
            digest.update(chunk)
    return digest.hexdigest()
