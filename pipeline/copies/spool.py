"""The corrected side at the access copy's rate, kept on disk between the making of the two copies.

The access copy is made from the samples of the master. While the master is written these are at hand; brought to the
access copy's rate and laid down, they save decoding it again. A spool bears the digest of its master in its name, so
it is never taken for another's; where there is none, the master is decoded, with the same outcome bit for bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Self

import numpy as np
import soxr

from pipeline.capture import as_float32
from pipeline.render import QUALITY

Array = np.ndarray[Any, Any]


class AtAccessRate:
    """Blocks of a master, left-justified int32 (frames, channels), as float32 at the access copy's rate."""

    def __init__(self, rate_hz: int, access_rate_hz: int, channels: int) -> None:
        self._channels = channels
        self._resampler = None
        if access_rate_hz != rate_hz:
            self._resampler = soxr.ResampleStream(rate_hz, access_rate_hz, channels, dtype="float32", quality=QUALITY)

    def process(self, raw: Array) -> Array:
        """What is ready; the resampler holds samples back."""
        return self._at_rate(as_float32(raw), last=False)

    def rest(self) -> Array:
        """What was held back, once, at the end."""
        return self._at_rate(np.zeros((0, self._channels), np.float32), last=True)

    def _at_rate(self, block: Array, last: bool) -> Array:
        if self._resampler is None:
            return block
        at_rate: Array = self._resampler.resample_chunk(block, last=last).reshape(-1, self._channels)
        return at_rate


class SpoolWriter:
    """Lay down a master's blocks while it is written; nothing stays unless `keep` is called."""

    def __init__(self, folder: Path, stem: str, rate_hz: int, access_rate_hz: int, channels: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._stem = folder, stem
        self._part = folder / f"{stem}.part"
        self._stream = self._part.open("wb")
        self._at_rate = AtAccessRate(rate_hz, access_rate_hz, channels)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()
        self._part.unlink(missing_ok=True)

    def feed(self, raw: Array) -> None:
        self._lay_down(self._at_rate.process(raw))

    def keep(self, audio_sha256: str) -> None:
        """The master is whole, and this is its digest."""
        self._lay_down(self._at_rate.rest())
        self._stream.close()
        self._part.replace(_place(self._folder, self._stem, audio_sha256))

    def _lay_down(self, block: Array) -> None:
        if len(block):
            self._stream.write(np.ascontiguousarray(block, "<f4").reshape(-1).view(np.uint8).data)


def find_spool(folder: Path, stem: str, audio_sha256: str) -> Path | None:
    """The spool of the master with this digest, where there is one."""
    path = _place(folder, stem, audio_sha256)
    return path if path.is_file() else None


def spooled_blocks(path: Path, channels: int, block_frames: int) -> Iterator[Array]:
    with path.open("rb") as stream:
        while len(samples := np.fromfile(stream, "<f4", block_frames * channels)):
            yield samples.reshape(-1, channels)


def at_access_rate(blocks: Iterable[Array], rate_hz: int, access_rate_hz: int, channels: int) -> Iterator[Array]:
    """A decoded master's blocks as a spool of it would give them, cut otherwise."""
    at_rate = AtAccessRate(rate_hz, access_rate_hz, channels)
    for raw in blocks:
        yield at_rate.process(raw)
    yield at_rate.rest()


def _place(folder: Path, stem: str, audio_sha256: str) -> Path:
    return folder / f"{stem}-{audio_sha256[:32]}.f32"
