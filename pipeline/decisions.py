"""What we will do with a side, and why: a small readable file per side and revision.

Every value says who it comes from (``auto``, ``sheet`` or ``person``) and why. The newest revision applies; earlier
ones are kept, so an older copy can always be made again from the preservation copy.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

import tomli_w

from pipeline.channels import Channels, Layout
from pipeline.copies.settings import CopySettings
from pipeline.errors import ArchiveError, SettingsError
from pipeline.files import write_text_whole
from pipeline.records import NotMeasured, to_plain
from pipeline.regions import Region, RegionKind
from pipeline.settings import settings_from
from pipeline.speed import SpeedSource

SCHEMA = "feltpad.decisions/1"
_MAY_BE_LEFT_OUT = (
    ("speed", "read_hz"),
    ("speed", "true_hz"),
    ("equalisation", "deck_us"),
    ("equalisation", "tape_us"),
    ("gain", "access_db"),
)


class By(StrEnum):
    AUTO = "auto"
    SHEET = "sheet"
    PERSON = "person"


class ChannelUse(StrEnum):
    AS_CAPTURED = "as-captured"  # every channel as it is
    RIGHT_FLIPPED = "right-flipped"  # both, the right one turned over
    AVERAGE = "average"  # mono: half of left plus right
    DIFFERENCE = "difference"  # mono: half of left minus right, for channels of opposite polarity
    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True)
class SpeedDecision:
    """read_hz and true_hz: the pair the ratio was made from, where there was one."""

    ratio: float
    source: SpeedSource
    read_hz: float | None
    true_hz: float | None
    by: By
    why: str


@dataclass(frozen=True)
class CutDecision:
    """In seconds of the capture."""

    start_s: float
    stop_s: float
    by: By
    why: str


@dataclass(frozen=True)
class ChannelDecision:
    use: ChannelUse
    by: By
    why: str


@dataclass(frozen=True)
class EqualisationDecision:
    """Replayed with ``deck_us``, meant for ``tape_us``; None where not declared. Changed only where both differ."""

    deck_us: float | None
    tape_us: float | None
    by: By
    why: str

    @property
    def changes(self) -> bool:
        return self.deck_us is not None and self.tape_us is not None and self.deck_us != self.tape_us


@dataclass(frozen=True)
class GainDecision:
    """master_db: 0 unless correction could clip. access_db: None means "to the target", a number means just that."""

    master_db: float
    target_lufs: float
    ceiling_dbtp: float
    access_db: float | None
    by: By
    why: str


@dataclass(frozen=True)
class Decisions:
    """Everything decided on one side. made: when, ISO. reason: what led to this revision."""

    schema: str
    tape: str
    side: str
    revision: int
    made: str
    reason: str
    speed: SpeedDecision
    cut: CutDecision
    channels: ChannelDecision
    equalisation: EqualisationDecision
    gain: GainDecision

    @property
    def master_substance(self) -> tuple[object, ...]:
        """What the master's audio depends on, without who decided it and why."""
        eq = (self.equalisation.deck_us, self.equalisation.tape_us) if self.equalisation.changes else None
        return self.speed.ratio, self.cut.start_s, self.cut.stop_s, self.channels.use.value, eq, self.gain.master_db

    @property
    def access_substance(self) -> tuple[float | None, ...]:
        """What the access copy's audio depends on beside the master."""
        return self.gain.target_lufs, self.gain.ceiling_dbtp, self.gain.access_db

    @property
    def substance(self) -> tuple[object, ...]:
        """Two decisions with the same substance make the same audio."""
        return *self.master_substance, *self.access_substance


def decide_cut(regions: Iterable[Region], duration_s: float, settings: CopySettings) -> CutDecision:
    """From the first programme to the last, with a margin that reaches into silence but not into tone or leader."""
    regions = tuple(regions)
    programme = [region for region in regions if region.kind is RegionKind.PROGRAMME]
    if not programme:
        return CutDecision(0.0, duration_s, By.AUTO, "no programme was found: the whole capture is kept")
    first, last = programme[0], programme[-1]
    before = [r.start_s for r in regions if r.kind is RegionKind.SILENCE and r.stop_s == first.start_s]
    after = [r.stop_s for r in regions if r.kind is RegionKind.SILENCE and r.start_s == last.stop_s]
    start_s = max([first.start_s - settings.cut.head_margin_s, *before]) if before else first.start_s
    stop_s = min([last.stop_s + settings.cut.tail_margin_s, *after]) if after else last.stop_s
    why = (
        f"programme from {first.start_s:.2f} s to {last.stop_s:.2f} s, with up to {settings.cut.head_margin_s:g} s of"
        f" silence kept before and {settings.cut.tail_margin_s:g} s after"
    )
    return CutDecision(round(max(start_s, 0.0), 6), round(min(stop_s, duration_s), 6), By.AUTO, why)


def decide_channels(channels: Channels, captured: int, settings: CopySettings) -> ChannelDecision:
    """Mono where the capture is mono, never by a sum that cancels or combs."""
    if captured == 1:
        return ChannelDecision(ChannelUse.AS_CAPTURED, By.AUTO, "captured in one channel")
    delay_us = 0.0 if isinstance(channels.delay_us, NotMeasured) else abs(channels.delay_us)
    louder_right = not isinstance(channels.balance_db, NotMeasured) and channels.balance_db > 0
    match channels.layout:
        case Layout.LEFT_ONLY:
            return ChannelDecision(ChannelUse.LEFT, By.AUTO, "the right channel is dead")
        case Layout.RIGHT_ONLY:
            return ChannelDecision(ChannelUse.RIGHT, By.AUTO, "the left channel is dead")
        case Layout.INVERTED if _is_opposed_stereo(channels, settings):
            why = f"stereo whose channels oppose each other (correlation {channels.correlation:.2f}), one turned over"
            return ChannelDecision(ChannelUse.RIGHT_FLIPPED, By.AUTO, why)
        case Layout.STEREO:
            return ChannelDecision(ChannelUse.AS_CAPTURED, By.AUTO, "the channels differ: stereo")
    if delay_us > settings.channels.average_max_delay_us:
        use = ChannelUse.RIGHT if louder_right else ChannelUse.LEFT
        why = f"the same on both, but {delay_us:.0f} µs apart: averaging would comb the treble; the louder one is taken"
        return ChannelDecision(use, By.AUTO, why)
    if channels.layout is Layout.INVERTED:
        return ChannelDecision(ChannelUse.DIFFERENCE, By.AUTO, "the same on both, with opposite polarity")
    return ChannelDecision(ChannelUse.AVERAGE, By.AUTO, "the same on both channels: averaging lowers the hiss")


def _is_opposed_stereo(channels: Channels, settings: CopySettings) -> bool:
    correlation = channels.correlation
    return not isinstance(correlation, NotMeasured) and correlation > settings.channels.mono_correlation


def decide_equalisation(deck_us: float | None, tape_us: float | None) -> EqualisationDecision:
    """Changed only when both sides of it are declared and differ."""
    if deck_us is None or tape_us is None:
        missing = " and ".join(
            [
                *(["the deck's replay equalisation"] if deck_us is None else []),
                *(["the tape type"] if tape_us is None else []),
            ]
        )
        return EqualisationDecision(deck_us, tape_us, By.AUTO, f"left as replayed: {missing} is not declared")
    if deck_us == tape_us:
        return EqualisationDecision(deck_us, tape_us, By.SHEET, f"replayed with {deck_us:g} µs, as the tape asks")
    why = f"replayed with {deck_us:g} µs, the tape type asks for {tape_us:g} µs"
    return EqualisationDecision(deck_us, tape_us, By.SHEET, why)


def decide_gain(true_peak_dbtp: float | NotMeasured, boost_db: float, settings: CopySettings) -> GainDecision:
    """The master is turned down only where correction could clip; ``boost_db`` is what equalisation may add."""
    access, ceiling = settings.access, settings.master.peak_ceiling_dbtp
    master_db = 0.0
    why = f"access copy to {access.target_lufs:g} LUFS under {access.ceiling_dbtp:g} dBTP; the master keeps its level"
    if not isinstance(true_peak_dbtp, NotMeasured) and true_peak_dbtp + boost_db > ceiling:
        master_db = round(ceiling - true_peak_dbtp - boost_db - 0.005, 2)
        why = (
            f"the capture peaks at {true_peak_dbtp:.2f} dBTP: the master is turned down by {-master_db:.2f} dB so that"
            " correction cannot clip it"
        )
    return GainDecision(master_db, access.target_lufs, access.ceiling_dbtp, None, By.AUTO, why)


def revised(previous: Decisions | None, fresh: Decisions) -> Decisions:
    """``fresh`` as the next revision, with what a person decided before kept; ``previous`` where nothing changed."""
    if previous is None:
        return fresh
    kept = {
        name: getattr(previous, name)
        for name in ("speed", "cut", "channels", "equalisation", "gain")
        if getattr(previous, name).by is By.PERSON and getattr(fresh, name).by is not By.PERSON
    }
    merged = replace(fresh, revision=previous.revision + 1, **kept)
    same = replace(merged, revision=previous.revision, made=previous.made, reason=previous.reason) == previous
    return previous if same else merged


def decisions_name(side: str, revision: int) -> str:
    """
    >>> decisions_name("A", 1)
    'A-r0001.toml'
    """
    return f"{side}-r{revision:04d}.toml"


def write_decisions(decisions: Decisions, folder: Path) -> Path:
    """One file a revision; a value nobody gave is left out, since TOML has no word for it."""
    path = folder / decisions_name(decisions.side, decisions.revision)
    plain = to_plain(decisions)
    del plain["not_measured"]
    text = tomli_w.dumps(_without_none(plain))
    head = f"# What feltpad does with side {decisions.side} of tape {decisions.tape}, revision {decisions.revision}.\n"
    return write_text_whole(
        path, head + "# Written by feltpad; change it with `feltpad rerun`. Earlier revisions stay.\n\n" + text
    )


def read_decisions(path: Path) -> Decisions:
    """Raises ArchiveError with the file and the key that does not fit."""
    import tomllib

    try:
        table = tomllib.loads(path.read_text("utf-8"))
        for name, key in _MAY_BE_LEFT_OUT:
            if isinstance(table.get(name), dict):
                table[name].setdefault(key, None)
        decisions = settings_from(Decisions, table, str(path))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError, SettingsError) as exc:
        raise ArchiveError(f"{path}: expected a decisions file as feltpad writes it: {exc}") from exc
    problems = [f"{path}: {problem}" for problem in _impossible(decisions)]
    if problems:
        raise ArchiveError("\n".join(problems))
    return decisions


def _impossible(decisions: Decisions) -> Iterator[str]:
    """What fits the file's form and still cannot be carried out; a person may have edited it by hand."""
    if decisions.schema != SCHEMA:
        yield f"schema: expected {SCHEMA}, found {decisions.schema!r}; written by another version?"
    speed, cut, equalisation, gain = decisions.speed, decisions.cut, decisions.equalisation, decisions.gain
    positive = {
        "speed.ratio": speed.ratio,
        "speed.read_hz": speed.read_hz,
        "speed.true_hz": speed.true_hz,
        "equalisation.deck_us": equalisation.deck_us,
        "equalisation.tape_us": equalisation.tape_us,
    }
    for key, value in positive.items():
        if value is not None and not (value > 0 and math.isfinite(value)):
            yield f"{key}: expected a number above 0, found {value}"
    if not 0 <= cut.start_s < cut.stop_s < math.inf:
        yield f"cut.stop_s: expected more than cut.start_s, which is 0 or more, found {cut.start_s} and {cut.stop_s}"
    numbers = {"master_db": gain.master_db, "target_lufs": gain.target_lufs, "ceiling_dbtp": gain.ceiling_dbtp}
    for key, value in {**numbers, "access_db": gain.access_db}.items():
        if value is not None and not math.isfinite(value):
            yield f"gain.{key}: expected a number, found {value}"


def newest_decisions(folder: Path, side: str) -> Decisions | None:
    """The one that applies; None for a side without any."""
    found = folder.glob(f"{glob_safe(side)}-r[0-9]*.toml")
    newest = max(found, key=lambda path: (len(path.name), path.name), default=None)  # r10000 comes after r9999
    return None if newest is None else read_decisions(newest)


def glob_safe(text: str) -> str:
    import glob

    return glob.escape(text)


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(entry) for key, entry in value.items() if entry is not None}
    return value
