"""What the person may choose about the copies: ``config/copies.toml``, with a box's own overrides."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class MasterFormat(StrEnum):
    FLAC = "flac"
    WAVE = "wave"


class AccessFormat(StrEnum):
    MP3 = "mp3"
    OPUS = "opus"
    M4A = "m4a"
    FLAC = "flac"


@dataclass(frozen=True)
class CutSettings:
    """Seconds kept before and after the programme."""

    head_margin_s: float
    tail_margin_s: float


@dataclass(frozen=True)
class ChannelSettings:
    """average_max_delay_us  two mono channels further apart are not averaged; the better one is taken
    mono_correlation      opposed channels above this (-1 … 0) are stereo; they stay two, one turned back
    """

    average_max_delay_us: float
    mono_correlation: float


@dataclass(frozen=True)
class PreservationSettings:
    flac_level: int


@dataclass(frozen=True)
class MasterSettings:
    """peak_ceiling_dbtp: a capture whose true peak is above it is turned down so far that correction cannot clip."""

    format: MasterFormat
    flac_level: int
    peak_ceiling_dbtp: float


@dataclass(frozen=True)
class AccessSettings:
    """See ``config/copies.toml`` for units and reasons."""

    format: AccessFormat
    highest_rate_hz: int
    mp3_vbr_quality: int
    opus_kbit_s: int
    m4a_kbit_s: int
    flac_level: int
    target_lufs: float
    ceiling_dbtp: float
    codec_overshoot_db: float
    encode_tries: int


@dataclass(frozen=True)
class CopySettings:
    cut: CutSettings
    channels: ChannelSettings
    preservation: PreservationSettings
    master: MasterSettings
    access: AccessSettings
