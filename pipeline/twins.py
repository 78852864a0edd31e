"""The same side captured twice: found among all sides of an archive.

Captures with the same samples are told by their digests. Two passes of one side are told by their outlines: those
whose fingerprints are alike are laid over each other at every offset and at speeds a few percent apart. What hardly
moves (a blank side) or repeats itself evenly cannot be told, nor a pass that lacks much of the side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.outline import OutlineCriteria, fingerprints

Array = np.ndarray[Any, Any]

SPEED_STEP = 0.0025  # of outlines laid over each other: half a step in ten minutes of outline
PRINT_SPEED_STEP = 0.01  # of fingerprints: half a band, so that no speed is off by more than a quarter
ROWS_AT_ONCE = 512
BESIDE_STEPS = 8  # the foot of a peak


@dataclass(frozen=True)
class TwinCriteria:
    """speed_percent  two passes of a side differ by no more
    alike          fingerprints that correlate by less are of different sides (-1 … 1)
    most_compared  of each side, this many of the fingerprints most alike
    shortest_s     outlines must overlap by this much …
    correlation    … correlate by this much (0 … 1) …
    significance   … which times the root of the steps that overlap must be this much …
    alone          … and at every other offset no more than this share of it
    """

    speed_percent: float
    alike: float
    most_compared: int
    shortest_s: float
    correlation: float
    significance: float
    alone: float
    outline: OutlineCriteria


@dataclass(frozen=True)
class Sketch:
    """A side as it is compared; its outline may be empty."""

    tape: str
    side: str
    audio_sha256: str
    outline: Array


@dataclass(frozen=True)
class Twins:
    """A side, and an earlier one with the same audio.

    faster_percent  by how much this side runs faster than the other; None where all samples are the same
    correlation     of their outlines, 1 at most
    exchanged       the left of one is the right of the other; False also where programme has no left and right
    message         for reading
    """

    tape: str
    side: str
    like_tape: str
    like_side: str
    faster_percent: float | None
    correlation: float
    message: str
    exchanged: bool = False


def find_twins(sides: Sequence[Sketch], criteria: TwinCriteria) -> tuple[Twins, ...]:
    """Every pair, in the order of the sides; of more than two alike, each with one before it."""
    twins: list[tuple[int, Twins]] = []
    first_with: dict[str, int] = {}
    different: list[int] = []
    for index, side in enumerate(sides):
        before = first_with.setdefault(side.audio_sha256, index)
        if before != index:
            twins.append((index, _told(side, sides[before], None, 1.0)))
        elif len(side.outline):
            different.append(index)
    for one, other in _alike([sides[index].outline for index in different], criteria):
        first, second = sides[different[one]], sides[different[other]]
        found = _laid_over(first.outline, second.outline, criteria)
        if found is not None:
            twins.append((different[other], _told(second, first, *found)))
    return tuple(pair for _, pair in sorted(twins, key=lambda entry: entry[0]))


def with_channels(pair: Twins, balance: Array, like_balance: Array, criteria: TwinCriteria) -> Twins:
    """The pair, told whether the channels of one of them are exchanged; balances as `balance_of` gives them.

    What moves to the right in one then moves to the left in the other. Which of the two is wrong cannot be told.
    """
    if not len(balance) or not len(like_balance) or _laid_over(like_balance, balance, criteria) is not None:
        return pair
    if _laid_over(like_balance, -balance, criteria) is None:
        return pair
    message = f"{pair.message} Left and right are exchanged in one of the two: look at the leads."
    return replace(pair, exchanged=True, message=message)


def _told(side: Sketch, like: Sketch, faster_percent: float | None, correlation: float) -> Twins:
    names = f"{like.tape} side {like.side} and {side.tape} side {side.side}"
    if faster_percent is None:
        message = f"{names} are the same capture, sample by sample: is a row of the sheet wrong?"
    else:
        message = (
            f"{names} carry the same programme, captured in two passes ({faster_percent:+.1f} % in speed): was a"
            " cassette not turned over, or is a row of the sheet wrong?"
        )
    return Twins(side.tape, side.side, like.tape, like.side, faster_percent, correlation, message)


def _alike(outlines: Sequence[Array], criteria: TwinCriteria) -> list[tuple[int, int]]:
    """Pairs whose fingerprints are worth a closer look."""
    if len(outlines) < 2:
        return []
    most = criteria.speed_percent / 100
    speeds = np.linspace(-most, most, 2 * round(most / PRINT_SPEED_STEP) + 1)  # unchanged in the middle
    turned = np.stack([fingerprints(outline, speeds, criteria.outline) for outline in outlines], axis=1)
    own = turned[len(speeds) // 2]
    pairs: set[tuple[int, int]] = set()
    for at in range(0, len(own), ROWS_AT_ONCE):
        rows = own[at : at + ROWS_AT_ONCE]
        alike = rows @ turned[0].T
        for prints in turned[1:]:
            np.maximum(alike, rows @ prints.T, out=alike)
        alike[np.arange(len(rows)), at + np.arange(len(rows))] = -1.0
        for row, column in zip(*np.nonzero(alike >= criteria.alike), strict=True):
            nearer = np.count_nonzero(alike[row] > alike[row, column])
            if nearer < criteria.most_compared:
                pairs.add((min(at + int(row), int(column)), max(at + int(row), int(column))))
    return sorted(pairs)


def _laid_over(first: Array, second: Array, criteria: TwinCriteria) -> tuple[float, float] | None:
    """By how many percent the second is faster, and the correlation; None where the two differ."""
    shortest = round(criteria.shortest_s / criteria.outline.step_s)
    most = criteria.speed_percent / 100
    best = (0.0, 0.0, 0.0)
    beside = 0.0
    for speed in np.arange(-most, most + SPEED_STEP / 2, SPEED_STEP):
        steps = int(len(second) * (1 + speed))
        stretched = np.interp(np.arange(steps) / (1 + speed), np.arange(len(second)), second)
        correlation, overlap = _correlated(first, stretched)
        weight = np.where(overlap >= shortest, correlation * np.sqrt(overlap), 0.0)
        peak = int(np.argmax(weight))
        if weight[peak] > best[0]:
            best = (float(weight[peak]), float(correlation[peak]), float(speed))
            weight[max(0, peak - BESIDE_STEPS) : peak + BESIDE_STEPS + 1] = 0.0
            beside = float(weight.max())
    significance, correlation_there, speed = best
    if significance < criteria.significance or correlation_there < criteria.correlation:
        return None
    return None if beside > criteria.alone * significance else (100 * speed, correlation_there)


def _correlated(first: Array, second: Array) -> tuple[Array, Array]:
    """Normalised correlation at every offset at which the two overlap, and how many steps do."""
    import scipy.fft

    offsets = len(first) + len(second) - 1
    length = scipy.fft.next_fast_len(offsets, real=True)
    ones = [np.ones(len(first)), np.ones(len(second))]
    left = scipy.fft.rfft(np.stack([first, first**2, ones[0]]), length)
    right = scipy.fft.rfft(np.stack([second, ones[1], second**2])[:, ::-1], length)
    pairs = np.stack([left[0] * right[0], left[1] * right[1], left[2] * right[2], left[2] * right[1]])
    product, energy, other, overlap = scipy.fft.irfft(pairs, length)[:, :offsets]
    scale = np.sqrt(np.maximum(energy, 1e-3) * np.maximum(other, 1e-3))
    return product / scale, np.round(overlap)
