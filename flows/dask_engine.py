"""The engine for more than one machine: stages run on an existing Dask cluster whose workers share our storage.

Only `distributed` is used. A task runner that moves whole Prefect tasks to the cluster would have every worker report
to Prefect's server, and ours listens on this machine's loopback alone, on purpose. So the task and its record stay
here, in the thread that waits, and only the stage travels.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Sequence
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

from distributed import Client, Future
from distributed.scheduler import KilledWorker

from flows.dask_worker import ClusterUnfit, Demand, carry_out, dismiss, find_equipment, find_lack
from flows.engines import EngineStopped, StageFailed, WorkerDied, rebuilt, told
from flows.workers import Raised, StageCall, Tell
from pipeline.errors import FeltpadError

CONNECT_WITHIN_S = 10.0
NO_WORKER_FOR_S = 60.0  # long enough for workers that are being started again
LOOK_EVERY_S = 1.0
MOST_AT_ONCE = 512  # a thread here for each


class DaskEngine:
    """Runs stages on the cluster of the scheduler at ``address`` ("tcp://10.0.0.1:8786").

    workplace  a folder of the archive; every worker must see it under this very path, and may write there
    sources    files of the box that every worker must be able to read
    at_once    stages beside each other; as many as the workers have threads where none is given
    patience_s how long the cluster may be without any worker

    Raises ClusterUnfit when it is entered and the cluster cannot do the work.
    """

    def __init__(
        self,
        address: str,
        workplace: Path,
        sources: Sequence[Path] = (),
        at_once: int | None = None,
        patience_s: float = NO_WORKER_FOR_S,
    ) -> None:
        self.at_once = at_once or 1
        self._address, self._given_at_once, self._patience_s = address, at_once, patience_s
        self._workplace = workplace.absolute()
        token = uuid.uuid4().hex
        probe = self._workplace / f"probe-{token}"
        self._demand = Demand(token, find_equipment(), probe, tuple(source.absolute() for source in sources))
        self._client: Client | None = None
        self._listeners: dict[str, Tell] = {}
        self._futures: set[Future] = set()
        self._changing = threading.Lock()
        self._over = threading.Event()
        self._trouble = ""

    def __enter__(self) -> Self:
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what goes wrong is told by us, once
        try:
            self._client = Client(self._address, timeout=CONNECT_WITHIN_S, set_as_default=False, name="feltpad")
        except (OSError, ValueError, TypeError) as exc:
            raise ClusterUnfit(
                f"--scheduler {self._address}: no Dask scheduler answers there within {CONNECT_WITHIN_S:g} s"
                f" ({_first_line(exc)}); is it running, and is its port reachable from here?"
            ) from exc
        try:
            self._check_workers(self._client)
            self._client.subscribe_topic(self._demand.token, self._hear)
        except BaseException:
            self.stop()
            raise
        threading.Thread(target=self._watch_over, args=(self._client,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        """See `flows.engines.Engine`."""
        key = f"{call.label or call.function} {uuid.uuid4().hex}"
        ended = threading.Event()
        future = self._submit(call, key, on_progress)
        future.add_done_callback(lambda _: ended.set())
        try:
            while not ended.wait(LOOK_EVERY_S):
                self._refuse_when_over(call)
            answer = future.result()
        except (CancelledError, KilledWorker) as exc:
            self._refuse_when_over(call)
            if isinstance(exc, KilledWorker):
                what = "every worker that had it died; run again to do this step once more"
                raise WorkerDied(told(call, what)) from exc
            raise ClusterUnfit(told(call, f"the scheduler at {self._address} was lost; run again to go on")) from None
        except FeltpadError:
            raise
        except Exception as exc:  # distributed's own, and a worker that cannot even read the call
            self._refuse_when_over(call)
            raise StageFailed(told(call, f"{type(exc).__name__}: {exc}")) from exc
        finally:
            with self._changing:
                self._listeners.pop(key, None)
                self._futures.discard(future)
            future.release()
        if isinstance(answer, Raised):
            raise rebuilt(call, answer)
        return answer.value

    def stop(self) -> None:
        """See `flows.engines.Engine`. The workers' children end within a moment, the cluster itself stays."""
        with self._changing:
            client, self._client = self._client, None
            futures = list(self._futures)
            self._trouble = self._trouble or "stopped"
        self._over.set()
        self._demand.probe.unlink(missing_ok=True)
        if client is None:
            return
        with suppress(Exception):  # a cluster that is gone has nothing to be told
            client.cancel(futures, force=True)
            client.sync(client._run, dismiss, self._demand.token, on_error="ignore", callback_timeout=CONNECT_WITHIN_S)
        with suppress(Exception):
            client.close(timeout=CONNECT_WITHIN_S)

    def _submit(self, call: StageCall, key: str, on_progress: Tell | None) -> Future:
        absolute = {
            name: value.absolute() if isinstance(value, Path) else value for name, value in call.arguments.items()
        }
        self._refuse_when_over(call)
        with self._changing:
            client = self._client
            if client is None:
                raise EngineStopped(told(call, "not begun, the run was stopped"))
            if on_progress is not None:
                self._listeners[key] = on_progress
            future = client.submit(carry_out, replace(call, arguments=absolute), self._demand, key, key=key, pure=False)
            self._futures.add(future)
        return future

    def _refuse_when_over(self, call: StageCall) -> None:
        if self._trouble == "stopped":
            raise EngineStopped(told(call, "cut short or not begun, the run was stopped"))
        if self._trouble:
            raise ClusterUnfit(told(call, self._trouble))

    def _hear(self, event: tuple[float, tuple[str, float]]) -> None:
        key, fraction = event[1]
        tell = self._listeners.get(key)
        if tell is not None:
            tell(fraction)

    def _check_workers(self, client: Client) -> None:
        try:
            client.wait_for_workers(1, timeout=self._patience_s)
        except TimeoutError as exc:
            raise ClusterUnfit(
                f"--scheduler {self._address}: the scheduler has no worker after {self._patience_s:g} s;"
                f" start some, such as: dask worker {self._address}"
            ) from exc
        self._demand.probe.parent.mkdir(parents=True, exist_ok=True)
        self._demand.probe.write_text(self._demand.token)
        try:
            answers: dict[str, Any] = client.run(find_lack, self._demand, on_error="return")
        except Exception as exc:  # the question itself could not be read there
            answers = {"its workers": exc}
        lacks = [f"worker {name}: {_in_words(answer)}" for name, answer in answers.items() if answer]
        if lacks:
            raise ClusterUnfit(f"--scheduler {self._address}: " + "\n".join(lacks))
        self.at_once = self._given_at_once or min(MOST_AT_ONCE, sum(client.nthreads().values()))

    def _watch_over(self, client: Client) -> None:
        """Dask waits for ever for a worker; a person does not."""
        seen_s = time.monotonic()
        while not self._over.wait(LOOK_EVERY_S):
            what = "there"
            try:
                if client.nthreads():
                    seen_s = time.monotonic()
            except Exception:
                what = "reachable"
            if time.monotonic() - seen_s > self._patience_s:
                self._trouble = self._trouble or (
                    f"no worker of the scheduler at {self._address} has been {what} for {self._patience_s:g} s;"
                    " start some and run again to go on"
                )
                return


def _in_words(answer: Any) -> str:
    if "No module named" in str(answer):
        return f"feltpad is not installed there ({answer})"
    return str(answer) if isinstance(answer, str) else _first_line(answer)


def _first_line(error: BaseException) -> str:
    return f"{type(error).__name__}: {(str(error).splitlines() or [''])[0]}"
