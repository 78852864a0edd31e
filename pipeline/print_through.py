"""Print-through: a faint copy of a loud start, one turn of the reel before it.

Layers of tape lying on each other magnetise each other, so a loud start is heard faintly in the pause before it,
earlier by the time one turn takes. How long that is follows from the pack's radius, and changes slowly along a side.

Found by laying the first moments of a loud start, piece by piece, over the pause before it: the waveform itself must
come again, at one delay for all pieces, within the few milliseconds that wow moves them. Starts must agree on the
delay, or one must be very sure. Rooms echo afterwards and not before; a disc that was copied on to the tape may have
the same from its neighbouring groove, at the time of its own turn.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames import Frames
from pipeline.records import NotMeasured, Reading
from pipeline.standards.cassette import FULL_PACK_RADIUS_MM, HUB_RADIUS_MM, NOMINAL_SPEED_MM_S

Array = np.ndarray[Any, Any]
Read = Callable[[int, int], Array]  # from frame to frame of the capture, float32 (frames, channels)

BAND_HZ = (300.0, 2000.0)  # print is strongest where a wave is some six tapes long, 400 to 700 Hz (computed)
RATE_HZ = 6000.0  # about; enough for the band
PIECE_S = 0.1  # wow moves one less than it smears
MOST_PIECES = 12
SMOOTH_S = 0.006  # half a turn of wow between two pieces
EDGE_S = 0.1  # likeness that is greatest so near to the last delay goes on rising beyond it
AWAY_S = 0.05  # beside a peak stand the programme's own waves
GUARD_S = 0.02  # before the start: its attack
SPEED_DOUBT = 0.06
LEVEL_BANDS = slice(3, 6)  # octaves of 500 to 2000 Hz


@dataclass(frozen=True)
class PrintCriteria:
    """rise_db          a start is louder than the pause before it by this
    start_s          … in the mean over so long
    most_asked       the loudest starts of a side
    loudest_db       what is louder than this against the start is no print
    correlation      a copy correlates by this much with the start (0 … 1)
    share            so many of the starts that show one agree on its delay (0 … 1) …
    fewest           … and are at least so many; two do where one of them is sure
    significance     a start is sure when its delay stands above all others by so many of their spreads
    alone_correlation  a single one that is sure must correlate by this much
    apart_s, apart_share  two starts agree on the delay within this, and this share of the time between them
    """

    rise_db: float
    start_s: float
    most_asked: int
    loudest_db: float
    correlation: float
    share: float
    fewest: int
    significance: float
    alone_correlation: float
    apart_s: float
    apart_share: float


@dataclass(frozen=True)
class PrintThrough:
    """level_db  of the copy against the programme between 300 and 2000 Hz, the median of all starts; negative
    lag_s     how much earlier it comes, the median
    first_s   the first start that has one
    count     before so many starts it was found …
    asked     … of so many that were loud and sudden enough to look
    """

    level_db: Reading
    lag_s: Reading
    first_s: Reading
    count: int
    asked: int


@dataclass(frozen=True)
class LoudStart:
    """start_s after a pause of quiet_s, which is cut off at the longest turn."""

    start_s: float
    quiet_s: float


@dataclass(frozen=True)
class _Copy:
    """Of the start at start_s."""

    start_s: float
    lag_s: float
    level_db: float
    correlation: float
    significance: float


def turn_range_s() -> tuple[float, float]:
    """One turn of an empty hub and of a full pack, at any speed a deck may have."""
    slow, fast = NOMINAL_SPEED_MM_S * (1 - SPEED_DOUBT), NOMINAL_SPEED_MM_S * (1 + SPEED_DOUBT)
    return 2 * np.pi * min(HUB_RADIUS_MM) / fast, 2 * np.pi * FULL_PACK_RADIUS_MM / slow


def measure_print_through(frames: Frames, read: Read, rate_hz: int, criteria: PrintCriteria) -> PrintThrough:
    """What the starts agree on."""
    starts = find_loud_starts(frames, criteria)
    if not starts:
        return print_not_measured("no sudden loud start after a pause")
    copies = [copy for start in starts if (copy := _copy_before(start, read, rate_hz)) is not None]
    likely = [c for c in copies if c.correlation >= criteria.correlation and c.level_db <= criteria.loudest_db]
    best = _agreeing(likely, criteria)
    if not best:
        return print_not_measured("nothing comes again before the loud starts", len(starts))
    lag_s, level_db = (float(np.median(values)) for values in zip(*((c.lag_s, c.level_db) for c in best), strict=True))
    return PrintThrough(level_db, lag_s, min(c.start_s for c in best), len(best), len(starts))


def print_not_measured(reason: str, asked: int = 0) -> PrintThrough:
    """None found at ``asked`` starts."""
    return PrintThrough(NotMeasured(reason), NotMeasured(reason), NotMeasured(reason), 0, asked)


def _agreeing(likely: Sequence[_Copy], criteria: PrintCriteria) -> list[_Copy]:
    """The starts before which there is a copy at one delay: most of those that show anything, or one beyond doubt."""
    sure = [copy for copy in likely if copy.significance >= criteria.significance]
    best: list[_Copy] = []
    for one in likely:
        best = max(best, [other for other in likely if _agree(one, other, criteria)], key=len)
    is_sure = len(best) >= criteria.fewest or (len(best) == 2 and any(copy in sure for copy in best))
    if is_sure and len(best) >= criteria.share * len(likely):
        return best
    return [copy for copy in sure if copy.correlation >= criteria.alone_correlation][:1]


def find_loud_starts(frames: Frames, criteria: PrintCriteria) -> list[LoudStart]:
    """Where the level jumps up from a pause as long as the shortest turn, by time; the loudest only."""
    level_db = frames.band_db[:, :, LEVEL_BANDS].max(axis=2).max(axis=1)
    quiet = max(1, round(turn_range_s()[0] / frames.hop_s))
    loud = max(1, round(criteria.start_s / frames.hop_s))
    if len(level_db) < quiet + loud + 2:
        return []
    before = np.lib.stride_tricks.sliding_window_view(level_db, quiet)[: -loud - 1]
    sums = np.concatenate([[0.0], np.cumsum(10 ** (level_db / 10))])
    after_db = 10 * np.log10(np.maximum((sums[loud:] - sums[:-loud]) / loud, 1e-20))[quiet + 1 :]
    count = min(len(before), len(after_db))
    candidates = np.flatnonzero(level_db[quiet + 1 :][:count] - before[:count, -1] > criteria.rise_db / 2)
    rises = [at for at in candidates if after_db[at] - np.quantile(before[at], 0.95) >= criteria.rise_db]
    first_frames: list[int] = []
    for rise in rises:  # of neighbouring frames the first
        if not first_frames or rise - first_frames[-1] > quiet:
            first_frames.append(int(rise))
    loudest = sorted(first_frames, key=lambda frame: -float(after_db[frame]))[: criteria.most_asked]
    longest = round(turn_range_s()[1] / frames.hop_s)
    found = []
    for frame in sorted(loudest):
        pause = level_db[max(0, frame + quiet - longest) : frame + quiet]
        loud_at = np.flatnonzero(pause > after_db[frame] - criteria.rise_db)
        still = len(pause) - (int(loud_at[-1]) + 1 if len(loud_at) else 0)
        found.append(LoudStart(float(frames.times_s[frame + quiet + 1]), still * frames.hop_s))
    return found


def _agree(one: _Copy, other: _Copy, criteria: PrintCriteria) -> bool:
    apart_s = criteria.apart_s + criteria.apart_share * abs(one.start_s - other.start_s)
    return abs(one.lag_s - other.lag_s) <= apart_s


def _copy_before(loud: LoudStart, read: Read, rate_hz: int) -> _Copy | None:
    """The delay at which the start is most like the pause before it.

    None where no delay fits into the pause, or likeness goes on rising beyond all of them, as in a room that dies away.
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
    if len(lags) < 4 * round(max(EDGE_S, AWAY_S) * hz):
        return None
    products, powers, energies = _laid_before(signal[:start], signal[start:], lags, quiet, round(PIECE_S * hz))
    width = max(1, round(SMOOTH_S * hz))
    likeness = products / np.maximum(powers, 1e-30)
    score = np.convolve(likeness, np.ones(width) / width, "same")
    peak, edge = int(np.argmax(score)), round(EDGE_S * hz)
    if not edge <= peak < len(score) - edge:
        return None
    away = np.abs(lags - lags[peak]) > AWAY_S * hz
    middle = float(np.median(score[away]))
    spread = max(1.4826 * float(np.median(np.abs(score[away] - middle))), 1e-6)
    near = slice(peak - width, peak + width + 1)
    gain = float(np.max(products[near] / np.maximum(energies[near], 1e-30)))
    return _Copy(
        loud.start_s,
        float(lags[peak]) / hz,
        20 * float(np.log10(max(gain, 1e-10))),
        float(likeness[near].max()),
        float((score[peak] - score[away].max()) / spread),
    )


def _laid_before(pause: Array, after: Array, lags: Array, quiet: int, piece: int) -> tuple[Array, Array, Array]:
    """At every lag, over all pieces whose copy lies in the last ``quiet`` of the pause, (lags,) each.

    The envelope of their correlation with the pause, what it would be were both alike, and the pieces' energy.
    """
    import scipy.fft

    products, powers, energies = np.zeros((3, len(lags)))
    length = scipy.fft.next_fast_len(len(pause) + piece, real=True)
    spectrum = scipy.fft.rfft(pause, length)
    sums = np.concatenate([[0.0], np.cumsum(pause**2)])
    whole = np.zeros(length, np.complex128)
    for n in range(min(MOST_PIECES, len(after) // piece)):
        template = after[n * piece : (n + 1) * piece]
        energy = float(np.sum(template**2))
        at = len(pause) + n * piece - lags  # where the copy of this piece would begin
        fits = (at >= len(pause) - quiet) & (at + piece <= len(pause))
        whole[: len(spectrum)] = 2 * spectrum * np.conj(scipy.fft.rfft(template, length))
        like = np.abs(scipy.fft.ifft(whole))  # of the analytic signal: no matter how the phase was turned
        places = at[fits]
        products[fits] += like[places]
        powers[fits] += np.sqrt(np.maximum(sums[places + piece] - sums[places], 0.0) * energy)
        energies[fits] += energy
    return products, powers, energies


def _thinned(samples: Array, rate_hz: int) -> tuple[Array, float]:
    """The band alone, at a rate that holds it: cut out of the spectrum."""
    import scipy.fft

    length = scipy.fft.next_fast_len(len(samples), real=True)  # silence at the end costs nothing, a prime length much
    spectrum = scipy.fft.rfft(samples, length)
    low, high = (round(edge_hz * length / rate_hz) for edge_hz in BAND_HZ)
    count = scipy.fft.next_fast_len(round(length * min(1.0, RATE_HZ / rate_hz)), real=True)
    kept = np.zeros(count // 2 + 1, spectrum.dtype)
    kept[low : high + 1] = spectrum[low : high + 1]
    band: Array = scipy.fft.irfft(kept, count) * (count / length)
    return band, count / length * rate_hz
