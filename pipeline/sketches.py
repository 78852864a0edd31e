"""What each side is compared by, kept beside the ledger so that an overview is read only once.

The file can be thrown away: it is made again from the overviews in the tapes' bags.
"""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.archive import Archive
from pipeline.errors import ArchiveError
from pipeline.files import whole_file
from pipeline.outline import OutlineCriteria, balance_of, outline_of
from pipeline.overview import read_overview
from pipeline.qc import SideQC
from pipeline.regions import RegionKind
from pipeline.twins import Sketch

Array = np.ndarray[Any, Any]

FILE = "outlines.npz"
STEPS_PER_DB = 100.0


def read_sketches(
    archive: Archive, sides: Sequence[tuple[str, SideQC]], criteria: OutlineCriteria
) -> tuple[Sketch, ...]:
    """One a side, (tape, its record), in their order. A side whose overview cannot be read has an empty outline."""
    path = archive.state / FILE
    known = _read(path, repr(criteria))
    outlines: dict[str, Array] = {}
    sketches = []
    for tape, side in sides:
        digest = side.measurement.capture.audio_sha256
        start_s, stop_s = _programme_s(side)
        key = f"{digest} {start_s:.2f} {stop_s:.2f}"
        if key not in outlines:
            found = known.get(key)
            outlines[key] = _outline(archive, tape, side.side, start_s, stop_s, criteria) if found is None else found
        sketches.append(Sketch(tape, side.side, digest, outlines[key]))
    if outlines.keys() != known.keys():
        _write(path, repr(criteria), outlines)
    return tuple(sketches)


def read_balance(archive: Archive, tape: str, side: SideQC, criteria: OutlineCriteria) -> Array:
    """How the programme moves between left and right; empty where that cannot be read."""
    try:
        overview = read_overview(archive.sealed(tape).qc, side.side)
    except ArchiveError:
        return np.zeros(0, np.float32)
    return balance_of(overview, *_programme_s(side), criteria)


def _programme_s(side: SideQC) -> tuple[float, float]:
    spans = [(r.start_s, r.stop_s) for r in side.measurement.regions if r.kind is RegionKind.PROGRAMME]
    return (spans[0][0], spans[-1][1]) if spans else (0.0, 0.0)


def _outline(archive: Archive, tape: str, side: str, start_s: float, stop_s: float, criteria: OutlineCriteria) -> Array:
    try:
        return outline_of(read_overview(archive.sealed(tape).qc, side), start_s, stop_s, criteria)
    except ArchiveError:
        return np.zeros(0, np.float32)


def _read(path: Path, made_with: str) -> dict[str, Array]:
    """Nothing where the file is missing, damaged, or was made otherwise."""
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            if str(kept["made_with"]) != made_with:
                return {}
            levels = kept["levels"].astype(np.float32) / np.float32(STEPS_PER_DB)
            pieces = np.split(levels, np.cumsum(kept["lengths"])[:-1])
            return dict(zip((str(key) for key in kept["keys"]), pieces, strict=True))
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        return {}


def _write(path: Path, made_with: str, outlines: dict[str, Array]) -> Path:
    levels = np.concatenate([np.zeros(0, np.float32), *outlines.values()])
    with whole_file(path) as partial, partial.open("wb") as stream:
        np.savez(
            stream,
            made_with=np.array(made_with),
            keys=np.array(list(outlines)),
            lengths=np.array([len(outline) for outline in outlines.values()], np.int64),
            levels=np.round(levels * STEPS_PER_DB).astype(np.int16),
        )
    return path
