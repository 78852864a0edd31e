"""Reference tones: what one is, and its mean frequency against the nominal tones.

A tone is found by its steadiness and purity (`pipeline.steadiness`), taken down to zero frequency
(`pipeline.demodulate`), and its mean is taken so that flutter does not bias it (`pipeline.mean_frequency`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.demodulate import Demodulated
from pipeline.frames import Frames
from pipeline.mean_frequency import MeanCriteria, mean_frequency
from pipeline.records import NotMeasured, Reading
from pipeline.spans import Span
from pipeline.steadiness import SteadyCriteria, find_steady, is_hum

SAME_LENGTH_S = 0.2  # two channels' readings of one tone that differ by less are equally long


@dataclass(frozen=True)
class ToneCriteria:
    """What counts as a reference tone (table ``[tone]`` of ``config/method.toml``).

    capture_range_percent  a tone belongs to a nominal within this, percent
    settle_percent         of two nominals so near, one is taken when a sure tone's speed agrees to this, percent
    steady                 how one is found
    mean                   how its frequency is taken
    """

    capture_range_percent: float
    settle_percent: float
    steady: SteadyCriteria
    mean: MeanCriteria


@dataclass(frozen=True)
class FoundTone:
    """Where a tone stands, about what frequency it has, and the channel that shows it best.

    after_sag: it is the tone before it, which only sagged between the two.
    """

    span: Span
    coarse_hz: float
    channel: int
    after_sag: bool = False


@dataclass(frozen=True)
class Tone:
    """One steady tone on a capture.

    nominal_hz      the nominal tone it was matched to, or why it matches none
    measured_hz     mean frequency over the span without its wow and flutter, as captured
    uncertainty_hz  half-width that covers the true mean, also that of just this span, in at least 95 % of cases
    level_dbfs      r.m.s. of the tone
    """

    start_s: float
    stop_s: float
    nominal_hz: Reading
    measured_hz: float
    uncertainty_hz: float
    level_dbfs: float


def find_tones(frames: Frames, criteria: ToneCriteria) -> tuple[FoundTone, ...]:
    """Steady pure tones anywhere in a capture, in order, none overlapping; ends within about 0.05 s.

    Where both channels carry one, the channel that carries it longest is named, of equals the purer one. Hum, held
    notes and whatever wavers are not tones.
    """
    found = [
        (line, channel)
        for channel in range(frames.line_hz.shape[1])
        for line in find_steady(frames, channel, criteria.steady)
    ]
    found.sort(key=lambda each: (-round(each[0].span.seconds / SAME_LENGTH_S), -each[0].purity))
    kept: list[FoundTone] = []
    for line, channel in found:
        if all(line.span.overlap_s(tone.span) == 0 for tone in kept):
            kept.append(FoundTone(line.span, line.hz, channel, line.after_sag))
    return tuple(sorted(kept, key=lambda tone: tone.span))


def toned_spans(tones: Sequence[FoundTone]) -> tuple[Span, ...]:
    """Where tones stand, one that sagged as a whole; ``tones`` as `find_tones` gives them."""
    spans: list[Span] = []
    for tone in tones:
        if tone.after_sag and spans:
            spans[-1] = Span(spans[-1].start_s, tone.span.stop_s)
        else:
            spans.append(tone.span)
    return tuple(spans)


def measure_tone(demodulated: Demodulated, nominal_hz: Sequence[float], criteria: ToneCriteria) -> Tone:
    """The tone's mean frequency, its uncertainty, and the nominal tone it stands for.

    ``start_s`` and ``stop_s`` are those of the demodulated stretch, which is a filter's length inside the found one.
    """
    mean = mean_frequency(demodulated, criteria.mean)
    power = np.mean(10 ** (demodulated.level_dbfs[demodulated.present] / 10), dtype=np.float64)
    return Tone(
        start_s=demodulated.start_s - demodulated.edge_s,
        stop_s=demodulated.start_s + demodulated.seconds + demodulated.edge_s,
        nominal_hz=matched_nominal_hz(mean.hz, nominal_hz, criteria.capture_range_percent),
        measured_hz=mean.hz,
        uncertainty_hz=mean.uncertainty_hz,
        level_dbfs=float(10 * np.log10(power)),
    )


def matched_nominal_hz(measured_hz: float, nominal_hz: Sequence[float], range_percent: float) -> Reading:
    """The only nominal within the capture range. Where two are, nothing here can tell them apart, and none is taken.

    >>> matched_nominal_hz(436.0, [440.0, 3150.0], 6.0)
    440.0
    >>> matched_nominal_hz(3087.0, [3000.0, 3150.0], 6.0).reason
    '3000 or 3150 Hz: 3087.00 Hz is within 6 % of each; declare the one that is on the tape'
    >>> matched_nominal_hz(500.0, [440.0, 3150.0], 6.0).reason
    'outside: 500.00 Hz is 13.6 % from 440 Hz, the nearest nominal; at most 6 % is taken for a speed error'
    """
    if not nominal_hz:
        return NotMeasured("no nominal tones were declared")
    near = sorted({hz for hz in nominal_hz if 100 * abs(measured_hz / hz - 1) <= range_percent})
    if len(near) == 1:
        return float(near[0])
    if near:
        return NotMeasured(
            f"{' or '.join(f'{hz:g}' for hz in near)} Hz: {measured_hz:.2f} Hz is within {range_percent:g} % of each;"
            " declare the one that is on the tape"
        )
    nearest = min(nominal_hz, key=lambda hz: abs(math.log(measured_hz / hz)))
    off_percent = 100 * abs(measured_hz / nearest - 1)
    return NotMeasured(
        f"outside: {measured_hz:.2f} Hz is {off_percent:.1f} % from {nearest:g} Hz, the nearest nominal;"
        f" at most {range_percent:g} % is taken for a speed error"
    )


def settled_nominals(tones: Sequence[Tone], nominal_hz: Sequence[float], criteria: ToneCriteria) -> tuple[Tone, ...]:
    """The same tones; one that two nominals claim takes the one whose speed a sure tone of the capture bears out.

    Only when a single one does, to `settle_percent`; otherwise it stays unmatched.
    """
    sure = [100 * (tone.measured_hz / tone.nominal_hz - 1) for tone in tones if isinstance(tone.nominal_hz, float)]
    settled = []
    for tone in tones:
        reach, off = criteria.capture_range_percent, {hz: 100 * (tone.measured_hz / hz - 1) for hz in nominal_hz}
        borne = [
            hz
            for hz, error in off.items()
            if abs(error) <= reach and any(abs(error - other) <= criteria.settle_percent for other in sure)
        ]
        unsure = isinstance(tone.nominal_hz, NotMeasured)
        settled.append(replace(tone, nominal_hz=float(borne[0])) if unsure and len(borne) == 1 else tone)
    return tuple(settled)


def is_mains(tone: Tone, criteria: ToneCriteria) -> bool:
    """A quiet multiple of 50 or 60 Hz, now that its frequency is known well: frames read two close lines as one."""
    return is_hum(tone.measured_hz, tone.level_dbfs, criteria.steady)
