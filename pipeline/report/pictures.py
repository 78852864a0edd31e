"""Small PNG pictures for the pages: sixteen steps from paper to burnt oxide, darker is louder.

The steps darken evenly, so they read the same printed in black and white.
"""

from __future__ import annotations

import base64
import io
from functools import cache
from typing import Any

import numpy as np

from pipeline.overview import Overview
from pipeline.report.mel import mel_spectrogram

Array = np.ndarray[Any, Any]

STEPS = 16
_STOPS = (
    (0.0, (250, 250, 245)),
    (0.3, (222, 190, 140)),
    (0.55, (186, 116, 58)),
    (0.8, (104, 48, 24)),
    (1.0, (26, 12, 8)),
)
_EXCERPT_RANGE_DB = 70.0
_EXCERPT_TOP_DBFS = -40.0  # an excerpt without louder lines stays pale: hiss must not look like a concert
_EXCERPT_FFT_S = 0.046
_EXCERPT_LOWEST_HZ = 50.0


def data_uri(content: bytes, mime: str) -> str:
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"


def spectrogram_picture(overview: Overview, range_db: float) -> bytes:
    """The side's spectrogram as PNG: ``range_db`` down from its own loudest parts is paper white."""
    return _png(_steps(overview.levels_dbfs(), range_db))


def excerpt_picture(samples: Array, rate_hz: int, columns: int, rows: int) -> bytes:
    """A mel spectrogram of a few seconds, float32 (frames, channels), as PNG of about ``columns`` × ``rows``.

    The mel scale gives speech and the treble, where dropouts show first, their fair share of a small picture.
    """
    louder = int(np.argmax((samples.astype(np.float64) ** 2).sum(axis=0)))  # a mean would cancel opposite polarity
    one = np.ascontiguousarray(samples[:, louder], dtype=np.float32)
    fft = int(2 ** round(np.log2(rate_hz * _EXCERPT_FFT_S)))
    one = np.pad(one, (0, max(0, fft - len(one))))
    power = mel_spectrogram(one, rate_hz, fft, max(1, len(one) // columns), rows, _EXCERPT_LOWEST_HZ)
    level = 10 * np.log10(np.maximum(power, 1e-12) / (fft / 4) ** 2)
    return _png(_steps(level[::-1], _EXCERPT_RANGE_DB, _EXCERPT_TOP_DBFS))


def envelope_picture(overview: Overview, columns: int, rows: int) -> bytes:
    """The waveform in a few pixels: largest of both channels, on its own scale."""
    extremes = np.abs(overview.envelope).max(axis=(1, 2))
    edges = np.linspace(0, len(extremes), columns, endpoint=False).astype(int)
    loudest = np.maximum.reduceat(extremes, edges)
    height = loudest / max(float(loudest.max()), 1e-6) * (rows / 2)
    distance = np.abs(np.arange(rows) + 0.5 - rows / 2)[:, None]
    inside = distance <= np.maximum(height, 0.5)[None]
    return _png(np.where(inside, 11, 0).astype(np.uint8), steps_used=(0, 11))


def _steps(level_db: Array, range_db: float, lowest_top_db: float = -np.inf) -> Array:
    top = max(float(np.percentile(level_db, 99.8)), lowest_top_db)
    return np.clip(np.round((1 + (level_db - top) / range_db) * (STEPS - 1)), 0, STEPS - 1).astype(np.uint8)


def _png(steps: Array, steps_used: tuple[int, ...] = tuple(range(STEPS))) -> bytes:
    from PIL import Image

    index = np.searchsorted(np.array(steps_used), steps).astype(np.uint8)
    image = Image.fromarray(index, mode=None).convert("P")
    image.putpalette([channel for step in steps_used for channel in _palette()[step]])
    out = io.BytesIO()
    if len(steps_used) == 2:  # a silhouette: the page's own paper shows through
        image.save(out, "PNG", optimize=True, bits=1, transparency=0)
    else:
        image.save(out, "PNG", optimize=True, bits=4)
    return out.getvalue()


@cache
def _palette() -> tuple[tuple[int, int, int], ...]:
    at = np.linspace(0, 1, STEPS)
    channels = [np.interp(at, [s for s, _ in _STOPS], [colour[k] for _, colour in _STOPS]) for k in range(3)]
    return tuple((int(r), int(g), int(b)) for r, g, b in zip(*channels, strict=True))
