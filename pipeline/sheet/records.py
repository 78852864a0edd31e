"""What a box sheet says, once it has been read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from pipeline.errors import Problem


@dataclass(frozen=True)
class SheetCriteria:
    """Where a value in the sheet stops being believable.

    lowest_ratio, highest_ratio   a ratio, or tone_hz / read_hz, outside is a slip of the pen
    lowest_tone_hz, highest_tone_hz   the same for tone_hz, read_hz and the reference tones
    agreement_percent             how far a ratio may be from the reading in the same row, being rounded
    longest_name_characters       of a tape id or a side: they become folder and file names
    longest_name_bytes            the same in UTF-8, which is what file systems count
    alike                         how alike (0 to 1) a name must be to be suggested in place of a wrong one
    alike_speed_heading           how alike an unknown heading must be to one that changes the speed to be a slip
    most_suggestions              captures that are searched for a name alike; the search is slow in a large folder
    """

    lowest_ratio: float
    highest_ratio: float
    lowest_tone_hz: float
    highest_tone_hz: float
    agreement_percent: float
    longest_name_characters: int
    longest_name_bytes: int
    alike: float
    alike_speed_heading: float
    most_suggestions: int


class TapeType(StrEnum):
    """IEC tape type; I is meant for 120 µs replay, the others for 70 µs."""

    I = "I"  # noqa: E741
    II = "II"
    III = "III"
    IV = "IV"


@dataclass(frozen=True)
class IndexNote:
    """A note from the inlay card; ``counter`` is as written ("123"), "" where the note has none."""

    counter: str
    text: str


@dataclass(frozen=True)
class SideRow:
    """One side of one tape, as its row in the sheet says. Texts are NFC; "" or None where the sheet says nothing.

    row_number  as the spreadsheet counts, the headings being row 1
    capture     relative to the box folder
    date        as written; ``date_iso`` is the same as YYYY, YYYY-MM or YYYY-MM-DD where it can only mean one day
    length      "C60", "C90" …
    tone_hz     alone: look for this tone. With ``read_hz``: a tone of tone_hz read as read_hz on this deck
    ratio       nominal / measured, outright; where a reading stands beside it they agree and the reading is the finer
    extra       columns we do not know, by heading; kept as notes
    """

    row_number: int
    tape: str
    side: str
    capture: Path
    title: str
    creator: str
    date: str
    date_iso: str | None
    place: str
    subject: str
    notes: str
    tape_type: TapeType | None
    length: str
    tone_hz: float | None
    read_hz: float | None
    ratio: float | None
    index: tuple[IndexNote, ...]
    extra: dict[str, str]

    @property
    def minutes_a_side(self) -> float | None:
        """What the cassette's length promises: a C60 plays 30 minutes a side."""
        found = re.search(r"\d+", self.length)
        return int(found[0]) / 2 if found else None


@dataclass(frozen=True)
class Box:
    """A box of tapes.

    deck_file         the deck's file, ready to open; it may stand outside the box, so that boxes share it; None where
                      the box names none
    nominal_tones_hz  tones that may stand on these tapes; empty where box.toml names none
    copies_overrides  table [copies] of box.toml as it stands, for the reader of config/copies.toml to judge
    """

    folder: Path
    id: str
    title: str
    owner: str
    rights: str
    language: str
    deck_file: Path | None
    nominal_tones_hz: tuple[float, ...]
    copies_overrides: dict[str, Any]
    rows: tuple[SideRow, ...]


@dataclass(frozen=True)
class SheetScan:
    """Everything that could be read of a sheet, and everything wrong with it.

    box        None where there are problems
    rows       every row whose capture is there; a value a problem speaks of is empty in it
    deck_file  None where box.toml names none
    """

    box: Box | None
    rows: tuple[SideRow, ...]
    deck_file: Path | None
    copies_overrides: dict[str, Any]
    problems: tuple[Problem, ...]
