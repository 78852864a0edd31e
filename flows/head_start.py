"""Stages of a run begun while Prefect's server is still coming up, which takes seconds on one processor.

Each is handed over to the task that asks for it; the record of the run has it as that task. What nobody takes over,
because the server did not come up, ends with the engine.

Only for stages that ask for the same whenever a tape is gone through, and move no folder: measuring.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Self

from flows.engines import Engine
from flows.workers import StageCall, Tell


class HeadStart:
    """Beside an engine, of which it takes the first ``calls``."""

    def __init__(self, engine: Engine, calls: Sequence[StageCall]) -> None:
        self._engine, self._calls = engine, calls
        self._begun: dict[str, Future[Any]] = {}
        self._tells: dict[str, Tell] = {}

    def __enter__(self) -> Self:
        self._pool = ThreadPoolExecutor(max(1, len(self._calls)), "head start")
        self._begun = {call.label: self._pool.submit(self._run, call) for call in self._calls}
        return self

    def __exit__(self, *_: object) -> None:
        if self._begun:
            self._engine.stop()
        self._pool.shutdown()

    def run(self, call: StageCall, on_progress: Tell) -> Any:
        """As `Engine.run` does, from where the stage has come to if it has begun."""
        begun = self._begun.pop(call.label, None)
        if begun is None:
            return self._engine.run(call, on_progress)
        self._tells[call.label] = on_progress
        return begun.result()

    def _run(self, call: StageCall) -> Any:
        def tell(fraction: float) -> None:
            if call.label in self._tells:
                self._tells[call.label](fraction)

        return self._engine.run(call, tell)
