"""What a tape was made from, kept inside its own bag: the sheet's words, the deck, every setting.

With it and the preservation copy a tape can be made again when the box, its owner and this machine are long gone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.archive import TapeFolder
from pipeline.deck import Deck, read_deck
from pipeline.errors import ArchiveError, SettingsError
from pipeline.files import whole_file, write_text_whole
from pipeline.method import Settings, settings_of_record
from pipeline.records import from_plain, to_plain
from pipeline.sheet import Box, SideRow

SCHEMA = "feltpad.tape/1"


@dataclass(frozen=True)
class BoxWords:
    """What the box says of itself."""

    id: str
    title: str
    owner: str
    rights: str
    language: str


@dataclass(frozen=True)
class TapeSource:
    """Everything a tape depends on but its audio.

    rows         the tape's sides as the sheet has them
    captured_on  by side, the day of its capture, ISO; a side without one is of an archive of before this was kept
    """

    schema: str
    tape: str
    box: BoxWords
    nominal_tones_hz: tuple[float, ...]
    rows: tuple[SideRow, ...]
    settings: Settings
    captured_on: dict[str, str]

    def row(self, side: str) -> SideRow:
        """The row of a side; raises ArchiveError, naming the sides there are, when there is none."""
        for row in self.rows:
            if row.side == side:
                return row
        known = ", ".join(row.side for row in self.rows)
        raise ArchiveError(f"tape {self.tape} has no side {side!r}; sides here: {known}")


def tape_source(
    box: Box, tape: str, rows: tuple[SideRow, ...], captures: Mapping[str, Path], settings: Settings
) -> TapeSource:
    """``captures``: the files there are, by side; the recorder's own time stamp on one is the day it was made."""
    words = BoxWords(box.id, box.title, box.owner, box.rights, box.language)
    days = {side: date.fromtimestamp(path.stat().st_mtime).isoformat() for side, path in captures.items()}
    return TapeSource(SCHEMA, tape, words, box.nominal_tones_hz, rows, settings, days)


def write_source(source: TapeSource, deck: Deck, folder: TapeFolder) -> tuple[Path, Path]:
    """``tape.json`` and the deck's own file, byte for byte, under ``data/source``."""
    text = json.dumps(to_plain(source), ensure_ascii=False, indent=1) + "\n"
    written = write_text_whole(folder.source / "tape.json", text)
    deck_copy = folder.source / "deck.toml"
    if deck.path != deck_copy:
        with whole_file(deck_copy) as partial:
            partial.write_bytes(deck.path.read_bytes())
    return written, deck_copy


def read_source(folder: TapeFolder) -> tuple[TapeSource, Deck]:
    """Raises ArchiveError when the tape's own record cannot be used."""
    path = folder.source / "tape.json"
    try:
        document: dict[str, Any] = json.loads(path.read_text("utf-8"))
        if document.get("schema") != SCHEMA:
            raise ValueError(f"expected schema {SCHEMA}, found {document.get('schema')!r}")
        settings = settings_of_record(document.pop("settings"))
        source = from_plain(TapeSource, {"captured_on": {}, **document, "settings": settings})
        return source, read_deck(folder.source / "deck.toml")
    except (OSError, ValueError, KeyError, SettingsError) as exc:
        raise ArchiveError(f"{path}: the tape's own record cannot be used: {exc}") from exc
