"""How much of what sounds after a sharp beginning did not sound before: a click leaves the programme as it was.

A struck drum, a plucked string or a plosive sounds on in some octave for a hundredth of a second at least, mostly in
one far below the sharp beginning itself. So the spectrum just after is held against that just before, in bands as wide
as a syllable's or a note's own changes are small in; the lower ones weigh less, as the ear has it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

SPECTRUM_S = 0.016
CLEAR_S = 0.003  # of the click itself
LOWEST_HZ, TOP_BAND_HZ, HIGHEST_HZ = 60.0, 6000.0, 18_000.0  # from the top one on all is one, hiss too
BAND_HZ, BAND_SHARE = 150.0, 0.2  # bands are this wide, or this share of their frequency
TIMES = 4.0  # programme that goes on changes by less within so short a time
NEARLY = 10**-0.4
NEAR_S = 0.0002  # the sharpest sample lies so near to the chunk that is loudest


class StrokeFinder:
    """Feed stretches in order; afterwards ``new_share`` tells for every chunk that may hold a click in some channel.

    It is that of the channel in which most is new, of those in which it is nearly as sharp.
    """

    def __init__(self, rate_hz: int, chunk: int, beside: int, next_to: int, above_db: float) -> None:
        """A chunk is asked if it rises ``above_db`` over all from ``next_to`` to ``beside`` chunks before and after."""
        self.new_share: dict[int, float] = {}
        self._rate_hz, self._chunk, self._above = rate_hz, chunk, 10 ** (above_db / 10)
        self._beside, self._next_to = beside, next_to
        self._passed = 0  # chunks
        length = round(SPECTRUM_S * rate_hz)
        self._window = np.hanning(length)
        edges = [LOWEST_HZ]
        while edges[-1] < TOP_BAND_HZ:
            edges.append(edges[-1] + max(BAND_HZ, BAND_SHARE * edges[-1]))
        edges.append(HIGHEST_HZ)
        self._width = min(1.0, rate_hz / 2 / HIGHEST_HZ)  # a capture that ends sooner lacks some of what sounds
        self._edges = np.unique(np.round(np.array(edges) * length / rate_hz).astype(int).clip(max=length // 2))

    def look(self, samples: Array, beside: int, peaks: Array) -> None:
        """samples (channels, frames) with ``beside`` frames around the chunks, whose highest octave reaches ``peaks``.

        peaks is (channels, chunks).
        """
        chunks, beyond = peaks.shape[1], self._beside
        padded = np.pad(peaks, ((0, 0), (beyond, beyond)))
        first, last = beyond - self._next_to, beyond + self._next_to
        before, after = padded[:, first : first + chunks], padded[:, last : last + chunks]
        may_click = np.any((peaks > 0) & (peaks >= self._above * np.maximum(before, after)), axis=0)
        for at in np.flatnonzero(may_click).tolist():
            own, around = peaks[:, at], padded[:, at : at + 2 * beyond + 1]
            loudest = np.maximum(around[:, : first + 1].max(1), around[:, last:].max(1))
            if not np.any((own > 0) & (own >= self._above * loudest)):
                continue
            sharp = samples[(own > 0) & (own >= self._above * NEARLY * loudest)]
            self.new_share[self._passed + at] = max(self._new_share(each, beside + at * self._chunk) for each in sharp)
        self._passed += chunks

    def _new_share(self, samples: Array, frame: int) -> float:
        near, clear = round(NEAR_S * self._rate_hz), round(CLEAR_S * self._rate_hz)
        sharp = np.abs(np.diff(samples[frame - near - 3 : frame + self._chunk + near], 3))
        middle, length = frame - near + int(np.argmax(sharp)), len(self._window)
        before = self._bands(samples[middle - clear - length - 1 : middle - clear])
        after = self._bands(samples[middle + clear - 1 : middle + clear + length])
        return self._width * float(np.maximum(after - TIMES * before, 0).sum() / max(after.sum(), 1e-30))

    def _bands(self, samples: Array) -> Array:
        spectrum = np.square(np.abs(np.fft.rfft(np.diff(samples.astype(np.float64)) * self._window)))
        return np.asarray(np.add.reduceat(spectrum, self._edges)[:-1])
