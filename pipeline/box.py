"""A whole box looked at before any work is done: its sheet, its deck file and the header of every capture.

Every problem of all three is told together; nothing is written. What ``feltpad check`` prints and what ``feltpad
digitize`` starts from.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.capture import Capture, open_capture
from pipeline.deck import Deck, scan_deck
from pipeline.errors import CaptureError, Problem, SheetError
from pipeline.settings import shipped
from pipeline.sheet import Box, SheetCriteria, SideRow, scan_sheet
from pipeline.sheet.row import SHEET_FILE

UNKNOWN_DECK = "deck.unknown.toml"  # stands in where a box names no deck


@dataclass(frozen=True)
class SideCheck:
    """One row and its capture's header; ``capture`` is None where it cannot be used, and ``problem`` says why."""

    row: SideRow
    capture: Capture | None
    problem: str


@dataclass(frozen=True)
class BoxCheck:
    """What is there, and everything wrong with it.

    box       None where anything is wrong with box.toml or tapes.csv
    deck      None where anything is wrong with the deck file
    sides     every row whose capture is there, in the sheet's order
    copies_overrides  table [copies] of box.toml as it stands
    sheet_problems    of sheet and deck: nothing can be begun
    capture_problems  of captures whose header cannot be used: each costs its own side
    """

    box: Box | None
    deck: Deck | None
    sides: tuple[SideCheck, ...]
    copies_overrides: dict[str, Any]
    sheet_problems: tuple[Problem, ...]
    capture_problems: tuple[Problem, ...]

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Every one: of sheet and deck, then of captures; empty: the box can be worked on."""
        return self.sheet_problems + self.capture_problems


def check_box(folder: Path, criteria: SheetCriteria) -> BoxCheck:
    """Read everything a box consists of, but no samples. Raises nothing for a wrong box: see ``problems``."""
    scan = scan_sheet(folder, criteria)
    problems = list(scan.problems)
    deck_file = shipped("config") / UNKNOWN_DECK if scan.deck_file is None else scan.deck_file
    deck, deck_problems = scan_deck(deck_file, _place_of(deck_file, folder))
    problems += deck_problems
    unusable: list[Problem] = []
    sides = tuple(_read_header(folder, row, unusable) for row in scan.rows)
    return BoxCheck(scan.box, deck, sides, scan.copies_overrides, tuple(problems), tuple(unusable))


def read_box(folder: Path, criteria: SheetCriteria) -> tuple[Box, Deck, tuple[Capture, ...]]:
    """The box, its deck and a capture for each row. Raises SheetError with every problem where there is one."""
    check = check_box(folder, criteria)
    captures = tuple(side.capture for side in check.sides if side.capture is not None)
    if check.problems or check.box is None or check.deck is None:
        raise SheetError(check.problems)
    return check.box, check.deck, captures


def _read_header(folder: Path, row: SideRow, problems: list[Problem]) -> SideCheck:
    try:
        return SideCheck(row, open_capture(folder / row.capture), "")
    except CaptureError as exc:
        what = str(exc).removeprefix(f"{folder / row.capture}: ")
    except OSError as exc:
        what = f"cannot be read ({exc.strerror or exc})"
    place = f"{SHEET_FILE}, row {row.row_number}, column capture"
    reason, _, slip = what.rpartition("; ")  # captures end their errors with the likely slip, as a question
    reason, slip = (reason, slip) if slip.endswith("?") else (what, "")
    problem = Problem(place, f"{row.capture.as_posix()}: {reason}", slip)
    problems.append(problem)
    return SideCheck(row, None, str(problem))


def _place_of(deck_file: Path, folder: Path) -> str:
    return str(deck_file.relative_to(folder)) if deck_file.is_relative_to(folder) else str(deck_file)
