"""The lines of a deviation spectrum: rate, peak deviation and slide of everything that comes round steadily.

A long tone is taken in pieces (`pipeline.line_fit`), and a line is followed from piece to piece.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.line_fit import Line, LineCriteria, Piece

Array = np.ndarray[Any, Any]


def find_lines(
    deviation_percent: Array,
    rate_hz: float,
    band_hz: tuple[float, float],
    criteria: LineCriteria,
    tone: tuple[Array, float] | None = None,
) -> tuple[Line, ...]:
    """Lines with rates within band_hz, deepest first; deviation is float64 (samples,), true to depth over that band.

    tone  the tone's amplitude (samples,) about its mean of 1, and its frequency: tells hum beside the tone from speed
    Empty where there are none, or where the tone is too short for one.
    """
    count = max(1, math.ceil(len(deviation_percent) / rate_hz / criteria.segment_s))
    pieces = [Piece(piece, rate_hz, band_hz, criteria) for piece in np.array_split(deviation_percent, count)]
    amplitudes = [None] * count if tone is None else np.array_split(tone[0] - 1, count)
    found = [piece.lines(a, tone[1] if tone else 0.0) for piece, a in zip(pieces, amplitudes, strict=True)]
    lines = found[0] if count == 1 else _followed(found, pieces[0].seconds)
    told = [line for line in lines if line.peak_percent >= criteria.least_percent]
    return tuple(sorted(told, key=lambda line: -line.peak_percent))


def _followed(found: list[list[Line]], piece_s: float) -> list[Line]:
    """Lines followed from piece to piece; those seen in at least half of the pieces."""
    tracks: list[list[tuple[int, Line]]] = []
    for number, lines in enumerate(found):
        free = list(lines)
        for track in sorted(tracks, key=lambda t: -t[-1][1].peak_percent):
            seen, last = track[-1]
            expected_hz = last.hz + last.slide_hz * (number - seen)
            near_hz = 3 / piece_s + abs(last.slide_hz) / 2
            nearest = min(free, key=lambda line: abs(line.hz - expected_hz), default=None)
            if nearest is not None and abs(nearest.hz - expected_hz) < near_hz:
                track.append((number, nearest))
                free.remove(nearest)
        tracks += [[(number, line)] for line in free]
    return [_joined(track) for track in tracks if 2 * len(track) >= len(found)]


def _joined(track: list[tuple[int, Line]]) -> Line:
    lines = [line for _, line in track]
    root = math.sqrt(len(lines))
    hz = np.array([line.hz for line in lines])
    steady = len(lines) > 1 and np.ptp(hz) < 4 * max(line.hz_uncertainty for line in lines)
    slide_hz = 0.0 if steady else lines[-1].hz + lines[-1].slide_hz / 2 - lines[0].hz + lines[0].slide_hz / 2
    return Line(
        hz=float(hz.mean()),
        hz_uncertainty=float(np.mean([line.hz_uncertainty for line in lines])) / root,
        peak_percent=float(np.mean([line.peak_percent for line in lines])),
        peak_uncertainty_percent=float(np.mean([line.peak_uncertainty_percent for line in lines])) / root,
        slide_hz=float(slide_hz),
        foreign=2 * sum(line.foreign for line in lines) > len(lines),
    )
