"""Boxes to read: a right one, and the means to spoil it."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile

from pipeline.settings import settings_from, shipped
from pipeline.sheet import SheetCriteria

BOX_TOML = """\
[box]
id = "B7"
title = "Aunt Runa's tapes"
owner = "the Vell family"
rights = "private"
language = "en"

[deck]
file = "decks/kitchen.toml"

[reference]
tone_hz = [440.0]
"""
DECK_TOML = '[deck]\nlabel = "Kitchen recorder"\n'


def criteria() -> SheetCriteria:
    """As shipped: a test that needs other numbers says so."""
    path = shipped("config") / "method.toml"
    return settings_from(SheetCriteria, tomllib.loads(path.read_text())["sheet"], str(path))


def make_box(folder: Path, sheet: str | bytes, captures: Iterable[str] = ("T1-A.wav", "T1-B.wav")) -> Path:
    """A box with this sheet; its captures are a few samples long."""
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "decks").mkdir(exist_ok=True)
    (folder / "box.toml").write_text(BOX_TOML, encoding="utf-8")
    (folder / "decks" / "kitchen.toml").write_text(DECK_TOML, encoding="utf-8")
    (folder / "tapes.csv").write_bytes(sheet if isinstance(sheet, bytes) else sheet.encode())
    for name in captures:
        soundfile.write(folder / "captures" / name, np.zeros((8, 1), np.int16), 8000)
    return folder


def digest_of(folder: Path) -> str:
    """Of every name, content and time of change under a folder."""
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        digest.update(f"{path.relative_to(folder)} {path.lstat().st_mtime_ns}".encode())
        if path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()
