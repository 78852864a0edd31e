"""How far up the programme and the hiss under it reach: treble that is missing, and who may have lost it.

Azimuth cannot be seen in one channel, but this can: a gap that is dirty, worn or held off the tape takes the treble of
programme and hiss alike; a tilted head takes it from the programme and leaves the hiss, which has no common wave across
the track; a dull recording leaves the hiss as well. So hiss that falls off tells of the replay, and hiss that does not
tells of the azimuth or of the recording, which only somebody's ear on the azimuth screw can tell apart.

Levels are read in third octaves from 1 kHz up: the programme at its loudest moments in each, hiss and electronics where
they stand alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames import frame_length
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind
from pipeline.rows import Rows

Array = np.ndarray[Any, Any]

LOWEST_HZ = 1000.0
THIRD = 2 ** (1 / 3)
BANDS = 14  # up to 20 kHz
PLATEAU_BANDS = 5  # 1 to 2.5 kHz: hiss is even there
STEPS_PER_DB = 2.0  # levels are kept in one byte
LOUDEST_DB = 127.0


@dataclass(frozen=True)
class TrebleCriteria:
    """loud_share     the programme's level in a band is that which this share of its frames lies below (0 … 1)
    over_hiss_db   it reaches as far up as it stands this far above the hiss …
    clear_db       … told only where in some band it stands this far above
    fall_db        the hiss reaches as far up as it lies no further below its level at 1 to 2.5 kHz, per hertz
    over_floor_db  hiss this near to the noise of the electronics is not the tape's
    shortest_s     programme, hiss or leader shorter than this tell nothing
    margin_s       next to the borders of a region nothing is read
    """

    loud_share: float
    over_hiss_db: float
    clear_db: float
    fall_db: float
    over_floor_db: float
    shortest_s: float
    margin_s: float


@dataclass(frozen=True)
class Treble:
    """Upper ends in Hz; the top of what the capture holds, or 20 kHz, where there is no end below."""

    programme_edge_hz: Reading
    hiss_edge_hz: Reading


class TrebleMeter:
    """Beside a `FrameMeter` it hears every spectrum; `measure_treble` closes. 2.4 MB an hour."""

    def __init__(self, rate_hz: int, criteria: TrebleCriteria) -> None:
        self._criteria = criteria
        edges_hz = LOWEST_HZ * THIRD ** (np.arange(BANDS + 1) - 0.5)
        edges_hz = edges_hz[edges_hz <= 0.46 * rate_hz]
        length = frame_length(rate_hz)
        self._hop_s = length / 2 / rate_hz
        self._first_s = length / 2 / rate_hz
        self._bins = np.round(edges_hz * length / rate_hz).astype(int)
        self._edges_hz = self._bins * rate_hz / length
        self._rows = Rows()

    def hear(self, power: Array) -> None:
        heard = power[..., self._bins[0] : self._bins[-1]]
        bands = np.add.reduceat(heard, self._bins[:-1] - self._bins[0], axis=-1).mean(axis=1)
        level = np.log10(np.maximum(bands, np.float32(1e-20))) * np.float32(10 * STEPS_PER_DB)
        self._rows.add(np.clip(level + np.float32(LOUDEST_DB * STEPS_PER_DB + 0.5), 0, 255).astype(np.uint8))

    def measure_treble(self, regions: Sequence[Region]) -> Treble:
        """From the whole capture's regions. Mean square of both channels; a dead one only halves it."""
        if len(self._bins) - 1 < PLATEAU_BANDS:
            return treble_not_measured("the sample rate is too low to hold treble")
        criteria, levels = self._criteria, self._rows.whole()
        hiss = self._level_in(levels, regions, RegionKind.SILENCE, 0.5)
        if hiss is None:
            return treble_not_measured(f"no {criteria.shortest_s:g} s of tape hiss alone on this capture")
        electronics = self._level_in(levels, regions, RegionKind.LEADER, 0.5)
        programme = self._level_in(levels, regions, RegionKind.PROGRAMME, criteria.loud_share)
        return Treble(self._programme_edge(programme, hiss), self._hiss_edge(hiss, electronics))

    def _programme_edge(self, programme: Array | None, hiss: Array) -> Reading:
        if programme is None:
            return NotMeasured("no programme on this capture")
        over = programme - hiss
        if over[:PLATEAU_BANDS].max() < self._criteria.clear_db:
            return NotMeasured("the programme stands too little above the hiss to see where it ends")
        reached = np.flatnonzero(over >= self._criteria.over_hiss_db)
        return float(self._edges_hz[reached[-1] + 1])

    def _hiss_edge(self, hiss: Array, electronics: Array | None) -> Reading:
        """Upwards, to the first band in which the hiss has fallen; unknown where the electronics cover it first."""
        density = hiss - 10 * np.log10(np.diff(self._edges_hz))
        plateau = float(np.median(density[:PLATEAU_BANDS]))
        for band in range(PLATEAU_BANDS, len(density)):
            if electronics is not None and hiss[band] - electronics[band] < self._criteria.over_floor_db:
                covered_hz = self._edges_hz[band]
                return NotMeasured(f"above {covered_hz:.0f} Hz the noise of the electronics covers the hiss")
            if density[band] < plateau - self._criteria.fall_db:
                return float(self._edges_hz[band])
        return float(self._edges_hz[-1])

    def _level_in(self, levels: Array, regions: Sequence[Region], kind: RegionKind, share: float) -> Array | None:
        """(bands,) dB that this share of all frames in regions of this kind lies below; None where they are too few."""
        margin_s = self._criteria.margin_s
        spans = [
            slice(
                max(0, int(np.ceil((region.start_s + margin_s - self._first_s) / self._hop_s))),
                max(0, int((region.stop_s - margin_s - self._first_s) / self._hop_s)),
            )
            for region in regions
            if region.kind is kind
        ]
        inside = [levels[span] for span in spans if span.stop > span.start]
        if sum(map(len, inside)) * self._hop_s < self._criteria.shortest_s:
            return None
        level: Array = np.quantile(np.concatenate(inside), share, axis=0) / STEPS_PER_DB - LOUDEST_DB
        return level


def treble_not_measured(reason: str) -> Treble:
    return Treble(NotMeasured(reason), NotMeasured(reason))
