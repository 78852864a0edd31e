"""The limits a side is held against: ``config/acceptance.toml``, where each one's source stands beside it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CaptureLimits:
    """Lowest sample rate and word length of a capture that shall be a master."""

    lowest_rate_hz: int
    dropouts_rate_hz: int
    lowest_bits: int


@dataclass(frozen=True)
class SpeedLimits:
    """Percent of speed; ``good`` and ``hifi`` only choose the words, ``fail`` asks for a human."""

    good_percent: float
    hifi_percent: float
    fail_percent: float
    uncertainty_percent: float
    drift_percent: float
    disagreement_percent: float


@dataclass(frozen=True)
class FlutterLimits:
    weighted_peak_percent: float


@dataclass(frozen=True)
class LevelLimits:
    """hot_peak, quiet_peak: of the capture. loudness_short_lu: how far an access copy may miss its target."""

    hot_peak_dbtp: float
    quiet_peak_dbfs: float
    dc_offset_percent: float
    dc_wander_percent: float
    loudness_short_lu: float


@dataclass(frozen=True)
class ChannelLimits:
    balance_db: float
    delay_us: float


@dataclass(frozen=True)
class HumLimits:
    """below_programme_lu: how far under the programme's loudness a hum line must stay."""

    below_programme_lu: float


@dataclass(frozen=True)
class EventLimits:
    """Counts an hour of programme; gaps whole."""

    clips_per_hour_warn: float
    clips_per_hour_fail: float
    gaps_fail: float
    dropouts_per_hour_warn: float
    clicks_per_hour_warn: float


@dataclass(frozen=True)
class ProgrammeLimits:
    """touching_edge_s   programme this near to an end of the capture
    too_long_percent  over the cassette's length; too_short_percent under it
    runs_into_stop_s  programme this near to the end of the tape goes on until it stops
    """

    touching_edge_s: float
    too_long_percent: float
    too_short_percent: float
    runs_into_stop_s: float


@dataclass(frozen=True)
class TransportLimits:
    """sags_per_hour: of the speed, per hour of programme. print_through_db: of a copy against what printed it."""

    sags_per_hour: float
    print_through_db: float


@dataclass(frozen=True)
class TrebleLimits:
    """Upper ends of programme and hiss in Hz, below which treble is missing."""

    programme_edge_hz: float
    hiss_edge_hz: float


@dataclass(frozen=True)
class BenchLimits:
    """oldest_days: a deck's bench result is trusted for so long without a word."""

    oldest_days: int


@dataclass(frozen=True)
class Acceptance:
    capture: CaptureLimits
    speed: SpeedLimits
    flutter: FlutterLimits
    levels: LevelLimits
    channels: ChannelLimits
    hum: HumLimits
    events: EventLimits
    programme: ProgrammeLimits
    transport: TransportLimits
    treble: TrebleLimits
    bench: BenchLimits
