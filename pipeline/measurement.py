"""What is there on a capture: the record, and the one pass over the samples that fills it.

A measurement depends on the capture's bytes, the nominal tones and the measuring method, never on what we plan to do.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.capture import CaptureFacts
from pipeline.channels import Channels
from pipeline.events import Event
from pipeline.flutter import Flutter
from pipeline.hum import HumLine
from pipeline.level import Levels
from pipeline.regions import Region
from pipeline.speed import Speed
from pipeline.tone import Tone

SCHEMA = "feltpad.measurement/1"


@dataclass(frozen=True)
class Measurement:
    """Everything measured on one capture; ``feltpad measure --json`` prints it."""

    schema: str
    capture: CaptureFacts
    regions: tuple[Region, ...]
    tones: tuple[Tone, ...]
    speed: Speed
    flutter: Flutter
    levels: Levels
    channels: Channels
    hum: tuple[HumLine, ...]
    events: tuple[Event, ...]
