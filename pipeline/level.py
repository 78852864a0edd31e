"""Levels of a capture or a copy: peaks, loudness, floors, DC."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Reading


@dataclass(frozen=True)
class Levels:
    """hiss_floor and electronics_floor are r.m.s. of silence and of leader."""

    sample_peak_dbfs: Reading
    true_peak_dbtp: Reading
    integrated_lufs: Reading
    loudness_range_lu: Reading
    hiss_floor_dbfs: Reading
    electronics_floor_dbfs: Reading
    dc_offset_percent: Reading
