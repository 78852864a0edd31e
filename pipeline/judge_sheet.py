"""Whether the sheet contradicts itself about a side."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePath

from pipeline.qc import Finding, Severity, found
from pipeline.sheet import SideRow

_SIDES = {"A": "A", "B": "B", "1": "A", "2": "B"}
_SAID = re.compile(
    r"(?<![A-Za-z])(?:side|seite|face|lato|lado|kant)[ _-]*([AB12])(?![A-Za-z0-9])", re.IGNORECASE
)  # "side 2"
_LAST = re.compile(r"(?:[-_.][ ]*([ABab])|[ ]([AB]))$")  # "H2-B", "H2 B"; "take a" is no side


def judge_sheet(row: SideRow) -> Iterator[Finding]:
    """A capture named after the other side than its row: A and B may be swapped.

    Told only where the file's name says one side and no other; numbers count behind the word "side" only.
    """
    stem = PurePath(row.capture).stem
    own = _SIDES.get(row.side.upper())
    if own is None or stem.casefold() == row.tape.casefold():
        return
    said = _SAID.findall(stem) or ["".join(groups) for groups in _LAST.findall(stem)]
    named = {_SIDES[mark.upper()] for mark in said}
    if len(named) == 1 and own not in named:
        message = (
            f"the sheet says side {row.side}, and the capture is called {PurePath(row.capture).name}: are A and B"
            " swapped, in the sheet or when it was captured? Compare it with the inlay"
        )
        yield found("side-named-otherwise", Severity.WARN, message)
