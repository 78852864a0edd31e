"""What Prefect alone costs: a flow of so many sides whose five stages do nothing, in this process."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from flows.box import _in_flow
from flows.engines import InlineEngine
from flows.progress import watched
from pipeline.archive import Archive
from pipeline.ledger import Ledger
from pipeline.making import Hands, TapeMade
from pipeline.qc import Verdict
from pipeline.step import Desk

STAGES = ("measure", "preserve", "master", "access", "finish")


def nothing(tell: object) -> None:
    """A stage without work."""


def main(sides: int) -> None:
    def work(hands: Hands, engine_can: int) -> tuple[TapeMade, ...]:
        for side in range(sides):
            for stage in STAGES:
                hands.run("tests.benchmarks.fixed:nothing", {}, f"T{side} side A", stage)
        return (TapeMade("T", Verdict.PASS, (), ()),)

    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(Path(folder))
        archive.state.mkdir(parents=True)
        desk = Desk(archive, Ledger(archive.state / "ledger"))
        with watched(sides, quiet=True) as watcher:
            _in_flow(work, desk, InlineEngine, watcher, sides, ())


if __name__ == "__main__":
    main(int(sys.argv[1]))
