"""Small stages for the tests of the engines and the flow: each does one thing a real stage may do to its worker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import CaptureError, Problem, SheetError


def add(first: float, second: float) -> float:
    return first + second


def who() -> dict[str, Any]:
    return {
        "pid": os.getpid(),
        "session": os.getsid(0),
        "threads": os.environ.get("OMP_NUM_THREADS"),
        "sigint": signal.getsignal(signal.SIGINT) is signal.SIG_IGN,
    }


def sleep(seconds: float, mark: str = "") -> str:
    """Sleep; leave ``mark`` behind with our process id when there is one, before sleeping."""
    if mark:
        Path(mark).write_text(f"{os.getpid()}\n")
    time.sleep(seconds)
    return "slept"


def sleep_with_encoder(seconds: float, mark: str) -> None:
    """As `sleep`, with a process of our own beside, as an encoder would be; notes both process ids."""
    encoder = subprocess.Popen([sys.executable, "-S", "-c", f"import time; time.sleep({seconds})"])
    Path(f"{mark}.part").write_text(f"{os.getpid()}\n{encoder.pid}\n")
    Path(f"{mark}.part").rename(mark)
    encoder.wait()


def spin_in_c(mark: str) -> None:
    """Hold the interpreter inside one call into C for many seconds: no other thread of this process can run."""
    encoder = subprocess.Popen([sys.executable, "-S", "-c", "import time; time.sleep(60)"])
    Path(f"{mark}.part").write_text(f"{os.getpid()}\n{encoder.pid}\n")
    Path(f"{mark}.part").rename(mark)
    sum(range(2_000_000_000))


def print_loudly() -> str:
    print("printed by a stage")
    sys.stdout.write("written by a stage\n")
    os.write(1, b"written to the descriptor\n")
    subprocess.run([sys.executable, "-c", "print('printed by an encoder')"], check=True)
    print("complained by a stage", file=sys.stderr)
    return "quiet"


def report(steps: int, tell: Callable[[float], None]) -> int:
    for step in range(steps):
        tell((step + 1) / steps)
        time.sleep(0.3)
    return steps


def fail_with_capture_error() -> None:
    raise CaptureError("a.wav: ends at frame 7, 9 were promised")


def fail_with_sheet_error() -> None:
    raise SheetError(
        [Problem("tapes.csv, row 2", "no capture"), Problem("tapes.csv, row 3", "ratio 440", "a reading?")]
    )


def fail_with_type_error() -> None:
    raise TypeError("no such luck")


def leave() -> None:
    sys.exit(7)


def leave_at_once() -> None:
    os._exit(7)


def answer_with_a_lambda() -> Any:
    return lambda: None


def kill_self() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def crash() -> None:
    os.kill(os.getpid(), signal.SIGSEGV)
