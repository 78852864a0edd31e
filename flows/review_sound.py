"""Listening on the review page: a stretch of a copy as a 16-bit WAVE, made while it is sent.

A browser plays a file by asking for ranges of its bytes. Here the file need not exist: where its bytes lie in the
copy is known, so any range is decoded when it is asked for. A whole side can be heard without writing anything.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from starlette.responses import Response, StreamingResponse

from pipeline.capture import Capture, as_float32
from pipeline.decisions import Decisions

HEADER_BYTES = 44
FADE_S = 0.01  # no click at the edges
_BLOCK_FRAMES = 1 << 15
_LARGEST_BYTES = (1 << 32) - 64  # what a WAVE header can say


@dataclass(frozen=True)
class WaveOf:
    """A stretch of ``source`` as a WAVE file of ``size`` bytes that is never on the disk."""

    source: Capture
    start_frame: int
    stop_frame: int

    @property
    def frame_bytes(self) -> int:
        return 2 * self.source.channels

    @property
    def size(self) -> int:
        return HEADER_BYTES + (self.stop_frame - self.start_frame) * self.frame_bytes

    def header(self) -> bytes:
        rate_hz, channels = self.source.sample_rate_hz, self.source.channels
        samples = self.size - HEADER_BYTES
        form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * self.frame_bytes, self.frame_bytes, 16)
        riff = b"RIFF" + struct.pack("<I", samples + HEADER_BYTES - 8) + b"WAVE"
        return riff + b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", samples)

    def pieces(self, start: int, stop: int) -> Iterator[bytes]:
        """The bytes from ``start`` up to ``stop``, block by block."""
        if start < HEADER_BYTES:
            yield self.header()[start:stop]
            start = HEADER_BYTES
        if start >= stop:
            return
        first = (start - HEADER_BYTES) // self.frame_bytes
        last = -(-(stop - HEADER_BYTES) // self.frame_bytes)
        skip, left = (start - HEADER_BYTES) % self.frame_bytes, stop - start
        position = first
        for block in self.source.blocks(_BLOCK_FRAMES, self.start_frame + first, self.start_frame + last):
            piece = self._sixteen_bits(as_float32(block), position)[skip : skip + left]
            position += len(block)
            skip, left = 0, left - len(piece)
            yield piece

    def _sixteen_bits(self, samples: np.ndarray[Any, Any], position: int) -> bytes:
        place = np.arange(position, position + len(samples))
        fade = max(1, round(FADE_S * self.source.sample_rate_hz))
        edge = np.minimum(place, self.stop_frame - self.start_frame - 1 - place)
        if edge.min(initial=fade) < fade:
            samples = samples * np.clip(edge / fade, 0, 1).astype(np.float32)[:, None]
        return np.clip(np.round(samples * np.float32(32767)), -32768, 32767).astype("<i2").tobytes()


def wave_of(source: Capture, start_s: float, stop_s: float) -> WaveOf:
    """The stretch from ``start_s`` to ``stop_s`` of a copy, as far as it is there."""
    start = min(max(0, round(start_s * source.sample_rate_hz)), source.frames)
    stop = min(max(start, round(stop_s * source.sample_rate_hz)), source.frames)
    room = (_LARGEST_BYTES - HEADER_BYTES) // (2 * source.channels)
    return WaveOf(source, start, min(stop, start + room))


def in_the_master(decisions: Decisions, capture_s: float) -> float:
    """Where a moment of the capture is in the master, which begins at the cut and runs ``ratio`` times faster."""
    cut = decisions.cut
    return (min(max(capture_s, cut.start_s), cut.stop_s) - cut.start_s) / decisions.speed.ratio


def sound_response(wave: WaveOf, asked: str | None) -> Response:
    """The file, or the range of it that the Range header asks for."""
    headers = {"accept-ranges": "bytes"}
    wanted = find_range(asked, wave.size)
    if wanted is None:
        return Response(status_code=416, headers={**headers, "content-range": f"bytes */{wave.size}"})
    start, stop = wanted
    headers["content-length"] = str(stop - start)
    if asked is not None:
        headers["content-range"] = f"bytes {start}-{stop - 1}/{wave.size}"
    return StreamingResponse(wave.pieces(start, stop), 200 if asked is None else 206, headers, "audio/wav")


def find_range(asked: str | None, size: int) -> tuple[int, int] | None:
    """First byte and the one after the last; everything where nothing is asked, None where it is not there.

    >>> find_range("bytes=10-19", 100), find_range("bytes=90-", 100), find_range("bytes=-10", 100)
    ((10, 20), (90, 100), (90, 100))
    >>> find_range(None, 100), find_range("bytes=100-", 100), find_range("bytes=5-4", 100)
    ((0, 100), None, None)
    """
    if asked is None:
        return 0, size
    match = re.fullmatch(r"bytes=(\d{0,15})-(\d{0,15})", asked.replace(" ", ""))
    if match is None or match.group(1) == match.group(2) == "":
        return None
    first, last = match.groups()
    if first == "":
        start, stop = max(0, size - int(last)), size
    else:
        start, stop = int(first), min(size, int(last) + 1) if last else size
    return (start, stop) if start < stop else None
