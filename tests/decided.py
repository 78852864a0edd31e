"""Decisions filled in by hand, and a master with its words, for the tests of the copies."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.capture import AudioDigest, open_capture
from pipeline.copies.broadcast_wave import BroadcastWords
from pipeline.copies.master import AudioFacts, MasterWords, write_master
from pipeline.copies.settings import CopySettings, MasterSettings
from pipeline.decisions import (
    SCHEMA,
    By,
    ChannelDecision,
    ChannelUse,
    CutDecision,
    Decisions,
    EqualisationDecision,
    GainDecision,
    SpeedDecision,
)
from pipeline.settings import read_settings, shipped
from pipeline.speed import SpeedSource
from pipeline.tags import TagWords

Array = np.ndarray[Any, Any]
COPIES = read_settings(CopySettings, shipped("config") / "copies.toml")
WORDS = TagWords(
    title="Evening in the yard",
    creator="R. Hollweg",
    collection="Hollweg family",
    tape="K-017",
    side="A",
    date="1984-06-02",
    place="Brandt's mill",
    subject="songs",
    notes="",
    language="de",
    rights="private",
    tape_type="I",
    encoded_by="feltpad",
    extra=(("SPEED-CORRECTION", "1.009174 (reading)"),),
)
BROADCAST = BroadcastWords(
    description="K-017 side A: Evening in the yard",
    originator="feltpad",
    reference="K-017-A",
    date="1984-06-02",
    time="",
    history=("A=ANALOGUE,M=mono,T=compact cassette K-017 side A; 120 us", "A=PCM,F=96000,W=24,M=mono,T=A/D"),
)


def decided(
    stop_s: float,
    start_s: float = 0.0,
    ratio: float = 1.0,
    use: ChannelUse = ChannelUse.AS_CAPTURED,
    master_db: float = 0.0,
    deck_us: float | None = None,
    tape_us: float | None = None,
) -> Decisions:
    return Decisions(
        schema=SCHEMA,
        tape="K-017",
        side="A",
        revision=1,
        made="2026-02-11T10:40:12Z",
        reason="first run",
        speed=SpeedDecision(ratio, SpeedSource.RATIO, None, None, By.PERSON, "given"),
        cut=CutDecision(start_s, stop_s, By.AUTO, "programme with a margin"),
        channels=ChannelDecision(use, By.AUTO, "two channels that differ"),
        equalisation=EqualisationDecision(deck_us, tape_us, By.SHEET, "as declared"),
        gain=GainDecision(master_db, -18.0, -1.0, None, By.AUTO, "loudness to the target"),
    )


def preserved(path: Path, samples: Array, rate_hz: int, subtype: str = "PCM_24") -> tuple[Path, str]:
    """A preservation copy of float samples, and its audio digest."""
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path, audio_digest(path)


def audio_digest(path: Path) -> str:
    capture = open_capture(path)
    digest = AudioDigest(capture.encoding)
    for block in capture.blocks(4096):
        digest.update(block)
    return digest.hexdigest()


def mastered(
    folder: Path,
    samples: Array,
    rate_hz: int,
    decisions: Decisions,
    *,
    subtype: str = "PCM_24",
    settings: MasterSettings = COPIES.master,
    block_s: float = 5.0,
    name: str = "K-017-A",
) -> tuple[Path, AudioFacts]:
    """The samples preserved and rendered; returns the master and what was measured on it."""
    suffix = ".flac" if subtype in ("PCM_16", "PCM_24", "PCM_S8") else ".wav"
    source, digest = preserved(folder / f"{name}-source{suffix}", samples, rate_hz, subtype)
    path = folder / f"{name}.{'flac' if settings.format.value == 'flac' else 'wav'}"
    facts = write_master(source, digest, decisions, settings, MasterWords(WORDS, BROADCAST), path, block_s)
    return path, facts
