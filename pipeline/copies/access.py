"""The access copy: for listening. Gain only, no limiter: where peaks stop the gain short, that is told, not squeezed.

It is made from the master's samples: encoded while that was written (`pipeline.copies.draft`), or from the
master itself, which is then proven by being decoded. The peaks are measured on the decoded copy, and one above
the ceiling is made again, quieter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.ahead import Tell, ahead, silent, told
from pipeline.capture import AudioDigest, Encoding, as_float32, open_capture
from pipeline.copies.access_gain import AccessGain, CopyLevels, first_gain
from pipeline.copies.draft import at_access_rate, find_draft, scaled
from pipeline.copies.encoder import (
    access_rate_hz,
    codec_arguments,
    decoded_blocks,
    decoded_mp3_blocks,
    packet_sha256,
    write_encoded,
)
from pipeline.copies.lossless import lossless_file
from pipeline.copies.master import AudioFacts
from pipeline.copies.settings import AccessFormat, AccessSettings
from pipeline.decisions import GainDecision
from pipeline.errors import CopyError
from pipeline.files import whole_file
from pipeline.loudness import LoudnessMeter
from pipeline.records import NotMeasured, Reading
from pipeline.render import Quantiser
from pipeline.tags import TagWords, write_tags
from pipeline.true_peak import TruePeakMeter

Array = np.ndarray[Any, Any]
ACCESS_FLAC_BITS = 16
# An MP3 ends on a whole frame. Its length is noted inside, but where the last frame is nearly full the note cannot hold
# it and up to 46 frames of silence stay at the end (measured with the encoder we ship, lengths over two MP3 frames).
LONGEST_PADDING_FRAMES = 1152


def access_name(stem: str, settings: AccessSettings) -> str:
    return f"{stem}.{settings.format.value}"


def write_access(
    master: Path,
    master_facts: AudioFacts,
    gain: GainDecision,
    settings: AccessSettings,
    words: TagWords,
    path: Path,
    block_s: float,
    tell: Tell = silent,
    expected: CopyLevels | None = None,
    drafts: Path | None = None,
) -> tuple[AudioFacts, AccessGain]:
    """Make ``path`` from the master until its decoded peaks keep the ceiling. Raises CopyError when that fails.

    expected  the levels the master was expected to have
    drafts    the folder where a draft of this copy may lie; it becomes the copy
    """
    found_levels = CopyLevels(master_facts.integrated_lufs, master_facts.true_peak_dbtp)
    applied = first_gain(found_levels, expected, gain, settings)
    with whole_file(path) as partial:
        for _ in range(settings.encode_tries):
            draft = None
            if drafts is not None:
                draft = find_draft(drafts, path.stem, master_facts.audio_sha256, applied.gain_db, settings)
            if draft is None:
                facts = _write_once(master, master_facts, applied.gain_db, settings, partial, block_s, tell)
            else:
                draft.path.replace(partial)
                facts = _proven(partial, draft.frames, master_facts, settings, block_s, tell)
            over_db = _over_ceiling_db(facts.true_peak_dbtp, gain.ceiling_dbtp)
            if over_db <= 0:
                break
            applied = replace(applied, gain_db=applied.gain_db - over_db - 0.05)
        else:
            raise CopyError(
                f"{path}: after {settings.encode_tries} tries the decoded copy still peaks {over_db:.2f} dB above"
                f" {gain.ceiling_dbtp} dBTP; raise encode_tries or codec_overshoot_db in copies.toml"
            )
        lufs = facts.integrated_lufs
        write_tags(partial, words, None if isinstance(lufs, NotMeasured) else lufs)
        if settings.format is not AccessFormat.FLAC:
            facts = replace(facts, audio_sha256=packet_sha256(partial))
    return facts, applied


def _over_ceiling_db(true_peak_dbtp: Reading, ceiling_dbtp: float) -> float:
    return -1.0 if isinstance(true_peak_dbtp, NotMeasured) else true_peak_dbtp - ceiling_dbtp


def _write_once(
    master: Path,
    master_facts: AudioFacts,
    gain_db: float,
    settings: AccessSettings,
    path: Path,
    block_s: float,
    tell: Tell,
) -> AudioFacts:
    rate_hz, channels = access_rate_hz(master_facts.sample_rate_hz, settings), master_facts.channels
    decoded = _decoded_master(master, master_facts, rate_hz, block_s)
    blocks = (scaled(block, gain_db) for block in told(decoded, _frames_at(rate_hz, master_facts), tell, 0.0, 0.8))
    if settings.format is AccessFormat.FLAC:
        return _write_flac(ahead(blocks), rate_hz, channels, settings, path)
    written = _Counted(blocks)
    write_encoded(ahead(written), rate_hz, channels, codec_arguments(settings), path)
    return _proven(path, written.frames, master_facts, settings, block_s, tell)


def _proven(
    path: Path, written_frames: int, master_facts: AudioFacts, settings: AccessSettings, block_s: float, tell: Tell
) -> AudioFacts:
    """Decode a lossy copy: what it sounds like, and that nothing of it was lost."""
    rate_hz, channels = access_rate_hz(master_facts.sample_rate_hz, settings), master_facts.channels
    block_frames = round(block_s * rate_hz)
    if settings.format is AccessFormat.MP3:
        decoded = decoded_mp3_blocks(path, block_frames)
    else:
        decoded = decoded_blocks(path, channels, block_frames)
    facts = _measure(told(decoded, _frames_at(rate_hz, master_facts), tell, 0.8, 1.0), rate_hz, channels)
    if not 0 <= facts.frames - written_frames < LONGEST_PADDING_FRAMES:
        raise CopyError(f"{path}: {written_frames} frames went in, {facts.frames} decode; the encoder lost audio")
    return facts


def _frames_at(rate_hz: int, master_facts: AudioFacts) -> int:
    return round(master_facts.frames * rate_hz / master_facts.sample_rate_hz)


def _decoded_master(master: Path, facts: AudioFacts, rate_hz: int, block_s: float) -> Iterator[Array]:
    """The master at the access rate; raises CopyError at the end when it was not the master meant."""
    source = open_capture(master)
    proven = AudioDigest(Encoding.PCM_24)

    def decoded() -> Iterator[Array]:
        for raw in ahead(source.blocks(round(block_s * source.sample_rate_hz))):
            proven.update(raw)
            yield raw

    yield from at_access_rate(decoded(), source.sample_rate_hz, rate_hz, source.channels)
    if proven.hexdigest() != facts.audio_sha256:
        raise CopyError(f"{master}: does not decode to the samples that were written; the master is damaged")


class _Counted:
    """Blocks on their way, and how many frames they were."""

    def __init__(self, blocks: Iterator[Array]) -> None:
        self._blocks = blocks
        self.frames = 0

    def __iter__(self) -> Iterator[Array]:
        for block in self._blocks:
            self.frames += len(block)
            yield block


def _measure(blocks: Iterator[Array], rate_hz: int, channels: int) -> AudioFacts:
    loudness, true_peak = LoudnessMeter(rate_hz, channels), TruePeakMeter(rate_hz, channels)
    frames = 0
    for block in ahead(blocks):
        loudness.feed(block)
        true_peak.feed(block)
        frames += len(block)
    levels = (loudness.integrated_lufs(), loudness.loudness_range_lu(), true_peak.true_peak_dbtp())
    return AudioFacts("", frames, rate_hz, channels, *levels, 0)


def _write_flac(
    blocks: Iterator[Array], rate_hz: int, channels: int, settings: AccessSettings, path: Path
) -> AudioFacts:
    quantiser = Quantiser(ACCESS_FLAC_BITS, dither=True)
    digest = AudioDigest(Encoding.PCM_16)
    with lossless_file(path, rate_hz, channels, "PCM_16", settings.flac_level) as sound:
        for block in blocks:
            sound.write(quantiser.quantise(block))
    decoded = open_capture(path)

    def proven() -> Iterator[Array]:
        for raw in decoded.blocks(decoded.sample_rate_hz * 5):
            digest.update(raw)
            yield as_float32(raw)

    facts = _measure(proven(), rate_hz, channels)
    return replace(facts, audio_sha256=digest.hexdigest(), clipped_samples=quantiser.clipped_samples)
