"""Finding the captures a sheet names, inside the box and nowhere else."""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from difflib import get_close_matches
from pathlib import Path, PurePosixPath

from pipeline.sheet.cells import NotUnderstood
from pipeline.sheet.records import SheetCriteria

CAPTURES = "captures"
FileIdentity = tuple[int, int]  # device and inode: one file, whatever links lead to it


class CaptureShelf:
    """The files of one box, listed once.

    A capture may be named from the box folder ("captures/T1-A.wav") or from its folder captures ("T1-A.wav"), with
    slashes of either kind. A link to a recording elsewhere is followed: large captures often lie on another disk.
    """

    def __init__(self, box_folder: Path, criteria: SheetCriteria) -> None:
        self._box, self._criteria = box_folder, criteria
        self._listed: dict[str, dict[str, str]] = {}
        self._by_stem: dict[str, str] | None = None
        self._suggestions_left = criteria.most_suggestions

    def find(self, text: str) -> tuple[Path, FileIdentity]:
        """The capture relative to the box, and the file's identity. Raises NotUnderstood where there is none."""
        if not text:
            raise NotUnderstood("empty", "every side needs its capture file")
        name = PurePosixPath(text.replace("\\", "/"))
        if name.is_absolute() or re.match(r"[A-Za-z]:|~[/\\]|[a-z]+://", text):
            raise NotUnderstood(
                f"expected a file inside the box, found {text!r}", f"move it to {CAPTURES}/ and name that"
            )
        if ".." in name.parts:
            raise NotUnderstood(f"expected a file inside the box, found {text!r}", "a path must not contain ..")
        for candidate in (name, CAPTURES / name):
            if (found := self._look_up(candidate)) is not None:
                path, status = found
                if not stat.S_ISREG(status.st_mode):
                    raise NotUnderstood(f"expected a recording, found {text!r} to be a folder or a device")
                return path, (status.st_dev, status.st_ino)
        raise NotUnderstood(f"no such file: {text!r}", self._alike(name))

    def _look_up(self, name: PurePosixPath) -> tuple[Path, os.stat_result] | None:
        path = Path(name)
        try:
            return path, (self._box / path).stat()
        except (OSError, ValueError):
            # An older macOS stores é as e + ´: the same name in other bytes.
            spelled = self._list(name.parent).get(name.name)
        try:
            return (path.with_name(spelled), (self._box / path.with_name(spelled)).stat()) if spelled else None
        except OSError:
            return None

    def _list(self, folder: PurePosixPath) -> dict[str, str]:
        """NFC name to name on disk."""
        key = str(folder)
        if key not in self._listed:
            try:
                names = [entry.name for entry in (self._box / folder).iterdir()]
            except (OSError, ValueError):
                names = []
            self._listed[key] = {unicodedata.normalize("NFC", name): name for name in names}
        return self._listed[key]

    def _alike(self, name: PurePosixPath) -> str:
        """The likely slip behind a file that is not there."""
        if any(candidate.name in self._list(candidate.parent) for candidate in (name, CAPTURES / name)):
            return "a link to a file that is not there, or no right to read it; is its disk connected?"
        shelf = self._list(PurePosixPath(CAPTURES))
        if not shelf:
            return f"is the folder {CAPTURES} empty or missing?"
        if self._by_stem is None:
            self._by_stem = {_bare(there): there for there in sorted(shelf, reverse=True) if not there.startswith(".")}
        alike = self._by_stem.get(_bare(name.name))
        if alike is None and self._suggestions_left > 0:
            self._suggestions_left -= 1
            alike = next(iter(get_close_matches(name.name, shelf, 1, self._criteria.alike)), None)
        return f"did you mean {CAPTURES}/{alike}?" if alike else "not copied into the box yet?"


def _bare(name: str) -> str:
    """A name without folder, ending, case, blanks and signs."""
    stem = name.rpartition(".")[0] or name
    return "".join(sign for sign in stem.casefold() if sign.isalnum())
