"""A tone taken down to zero frequency: its speed, level and hiss, sample by sample.

Definition: the capture is multiplied by a turning phasor at the carrier, low-passed and decimated, in one complex
filter. How fast the phase of what is left turns, against the mean carrier, is the relative speed deviation:
``deviation_percent = 100 * (f(t) / carrier_hz - 1)``.

Conventions: the filter is flat to ``bandwidth_hz`` plus what the carrier itself may deviate, so a rate of modulation
up to ``bandwidth_hz`` is shown at its true depth (within 1 %); how far that reaches is limited by the carrier, since
a low tone's other image, its harmonics and hum stand close. Half a filter is lost at either end. Where the tone drops
out, the deviation is drawn straight across: phase that is noise never counts cycles.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.baseband import (
    SHORTEST,
    bridged,
    find_present,
    measure_tone_to_noise_db,
    slope_rad,
    smooth_mean,
    turning_hz,
)
from pipeline.errors import CaptureError
from pipeline.records import NotMeasured, Reading

Array = np.ndarray[Any, Any]

SILENT = 1e-10  # amplitude below which there is nothing at all


@dataclass(frozen=True)
class DemodulationCriteria:
    """How a tone is demodulated (table ``[demodulation]`` of ``config/method.toml``).

    bandwidth_hz          highest rate of speed modulation to show, Hz
    carrier_share         … but at most this share of the carrier
    deviation_percent     room beside it for the carrier's own deviation and a carrier not known well, percent of it
    transition            the stopband begins at this multiple of the passband edge
    rate_share            baseband samples a second for each Hz of the passband edge
    stopband_db           how far the stopband lies below the passband, dB
    dropout_db            a tone this far below its own level around is a dropout, dB
    dropout_margin_s      what is left out beside a dropout, seconds
    level_window_s        "its own level around" is the median over this many seconds
    coherence             two channels are added only when they agree at least this well, 0 … 1
    """

    bandwidth_hz: float
    carrier_share: float
    deviation_percent: float
    transition: float
    rate_share: float
    stopband_db: float
    dropout_db: float
    dropout_margin_s: float
    level_window_s: float
    coherence: float


@dataclass(frozen=True)
class Demodulated:
    """One tone at baseband. All arrays are (samples,), sample ``i`` at ``start_s + i / rate_hz`` of the capture.

    rate_hz            baseband samples a second (a float: the capture's rate over a whole number)
    carrier_hz         mean frequency over the stretch, smoothly weighted; what the deviation is about
    deviation_percent  float32, instantaneous relative frequency deviation; straight lines across dropouts
    phase_rad          float64, the unwrapped phase against ``carrier_hz``, the running sum of the deviation
    level_dbfs         float32, r.m.s. level of the tone (a full-scale sine at -3.01)
    present            bool, False in dropouts and beside them
    tone_to_noise_db   tone power over the hiss inside ±``noise_width_hz`` about the carrier
    noise_width_hz     half-width of the band that hiss is counted in
    bandwidth_hz       highest rate of modulation shown at its true depth
    edge_s             what was lost at either end of the stretch, seconds
    channels           which channels carried the tone and were used
    """

    start_s: float
    rate_hz: float
    carrier_hz: float
    deviation_percent: Array
    phase_rad: Array
    level_dbfs: Array
    present: Array
    tone_to_noise_db: Reading
    noise_width_hz: float
    bandwidth_hz: float
    edge_s: float
    channels: tuple[int, ...]

    @property
    def seconds(self) -> float:
        return len(self.deviation_percent) / self.rate_hz

    def hiss_rms_percent(self, low_hz: float, high_hz: float) -> Reading:
        """What the hiss alone reads as r.m.s. deviation, for rates of modulation from low_hz to high_hz.

        Hiss of tone-to-noise ratio R inside ±W gives phase noise of density 1 / (2 R W) rad²/Hz, and the frequency
        is the phase's slope: the square of the reading is (high³ - low³) / (6 R W), in Hz².
        """
        if isinstance(self.tone_to_noise_db, NotMeasured):
            return self.tone_to_noise_db
        ratio = 10 ** (self.tone_to_noise_db / 10)
        rms_hz = np.sqrt((high_hz**3 - low_hz**3) / (6 * ratio * self.noise_width_hz))
        return float(100 * rms_hz / self.carrier_hz)


@dataclass(frozen=True)
class Passband:
    """What the demodulator lets through about one carrier.

    flat_hz  to either side; stop_hz: nothing comes through from here on
    taps     length of the filter at the capture's rate, an odd multiple of ``step``
    step     frames of audio in one baseband sample
    """

    bandwidth_hz: float
    flat_hz: float
    stop_hz: float
    taps: int
    step: int


def passband(rate_hz: int, carrier_hz: float, criteria: DemodulationCriteria) -> Passband:
    """Raises CaptureError when the carrier cannot stand in a capture of this rate."""
    bandwidth_hz = min(criteria.bandwidth_hz, criteria.carrier_share * carrier_hz)
    flat_hz = bandwidth_hz + criteria.deviation_percent / 100 * carrier_hz
    stop_hz = criteria.transition * flat_hz
    if not 0 < carrier_hz + flat_hz < rate_hz / 2:
        raise CaptureError(f"a tone of {carrier_hz:.1f} Hz cannot be demodulated at {rate_hz} Hz")
    step = max(1, int(rate_hz / (criteria.rate_share * flat_hz)))
    slope_rad = 2 * np.pi * (stop_hz - flat_hz) / rate_hz
    taps = (criteria.stopband_db - 8) / (2.285 * slope_rad)  # Kaiser's rule for the length
    return Passband(bandwidth_hz, flat_hz, stop_hz, int(np.ceil(taps / step)) * step, step)


class Demodulator:
    """Feed blocks of float32 (frames, channels) in order; `demodulated` closes. Memory: the baseband alone."""

    def __init__(self, rate_hz: int, carrier_hz: float, start_s: float, criteria: DemodulationCriteria) -> None:
        self._rate_hz, self._carrier_hz, self._start_s, self._criteria = rate_hz, carrier_hz, start_s, criteria
        self._band = passband(rate_hz, carrier_hz, criteria)
        self._held: Array | None = None
        self._baseband: list[Array] = []
        self._count = 0
        taps, step = self._band.taps, self._band.step
        at = np.arange(taps) - (taps - 1) / 2
        cut = (self._band.flat_hz + self._band.stop_hz) / rate_hz
        shape = np.sinc(cut * at) * np.kaiser(taps, 0.1102 * (criteria.stopband_db - 8.7))
        taps_at_carrier = shape / shape.sum() * np.exp(-2j * np.pi * carrier_hz / rate_hz * at)
        sections = taps_at_carrier.reshape(-1, step).T  # one column for each ``step`` frames of the filter
        self._sections = np.concatenate([sections.real, sections.imag], axis=1).astype(np.float32)

    def feed(self, block: Array) -> None:
        """The filter as one matrix product: rows of ``step`` frames times its sections, added up with their shifts."""
        held = block if self._held is None else np.concatenate([self._held, block])
        step, sections = self._band.step, self._sections.shape[1] // 2
        rows = len(held) // step
        count = rows - sections + 1
        if count > 0:
            parts = [self._filtered(held[: rows * step, c].reshape(rows, step), count) for c in range(held.shape[1])]
            turns = (self._count + np.arange(count)) * (self._carrier_hz * step / self._rate_hz)
            phasor = np.exp(-2j * np.pi * (turns % 1.0)).astype(np.complex64)
            self._baseband.append(np.stack(parts) * phasor)
            self._count += count
            held = held[count * step :]
        self._held = held.copy()

    def _filtered(self, rows: Array, count: int) -> Array:
        sections = self._sections.shape[1] // 2
        product = np.ascontiguousarray(rows) @ self._sections
        real, imag = np.zeros(count, np.float32), np.zeros(count, np.float32)
        for k in range(sections):
            real += product[k : k + count, k]
            imag += product[k : k + count, sections + k]
        return real + 1j * imag

    def demodulated(self) -> Demodulated:
        """Raises CaptureError when the stretch was shorter than the filter, or silent."""
        edge_s = (self._band.taps - 1) / 2 / self._rate_hz
        if self._count < SHORTEST:
            needed_s = 2 * edge_s + SHORTEST * self._band.step / self._rate_hz
            raise CaptureError(f"a tone at {self._start_s:.2f} s is too short: {needed_s:.2f} s are needed at least")
        start_s, rate_hz, carrier_hz = self._start_s + edge_s, self._rate_hz, self._carrier_hz
        return _record(self._baseband, start_s, edge_s, rate_hz, carrier_hz, self._band, self._criteria)


def demodulate(
    blocks: Iterable[Array], rate_hz: int, carrier_hz: float, start_s: float, criteria: DemodulationCriteria
) -> Demodulated:
    """The tone near carrier_hz in these float32 (frames, channels) blocks, whose first frame stands at start_s.

    Raises CaptureError when there is too little of it, or nothing but digital silence.
    """
    demodulator = Demodulator(rate_hz, carrier_hz, start_s, criteria)
    for block in blocks:
        demodulator.feed(block)
    return demodulator.demodulated()


def _record(
    baseband: list[Array],
    start_s: float,
    edge_s: float,
    rate_hz: int,
    carrier_hz: float,
    band: Passband,
    criteria: DemodulationCriteria,
) -> Demodulated:
    base_rate_hz = rate_hz / band.step
    tone, channels = _combined(baseband, base_rate_hz, band, criteria)
    level = np.abs(tone)
    if not np.any(level > SILENT):
        raise CaptureError(f"there is no tone of {carrier_hz:.1f} Hz at {start_s:.2f} s: the stretch is silent")
    present = _present(level, base_rate_hz, criteria)
    offset_hz = bridged(turning_hz(tone, base_rate_hz), present[1:] & present[:-1], base_rate_hz)
    del tone
    mean_hz = smooth_mean(offset_hz)
    offset_hz -= mean_hz
    phase_rad = np.zeros(len(level))
    np.cumsum(offset_hz, out=phase_rad[1:])
    del offset_hz
    phase_rad *= 2 * np.pi / base_rate_hz
    slope = slope_rad(phase_rad)
    slope *= base_rate_hz / (2 * np.pi) * 100 / (carrier_hz + mean_hz)
    return Demodulated(
        start_s=start_s,
        rate_hz=base_rate_hz,
        carrier_hz=carrier_hz + mean_hz,
        deviation_percent=slope,
        phase_rad=phase_rad,
        level_dbfs=20 * np.log10(np.maximum(level * np.float32(np.sqrt(2)), np.float32(SILENT))),
        present=present,
        tone_to_noise_db=measure_tone_to_noise_db(level, present, base_rate_hz, band.flat_hz),
        noise_width_hz=band.flat_hz,
        bandwidth_hz=band.bandwidth_hz,
        edge_s=edge_s,
        channels=channels,
    )


def _combined(
    pieces: list[Array], rate_hz: float, band: Passband, criteria: DemodulationCriteria
) -> tuple[Array, tuple[int, ...]]:
    """One tone from one or two channels: added in phase, the cleaner one weighing more; or the better one alone.

    Takes the pieces out of their list, so that they are not held twice.
    The level is that of the louder channel, so that a polarity inverted or a dead channel changes nothing.
    """
    if pieces[0].shape[0] == 1:
        return _taken(pieces, np.ones(1, np.complex64)), (0,)
    power = sum((np.abs(piece).astype(np.float64) ** 2).sum(1) for piece in pieces)
    cross = complex(sum(np.vdot(piece[0], piece[1]) for piece in pieces))
    ratios = [_channel_ratio(pieces, c, rate_hz, band, criteria) for c in (0, 1)]
    better = int(np.argmax(ratios))
    if abs(cross) < criteria.coherence * np.sqrt(power[0] * power[1]) or min(power) == 0:
        return _taken(pieces, np.eye(2, dtype=np.complex64)[better]), (better,)
    turn = np.array([1.0, np.conj(cross) / abs(cross)])
    gain = np.sqrt(power / power.max())
    weights = np.array(ratios) / gain  # signal over noise power, for the signal brought to the louder one's level
    weights = (weights / np.sum(weights * gain) * turn).astype(np.complex64)
    return _taken(pieces, weights), (0, 1)


def _taken(pieces: list[Array], weights: Array) -> Array:
    tone = np.empty(sum(piece.shape[1] for piece in pieces), np.complex64)
    stop = len(tone)
    while pieces:
        piece = pieces.pop()
        tone[stop - piece.shape[1] : stop] = weights @ piece
        stop -= piece.shape[1]
    return tone


def _channel_ratio(
    pieces: list[Array], channel: int, rate_hz: float, band: Passband, criteria: DemodulationCriteria
) -> float:
    level = np.abs(np.concatenate([piece[channel] for piece in pieces]))
    if not np.any(level > SILENT):
        return 0.0
    noise_db = measure_tone_to_noise_db(level, _present(level, rate_hz, criteria), rate_hz, band.flat_hz)
    return 1.0 if isinstance(noise_db, NotMeasured) else float(10 ** (noise_db / 10))


def _present(level: Array, rate_hz: float, criteria: DemodulationCriteria) -> Array:
    return find_present(level, rate_hz, criteria.dropout_db, criteria.dropout_margin_s, criteria.level_window_s)
