"""A small box under Prefect, run as a program: ``python trial_flow.py HOME WORKERS SIDE …``, a side as STAGE,STAGE…

It is what `flows` does, with trial stages: one task a stage and side, each side for itself, failures counted. It prints
the state of the flow and exits 4 when a side failed.
"""

from __future__ import annotations

import queue
import sys
from collections.abc import Generator
from pathlib import Path
from typing import Any

from flows.engines import LocalEngine
from flows.progress import watched
from flows.server import running_server
from flows.workers import StageCall

Stages = Generator[StageCall, Any, None]


def stages_of(side: str, names: str, folder: Path) -> Stages:
    """What is to be done for a side, one stage after the other; here a real side would ask the ledger first."""
    for name in names.split(","):
        arguments: dict[str, object] = {}
        if name.startswith("sleep"):
            name, _, seconds = name.partition(":")
            arguments = {"seconds": float(seconds), "mark": str(folder / f"{side}.mark")}
        yield StageCall(f"trial_stages:{name}", arguments, label=name)


def run(home: Path, workers: int, sides: dict[str, str]) -> Any:
    """The final state of the flow over these sides."""
    with (
        running_server(home),
        LocalEngine(workers, home / "workers.log") as engine,
        watched(len(sides), quiet=False) as watcher,
    ):
        from prefect import flow, task
        from prefect.cache_policies import NO_CACHE
        from prefect.futures import PrefectFuture
        from prefect.states import Completed, Failed, State
        from prefect.task_runners import ThreadPoolTaskRunner

        @task(task_run_name="{side} {stage}", cache_policy=NO_CACHE, persist_result=False)
        def run_stage(side: str, stage: str, call: StageCall) -> Any:
            return engine.run(call, watcher.begin_stage(side, stage))

        threads: Any = ThreadPoolTaskRunner(max_workers=workers)

        @flow(name="box", task_runner=threads, persist_result=False)
        def box(manifest: str) -> State[Any]:
            ended: queue.SimpleQueue[tuple[str, PrefectFuture[Any]]] = queue.SimpleQueue()
            waiting = iter([(side, stages_of(side, names, home)) for side, names in sides.items()])
            working: dict[str, Stages] = {}
            failed = 0

            def go_on(side: str, stages: Stages, result: Any) -> None:
                try:
                    call = stages.send(result)
                except StopIteration:
                    working.pop(side, None)
                    watcher.end_side(side, "done")
                    return
                working[side] = stages
                future = run_stage.submit(side, call.label, call)
                future.add_done_callback(lambda done: ended.put((side, done)))

            try:
                while True:
                    while len(working) < 2 * workers and (more := next(waiting, None)):
                        go_on(*more, None)
                    if not working:
                        break
                    side, future = ended.get()
                    future.wait()  # the future is there before its final state is
                    if future.state.is_completed():
                        go_on(side, working[side], future.result())
                    else:
                        failed += 1
                        del working[side]
                        watcher.end_side(side, f"failed: {future.state.result(raise_on_failure=False)}")
            except BaseException:  # Ctrl-C, SIGTERM: what runs in the workers is not waited for
                engine.stop()
                raise
            return Failed(message=f"{failed} of {len(sides)} sides failed") if failed else Completed(message="all done")

        return box(str(home), return_state=True)


if __name__ == "__main__":
    final = run(Path(sys.argv[1]), int(sys.argv[2]), {f"T{n}": names for n, names in enumerate(sys.argv[3:], 1)})
    print(f"{final.type.value}: {final.message}")
    sys.exit(4 if final.is_failed() else 0)
