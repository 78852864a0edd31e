"""Whole sides whose regions are known because we laid them out: leader, hiss, tones, programme like speech or music.

It knows nothing of how regions are found. Every number a caller does not set is drawn from the seed::

    side = make_side(seed=7, rate_hz=48_000)
    side = make_side(seed=7, rate_hz=96_000, layout="left-dead", plan=(("leader", 5.0), ("silence", 9.0)))
    share_right(side.truth, found)

The signal chain is the real one: programme and hiss come off the tape while it runs; hum and the noise of the
electronics stand on everything; the recorder's rounding comes last. Levels are r.m.s. in dBFS, a full-scale sine at
-3.01 dBFS; programme and tone levels are those of the sounding parts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal

from pipeline.regions import Region, RegionKind

Array = np.ndarray[Any, Any]
Plan = tuple[tuple[str, float], ...]  # (what, seconds): leader, zeros, silence, tone, speech, music, dense or bass


@dataclass(frozen=True)
class Recipe:
    """One side before it is made.

    plan              what stands where; "zeros" is leader in exact zeros, "dense" music without a rest, "bass" music
                      whose harmonics end below 700 Hz
    layout            mono (1 channel), stereo, dual-mono (both the same), left-dead, right-dead (the dead channel
                      carries its own electronics noise), left-zeros
    hiss_dbfs         tape hiss alone
    leader_dbfs       the electronics' noise alone
    hiss_slope_db     tilt of the hiss per octave; electronics_slope_db the same for the electronics
    hiss_top_hz       where the hiss rolls off
    hum_dbfs          the deck's mains hum on everything, or None; hum_harmonics how many lines it has
    tape_hum_dbfs     hum recorded on the tape, half a hertz off, so that it beats with the deck's; or None
    programme_dbfs    loud passages; quiet ones go down to quiet_over_hiss_db above the hiss
    fade_s            length of the fade at the end of every programme, a third of it at most (0: no fade)
    tone_hz, tone_dbfs, flutter_percent (peak, 6.3 Hz; 0.7 of it at 0.6 Hz)
    thumps            one at each start and stop of the transport, and two somewhere in leader or silence
    dc_offset         on every channel, full scale = 1
    bits              of the recorder: 8, 16 or 24; plain rounding, no dither
    """

    plan: Plan
    layout: str
    hiss_dbfs: float
    leader_dbfs: float
    hiss_slope_db: float
    electronics_slope_db: float
    hiss_top_hz: float
    hum_dbfs: float | None
    hum_hz: float
    hum_harmonics: int
    tape_hum_dbfs: float | None
    programme_dbfs: float
    quiet_over_hiss_db: float
    fade_s: float
    tone_hz: float
    tone_dbfs: float
    flutter_percent: float
    thumps: bool
    dc_offset: float
    bits: int


@dataclass(frozen=True)
class Side:
    """samples is float32 (frames, channels); truth covers it whole."""

    samples: Array
    rate_hz: int
    truth: tuple[Region, ...]
    recipe: Recipe

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate_hz

    def spans(self, kind: RegionKind) -> list[tuple[float, float]]:
        return [(region.start_s, region.stop_s) for region in self.truth if region.kind is kind]


def draw_recipe(seed: int, **settings: Any) -> Recipe:
    """A likely side, drawn from the seed; ``settings`` overrule single fields."""
    unknown = set(settings) - {f.name for f in fields(Recipe)}
    if unknown:
        raise TypeError(f"no such field of Recipe: {', '.join(sorted(unknown))}")
    rng = np.random.default_rng([seed, 1])
    hiss = settings.get("hiss_dbfs", float(rng.uniform(-66, -48)))
    drawn = Recipe(
        plan=_draw_plan(rng),
        layout=str(rng.choice(["mono", "stereo", "stereo", "dual-mono", "left-dead", "right-dead", "left-zeros"])),
        hiss_dbfs=hiss,
        leader_dbfs=hiss - float(rng.uniform(8, 28)),
        hiss_slope_db=float(rng.uniform(-3, 3)),
        electronics_slope_db=float(rng.uniform(-2, 1)),
        hiss_top_hz=float(rng.uniform(9_000, 18_000)),
        hum_dbfs=hiss + float(rng.uniform(-12, 12)) if rng.random() < 0.6 else None,
        hum_hz=float(rng.choice([50.0, 60.0])) * float(rng.uniform(0.999, 1.001)),
        hum_harmonics=int(rng.integers(1, 24)),
        tape_hum_dbfs=None,
        programme_dbfs=hiss + float(rng.uniform(18, 36)),
        quiet_over_hiss_db=float(rng.uniform(6, 14)),
        fade_s=float(rng.choice([0.0, 0.0, 4.0])),
        tone_hz=float(rng.choice([315.0, 333.0, 400.0, 440.0, 1000.0, 3000.0, 3150.0]))
        * float(rng.uniform(0.95, 1.05)),
        tone_dbfs=float(rng.uniform(-26, -8)),
        flutter_percent=float(rng.uniform(0.03, 0.4)),
        thumps=bool(rng.random() < 0.6),
        dc_offset=float(rng.choice([0.0, 0.0, 0.02, -0.05])),
        bits=int(rng.choice([16, 24, 24])),
    )
    return Recipe(**{f.name: settings.get(f.name, getattr(drawn, f.name)) for f in fields(Recipe)})


def make_side(seed: int, rate_hz: int = 48_000, **settings: Any) -> Side:
    """The side that `draw_recipe` tells of, as a recorder would have captured it."""
    recipe = draw_recipe(seed, **settings)
    rng = np.random.default_rng([seed, 2])
    edges = np.round(np.cumsum([0.0, *(seconds for _, seconds in recipe.plan)]) * rate_hz).astype(int)
    stretches = [(what, int(a), int(b)) for (what, _), a, b in zip(recipe.plan, edges[:-1], edges[1:], strict=True)]
    tape = _tape(stretches, recipe, rate_hz, rng)
    samples = tape + _electronics(len(tape), recipe, rate_hz, rng, tape.shape[1])
    if recipe.thumps:
        _add_thumps(samples, stretches, rate_hz, rng)
    for what, start, stop in stretches:
        if what == "zeros":
            samples[start:stop] = 0.0
    samples += recipe.dc_offset * np.any(samples != 0, axis=1, keepdims=True)
    if recipe.layout == "left-zeros":
        samples[:, 0] = 0.0
    step = 2.0 ** (1 - recipe.bits)
    samples = np.clip(np.round(samples / step), -1 / step, 1 / step - 1) * step
    return Side(samples.astype(np.float32), rate_hz, _truth(stretches, rate_hz), recipe)


def share_right(truth: Sequence[Region], found: Sequence[Region]) -> float:
    """Share of all seconds where both say the same kind."""
    same = sum(
        max(0.0, min(t.stop_s, f.stop_s) - max(t.start_s, f.start_s)) for t in truth for f in found if t.kind is f.kind
    )
    return same / (truth[-1].stop_s - truth[0].start_s)


def boundary_errors_s(truth: Sequence[Region], found: Sequence[Region]) -> list[float]:
    """For every true boundary, how far the nearest found boundary with the same kinds on both sides is (inf: none)."""

    def turns(regions: Sequence[Region]) -> list[tuple[RegionKind, RegionKind, float]]:
        return [(a.kind, b.kind, b.start_s) for a, b in pairwise(regions)]

    return [
        min((abs(at - t) for a, b, t in turns(found) if (a, b) == (before, after)), default=float("inf"))
        for before, after, at in turns(truth)
    ]


def _draw_plan(rng: np.random.Generator) -> Plan:
    def seconds(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    plan: list[tuple[str, float]] = []
    if rng.random() < 0.75:
        plan.append((str(rng.choice(["leader", "leader", "leader", "zeros"])), seconds(2, 9)))
    if rng.random() < 0.85:
        plan.append(("silence", seconds(0.8, 6)))
    if rng.random() < 0.5:
        plan += [("tone", seconds(6, 15)), ("silence", seconds(1.0, 5))]
    for index in range(int(rng.integers(1, 4))):
        if index:
            plan.append((str(rng.choice(["silence", "silence", "leader"])), seconds(2.4, 7)))
        plan.append((str(rng.choice(["speech", "speech", "music", "music", "dense"])), seconds(8, 25)))
    if rng.random() < 0.85:
        plan.append(("silence", seconds(0.8, 8)))
    if rng.random() < 0.75:
        plan.append(("leader", seconds(2, 9)))
    return tuple(plan)


_KINDS = {
    "leader": RegionKind.LEADER,
    "zeros": RegionKind.LEADER,
    "silence": RegionKind.SILENCE,
    "tone": RegionKind.TONE,
}


def _truth(stretches: list[tuple[str, int, int]], rate_hz: int) -> tuple[Region, ...]:
    truth: list[Region] = []
    for what, start, stop in stretches:
        kind = _KINDS.get(what, RegionKind.PROGRAMME)
        start_s = truth.pop().start_s if truth and truth[-1].kind is kind else start / rate_hz
        truth.append(Region(kind, start_s, stop / rate_hz))
    return tuple(truth)


def _tape(stretches: list[tuple[str, int, int]], recipe: Recipe, rate_hz: int, rng: np.random.Generator) -> Array:
    """What comes off the tape, (frames, channels) float64: nothing where no tape runs past the head."""
    count = stretches[-1][2]
    mono = recipe.layout in ("mono", "dual-mono")
    wow = _wow(recipe.flutter_percent, rng)
    sound = np.zeros((count, 1 if mono else 2))
    for what, start, stop in stretches:
        if what == "tone":
            t = np.arange(start, stop) / rate_hz
            wave = np.sin(2 * np.pi * recipe.tone_hz * (t + wow(t))) * _gain(recipe.tone_dbfs) * np.sqrt(2)
            sound[start:stop] += (wave * _ramp(stop - start, rate_hz))[:, None]
        elif what in ("speech", "music", "dense", "bass"):
            sound[start:stop] += _programme(what, start, stop, recipe, rate_hz, wow, rng, sound.shape[1])
    hiss = np.stack(
        [
            _noise(count, rate_hz, recipe.hiss_slope_db, recipe.hiss_top_hz, rng) * _gain(recipe.hiss_dbfs)
            for _ in range(sound.shape[1])
        ],
        axis=1,
    )
    if recipe.tape_hum_dbfs is not None:
        hiss += _hum(count, rate_hz, recipe.hum_hz - 0.5, 4, recipe.tape_hum_dbfs, rng)[:, None]
    running = np.concatenate([np.full(b - a, what not in ("leader", "zeros")) for what, a, b in stretches])
    sound = (sound + hiss) * running[:, None]
    if recipe.layout == "dual-mono":
        sound = np.repeat(sound, 2, axis=1)
    if recipe.layout in ("left-dead", "right-dead"):
        sound[:, 0 if recipe.layout == "left-dead" else 1] = 0.0
    return sound


def _electronics(count: int, recipe: Recipe, rate_hz: int, rng: np.random.Generator, channels: int) -> Array:
    noise = [
        _noise(count, rate_hz, recipe.electronics_slope_db, rate_hz, rng)
        * _gain(recipe.leader_dbfs + rng.uniform(-0.5, 0.5))
        for _ in range(channels)
    ]
    floor = np.stack(noise, axis=1)
    if recipe.hum_dbfs is not None:
        floor += _hum(count, rate_hz, recipe.hum_hz, recipe.hum_harmonics, recipe.hum_dbfs, rng)[:, None]
    return floor


def _gain(db: float) -> float:
    return float(10 ** (db / 20))


def _ramp(count: int, rate_hz: int, ramp_s: float = 0.02) -> Array:
    edge = np.minimum(np.arange(count), np.arange(count)[::-1]) / (ramp_s * rate_hz)
    return np.minimum(edge, 1.0)


def _wow(percent: float, rng: np.random.Generator) -> Callable[[Array], Array]:
    """Time error in seconds at each time, of a deck with this peak flutter at 6.3 Hz and 0.7 of it at 0.6 Hz."""
    lines = [(hz, percent / 100 * share, rng.uniform(0, 2 * np.pi)) for hz, share in ((6.3, 1.0), (0.6, 0.7))]

    def error_s(t: Array) -> Array:
        return np.sum([depth / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * t + p) for hz, depth, p in lines], axis=0)

    return error_s


def _noise(count: int, rate_hz: int, slope_db: float, top_hz: float, rng: np.random.Generator) -> Array:
    """Gaussian noise of r.m.s. 1, tilted by ``slope_db`` an octave from 200 Hz up, rolling off above ``top_hz``."""
    size = scipy.fft.next_fast_len(max(count, 2), real=True)
    spectrum = scipy.fft.rfft(rng.standard_normal(size, dtype=np.float32))
    hz = np.maximum(scipy.fft.rfftfreq(size, 1 / rate_hz), 200.0)
    spectrum *= ((hz / 1000.0) ** (slope_db / 6.02) / np.sqrt(1 + (hz / top_hz) ** 8)).astype(np.float32)
    spectrum[0] = 0.0
    noise = scipy.fft.irfft(spectrum, size)[:count].astype(np.float64)
    return noise / max(float(np.sqrt(np.mean(noise**2))), 1e-12)


def _hum(count: int, rate_hz: int, hum_hz: float, harmonics: int, dbfs: float, rng: np.random.Generator) -> Array:
    wave = np.zeros(count)
    t = np.arange(count) / rate_hz
    for n in range(1, harmonics + 1):
        if n * hum_hz < 0.45 * rate_hz:
            wave += rng.uniform(0.3, 1.0) / n * np.sin(2 * np.pi * n * hum_hz * t + rng.uniform(0, 2 * np.pi))
    return wave * _gain(dbfs) / max(float(np.sqrt(np.mean(wave**2))), 1e-12)


def _programme(
    what: str,
    start: int,
    stop: int,
    recipe: Recipe,
    rate_hz: int,
    wow: Callable[[Array], Array],
    rng: np.random.Generator,
    channels: int,
) -> Array:
    count = stop - start
    if what == "speech":
        wave = _speech(count, rate_hz, rng)
        pan = np.array([1.0, rng.uniform(0.6, 1.0)])[:channels]
        sound = wave[:, None] * pan
    else:
        sound = _music(what, start, count, rate_hz, wow, rng, channels)
    loud = np.sum(sound**2, axis=1)
    sounding = loud[loud > 1e-4 * loud.max()]
    sound *= _gain(recipe.programme_dbfs) / np.sqrt(np.mean(sounding) / channels)
    return sound * _passages(count, recipe, rate_hz, rng)[:, None]


def _passages(count: int, recipe: Recipe, rate_hz: int, rng: np.random.Generator) -> Array:
    """Loud and quiet passages of 3 to 8 s, and the fade at the end, which stops 3 dB under the hiss."""
    span_db = max(recipe.programme_dbfs - recipe.hiss_dbfs - recipe.quiet_over_hiss_db, 0.0)
    knots_s, knots_db = [0.0], [0.0]
    while knots_s[-1] < count / rate_hz:
        level = -span_db * float(rng.choice([0.0, 0.0, 0.3, 0.7, 1.0]))
        knots_s += [knots_s[-1] + 0.3, knots_s[-1] + float(rng.uniform(3, 8))]
        knots_db += [level, level]
    t = np.arange(count) / rate_hz
    gain_db = np.interp(t, knots_s, knots_db)
    if recipe.fade_s:
        fade_s = min(recipe.fade_s, t[-1] / 3)
        last_db = recipe.hiss_dbfs - 3 - recipe.programme_dbfs
        faded = np.clip((t - (t[-1] - fade_s)) / fade_s, 0, 1)
        gain_db = gain_db * (1 - faded) + last_db * faded
    return 10 ** (gain_db / 20)


def _speech(count: int, rate_hz: int, rng: np.random.Generator) -> Array:
    """Syllables of pulsed voice through three formants, hissed consonants, pauses up to 1.7 s."""
    wave = np.zeros(count)
    position, pitch_hz = 0, rng.uniform(90, 220)
    while position < count:
        for _ in range(int(rng.integers(2, 9))):
            length = min(int(rng.uniform(0.12, 0.32) * rate_hz), count - position)
            if length < 0.03 * rate_hz:
                break
            wave[position : position + length] += _syllable(length, rate_hz, pitch_hz * rng.uniform(0.85, 1.2), rng)
            position += length + int(rng.choice([0.0, 0.02, 0.1]) * rate_hz)
        gap = int(rng.choice([0.15, 0.3, 0.6, 1.1, 1.7]) * rng.uniform(0.8, 1.0) * rate_hz)
        if position + gap > count - 0.2 * rate_hz:  # the last syllable reaches the end
            length = min(int(0.25 * rate_hz), count)
            wave[count - length :] = _syllable(length, rate_hz, pitch_hz, rng)
            break
        position += gap
    return wave


def _syllable(length: int, rate_hz: int, pitch_hz: float, rng: np.random.Generator) -> Array:
    t = np.arange(length) / rate_hz
    phase = pitch_hz * (t + rng.uniform(-0.3, 0.1) * t**2)
    voice = np.diff(np.floor(phase), prepend=-1.0) + 0.03 * rng.standard_normal(length)
    for centre_hz, width_hz in (
        (rng.uniform(300, 800), 90),
        (rng.uniform(900, 2200), 130),
        (rng.uniform(2300, 3000), 200),
    ):
        if centre_hz < 0.45 * rate_hz:
            radius = np.exp(-np.pi * width_hz / rate_hz)
            poles = [1.0, -2 * radius * np.cos(2 * np.pi * centre_hz / rate_hz), radius**2]
            voice = 0.5 * voice + scipy.signal.lfilter([1 - radius], poles, voice)
    voice /= max(float(np.sqrt(np.mean(voice**2))), 1e-12)
    if rng.random() < 0.5:
        burst = min(int(rng.uniform(0.04, 0.12) * rate_hz), length)
        edge_hz = min(rng.uniform(2500, 5000), 0.35 * rate_hz)
        section = scipy.signal.butter(2, edge_hz, "high", fs=rate_hz, output="sos")
        voice[:burst] = scipy.signal.sosfilt(section, rng.standard_normal(burst)) * rng.uniform(0.2, 0.8)
    return voice * _ramp(length, rate_hz, 0.025) * rng.uniform(0.5, 1.0)


def _music(
    what: str,
    start: int,
    count: int,
    rate_hz: int,
    wow: Callable[[Array], Array],
    rng: np.random.Generator,
    channels: int,
) -> Array:
    """Notes and chords on a scale, struck or held, with rests up to 1.2 s; the last one sounds to the end."""
    sound = np.zeros((count, channels))
    root_hz = rng.uniform(40, 80) if what == "bass" else rng.uniform(90, 300)
    position = 0
    while position < count:
        length = min(int(rng.uniform(0.25, 1.6) * rate_hz), count - position)
        if count - position - length < 0.3 * rate_hz:
            length = count - position
        for _ in range(int(rng.integers(1, 5))):
            degree = int(rng.choice([0, 2, 4, 5, 7, 9, 12, 14, 16]))
            note = _note(what, root_hz * 2 ** (degree / 12), start + position, length, rate_hz, wow, rng)
            pan = rng.uniform(0.3, 1.0, channels) if channels == 2 else np.ones(1)
            sound[position : position + length] += note[:, None] * pan
        position += length
        if what != "dense" and rng.random() < 0.3 and count - position > 2.2 * rate_hz:
            position += int(rng.uniform(0.1, 1.2) * rate_hz)
    return sound


def _note(
    what: str, hz: float, start: int, length: int, rate_hz: int, wow: Callable[[Array], Array], rng: np.random.Generator
) -> Array:
    t = np.arange(length) / rate_hz
    warped = 2 * np.pi * hz * (t + wow(t + start / rate_hz))
    top_hz = 600.0 if what == "bass" else 0.45 * rate_hz
    steep = rng.uniform(0.8, 2.0)
    wave = np.zeros(length)
    for n in range(1, 13):
        if n == 1 or n * hz < top_hz:
            wave += n**-steep * np.sin(n * warped + rng.uniform(0, 2 * np.pi))
    held_s = rng.uniform(0.8, 2.0) if rng.random() < 0.7 else 30.0
    if what == "dense":
        wave += 0.1 * rng.standard_normal(length)
    return wave * np.exp(-t / held_s) * _ramp(length, rate_hz, 0.01)


def _add_thumps(samples: Array, stretches: list[tuple[str, int, int]], rate_hz: int, rng: np.random.Generator) -> None:
    """Starts and stops of the transport, and two knocks in quiet stretches, 50 to 200 ms each."""
    stopped = [what in ("leader", "zeros") for what, _, _ in stretches]
    places = [stretches[i][1] for i in range(1, len(stretches)) if stopped[i] != stopped[i - 1]]
    roomy = [(a, b) for what, a, b in stretches if what in ("leader", "silence") and b - a > 4.5 * rate_hz]
    for a, b in roomy[:2]:
        places.append(int((a + b) / 2))
    for place in places:
        length = int(rng.uniform(0.05, 0.2) * rate_hz)
        at = max(0, min(place - length // 2, len(samples) - length))
        t = np.arange(length) / rate_hz
        knock = np.sin(2 * np.pi * rng.uniform(30, 120) * t) + 0.2 * rng.standard_normal(length) * np.exp(-t / 0.01)
        knock *= np.exp(-t / rng.uniform(0.02, 0.08)) * _gain(rng.uniform(-40, -18)) * _ramp(length, rate_hz, 0.002)
        samples[at : at + length] += knock[: len(samples) - at, None]
