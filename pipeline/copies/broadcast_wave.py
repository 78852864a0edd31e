"""The corrected master as Broadcast Wave: 24-bit WAVE or RF64 with a ``bext`` chunk and its coding history.

Sources: EBU Tech 3285 v2 (bext), EBU R 98 (coding history), EBU Tech 3306 (RF64); see `pipeline.standards.bext`. The
ds64 payload (28 bytes) is from memory and tested against libsndfile's reader.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from pipeline.packed import packed_integers
from pipeline.standards import bext

Array = np.ndarray[Any, Any]

_DS64_BYTES = 28
_FORM = struct.Struct("<4sI4s")
_CHUNK = struct.Struct("<4sI")
_SEE_DS64 = (1 << 32) - 1
_LARGEST_RIFF_BYTES = _SEE_DS64 - 1


@dataclass(frozen=True)
class BroadcastWords:
    """What the bext chunk says before loudness is known. Text beyond a field's length is cut; ASCII only.

    history  R 98 lines, oldest generation first, without line ends
    """

    description: str
    originator: str
    reference: str
    date: str
    time: str
    history: tuple[str, ...]


def ascii_text(text: str, length: int) -> bytes:
    """Text for a fixed ASCII field: other characters become "?", what is too long is cut.

    >>> ascii_text("Größe", 4)
    b'Gr??'
    """
    return text.encode("ascii", "replace")[:length]


def history_text(text: str) -> str:
    """Free text for R 98's T key, in which a comma would end the field."""
    return text.replace(",", ";").replace("\r", " ").replace("\n", " ")


class BroadcastWaveWriter:
    """Write 24-bit frames to ``path``; loudness goes into the bext chunk when it is known, before closing."""

    def __init__(self, path: Path, rate_hz: int, channels: int, words: BroadcastWords) -> None:
        self._stream = path.open("wb")
        self._samples_bytes = 0
        history = "".join(f"{line}\r\n" for line in words.history).encode("ascii", "replace")
        head = bext.LAYOUT.pack(
            ascii_text(words.description, bext.DESCRIPTION_BYTES),
            ascii_text(words.originator, bext.ORIGINATOR_BYTES),
            ascii_text(words.reference, bext.REFERENCE_BYTES),
            ascii_text(words.date, bext.DATE_CHARS),
            ascii_text(words.time, bext.TIME_CHARS),
            0,
            0,
            bext.VERSION,
            bytes(bext.UMID_BYTES),
            *[bext.NOT_FILLED_IN] * 5,
            bytes(bext.RESERVED_BYTES),
        )
        self._stream.write(_FORM.pack(b"RIFF", 0, b"WAVE"))
        self._stream.write(_CHUNK.pack(b"JUNK", _DS64_BYTES) + bytes(_DS64_BYTES))
        payload = head + history + b"\0" * (len(history) % 2)
        self._bext_offset = self._stream.tell() + _CHUNK.size
        self._stream.write(_CHUNK.pack(b"bext", len(payload)) + payload)
        frame_bytes = 3 * channels
        layout = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, 24)
        self._stream.write(_CHUNK.pack(b"fmt ", len(layout)) + layout)
        self._stream.write(_CHUNK.pack(b"data", 0))
        self._samples_offset = self._stream.tell()
        self._frame_bytes = frame_bytes

    def __enter__(self) -> BroadcastWaveWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: BaseException | TracebackType | None) -> None:
        if kind is None:
            self._finish()
        self._stream.close()

    def write(self, block: Array) -> None:
        """(frames, channels) of int32, left-justified 24-bit values."""
        packed = packed_integers(block, 3)
        self._stream.write(packed.reshape(-1).data)
        self._samples_bytes += packed.size

    def set_loudness(self, integrated_lufs: float | None, range_lu: float | None, true_peak: float | None) -> None:
        words = [bext.loudness_word(value) for value in (integrated_lufs, range_lu, true_peak)]
        position = self._stream.tell()
        self._stream.seek(self._bext_offset + bext.LOUDNESS_OFFSET)
        self._stream.write(struct.pack("<3h", *words))
        self._stream.seek(position)

    def _finish(self) -> None:
        self._stream.write(b"\0" * (self._samples_bytes % 2))
        riff_bytes = self._stream.tell() - 8
        large = riff_bytes > _LARGEST_RIFF_BYTES
        self._stream.seek(0)
        self._stream.write(_FORM.pack(b"RF64" if large else b"RIFF", _SEE_DS64 if large else riff_bytes, b"WAVE"))
        if large:
            sizes = (riff_bytes, self._samples_bytes, self._samples_bytes // self._frame_bytes)
            self._stream.write(_CHUNK.pack(b"ds64", _DS64_BYTES) + struct.pack("<QQQI", *sizes, 0))
        self._stream.seek(self._samples_offset - 4)
        self._stream.write(struct.pack("<I", _SEE_DS64 if large else self._samples_bytes))
