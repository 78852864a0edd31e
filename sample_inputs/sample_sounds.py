"""What was once recorded on the invented tapes: voices, a choir, a zither, a squeeze-box. All of it is made up.

Every function returns float64 samples that sound from the first to the last moment; A is 440 Hz.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import scipy.signal

Array = np.ndarray[Any, Any]

CONTROL_HZ = 200.0  # how often a voice changes its mind
FORMANTS_HZ = {
    "a": (730.0, 1090.0, 2440.0, 3400.0, 4400.0),
    "e": (530.0, 1840.0, 2480.0, 3500.0, 4500.0),
    "i": (300.0, 2250.0, 2950.0, 3600.0, 4500.0),
    "o": (500.0, 900.0, 2400.0, 3300.0, 4300.0),
    "u": (320.0, 800.0, 2300.0, 3300.0, 4300.0),
}
NASAL_HZ = (280.0, 1100.0, 2300.0, 3300.0, 4300.0)
WIDTHS_HZ = (80.0, 110.0, 170.0, 240.0, 300.0)
NOTES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def pitch_hz(name: str) -> float:
    """``"A4"`` is 440 Hz; ``"F#3"`` and ``"Bb2"`` work too.

    >>> pitch_hz("A3")
    220.0
    """
    step = NOTES[name[0]] + name.count("#") - name.count("b")
    return float(440.0 * 2 ** ((step - 9 + 12 * (int(name[-1]) - 4)) / 12))


def voice(pitch: Array, formants_hz: Array, loudness: Array, count: int, rate_hz: int, highest_hz: float) -> Array:
    """A sung or spoken voice: harmonics of a wandering pitch, coloured by wandering formants.

    pitch, loudness  (controls,), CONTROL_HZ apart; formants_hz  (controls, 5)
    """
    control_s = np.arange(len(pitch)) / CONTROL_HZ
    at_s = np.arange(count) / rate_hz
    turn = np.exp(2j * np.pi * np.cumsum(np.interp(at_s, control_s, pitch)) / rate_hz)
    turns, wave = np.ones(count, complex), np.zeros(count)
    for n in range(1, int(highest_hz / pitch.mean()) + 1):
        hz = n * pitch
        gain = loudness / n
        for formant, width_hz in zip(formants_hz.T, WIDTHS_HZ, strict=True):
            gain = gain / np.hypot(1 - (hz / formant) ** 2, hz * width_hz / formant**2)
        turns *= turn
        wave += np.interp(at_s, control_s, gain) * turns.imag
    return wave


def speech(seconds: float, rate_hz: int, rng: np.random.Generator, base_hz: float) -> Array:
    """Somebody telling a story in no language: phrases of syllables, pauses up to 1.4 s, the last word at the end."""
    tracks = _Syllables(seconds, base_hz, rng)
    count = round(seconds * rate_hz)
    voiced = voice(tracks.pitch, tracks.formants_hz, tracks.voicing, count, rate_hz, 6500.0)
    voiced /= np.abs(voiced).max()
    at_s, control_s = np.arange(count) / rate_hz, np.arange(len(tracks.pitch)) / CONTROL_HZ
    sound = voiced
    for centre_hz, hissing in ((2700.0, tracks.dull_hiss), (5200.0, tracks.bright_hiss)):
        band = scipy.signal.butter(2, (0.7 * centre_hz, 1.4 * centre_hz), "bandpass", fs=rate_hz, output="sos")
        sound = sound + 0.2 * scipy.signal.sosfilt(band, rng.standard_normal(count)) * np.interp(
            at_s, control_s, hissing
        )
    return _levelled(room(sound[:, None], rate_hz, rng, decay_s=0.25, share=0.15)[:, 0], rate_hz)


def _levelled(sound: Array, rate_hz: int) -> Array:
    """As a home recorder's automatic level leaves a voice: loud words come nearer to quiet ones, peaks are rounded."""
    window = np.hanning(round(0.4 * rate_hz))
    power = scipy.signal.fftconvolve(sound**2, window / window.sum(), "same")
    level = np.sqrt(np.maximum(power, 0.02 * power.max()))
    evened = sound / level**0.7
    return np.tanh(2.0 * evened / np.abs(evened).max())


class _Syllables:
    """Pitch, formants, voicing and the hiss of consonants at each control."""

    def __init__(self, seconds: float, base_hz: float, rng: np.random.Generator) -> None:
        count = int(seconds * CONTROL_HZ) + 2
        self.pitch = np.full(count, base_hz)
        self.formants_hz = np.tile(np.array(FORMANTS_HZ["e"]), (count, 1))
        self.voicing, self.dull_hiss, self.bright_hiss = np.zeros(count), np.zeros(count), np.zeros(count)
        at, pauses_s = 0, (0.35, 0.9, 0.5, 1.4, 0.4, 0.7)
        for phrase in range(100):
            syllables = int(rng.integers(6, 13))
            for number in range(syllables):
                tune = base_hz * (1.22 - 0.35 * number / syllables) * rng.uniform(0.93, 1.1)
                at += self._syllable(at, tune, rng, 1.5 if number == syllables - 1 else 1.0)
            at += round(pauses_s[phrase % len(pauses_s)] * CONTROL_HZ)
            if at > count - 2.6 * CONTROL_HZ:
                break
        while at < count - 4:  # the last words run up to the end
            at += self._syllable(at, base_hz * rng.uniform(0.85, 1.05), rng, 1.0)
        smooth = np.hanning(13) / np.hanning(13).sum()
        for track in (self.pitch, *self.formants_hz.T):
            track[:] = np.convolve(np.pad(track, 6, mode="edge"), smooth, "valid")

    def _syllable(self, at: int, tune: float, rng: np.random.Generator, drawn: float) -> int:
        consonant, vowel = rng.choice(["stop", "dull", "bright", "nasal", "none"]), rng.choice(list(FORMANTS_HZ))
        lead, body = round(rng.uniform(12, 20)), round(drawn * rng.uniform(22, 38))
        stop = min(at + lead + body, len(self.pitch))
        if stop - at < 12:
            return stop - at
        lead = min(lead, (stop - at) // 2)
        swell = np.sin(np.linspace(0.12, np.pi - 0.12, stop - at - lead)) ** 0.5
        self.voicing[at + lead : stop] = swell * rng.uniform(0.6, 1.0)
        self.pitch[at:stop] = tune * np.linspace(1.03, 0.95, stop - at)
        self.formants_hz[at:stop] = np.array(FORMANTS_HZ[str(vowel)]) * rng.uniform(0.95, 1.05)
        noise = np.sin(np.linspace(0, np.pi, lead + 4)) * rng.uniform(0.5, 1.0)
        if consonant == "nasal" or at == 0:
            self.voicing[at : at + lead] = 0.35
            self.formants_hz[at : at + lead] = NASAL_HZ
        elif consonant == "stop":
            self.bright_hiss[at + lead - 3 : at + lead + 1] = (0.3, 0.9, 0.5, 0.2)
        elif consonant in ("dull", "bright"):
            track = self.dull_hiss if consonant == "dull" else self.bright_hiss
            track[at : at + lead + 4] = noise[: len(track[at : at + lead + 4])]
        return stop - at


def choir(
    chords: Sequence[tuple[str, str]], seconds: float, rate_hz: int, rng: np.random.Generator, singers: int = 3
) -> Array:
    """(frames, 2). Each chord is notes from bass to soprano and a vowel, ``("G2 D3 B3 G4", "a")``; all last alike."""
    count, controls = round(seconds * rate_hz), int(seconds * CONTROL_HZ) + 2
    sound = np.zeros((count, 2))
    edges = np.linspace(0, controls, len(chords) + 1).astype(int)
    glide = np.hanning(15) / np.hanning(15).sum()
    for part in range(len(chords[0][0].split())):
        line, colour, swell = np.zeros(controls), np.zeros((controls, 5)), np.zeros(controls)
        for (notes, vowel), start, stop in zip(chords, edges[:-1], edges[1:], strict=True):
            line[start:stop] = pitch_hz(notes.split()[part])
            colour[start:stop] = np.array(FORMANTS_HZ[vowel]) * (1.0, 1.05, 1.1, 1.15)[part % 4]
            swell[start:stop] = 0.55 + 0.45 * np.sin(np.linspace(0, np.pi, stop - start)) ** 0.7
        smooth = [np.convolve(np.pad(track, 7, mode="edge"), glide, "valid") for track in (line, *colour.T, swell)]
        for _ in range(singers):
            vibrato = np.sin(2 * np.pi * rng.uniform(4.8, 6.0) * np.arange(controls) / CONTROL_HZ + rng.uniform(0, 6))
            cents = rng.uniform(-7, 7) + rng.uniform(8, 20) * vibrato
            sung = voice(smooth[0] * 2 ** (cents / 1200), np.stack(smooth[1:6], 1), smooth[6], count, rate_hz, 5200.0)
            place = np.clip(0.15 + 0.7 * part / 3 + rng.uniform(-0.12, 0.12), 0, 1)
            sound += sung[:, None] / np.std(sung) * np.array([np.cos(place * np.pi / 2), np.sin(place * np.pi / 2)])
    return room(sound, rate_hz, rng, decay_s=1.6, share=0.5)


def zither(notes: Sequence[str], beat_s: float, seconds: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """(frames, 2). A plucked note each beat, "C4+E4" two at once, "-" none; begins again when the tune is through."""
    count = round(seconds * rate_hz)
    sound = np.zeros((count, 2))
    for beat in range(int(seconds / beat_s) + 1):
        start = round(beat * beat_s * rate_hz)
        length = min(round(2.6 * rate_hz), count - start)
        if notes[beat % len(notes)] == "-" or length < 0.02 * rate_hz:
            continue
        for name in notes[beat % len(notes)].split("+"):
            place = 0.5 + 0.25 * np.sin(pitch_hz(name) / 60)
            pan = np.array([np.cos(place * np.pi / 2), np.sin(place * np.pi / 2)])
            sound[start : start + length] += _pluck(pitch_hz(name), length, rate_hz, rng)[:, None] * pan
    return room(sound, rate_hz, rng, decay_s=0.7, share=0.25)


def _pluck(hz: float, length: int, rate_hz: int, rng: np.random.Generator) -> Array:
    t = np.arange(length) / rate_hz
    wave = np.zeros(length)
    for n in range(1, min(18, int(9000 / hz)) + 1):
        partial_hz = n * hz * np.sqrt(1 + 2e-4 * n**2)
        strength = np.sin(np.pi * n * 0.21) / n
        wave += strength * np.exp(-t * (0.9 + 0.55 * n)) * np.sin(2 * np.pi * partial_hz * t)
    return (
        wave * np.minimum(1.0, t / 0.002) * rng.uniform(0.8, 1.0) * np.minimum(1.0, (length - np.arange(length)) / 480)
    )


def squeeze_box(
    bars: Sequence[tuple[str, str, str]], bar_s: float, seconds: float, rate_hz: int, rng: np.random.Generator
) -> Array:
    """(frames, 2). A waltz: each bar is a bass note, a chord struck twice, and a tune of one to three notes."""
    count = round(seconds * rate_hz)
    sound = np.zeros((count, 2))

    def play(name: str, start_s: float, long_s: float, strength: float, place: float) -> None:
        start = round(start_s * rate_hz)
        length = min(round(long_s * rate_hz), count - start)
        if length > 0.03 * rate_hz:
            pan = np.array([np.cos(place * np.pi / 2), np.sin(place * np.pi / 2)])
            sound[start : start + length] += strength * _reed(pitch_hz(name), length, rate_hz, rng)[:, None] * pan

    for number in range(int(seconds / bar_s) + 1):
        bass, chord, tune = bars[number % len(bars)]
        at_s, beat_s = number * bar_s, bar_s / 3
        play(bass, at_s, 0.9 * beat_s, 1.0, 0.25)
        for beat in (1, 2):
            for name in chord.split():
                play(name, at_s + beat * beat_s, 0.55 * beat_s, 0.35, 0.35)
        names = tune.split()
        for step, name in enumerate(names):
            play(name, at_s + step * bar_s / len(names), bar_s / len(names) + 0.02, 0.9, 0.68)
    return room(sound, rate_hz, rng, decay_s=0.5, share=0.2)


def _reed(hz: float, length: int, rate_hz: int, rng: np.random.Generator) -> Array:
    t = np.arange(length) / rate_hz
    wave = np.zeros(length)
    for cents in (-5.0, 6.0):  # two tongues that beat
        start = rng.uniform(0, 2 * np.pi)
        for n in range(1, int(min(6000 / hz, 16)) + 1):
            wave += np.sin(n * (2 * np.pi * hz * 2 ** (cents / 1200) * t + start)) / n**1.3
    edge = np.minimum(np.arange(length), np.arange(length)[::-1]) / (0.025 * rate_hz)
    return wave * np.minimum(1.0, edge)


def room(sound: Array, rate_hz: int, rng: np.random.Generator, decay_s: float, share: float) -> Array:
    """The same in a room that falls by 60 dB in decay_s; (frames, channels), cut off at its end like a stopped tape."""
    length = round(decay_s * rate_hz)
    fall = 10 ** (-3 * np.arange(length) / length)
    warm = scipy.signal.butter(1, 2500.0, fs=rate_hz, output="sos")
    wet = np.empty_like(sound)
    for channel in range(sound.shape[1]):
        echoes = scipy.signal.sosfilt(warm, rng.standard_normal(length)) * fall
        echoes /= np.sqrt(np.sum(echoes**2))
        wet[:, channel] = scipy.signal.fftconvolve(sound[:, channel], echoes)[: len(sound)]
    return sound + share * wet
