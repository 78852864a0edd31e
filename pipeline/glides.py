"""How fast all that sounds moves up or down in pitch, from frame to frame.

When tape slows, every partial of everything on it falls by one ratio: on a scale of octaves the whole spectrum is
shifted. So each spectrum is laid against those two, four and eight frames away at every shift that a steady glide
would give them; the glide that makes all three pairs most alike is kept, with how much more alike than unshifted.
Steady partials, hiss and drums give none; a change of chord gives a step, which is no steady glide; one voice that
glides gives one as well, and has to be told apart by who sounds (`pipeline.voices`).

Conventions: frames of 85 ms, which tell the notes of a chord apart, and of 43 ms, in which quick glides smear less;
half overlapped, of both channels at some 12 kHz; octaves are relative to the frame before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

FRAMES_S = (0.0853, 0.0427)
LOWEST_HZ, HIGHEST_HZ = 250.0, 4000.0
PER_OCTAVE = 48
AROUND = 12  # steps of 1/48 octave to either side: what is broader than that is no partial
ROOT_HALVINGS = 3  # spectra are compared as the eighth root of power: loud partials do not decide alone
LAGS = ((2, 12), (4, 24), (8, 12))  # frames from one of a pair to the other, steps of shift looked at
HALF = 5  # frames on either side of a glide that are looked at: half the longest lag, and one to smooth
AT_ONCE = 128  # frames
TINY = 1e-9


@dataclass(frozen=True)
class Glides:
    """One value a frame, float32; frame ``i`` is centred on ``first_s + i * hop_s``.

    octaves  change of pitch from one frame to the next, of the steady glide that fits best
    gain     how much more alike spectra are when shifted by it than as they are; 0 where there is no glide (0 … 2)
    match    how alike they are then (… 1)
    """

    first_s: float
    hop_s: float
    octaves: Array
    gain: Array
    match: Array


class GlideMeter:
    """Feed blocks of float32 (frames, channels) in order; `glides` closes. 1.5 MB an hour."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._means, self._halves = 1, False
        low_hz = float(rate_hz)
        while low_hz >= 40_000:
            low_hz, self._means = low_hz / 2, self._means * 2
        if low_hz >= 20_000:
            low_hz, self._halves = low_hz / 2, True
        self._scales = tuple(_Scale(low_hz, frame_s) for frame_s in FRAMES_S)
        self._undecimated = np.zeros((min(channels, 2), 0), np.float32)
        self._halved = np.zeros((min(channels, 2), 2), np.float32)

    def feed(self, block: Array) -> None:
        samples = _as_complex(self._decimated(block.T[:2]))
        for scale in self._scales:
            scale.feed(samples)

    def glides(self) -> tuple[Glides, ...]:
        """Every whole frame so far: in long frames, and in short ones."""
        return tuple(scale.glides() for scale in self._scales)

    def _decimated(self, samples: Array) -> Array:
        """Means of so many, then every other one through a short low-pass; treble folds, but 20 dB down and more."""
        both = np.concatenate([self._undecimated, samples], axis=1) if self._undecimated.shape[1] else samples
        whole = both.shape[1] - both.shape[1] % (self._means * (2 if self._halves else 1))
        self._undecimated = both[:, whole:].copy()
        mean = both[:, :whole]
        if self._means > 1:
            mean = mean[:, :: self._means] + mean[:, 1 :: self._means]
        for offset in range(2, self._means):
            mean += both[:, offset : whole : self._means]
        if not self._halves:
            return mean
        all_of_it = np.concatenate([self._halved, mean], axis=1)
        self._halved = all_of_it[:, -2:].copy()
        middle = all_of_it[:, 1:-1:2] + all_of_it[:, 2::2]
        middle *= np.float32(3)
        middle += all_of_it[:, :-2:2]
        middle += all_of_it[:, 3::2]
        return middle


class _Scale:
    """The same in frames of one length, of what is decimated already."""

    def __init__(self, rate_hz: float, frame_s: float) -> None:
        length = int(2 ** round(np.log2(rate_hz * frame_s)))
        self._length, self._hop = length, length // 2
        self._hop_s = self._hop / rate_hz
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)).astype(np.float32)
        self._low, self._steps = _steps(rate_hz, length)
        self._pairs = _pairs()
        self._waiting = np.zeros(0, np.complex64)
        self._held = np.zeros((2 * HALF, self._steps.shape[0]), np.float32)
        self._rows: list[Array] = []

    def feed(self, samples: Array) -> None:
        self._waiting = np.concatenate([self._waiting, samples])
        while len(self._waiting) >= AT_ONCE * self._hop + self._length:
            self._hear(AT_ONCE)

    def glides(self) -> Glides:
        left = (len(self._waiting) - self._length) // self._hop + 1
        if left > 0:
            self._hear(left)
        self._rows.append(self._compared(np.zeros((HALF, self._held.shape[1]), np.float32)))
        octaves, gain, match = np.concatenate(self._rows, axis=1)[:, HALF:].astype(np.float32)
        return Glides(self._hop_s, self._hop_s, octaves, gain, match)

    def _hear(self, count: int) -> None:
        """The next ``count`` frames."""
        import scipy.fft

        views = np.lib.stride_tricks.sliding_window_view(self._waiting, self._length)[:: self._hop][:count]
        spectrum = scipy.fft.fft(views * self._window, axis=1)
        high = self._low + self._steps.shape[1]
        left, right = spectrum[:, self._low : high], spectrum[:, -self._low : -high : -1]  # the sum of both channels'
        power = left.real**2 + left.imag**2 + right.real**2 + right.imag**2
        self._waiting = self._waiting[count * self._hop :].copy()
        self._rows.append(self._compared(_partials(np.ascontiguousarray((self._steps @ power.T).T))))

    def _compared(self, spectra: Array) -> Array:
        """(3, frames): octaves, gain and match of the frames ``HALF`` before each of these."""
        known = np.concatenate([self._held, spectra])
        self._held = known[-2 * HALF :].copy()
        return _glides(known, self._pairs).astype(np.float16)


def _as_complex(samples: Array) -> Array:
    """(channels, frames), two channels as real and imaginary part: one transform for both."""
    both = np.zeros(samples.shape[1], np.complex64)
    both.real = samples[0]
    if len(samples) > 1:
        both.imag = samples[1]
    return both


def _steps(rate_hz: float, length: int) -> tuple[int, Any]:
    """The lowest bin, and sparse (steps, bins): power in steps of 1/48 octave out of bins, by triangles."""
    from scipy import sparse

    octaves = np.log2(min(HIGHEST_HZ, 0.45 * rate_hz) / LOWEST_HZ)
    centre_hz = LOWEST_HZ * 2 ** (np.arange(int(octaves * PER_OCTAVE)) / PER_OCTAVE)
    bin_hz = rate_hz / length
    width_hz = np.maximum(bin_hz, centre_hz * (2 ** (1 / PER_OCTAVE) - 1))
    triangles = np.maximum(0.0, 1 - np.abs(np.arange(length // 2)[:, None] * bin_hz - centre_hz) / width_hz)
    triangles /= triangles.sum(axis=0)
    used = np.flatnonzero(triangles.any(axis=1))
    return int(used[0]), sparse.csr_array(triangles[used[0] : used[-1] + 1].T.astype(np.float32))


def _partials(power: Array) -> Array:
    """What stands out of its surroundings, every frame's squares adding up to 1."""
    roots = power
    roots += np.float32(1e-20)
    for _ in range(ROOT_HALVINGS):
        np.sqrt(roots, out=roots)
    total = np.cumsum(np.pad(roots, ((0, 0), (AROUND + 1, AROUND)), "edge"), axis=1)
    width = 2 * AROUND + 1
    apart = total[:, width:] - total[:, :-width]
    apart *= np.float32(-1 / width)
    apart += roots
    apart /= np.sqrt(np.einsum("ij,ij->i", apart, apart))[:, None] + np.float32(TINY)
    return apart


def _glides(known: Array, pairs: tuple[Array, Any, Any]) -> Array:
    """(3, frames - 2 * HALF) of the frames in the middle of ``known``."""
    import scipy.fft

    speeds, shifted, as_they_are = pairs
    count, steps = known.shape
    size = scipy.fft.next_fast_len(steps + max(reach for _, reach in LAGS), real=True)
    spectra = scipy.fft.rfft(known, size, axis=1)  # the likeness at all shifts is a product of these
    columns = []
    for lag, reach in LAGS:
        before, after = (spectra[HALF - 1 + at : count - HALF + 1 + at] for at in (-(lag // 2), lag // 2))
        likeness = scipy.fft.irfft(before.conj() * after, size, axis=1)
        columns += [likeness[:, -reach:], likeness[:, : reach + 1]]
    alike = np.ascontiguousarray(np.concatenate(columns, axis=1).T)
    alike = (alike[:, :-2] + alike[:, 1:-1] + alike[:, 2:]) / np.float32(3)
    match = shifted @ alike
    gain = match - as_they_are @ alike
    best = np.argmax(gain, axis=0)
    frames = np.arange(len(best))
    return np.stack([speeds[best], gain[best, frames], match[best, frames]])


def _pairs() -> tuple[Array, Any, Any]:
    """Speeds of glides in octaves a frame; sparse weights of the pairs' likeness at each of them, and unshifted."""
    from scipy import sparse

    upwards = np.concatenate([np.arange(0, 12, 0.5), np.arange(12, 24), np.arange(24, 49, 2)])
    per_eight = np.concatenate([-upwards[:0:-1], upwards])  # steps in eight frames
    columns = sum(2 * reach + 1 for _, reach in LAGS)
    shifted, as_they_are = np.zeros((2, columns, len(per_eight)), np.float32)
    first = 0
    for lag, reach in LAGS:
        shift = per_eight * lag / 8
        heard = np.flatnonzero(np.abs(shift) <= reach)
        whole = np.minimum(np.floor(shift[heard]).astype(int), reach - 1)
        part = shift[heard] - whole
        shifted[first + reach + whole, heard] += 1 - part
        shifted[first + reach + whole + 1, heard] += part
        as_they_are[first + reach, heard] = 1
        first += 2 * reach + 1
    lags = as_they_are.sum(axis=0)
    speeds = (per_eight / 8 / PER_OCTAVE).astype(np.float32)
    return speeds, sparse.csr_array((shifted / lags).T), sparse.csr_array((as_they_are / lags).T)
