"""From a box folder to the tapes that are to be made: the sheet, the deck, the settings and every capture's header."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from pipeline.box import SideCheck, check_box
from pipeline.errors import Problem, SheetError
from pipeline.making import TapeJob
from pipeline.method import read_all_settings
from pipeline.qc import FailedSide
from pipeline.sheet import Box
from pipeline.side_job import SideJob
from pipeline.source import tape_source


@dataclass(frozen=True)
class Plan:
    box: Box
    jobs: tuple[TapeJob, ...]


def plan_box(folder: Path, tapes: Collection[str] = (), config: Path | None = None) -> Plan:
    """What is to be made of a box, or of some of its tapes.

    A capture whose header cannot be used fails its own side. Anything wrong with the sheet or the deck raises
    SheetError with every problem; a wrong setting raises SettingsError.
    """
    check = check_box(folder, read_all_settings(config).method.sheet)
    if check.sheet_problems or check.box is None or check.deck is None:
        raise SheetError(check.problems)
    box, deck = check.box, check.deck
    settings = read_all_settings(config, box.copies_overrides)
    by_tape: dict[str, list[SideCheck]] = {}
    for side in check.sides:
        by_tape.setdefault(side.row.tape, []).append(side)
    if unknown := [tape for tape in tapes if tape not in by_tape]:
        known = _known(list(by_tape))
        raise SheetError([Problem("--tape", f"no tape {tape!r} in the sheet", known) for tape in unknown])
    jobs = []
    for tape, sides in by_tape.items():
        if tapes and tape not in tapes:
            continue
        captures = {s.row.side: box.folder / s.row.capture for s in sides if s.capture is not None}
        source = tape_source(box, tape, tuple(side.row for side in sides), captures, settings)
        ready = tuple(SideJob(source, deck, s.row, captures[s.row.side]) for s in sides if s.row.side in captures)
        failed = tuple(FailedSide(s.row.side, s.problem) for s in sides if s.capture is None)
        jobs.append(TapeJob(source, deck, ready, failed))
    return Plan(box, tuple(jobs))


def _known(names: list[str]) -> str:
    return f"tapes there: {', '.join(names[:12])}{' …' if len(names) > 12 else ''}"
