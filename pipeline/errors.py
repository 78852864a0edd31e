"""Every error feltpad raises on purpose.

::

    FeltpadError
      ├── SheetError          the box sheet or its files are wrong; carries every problem found
      ├── DeckError           a deck file cannot be used
      ├── SettingsError       a config file says too little, too much or something impossible
      ├── CaptureError        a capture cannot be read
      ├── DecisionError       a decision cannot be carried out on this capture
      ├── CopyError           a copy could not be written, or does not decode to what was meant
      └── ArchiveError        the archive or one of its tapes is missing, damaged or not sealed

A message says which file, what was expected, what was found and the likely slip. A poor tape is no
error: it is a finding (`pipeline.qc`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class FeltpadError(Exception):
    """The root: catch this one to catch everything feltpad raises on purpose."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a box, told so that the person can find and mend it.

    place  the file, with row and column where there are any ("tapes.csv, row 4, column ratio")
    what   what was expected and what was found
    slip   the likely slip, or "" where none is likelier than another
    """

    place: str
    what: str
    slip: str = ""

    def __str__(self) -> str:
        return f"{self.place}: {self.what}" + (f" ({self.slip})" if self.slip else "")


class SheetError(FeltpadError):
    """The box cannot be worked on as it is; ``problems`` holds every reason, not the first."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class DeckError(FeltpadError):
    """A deck file cannot be used."""


class SettingsError(FeltpadError):
    """A config file is not what the code asks for."""


class CaptureError(FeltpadError):
    """A capture cannot be read."""


class DecisionError(FeltpadError):
    """A decision cannot be carried out on this capture."""


class CopyError(FeltpadError):
    """A copy could not be written, or does not decode to what was meant."""


class ArchiveError(FeltpadError):
    """The archive, or a tape in it, is missing, damaged or not sealed."""
