"""The value at which hum turns by a lost stretch, looked at value by value.

Two hums that meet there, each with a level and a pace of its own, must leave much less unexplained than one that bends;
where they meet, every harmonic of the second must be that of the first turned by its share of one loss; and nothing
else may sound beside it. The few values that the series' filter mixes from both hums are left out: they are neither,
and where hum is strong they stand far over the noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.spans import Span

Array = np.ndarray[Any, Any]

HARMONICS = 5
ORDERS = np.arange(1, HARMONICS + 1)
TURNS = np.arange(400) / 400  # of the first harmonic, that are tried
FINER = np.linspace(-1, 1, 201) / 400  # beside the best of them: strong hum shows a turn this sharply
ACROSS = 6  # values that the series' filter makes of what stands on both sides of an instant
BESIDE_S = 0.25  # values looked at to both sides of where the turn may be
BENT = 4  # degree of the course of a hum that does not turn suddenly
MOST_STRETCHES = 60  # of pauses, to see what noise is usual there


@dataclass(frozen=True)
class TurnCriteria:
    """sudden   two hums that meet leave less than one that bends, by so many times the noise
    misfit   what a turn leaves between both, in parts of the noise
    clearer  what no turn leaves is so much more
    louder   what else stands there has at most so many times the power of what is usual in pauses
    """

    sudden: float
    misfit: float
    clearer: float
    louder: float


def find_turn(
    series: Array, series_hz: float, mains_hz: float, near: Span, usual: float, criteria: TurnCriteria
) -> int | None:
    """The first value of a second hum within ``near``, if it differs from the first by a sudden turn and nothing else.

    series is (values, channels), usual the noise that `usual_noise` gives.
    """
    beside = round(BESIDE_S * series_hz)
    start, stop = round(near.start_s * series_hz) - beside, round(near.stop_s * series_hz) + beside
    if start < 0 or stop > len(series):
        return None
    own = series[start:stop].astype(np.float64)
    here_hz = _local_hz([own[:beside], own[-beside:]], series_hz, mains_hz)
    along, waves, straight = _courses(len(own), here_hz / series_hz)
    squares = np.cumsum(straight[:, :, None] * straight[:, None, :], axis=0)
    shared = np.cumsum(straight[:, :, None] * own[:, None, :], axis=0)
    power = np.cumsum(np.square(own).sum(1))
    splits = np.arange(beside, len(own) - beside)
    last, mixed = splits - ACROSS // 2 - 1, splits + ACROSS // 2 - 1  # the last before, and the last of those left out
    left_over = power[last] + power[-1] - power[mixed]
    for square, share in (
        (squares[last], shared[last]),
        (squares[-1] - squares[mixed], shared[-1] - shared[mixed]),
    ):
        left_over -= np.einsum("nij,nij->n", np.linalg.solve(square, share), share)
    best = int(left_over.argmin())
    at, least = int(splits[best]), float(left_over[best])
    noise = least / (own.size - (ACROSS + 2 * straight.shape[1]) * own.shape[1])
    bent = np.concatenate([straight, *(waves * along[:, None] ** n for n in range(2, BENT + 1))], axis=1)
    kept = np.r_[: last[best] + 1, mixed[best] + 1 : len(own)]
    if noise > criteria.louder * usual or _left_by(bent[kept], own[kept]) - least < criteria.sudden * noise:
        return None
    to_last, from_next = squares[last[best]], squares[-1] - squares[mixed[best]]
    first = np.linalg.solve(to_last, shared[last[best]])
    second = np.linalg.solve(from_next, shared[-1] - shared[mixed[best]])
    before, unsure = _meeting(first, to_last, along[at])
    after, as_well = _meeting(second, from_next, along[at])
    unturned, turned = _misfits(before, after, 2 * noise * (unsure + as_well))
    if turned > criteria.misfit or unturned - turned < criteria.clearer:
        return None
    unlike_first, unlike_second = (np.square(own - straight @ hum).sum(1) for hum in (first, second))
    around = slice(at - ACROSS, at + ACROSS)
    return start + around.start + 1 + int(np.cumsum(unlike_first[around] - unlike_second[around]).argmin())


def _misfits(before: Array, after: Array, variance: Array) -> tuple[float, float]:
    """What stands between both hums, in parts of the noise: as they are, and when the loss is taken that fits best."""

    def left_by(turns: Array) -> Array:
        turned = before * np.exp(2j * np.pi * np.outer(turns, ORDERS))[:, :, None]
        return np.asarray((np.square(np.abs(after - turned)) / variance[:, None]).mean((1, 2)))

    coarse = left_by(TURNS)
    return float(coarse[0]), float(left_by(TURNS[coarse.argmin()] + FINER).min())


def _local_hz(pieces: Sequence[Array], series_hz: float, mains_hz: float) -> float:
    """Where mains runs just now, from how far the hum turns between the halves of stretches in which it does not jump.

    A linear course bends no wave far enough to follow strong hum that is a few hundredths of a hertz off.
    """
    turns = weights = 0.0
    for piece in pieces:
        half = len(piece) // 2
        waves = np.exp(2j * np.pi * mains_hz / series_hz * np.outer(np.arange(2 * half), ORDERS))
        first, second = (
            np.linalg.lstsq(np.concatenate([waves.real[part], waves.imag[part]], axis=1), piece[part], rcond=None)[0]
            for part in (slice(half), slice(half, 2 * half))
        )
        across = [part[:HARMONICS] - 1j * part[HARMONICS:] for part in (first, second)]
        moved = across[1] * across[0].conj()
        turns += float((np.abs(moved) * np.angle(moved) * ORDERS[:, None]).sum()) / half
        weights += float((np.abs(moved) * np.square(ORDERS)[:, None]).sum())
    return mains_hz + turns / max(weights, 1e-30) * series_hz / (2 * np.pi)


def _courses(count: int, turns_a_value: float) -> tuple[Array, Array, Array]:
    """Values along a stretch from -1 to 1, the waves of all harmonics there, and these with linear courses."""
    along = np.linspace(-1, 1, count)
    turning = np.exp(2j * np.pi * turns_a_value * np.outer(np.arange(count), ORDERS))
    waves = np.concatenate([turning.real, turning.imag], axis=1)
    return along, waves, np.concatenate([np.ones((count, 1)), waves, waves * along[:, None]], axis=1)


def _left_by(courses: Array, own: Array) -> float:
    """Power that these courses leave unexplained."""
    basis = np.linalg.qr(courses)[0]
    return float(np.square(own).sum() - np.square(basis.T @ own).sum())


def _meeting(hum: Array, squares: Array, along: float) -> tuple[Array, Array]:
    """(harmonics, channels) amplitude and phase there, and (harmonics,) their variance in parts of the noise."""
    cosine, sine = np.zeros((2, HARMONICS, len(squares)))
    for row in range(HARMONICS):
        cosine[row, [1 + row, 1 + 2 * HARMONICS + row]] = 1.0, along
        sine[row, [1 + HARMONICS + row, 1 + 3 * HARMONICS + row]] = 1.0, along
    return cosine @ hum - 1j * (sine @ hum), np.einsum("ij,ji->i", cosine, np.linalg.solve(squares, cosine.T))


def usual_noise(
    series: Array, series_hz: float, mains_hz: float, pauses: Sequence[Span], seconds: float
) -> float | None:
    """What a steady hum leaves of stretches of pauses that `find_turn` would read to look within ``seconds``.

    Mean square; None where there is no pause so long.
    """
    length = round((seconds + 2 * BESIDE_S) * series_hz)
    starts: list[int] = []
    for pause in pauses:
        first, stop = round(pause.start_s * series_hz), min(len(series), round(pause.stop_s * series_hz))
        starts += range(first, stop - length, length)
    stretches = [series[at : at + length].astype(np.float64) for at in starts[:: len(starts) // MOST_STRETCHES + 1]]
    left = [
        _left_by(courses, own) / (own.size - own.shape[1] * courses.shape[1])
        for own in stretches
        for courses in (_courses(length, _local_hz([own], series_hz, mains_hz) / series_hz)[2],)
    ]
    return float(np.median(left)) if left else None
