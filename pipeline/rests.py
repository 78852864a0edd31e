"""The quiet levels of a side: where every band of every channel holds still, as noise does and programme does not.

A *rest* is a level in every octave band of every channel at which the side holds still: tape hiss, the noise of the
electronics. Hum is steady and may be part of a rest. A moment is quiet where it matches a rest in all bands.

Band levels of Gaussian noise scatter by a known amount (the number of independent values in them), so "still" and
"matches" are asked against chance, with an allowance of our own beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.cells import CellCriteria, Cells

Array = np.ndarray[Any, Any]

MAINS_HZ = (50.0, 60.0)
UNRESOLVED_HZ = 85.0  # below it the lines of 50 and 60 Hz stand between bins: anything may be they
FEWEST_STRETCHES = 8  # of beating hum, overlapping: fewer are one held note
NOISE_FLAT_DB = -2.51  # mean level of the lines of Gaussian noise under their mean power: 10 γ / ln 10 (C)
NO_REST = -1
BELOW_RESTS = -2


@dataclass(frozen=True)
class RestCriteria:
    """
    cells              see `pipeline.cells`
    still_s            noise must hold still this long to count as a rest
    still_db           spread of a band's level, beyond that of pure noise, that still counts as holding still
    beat_s             hum that comes and goes does so within this
    still_hum_db       the spread allowed in bands that may carry hum, because hums beat
    swell_s, swell_share
                       hum of slower beats moves by less than this share of its highest within this time
    mains_share        a line this share of its frequency away from a multiple of mains is no hum
    uneven_db          steady sound whose spectrum is this much less even than that of noise is held notes
    line_share         a line that is no hum and holds this share of the power is programme, however steady
    loudest_dbfs       above this, the bands of strong hum left out, steady noise is programme
    loudest_hum_dbfs   above this, in any band, it is so even where it may be hum
    width_db           rests whose mean level differs by less are one
    third_step_db      a third level this far above the second is held programme
    match_db           a cell further than this from a rest in any band, and further than chance, does not match it
    faint_s, faint_db  over this length, a mean deviation of faint_db, and further than chance, is no match either
    undercut_db, undercut_share
                       a rest is held programme when more than this share of the other cells lies this far below it
    """

    cells: CellCriteria
    still_s: float
    still_db: float
    still_hum_db: float
    beat_s: float
    swell_s: float
    swell_share: float
    mains_share: float
    uneven_db: float
    line_share: float
    loudest_dbfs: float
    loudest_hum_dbfs: float
    width_db: float
    third_step_db: float
    match_db: float
    faint_s: float
    faint_db: float
    undercut_db: float
    undercut_share: float


def find_rests(cells: Cells, criteria: RestCriteria) -> tuple[Array, Array]:
    """The rests, quietest first (rests, channels * bands), and which of them each cell matches.

    A cell that matches none has ``NO_REST``; one that lies below them all, ``BELOW_RESTS``.
    """
    windows = _still_windows(cells, criteria)
    matched = np.full(len(cells.level_db), NO_REST)
    rests: list[Array] = []
    for members in _groups(windows[:, cells.high].mean(axis=1), criteria.width_db):
        calm = _calmest(windows[members], cells.high, criteria.still_hum_db)
        found = _rest_among(cells, calm, rests, matched, criteria)
        if found is not None:
            rest, fits = found
            fits |= _swelling_hum(cells, rest, rests, fits, criteria) & (matched == NO_REST)
            matched[fits] = len(rests)
            rests.append(rest)
    if rests:
        under = _below(cells, rests[0], criteria) & (matched == NO_REST) & ~cells.zeros & ~cells.toned
        matched[under] = BELOW_RESTS
    return np.array(rests).reshape(-1, cells.level_db.shape[1]), matched


def _rest_among(
    cells: Cells, alike: Array, quieter: list[Array], matched: Array, criteria: RestCriteria
) -> tuple[Array, Array] | None:
    """The rest that still windows of one level are, and the cells it takes; None where they are programme."""
    rest = _lowest(alike, cells.high)
    risen = _with_beats(cells, rest, criteria)
    beating, rest = risen != rest, risen
    fits = _fits(cells, rest, None, criteria) & (matched == NO_REST)
    if not fits.any():  # each line of a hum ebbs in its own time: the nearest to the lowest of all
        rest = np.where(cells.high, rest, alike[np.argmin(np.max((alike - rest)[:, ~cells.high], axis=1))])
        fits = _fits(cells, rest, None, criteria) & (matched == NO_REST)
    if not fits.any() or not _is_noise(cells, rest, fits, criteria):
        return None
    rest = np.where(beating, rest, np.median(cells.level_db[fits], axis=0))
    fits = _fits(cells, rest, None, criteria) & (matched == NO_REST)
    if _undercut(cells, rest, matched, fits, criteria) or _third(rest, quieter, cells.high, criteria):
        return None
    return rest, fits


def _calmest(alike: Array, high: Array, within_db: float) -> Array:
    """Those windows whose bands below hum's top, too, lie near the lowest of them.

    A held low note lasts longer than the hiss around it, and its treble would pass for the level of the hiss.
    """
    calm: Array = np.all(alike <= np.where(high, np.inf, _lowest(alike, high) + within_db), axis=1)
    return alike[calm] if calm.any() else alike


def _third(rest: Array, quieter: list[Array], high: Array, criteria: RestCriteria) -> bool:
    """Whether there are leader and hiss already, and this lies too far above them to be hiss of another kind."""
    if not quieter or np.median((quieter[-1] - quieter[0])[high]) < criteria.third_step_db / 2:
        return False
    return bool(np.median((rest - quieter[-1])[high]) > criteria.third_step_db)


def _still_windows(cells: Cells, criteria: RestCriteria) -> Array:
    """Mean levels of every still window (windows, channels * bands)."""
    usable = ~(cells.zeros | cells.toned)
    length = min(max(1, round(criteria.still_s / cells.seconds)), max(1, len(usable)))
    still = _running_mean(usable.astype(np.float64), length) > 1 - 0.5 / length
    allowed_db = 1.6 * cells.chance_db + np.where(cells.high, criteria.still_db, criteria.still_hum_db)
    mean_db = np.empty((len(still), len(allowed_db)), np.float32)
    for column, limit_db in enumerate(allowed_db):  # a table of windows for each step would be most of the memory
        level_db = cells.level_db[:, column]
        middle_db = np.median(level_db)  # taken out, so that the squares keep their digits
        off_db = level_db.astype(np.float64) - middle_db
        mean = _running_mean(off_db, length)
        still &= _running_mean(off_db**2, length) - mean**2 <= limit_db**2
        mean_db[:, column] = mean + middle_db
    return mean_db[still]


def _running_mean(values: Array, length: int) -> Array:
    """(values - length + 1,) the mean of every ``length`` values in a row."""
    total = np.cumsum(np.concatenate([[0.0], values]))
    return np.asarray((total[length:] - total[:-length]) / length)


def _lowest(windows: Array, high: Array) -> Array:
    """The level of windows that are alike above hum. Below it held notes may hide among them: the lowest count."""
    order = np.sort(windows, axis=0)
    return np.where(high, order[len(order) // 2], order[min(3, len(order) // 2)])


def _groups(level_db: Array, width_db: float) -> list[Array]:
    """Indices of windows of one level, quietest group first: the densest level is taken out again and again."""
    groups = []
    left = np.arange(len(level_db))
    while len(left):
        low, high = level_db[left].min(), level_db[left].max()
        counts, edges = np.histogram(level_db[left], max(1, int(np.ceil((high - low) / (width_db / 4)))))
        dense = int(np.argmax(np.convolve(counts, np.ones(3), "same")))
        near = np.abs(level_db[left] - (edges[dense] + edges[dense + 1]) / 2) <= width_db
        groups.append(left[near])
        left = left[~near]
    return sorted(groups, key=lambda members: float(np.median(level_db[members])))


def _is_noise(cells: Cells, rest: Array, fits: Array, criteria: RestCriteria) -> bool:
    """Whether a still level can be noise: not loud, even above hum, and no line below that is not hum."""
    share, hz = np.median(cells.line_share[fits], axis=0), np.median(cells.line_hz[fits], axis=0)
    hummed = not np.any((share > criteria.line_share) & ~_of_mains(hz, criteria.mains_share * hz))
    power = np.where(cells.high | cells.middle | (not hummed), 10 ** (rest / 10), 0.0)
    power = power.reshape(cells.line_hz.shape[1], -1).sum(axis=1)
    if 10 * np.log10(power.max()) > criteria.loudest_dbfs or rest.max() > criteria.loudest_hum_dbfs:
        return False
    if np.median(cells.flat_db[fits], axis=0).min() < NOISE_FLAT_DB - criteria.uneven_db:
        return False
    return not np.any((share > criteria.line_share) & (hz > criteria.cells.highest_hum_hz))


def _of_mains(hz: Array, within_hz: Array | float) -> Array:
    """True where a line lies so near a multiple of one mains frequency, or too low for a frame to tell."""
    off_hz = np.min([np.abs((hz + mains / 2) % mains - mains / 2) for mains in MAINS_HZ], axis=0)
    return np.asarray((off_hz <= within_hz) | (hz < UNRESOLVED_HZ))


def _fits(cells: Cells, rest: Array, bands: Array | None, criteria: RestCriteria) -> Array:
    """(cells,) True where the cell matches the rest in these bands (or all); hum's bands may also lie below it."""
    span = max(1, round(criteria.faint_s / cells.seconds))
    fits: Array = ~cells.zeros & ~cells.toned
    for column in np.arange(len(rest))[slice(None) if bands is None else bands]:
        off_db, chance_db = cells.level_db[:, column] - rest[column], cells.chance_db[column]
        limit_db = max(criteria.match_db, 5 * chance_db)
        fits &= off_db <= limit_db
        if cells.high[column]:
            fits &= off_db >= -limit_db
        faint_db = max(criteria.faint_db, 5 * chance_db / np.sqrt(span))
        capped = np.clip(off_db, -2 * faint_db, 2 * faint_db)  # so that a loud start does not reach back
        capped[cells.toned] = 0.0  # nor does a tone
        fits &= _running_mean(np.pad(capped, (span // 2, span - 1 - span // 2), "edge"), span) <= faint_db
    return fits


def _with_beats(cells: Cells, rest: Array, criteria: RestCriteria) -> Array:
    """The rest, with the highest level of each band below hum's top in which hum comes and goes.

    Two hums of unlike frequency do so, and every stretch of them reaches much the same height. Sound does not, so the
    lowest of such heights counts; and nothing is changed where the lines are not mostly those of mains hum (its
    two lowest are not resolved by a frame, so anything as low passes).
    """
    steady = _fits(cells, rest, cells.high, criteria)
    hz = cells.line_hz[steady][cells.line_share[steady] > 0.5 * criteria.line_share]
    length = max(1, round(criteria.beat_s / cells.seconds))
    off_hz = np.array([np.abs((hz + mains / 2) % mains - mains / 2) for mains in MAINS_HZ])
    if not len(hz) or len(steady) < length or np.mean((off_hz < 6.0) | (hz < UNRESOLVED_HZ), axis=1).max() < 0.8:
        return rest
    whole = np.flatnonzero(_running_mean(steady, length) > 1 - 0.5 / length)[:: max(1, length // 8)]
    views = np.lib.stride_tricks.sliding_window_view(cells.level_db[:, ~cells.high], length, axis=0)[whole]
    if len(views) < FEWEST_STRETCHES:
        return rest
    heights = np.sort(np.quantile(views, 0.9, axis=-1), axis=0)
    lowest, quarter = heights[:4][-1], heights[len(heights) // 4]
    risen = rest.copy()
    risen[~cells.high] = np.where(quarter - lowest < criteria.faint_db, lowest, -np.inf)
    return np.where(risen - rest > 1.3 * cells.chance_db + 1.0, risen, rest)


def _swelling_hum(cells: Cells, rest: Array, quieter: list[Array], fits: Array, criteria: RestCriteria) -> Array:
    """(cells,) True where nothing but hum stands over the rest, and swells or ebbs too slowly for a note.

    Two hums a hundredth of a hertz apart take longer from swell to swell than most pauses last, so the rest shows one
    moment of it only: their difference at least. The deck's alone is what leader shows, so both together reach no more
    than twice that and the rest.
    """
    hum = ~(cells.high | cells.middle)
    if not quieter or np.all(np.abs(rest - quieter[0])[hum] < criteria.match_db):
        return np.zeros(len(fits), bool)  # no hum but the deck's shows
    length = max(1, round(criteria.swell_s / cells.seconds))
    strong = cells.line_share > 0.5 * criteria.line_share
    low = _of_mains(cells.line_hz, 6.0) & (cells.line_hz < criteria.cells.highest_hum_hz + 6.0)
    mains = np.all(low | ~strong, axis=1) & np.any(strong, axis=1)
    alone = _fits(cells, rest, ~hum, criteria)
    alone[1:-1] |= alone[:-2] & alone[2:] & _fits(cells, rest, cells.high, criteria)[1:-1]
    level = 10 ** (cells.level_db[:, hum] / 20)
    deck = 10 ** (np.max([rest, *quieter[:1]], axis=0)[hum] / 20)
    alone &= np.all(level <= np.sqrt(2) * (2 * deck + 10 ** (rest[hum] / 20)), axis=1)
    moved = np.zeros(level.shape)
    moved[length:] = np.abs(level[length:] - level[:-length])
    noise = 10 ** (rest[cells.middle].max() / 20) if cells.middle.any() else 0.0
    strongest = np.quantile(level[alone & mains], 0.9, axis=0) if np.any(alone & mains) else np.zeros(level.shape[1])
    slow = np.all(moved <= criteria.swell_share * strongest + 1.5 * noise, axis=1)
    slow[:-length] &= slow[length:]  # of both ends of a step
    swelling = np.zeros(len(fits), bool)
    still = max(1, round(criteria.still_s / cells.seconds))
    turns = np.flatnonzero(np.diff(np.pad((alone & slow).astype(np.int8), 1)))
    for first, stop in turns.reshape(-1, 2):
        hummed = np.mean(mains[first:stop]) > 0.6  # lines near to each other mislead a frame
        swelling[first:stop] = stop - first >= still and hummed
    return swelling & ~fits


def _below(cells: Cells, rest: Array, criteria: RestCriteria) -> Array:
    """(cells,) True where a cell lies well below the rest in every band above hum, and in none above it."""
    limit_db = np.maximum(criteria.match_db, 5 * cells.chance_db)
    off_db = cells.level_db - rest
    under: Array = np.all(off_db <= np.where(cells.high, -criteria.undercut_db, limit_db), axis=1)
    return under


def _undercut(cells: Cells, rest: Array, matched: Array, fits: Array, criteria: RestCriteria) -> bool:
    """Whether sound goes well below this level in some band above hum, as it cannot where the level is hiss.

    Passed over is what lies below in all bands, and what stands near a quieter rest: there the transport stops.
    """
    reach = max(1, round(0.5 / cells.seconds))
    near = np.convolve(matched != NO_REST, np.ones(2 * reach + 1))[reach:-reach] > 0.5
    others = ~(near | fits | cells.zeros | cells.toned | _below(cells, rest, criteria))
    below = np.any(cells.level_db[others][:, cells.high] < (rest - criteria.undercut_db)[cells.high], axis=1)
    return bool(below.sum() > criteria.undercut_share * (~cells.toned).sum())
