"""A TOML file a person wrote, read strictly: each key is asked for by name, and a key nobody asked for is a problem.

Problems are collected, not raised, so that a person sees all of them at once. A value that is missing or wrong comes
back as an empty one of its kind; whoever reads on must look at the collected problems before using it.
"""

from __future__ import annotations

import math
import sys
import tomllib
from datetime import date, datetime
from difflib import get_close_matches
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar

from pipeline.errors import Problem

Choice = TypeVar("Choice", bound=Enum)


def nearest(word: str, known: list[str]) -> str:
    """The known word most like ``word``, as a question to put behind a problem; "" where none is alike.

    >>> nearest("ower", ["id", "title", "owner"])
    'did you mean owner?'
    """
    alike = get_close_matches(word.casefold(), known, 1)
    return f"did you mean {alike[0]}?" if alike else ""


def read_toml(path: Path, place: str, problems: list[Problem]) -> StrictTable | None:
    """The file as a strict table; None, and a problem named ``place``, where it cannot be read."""
    try:
        if not path.is_file():
            slip = "is the name spelled as on disk?" if not path.exists() else "it is a folder or a device"
            problems.append(Problem(place, "no such file", slip))
            return None
        table = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as exc:
        problems.append(_unreadable(place, exc))
        return None
    return StrictTable(table, place, "", problems)


def _unreadable(place: str, exc: Exception) -> Problem:
    if isinstance(exc, UnicodeDecodeError):
        return Problem(place, f"not UTF-8 text (byte {exc.start})", "saved as ANSI? save it as UTF-8")
    if isinstance(exc, tomllib.TOMLDecodeError):
        slip = "write / in paths, also on Windows" if "escape" in str(exc).lower() else "are all texts in quotes?"
        return Problem(place, f"not valid TOML: {exc}", slip)
    if isinstance(exc, RecursionError):
        return Problem(place, "not usable TOML: nested too deep")
    return Problem(place, f"cannot be read: {getattr(exc, 'strerror', None) or exc}")


class StrictTable:
    """One table of the file. Ask for every key it may hold, then call `finish`."""

    def __init__(self, values: dict[str, Any], file: str, name: str, problems: list[Problem]) -> None:
        self._values, self._file, self._name, self._problems = values, file, name, problems
        self._asked: list[str] = []

    def text(self, key: str, *, required: bool = False, may_be_empty: bool = True) -> str:
        """A text; a bare number is taken as one (a year, a serial number)."""
        value = self._take(key, required)
        if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 1 << 64:
            value = str(value)
        if value is None:
            return ""
        if not isinstance(value, str):
            self._refuse(key, f"expected a text in quotes, found {_shown(value)}")
            return ""
        if any(ord(sign) < 32 and sign not in "\t\r\n" for sign in value):
            self._refuse(key, f"holds control characters: {_shown(value)}")
            return ""
        if not may_be_empty and not value.strip():
            self._refuse(key, "must not be empty")
            return ""
        return value.strip()

    def number(self, key: str, lowest: float, highest: float, *, required: bool = False) -> float | None:
        """A number from ``lowest`` to ``highest``."""
        value = self._take(key, required)
        return None if value is None else self._as_number(key, value, lowest, highest)

    def numbers(self, key: str, lowest: float, highest: float) -> tuple[float, ...]:
        """A list of numbers; one alone is taken as a list of one."""
        value = self._take(key, False)
        entries = value if isinstance(value, list) else [] if value is None else [value]
        found = [self._as_number(f"{key}[{n}]", entry, lowest, highest) for n, entry in enumerate(entries, 1)]
        return tuple(dict.fromkeys(number for number in found if number is not None))

    def day(self, key: str, *, required: bool = False) -> date | None:
        """A date, bare (2024-05-03) or as an ISO text."""
        value = self._take(key, required)
        if isinstance(value, datetime):
            return value.date()
        if value is None or isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            slip = "year first, month and day with two digits"
            self._refuse(key, f"expected a date such as 2024-05-03, found {_shown(value)}", slip)
            return None

    def choice(self, key: str, kind: type[Choice], *, required: bool = False) -> Choice | None:
        """One word of an enumeration."""
        value = self._take(key, required)
        if value is None:
            return None
        words = [str(entry.value) for entry in kind]
        if value in words:
            return kind(value)
        slip = nearest(value, words) if isinstance(value, str) else ""
        self._refuse(key, f"expected one of {', '.join(words)}, found {_shown(value)}", slip)
        return None

    def raw(self, key: str) -> dict[str, Any]:
        """A table passed on as it is, for somebody else to judge."""
        value = self._take(key, False)
        if value is None or isinstance(value, dict):
            return value or {}
        self._refuse(key, f"expected a table [{key}], found {_shown(value)}")
        return {}

    def table(self, key: str, *, required: bool = False) -> StrictTable | None:
        value = self._take(key, required, f"[{key}] is missing")
        if value is None or isinstance(value, dict):
            return None if value is None else StrictTable(value, self._file, self._path(key), self._problems)
        self._refuse(key, f"expected a table [{key}], found {_shown(value)}")
        return None

    def tables(self, key: str) -> list[StrictTable]:
        """A list of tables, written [[key]]."""
        value = self._take(key, False)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            self._refuse(
                key, f"expected tables [[{key}]], found {_shown(value)}", f"write [[{key}]], in double brackets"
            )
            return []
        return [
            StrictTable(entry, self._file, self._path(f"{key}[{n}]"), self._problems)
            for n, entry in enumerate(value, 1)
        ]

    def keys(self) -> list[str]:
        return list(self._values)

    def refuse(self, key: str, what: str, slip: str = "") -> None:
        """Add a problem of the reader's own at this key."""
        self._refuse(key, what, slip)

    def finish(self) -> None:
        """Say of every key nobody asked for that it would have no effect."""
        for key in self._values:
            if key not in self._asked:
                slip = nearest(key, [word for word in self._asked if word not in self._values])
                self._refuse(key, f"no such key; known here: {', '.join(self._asked)}", slip)

    def _take(self, key: str, required: bool, what: str = "missing") -> Any:
        self._asked.append(key)
        if key not in self._values and required:
            self._refuse(key, what)
        return self._values.get(key)

    def _as_number(self, key: str, value: Any, lowest: float, highest: float) -> float | None:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            slip = "write the number without quotes" if isinstance(value, str) else ""
            self._refuse(key, f"expected a number, found {_shown(value)}", slip)
            return None
        if not lowest <= value <= highest or abs(value) > sys.float_info.max:
            limits = f"{lowest:g} to {highest:g}" if math.isfinite(highest - lowest) else "a finite number"
            self._refuse(key, f"expected {limits}, found {_shown(value)}")
            return None
        return float(value)

    def _path(self, key: str) -> str:
        return f"{self._name}.{key}" if self._name else key

    def _refuse(self, key: str, what: str, slip: str = "") -> None:
        self._problems.append(Problem(f"{self._file}, key {self._path(key)}", what, slip))


def _shown(value: Any) -> str:
    try:
        shown = repr(value)
    except ValueError:  # Python refuses to write out integers of thousands of digits
        return "a number too long to show"
    return shown if len(shown) <= 40 else shown[:37] + "..."
