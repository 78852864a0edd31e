"""One row of the sheet: its cells by column, what each says, and whether they agree."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from pipeline.errors import Problem
from pipeline.sheet import cells
from pipeline.sheet.cells import NotUnderstood
from pipeline.sheet.names import check_name
from pipeline.sheet.records import SheetCriteria, SideRow
from pipeline.sheet.shelf import CaptureShelf, FileIdentity
from pipeline.sheet.table import Table, squeezed

SHEET_FILE = "tapes.csv"
REQUIRED = ("tape", "side", "capture")
SPEED = ("tone_hz", "read_hz", "ratio", "tape_type")  # these change what we do: misspelled, they are no mere notes
_TEXTS = ("title", "creator", "place", "subject", "notes")
KNOWN = {squeezed(column): column for column in (*REQUIRED, *SPEED, *_TEXTS, "date", "length", "index")}
Value = TypeVar("Value")


class RowReader:
    """One row: every cell is read, and every problem told, before the row is given up."""

    def __init__(
        self, number: int, table: Table, line: tuple[str, ...], criteria: SheetCriteria, problems: list[Problem]
    ) -> None:
        self.number = number
        self.tape = self.side = ""
        self.file_identity: FileIdentity | None = None
        self._criteria, self._problems = criteria, problems
        self._known: dict[str, str] = {}
        self._extra: dict[str, str] = {}
        self._given_up: set[str] = set()  # columns already refused whatever they should say
        for position, cell in enumerate(line):
            self._sort_in(position, cell, table)

    def _sort_in(self, position: int, cell: str, table: Table) -> None:
        text = cells.clean_text(cell)
        if not text:
            return
        label = table.labels[position] if position < len(table.labels) else ""
        column = KNOWN.get(table.headings[position]) if position < len(table.labels) else None
        label = column or label or f"column {position + 1}"
        if position >= len(table.labels):
            slip = "a separator or a decimal comma in a cell that is not in quotes?"
            self.refuse(str(position + 1), f"the row has more cells than there are headings; found {text[:40]!r}", slip)
        elif column is not None:
            self._known.setdefault(column, cell if column in REQUIRED else text)
        else:
            while label in self._extra:
                label += "'"
            self._extra[label] = text
        try:
            cells.refuse_formula_error(text)
            if column not in ("tape", "side"):  # what a name must not hold says more
                cells.refuse_unprintable(text)
        except NotUnderstood as exc:
            self.refuse(label, exc.what, exc.slip)
            self._given_up.add(label)

    def refuse(self, column: str, what: str, slip: str = "") -> None:
        self._problems.append(Problem(f"{SHEET_FILE}, row {self.number}, column {column}", what, slip))

    def _read(self, column: str, read: Callable[[], Value]) -> Value | None:
        if column in self._given_up:
            return None
        try:
            return read()
        except NotUnderstood as exc:
            self.refuse(column, exc.what, exc.slip)
            return None

    def _mark(self, column: str) -> str:
        return cells.clean_mark(self._known.get(column, ""))

    def _optional(self, column: str, read: Callable[..., Value], *more: Any) -> Value | None:
        text = self._mark(column)
        return self._read(column, lambda: read(text, *more)) if text else None

    def read(self, shelf: CaptureShelf, nominal_tones_hz: tuple[float, ...]) -> SideRow | None:
        """The row; None where its capture is not there. Where a problem was told, the value in question is empty."""
        criteria = self._criteria
        self.tape = self._read("tape", lambda: check_name(self._mark("tape"), criteria)) or ""
        self.side = self._read("side", lambda: check_name(self._mark("side"), criteria)) or ""
        found = self._read("capture", lambda: shelf.find(self._mark("capture")))
        tone_hz = self._optional("tone_hz", cells.read_hz, criteria)
        read_hz = self._optional("read_hz", cells.read_hz, criteria)
        ratio = self._optional("ratio", cells.read_ratio, criteria)
        self._check_speed(tone_hz, read_hz, ratio, nominal_tones_hz)
        date, date_iso = self._read("date", lambda: cells.read_date(self._known.get("date", ""))) or ("", None)
        tape_type = self._optional("tape_type", cells.read_tape_type)
        length = self._optional("length", cells.read_length) or ""
        if found is None:
            return None
        capture, self.file_identity = found
        texts = {column: self._known.get(column, "") for column in _TEXTS}
        index = cells.read_index(self._known.get("index", ""))
        return SideRow(
            row_number=self.number, tape=self.tape, side=self.side, capture=capture, date=date, date_iso=date_iso,
            tape_type=tape_type, length=length, tone_hz=tone_hz, read_hz=read_hz, ratio=ratio, index=index,
            extra=self._extra, **texts,
        )  # fmt: skip

    def _check_speed(
        self, tone_hz: float | None, read_hz: float | None, ratio: float | None, nominal_tones_hz: tuple[float, ...]
    ) -> None:
        criteria = self._criteria
        if read_hz is None:
            return
        if not self._mark("tone_hz"):
            slip = f"which tone should it have been? write it into tone_hz{_such_as(nominal_tones_hz)}"
            self.refuse("read_hz", f"{read_hz:g} Hz was read, and tone_hz is empty", slip)
        if tone_hz is None:
            return
        by_reading = tone_hz / read_hz
        pair = f"tone_hz {tone_hz:g} read as {read_hz:g} is a ratio of {by_reading:.6g}"
        if not criteria.lowest_ratio <= by_reading <= criteria.highest_ratio:
            limits = f"{criteria.lowest_ratio:g} to {criteria.highest_ratio:g}"
            self.refuse("read_hz", f"{pair}; expected {limits}", "are these two numbers of one tone?")
        elif read_hz in nominal_tones_hz and tone_hz not in nominal_tones_hz:
            slip = f"box.toml gives {read_hz:g} as a reference tone: tone_hz and read_hz the wrong way round?"
            self.refuse("read_hz", pair, slip)
        elif ratio is not None and abs(ratio / by_reading - 1) > criteria.agreement_percent / 100:
            slip = f"leave the ratio empty{_if_inverse(ratio, by_reading, criteria)}"
            self.refuse("ratio", f"{ratio:g} disagrees with the reading beside it: {pair}", slip)


def _such_as(nominal_tones_hz: tuple[float, ...]) -> str:
    return f", such as {nominal_tones_hz[0]:g}" if nominal_tones_hz else ""


def _if_inverse(ratio: float, by_reading: float, criteria: SheetCriteria) -> str:
    inverse = abs(ratio * by_reading - 1) <= criteria.agreement_percent / 100
    return "; it was worked out upside down, it is tone_hz divided by read_hz" if inverse else ""
