"""What a command costs: CPU of it and all it started, wall time, and the peak memory of the whole process tree."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLED_EVERY_S = 0.1
SHARED_EVERY = 5  # samples from one look at shared pages to the next: it walks all of a process's memory
_PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True)
class Usage:
    """peak_mb: most that was resident at once, summed over the tree; pages that are shared count for each process.

    left      how many processes of the tree were still there when the command had ended
    once_mb   the same peak with shared pages counted once, looked at more rarely
    heaviest  what the tree was made of at its peak, MB each
    """

    cpu_s: float
    wall_s: float
    peak_mb: float
    left: int
    code: int
    once_mb: float = 0.0
    heaviest: str = ""


def run(command: Sequence[str], may_fail_qc: bool = False) -> Usage:
    """Run to the end. Raises RuntimeError when it fails (exit code 3, a failed QC, may be let by)."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    started_s = time.monotonic()
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    peak, peak_once, heaviest, ended, known = 0, 0, "", 0, set[int]()
    for sample in itertools.count():
        tree = _tree(process.pid)
        known |= set(tree)
        resident = {pid: _resident_bytes(pid) for pid in tree}
        if sum(resident.values()) > peak:
            peak = sum(resident.values())
            heaviest = ", ".join(f"{_name(pid)} {size / 1e6:.0f}" for pid, size in resident.items() if size > 1e7)
        if sample % SHARED_EVERY == 0:
            peak_once = max(peak_once, sum(map(_proportional_bytes, tree)))
        time.sleep(SAMPLED_EVERY_S)
        ended, status, used = os.wait4(process.pid, os.WNOHANG)
        if ended:
            break
    process.returncode = code = os.waitstatus_to_exitcode(status)
    wall_s = time.monotonic() - started_s
    if code and not (may_fail_qc and code == 3):
        raise RuntimeError(f"{' '.join(command)}: ended with code {code}")
    left = sum(Path(f"/proc/{pid}/stat").exists() for pid in known)
    return Usage(used.ru_utime + used.ru_stime, wall_s, peak / 1e6, left, code, peak_once / 1e6, heaviest)


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
        # A child that has not begun its own program yet is its parent still: the same memory, not more of it.
        todo += [child for child in children.get(found[-1], []) if _words(child) != _words(found[-1])]
    return found


def _words(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def _name(pid: int) -> str:
    words = _words(pid).replace(b"\0", b" ").decode(errors="replace")
    names = ("flows.workers", "guard.py", "ffmpeg", "flows.cli")
    return next((name for name in names if name in words), words[:40])


def _proportional_bytes(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("Pss:")), 0)


def _resident_bytes(pid: int) -> int:
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * _PAGE_BYTES
    except OSError:
        return 0
