"""Simulated instruments whose partials decay, tremble or are out of tune, and hands and voices that slide.

Knows nothing of the meters. Arrays are (frames,) float64 of any level; every signal is drawn from a seed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
Note = Callable[[float, float, int, np.random.Generator], Array]
_CHORDS = ((0, 4, 7), (5, 9, 12), (7, 11, 14), (-3, 0, 4), (2, 5, 9))  # semitones over the key


def struck_note(hz: float, seconds: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """A piano's: stiff strings, two a note, that ring on; high partials die first."""
    at_s = np.arange(round((seconds + 0.5) * rate_hz)) / rate_hz
    wave = np.zeros(len(at_s))
    for n in range(1, 14):
        partial_hz = n * hz * np.sqrt(1 + 3e-4 * n**2)
        if partial_hz > 0.42 * rate_hz:
            break
        decay = np.exp(-at_s * (0.4 + 0.25 * n) * (hz / 260) ** 0.5)
        for _ in range(2):
            string_hz = partial_hz * 2 ** (rng.normal(0, 0.5) / 1200)
            wave += n**-1.1 * decay * np.sin(2 * np.pi * string_hz * at_s + rng.uniform(0, 6.3))
    return wave * np.minimum(1, at_s / 0.003) * np.minimum(1, np.exp((seconds - at_s) / 0.08))


def reed_note(hz: float, seconds: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """An accordion's: two reeds a note, out of tune by a tremolo, and one an octave below."""
    at_s = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = np.zeros(len(at_s))
    for ratio in (1.0, 2 ** (rng.uniform(6, 18) / 1200), 0.5):
        for n in range(1, 18):
            if n * ratio * hz < 0.42 * rate_hz:
                wave += n**-0.9 * np.sin(2 * np.pi * n * ratio * hz * at_s + rng.uniform(0, 6.3))
    return wave * np.minimum(1, at_s / 0.04) * np.minimum(1, (seconds - at_s) / 0.03)


def plucked_note(hz: float, seconds: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """A guitar's: noise that goes round a string and loses its treble (Karplus and Strong)."""
    period = round(rate_hz / hz)
    count = round((seconds + 0.3) * rate_hz)
    turns = [np.diff(rng.uniform(-1, 1, period + 1))]
    for _ in range(count // period + 1):
        turns.append(0.498 * (turns[-1] + np.roll(turns[-1], 1)))
    wave = np.concatenate(turns)
    true_hz = rate_hz / (period + 0.5)
    at = np.arange(count) * hz / true_hz
    return np.interp(at, np.arange(len(wave)), wave) * np.minimum(1, np.arange(count)[::-1] / (0.05 * rate_hz))


def played(note: Note, seconds: float, rate_hz: int, seed: int) -> Array:
    """Broken and whole chords with a bass and a tune, at a tempo and in a key of the seed's."""
    rng = np.random.default_rng(seed)
    key_hz, beat_s = 131 * 2 ** (rng.integers(0, 12) / 12), rng.uniform(0.35, 0.7)
    out = np.zeros(round((seconds + 6) * rate_hz))
    waves: dict[tuple[float, float], Array] = {}
    for beat in range(int(seconds / beat_s)):
        chord = _CHORDS[beat // 4 * 7 % len(_CHORDS)]
        notes = [(chord[beat % 3] + 12, 0.0, 1.2), (chord[(beat + 1) % 3], 0.5, 1.5)]
        if beat % 4 == 0:
            notes += [(chord[0] - 12, 0.0, 3.5), *((semitones, 0.0, 3.5) for semitones in chord)]
        if rng.random() < 0.6:
            notes.append((int(rng.choice(chord)) + 24, 0.0, rng.choice([0.5, 1.0, 2.0])))
        for semitones, late, beats in notes:
            hz = key_hz * 2 ** (semitones / 12)
            if (hz, beats) not in waves:
                waves[hz, beats] = note(hz, beats * beat_s, rate_hz, rng)
            wave = waves[hz, beats] * rng.uniform(0.6, 1.0)
            start = round((beat + late) * beat_s * rate_hz)
            out[start : start + len(wave)] += wave[: len(out) - start]
    return out[: round(seconds * rate_hz)]


def slid(seconds: float, rate_hz: int, seed: int) -> Array:
    """A steel guitar's tune: each note slides to the next on one string."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(seconds * rate_hz)) / rate_hz
    lengths_s = rng.uniform(0.5, 1.5, int(2 * seconds))
    starts_s = np.cumsum(lengths_s)
    semitones = rng.choice([0, 2, 4, 5, 7, 9, 12], len(starts_s)).astype(float)
    slides_s = rng.uniform(0.15, 0.5, len(starts_s))
    knots_s = np.stack([starts_s - slides_s, starts_s], axis=1).ravel()
    pitch = np.interp(at_s, knots_s, [*np.repeat(semitones, 2)[1:], semitones[-1]])
    phase = 2 * np.pi * np.cumsum(262 * 2 ** (pitch / 12)) / rate_hz
    since_s = at_s - np.concatenate([[0.0], starts_s])[np.searchsorted(starts_s, at_s)]
    return sum(np.sin(n * phase) / n * np.exp(-since_s * (0.5 + 0.3 * n)) for n in range(1, 14))


def sentences(seconds: float, rate_hz: int, seed: int) -> Array:
    """A voice whose sentences end on a fall of some semitones, and a pause."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round((seconds + 4) * rate_hz))
    begins_s = 0.3
    while begins_s < seconds:
        long_s, falls_s, tone_hz = rng.uniform(1.0, 2.5), rng.uniform(0.25, 0.6), rng.uniform(110, 210)
        at_s = np.arange(round(long_s * rate_hz)) / rate_hz
        falling = np.clip((at_s - long_s + falls_s) / falls_s, 0, 1)
        hz = tone_hz * 2 ** ((0.8 * np.sin(9 * at_s + rng.uniform(0, 6)) - rng.uniform(4, 9) * falling) / 12)
        phase = 2 * np.pi * np.cumsum(hz) / rate_hz
        formants_hz = rng.uniform((350, 900, 2300), (800, 1900, 2900))
        wave = np.zeros(len(at_s))
        for n in range(1, 30):
            gain = sum(1 / (1 + ((n * tone_hz - f) / (60 + 0.1 * f)) ** 2) for f in formants_hz) + 0.03
            wave += gain / n**0.5 * np.sin(n * phase)
        syllables = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(3, 5) * at_s)
        wave *= syllables * np.minimum(1, at_s / 0.05) * np.minimum(1, (long_s - at_s) / 0.12)
        start = round(begins_s * rate_hz)
        out[start : start + len(wave)] += wave[: len(out) - start]
        begins_s += long_s + rng.uniform(0.7, 1.3)
    return out[: round(seconds * rate_hz)]
