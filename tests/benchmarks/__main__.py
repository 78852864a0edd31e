"""What feltpad costs, beside a straightforward script and the bare codecs: ``python -m tests.benchmarks``.

Only ratios carry over to other machines. Wall times want a machine with nothing else to do; CPU is compared as the
median of ``--repeats`` runs taken in turn. The captures (2.3 GB for 45 minutes with its copies) are made under
``--folder`` and stay there until ``--clean``.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median

from tests.benchmarks import long_captures, usage
from tests.benchmarks.usage import Usage

PARTS = ("stages", "job", "script", "floor", "commands", "rerun", "workers", "fixed")
CHECK_SIDES = 100
BOX_SIDES, BOX_SECONDS = 8, 240


def main(words: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--minutes", type=int, nargs="*", default=[10, 45, 90], help="lengths of the captures")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, help="these parts")
    parser.add_argument("--skip", nargs="+", choices=PARTS, default=(), help="all parts but these")
    parser.add_argument("--repeats", type=int, default=1, help="runs of each, in turn; the median is told")
    parser.add_argument("--script-up-to", type=int, default=45, help="minutes; the script takes 0.23 GB for each")
    parser.add_argument("--folder", type=Path, default=Path("/tmp/bench"))
    parser.add_argument("--clean", action="store_true", help="delete the folder at the end")
    parsed = parser.parse_args(words)
    parts = [part for part in parsed.only if part not in parsed.skip]
    try:
        for minutes in parsed.minutes:
            _side(minutes, parts, parsed)
        if "workers" in parts:
            _workers(parsed.folder)
        if "fixed" in parts:
            _fixed(parsed.folder)
    finally:
        if parsed.clean:
            shutil.rmtree(parsed.folder, ignore_errors=True)


def _side(minutes: int, parts: Sequence[str], parsed: argparse.Namespace) -> None:
    """One side of this length, everything beside everything."""
    box = long_captures.make_box(parsed.folder / f"box-{minutes}", 1, 60 * minutes)
    capture, out = box / "captures" / "T0001-A.wav", parsed.folder / "out"
    print(f"\n{minutes} minutes, 96 kHz, 24 bits, stereo; correction by {long_captures.RATIO:.6f}")
    if "stages" in parts:
        _stages(box, out, minutes)
    ways = {
        "job": lambda: usage.feltpad("digitize", box, "--out", out, "--quiet"),
        "floor": lambda: usage.module("floor", capture, out, str(long_captures.RATIO)),
        "script": lambda: usage.module("script", capture, out, str(long_captures.RATIO)),
    }
    chosen = [way for way in ways if way in parts and not (way == "script" and minutes > parsed.script_up_to)]
    costs: dict[str, list[Usage]] = {way: [] for way in chosen}
    for _ in range(parsed.repeats):
        for way in reversed(chosen):  # the job last: its archive is what the commands below look at
            shutil.rmtree(out, ignore_errors=True)
            costs[way].append(ways[way]())
    middle = {way: _median(runs) for way, runs in costs.items()}
    for way, cost in middle.items():
        _tell(way, cost, minutes)
    for other in ("floor", "script"):
        if "job" in middle and other in middle:
            print(f"  job / {other}: CPU {middle['job'].cpu_s / middle[other].cpu_s:.3f}")
    if "job" in middle:
        if "rerun" in parts:
            words = ("--tape", "T0001", "--side", "A", "--ratio", "1.0100", "--reason", "benchmark", "--quiet")
            _tell("rerun, ratio", usage.feltpad("rerun", out, *words), minutes)
        if "commands" in parts:
            _tell("verify", usage.feltpad("verify", out), minutes)
            _tell("qc", usage.feltpad("qc", out), minutes)
            _tell("digitize again", usage.feltpad("digitize", box, "--out", out, "--quiet"), minutes)
    if "commands" in parts:
        _tell("measure", usage.feltpad("measure", capture, "--tone", "440", "--json"), minutes)
    shutil.rmtree(out, ignore_errors=True)


def _median(runs: Sequence[Usage]) -> Usage:
    middle = {name: median(getattr(run, name) for run in runs) for name in ("cpu_s", "wall_s", "peak_mb", "once_mb")}
    return replace(runs[0], **middle, left=max(run.left for run in runs))


def _tell(what: str, cost: Usage, minutes: float) -> None:
    once = f" ({cost.once_mb:.0f} with shared pages once: {cost.heaviest})" if cost.once_mb else ""
    left = f", {cost.left} PROCESSES LEFT" if cost.left else ""
    print(
        f"  {what:<16} {cost.cpu_s:7.1f} CPU s ({cost.cpu_s * 60 / minutes:6.1f} an hour of tape,"
        f" {minutes * 60 / cost.cpu_s:5.1f} x real time per core), wall {cost.wall_s:6.1f} s"
        f" ({cost.wall_s / cost.cpu_s:.2f} of CPU), peak {cost.peak_mb:5.0f} MB{once}{left}",
        flush=True,
    )


def _stages(box: Path, out: Path, minutes: int) -> None:
    shutil.rmtree(out, ignore_errors=True)
    command = [sys.executable, "-m", "tests.benchmarks.stages", str(box), str(out)]
    answer = subprocess.run(command, cwd=usage.ROOT, check=True, capture_output=True, text=True).stdout
    for stage, (cpu_s, wall_s, peak_mb) in json.loads(answer).items():
        _tell(f"stage {stage}", Usage(cpu_s, wall_s, peak_mb, 0, 0), minutes)


def _workers(folder: Path) -> None:
    box, out = long_captures.make_box(folder / "box-many", BOX_SIDES, BOX_SECONDS), folder / "out"
    costs = {}
    print(f"\n{BOX_SIDES} sides of {BOX_SECONDS} s")
    for workers in (1, 2):
        shutil.rmtree(out, ignore_errors=True)
        costs[workers] = usage.feltpad("digitize", box, "--out", out, "--quiet", "--workers", str(workers))
        _tell(f"{workers} worker(s)", costs[workers], BOX_SIDES * BOX_SECONDS / 60)
    print(f"  wall, 1 worker / 2 workers: {costs[1].wall_s / costs[2].wall_s:.2f}")
    shutil.rmtree(out, ignore_errors=True)


def _fixed(folder: Path) -> None:
    print("\nFixed costs")
    box = long_captures.make_box(folder / "box-check", CHECK_SIDES, 1)
    helped = usage.feltpad("--help")
    checked = usage.feltpad("check", box)
    one, many = (usage.module("fixed", str(sides)) for sides in (1, 41))
    print(f"  --help {helped.cpu_s:.2f} CPU s, wall {helped.wall_s:.2f} s")
    print(f"  check of {CHECK_SIDES} sides {checked.cpu_s:.2f} CPU s, wall {checked.wall_s:.2f} s")
    print(f"  Prefect, one side {one.cpu_s:.2f} CPU s, wall {one.wall_s:.2f} s, peak {one.peak_mb:.0f} MB")
    each = [(getattr(many, name) - getattr(one, name)) / 40 for name in ("cpu_s", "wall_s")]
    print(f"  Prefect, each more side {each[0]:.3f} CPU s, wall {each[1]:.3f} s")


if __name__ == "__main__":
    main()
