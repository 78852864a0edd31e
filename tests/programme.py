"""Simulated programme with constructed faults, whose truth is known because we put it there.

Knows nothing of the detectors. Levels in dBFS r.m.s. (a full-scale sine is -3.01); arrays are (frames, channels)
float32 unless said otherwise; every signal is drawn from a seed. The two programmes are
remembered: copy one before changing it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from scipy import signal

Array = np.ndarray[Any, Any]
_VOWELS_HZ = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))


@cache
def speech_like(seconds: float, rate_hz: int, seed: int, level_dbfs: float = -22.0) -> Array:
    """One voice, (frames,): gliding pitch, vowels, fricatives, stops with closures, breaks between phrases."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate_hz)
    voice, breath, times_s = _syllables(seconds, rng)
    knots_s = np.arange(0, seconds + 0.3, 0.3)
    pitch_hz = rng.uniform(95, 200) * np.exp(rng.normal(0, 0.12, len(knots_s)))
    phase = np.cumsum(np.interp(np.arange(count) / rate_hz, knots_s, pitch_hz)) / rate_hz
    pulses = np.diff(np.floor(phase), prepend=0.0)
    source = signal.lfilter([1.0], [1.0, -(0.9 ** (48_000 / rate_hz))], pulses)
    source -= source.mean()
    out = np.zeros(count)
    frames_s = np.arange(count) / rate_hz
    for vowel, formants in enumerate(_VOWELS_HZ):
        sound = source
        for formant_hz in formants:
            if formant_hz < 0.45 * rate_hz:
                sound = signal.lfilter(*_resonator(formant_hz, 0.06 * formant_hz + 50, rate_hz), sound)
        sound = sound / np.sqrt(np.mean(sound**2))
        out += sound * np.interp(frames_s, times_s, voice[vowel])
    sos = signal.butter(2, min(2500, 0.3 * rate_hz), "highpass", fs=rate_hz, output="sos")
    out += 0.25 * signal.sosfilt(sos, rng.normal(0, 1, count)) * np.interp(frames_s, times_s, breath)
    return at_level(out, level_dbfs)


def _syllables(seconds: float, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Envelopes every 2 ms: (vowels, steps) of the voice, (steps,) of the breath, and the times."""
    steps = round(seconds / 0.002) + 2
    voice, breath = np.zeros((len(_VOWELS_HZ), steps)), np.zeros(steps)
    at_s = rng.uniform(0, 0.3)
    while at_s < seconds:
        length_s, loud = rng.uniform(0.1, 0.3), 10 ** (rng.normal(0, 4) / 20)
        if rng.random() < 0.4:
            _add_hump(breath, at_s, rng.uniform(0.05, 0.14), 0.015, loud * rng.uniform(0.3, 1))
            at_s += 0.06
        elif rng.random() < 0.5:
            _add_hump(breath, at_s, 0.012, 0.002, loud)  # the burst of a stop, after its closure
        _add_hump(voice[rng.integers(len(_VOWELS_HZ))], at_s, length_s, rng.uniform(0.008, 0.04), loud)
        at_s += length_s + rng.choice([0.0, 0.02, 0.06, 0.1])
        if rng.random() < 0.12:
            at_s += rng.uniform(0.2, 1.0)
    return voice, breath, np.arange(steps) * 0.002


def _add_hump(envelope: Array, at_s: float, length_s: float, edge_s: float, height: float) -> None:
    start, stop = round(at_s / 0.002), round((at_s + length_s) / 0.002)
    edge = max(1, round(edge_s / 0.002))
    rise = 0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, (np.arange(max(1, stop - start)) + 1) / edge))
    hump = height * rise * rise[::-1]
    envelope[start : start + len(hump)] += hump[: max(0, len(envelope) - start)]


def _resonator(hz: float, width_hz: float, rate_hz: int) -> tuple[list[float], list[float]]:
    radius = np.exp(-np.pi * width_hz / rate_hz)
    return [1 - radius], [1.0, -2 * radius * np.cos(2 * np.pi * hz / rate_hz), radius**2]


@cache
def music_like(seconds: float, rate_hz: int, seed: int, level_dbfs: float = -20.0, width: float = 1.0) -> Array:
    """A band: bass, chords, tune and percussion, panned; ``width`` 0 is mono, 1 is a usual mix with some room."""
    rng = np.random.default_rng(seed)
    count, beat_s = round(seconds * rate_hz), rng.uniform(0.22, 0.5)
    out = np.zeros((count + 4 * rate_hz, 2))
    roots = 55 * 2 ** (rng.permutation([0, 3, 5, 7, 8, 10])[:4] / 12)
    for beat in range(int(seconds / beat_s)):
        start, root_hz = round(beat * beat_s * rate_hz), roots[beat // 8 % 4]
        if beat % 2 == 0:
            _add_note(out, start, root_hz, 1.0, 0.4, 0.1, rng, rate_hz)
        if beat % 8 == 0:
            for ratio, place in ((2, -0.6), (2.52, 0.2), (3, 0.6)):
                _add_note(out, start, root_hz * ratio, 0.35, 2.0, place * width, rng, rate_hz)
        if rng.random() < 0.7:
            tune_hz = root_hz * 4 * 2 ** (rng.choice([0, 2, 4, 7, 9, 12]) / 12)
            _add_note(out, start, tune_hz, 0.5, rng.uniform(0.15, 0.8), 0.3 * width, rng, rate_hz)
        if rng.random() < 0.8:
            length = round(rng.uniform(0.03, 0.15) * rate_hz)
            hit = rng.normal(0, 0.35, length) * np.exp(-np.arange(length) / (0.25 * length))
            out[start : start + length] += hit[:, None] * _pan(-0.4 * width)
    for channel in range(2):
        room = out[:, 1 - channel if width else channel].copy() * 0.25 * width
        shift = round(rate_hz * (0.011 + 0.006 * channel))
        out[shift:, channel] += room[:-shift]
    return at_level(out[:count], level_dbfs)


def drums_like(seconds: float, rate_hz: int, seed: int, level_dbfs: float = -20.0) -> Array:
    """A kit, (frames, 2): bass drum, snare with rolls, hats that are closed or open, sticks; some room."""
    rng = np.random.default_rng(seed)
    count, beat_s = round(seconds * rate_hz), rng.uniform(0.12, 0.3)
    out = np.zeros((count + 2 * rate_hz, 2))
    for beat in range(int(seconds / beat_s)):
        start = round((beat * beat_s + rng.normal(0, 0.004)) * rate_hz)
        for kind, chance in zip(_DRUMS, (0.3, 0.25, 0.8, 0.1, 0.1), strict=True):
            if start > 0 and rng.random() < chance:
                place = rng.uniform(-0.7, 0.7)
                for hit in range(rng.integers(2, 9) if kind == "roll" else 1):
                    wave = _drum(kind, rate_hz, rng) * rng.uniform(0.2, 1.0)
                    at = start + round(hit * 0.045 * rate_hz) + rng.integers(max(1, rate_hz // 300))
                    out[at : at + len(wave)] += (wave[:, None] * _pan(place))[: len(out) - at]
    room = signal.fftconvolve(
        out, rng.normal(0, 1, (rate_hz // 4, 2)) * np.exp(-np.arange(rate_hz // 4) / rate_hz / 0.05)[:, None], axes=0
    )
    return at_level((out + room[: len(out)] * 10 ** (rng.uniform(-50, -32) / 20))[:count], level_dbfs)


_DRUMS = ("bass", "snare", "hat", "roll", "stick")


def _drum(kind: str, rate_hz: int, rng: np.random.Generator) -> Array:
    """One hit, (frames,); it rises within a millisecond and decays to nothing."""
    decay_s = {"bass": 0.09, "snare": 0.06, "hat": rng.choice([0.012, 0.02, 0.15]), "roll": 0.03, "stick": 0.006}[kind]
    seconds = np.arange(round(8 * decay_s * rate_hz)) / rate_hz
    noise = rng.normal(0, 0.3, len(seconds))
    if kind == "bass":
        noise = np.sin(2 * np.pi * (50 * seconds + 3 * (1 - np.exp(-seconds / 0.02)))) + 0.02 * noise
    elif kind == "hat":
        noise = np.diff(noise, prepend=0.0)
    elif kind == "stick":
        noise = np.sin(2 * np.pi * rng.uniform(1200, 2600) * seconds) + 0.2 * noise
    return noise * np.exp(-seconds / decay_s) * np.minimum(1, seconds / rng.uniform(0.0003, 0.001))


def _pan(place: float) -> Array:
    angle = (place + 1) * np.pi / 4
    return np.array([np.cos(angle), np.sin(angle)])


def _add_note(
    out: Array,
    start: int,
    hz: float,
    height: float,
    decay_s: float,
    place: float,
    rng: np.random.Generator,
    rate_hz: int,
) -> None:
    length = min(round(2.5 * decay_s * rate_hz), len(out) - start)
    seconds = np.arange(length, dtype=np.float32) / np.float32(rate_hz)
    partials = [n for n in range(1, 10) if n * hz < 0.45 * rate_hz]
    note = sum(
        np.sin(np.float32(2 * np.pi * n * hz) * seconds + np.float32(rng.uniform(0, 6.3))) * np.float32(n**-1.2)
        for n in partials
    )
    note = note * height * np.exp(-seconds / decay_s) * np.minimum(1, seconds / 0.004)
    out[start : start + length] += note[:, None] * _pan(place)


def at_level(samples: Array, level_dbfs: float) -> Array:
    """The signal scaled to this r.m.s. over all of it, as float32."""
    rms = np.sqrt(np.mean(np.square(samples, dtype=np.float64)))
    return (samples * (10 ** (level_dbfs / 20) / rms)).astype(np.float32)


def noise(count: int, channels: int, seed: int, level_dbfs: float) -> Array:
    """Independent white noise in each channel: hiss, or a converter's own noise."""
    drawn = np.random.default_rng(seed).standard_normal((count, channels), dtype=np.float32)
    return drawn * np.float32(10 ** (level_dbfs / 20))


def hum(count: int, rate_hz: int, fundamental_hz: float, levels_dbfs: tuple[float, ...], seed: int = 0) -> Array:
    """(frames,) harmonics 1, 2, 3 … at these r.m.s. levels."""
    rng, seconds = np.random.default_rng(seed), np.arange(count) / rate_hz
    lines = [
        np.sqrt(2) * 10 ** (level / 20) * np.sin(2 * np.pi * fundamental_hz * (n + 1) * seconds + rng.uniform(0, 6.3))
        for n, level in enumerate(levels_dbfs)
    ]
    return np.sum(lines, axis=0).astype(np.float32)


def both(mono: Array) -> Array:
    """One signal in two channels."""
    return np.repeat(mono[:, None], 2, axis=1)


def delayed(samples: Array, delay_us: float, rate_hz: int) -> Array:
    """(frames,) later by any part of a sample, by turning the phase of the whole spectrum."""
    spectrum = np.fft.rfft(samples.astype(np.float64))
    hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * hz * delay_us * 1e-6), len(samples)).astype(np.float32)


def fading(seconds: float, depth_db: float, edge_s: float, rate_hz: int) -> Array:
    """(frames,) the gain through a loss of contact: down within ``edge_s``, at the depth, and up again."""
    count, edge = round(seconds * rate_hz), max(1, round(edge_s * rate_hz))
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, (np.arange(count) + 1) / edge))
    return (10 ** (-depth_db * np.minimum(ramp, ramp[::-1]) / 20)).astype(np.float32)


def quantised(samples: Array, bits: int) -> Array:
    """Rounded to this many bits without dither, and held within full scale."""
    steps = 2.0 ** (bits - 1)
    return (np.clip(np.round(samples * steps), -steps, steps - 1) / steps).astype(np.float32)


def in_blocks(samples: Array, block_frames: int) -> list[Array]:
    """The signal as the meters are fed, the last block shorter."""
    return [samples[at : at + block_frames] for at in range(0, len(samples), block_frames)]
