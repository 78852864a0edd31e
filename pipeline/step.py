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
    """

    name: str
    tape: str
    side: str
    inputs: Mapping[str, Any]
    function: str
    arguments: Mapping[str, Any]
    outcome: type[Outcome]
    outputs: Callable[[Outcome], Mapping[str, str | None]]

    @property
    def key(self) -> str:
        return step_key(self.name, self.inputs)

    @property
    def place(self) -> str:
        return f"{self.tape} side {self.side}" if self.side else self.tape

    def find(self, desk: Desk) -> Outcome | None:
        """The outcome when the step is done for just these inputs and its files are still there."""
        root = desk.archive.current(self.tape).root
        found = desk.ledger.find(self.tape, self.side, self.name, self.key, root)
        return None if found is None else from_plain(self.outcome, found.result)

    def make(self, desk: Desk, run: Run) -> Outcome:
        """Do it, in the tape's working folder, and note it."""
        root: Path = desk.archive.begin(self.tape).root
        made: Outcome = run(self.function, {**self.arguments, "root": root}, self.place, self.name)
        desk.ledger.write(
            self.tape,
            self.side,
            self.name,
            self.key,
            root=root,
            outputs=self.outputs(made),
            result=to_plain(made),
        )
        return made
