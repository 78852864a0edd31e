"""The record of one bench run, and the entry that it leaves in the deck's file."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from pipeline.azimuth import Azimuth
from pipeline.bench_level import ToneLevel
from pipeline.bench_log import last_service
from pipeline.bench_noise import BenchNoise
from pipeline.bench_speed import DeckSpeed
from pipeline.bench_verdict import BenchVerdict
from pipeline.capture import CaptureFacts
from pipeline.channels import Layout
from pipeline.deck import BenchComponent, BenchEntry, Deck, Power
from pipeline.flutter import Flutter
from pipeline.qc import Finding
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region
from pipeline.response import Response

SCHEMA = "feltpad.bench/1"
LOG_DIGITS = 4  # of a percent or a decibel; a deck file is read by people
SPEED_DIGITS = 6  # of a percent: captures are corrected by it, and 1e-6 % is 0.03 ms in 45 min


@dataclass(frozen=True)
class Occasion:
    """When and how the deck was measured, and what the person wrote to it. power None: nobody says."""

    date: datetime.date
    note: str
    power: Power | None


@dataclass(frozen=True)
class BenchDeck:
    """The machine as it stood on the bench; empty texts and None: its owner does not say.

    last_service, last_work  the service entry that this run follows
    """

    label: str
    model: str
    year: str
    serial: str
    power: str
    head: str
    replay_equalisation_us: float | None
    last_service: str
    last_work: str


@dataclass(frozen=True)
class BenchTone:
    """One tone of the test tape. error_percent: what it alone says of the speed; flutter: what it alone shows."""

    start_s: float
    stop_s: float
    nominal_hz: Reading
    measured_hz: float
    uncertainty_hz: float
    level_dbfs: float
    error_percent: Reading
    uncertainty_percent: Reading
    flutter: Flutter


@dataclass(frozen=True)
class TurningPart:
    """How often a part turns at the measured speed, and the band that its size's uncertainty leaves."""

    name: str
    hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class Bench:
    """One bench run; ``feltpad bench --json`` prints it.

    date         of the capture, ISO
    declared_hz  nominal tones that the person named; empty: the usual ones were looked for
    flutter      of the tone that shows most; each tone has its own, too
    parts        every part on file and the cassette's reels
    """

    schema: str
    deck: BenchDeck
    date: str
    note: str
    capture: CaptureFacts
    declared_hz: tuple[float, ...]
    regions: tuple[Region, ...]
    tones: tuple[BenchTone, ...]
    speed: DeckSpeed
    flutter: Flutter
    parts: tuple[TurningPart, ...]
    level: ToneLevel
    layout: Layout
    azimuth: Azimuth
    noise: BenchNoise
    response: Response | NotMeasured
    verdict: BenchVerdict
    findings: tuple[Finding, ...]


def bench_deck(deck: Deck, occasion: Occasion) -> BenchDeck:
    """The deck's file, and its last service up to the day."""
    day = last_service(deck, occasion.date)
    work = "; ".join(entry.work for entry in deck.service if entry.date == day)
    power = occasion.power or deck.power
    return BenchDeck(
        deck.label,
        deck.model,
        deck.year,
        deck.serial,
        power.value if power else "",
        deck.head.value if deck.head else "",
        deck.replay_equalisation_us,
        day.isoformat() if day else "",
        work,
    )


def log_entry(bench: Bench, deck: Deck, occasion: Occasion) -> BenchEntry:
    """What goes into the deck's bench log: every figure that was measured, and the lines with their parts."""
    flutter, speed = bench.flutter, bench.speed
    figures: dict[str, Reading] = {
        "weighted_peak_percent": flutter.weighted_peak_percent,
        "unweighted_peak_percent": flutter.unweighted_peak_percent,
        "weighted_quasi_peak_percent": flutter.weighted_quasi_peak_percent,
        "weighted_rms_percent": flutter.weighted_rms_percent,
        "unweighted_rms_percent": flutter.unweighted_rms_percent,
        "wow_rms_percent": flutter.wow_rms_percent,
        "flutter_rms_percent": flutter.flutter_rms_percent,
        "scrape_rms_percent": flutter.scrape_rms_percent,
        "weighted_floor_percent": flutter.weighted_floor_percent,
        "flutter_tone_hz": flutter.tone_hz,
        "drift_percent": speed.drift_percent,
        "pack_percent": speed.pack_percent,
        "settling_s": speed.settling_s,
        "level_tone_hz": bench.level.tone_hz,
        "balance_db": bench.level.balance_db,
        "third_harmonic_percent": bench.level.third_harmonic_percent,
        "delay_us": bench.azimuth.delay_us,
        "azimuth_arc_minutes": bench.azimuth.arc_minutes,
        "noise_below_db": bench.noise.noise_below_db,
        "a_weighted_below_db": bench.noise.a_weighted_below_db,
        "weighted_468_below_db": bench.noise.weighted_468_below_db,
        "hum_below_db": bench.noise.hum_below_db,
    }
    return BenchEntry(
        date=occasion.date,
        note=occasion.note.strip(),
        power=occasion.power or deck.power,
        error_percent=_logged(speed.error_percent, SPEED_DIGITS),
        uncertainty_percent=_logged(speed.uncertainty_percent, SPEED_DIGITS, up=True),
        readings={name: v for name, value in figures.items() if (v := _logged(value)) is not None},
        components=tuple(
            BenchComponent(
                round(line.hz, LOG_DIGITS),
                round(line.peak_percent, LOG_DIGITS),
                line.part.reason if isinstance(line.part, NotMeasured) else line.part,
            )
            for line in flutter.components
        ),
        after_service=last_service(deck, occasion.date),
    )


def _logged(value: Reading, digits: int = LOG_DIGITS, *, up: bool = False) -> float | None:
    """Rounded for the log; an uncertainty never to less than it is."""
    if isinstance(value, NotMeasured):
        return None
    rounded = round(value, digits)
    return round(rounded + 10.0**-digits, digits) if up and rounded < value else rounded
