"""A capture's frames averaged over short cells, in which regions are told apart, and where their borders lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames import BAND_CENTRES_HZ, Frames
from pipeline.spans import Span

Array = np.ndarray[Any, Any]

UNHEARD_POWER = 1e-12  # -120 dBFS a band is added to every band: what lies below it is alike
VOICE_HZ = (500.0, 4000.0)  # centres of the octaves from 350 Hz to 5.7 kHz: a thump hardly reaches them
TIED_BINS = 1.94  # a Hann window ties neighbouring bins: so many count as one independent value (C)


@dataclass(frozen=True)
class CellCriteria:
    """
    cell_s          levels are averaged over cells of this length; it is also the resolution of boundaries
    deaf_db         a channel this far below the other carries nothing and is not asked
    hum_top_hz      bands that begin below this may carry hum; those above tell one rest from another
    highest_hum_hz  a line above this is no hum
    """

    cell_s: float
    deaf_db: float
    hum_top_hz: float
    highest_hum_hz: float


@dataclass(frozen=True)
class Cells:
    """Frames averaged over short cells.

    edges_s       (cells + 1,) where they begin and end
    level_db      (cells, heard channels * bands); chance_db its standard deviation for pure noise, for each band
    high          (heard channels * bands,) True for bands above hum
    middle        (heard channels * bands,) True for bands above strong hum, but not high
    voice         (heard channels * bands,) True for the octaves speech lives in
    total_db      (cells, channels)
    line_hz, line_share, flat_db  (cells, heard channels) the strongest line; how even the spectrum is above hum
    zeros, toned  (cells,) exact zeros throughout; inside a tone found elsewhere
    """

    edges_s: Array
    level_db: Array
    chance_db: Array
    high: Array
    middle: Array
    voice: Array
    total_db: Array
    line_hz: Array
    line_share: Array
    flat_db: Array
    zeros: Array
    toned: Array

    @property
    def seconds(self) -> float:
        return float(self.edges_s[1] - self.edges_s[0])

    @property
    def middle_s(self) -> Array:
        middles: Array = (self.edges_s[:-1] + self.edges_s[1:]) / 2
        return middles


def cells_of(frames: Frames, tones: Sequence[Span], criteria: CellCriteria) -> Cells:
    """The frames of a capture in cells of about ``cell_s``; a shorter last cell is kept."""
    count, _, bands = frames.band_db.shape
    per_cell = max(1, round(criteria.cell_s / frames.hop_s))
    starts = np.arange(0, count, per_cell)
    if len(starts) > 1 and count - starts[-1] < (per_cell + 1) // 2:
        starts = starts[:-1]
    size = np.diff(np.append(starts, count))

    def mean(values: Array) -> Array:
        summed: Array = np.add.reduceat(values, starts, axis=0)
        return summed / size.reshape((-1,) + (1,) * (values.ndim - 1))

    def mean_db(values_db: Array) -> Array:
        means = np.empty((len(starts), *values_db.shape[1:]), np.float32)
        for column in np.ndindex(means.shape[1:]):  # one at a time: all at once take three times what the frames do
            power = np.power(np.float32(10), values_db[:, *column] * np.float32(0.1))
            means[:, *column] = 10 * np.log10(mean(power) + UNHEARD_POWER)
        return means

    edges_s = np.append(starts, count) * frames.hop_s + frames.hop_s / 2
    middle_s = (edges_s[:-1] + edges_s[1:]) / 2
    toned = np.zeros(len(starts), bool)
    for tone in tones:
        toned |= (middle_s >= tone.start_s) & (middle_s < tone.stop_s)
    total_db = mean_db(frames.total_db)
    loud_db = np.quantile(total_db[~toned] if not toned.all() else total_db, 0.99, axis=0)
    heard = loud_db > loud_db.max() - criteria.deaf_db
    centres = np.array(BAND_CENTRES_HZ[:bands])
    independent = per_cell * centres * (np.sqrt(2) - np.sqrt(0.5)) * 2 * frames.hop_s / TIED_BINS
    chance_db = 10 / np.log(10) / np.sqrt(np.maximum(independent, 1.0))
    return Cells(
        edges_s,
        mean_db(frames.band_db)[:, heard].reshape(len(starts), -1),
        np.tile(chance_db, heard.sum()),
        np.tile(centres / np.sqrt(2) >= criteria.hum_top_hz, heard.sum()),
        np.tile((centres > criteria.highest_hum_hz) & (centres / np.sqrt(2) < criteria.hum_top_hz), heard.sum()),
        np.tile((centres >= VOICE_HZ[0]) & (centres <= VOICE_HZ[1]), heard.sum()),
        total_db,
        frames.line_hz[starts][:, heard],
        mean(frames.line_share[:, heard]),
        mean(frames.flat_db[:, heard]),
        mean(frames.zeros.astype(np.float32)) > 0.99,
        toned,
    )
