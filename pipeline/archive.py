"""Where things stand in an archive, and how a tape's folder changes in one step.

A folder ``ARCHIVE/<tape>`` is always a whole, sealed bag. Work happens in ``ARCHIVE/.feltpad/work/<tape>``, which looks
the same inside; when it is sealed, the two change places. Files of a sealed bag are never edited: the working folder
begins with links to them, and what is made anew replaces its link.
"""

from __future__ import annotations

import os
import shutil
import threading
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ArchiveError

STATE = ".feltpad"

# Two sides of a tape begin in two threads at once; another process is kept out by the ledger's lock.
_BEGINNING = threading.Lock()


@dataclass(frozen=True)
class TapeFolder:
    """The inside of one tape's folder, sealed or in work. Paths in records are relative to ``root``."""

    root: Path

    @property
    def payload(self) -> Path:
        return self.root / "data"

    @property
    def preservation(self) -> Path:
        return self.payload / "preservation"

    @property
    def master(self) -> Path:
        return self.payload / "master"

    @property
    def access(self) -> Path:
        return self.payload / "access"

    @property
    def qc(self) -> Path:
        return self.payload / "qc"

    @property
    def decisions(self) -> Path:
        return self.payload / "decisions"

    @property
    def source(self) -> Path:
        return self.payload / "source"

    @property
    def drafts(self) -> Path:
        """For what is handed from one step to the next; never in a sealed folder."""
        return self.root / "drafts"

    def relative(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()


@dataclass(frozen=True)
class Archive:
    root: Path

    @property
    def state(self) -> Path:
        return self.root / STATE

    def sealed(self, tape: str) -> TapeFolder:
        return TapeFolder(self.root / tape)

    def in_work(self, tape: str) -> TapeFolder:
        return TapeFolder(self.state / "work" / tape)

    def current(self, tape: str) -> TapeFolder:
        """The folder in work where there is one, else the sealed one."""
        working = self.in_work(tape)
        return working if working.root.exists() else self.sealed(tape)

    def tapes(self) -> tuple[str, ...]:
        """Every sealed tape, by name."""
        if not self.root.is_dir():
            raise ArchiveError(f"{self.root}: no such archive; is the path right?")
        return tuple(sorted(path.parent.name for path in self.root.glob("*/bagit.txt")))

    def require(self, tape: str) -> TapeFolder:
        """The sealed folder of a tape; raises ArchiveError, naming the tapes there are, when there is none."""
        if not self._is_sealed(tape):  # the others are listed for the message only: this is asked for every tape
            known = ", ".join(self.tapes()) or "none"
            raise ArchiveError(f"{self.root}: holds no sealed tape {tape!r}; tapes here: {known}")
        return self.sealed(tape)

    def _is_sealed(self, tape: str) -> bool:
        if tape != Path(tape).name or tape == "..":
            return False
        try:
            return (self.root / tape / "bagit.txt").is_file()
        except OSError:  # no name a folder can have
            return False

    def begin(self, tape: str) -> TapeFolder:
        """A folder to work in: the one a killed run left, or the sealed one's files, or an empty one."""
        working = self.in_work(tape)
        with _BEGINNING:
            if working.root.exists():
                return working
            half = working.root.with_name(f".{tape}.linking")
            shutil.rmtree(half, ignore_errors=True)
            half.mkdir(parents=True)
            sealed = self.sealed(tape)
            if sealed.payload.is_dir():
                shutil.copytree(sealed.payload, half / "data", copy_function=_link)
            half.rename(working.root)
            return working

    def publish(self, tape: str) -> TapeFolder:
        """Let the sealed working folder take the tape's place."""
        sealed, working, replaced = self.sealed(tape), self.in_work(tape), self._replaced(tape)
        replaced.parent.mkdir(parents=True, exist_ok=True)
        if sealed.root.exists():
            shutil.rmtree(replaced, ignore_errors=True)  # a run killed while it cleared up may have left part of one
            sealed.root.rename(replaced)
        working.root.rename(sealed.root)
        shutil.rmtree(replaced, ignore_errors=True)
        return sealed

    def recover(self) -> None:
        """Mend what a run killed between the two renames of `publish` left behind."""
        folder = self._replaced("any").parent
        for replaced in sorted(folder.iterdir()) if folder.is_dir() else ():
            sealed = self.sealed(replaced.name)
            if sealed.root.exists():
                shutil.rmtree(replaced, ignore_errors=True)
            else:
                replaced.rename(sealed.root)

    def _replaced(self, tape: str) -> Path:
        return self.state / "replaced" / tape


def _link(source: str, target: str) -> str:
    """A hard link, or a copy where the file system has none."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
    return target
