"""A deck on the bench: everything a capture of a test tape says about the machine that played it.

The capture is measured as any other (`pipeline.measurement`); its tones are then read once more for what only a test
tape shows. What the capture does not show is NotMeasured, with the reason. To add a figure: measure it in a module of
its own, and put its record into `pipeline.bench_record.Bench`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.ahead import ahead
from pipeline.azimuth import Azimuth, azimuth_not_measured, measure_azimuth
from pipeline.bench_curves import BenchCurves, draw_curves
from pipeline.bench_findings import find_on_bench
from pipeline.bench_level import ToneLevel, choose_level_tone, level_not_measured, measure_tone_level
from pipeline.bench_noise import BenchNoise, measure_bench_noise
from pipeline.bench_record import SCHEMA, Bench, BenchTone, Occasion, TurningPart, bench_deck
from pipeline.bench_settings import BenchCriteria, Figure
from pipeline.bench_speed import DeckSpeed, deck_speed, name_tones
from pipeline.bench_verdict import Figures, judge_deck
from pipeline.capture import Capture, as_float32
from pipeline.channels import Layout
from pipeline.deck import Deck, Head
from pipeline.demodulate import Demodulated, demodulate
from pipeline.errors import CaptureError
from pipeline.flutter import Flutter, Passes, deviation_of, flutter_not_measured, measure_flutter_and_lines
from pipeline.flutter_lines import Line
from pipeline.hum import HumLine
from pipeline.measurement import Measurement, measure_capture
from pipeline.method import Method
from pipeline.overview import OverviewCriteria
from pipeline.part_names import name_parts
from pipeline.partials import Partials, measure_partials
from pipeline.parts import PartRate, part_rates
from pipeline.records import NotMeasured, Reading
from pipeline.regions import RegionKind
from pipeline.response import Response, ResponseMeter
from pipeline.speed import error_percent, measure_drift
from pipeline.tone import Tone

ORDERS = (1, 3)


@dataclass(frozen=True)
class BenchSettings:
    """What a certificate depends on beside the capture and the deck."""

    method: Method
    bench: BenchCriteria
    pictures: OverviewCriteria


@dataclass(frozen=True)
class _Read:
    """A tone as it was named, its course in time, and its flutter."""

    tone: Tone
    course: Demodulated
    flutter: Flutter
    lines: tuple[Line, ...]
    partials: Partials | None


def measure_bench(
    capture: Capture, declared_hz: Sequence[float], deck: Deck, occasion: Occasion, settings: BenchSettings
) -> tuple[Bench, BenchCurves]:
    """The record of a deck that played this test tape, and the curves to draw.

    declared_hz  the tape's nominal tones; empty: the usual ones are looked for

    Raises CaptureError where the capture cannot be read; one that shows little gives a record that says so.
    """
    method, criteria = settings.method, settings.bench
    nominal_hz = tuple(declared_hz) or criteria.usual_tones_hz
    measurement, _ = measure_capture(capture, nominal_hz, method, settings.pictures, Passes.DECK)
    named = name_tones(
        measurement.tones,
        declared_hz,
        criteria.usual_tones_hz,
        method.tone.capture_range_percent,
        criteria.plausible_percent,
        criteria.same_speed_percent,
    )
    read = [found for tone in named.tones if (found := _read_tone(capture, tone, settings)) is not None]
    speed = _speed(read, measurement, settings)
    rates = part_rates(deck.parts, _or_zero(speed.error_percent), method.parts)
    read = [_with_parts(each, rates, method) for each in read]
    best = max(read, key=_shows, default=None)
    bench = _bench(capture, measurement, read, best, speed, deck, occasion, settings)
    bench = replace(
        bench,
        declared_hz=tuple(dict.fromkeys(declared_hz)),
        parts=tuple(TurningPart(rate.part.name, rate.hz, rate.low_hz, rate.high_hz) for rate in rates),
    )
    bench = replace(bench, findings=find_on_bench(bench, named, measurement.events))
    return bench, _curves(read, best, settings)


def _read_tone(capture: Capture, tone: Tone, settings: BenchSettings) -> _Read | None:
    """None at the very edge of what can be demodulated."""
    method, hz = settings.method, capture.sample_rate_hz
    start, stop = round(tone.start_s * hz), min(round(tone.stop_s * hz), capture.frames)
    blocks = (as_float32(raw) for raw in ahead(capture.blocks(round(method.block_s * hz), start, stop)))
    try:
        course = demodulate(blocks, hz, tone.measured_hz, start / hz, method.demodulation)
    except CaptureError:
        return None
    flutter, lines = measure_flutter_and_lines(deviation_of(course), Passes.DECK, method.flutter)
    try:
        partials = measure_partials(capture, course, ORDERS, settings.bench.partials)
    except CaptureError:
        partials = None
    return _Read(tone, course, flutter, lines, partials)


def _with_parts(read: _Read, rates: Sequence[PartRate], method: Method) -> _Read:
    components = name_parts(read.flutter.components, rates, method.parts)
    return replace(read, flutter=replace(read.flutter, components=components))


def _shows(read: _Read) -> tuple[bool, bool, float, float]:
    """Every reading first, then the widest band of rates, then the longest tone."""
    flutter, course = read.flutter, read.course
    weighted = not isinstance(flutter.weighted_peak_percent, NotMeasured)
    unweighted = not isinstance(flutter.unweighted_peak_percent, NotMeasured)
    return weighted, unweighted, min(course.bandwidth_hz, 200.0), course.seconds


def _speed(read: Sequence[_Read], measurement: Measurement, settings: BenchSettings) -> DeckSpeed:
    criteria = settings.method.speed
    drifts = [measure_drift(r.course, criteria) for r in read if not isinstance(r.tone.nominal_hz, NotMeasured)]
    tones, courses = [each.tone for each in read], [each.course for each in read]
    return deck_speed(tones, courses, drifts, measurement.regions, criteria, settings.bench.settling)


def _bench(
    capture: Capture,
    measurement: Measurement,
    read: Sequence[_Read],
    best: _Read | None,
    speed: DeckSpeed,
    deck: Deck,
    occasion: Occasion,
    settings: BenchSettings,
) -> Bench:
    """All of it but what was declared, the parts and the findings."""
    criteria = settings.bench
    live = _live(measurement.channels.layout, capture.channels)
    flutter = flutter_not_measured("no steady tone on this capture") if best is None else best.flutter
    level, tone_dbfs = _level(read, live, criteria)
    noise = measure_bench_noise(capture, measurement.regions, live, tone_dbfs, measurement.hum, criteria.noise)
    response = _response(capture, speed, measurement.hum, settings)
    return Bench(
        SCHEMA,
        bench_deck(deck, occasion),
        occasion.date.isoformat(),
        occasion.note.strip(),
        measurement.capture,
        (),
        measurement.regions,
        tuple(_bench_tone(each) for each in read),
        speed,
        flutter,
        (),
        level,
        measurement.channels.layout,
        _azimuth(read, measurement, deck, live, _or_zero(speed.error_percent), criteria),
        noise,
        response,
        judge_deck(_figures(speed, flutter, level, noise, response), criteria),
        (),
    )


def _live(layout: Layout, channels: int) -> tuple[int, ...]:
    if channels == 1 or layout is Layout.LEFT_ONLY:
        return (0,)
    return (1,) if layout is Layout.RIGHT_ONLY else (0, 1)


def _level(
    read: Sequence[_Read], live: Sequence[int], criteria: BenchCriteria
) -> tuple[ToneLevel, tuple[float, ...] | NotMeasured]:
    """The level tone's figures, and its level on each channel to compare noise with."""
    chosen = choose_level_tone([each.tone for each in read])
    partials = None if chosen is None else read[chosen].partials
    if partials is None:
        reason = "no steady tone on this capture" if chosen is None else "the level tone is too short"
        return level_not_measured(reason), NotMeasured("there is no level tone to compare with")
    return measure_tone_level(partials, live, criteria.partials), partials.level_dbfs


def _azimuth(
    read: Sequence[_Read],
    measurement: Measurement,
    deck: Deck,
    live: Sequence[int],
    speed_error_percent: float,
    criteria: BenchCriteria,
) -> Azimuth:
    if deck.head is Head.MONO:
        return azimuth_not_measured("a mono head has one gap for both tracks: nothing on two channels shows its tilt")
    if measurement.capture.channels == 1:
        return azimuth_not_measured("one channel")
    if len(live) < 2:
        return azimuth_not_measured("one of the channels is dead")
    delay, doubt = measurement.channels.delay_us, measurement.channels.delay_uncertainty_us
    spoken = any(region.kind is RegionKind.PROGRAMME for region in measurement.regions)
    coarse = None
    if spoken and not isinstance(delay, NotMeasured) and not isinstance(doubt, NotMeasured):
        coarse = (delay, 2 * doubt)
    partials = [each.partials for each in read if each.partials is not None]
    return measure_azimuth(partials, coarse, speed_error_percent, criteria.azimuth, criteria.partials)


def _response(
    capture: Capture, speed: DeckSpeed, hum: Sequence[HumLine], settings: BenchSettings
) -> Response | NotMeasured:
    meter = ResponseMeter(capture.sample_rate_hz, capture.channels, settings.bench.response)
    for raw in ahead(capture.blocks(round(settings.method.block_s * capture.sample_rate_hz))):
        meter.feed(as_float32(raw))
    return meter.measure_response(_or_zero(speed.error_percent), hum)


def _figures(
    speed: DeckSpeed, flutter: Flutter, level: ToneLevel, noise: BenchNoise, response: Response | NotMeasured
) -> Figures:
    values = {
        Figure.SPEED: speed.error_percent,
        Figure.FLUTTER: flutter.weighted_peak_percent,
        Figure.BALANCE: level.balance_db,
        Figure.NOISE: noise.noise_below_db,
        Figure.A_WEIGHTED: noise.a_weighted_below_db,
    }
    return Figures(values, {Figure.SPEED: _or_zero(speed.uncertainty_percent)}, response)


def _bench_tone(read: _Read) -> BenchTone:
    tone, nominal = read.tone, read.tone.nominal_hz
    error: Reading = nominal if isinstance(nominal, NotMeasured) else error_percent(tone.measured_hz, nominal)
    doubt: Reading = nominal if isinstance(nominal, NotMeasured) else 100 * tone.uncertainty_hz / nominal
    span = (tone.start_s, tone.stop_s)
    return BenchTone(*span, nominal, tone.measured_hz, tone.uncertainty_hz, tone.level_dbfs, error, doubt, read.flutter)


def _curves(read: Sequence[_Read], best: _Read | None, settings: BenchSettings) -> BenchCurves:
    readable = best is not None and not isinstance(best.flutter.tone_hz, NotMeasured)
    shown, lines = (best.course, best.lines) if readable and best is not None else (None, ())
    tones, courses = [each.tone for each in read], [each.course for each in read]
    return draw_curves(tones, courses, shown, lines, settings.method.flutter, settings.bench.course)


def _or_zero(value: Reading) -> float:
    return 0.0 if isinstance(value, NotMeasured) else value
