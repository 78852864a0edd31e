"""The way through a box sheet: ``box.toml``, then the table, then each row, then what rows say of each other."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pipeline.errors import Problem, SheetError
from pipeline.sheet.names import folded
from pipeline.sheet.records import Box, SheetCriteria, SheetScan, SideRow
from pipeline.sheet.row import KNOWN, REQUIRED, SHEET_FILE, SPEED, RowReader
from pipeline.sheet.shelf import CaptureShelf, FileIdentity
from pipeline.sheet.table import Table, read_table, squeezed
from pipeline.tomlfile import read_toml

BOX_FILE = "box.toml"


def read_sheet(box_folder: Path, criteria: SheetCriteria) -> Box:
    """The box, if everything in ``box.toml`` and ``tapes.csv`` is right and every capture is there.

    Raises SheetError with all problems. Captures are not opened here (`pipeline.box` does), and nothing is written.
    """
    scan = scan_sheet(box_folder, criteria)
    if scan.box is None:
        raise SheetError(scan.problems)
    return scan.box


def scan_sheet(box_folder: Path, criteria: SheetCriteria) -> SheetScan:
    """The same without raising: what is right, and every problem."""
    problems: list[Problem] = []
    try:
        names = sorted(entry.name for entry in box_folder.iterdir())
    except NotADirectoryError:
        slip = "give the box folder, not a file in it"
        return SheetScan(None, (), None, {}, (Problem(str(box_folder), "expected a folder, found a file", slip),))
    except (OSError, ValueError) as exc:
        what = f"expected a box folder: {getattr(exc, 'strerror', None) or exc}"
        return SheetScan(None, (), None, {}, (Problem(str(box_folder), what, "is the name spelled as on disk?"),))
    if SHEET_FILE not in names:
        problems.append(_missing_sheet(names))
    words = _read_box_file(box_folder, criteria, problems)
    rows = _read_rows(box_folder, criteria, words["nominal_tones_hz"], problems) if SHEET_FILE in names else ()
    deck_file, overrides = words["deck_file"], words["copies_overrides"]
    if problems:
        return SheetScan(None, rows, deck_file, overrides, tuple(problems))
    return SheetScan(Box(folder=box_folder, rows=rows, **words), rows, deck_file, overrides, ())


def _missing_sheet(names: list[str]) -> Problem:
    others = [name for name in names if name.casefold().endswith((".csv", ".xlsx", ".xls", ".ods"))]
    slip = "save the sheet under this name"
    if others:
        verb = "rename" if others[0].casefold().endswith(".csv") else "save as CSV UTF-8 from"
        slip = f"{verb} {others[0]}?"
    return Problem(SHEET_FILE, "no such file in the box", slip)


def _read_box_file(box_folder: Path, criteria: SheetCriteria, problems: list[Problem]) -> dict[str, Any]:
    words: dict[str, Any] = {"nominal_tones_hz": (), "deck_file": None, "copies_overrides": {}}
    top = read_toml(box_folder / BOX_FILE, BOX_FILE, problems)
    if top is None:
        return words
    if box := top.table("box", required=True):
        words["id"] = box.text("id", required=True, may_be_empty=False)
        words |= {key: box.text(key) for key in ("title", "owner", "rights", "language")}
        box.finish()
    if deck := top.table("deck"):
        if file := deck.text("file", required=True, may_be_empty=False):
            words["deck_file"] = box_folder / file.replace("\\", "/")
        deck.finish()
    if reference := top.table("reference"):
        tones = reference.numbers("tone_hz", criteria.lowest_tone_hz, criteria.highest_tone_hz)
        words["nominal_tones_hz"] = tones
        reference.finish()
    words["copies_overrides"] = top.raw("copies")
    top.finish()
    return words


def _read_rows(
    box_folder: Path, criteria: SheetCriteria, nominal_tones_hz: tuple[float, ...], problems: list[Problem]
) -> tuple[SideRow, ...]:
    table = read_table(box_folder / SHEET_FILE, set(KNOWN), problems)
    if table is None or not _headings_are_usable(table, criteria, problems):
        return ()
    if not table.rows and not problems:
        problems.append(Problem(SHEET_FILE, "lists no side", "are there rows below the headings?"))
    shelf = CaptureShelf(box_folder, criteria)
    clashes = _Clashes()
    rows = []
    for number, line in table.rows:
        reader = RowReader(number, table, line, criteria, problems)
        row = reader.read(shelf, nominal_tones_hz)
        clashes.look_at(reader)
        if row is not None:
            rows.append(row)
    return tuple(rows)


def _headings_are_usable(table: Table, criteria: SheetCriteria, problems: list[Problem]) -> bool:
    """Tell what is wrong with the first row; False where tape, side or capture is not among the headings."""
    place = f"{SHEET_FILE}, row 1"
    others = [label for label, heading in zip(table.labels, table.headings, strict=True) if heading not in KNOWN]
    by_squeezed = {squeezed(label): label for label in others if label}
    for column in (*REQUIRED, *SPEED):
        if squeezed(column) in table.headings:
            continue
        alike = get_close_matches(
            squeezed(column), by_squeezed, 1, criteria.alike if column in REQUIRED else criteria.alike_speed_heading
        )
        slip = f"rename {by_squeezed[alike[0]]!r} to {column}?" if alike else ""
        if column in REQUIRED:
            slip = slip or f"the first row must hold the headings; found {', '.join(table.labels)[:200]}"
            problems.append(Problem(f"{place}, column {column}", "missing", slip))
        elif alike:
            problems.append(Problem(f"{place}, column {by_squeezed[alike[0]]}", "no column feltpad knows", slip))
    for heading in set(table.headings) & set(KNOWN):
        if table.headings.count(heading) > 1:
            problems.append(Problem(f"{place}, column {KNOWN[heading]}", "stands in the sheet more than once"))
    return {squeezed(column) for column in REQUIRED} <= set(table.headings)


class _Clashes:
    """What rows say of each other: two on one side, two with one file, two spellings of one tape."""

    def __init__(self) -> None:
        self._sides: dict[tuple[str, str], int] = {}
        self._files: dict[FileIdentity, int] = {}
        self._spellings: dict[str, tuple[str, int]] = {}

    def look_at(self, reader: RowReader) -> None:
        number, tape, side = reader.number, reader.tape, reader.side
        if tape:
            spelling, first = self._spellings.setdefault(folded(tape), (tape, number))
            if spelling != tape:
                slip = "write it alike in both rows, or give one another id"
                what = f"{tape!r} and {spelling!r} in row {first} would be one folder on Windows and macOS"
                reader.refuse("tape", what, slip)
        if tape and side:
            first = self._sides.setdefault((folded(tape), folded(side)), number)
            if first != number:
                slip = "a row copied and not changed? a side in two parts needs two names, such as A1 and A2"
                reader.refuse("side", f"tape {tape} side {side} stands already in row {first}", slip)
        if reader.file_identity is not None:
            first = self._files.setdefault(reader.file_identity, number)
            if first != number:
                what = f"the same recording as in row {first}"
                reader.refuse("capture", what, "a row copied and its capture not changed?")
