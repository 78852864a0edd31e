"""Waveform and spectrogram for the review page: the side as a whole from its stored pictures, finer pieces on request.

A tile of level n is the n-th doubling of `SHORTEST_S` long and is cut from the preservation copy. It goes out as bytes:
three uint32 (envelope columns, channels, spectrum columns), one uint32 (spectrum rows), four float64 (start_s, stop_s,
lowest_hz, highest_hz), the envelope as int16 (columns, channels, 2), the spectrogram as uint8 (rows, columns), row 0
the highest; 0 is ``floor_dbfs`` and 255 is 0 dBFS. All little endian.
"""

from __future__ import annotations

import struct
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.capture import Capture, as_float32
from pipeline.overview import Overview, OverviewCriteria, OverviewMeter

SHORTEST_S = 0.25
LEVELS = 11  # the longest tile is 256 s: reading it takes about a second
COLUMNS = 512
_FRAME_S = (0.01, 0.085)  # short enough to place a dropout, long enough to tell hum from speech
_KEPT_BYTES = 64 << 20
_BLOCK_S = 5


def tile_span(level: int, index: int) -> tuple[float, float]:
    """In seconds of the capture.

    >>> tile_span(2, 3)
    (3.0, 4.0)
    """
    seconds = SHORTEST_S * 2**level
    return index * seconds, (index + 1) * seconds


def cut_tile(source: Capture, level: int, index: int, criteria: OverviewCriteria) -> bytes | None:
    """The tile's bytes; None where the capture has ended by then."""
    start_s, stop_s = tile_span(level, index)
    rate_hz = source.sample_rate_hz
    start, stop = round(start_s * rate_hz), min(round(stop_s * rate_hz), source.frames)
    if start >= stop:
        return None
    columns = max(1, round(COLUMNS * (stop - start) / rate_hz / (stop_s - start_s)))
    frame_s = min(max(2 * (stop_s - start_s) / COLUMNS, _FRAME_S[0]), _FRAME_S[1])
    finer = replace(criteria, envelope_columns=columns, spectrum_columns=columns, frames_per_column=1, frame_s=frame_s)
    meter = OverviewMeter(rate_hz, source.channels, stop - start, finer)
    for block in source.blocks(_BLOCK_S * rate_hz, start, stop):
        meter.feed(as_float32(block, order="F"))
    return packed(meter.overview(), start_s)


def packed(overview: Overview, start_s: float) -> bytes:
    """A picture as a tile's bytes."""
    columns, channels = overview.envelope.shape[:2]
    rows, spectrum_columns = overview.spectrogram.shape
    head = struct.pack("<4I", columns, channels, spectrum_columns, rows)
    head += struct.pack("<4d", start_s, start_s + overview.duration_s, overview.lowest_hz, overview.highest_hz)
    envelope = np.clip(np.round(overview.envelope * 32767), -32768, 32767).astype("<i2")
    return head + envelope.tobytes() + np.ascontiguousarray(overview.spectrogram).tobytes()


class TileStore:
    """The tiles looked at last, made once each; two at a time, since each keeps a core busy."""

    def __init__(self) -> None:
        self._changing = threading.Lock()
        self._making = threading.Semaphore(2)
        self._kept: OrderedDict[tuple[Path, int, int], bytes] = OrderedDict()
        self._bytes = 0

    def tile(self, key: tuple[Path, int, int], make: Callable[[], bytes | None]) -> bytes | None:
        """The tile under this key, made by ``make`` where it is not kept."""
        with self._changing:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        with self._making:
            made = make()
        if made is not None:
            with self._changing:
                self._bytes += len(made) - len(self._kept.get(key, b""))
                self._kept[key] = made
                while self._bytes > _KEPT_BYTES and len(self._kept) > 1:
                    self._bytes -= len(self._kept.popitem(last=False)[1])
        return made
