"""A whole side at a glance: the waveform's envelope and a spectrogram, small enough to keep beside the copies.

The envelope is exact: every sample is looked at, so the one loud click of a side is seen. The spectrogram is sparse: a
few short frames stand for each column, so a click between them is not in it.

Both are kept in open files, ``<side>-envelope.csv`` and ``<side>-spectrogram.png`` (grey, one byte a point, its axes in
the PNG's own text fields), so that the pages can be made again years later without the audio.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import ArchiveError

Array = np.ndarray[Any, Any]

_ENVELOPE_HEAD = ["start_s", "stop_s"]
_CHANNEL_HEADS = (["mono_min", "mono_max"], ["left_min", "left_max", "right_min", "right_max"])
_AXES = "feltpad-axes"  # the PNG text field that says what the picture's rows, columns and greys mean


@dataclass(frozen=True)
class OverviewCriteria:
    """envelope_columns, spectrum_columns  at most so many over the whole capture
    spectrum_rows      rows, evenly spaced in the logarithm of frequency
    frames_per_column  how many short frames stand for one column
    frame_s            length of such a frame, taken to the nearest power of two in samples
    lowest_hz, highest_hz  the edges of the picture; never above half the sample rate
    floor_dbfs         what is written as 0; 0 dBFS is written as 255
    """

    envelope_columns: int
    spectrum_columns: int
    spectrum_rows: int
    frames_per_column: int
    frame_s: float
    lowest_hz: float
    highest_hz: float
    floor_dbfs: float


@dataclass(frozen=True, eq=False)
class Overview:
    """envelope     (columns, channels, 2) float32: smallest and largest sample of each column
    spectrogram  (rows, columns) uint8, row 0 the highest frequency; of the louder channel; a full-scale sine
                 reads near 0 dBFS
    """

    duration_s: float
    envelope: Array
    spectrogram: Array
    lowest_hz: float
    highest_hz: float
    floor_dbfs: float

    def levels_dbfs(self) -> Array:
        """The spectrogram in dBFS, float32, (rows, columns)."""
        return (self.floor_dbfs * (1 - self.spectrogram.astype(np.float32) / 255)).astype(np.float32)


class OverviewMeter:
    """Feed the capture's blocks in order, float32 (frames, channels), any block length; then ask for `overview`."""

    def __init__(self, rate_hz: int, channels: int, frames_total: int, criteria: OverviewCriteria) -> None:
        self._rate_hz, self._channels, self._total, self._criteria = rate_hz, channels, frames_total, criteria
        self._fed = 0
        columns = max(1, min(criteria.envelope_columns, frames_total))
        self._edges = np.arange(columns + 1, dtype=np.int64) * frames_total // columns
        self._envelope = np.tile(np.array([np.inf, -np.inf], np.float32), (columns, channels, 1))
        self._length = int(2 ** round(np.log2(rate_hz * criteria.frame_s)))
        self._starts, self._frames_each = self._frame_starts()
        self._spectra = np.zeros((len(self._starts), criteria.spectrum_rows), np.float32)
        self._next = 0
        self._tail = np.zeros((channels, 0), np.float32)
        window = np.hanning(self._length + 1)[:-1]
        self._window = window.astype(np.float32)
        self._scale = np.float32((2.0 / window.sum()) ** 2)
        self._highest_hz = min(criteria.highest_hz, rate_hz / 2)
        row_edges_hz = np.geomspace(criteria.lowest_hz, self._highest_hz, criteria.spectrum_rows + 1)[:-1]
        self._row_bins = np.minimum((row_edges_hz * self._length / rate_hz + 0.5).astype(int), self._length // 2)

    def feed(self, block: Array) -> None:
        samples = block[: max(0, self._total - self._fed)].T
        count = samples.shape[1]
        if count:
            self._widen_envelope(samples)
            self._hear_frames(samples)
            kept = samples if count >= self._length else np.concatenate([self._tail, samples], axis=1)
            self._tail = kept[:, 1 - self._length :].copy()
            self._fed += count

    def overview(self) -> Overview:
        """The pictures of what was fed; shorter than announced when the capture ended early."""
        if self._next == 0:
            padded = np.zeros((self._channels, self._length), np.float32)
            padded[:, : self._tail.shape[1]] = self._tail
            self._spectra[:] = self._rows_of(padded[None])
            self._next = len(self._starts)
        columns = max(1, self._next // self._frames_each)
        power = self._spectra[: columns * self._frames_each].reshape(columns, self._frames_each, -1).mean(1)
        level = 10 * np.log10(np.maximum(power, 1e-20))
        quantised = np.clip(np.round(255 * (1 - level / self._criteria.floor_dbfs)), 0, 255).astype(np.uint8)
        reached = max(1, int(np.searchsorted(self._edges[:-1], self._fed)))
        envelope = np.where(np.isfinite(self._envelope), self._envelope, np.float32(0))[:reached]
        return Overview(
            duration_s=self._fed / self._rate_hz,
            envelope=envelope,
            spectrogram=np.ascontiguousarray(quantised.T[::-1]),
            lowest_hz=self._criteria.lowest_hz,
            highest_hz=self._highest_hz,
            floor_dbfs=self._criteria.floor_dbfs,
        )

    def _frame_starts(self) -> tuple[Array, int]:
        """First samples of all frames, a whole number for each column; a short capture has fewer columns."""
        room = max(1, self._total - self._length + 1)
        columns = max(1, min(self._criteria.spectrum_columns, self._total // max(1, self._length // 4)))
        each = self._criteria.frames_per_column
        centres = (np.arange(columns * each) + 0.5) * self._total / (columns * each)
        return np.clip(centres - self._length / 2, 0, room - 1).astype(np.int64), each

    def _widen_envelope(self, samples: Array) -> None:
        column = int(np.searchsorted(self._edges, self._fed, side="right")) - 1
        position = 0
        while position < samples.shape[1]:
            stop = min(samples.shape[1], int(self._edges[column + 1]) - self._fed)
            piece, extremes = samples[:, position:stop], self._envelope[column]
            extremes[:, 0] = np.minimum(extremes[:, 0], piece.min(1))
            extremes[:, 1] = np.maximum(extremes[:, 1], piece.max(1))
            position, column = stop, column + 1

    def _hear_frames(self, samples: Array) -> None:
        last = self._fed + samples.shape[1] - self._length
        until = int(np.searchsorted(self._starts, last, side="right"))
        if until <= self._next:
            return
        starts = self._starts[self._next : until] - self._fed
        self._spectra[self._next : until] = self._rows_of(np.stack([self._frame_at(int(at), samples) for at in starts]))
        self._next = until

    def _frame_at(self, offset: int, samples: Array) -> Array:
        if offset >= 0:
            return samples[:, offset : offset + self._length]
        return np.concatenate([self._tail[:, offset:], samples[:, : self._length + offset]], axis=1)

    def _rows_of(self, frames: Array) -> Array:
        """(frames, channels, length) to (frames, rows): the strongest line of each row on the louder channel."""
        import scipy.fft

        height = np.abs(scipy.fft.rfft(frames * self._window, axis=-1)).max(axis=1)
        rows: Array = np.maximum.reduceat(height, self._row_bins, axis=-1) ** 2 * self._scale
        return rows


def write_overview(overview: Overview, folder: Path, stem: str) -> tuple[Path, Path]:
    """Write ``<stem>-envelope.csv`` and ``<stem>-spectrogram.png``; returns both paths."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    folder.mkdir(parents=True, exist_ok=True)
    table, picture = _paths(folder, stem)
    columns, channels = overview.envelope.shape[:2]
    edges = np.arange(columns + 1) * overview.duration_s / columns
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_ENVELOPE_HEAD + _CHANNEL_HEADS[channels - 1])
    for start, stop, values in zip(edges, edges[1:], overview.envelope.reshape(columns, -1), strict=False):
        writer.writerow([f"{start:.6f}", f"{stop:.6f}", *(f"{value:.6f}" for value in values)])
    table.write_text(text.getvalue(), encoding="utf-8")

    axes = {name: getattr(overview, name) for name in ("duration_s", "lowest_hz", "highest_hz", "floor_dbfs")}
    notes = PngInfo()
    notes.add_text(_AXES, json.dumps(axes))
    notes.add_text("Description", "columns: time, even. rows: log frequency, highest first. grey 0: floor, 255: 0 dBFS")
    Image.fromarray(overview.spectrogram).save(picture, pnginfo=notes)
    return table, picture


def read_overview(folder: Path, stem: str) -> Overview:
    """What `write_overview` wrote. Raises ArchiveError naming the file that is missing or is not ours."""
    from PIL import Image

    table, picture = _paths(folder, stem)
    try:
        values = np.loadtxt(table, delimiter=",", skiprows=1, dtype=np.float64, ndmin=2)
        with Image.open(picture) as image:
            axes = json.loads(image.info[_AXES])
            spectrogram = np.array(image.convert("L"))
        return Overview(
            envelope=values[:, 2:].astype(np.float32).reshape(len(values), -1, 2),
            spectrogram=spectrogram,
            **axes,
        )
    except (OSError, KeyError, ValueError, TypeError) as exc:
        raise ArchiveError(f"{table.name} or {picture.name} in {folder}: not a readable overview ({exc})") from exc


def _paths(folder: Path, stem: str) -> tuple[Path, Path]:
    return folder / f"{stem}-envelope.csv", folder / f"{stem}-spectrogram.png"
