"""A side that is to be made: what the sheet, the deck and the settings say of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.deck import Deck
from pipeline.sheet import SideRow
from pipeline.source import TapeSource


@dataclass(frozen=True)
class SideJob:
    """A side to be made. ``capture`` is None when it is made again from its preservation copy."""

    source: TapeSource
    deck: Deck
    row: SideRow
    capture: Path | None

    @property
    def tape(self) -> str:
        return self.row.tape

    @property
    def side(self) -> str:
        return self.row.side

    @property
    def stem(self) -> str:
        return f"{self.row.tape}-{self.row.side}"

    @property
    def nominal_tones_hz(self) -> tuple[float, ...]:
        """The box's tones and this side's own."""
        own = () if self.row.tone_hz is None else (self.row.tone_hz,)
        return tuple(dict.fromkeys((*own, *self.source.nominal_tones_hz)))
