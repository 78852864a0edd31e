"""One raw recording as it came off the recorder. It is only ever opened for reading.

Samples come in blocks, so memory does not grow with the length of a tape: a 45-minute side at 96 kHz in stereo is
2.1 GB as float32.

Two digests name a capture. ``sha256`` is of the file. ``audio_sha256`` is of the samples alone, interleaved, little
endian, in the bytes of their own encoding (8-bit as signed bytes): for an integer or float WAVE of 16 bits and more it
is the SHA-256 of the data chunk, which any tool can make again.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal

import numpy as np
import soundfile

from pipeline.container import Container, Window, read_container
from pipeline.errors import CaptureError
from pipeline.packed import PackedSamples, packed_integers

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
_RAW_SUBTYPES = {code: name for name, code in _SUBTYPES.items() if name != "PCM_U8"}
_FORMATS = {"WAV", "WAVEX", "RF64", "FLAC", "AIFF"}
_MOST_FRAMES = 1 << 48  # FLAC counts to 2^36; libsndfile answers 2^63 - 1 where a length is not known


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
    past_header      samples are read from where they stand, since libsndfile would not find all of them
    """

    path: Path
    sample_rate_hz: int
    channels: int
    encoding: Encoding
    frames: int
    length_is_wrong: bool
    container: Container
    format_name: str
    past_header: bool

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz

    @property
    def digested_bytes(self) -> range:
        """Where in the file the very bytes stand that ``audio_sha256`` is of; empty where samples stand otherwise."""
        place, count = self.container, self.frames * self.channels * self.encoding.sample_bytes
        is_bare = place.family == "wave" and place.order == "<" and not place.unsigned and place.samples_bytes == count
        return range(place.samples_offset, place.samples_offset + count) if is_bare else range(0)

    def blocks(
        self, block_frames: int, start_frame: int = 0, stop_frame: int | None = None
    ) -> Iterator[np.ndarray[Any, Any]]:
        """The samples from ``start_frame`` up to ``stop_frame``, ``block_frames`` at a time.

        Each block is (frames, channels) of the encoding's ``raw_dtype``; `as_float32` turns it into -1 … 1.
        Raises CaptureError when the file gives fewer frames than its header promised.
        """
        stop_frame = self.frames if stop_frame is None else min(stop_frame, self.frames)
        with self._open() as sound:
            if start_frame:
                sound.seek(start_frame)
            position = start_frame
            while position < stop_frame:
                wanted = min(block_frames, stop_frame - position)
                try:
                    block = sound.read(wanted, dtype=self.encoding.raw_dtype, always_2d=True)
                except (soundfile.LibsndfileError, OSError) as exc:
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

    @contextlib.contextmanager
    def _open(self) -> Iterator[soundfile.SoundFile | PackedSamples]:
        with contextlib.ExitStack() as opened:
            try:
                if self.encoding is Encoding.PCM_24 and self.digested_bytes:
                    sound = PackedSamples(self._samples(opened), self.channels)
                else:
                    sound = opened.enter_context(soundfile.SoundFile(**self._sound_arguments(opened)))
            except (soundfile.LibsndfileError, OSError) as exc:
                raise CaptureError(f"{self.path}: could be read before, but not now ({exc}); was it moved?") from exc
            yield sound

    def _samples(self, opened: contextlib.ExitStack) -> Window:
        stream = opened.enter_context(self.path.open("rb"))
        return Window(stream, self.container.samples_offset, self.container.samples_bytes)

    def _sound_arguments(self, opened: contextlib.ExitStack) -> dict[str, Any]:
        if not self.past_header:
            return {"file": self.path}
        place = self.container
        return {
            "file": self._samples(opened),
            "samplerate": self.sample_rate_hz,
            "channels": self.channels,
            "format": "RAW",
            "subtype": "PCM_U8" if place.unsigned else _RAW_SUBTYPES[self.encoding],
            "endian": "LITTLE" if place.order == "<" else "BIG",
        }


def open_capture(path: Path) -> Capture:
    """Read a capture's header. Raises CaptureError with the file, what was expected and what was found."""
    _refuse_what_is_no_file(path)
    container = read_container(path)
    header = None if container.length_is_wrong else _find_header(path, container)
    past_header = header is None or (container.family != "other" and header.frames != container.frames)
    if header is None or past_header:
        encoding, format_name = _encoding_of(path, container), "WAV" if container.family == "wave" else "AIFF"
        rate_hz, channels, frames = container.sample_rate_hz, container.channels, container.frames
    else:
        _refuse_what_is_no_recording(path, header)
        encoding, format_name = _SUBTYPES[header.subtype], header.format
        rate_hz, channels, frames = header.samplerate, header.channels, header.frames
    _refuse_what_we_do_not_take(path, rate_hz, channels, frames)
    return Capture(
        path, rate_hz, channels, encoding, frames, container.length_is_wrong, container, format_name, past_header
    )


def _find_header(path: Path, container: Container) -> Any | None:
    """What libsndfile reads of a file; None for a tree of chunks it does not know but we do (BW64)."""
    try:
        return soundfile.info(path)
    except (soundfile.LibsndfileError, TypeError) as exc:  # TypeError: it takes *.raw for samples without a header
        if container.family != "other":
            return None
        raise CaptureError(
            f"{path}: expected a WAV, RF64, FLAC or AIFF recording, found something else or a damaged header"
            f" ({str(getattr(exc, 'error_string', exc)).rstrip('.')}); is it a renamed file of another kind?"
        ) from exc


def _refuse_what_is_no_recording(path: Path, header: Any) -> None:
    if header.format not in _FORMATS or header.subtype not in _SUBTYPES:
        raise CaptureError(
            f"{path}: expected uncompressed or FLAC samples in WAV, RF64, FLAC or AIFF,"
            f" found {header.format_info}, {header.subtype_info}; was a lossy copy put in place of the capture?"
        )
    if header.frames > _MOST_FRAMES:
        raise CaptureError(
            f"{path}: its header does not say how long it is; was the recorder cut off? Decode it to a WAV file with"
            " any tool and give that"
        )


def _refuse_what_is_no_file(path: Path) -> None:
    if not path.exists():
        raise CaptureError(f"{path}: no such file; is the name in the sheet spelled as on disk?")
    if not path.is_file():
        raise CaptureError(f"{path}: expected a file, found a folder or a device")
    if path.stat().st_size == 0:
        raise CaptureError(f"{path}: the file is empty (0 bytes); did the recorder run out of space?")


def _refuse_what_we_do_not_take(path: Path, rate_hz: int, channels: int, frames: int) -> None:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise CaptureError(f"{path}: expected a sample rate of 8 to 192 kHz, found {rate_hz} Hz; is it the right file?")
    if channels not in (1, 2):
        raise CaptureError(f"{path}: expected 1 or 2 channels, found {channels}; export the two the deck was on")
    if frames == 0:
        raise CaptureError(f"{path}: holds no samples; was the recording stopped before it began?")


def _encoding_of(path: Path, container: Container) -> Encoding:
    if container.sample_format not in (1, 3):
        found = f"WAVE format {container.sample_format}" if container.family == "wave" else "compressed AIFF"
        raise CaptureError(
            f"{path}: expected integer or float samples, found {found}; was a lossy copy put in place of the capture?"
        )
    kind = "float" if container.sample_format == 3 else "pcm"
    try:
        return Encoding(f"{kind}{(container.bits + 7) // 8 * 8}")
    except ValueError as exc:
        raise CaptureError(
            f"{path}: expected 8 to 32 bits a sample, or 32 or 64 as float, found {container.bits} as {kind};"
            " is its header damaged?"
        ) from exc


def as_float32(block: np.ndarray[Any, Any], order: Literal["C", "F"] = "C") -> np.ndarray[Any, Any]:
    """A raw block as float32, full scale = 1. What is not a number in a float capture becomes silence.

    order  "F" lets each channel stand in a row, as whoever goes through them one by one would have it

    >>> as_float32(np.array([[1 << 30, -(1 << 31)]], np.int32)).tolist()
    [[0.5, -1.0]]
    """
    if block.dtype == np.int32:
        samples = block.astype(np.float32, order=order)
        samples *= np.float32(2.0**-31)
        return samples
    with np.errstate(over="ignore"):  # a double beyond float32 becomes infinite, and that becomes silence
        return np.nan_to_num(block.astype(np.float32, order=order), copy=False, nan=0.0, posinf=0.0, neginf=0.0)


class AudioDigest:
    """SHA-256 of samples alone, block by block; see the head of this module for the byte order."""

    def __init__(self, encoding: Encoding) -> None:
        self._encoding = encoding
        self._sha256 = hashlib.sha256()

    def update(self, block: np.ndarray[Any, Any]) -> None:
        """Add a raw block, as `Capture.blocks` gives it."""
        if not self._encoding.is_float and self._encoding.sample_bytes < 4:
            packed = packed_integers(block, self._encoding.sample_bytes)
        else:
            packed = np.ascontiguousarray(block, block.dtype.newbyteorder("<"))
        self._sha256.update(packed.reshape(-1).view(np.uint8).data)

    def hexdigest(self) -> str:
        return self._sha256.hexdigest()


def sha256_of(path: Path, chunk_bytes: int = 1 << 20) -> str:
    """SHA-256 of a file's bytes, read in chunks."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while chunk := stream.read(chunk_bytes):
            digest.update(chunk)
    return digest.hexdigest()
