"""The one streaming pass that carries out decisions: channels, equalisation, headroom, constant speed.

Same capture, same decisions, same version: the same samples, bit for bit. Nothing here looks at the audio to decide
anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import soxr

from pipeline.capture import Capture, as_float32
from pipeline.decisions import ChannelUse, Decisions
from pipeline.equalise import Equaliser
from pipeline.errors import DecisionError

Array = np.ndarray[Any, Any]

QUALITY = "VHQ"
FULL_SCALE_24 = float(1 << 23)
_DITHER_LENGTH = 1 << 21
_PIECE = 1 << 14  # samples that stay in the processor's cache


def rendered_channels(capture: Capture, decisions: Decisions) -> int:
    """How many channels the corrected copies have."""
    both = (ChannelUse.AS_CAPTURED, ChannelUse.RIGHT_FLIPPED)
    return capture.channels if decisions.channels.use in both else 1


def is_bit_exact(decisions: Decisions) -> bool:
    """True when the decisions change no sample value, so that 24 bits lose nothing and need no dither."""
    untouched = (ChannelUse.AS_CAPTURED, ChannelUse.LEFT, ChannelUse.RIGHT)
    return (
        decisions.speed.ratio == 1.0
        and decisions.channels.use in untouched
        and not decisions.equalisation.changes
        and decisions.gain.master_db == 0.0
    )


def cut_frames(capture: Capture, decisions: Decisions) -> tuple[int, int]:
    """First frame and one past the last. Raises DecisionError when the cut does not fit the capture."""
    cut = decisions.cut
    start, stop = round(cut.start_s * capture.sample_rate_hz), round(cut.stop_s * capture.sample_rate_hz)
    if not 0 <= start < stop <= capture.frames:
        raise DecisionError(
            f"{capture.path}: the cut from {cut.start_s:.3f} s to {cut.stop_s:.3f} s does not fit a capture of"
            f" {capture.duration_s:.3f} s; cut points are seconds of the capture, before speed correction"
        )
    return start, stop


def render_blocks(raw_blocks: Iterator[Array], capture: Capture, decisions: Decisions) -> Iterator[Array]:
    """The corrected side, block by block, as float32 (frames, channels) at the capture's own rate.

    A block may be empty: the resampler holds samples back.

    ``raw_blocks`` are the blocks of the cut, as `Capture.blocks` gives them.
    """
    channels = rendered_channels(capture, decisions)
    rate_hz = capture.sample_rate_hz
    equalisation = decisions.equalisation
    equaliser = None
    if equalisation.deck_us is not None and equalisation.tape_us is not None and equalisation.changes:
        equaliser = Equaliser(equalisation.deck_us, equalisation.tape_us, rate_hz, channels)
    gain = np.float32(10 ** (decisions.gain.master_db / 20))
    ratio = decisions.speed.ratio
    resampler = None
    if ratio != 1.0:
        resampler = soxr.ResampleStream(rate_hz * ratio, rate_hz, channels, dtype="float32", quality=QUALITY)
    for raw in raw_blocks:
        block = choose_channels(as_float32(raw), decisions.channels.use)
        if equaliser is not None:
            block = equaliser.process(block)
        if gain != 1:
            block = block * gain
        yield block if resampler is None else _two_dimensional(resampler.resample_chunk(block), channels)
    if resampler is not None:
        last = resampler.resample_chunk(np.zeros((0, channels), np.float32), last=True)
        yield _two_dimensional(last, channels)


def choose_channels(block: Array, use: ChannelUse) -> Array:
    """(frames, channels) → (frames, 1 or 2), never a sum that cancels."""
    if use is ChannelUse.AS_CAPTURED or (block.shape[1] == 1 and use is ChannelUse.LEFT):
        return block
    if block.shape[1] == 1:
        raise DecisionError(f"channel use {use.value!r} needs two channels, the capture has one")
    if use is ChannelUse.RIGHT_FLIPPED:
        return block * np.array([1, -1], np.float32)
    if use in (ChannelUse.LEFT, ChannelUse.RIGHT):
        return np.ascontiguousarray(block[:, :1] if use is ChannelUse.LEFT else block[:, 1:])
    sign = np.float32(0.5 if use is ChannelUse.AVERAGE else -0.5)
    return np.ascontiguousarray(block[:, :1] * np.float32(0.5) + block[:, 1:] * sign)


def _two_dimensional(block: Array, channels: int) -> Array:
    return block.reshape(-1, channels)


class Quantiser:
    """float32 blocks to integers of ``bits``, left-justified in int32 as soundfile writes them.

    TPDF dither of ±1 step where bits are lost; ``dither=False`` where the values already sit on the steps. The noise
    is one long table read on from block to block, so the result does not depend on how the audio was cut into blocks.

    Reckoned in 32-bit integers, 1/256 of a step at 24 bits: finer than float32 tells loud samples apart, and a quarter
    of the cost of doubles.
    """

    def __init__(self, bits: int, dither: bool) -> None:
        self._step = 1 << (32 - bits)
        self._room = np.float32(2.0**31 - 4 * self._step)  # within it neither noise nor rounding can run over
        self._table = _noise_steps(self._step) if dither else None
        self._position = 0
        self.clipped_samples = 0

    def quantise(self, block: Array) -> Array:
        samples, integers = block.reshape(-1), np.empty(block.size, np.int32)
        done = 0
        while done < len(samples):
            count = min(len(samples) - done, _PIECE, _DITHER_LENGTH - self._position)
            self._quantise_piece(samples[done : done + count], integers[done : done + count])
            self._position = (self._position + count) % _DITHER_LENGTH
            done += count
        return integers.reshape(block.shape)

    def _quantise_piece(self, samples: Array, out: Array) -> None:
        scaled = np.rint(samples * np.float32(2.0**31))
        noise: Any = self._step // 2  # with the cut below it rounds to the nearest step
        if self._table is not None:
            noise = self._table[self._position : self._position + len(samples)]
        if scaled.max() < self._room and scaled.min() > -self._room:
            np.copyto(out, scaled, casting="unsafe")
            out += noise
            out &= -self._step
        else:
            wide = (scaled.astype(np.int64) + noise) & -self._step
            held = np.clip(wide, -(1 << 31), (1 << 31) - self._step)
            self.clipped_samples += int(np.count_nonzero(wide != held))
            out[:] = held


def _tpdf_table() -> Array:
    """Two uniform draws subtracted: triangular, ±1 step, mean 0; from PCG64's raw words, which numpy keeps stable."""
    words = np.random.PCG64(20_261_125).random_raw(_DITHER_LENGTH)
    high, low = (words >> np.uint64(32)).astype(np.float64), (words & np.uint64(0xFFFFFFFF)).astype(np.float64)
    return ((high - low) * 2.0**-32).astype(np.float32)


def _noise_steps(step: int) -> Array:
    """The same in 32-bit integers, with half a step added, so that cutting off what is below a step rounds."""
    return np.rint(_tpdf_table() * np.float32(step)).astype(np.int32) + np.int32(step // 2)
