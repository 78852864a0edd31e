"""One side with every stage in a process of its own, so that each one's CPU and memory stand by themselves.

Prints a JSON object, stage → [CPU seconds, wall seconds, peak MB].
"""

from __future__ import annotations

import json
import os
import pickle
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from flows.box import now
from flows.workers import StageCall, perform
from pipeline.archive import Archive
from pipeline.ledger import Ledger
from pipeline.making import Hands, make_tapes
from pipeline.plan import plan_box
from pipeline.step import Desk


def main(box: Path, out: Path) -> None:
    costs: dict[str, list[float]] = {}

    def run(function: str, arguments: Mapping[str, Any], place: str, stage: str) -> Any:
        reading, writing = os.pipe()
        started_s = time.monotonic()
        child = os.fork()
        if not child:
            _be_worker(StageCall(function, arguments, tell_as="tell"), writing)
        os.close(writing)
        with os.fdopen(reading, "rb") as answer:
            made = pickle.load(answer)
        _, status, used = os.wait4(child, 0)
        if status:
            raise RuntimeError(f"{place}: {stage} failed")
        costs[stage] = [used.ru_utime + used.ru_stime, time.monotonic() - started_s, used.ru_maxrss / 1e3]
        return made

    archive = Archive(out)
    make_tapes(plan_box(box).jobs, Desk(archive, Ledger(archive.state / "ledger")), Hands(run), 1, lambda *_: None, now)
    print(json.dumps(costs))


def _be_worker(call: StageCall, writing: int) -> None:
    try:
        with os.fdopen(writing, "wb") as answer:
            pickle.dump(perform(call), answer)
        os._exit(0)
    except BaseException:
        import traceback

        traceback.print_exc()
        os._exit(1)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
