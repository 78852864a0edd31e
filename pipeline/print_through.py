"""Print-through: a faint copy of a loud start, one turn of the reel before it.

Layers of tape lying on each other magnetise each other, so a loud start is heard faintly in the pause before it,
earlier by the time one turn takes. How long that is follows from the pack's radius, and changes slowly along a side.

Found by laying the first moments of a loud start, piece by piece, over the pause before it: the waveform itself must
come again, at one delay for all pieces, within the few milliseconds that wow moves them. Starts must agree on the
delay, or one must be very sure. Held notes are like themselves at many delays, so in music the delay of one start
is never beyond doubt; but the copy begins as suddenly as what printed it, and rooms and hums do not. Rooms echo
afterwards and not before; a disc that was copied on to the tape may have the same from its neighbouring groove, at the
time of its own turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.frames import Frames
from pipeline.print_lags import Copy, LoudStart, Read, copies_before, turn_range_s
from pipeline.records import NotMeasured, Reading

LEVEL_BANDS = slice(3, 6)  # octaves of 500 to 2000 Hz


@dataclass(frozen=True)
class PrintCriteria:
    """rise_db          a start is louder than the pause before it by this
    start_s          … in the mean over so long
    most_asked       the loudest starts of a side
    loudest_db       what is louder than this against the start is no print
    correlation      a copy correlates by this much with the start (0 … 1)
    share            so many of the starts that show one agree on its delay (0 … 1) …
    fewest           … and are at least so many; two do where one is sure, or both copies begin and one correlates well
    significance     a start is sure when its delay stands above all others by so many of their spreads
    begins           its copy begins where it is so many times more like the pause than before
    alone_correlation  so well; a single one that is sure must do so, too
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
    begins: float
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
class Copies:
    """Those the starts agree on, by time, none where they do not; asked at so many starts."""

    found: tuple[Copy, ...]
    asked: int


def find_copies(frames: Frames, read: Read, rate_hz: int, criteria: PrintCriteria) -> Copies:
    """The copies before the loud starts, where enough of them agree on the delay."""
    starts = find_loud_starts(frames, criteria)
    likely = [[copy for copy in copies_before(start, read, rate_hz) if _is_likely(copy, criteria)] for start in starts]
    return Copies(tuple(_agreeing([copies for copies in likely if copies], criteria)), len(starts))


def measure_print_through(copies: Copies) -> PrintThrough:
    """What the starts agree on."""
    found = copies.found
    if not copies.asked:
        return print_not_measured("no sudden loud start after a pause")
    if not found:
        return print_not_measured("nothing comes again before the loud starts", copies.asked)
    lag_s, level_db = float(np.median([c.lag_s for c in found])), float(np.median([c.level_db for c in found]))
    return PrintThrough(level_db, lag_s, min(c.start_s for c in found), len(found), copies.asked)


def print_not_measured(reason: str, asked: int = 0) -> PrintThrough:
    """None found at ``asked`` starts."""
    return PrintThrough(NotMeasured(reason), NotMeasured(reason), NotMeasured(reason), 0, asked)


def _agreeing(likely: Sequence[Sequence[Copy]], criteria: PrintCriteria) -> list[Copy]:
    """Of each start's likely copies those at one delay: of most that show anything, or one beyond doubt."""
    every = [copy for copies in likely for copy in copies]
    sure = [copy for copy in every if copy.significance >= criteria.significance]
    best: list[Copy] = []
    for one in every:
        agreed = [[other for other in copies if _agree(one, other, criteria)] for copies in likely]
        best = max(best, [max(copies, key=lambda copy: copy.correlation) for copies in agreed if copies], key=len)
    clear = max((copy.correlation for copy in best), default=0.0) >= criteria.alone_correlation
    begin = clear and all(copy.rise >= criteria.begins for copy in best)
    is_sure = len(best) >= criteria.fewest or (len(best) == 2 and (begin or any(copy in sure for copy in best)))
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
    pauses_db = np.quantile(before[candidates], 0.95, axis=1) if len(candidates) else 0.0
    rises = candidates[after_db[candidates] - pauses_db >= criteria.rise_db]
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


def _is_likely(copy: Copy, criteria: PrintCriteria) -> bool:
    return copy.correlation >= criteria.correlation and copy.level_db <= criteria.loudest_db


def _agree(one: Copy, other: Copy, criteria: PrintCriteria) -> bool:
    apart_s = criteria.apart_s + criteria.apart_share * abs(one.start_s - other.start_s)
    return abs(one.lag_s - other.lag_s) <= apart_s
