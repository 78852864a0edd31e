"""Hiss, electronics' noise and hum of a deck on the bench, as levels and as distances below the level tone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.capture import Capture
from pipeline.hum import HumLine
from pipeline.noise import Noise, measure_noise
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class BenchNoiseCriteria:
    """Where noise is read (table ``[noise]`` of ``config/bench.toml``).

    margin_s    left out at either end of a quiet stretch, seconds
    longest_s   this much in all is enough, seconds
    shortest_s  a shorter stretch is passed over, seconds
    piece_s     in pieces of this length …
    burst_db    … one that stands so far above the median piece, with hum or without, is a knock or a word, no noise
    """

    margin_s: float
    longest_s: float
    shortest_s: float
    piece_s: float
    burst_db: float


@dataclass(frozen=True)
class BenchNoise:
    """Of the noisier live channel, 20 Hz to 20 kHz; distances are below the level tone on that channel.

    hiss         tape running, nothing recorded
    electronics  leader, or the tape at rest: what the deck and the recorder make themselves
    hum          every line found; its origin tells the deck's (mains) from the tape's
    hum_below_db the loudest of them below the level tone
    """

    hiss: Noise
    electronics: Noise
    noise_below_db: Reading
    a_weighted_below_db: Reading
    weighted_468_below_db: Reading
    hum: tuple[HumLine, ...]
    hum_below_db: Reading


def measure_bench_noise(
    capture: Capture,
    regions: Sequence[Region],
    live: Sequence[int],
    tone_dbfs: Sequence[float] | NotMeasured,
    hum: tuple[HumLine, ...],
    criteria: BenchNoiseCriteria,
) -> BenchNoise:
    """live: channels that are not dead. tone_dbfs: the level tone on each channel."""
    hiss = _noise(capture, regions, RegionKind.SILENCE, live, criteria)
    electronics = _noise(capture, regions, RegionKind.LEADER, live, criteria)
    quiet = any(region.kind is not RegionKind.TONE for region in regions)
    return BenchNoise(
        _loudest(hiss),
        _loudest(electronics),
        _least_below("rms_dbfs", hiss, live, tone_dbfs),
        _least_below("a_weighted_dbfs", hiss, live, tone_dbfs),
        _least_below("weighted_468_dbfs", hiss, live, tone_dbfs),
        hum,
        _hum_below(hum, tone_dbfs, quiet),
    )


def _noise(
    capture: Capture, regions: Sequence[Region], kind: RegionKind, live: Sequence[int], criteria: BenchNoiseCriteria
) -> list[Noise] | NotMeasured:
    """One record for each live channel."""
    measured = measure_noise(_quiet_stretches(capture, regions, kind, criteria), capture.sample_rate_hz)
    what = "quiet tape" if kind is RegionKind.SILENCE else "leader or transport at rest"
    if isinstance(measured, NotMeasured):
        return NotMeasured(f"no stretch of {what} as long as {criteria.shortest_s + 2 * criteria.margin_s:g} s")
    return [measured[channel] for channel in live]


def _quiet_stretches(
    capture: Capture, regions: Sequence[Region], kind: RegionKind, criteria: BenchNoiseCriteria
) -> Iterator[Array]:
    """The same without what is louder for a moment: a knock, or a word too short to be programme."""
    frames = round(criteria.piece_s * capture.sample_rate_hz)
    levels = [_piece_powers(stretch, frames) for stretch in _stretches(capture, regions, kind, criteria)]
    if not levels:
        return
    loudest = np.median(np.concatenate(levels), axis=0) * 10 ** (criteria.burst_db / 10)
    for stretch, powers in zip(_stretches(capture, regions, kind, criteria), levels, strict=True):
        quiet = np.all(powers <= loudest, axis=(1, 2))
        edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            stop = len(stretch) if last == len(quiet) else last * frames
            yield stretch[first * frames : stop]


def _piece_powers(stretch: Array, frames: int) -> Array:
    """(pieces, 2, channels): power of each piece, as it is and of its slope, which leaves out hum."""
    count = max(1, len(stretch) // frames)
    pieces = np.array_split(stretch[: count * frames].astype(np.float64), count)
    return np.array([[np.var(piece, axis=0), np.var(np.diff(piece, axis=0), axis=0)] for piece in pieces])


def _stretches(
    capture: Capture, regions: Sequence[Region], kind: RegionKind, criteria: BenchNoiseCriteria
) -> Iterator[Array]:
    left_s = criteria.longest_s
    for region in regions:
        seconds = min(region.stop_s - region.start_s - 2 * criteria.margin_s, left_s)
        if region.kind is kind and seconds >= criteria.shortest_s:
            left_s -= seconds
            start = round((region.start_s + criteria.margin_s) * capture.sample_rate_hz)
            yield capture.read_float32(start, start + round(seconds * capture.sample_rate_hz))


def _loudest(channels: list[Noise] | NotMeasured) -> Noise:
    if isinstance(channels, NotMeasured):
        return Noise(channels, channels, channels)
    return max(channels, key=lambda noise: -np.inf if isinstance(noise.rms_dbfs, NotMeasured) else noise.rms_dbfs)


def _least_below(
    name: str, channels: list[Noise] | NotMeasured, live: Sequence[int], tone_dbfs: Sequence[float] | NotMeasured
) -> Reading:
    if isinstance(channels, NotMeasured):
        return channels
    if isinstance(tone_dbfs, NotMeasured):
        return tone_dbfs
    levels: list[Reading] = [getattr(noise, name) for noise in channels]
    unknown = [level for level in levels if isinstance(level, NotMeasured)]
    if unknown:
        return unknown[0]
    pairs = zip(live, levels, strict=True)
    return min(tone_dbfs[channel] - level for channel, level in pairs if not isinstance(level, NotMeasured))


def _hum_below(hum: Sequence[HumLine], tone_dbfs: Sequence[float] | NotMeasured, quiet: bool) -> Reading:
    if isinstance(tone_dbfs, NotMeasured):
        return tone_dbfs
    if not quiet:
        return NotMeasured("nothing but tones on this capture: hum is looked for beside them only")
    if not hum:
        return NotMeasured("no hum was found where the tape is quiet")
    return max(tone_dbfs) - max(line.level_dbfs for line in hum)
