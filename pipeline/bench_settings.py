"""``config/bench.toml``: how a deck is measured on the bench, and what it is held against.

It stands apart from the settings that an archive carries: a certificate belongs to the deck, not to a tape.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.azimuth import AzimuthCriteria
from pipeline.bench_curves import CurveCriteria
from pipeline.bench_history import HistoryCriteria
from pipeline.bench_noise import BenchNoiseCriteria
from pipeline.bench_speed import SettlingCriteria
from pipeline.partials import PartialCriteria
from pipeline.response import ResponseCriteria


class Figure(StrEnum):
    """What a limit is about; the two noise figures must be at least the bound, all others at most."""

    SPEED = "speed_error_percent"
    FLUTTER = "weighted_peak_percent"
    BALANCE = "balance_db"
    NOISE = "noise_below_db"
    A_WEIGHTED = "a_weighted_below_db"

    @property
    def is_correctable(self) -> bool:
        """feltpad takes a constant speed error out of every copy."""
        return self is Figure.SPEED

    @property
    def at_least(self) -> bool:
        return self in (Figure.NOISE, Figure.A_WEIGHTED)


@dataclass(frozen=True)
class Limit:
    """doubt: how far the figure may be off for reasons that its own uncertainty does not hold."""

    figure: Figure
    bound: float
    doubt: float
    source: str


@dataclass(frozen=True)
class ResponseLimit:
    """Between low_hz and high_hz no point lies further above or below the reference tone, and highest and lowest
    differ by no more than height_db."""

    low_hz: float
    high_hz: float
    above_db: float
    below_db: float
    height_db: float
    source: str


@dataclass(frozen=True)
class Band:
    """One kind of machine. stamp: its name in one word, as it stands on the certificate."""

    name: str
    stamp: str
    limits: tuple[Limit, ...]
    response: tuple[ResponseLimit, ...]


@dataclass(frozen=True)
class Meaning:
    """What a figure up to here means for each use, in words."""

    up_to: float
    speech: str
    music: str


@dataclass(frozen=True)
class BenchCriteria:
    """
    usual_tones_hz      nominal tones that are looked for when none are declared
    plausible_percent   … on a deck that is off by no more, percent
    same_speed_percent  … whose tones say the same speed within this, percent
    flutter_means       by weighted flutter, percent
    treble_means        by the highest tone that is no more than 3 dB down, Hz
    hiss_means          by A-weighted noise below the level tone, dB
    bands               best first
    """

    usual_tones_hz: tuple[float, ...]
    plausible_percent: float
    same_speed_percent: float
    settling: SettlingCriteria
    partials: PartialCriteria
    azimuth: AzimuthCriteria
    response: ResponseCriteria
    noise: BenchNoiseCriteria
    course: CurveCriteria
    history: HistoryCriteria
    flutter_means: tuple[Meaning, ...]
    treble_means: tuple[Meaning, ...]
    hiss_means: tuple[Meaning, ...]
    bands: tuple[Band, ...]
