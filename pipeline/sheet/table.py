"""``tapes.csv`` as spreadsheets save it: which letters, which separator, which rows.

Taken: UTF-8 with or without byte order mark, UTF-16 with one (what a spreadsheet calls Unicode text); comma, semicolon
or tab; a first line ``sep=;``; line breaks inside quotes; empty rows and cells at the end. Everything is normalised to
NFC, so that a letter typed on one system equals the same letter typed on another.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Problem

_SEPARATORS = ",;\t"
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # zip (xlsx, ods) and the old binary workbook
_UNICODE_TEXT = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True)
class Table:
    """The cells. ``headings`` are squeezed by `squeezed`, ``labels`` as written; a row number counts the heading row
    as 1 and a quoted line break not at all, as a spreadsheet does."""

    headings: tuple[str, ...]
    labels: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def squeezed(heading: str) -> str:
    """A heading without case, blanks and signs: "Read_Hz " and "read hz" are one.

    >>> squeezed("Read (Hz) ")
    'readhz'
    """
    return "".join(sign for sign in unicodedata.normalize("NFKC", heading).casefold() if sign.isalnum())


def read_table(path: Path, known: set[str], problems: list[Problem]) -> Table | None:
    """The table in a CSV file; None, and a problem, where there is none. ``known``: squeezed headings to expect."""
    try:
        if not path.is_file():  # a pipe or a device would be read for ever
            problems.append(Problem(path.name, "expected a file, found a folder, a device or a dead link"))
            return None
        raw = path.read_bytes()
    except OSError as exc:
        problems.append(Problem(path.name, f"cannot be read ({exc.strerror})", "is it open in another program?"))
        return None
    text = _decode(raw, path.name, problems)
    if text is None:
        return None
    text = unicodedata.normalize("NFC", text)
    declared = re.match(r"sep=(.)\r?\n", text, re.IGNORECASE)
    if declared:
        text = text[declared.end() :]
    separator = declared[1] if declared and declared[1] in _SEPARATORS else _likely_separator(text, known)
    rows = list(_rows(text, separator, path.name, problems))
    if not rows:
        problems.append(Problem(path.name, "holds no headings and no rows", "was it saved before it was filled in?"))
        return None
    (_, labels), *sides = rows
    labels = tuple(label.strip() for label in labels)
    return Table(tuple(map(squeezed, labels)), labels, tuple(sides))


def _decode(raw: bytes, place: str, problems: list[Problem]) -> str | None:
    if raw.startswith(_WORKBOOKS):
        slip = 'in the spreadsheet, save as "CSV UTF-8"; renaming a workbook does not make it one'
        problems.append(Problem(place, "expected text, found a workbook", slip))
        return None
    try:
        return raw.decode("utf-16" if raw.startswith(_UNICODE_TEXT) else "utf-8-sig")
    except UnicodeDecodeError as exc:
        row = raw.count(b"\n", 0, exc.start) + 1
        what = f"not UTF-8 text: byte 0x{raw[exc.start]:02x} at offset {exc.start}"
        slip = "is this a CSV file at all?"
        if b"\0" not in raw and not raw.startswith(_UNICODE_TEXT):
            near = raw[max(0, exc.start - 12) : exc.start + 12].decode("cp1252", "replace")
            near = " ".join(near.split())
            slip = f'near {near!r}; saved as ANSI or plain "CSV"? save as "CSV UTF-8"'
        problems.append(Problem(f"{place}, line {row}", what, slip))
        return None


def _likely_separator(text: str, known: set[str]) -> str:
    """The separator that shows the most headings we know; among equals the one that parts the first row most."""

    def score(separator: str) -> tuple[int, int]:
        cells = next((cells for _, cells in _rows(text, separator, "", [])), ())
        return len(known & set(map(squeezed, cells))), len(cells)

    return max(_SEPARATORS, key=score)


def _rows(text: str, separator: str, place: str, problems: list[Problem]) -> Iterator[tuple[int, tuple[str, ...]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
    row_number = 0
    try:
        for row_number, cells in enumerate(reader, 1):
            if any(cell.strip() for cell in cells):
                yield row_number, tuple(cells)
    except csv.Error as exc:
        slip = 'a quotation mark that is not closed, or not doubled ("") inside a quoted cell?'
        problems.append(Problem(f"{place}, row {row_number + 1}", f"cannot be parted into cells: {exc}", slip))
