"""What a command costs: CPU of it and all it started, wall time, and the peak memory of the whole process tree."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLED_EVERY_S = 0.1
_PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True)
class Usage:
    """peak_mb: most that was resident at once, summed over the tree (pages that are shared count for each process).

    left: how many processes of the command's session were still there when it had ended
    """

    cpu_s: float
    wall_s: float
    peak_mb: float
    left: int
    code: int


def run(command: Sequence[str], may_fail_qc: bool = False) -> Usage:
    """Run to the end. Raises RuntimeError when it fails (exit code 3, a failed QC, may be let by)."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    started_s = time.monotonic()
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    peak, ended, known = 0, 0, set[int]()
    while not ended:
        tree = _tree(process.pid)
        known |= set(tree)
        peak = max(peak, sum(_resident_bytes(pid) for pid in tree))
        time.sleep(SAMPLED_EVERY_S)
        ended, status, used = os.wait4(process.pid, os.WNOHANG)
    process.returncode = code = os.waitstatus_to_exitcode(status)
    wall_s = time.monotonic() - started_s
    if code and not (may_fail_qc and code == 3):
        raise RuntimeError(f"{' '.join(command)}: ended with code {code}")
    left = sum(Path(f"/proc/{pid}/stat").exists() for pid in known)
    return Usage(used.ru_utime + used.ru_stime, wall_s, peak / 1e6, left, code)


def feltpad(*words: str | Path) -> Usage:
    return run([*program(), *map(str, words)], may_fail_qc=True)


def program() -> list[str]:
    return [sys.executable, "-c", "import sys; from flows.cli import main; sys.exit(main())"]


def module(name: str, *words: str | Path) -> Usage:
    return run([sys.executable, "-m", f"tests.benchmarks.{name}", *map(str, words)])


def _tree(root: int) -> list[int]:
    """The process and all below it, also those that lead sessions of their own."""
    children: dict[int, list[int]] = {}
    for entry in os.listdir("/proc"):  # noqa: PTH208 - several times as fast, ten times a second
        if entry.isdigit():
            try:
                parent = int(Path(f"/proc/{entry}/stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            children.setdefault(parent, []).append(int(entry))
    found, todo = [], [root]
    while todo:
        found.append(todo.pop())
        todo += children.get(found[-1], [])
    return found


def _resident_bytes(pid: int) -> int:
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * _PAGE_BYTES
    except OSError:
        return 0
