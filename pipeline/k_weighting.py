"""K-weighting at any sample rate, and the weighted energy of a signal in steps of about 10 ms.

BS.1770 gives the two sections for 48 kHz. Taking them back through the bilinear transform gives the analogue
prototype; forward again, with each section's pole frequency held in place, gives them at any other rate. At 48 kHz
this returns the printed numbers.

A recursive filter goes sample by sample, some 5 ns each, which would be more than all other level meters together.
Here rows of about 48 samples go through it as one matrix product, and only its four state values pass from row to row:
those in double precision, so a large DC offset leaves no error in the quiet signal upon it. Single precision throughout
does: at 192 kHz, on a DC offset of half scale, its error is as loud as hiss at -70 dBFS.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.halved import halvings
from pipeline.rowwise import times
from pipeline.standards import loudness as standard

Array = np.ndarray[Any, Any]

STEP_S = 0.01  # finer than the gating step, so that a 0.4 s burst is caught whole wherever it begins
PIECE_FRAMES = 1 << 18  # enough to be worth the calls
GROUP_ROWS = 8  # rows that are told the state before them together
ROW_FRAMES = 48  # near the cheapest: longer rows multiply more, shorter ones carry more state
_ROW_LENGTHS = range(30, 97)  # wide enough to meet the steps of odd rates
_STEP_COUNTS = range(8, 21)  # steps of 12.5 to 5 ms: room to meet 0.1 s exactly at odd rates
_FORGOTTEN = 1e-16  # a power of the row-to-row state matrix this small adds nothing to a double
_STATES = 4


def k_weighting_sections(rate_hz: int) -> Array:
    """The two sections for this rate, (2, 6): b0 b1 b2 1 a1 a2 a row, shelf first."""
    return np.stack([_at_rate(b, a, rate_hz) for b, a in (standard.K_WEIGHTING_SHELF, standard.K_WEIGHTING_HIGH_PASS)])


def _at_rate(b: tuple[float, ...], a: tuple[float, ...], rate_hz: int) -> Array:
    analogue_b, analogue_a = _bilinear(np.array(b)), _bilinear(np.array(a))
    warped = np.sqrt(analogue_a[0] / analogue_a[2])  # tan(pi f / rate) of the pole frequency at the printed rate
    pole_hz = standard.K_WEIGHTING_RATE_HZ / np.pi * np.arctan(warped)
    stretch = (warped / np.tan(np.pi * pole_hz / rate_hz)) ** np.arange(3)
    digital_b, digital_a = _bilinear(analogue_b * stretch), _bilinear(analogue_a * stretch)
    return np.concatenate([digital_b, digital_a]) / digital_a[0]


def _bilinear(polynomial: Array) -> Array:
    """p0 + p1 x + p2 x² under x = (1 - y) / (1 + y), times (1 + y)²: from z⁻¹ to s and, the same, from s to z⁻¹."""
    p0, p1, p2 = polynomial
    return np.array([p0 + p1 + p2, 2 * (p0 - p2), p0 - p1 + p2])


def every_value(rate_hz: int, row_frames: int) -> int:
    """Of how many weighted values one tells the energy as well as all do.

    Leaving out every other one folds what lies above a quarter of the rate over what lies below, but takes no energy
    away; that can only be astray where two tones lie so that one falls on the other, one of them above 22 kHz.

    >>> [every_value(rate_hz, 48) for rate_hz in (48_000, 96_000, 192_000)]
    [1, 2, 4]
    """
    return math.gcd(1 << halvings(rate_hz), row_frames)


class KWeightedEnergy:
    """Feed blocks of float32 (frames, channels) in order; get the weighted energy of every whole step.

    steps_in_gating_step  how many of them make 0.1 s: 10 at the usual rates
    step_frames           frames in a step; together they make 0.1 s to the frame at the usual rates and 22.05 kHz, to
                          half a frame at 11.025 kHz
    step_s                the same in seconds
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        wanted = rate_hz * standard.GATING_STEP_S
        layouts = [(steps, max(1, round(wanted / steps / row)), row) for steps in _STEP_COUNTS for row in _ROW_LENGTHS]
        self.steps_in_gating_step, self._rows, self._row = min(
            layouts,
            key=lambda layout: (
                abs(math.prod(layout) - wanted),
                abs(layout[0] - standard.GATING_STEP_S / STEP_S),
                abs(layout[2] - ROW_FRAMES),
            ),
        )
        self.step_frames = self._row * self._rows
        self.step_s = self.step_frames / rate_hz
        response, to_state = _row_matrices(k_weighting_sections(rate_hz), self._row)
        self._response = np.ascontiguousarray(response[:, :: every_value(rate_hz, self._row)], np.float32)
        self._to_state = to_state[: self._row]
        self._group = next(n for n in range(min(GROUP_ROWS, self._rows), 0, -1) if self._rows % n == 0)
        self._within, self._from_before = _group_matrices(to_state[self._row :], self._group)
        self._state = np.zeros((channels, _STATES))
        self._held = np.zeros((0, channels), np.float32)

    def feed(self, block: Array) -> Array:
        """Mean square after K-weighting, summed over the channels, of each step that is now whole: (steps,)."""
        pieces = [self._take(block[at : at + PIECE_FRAMES]) for at in range(0, len(block), PIECE_FRAMES)]
        return np.concatenate(pieces) if pieces else np.zeros(0)

    def _take(self, piece: Array) -> Array:
        held = np.concatenate([self._held, piece]) if len(self._held) else piece
        steps = len(held) // self.step_frames
        used = steps * self.step_frames
        self._held = np.array(held[used:], np.float32)
        if steps == 0:
            return np.zeros(0)
        rows = self._rows_with_state(held[:used])
        weighted = times(rows.reshape(-1, rows.shape[-1]), self._response)
        weighted = weighted.reshape(held.shape[1], steps, -1)
        energy: Array = np.einsum("csn,csn->cs", weighted, weighted).astype(np.float64).sum(0) / weighted.shape[2]
        return energy

    def _rows_with_state(self, samples: Array) -> Array:
        """(channels, rows, samples of a row + the filter's state before it), float32."""
        frames, channels = samples.shape
        rows = np.empty((channels, frames // self._row, self._row + _STATES), np.float32)
        rows[:, :, : self._row] = samples.T.reshape(channels, -1, self._row)
        flat = rows.reshape(-1, self._row + _STATES)[:, : self._row]
        added = times(flat.astype(np.float64), self._to_state)
        after = self._carried(added.reshape(channels, -1, self._group * _STATES)).reshape(channels, -1, _STATES)
        rows[:, 0, self._row :] = self._state
        rows[:, 1:, self._row :] = after[:, :-1]
        self._state = after[:, -1].copy()
        return rows

    def _carried(self, added: Array) -> Array:
        """What each row alone adds to the state made into the state after each row, (channels, groups, rows * 4)."""
        after = times(added.reshape(-1, added.shape[-1]), self._within).reshape(added.shape)
        last = after[..., -_STATES:].copy()
        _carry(last, self._state, self._from_before[:, -_STATES:])
        after[:, 0] += self._state @ self._from_before
        after[:, 1:] += last[:, :-1] @ self._from_before
        return after


def _group_matrices(row_to_row: Array, rows: int) -> tuple[Array, Array]:
    """What a row adds to the states after the rows of its group, (rows * 4, rows * 4); and what the state before the
    group does, (4, rows * 4)."""
    powers = [np.eye(_STATES)]
    for _ in range(rows):
        powers.append(powers[-1] @ row_to_row)
    nothing = np.zeros((_STATES, _STATES))
    within = [[powers[later - row] if later >= row else nothing for later in range(rows)] for row in range(rows)]
    return np.block(within), np.concatenate(powers[1:], axis=1)


def _carry(after: Array, before: Array, row_to_row: Array) -> None:
    """Turn what each group alone adds to the state into the state after each group, in place.

    s[j] = s[j-1] M + v[j], solved for all by doubling: after k rounds each group knows the last 2^k, and the filter
    has forgotten everything (its slowest pole lies at 38 Hz) after a tenth of a second.
    """
    after[:, 0] += before @ row_to_row
    reach = 1
    while reach < after.shape[1] and np.abs(row_to_row).max() > _FORGOTTEN:
        after[:, reach:] += after[:, :-reach] @ row_to_row
        row_to_row = row_to_row @ row_to_row
        reach *= 2


def _row_matrices(sections: Array, row_frames: int) -> tuple[Array, Array]:
    """What a row of samples and the state before it give: (row + 4, row) output, (row + 4, 4) state after it.

    Found by running the sections on each unit vector in turn (transposed direct form II).
    """
    inputs = np.concatenate([np.eye(row_frames), np.zeros((_STATES, row_frames))])
    state = np.concatenate([np.zeros((row_frames, _STATES)), np.eye(_STATES)])
    response = np.empty_like(inputs)
    for n in range(row_frames):
        signal = inputs[:, n]
        for section, (b0, b1, b2, _, a1, a2) in enumerate(sections):
            first, second = state[:, 2 * section], state[:, 2 * section + 1]
            output = b0 * signal + first
            state[:, 2 * section], state[:, 2 * section + 1] = (
                b1 * signal - a1 * output + second,
                b2 * signal - a2 * output,
            )
            signal = output
        response[:, n] = signal
    return response, state
