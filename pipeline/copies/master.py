"""The corrected master: 24 bits, speed corrected, cut to the programme, not loudness-normalised.

It is made from the preservation copy, never from the box: so a rerun years later takes the very same way, and the first
run proves the preservation copy by decoding all of it on the way.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from pipeline.ahead import Tell, ahead, silent, told
from pipeline.capture import AudioDigest, Encoding, open_capture
from pipeline.copies.broadcast_wave import BroadcastWaveWriter, BroadcastWords
from pipeline.copies.draft import DraftWriter
from pipeline.copies.lossless import lossless_file
from pipeline.copies.settings import MasterFormat, MasterSettings
from pipeline.decisions import Decisions
from pipeline.errors import CopyError
from pipeline.files import whole_file
from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured, Reading
from pipeline.render import Quantiser, cut_frames, is_bit_exact, render_blocks, rendered_channels
from pipeline.tags import TagWords, write_tags
from pipeline.true_peak import TruePeakMeter

Array = np.ndarray[Any, Any]
MASTER_BITS = 24


@dataclass(frozen=True)
class AudioFacts:
    """What was measured on a copy while it was written or proven.

    audio_sha256     of its samples (lossless) or of its encoded packets (lossy)
    clipped_samples  samples that did not fit and were held at full scale
    """

    audio_sha256: str
    frames: int
    sample_rate_hz: int
    channels: int
    integrated_lufs: Reading
    loudness_range_lu: Reading
    true_peak_dbtp: Reading
    clipped_samples: int

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz


@dataclass(frozen=True)
class MasterWords:
    """What the master says of itself: tags in FLAC, or the bext chunk in Broadcast Wave."""

    tags: TagWords
    broadcast: BroadcastWords


class _Writer(Protocol):
    def write(self, block: Array) -> object: ...


def master_name(stem: str, settings: MasterSettings) -> str:
    return f"{stem}.flac" if settings.format is MasterFormat.FLAC else f"{stem}.wav"


def write_master(
    preservation: Path,
    expected_audio_sha256: str,
    decisions: Decisions,
    settings: MasterSettings,
    words: MasterWords,
    path: Path,
    block_s: float,
    tell: Tell = silent,
    draft: DraftWriter | None = None,
) -> AudioFacts:
    """Render the preservation copy into ``path``. Raises CopyError when the copy is not what was meant.

    The whole preservation copy is decoded, also outside the cut, and its samples are held against
    ``expected_audio_sha256``; a difference leaves nothing behind. ``draft`` hears the master's samples.
    """
    source = open_capture(preservation)
    proven = AudioDigest(source.encoding)
    start, stop = cut_frames(source, decisions)
    blocks = told(source.blocks(round(block_s * source.sample_rate_hz)), source.frames, tell)
    cut = _cut_out(blocks, proven, start, stop)
    channels = rendered_channels(source, decisions)
    rendered = ahead(render_blocks(ahead(cut), source, decisions))
    quantiser = Quantiser(MASTER_BITS, dither=not (is_bit_exact(decisions) and source.encoding.holds_24_bits))
    if settings.format is MasterFormat.FLAC:
        with whole_file(path) as partial:
            with lossless_file(partial, source.sample_rate_hz, channels, "PCM_24", settings.flac_level) as sound:
                facts = _written(rendered, sound, quantiser, source.sample_rate_hz, channels, draft)
            write_tags(partial, words.tags)
            _refuse_difference(preservation, proven, expected_audio_sha256)
    else:
        with whole_file(path) as partial:
            with BroadcastWaveWriter(partial, source.sample_rate_hz, channels, words.broadcast) as wave:
                facts = _written(rendered, wave, quantiser, source.sample_rate_hz, channels, draft)
                levels = (facts.integrated_lufs, facts.loudness_range_lu, facts.true_peak_dbtp)
                wave.set_loudness(*[None if isinstance(value, NotMeasured) else value for value in levels])
            _refuse_difference(preservation, proven, expected_audio_sha256)
    if draft is not None:
        draft.keep(facts.audio_sha256)
    return facts


def _cut_out(blocks: Iterator[Array], proven: AudioDigest, start: int, stop: int) -> Iterator[Array]:
    """The blocks of the cut; every block of the file goes through the digest."""
    position = 0
    for block in blocks:
        proven.update(block)
        first, last = max(start - position, 0), min(stop - position, len(block))
        if first < last:
            yield block[first:last]
        position += len(block)


def _written(
    rendered: Generator[Array, None, None],
    writer: _Writer,
    quantiser: Quantiser,
    hz: int,
    channels: int,
    draft: DraftWriter | None,
) -> AudioFacts:
    loudness, true_peak = LoudnessMeter(hz, channels), TruePeakMeter(hz, channels)
    digest = AudioDigest(Encoding.PCM_24)
    frames = 0

    def measured() -> Iterator[Array]:
        for block in rendered:
            loudness.feed(block)
            true_peak.feed(block)
            integers = quantiser.quantise(block)
            digest.update(integers)
            yield integers

    with (
        closing(rendered),
        closing(ahead(measured())) as quantised,
    ):  # also when writing fails: nothing goes on working then
        for integers in quantised:
            writer.write(integers)
            if draft is not None:
                draft.feed(integers)
            frames += len(integers)
    return AudioFacts(
        digest.hexdigest(),
        frames,
        hz,
        channels,
        loudness.integrated_lufs(),
        loudness.loudness_range_lu(),
        true_peak.true_peak_dbtp(),
        quantiser.clipped_samples,
    )


def _refuse_difference(preservation: Path, proven: AudioDigest, expected: str) -> None:
    found = proven.hexdigest()
    if found != expected:
        raise CopyError(
            f"{preservation}: decodes to samples with SHA-256 {found[:16]}…, those measured have {expected[:16]}…;"
            " did the capture change between measuring and copying? Digitize it again. In an old archive the copy is"
            " damaged: restore it from another copy of the archive"
        )
