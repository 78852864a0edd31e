"""A start laid over the pause before it: at which delays its waveform comes again there, how loud and how surely.

See `pipeline.print_through`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.standards.cassette import FULL_PACK_RADIUS_MM, HUB_RADIUS_MM, NOMINAL_SPEED_MM_S

Array = np.ndarray[Any, Any]
Read = Callable[[int, int], Array]  # from frame to frame of the capture, float32 (frames, channels)

BAND_HZ = (300.0, 2000.0)  # print is strongest where a wave is some six tapes long, 400 to 700 Hz (computed)
SKIRT_HZ = 150.0
RATE_HZ = 6000.0  # about; enough for the band
PIECE_S = 0.1  # wow moves one less than it smears
MOST_PIECES = 12
HEAD_PIECES = 3
SMOOTH_S = 0.006  # half a turn of wow between two pieces
EDGE_S = 0.1  # likeness that is greatest so near to the last delay goes on rising beyond it
AWAY_S = 0.05  # beside a peak stand the programme's own waves
BEFORE_S = 0.35  # before a copy begins: its first pieces and a soft attack lie within
GUARD_S = 0.02  # before the start: its attack
SPEED_DOUBT = 0.06
FAINTEST = 1e-10  # of all power in the pause


@dataclass(frozen=True)
class LoudStart:
    """start_s after a pause of quiet_s, which is cut off at the longest turn."""

    start_s: float
    quiet_s: float


@dataclass(frozen=True)
class Copy:
    """Of the start at start_s, after a pause of quiet_s.

    correlation   of copy and start (0 … 1)
    significance  by so many of their spreads likeness at this delay stands above that at all others
    rise          the first moments are so many times more like the pause here than earlier in it: a room dying away,
                  a held note and a hum are there before, too. 0 where the pause is too short to tell
    """

    start_s: float
    quiet_s: float
    lag_s: float
    level_db: float
    correlation: float
    significance: float
    rise: float


@dataclass(frozen=True)
class _Laid:
    """(pieces, lags) each: the envelope of a piece's correlation with the pause, what it would be were both alike, and
    the piece's energy; 0 where its copy would not lie within the pause.
    """

    products: Array
    powers: Array
    energies: Array

    def likeness(self, pieces: int = MOST_PIECES) -> Array:
        """(lags,) 0 … 1, of the first pieces together."""
        alike: Array = self.products[:pieces].sum(axis=0) / np.maximum(self.powers[:pieces].sum(axis=0), 1e-30)
        return alike

    def gain(self, pieces: int = MOST_PIECES) -> Array:
        """(lags,) of a copy of the first pieces against them."""
        gains: Array = self.products[:pieces].sum(axis=0) / np.maximum(self.energies[:pieces].sum(axis=0), 1e-30)
        return gains


def turn_range_s() -> tuple[float, float]:
    """One turn of an empty hub and of a full pack, at any speed a deck may have."""
    slow, fast = NOMINAL_SPEED_MM_S * (1 - SPEED_DOUBT), NOMINAL_SPEED_MM_S * (1 + SPEED_DOUBT)
    return 2 * np.pi * min(HUB_RADIUS_MM) / fast, 2 * np.pi * FULL_PACK_RADIUS_MM / slow


def copies_before(loud: LoudStart, read: Read, rate_hz: int) -> list[Copy]:
    """At the delay at which the start is most like the pause before it, and where a copy of its first moments begins.

    They are one but for notes that are held or come again. None where no delay fits into the pause, or likeness goes on
    rising beyond all of them, as in a room that dies away.
    """
    shortest_s, longest_s = turn_range_s()
    before_s = longest_s + EDGE_S + PIECE_S
    first = round((loud.start_s - before_s) * rate_hz)
    samples = read(max(0, first), round((loud.start_s + (MOST_PIECES + 1) * PIECE_S) * rate_hz))
    channel = int(np.argmax(np.einsum("ij,ij->j", samples, samples)))
    lead = max(0, -first)  # the capture begins within the pause
    signal, hz = _thinned(np.pad(samples[:, channel], (lead, 0)), rate_hz)
    start = round((before_s - GUARD_S) * hz)
    quiet = min(round((loud.quiet_s - GUARD_S) * hz), start - round(lead / rate_hz * hz))
    lags = np.arange(round((shortest_s - EDGE_S) * hz), min(quiet, round((longest_s + EDGE_S) * hz)))
    edge = round(EDGE_S * hz)
    if len(lags) < 4 * edge:
        return []
    laid = _laid_before(signal[:start], signal[start:], lags, quiet, round(PIECE_S * hz))
    score = _smooth(laid.likeness(), round(SMOOTH_S * hz))
    peaks = {int(np.argmax(score)), _where_it_begins(laid, hz)}
    inside = sorted(peak for peak in peaks if edge <= peak < len(lags) - edge)
    return [_copy_at(peak, loud, laid, lags / hz, score) for peak in inside]


def _where_it_begins(laid: _Laid, hz: float) -> int:
    """Where most more of the first pieces is heard than in the third of a second before."""
    gain = _smooth(laid.gain(HEAD_PIECES), round(SMOOTH_S * hz))
    ahead, before = round(AWAY_S * hz), round(BEFORE_S * hz)
    sums = np.concatenate([[0.0], np.cumsum(gain)])
    at = np.arange(len(gain) - before)
    return int(np.argmax(gain[at] - (sums[at + before] - sums[at + ahead]) / (before - ahead)))


def _copy_at(peak: int, loud: LoudStart, laid: _Laid, lags_s: Array, score: Array) -> Copy:
    hz = 1 / (lags_s[1] - lags_s[0])
    away = np.abs(lags_s - lags_s[peak]) > AWAY_S
    middle = float(np.median(score[away]))
    spread = max(1.4826 * float(np.median(np.abs(score[away] - middle))), 1e-6)
    width = round(SMOOTH_S * hz)
    near = slice(peak - width, peak + width + 1)
    head = laid.likeness(HEAD_PIECES)
    earlier = head[near.stop + round(BEFORE_S * hz) :]
    enough = len(earlier) >= AWAY_S * hz
    return Copy(
        loud.start_s,
        loud.quiet_s,
        float(lags_s[peak]),
        20 * float(np.log10(max(float(laid.gain()[near].max()), 1e-10))),
        float(laid.likeness()[near].max()),
        float((score[peak] - score[away].max()) / spread),
        float(head[near].max() / max(float(np.mean(earlier)), 1e-6)) if enough else 0.0,
    )


def _smooth(values: Array, width: int) -> Array:
    return np.convolve(values, np.ones(width) / width, "same")


def _laid_before(pause: Array, after: Array, lags: Array, quiet: int, piece: int) -> _Laid:
    """Every piece of what follows at every lag, in so far as its copy lies in the last ``quiet`` of the pause."""
    import scipy.fft

    pieces = min(MOST_PIECES, len(after) // piece)
    products, powers, energies = np.zeros((3, pieces, len(lags)))
    length = scipy.fft.next_fast_len(len(pause) + piece, real=True)
    spectrum = scipy.fft.rfft(pause, length)
    sums = np.concatenate([[0.0], np.cumsum(pause**2, dtype=np.float64)])
    least = FAINTEST * float(sums[-1]) * piece / len(pause)  # less is rounding, of the sums and of what was cut out
    whole = np.zeros(length, np.complex128)
    for n in range(pieces):
        template = after[n * piece : (n + 1) * piece]
        energy = float(np.sum(template**2))
        at = len(pause) + n * piece - lags  # where the copy of this piece would begin
        fits = (at >= len(pause) - quiet) & (at + piece <= len(pause))
        whole[: len(spectrum)] = 2 * spectrum * np.conj(scipy.fft.rfft(template, length))
        like = np.abs(scipy.fft.ifft(whole))  # of the analytic signal: no matter how the phase was turned
        places = at[fits]
        products[n, fits] = like[places]
        powers[n, fits] = np.sqrt(np.maximum(sums[places + piece] - sums[places], least) * energy)
        energies[n, fits] = energy
    return _Laid(products, powers, energies)


def _thinned(samples: Array, rate_hz: int) -> tuple[Array, float]:
    """The band alone, at a rate that holds it: cut out softly, or a loud start would ring before it."""
    import scipy.fft

    length = scipy.fft.next_fast_len(len(samples), real=True)  # silence at the end costs nothing, a prime length much
    fade = np.sin(np.linspace(0, np.pi / 2, round(PIECE_S * rate_hz / 2))) ** 2
    faded = samples.astype(np.float64)
    faded[: len(fade)] *= fade[: len(samples)]
    faded[-len(fade) :] *= fade[::-1][-len(samples) :]
    spectrum = scipy.fft.rfft(faded, length)
    hz = np.arange(round((BAND_HZ[1] + SKIRT_HZ) * length / rate_hz)) * (rate_hz / length)
    rising = np.sin(np.interp(hz, (BAND_HZ[0] - SKIRT_HZ, BAND_HZ[0]), (0, np.pi / 2))) ** 2
    falling = np.sin(np.interp(hz, (BAND_HZ[1], BAND_HZ[1] + SKIRT_HZ), (np.pi / 2, 0))) ** 2
    count = scipy.fft.next_fast_len(round(length * min(1.0, RATE_HZ / rate_hz)), real=True)
    kept = np.zeros(count // 2 + 1, spectrum.dtype)
    kept[: len(hz)] = spectrum[: len(hz)] * rising * falling
    band: Array = scipy.fft.irfft(kept, count) * (count / length)
    return band, count / length * rate_hz
