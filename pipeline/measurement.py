"""What is there on a capture: the record, and the one pass over the samples that fills it.

A measurement depends on the capture's bytes, the nominal tones and the measuring method, never on what we plan to do.
To add one: write a meter with ``feed(block)`` in a module of its own, feed it in `_Meters`, and put its record here.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.ahead import Tell, ahead, silent, told
from pipeline.capture import AudioDigest, Capture, CaptureFacts, as_float32
from pipeline.channels import ChannelMeter, Channels
from pipeline.container import digests_of
from pipeline.demodulate import Demodulated, demodulate
from pipeline.errors import CaptureError
from pipeline.events import Event, EventMeter
from pipeline.flutter import Flutter, Passes, deviation_of, flutter_not_measured, measure_flutter
from pipeline.frames import FrameMeter
from pipeline.glides import GlideMeter
from pipeline.halved import Halver
from pipeline.hum import HumLine, HumMeter
from pipeline.level import LevelMeter, Levels, measure_levels
from pipeline.loudness import LoudnessMeter
from pipeline.method import Method
from pipeline.overview import Overview, OverviewCriteria, OverviewMeter
from pipeline.phase_jumps import find_phase_jumps
from pipeline.print_through import PrintThrough, find_copies, measure_print_through
from pipeline.printed import spans_of_copies
from pipeline.records import NotMeasured, Reading
from pipeline.regions import Region, RegionKind, RegionMap, find_regions
from pipeline.sags import Sag, find_sags
from pipeline.spans import Span
from pipeline.speed import Speed, measure_drift, resolve_speed
from pipeline.tone import FoundTone, Tone, find_tones, is_mains, measure_tone, settled_nominals, toned_spans
from pipeline.treble import Treble, TrebleMeter
from pipeline.true_peak import TruePeakMeter
from pipeline.tuning import measure_tuning

Array = np.ndarray[Any, Any]

SCHEMA = "feltpad.measurement/1"
# Raise it when measuring gives other results for the same capture and settings: captures are then measured again.
METHOD_VERSION = 7
TUNING_EXCERPT_S = 30.0  # enough notes for a histogram


@dataclass(frozen=True)
class Measurement:
    """Everything measured on one capture; ``feltpad measure --json`` prints it.

    tuning_cents  how far the music stands from A = 440 Hz as captured: advice where there is no tone, never applied
    treble        how far up programme and hiss reach
    sags          where the speed gave way for a moment
    print_through faint copies of loud starts a turn of the reel before them
    """

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
    tuning_cents: Reading
    treble: Treble | NotMeasured
    sags: tuple[Sag, ...] | NotMeasured
    print_through: PrintThrough | NotMeasured


class _Meters:
    """Every meter that listens while the capture is read once."""

    def __init__(self, capture: Capture, method: Method, pictures: OverviewCriteria) -> None:
        hz, channels = capture.sample_rate_hz, capture.channels
        self.halver = Halver(hz, channels)
        low_hz = self.halver.rate_hz
        self.treble = TrebleMeter(low_hz, method.treble)
        self.glides = GlideMeter(low_hz, channels)
        self.frames = FrameMeter(low_hz, channels, [self.treble])
        self.loudness = LoudnessMeter(low_hz, channels)
        self.channels = ChannelMeter(low_hz, channels, method.channels)
        self.hum = HumMeter(low_hz, channels, method.hum)
        self.true_peak = TruePeakMeter(hz, channels)
        self.level = LevelMeter(hz, channels)
        self.events = EventMeter(hz, channels, method.events)
        self.overview = OverviewMeter(hz, channels, capture.frames, pictures)

    def feed(self, block: Array) -> None:
        self._hear(self.halver.feed(block))
        self.true_peak.feed(block)
        self.level.feed(block)
        self.events.feed(block)
        self.overview.feed(block)

    def end(self) -> None:
        """No more blocks come."""
        if len(rest := self.halver.rest()):
            self._hear(rest)

    def _hear(self, low: Array) -> None:
        self.frames.feed(low)
        self.glides.feed(low)
        self.loudness.feed(low)
        self.channels.feed(low)
        self.hum.feed(low)


@dataclass(frozen=True)
class _ToneReading:
    found: FoundTone
    tone: Tone
    demodulated: Demodulated
    jumps: tuple[int, ...]


def measure_capture(
    capture: Capture,
    nominal_hz: Sequence[float],
    method: Method,
    pictures: OverviewCriteria,
    passes: Passes = Passes.BOTH,
    tell: Tell = silent,
) -> tuple[Measurement, Overview]:
    """Read the capture once, its tones and one excerpt once more, and say what is there.

    passes  whose flutter a tone shows: a tone on somebody's tape shows recorder and deck together
    """
    meters = _Meters(capture, method, pictures)
    facts = _read(capture, meters, method.block_s, tell)
    frames = meters.frames.frames()
    del meters.frames  # for 90 minutes each takes 15 to 30 MB, and none is asked again
    readings = _measure_tones(capture, find_tones(frames, method.tone), nominal_hz, method)
    tones = tuple(reading.tone for reading in readings)
    spans = toned_spans([reading.found for reading in readings])
    sagged = [(before.tone, after.tone) for before, after in pairwise(readings) if after.found.after_sag]
    read, hz = capture.read_float32, capture.sample_rate_hz
    copies = find_copies(frames, read, hz, method.print_through)
    faint = spans_of_copies(frames, copies.found)
    region_map = find_regions(frames, spans, capture.duration_s, method.regions, faint)
    sags = find_sags(meters.glides.glides(), frames, sagged, read, hz, method.sags)
    del frames, meters.glides
    regions = region_map.regions
    programme = [Span(r.start_s, r.stop_s) for r in regions if r.kind is RegionKind.PROGRAMME]
    pauses = [Span(r.start_s, r.stop_s) for r in regions if r.kind is RegionKind.SILENCE]
    drifts = [measure_drift(reading.demodulated, method.speed) for reading in readings if _is_nominal(reading.tone)]
    speed = resolve_speed(tones, reading=None, ratio=None, bench=None, criteria=method.speed, drift_within=drifts)
    flutter = _flutter(readings, passes, method)
    jumps = [frame for reading in readings for frame in reading.jumps]
    del readings
    hum = meters.hum.measure_hum(regions)
    low_jumps = meters.hum.find_jumps(hum, regions, method.events.hum_jumps)
    hum_jumps = [at * meters.halver.step for at in low_jumps]
    del meters.hum
    events = meters.events.measure_events(regions, jumps, hum_jumps)
    del meters.events
    channels = meters.channels.measure_channels(programme or spans or None, pauses)
    del meters.channels
    measurement = Measurement(
        schema=SCHEMA,
        capture=facts,
        regions=regions,
        tones=tones,
        speed=speed,
        flutter=flutter,
        levels=_levels(meters, region_map),
        channels=channels,
        hum=hum,
        events=events,
        tuning_cents=_tuning(capture, programme, tones, method),
        treble=meters.treble.measure_treble(regions),
        sags=sags,
        print_through=measure_print_through(copies),
    )
    return measurement, meters.overview.overview()


def _read(capture: Capture, meters: _Meters, block_s: float, tell: Tell) -> CaptureFacts:
    """Every sample once, through all meters and the digests."""
    digest = None if capture.digested_bytes else AudioDigest(capture.encoding)
    with ThreadPoolExecutor(1) as beside:
        of_file = beside.submit(digests_of, capture.path, capture.digested_bytes)
        blocks = ahead(capture.blocks(round(block_s * capture.sample_rate_hz)))
        for raw in told(blocks, capture.frames, tell):
            if digest is not None:
                digest.update(raw)
            meters.feed(as_float32(raw, order="F"))
        meters.end()
        sha256, audio_sha256 = of_file.result()
    return CaptureFacts(
        str(capture.path),
        sha256,
        audio_sha256 if digest is None else digest.hexdigest(),
        capture.sample_rate_hz,
        capture.channels,
        capture.encoding,
        capture.frames,
        capture.duration_s,
        capture.length_is_wrong,
    )


def _measure_tones(
    capture: Capture, found: Sequence[FoundTone], nominal_hz: Sequence[float], method: Method
) -> list[_ToneReading]:
    """What is too short to be demodulated is left out, for it was too short to be a reference; and so is hum."""
    hz = capture.sample_rate_hz
    block_frames = round(method.block_s * hz)
    readings = []
    for tone in found:
        start, stop = round(tone.span.start_s * hz), min(round(tone.span.stop_s * hz), capture.frames)
        blocks = (as_float32(raw) for raw in ahead(capture.blocks(block_frames, start, stop)))
        try:
            demodulated = demodulate(blocks, hz, tone.coarse_hz, start / hz, method.demodulation)
        except CaptureError:
            continue
        measured = measure_tone(demodulated, nominal_hz, method.tone)
        if not is_mains(measured, method.tone):
            jumps = find_phase_jumps(capture.read_float32, hz, demodulated, method.events.jumps)
            exact = replace(tone, span=Span(measured.start_s, measured.stop_s))
            readings.append(_ToneReading(exact, measured, demodulated, jumps))
    settled = settled_nominals([reading.tone for reading in readings], nominal_hz, method.tone)
    return [replace(reading, tone=tone) for reading, tone in zip(readings, settled, strict=True)]


def _is_nominal(tone: Tone) -> bool:
    return not isinstance(tone.nominal_hz, NotMeasured)


def _levels(meters: _Meters, found: RegionMap) -> Levels:
    floors_dbfs = found.hiss_floor_dbfs, found.electronics_floor_dbfs
    programme = [region for region in found.regions if region.kind is RegionKind.PROGRAMME]
    whole = Span(programme[0].start_s, programme[-1].stop_s) if programme else None
    return measure_levels(meters.level, meters.loudness, meters.true_peak, whole, *floors_dbfs)


def _flutter(readings: Sequence[_ToneReading], passes: Passes, method: Method) -> Flutter:
    """From the tone that shows most: the widest band of rates first, then the longest."""
    if not readings:
        return flutter_not_measured("no steady tone on this capture")
    best = max(readings, key=lambda r: (min(r.demodulated.bandwidth_hz, 200.0), r.demodulated.seconds))
    return measure_flutter(deviation_of(best.demodulated), passes, method.flutter)


def _tuning(capture: Capture, programme: Sequence[Span], tones: Sequence[Tone], method: Method) -> Reading:
    """Asked where it may help: what estimates it costs a process 1.3 s and 170 MB."""
    if any(_is_nominal(tone) for tone in tones):
        return NotMeasured("a reference tone tells more: tuning is advice for a side without one")
    if not programme:
        return NotMeasured("no programme on this capture")
    longest = max(programme, key=lambda span: span.seconds)
    seconds = min(TUNING_EXCERPT_S, longest.seconds)
    start = round((longest.start_s + (longest.seconds - seconds) / 2) * capture.sample_rate_hz)
    samples = capture.read_float32(start, start + round(seconds * capture.sample_rate_hz))
    louder = np.argmax(np.mean(samples.astype(np.float64) ** 2, axis=0))
    return measure_tuning(samples[:, louder], capture.sample_rate_hz, method.tuning)
