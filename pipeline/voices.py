"""One voice or several: how much of a moment's spectrum a single series of harmonics explains, and who glides."""

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
FEWEST_OTHERS = 2
LEAST_APART = 0.02  # octaves: nearer moments do not tell who has moved
SAME = 0.006  # a partial is there within this
MOMENTS = (0.2, 0.5, 0.8)  # of a run's gain, at which it is asked how many sound …
WIDE_MOMENTS = (0.1, 0.3, 0.5, 0.7, 0.9)  # … and who has moved from one to the other
ENOUGH_HZ = 20_000  # sample rate for that
ELSEWHERE = (-2.0, -1.0, 0.5, 2.0)  # times the glide: what is found there is found by chance


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


@dataclass(frozen=True)
class Company:
    """What partials beside the strongest voice do while it glides, as shares of their weight (-1 … 1).

    over_stayed  so much more of them glides with it than stays
    over_chance  so much more of them glides with it than is found at other ratios
    """

    over_stayed: float
    over_chance: float


def measure_company(moments: Sequence[Partials], octaves: Array) -> Company | None:
    """The median over all pairs of moments; ``octaves`` is how far the glide has come at each. None: nobody else."""
    found = []
    for one, voice in enumerate(map(find_one_voice, moments)):
        if voice is None or (~voice[1]).sum() < FEWEST_OTHERS:
            continue
        hz, weight = moments[one].hz[~voice[1]], moments[one].weight[~voice[1]]
        for other, glide in enumerate(octaves - octaves[one]):
            if abs(glide) < LEAST_APART or len(moments[other].hz) < FEWEST_PARTIALS:
                continue
            moved = np.exp2(glide * np.array([1.0, 0.0, *ELSEWHERE]))
            off = np.abs(moments[other].hz / (hz[:, None, None] * moved[:, None]) - 1)  # (others, ratios, partials)
            matched = weight @ (off.min(axis=2) < SAME) / weight.sum()
            found.append((matched[0] - matched[1], matched[0] - matched[2:].mean()))
    return Company(*(float(each) for each in np.median(found, axis=0))) if found else None


@dataclass(frozen=True)
class Voices:
    """Who glides: ``one_voice``, the share of the strongest, and what is beside it."""

    one_voice: float
    company: Company


def measure_voices(glides: Glides, first: int, last: int, read: Read, rate_hz: int, one_voice: float) -> Voices | None:
    """Asked at moments of the run from one frame to another, its glide held: in short windows and in long ones.

    None: too near an end to tell, or a single voice has the share ``one_voice`` or more.
    """
    octaves, gain = glides.octaves[first : last + 1], glides.gain[first : last + 1].astype(float)
    reached = np.cumsum(np.where(octaves * octaves.sum() > 0, gain, 0.0))
    moments = np.searchsorted(reached, np.array((*MOMENTS, *WIDE_MOMENTS)) * reached[-1])
    moments = np.minimum(moments, len(octaves) - 1)
    means = max(1, 2 ** int(np.log2(rate_hz / ENOUGH_HZ)))
    low_hz = rate_hz // means
    length = voice_length(low_hz)
    centres = (glides.first_s + (first + moments) * glides.hop_s) * low_hz
    start = max(0, int(centres.min()) - 2 * length)
    samples = read(start * means, (int(centres.max()) + 2 * length) * means)
    rows = np.ascontiguousarray(samples[: len(samples) - len(samples) % means].T)  # means of pairs would take ten times
    samples = (np.sum([rows[:, at::means] for at in range(means)], axis=0) / np.float32(means)).T
    slopes = octaves[moments] / (glides.hop_s * low_hz)

    def held(place: int, window: int) -> Partials:
        return find_partials(hold_pitch(samples, centres[place] - start, window, float(slopes[place])), low_hz)

    try:
        share = _median_share([held(place, length) for place in range(len(MOMENTS))])
        if share >= one_voice:
            return None
        long = [held(place, 2 * length) for place in range(len(moments))]
    except IndexError:
        return None
    share = max(share, _median_share(long[: len(MOMENTS)]))
    company = measure_company(long[len(MOMENTS) :], np.cumsum(octaves)[moments[len(MOMENTS) :]])
    return Voices(share, company or Company(-1.0, -1.0))


def _median_share(partials: Sequence[Partials]) -> float:
    shares = [voice[0] for voice in map(find_one_voice, partials) if voice is not None]
    return float(np.median(shares)) if shares else 1.0
