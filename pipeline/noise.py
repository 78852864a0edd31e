"""The noise of a stretch without programme: as it is, A-weighted, and by the 468 curve.

Conventions: r.m.s. in dBFS with a full-scale sine at -3.01 dBFS. All three readings take in 20 Hz to 20 kHz, so that a
capture at 96 kHz does not read noisier than the same tape at 48 kHz. The 468 reading is the r.m.s. through that curve
(0 dB at 1 kHz); the quasi-peak meter which the recommendation goes on to describe reads hiss some 5 dB higher (from
memory).

A reading says "not measured" where the capture's rate does not reach the band that matters for it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.records import NotMeasured, Reading
from pipeline.standards.noise_weighting import a_weighting_db, weighting_468_db

Array = np.ndarray[Any, Any]

LOWEST_HZ = 20.0
HIGHEST_HZ = 20_000.0
WINDOW_S = 0.17  # 6 Hz to a bin: fine enough for the steep low end of both curves
WEIGHTED_NEEDS_HZ = 15_000.0  # half the rate must reach so far: white noise cut here reads 0.3 dB low by the A curve


@dataclass(frozen=True)
class Noise:
    """The noise of one channel, 20 Hz to 20 kHz or as far as the capture's rate reaches."""

    rms_dbfs: Reading
    a_weighted_dbfs: Reading
    weighted_468_dbfs: Reading


@dataclass(frozen=True)
class NoiseSpectrum:
    """Mean power of each frequency bin: ``power`` (channels, bins) sums up to the mean square."""

    hz: Array
    power: Array


def measure_noise_spectrum(stretches: Iterable[Array], rate_hz: int) -> NoiseSpectrum | NotMeasured:
    """Averaged over stretches of float32 (frames, channels), each one without a break; shorter ones than a window
    (0.17 s) are passed over. Each stretch is held in memory, so give a long silence in pieces."""
    length = int(2 ** round(np.log2(rate_hz * WINDOW_S)))
    window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)).astype(np.float32)
    total: Array = np.zeros(0)
    count = 0
    for samples in stretches:
        if len(samples) < length:
            continue
        centred = samples - samples.mean(0, dtype=np.float64).astype(np.float32)
        views = np.lib.stride_tricks.sliding_window_view(centred, length, axis=0)[:: length // 2]
        for view in views:
            power = np.abs(np.fft.rfft(view * window, axis=-1)) ** 2
            total = total + power if count else power
            count += 1
    if not count:
        return NotMeasured(f"no stretch as long as {length / rate_hz:.2f} s")
    scale = 2.0 / (count * length * float(np.sum(window.astype(np.float64) ** 2)))
    return NoiseSpectrum(np.fft.rfftfreq(length, 1 / rate_hz), total * scale)


def measure_noise(stretches: Iterable[Array], rate_hz: int) -> tuple[Noise, ...] | NotMeasured:
    """One record a channel, averaged over the stretches (see `measure_noise_spectrum`)."""
    spectrum = measure_noise_spectrum(stretches, rate_hz)
    if isinstance(spectrum, NotMeasured):
        return spectrum
    flat = weighted_dbfs(spectrum, np.zeros(len(spectrum.hz)))
    if rate_hz / 2 >= WEIGHTED_NEEDS_HZ:
        a_weighted = weighted_dbfs(spectrum, a_weighting_db(spectrum.hz))
        weighted_468 = weighted_dbfs(spectrum, weighting_468_db(spectrum.hz))
    else:
        short: Reading = NotMeasured(f"needs a sample rate of {2 * WEIGHTED_NEEDS_HZ:.0f} Hz or more")
        a_weighted = weighted_468 = (short,) * len(flat)
    return tuple(Noise(*channel) for channel in zip(flat, a_weighted, weighted_468, strict=True))


def weighted_dbfs(spectrum: NoiseSpectrum, weighting_db: Array) -> tuple[Reading, ...]:
    """The level of each channel through a weighting given in dB at each of the spectrum's frequencies."""
    band = (spectrum.hz >= LOWEST_HZ) & (spectrum.hz <= HIGHEST_HZ)
    mean_square = spectrum.power[:, band] @ 10 ** (weighting_db[band] / 10)
    return tuple(10 * float(np.log10(p)) if p > 0 else NotMeasured("digital silence") for p in mean_square)
