"""One step of making a tape: what it depends on, the call that does it, and where its outcome is noted.

The ledger is asked first (`Step.find`); only what is due is done (`Step.make`). A step's outcome is a record, so the
same code goes on whether it was found or made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from pipeline.archive import Archive
from pipeline.ledger import Ledger, step_key
from pipeline.records import from_plain, to_plain

Outcome = TypeVar("Outcome")


class Run(Protocol):
    """How a step's function is carried out: here, or in a worker process. Returns what the function returned.

    ``place`` and ``stage`` are for people: "T1 side A", "master".
    """

    def __call__(self, function: str, arguments: Mapping[str, Any], place: str, stage: str, /) -> Any: ...


@dataclass(frozen=True)
class Desk:
    """Where the work is done: the archive, its ledger, and how to run a function."""

    archive: Archive
    ledger: Ledger


@dataclass(frozen=True)
class Step(Generic[Outcome]):
    """
    name       of the step in the ledger ("measure", "master" …)
    inputs     everything the outcome depends on
    function   "module:name" of what does it; it gets ``arguments`` with ``root``, the working folder, added
    outcome    the record the function returns
    outputs    the files it wrote, relative to the root, with their SHA-256 where the outcome knows it
    words      what enters the outcome as text beside the audio; where nothing else has changed, ``reword`` puts the new
               text into the file that is there. It gets the outcome as ``made``, ``words`` and ``root``
    """

    name: str
    tape: str
    side: str
    inputs: Mapping[str, Any]
    function: str
    arguments: Mapping[str, Any]
    outcome: type[Outcome]
    outputs: Callable[[Outcome], Mapping[str, str | None]]
    words: Any = None
    reword: str = ""

    @property
    def key(self) -> str:
        return step_key(self.name, {"inputs": self.inputs, "words": self.words})

    @property
    def place(self) -> str:
        return f"{self.tape} side {self.side}" if self.side else self.tape

    @property
    def _without_words(self) -> tuple[str, str]:
        """Name and key under which the same outcome stands whatever its words."""
        name = f"{self.name}-in-any-words"
        return name, step_key(name, self.inputs)

    def find(self, desk: Desk) -> Outcome | None:
        """The outcome when the step is done for just these inputs and its files are still there."""
        return self._find(desk, self.name, self.key)

    def make(self, desk: Desk, run: Run) -> Outcome:
        """Do it, in the tape's working folder, and note it."""
        before = self._find(desk, *self._without_words) if self.reword else None
        root: Path = desk.archive.begin(self.tape).root
        made: Outcome
        if before is None:
            made = run(self.function, {**self.arguments, "root": root}, self.place, self.name)
        else:
            made = run(
                self.reword, {"made": before, "words": self.words, "root": root}, self.place, f"{self.name} words"
            )
        self.note(made, desk, root)
        return made

    def note(self, made: Outcome, desk: Desk, root: Path) -> None:
        """Note it as done, its files standing below ``root``."""
        self._note(desk, self.name, self.key, made, root)
        if self.reword:
            self._note(desk, *self._without_words, made, root)

    def _find(self, desk: Desk, name: str, key: str) -> Outcome | None:
        root = desk.archive.current(self.tape).root
        found = desk.ledger.find(self.tape, self.side, name, key, root)
        return None if found is None else from_plain(self.outcome, found.result)

    def _note(self, desk: Desk, name: str, key: str, made: Outcome, root: Path) -> None:
        outputs, result = self.outputs(made), to_plain(made)
        desk.ledger.write(self.tape, self.side, name, key, root=root, outputs=outputs, result=result)
