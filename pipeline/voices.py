"""One voice or several: how much of a moment's spectrum a single series of harmonics explains, and who glides.

When tape slows, every partial falls by one ratio, whoever it belongs to. So the partials beside the strongest voice
are looked for where the glide would have taken them, where they were, and where nothing should be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.glides import Glides

Array = np.ndarray[Any, Any]
Read = Callable[[int, int], Array]  # from frame to frame of the capture, float32 (frames, channels)

WINDOW_S = 0.0853  # tells two notes a tone apart above 200 Hz
LOWEST_HZ, HIGHEST_HZ = 70.0, 4500.0
FUNDAMENTALS_HZ = np.geomspace(70.0, 900.0, 260)  # 1 % apart
DEEPEST_DB = 38.0  # below the strongest: no partial of what is heard
STANDS_OUT = 3.0  # times the median of the bins around
AROUND_BINS = 12
FEWEST_PARTIALS = 3
CLOSE_FUNDAMENTALS_HZ = np.geomspace(65.0, 1000.0, 640, dtype=np.float32)  # 0.4 % apart
CLOSE_HZ, CLOSE = 1.5, 0.003  # a voice's partials lie so near to its harmonics: in Hz, and of their frequency
BEST_SERIES = 24
MOST_OF_IT = 0.85  # of a series' weight lies below its top …
COMPLETE = 0.6  # … and so many of its harmonics sound below that, where it is a voice; a chord leaves more out
LEAST_APART = 0.02  # octaves: nearer moments do not tell who has moved
PER_OCTAVE = 250  # steps in which it is told where partials are …
SAME_STEPS = 2  # … and a partial is there within so many: 0.6 %
OCTAVES_BEYOND = 4.0  # nothing is found beyond the lowest and highest partial
UNSURE_STEPS, UNSURE = 2, 0.15  # how far a glide from one moment to the other may be off: at least, and of itself
FEW_MOMENTS = (0.2, 0.5, 0.8)  # of a run's gain, at which it is asked who sounds …
MOMENTS = (0.03, 0.15, 0.3, 0.5, 0.7, 0.85, 0.97)  # … and asked thoroughly
TINY = 1e-9
ENOUGH_HZ = 20_000  # sample rate for that
TRIED = np.linspace(-1, 1, 9)  # of that
ELSEWHERE = (-1.6, -1.0, -0.6, 1.9, 2.6)  # times the glide: what is found there is found by chance


def voice_length(rate_hz: int) -> int:
    """Frames of audio that `find_partials` looks at: a power of two; twice as many will do as well."""
    return int(2 ** round(np.log2(rate_hz * WINDOW_S)))


def hold_pitch(samples: Array, centre: float, length: int, octaves_per_frame: float) -> Array:
    """``length`` frames around frame ``centre`` of (frames, channels), replayed so that a steady glide is held.

    octaves_per_frame  how fast it glides, per frame of audio
    Raises IndexError where the samples do not reach so far.
    """
    slope = octaves_per_frame * np.log(2)
    at = np.arange(length) - length / 2
    at = centre + at * (1 + slope * at * (slope * at / 3 - 0.5))
    whole = np.floor(at).astype(int)
    if whole[0] < 0 or whole[-1] + 1 >= len(samples):
        raise IndexError("too few samples around")
    part = (at - whole).astype(np.float32)
    channels = samples[whole[0] : whole[-1] + 2].T.copy()
    whole -= whole[0]
    return (channels.take(whole, axis=1) * (1 - part) + channels.take(whole + 1, axis=1) * part).T


@dataclass(frozen=True)
class Partials:
    """What stands out of a moment's spectrum: frequencies in Hz, and weights, the root of their amplitudes."""

    hz: Array
    weight: Array


def find_partials(samples: Array, rate_hz: int) -> Partials:
    """samples is (`voice_length` frames, channels)."""
    length = len(samples)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    level = np.sqrt(np.sum(np.abs(np.fft.rfft(samples * window[:, None], axis=0)) ** 2, axis=1))
    low, high = np.searchsorted(np.fft.rfftfreq(length, 1 / rate_hz), [LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz)])
    at = np.arange(low, high)
    at = at[(level[at] > level[at - 1]) & (level[at] >= level[at + 1])]
    at = at[level[at] > level[low:high].max(initial=0.0) * 10 ** (-DEEPEST_DB / 20)]
    around = np.clip(at[:, None] + np.arange(-AROUND_BINS, AROUND_BINS + 1), 0, len(level) - 1)
    at = at[level[at] > STANDS_OUT * np.median(level[around], axis=1)]
    left, middle, right = (np.log(np.maximum(level[at + k], 1e-15)) for k in (-1, 0, 1))
    hz = (at + 0.5 * (left - right) / (left - 2 * middle + right)) * rate_hz / length
    return Partials(hz, np.sqrt(level[at]))


def find_one_voice(partials: Partials) -> tuple[float, Array] | None:
    """How much of all partials the best single series of harmonics explains, loud ones counting more, and which.

    The share goes from 0, which chance would explain, to 1. None where fewer than three partials stand out.
    """
    if len(partials.hz) < FEWEST_PARTIALS:
        return None
    turns = partials.hz / FUNDAMENTALS_HZ[:, None]
    nearest = np.maximum(1, np.round(turns))
    tolerance = np.minimum(0.04 + 6.0 / FUNDAMENTALS_HZ[:, None] + 0.004 * nearest, 0.5)
    is_harmonic = np.abs(turns - nearest) < tolerance
    explained = (is_harmonic * partials.weight).sum(axis=1) / partials.weight.sum()
    chance = np.minimum(2 * tolerance[:, 0], 0.99)
    shares = (explained - chance) / (1 - chance)
    best = int(np.argmax(shares))
    return float(shares[best]), is_harmonic[best]


def measure_singleness(partials: Partials) -> float:
    """How far this is one voice and nobody else: like the share above, but harmonics lie close and few are left out.

    A chord is harmonics of a low note as well, but of that note most are missing. 1 where hardly anything sounds.
    """
    if len(partials.hz) < FEWEST_PARTIALS:
        return 1.0
    hz, weight = partials.hz.astype(np.float32), partials.weight.astype(np.float32)
    turns = hz / CLOSE_FUNDAMENTALS_HZ[:, None]
    nearest = np.maximum(np.rint(turns), 1)
    tolerance = np.minimum((CLOSE_HZ + CLOSE * hz) / CLOSE_FUNDAMENTALS_HZ[:, None], 0.5)
    is_harmonic = np.abs(turns - nearest) < tolerance
    chance = np.minimum(2 * tolerance.mean(axis=1), 0.99)
    shares = ((is_harmonic @ weight) / weight.sum() - chance) / (1 - chance)
    best = np.argpartition(-shares, BEST_SERIES)[:BEST_SERIES]
    is_harmonic, nearest = is_harmonic[best], nearest[best]
    so_far = np.cumsum(is_harmonic * weight, axis=1)
    top = np.argmax(so_far >= MOST_OF_IT * so_far[:, -1:], axis=1)
    again = is_harmonic[:, 1:] & is_harmonic[:, :-1] & (nearest[:, 1:] == nearest[:, :-1])
    once = is_harmonic & ~np.pad(again, ((0, 0), (1, 0))) & (np.arange(len(hz)) <= top[:, None])
    complete = once.sum(axis=1) / nearest[np.arange(len(best)), top]
    return float(np.max(shares[best] * np.minimum(1.0, complete / COMPLETE)))


@dataclass(frozen=True)
class Others:
    """What partials do while the strongest voice glides, as shares of their weight, less what chance finds (-1 … 1).

    moved   of those beside that voice this much glides with it; 0 where there are none
    stayed  of all partials this much stays where it was
    """

    moved: float
    stayed: float


def measure_others(moments: Sequence[Partials], octaves: Array) -> Others:
    """Of all pairs of moments; ``octaves`` is how far the glide has come at each, about."""
    voices = [find_one_voice(partials) for partials in moments]
    heard = np.array([voice is not None for voice in voices])
    steps = [_steps(partials) for partials in moments]
    there = np.stack([_occupied(each) for each in steps])
    found, weights = np.zeros(4), np.zeros(2)
    for one, (partials, voice) in enumerate(zip(moments, voices, strict=True)):
        glides = octaves - octaves[one]
        others = np.flatnonzero(heard & (np.abs(glides) >= LEAST_APART))
        if voice is None or not len(others):
            continue
        beside = np.where(voice[1], 0.0, partials.weight)
        found += _found(steps[one], partials.weight, beside, there[others], glides[others])
        weights += len(others) * np.array([beside.sum(), partials.weight.sum()])
    moved, moved_by_chance, stayed, stayed_by_chance = found
    beside_weight, weight = np.maximum(weights, TINY)
    return Others(float(moved - moved_by_chance) / beside_weight, float(stayed - stayed_by_chance) / weight)


def _steps(partials: Partials) -> Array:
    return np.round((np.log2(partials.hz / LOWEST_HZ) + OCTAVES_BEYOND) * PER_OCTAVE).astype(int)


def _occupied(steps: Array) -> Array:
    """(steps,): 1 where a partial is, or nearly."""
    occupied = np.zeros(round((np.log2(HIGHEST_HZ / LOWEST_HZ) + 2 * OCTAVES_BEYOND) * PER_OCTAVE) + 1)
    for off in range(-SAME_STEPS, SAME_STEPS + 1):
        occupied[steps + off] = 1.0
    return occupied


def _found(steps: Array, weight: Array, beside: Array, there: Array, glides: Array) -> Array:
    """The weight of those ``beside`` that is found moved, and by chance; of all that is found unmoved, and by chance.

    ``there`` is (others, steps). All partials together tell how far it was exactly, there and elsewhere.
    """
    unsure = np.maximum(UNSURE_STEPS, UNSURE * PER_OCTAVE * np.abs(glides))
    about = PER_OCTAVE * glides[:, None] * np.array([1.0, *ELSEWHERE])
    shifts = np.round(about[:, :, None] + unsure[:, None, None] * TRIED).astype(int)
    places = np.minimum(np.maximum(steps + shifts[..., None], 0), there.shape[1] - 1)
    at = there[np.arange(len(there))[:, None, None, None], places]  # (others, ratios, tried, partials)
    likely = at @ weight
    best = np.argmax(likely, axis=2)[..., None]
    moved = np.take_along_axis(at @ beside, best, axis=2).sum(axis=(0, 2))
    stayed_by_chance = likely[:, 1:].mean(axis=(1, 2)).sum()
    return np.array([moved[0], moved[1:].mean(), (there[:, steps] @ weight).sum(), stayed_by_chance])


@dataclass(frozen=True)
class Voices:
    """Who glides.

    singleness  how far it looks like a single voice at the moment when it does so most (… 1)
    others      what is beside the strongest voice
    partials    so many sound, at a moment in the middle of all
    """

    singleness: float
    others: Others
    partials: float


def measure_voices(
    run: tuple[Glides, int, int], read: Read, rate_hz: int, moments: Sequence[float], most_single: float
) -> Voices | None:
    """Asked at moments of the run from one frame of glides to another, its glide held.

    None: too near an end to tell, or so single a voice that it does not matter what else there is.
    """
    glides, first, last = run
    octaves, gain = glides.octaves[first : last + 1], glides.gain[first : last + 1].astype(float)
    reached = np.cumsum(np.where(octaves * octaves.sum() > 0, gain, 0.0))
    at = np.minimum(np.searchsorted(reached, np.array(moments) * reached[-1]), len(octaves) - 1)
    means = max(1, 2 ** int(np.log2(rate_hz / ENOUGH_HZ)))
    low_hz = rate_hz // means
    length = voice_length(low_hz)
    centres = (glides.first_s + (first + at) * glides.hop_s) * low_hz
    start = max(0, int(centres.min()) - length)
    samples = read(start * means, (int(centres.max()) + length) * means)
    rows = np.ascontiguousarray(samples[: len(samples) - len(samples) % means].T)  # means of pairs would take ten times
    samples = (np.sum([rows[:, place::means] for place in range(means)], axis=0) / np.float32(means)).T
    slopes = octaves[at] / (glides.hop_s * low_hz)
    partials, single = [], 0.0
    try:
        for centre, slope in zip(centres, slopes, strict=True):
            partials.append(find_partials(hold_pitch(samples, centre - start, length, float(slope)), low_hz))
            single = max(single, measure_singleness(partials[-1]))
            if single > most_single:
                return None
    except IndexError:
        return None
    others = measure_others(partials, (np.cumsum(octaves) - octaves / 2)[at])
    return Voices(single, others, float(np.median([len(each.hz) for each in partials])))
