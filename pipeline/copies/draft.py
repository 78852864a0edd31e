"""A lossy access copy encoded while its master is written, in the gain that is expected to be right.

Encoding is what takes longest of all, on one processor; the master's samples are at hand then, and the other processor
is free. A draft bears its master's digest, its gain and its settings in its name, so it is never taken for another's:
it holds the very bytes that encoding the finished master would give. Where it does not fit, or is not there, the master
is decoded and encoded, with the same outcome.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
import soxr

from pipeline.capture import as_float32
from pipeline.copies.encoder import access_rate_hz, codec_arguments, encoding
from pipeline.copies.settings import AccessSettings
from pipeline.errors import CopyError
from pipeline.ledger import step_key
from pipeline.render import QUALITY

Array = np.ndarray[Any, Any]

_DEPTH = 2  # blocks that may wait for the encoder, so that whoever writes the master seldom does


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


def at_access_rate(blocks: Iterable[Array], rate_hz: int, access_rate_hz: int, channels: int) -> Iterator[Array]:
    """A decoded master's blocks as a draft was made of, cut otherwise."""
    at_rate = AtAccessRate(rate_hz, access_rate_hz, channels)
    for raw in blocks:
        yield at_rate.process(raw)
    yield at_rate.rest()


def scaled(block: Array, gain_db: float) -> Array:
    louder: Array = block * np.float32(10 ** (gain_db / 20))
    return louder


@dataclass(frozen=True)
class Draft:
    """``frames`` went in, at the access copy's rate."""

    path: Path
    frames: int


class DraftWriter:
    """Encode a master's blocks while it is written, in a thread of its own; nothing stays unless `keep` is called.

    A draft only saves time: an encoder that fails costs the draft and nothing else, for it will fail again, and be
    told, where the access copy is made.
    """

    def __init__(
        self, folder: Path, stem: str, rate_hz: int, channels: int, settings: AccessSettings, gain_db: float
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._place, self._gain_db, self._settings = (folder, stem), gain_db, settings
        self._part = folder / f".{stem}.partial.{settings.format.value}"
        at_hz = access_rate_hz(rate_hz, settings)
        self._at_rate = AtAccessRate(rate_hz, at_hz, channels)
        self._running = contextlib.ExitStack()
        self._encode = self._running.enter_context(encoding(at_hz, channels, codec_arguments(settings), self._part))
        self._frames = 0
        self._waiting: queue.Queue[Array | None] = queue.Queue(_DEPTH)
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._encode_all, daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: Any) -> None:
        with contextlib.suppress(CopyError):
            self._running.__exit__(*error)  # after an error this ends the encoder, and with it what waits for it
        self._end_thread()
        self._part.unlink(missing_ok=True)

    def feed(self, raw: Array) -> None:
        """``raw`` must not be changed afterwards."""
        self._waiting.put(raw)

    def keep(self, audio_sha256: str) -> None:
        """The master is whole, and this is its digest."""
        self._end_thread()
        if self._error is not None:
            raise self._error
        try:
            self._running.close()
        except CopyError:
            return
        name = _name(self._place[1], audio_sha256, self._gain_db, self._settings)
        self._part.replace(self._place[0] / f"{name}-{self._frames}.{self._settings.format.value}")

    def _end_thread(self) -> None:
        if self._thread.is_alive():
            self._waiting.put(None)
            self._thread.join()

    def _encode_all(self) -> None:
        raw: Array | None = np.zeros(0)
        while raw is not None:
            raw = self._waiting.get()
            if self._error is None:
                try:
                    self._add(self._at_rate.rest() if raw is None else self._at_rate.process(raw))
                except BaseException as exc:  # kept for `keep`; blocks that still come are taken and dropped
                    self._error = exc

    def _add(self, block: Array) -> None:
        self._encode(scaled(block, self._gain_db))
        self._frames += len(block)


def find_draft(folder: Path, stem: str, audio_sha256: str, gain_db: float, settings: AccessSettings) -> Draft | None:
    """The draft made of just this master with just this gain, where there is one."""
    name = _name(stem, audio_sha256, gain_db, settings)
    there = folder.iterdir() if folder.is_dir() else iter(())
    path = next((path for path in there if path.name.startswith(f"{name}-")), None)
    return None if path is None else Draft(path, int(path.stem.removeprefix(f"{name}-")))


def _name(stem: str, audio_sha256: str, gain_db: float, settings: AccessSettings) -> str:
    made_of = {"audio": audio_sha256, "gain_db": gain_db, "settings": settings}
    return f"{stem}-{step_key('draft', made_of)[:32]}"
