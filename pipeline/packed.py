"""Samples of three bytes, little endian, as a WAVE file holds them: turned into 32-bit integers, and back.

libsndfile gives the same numbers in several times the time, which with captures of 24 bits is a good part of measuring.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.container import Window

Array = np.ndarray[Any, Any]

_BYTES = 3


class PackedSamples:
    """The samples of a whole stream, read as `soundfile.SoundFile` reads them: integers left-justified in 32 bits."""

    def __init__(self, stream: Window, channels: int) -> None:
        self._stream, self._channels = stream, channels

    def seek(self, frame: int) -> None:
        self._stream.seek(frame * self._channels * _BYTES)

    def read(self, frames: int, **_: Any) -> Array:
        """The next frames, (frames, channels) of int32; fewer where the stream ends."""
        raw = np.empty(1 + frames * self._channels * _BYTES, np.uint8)
        raw[0] = 0
        whole = self._stream.readinto(raw[1:]) // (self._channels * _BYTES)
        # Each sample with the last byte of the one before it as its lowest, which is then taken out.
        wide = np.ndarray((whole * self._channels,), "<i4", raw.data, strides=(_BYTES,)).astype(np.int32)
        wide &= np.int32(-256)
        return wide.reshape(whole, self._channels)


def packed_integers(block: Array, sample_bytes: int) -> Array:
    """Left-justified int32 as the bytes of smaller integers, little endian: (samples, sample_bytes) of uint8.

    >>> packed_integers(np.array([[0x01020300], [-256]], np.int32), 3).tolist()
    [[3, 2, 1], [255, 255, 255]]
    """
    wide = np.ascontiguousarray(block, "<i4").view(np.uint8).reshape(-1, 4)
    packed = np.empty((len(wide), sample_bytes), np.uint8)
    for place in range(sample_bytes):  # byte by byte: four times as fast as copying rows of three
        packed[:, place] = wide[:, place + 4 - sample_bytes]
    return packed
