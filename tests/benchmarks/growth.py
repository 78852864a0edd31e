"""How time and memory grow with the number of sides: ``python -m tests.benchmarks.growth [SIDES …]``.

Every box is real (a sheet, tiny captures), and so is every record of its archive; only the work on audio is replaced:
each side gets copies of what one side really made. What is left is what the number of sides costs: reading the sheet,
asking the ledger, writing the summary, and Prefect. Each command runs as a person runs it, in a process of its own.

It prints one line a command and size. ``flow`` is the making of the whole box under Prefect with that copied work, up
to FLOW_SIDES sides; the larger archives are made without. With chromium and playwright there, it also tells how long
the summary page takes to open.
"""

from __future__ import annotations

import json
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from flows.workers import StageCall, Tell, perform
from pipeline.archive import Archive, TapeFolder
from pipeline.files import write_text_whole
from pipeline.finish import Finished
from pipeline.ledger import Ledger
from pipeline.making import Hands, make_tapes
from pipeline.plan import plan_box
from pipeline.records import to_plain
from pipeline.seal import BAG_DECLARATION
from pipeline.stages import WrittenFile
from pipeline.step import Desk
from tests.benchmarks import usage

SIDES = (10, 100, 1000, 5000)
FLOW_SIDES = 1000
RATE_HZ = 8000
NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
TRIAL = "T0000"


def make_sheet(folder: Path, sides: int) -> Path:
    """A box of this many sides, two a tape, each with a capture of its own: 12 s of notes and hiss."""
    (folder / "captures").mkdir(parents=True)
    rng = np.random.default_rng(7)
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    notes = np.sin(2 * np.pi * np.cumsum(rng.choice([220, 277, 330], 30)[(t * 2).astype(int)]) / RATE_HZ)
    samples = np.where((t > 2) & (t < 10), 0.2 * notes, 0) + rng.normal(0, 1e-3, len(t))
    first = folder / "captures" / f"{TRIAL}-A.wav"
    soundfile.write(first, samples, RATE_HZ, "PCM_24")
    rows = ["tape,side,capture,title,tone_hz,read_hz,date"]
    for number in range(sides):
        tape, side = f"T{number // 2:04}", "AB"[number % 2]
        capture = folder / "captures" / f"{tape}-{side}.wav"
        if capture != first:
            shutil.copyfile(first, capture)
        day = f"2026-{1 + number // 28 % 12:02}-{1 + number % 28:02}"
        rows.append(f"{tape},{side},captures/{capture.name},Talk {number} of a long row,440,{436 + number % 9},{day}")
    (folder / "box.toml").write_text('[box]\nid = "row-1"\ntitle = "A long row"\n')
    (folder / "tapes.csv").write_text("\n".join(rows) + "\n")
    return folder


class Copied:
    """Carries out a stage by copying what the trial side's stage had made; an engine, too.

    Only its outcome's paths are made to fit. Deterministic, and as cheap as the records allow.
    """

    def __init__(self, workplace: Path) -> None:
        self.at_once = 4
        self.stages = 0
        self._workplace = workplace
        self._made: dict[str, Any] = {}

    def __enter__(self) -> Copied:
        return self

    def __exit__(self, *_: object) -> None:
        return

    def stop(self) -> None:
        return

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        return self(call.function, call.arguments, "", call.label.rpartition(": ")[2])

    def __call__(self, function: str, arguments: Mapping[str, Any], place: str, stage: str, /) -> Any:
        self.stages += 1
        if stage == "finish":
            return _finish(arguments["root"], arguments["archive"], arguments["qc"])
        if stage not in self._made:  # the trial's: done in earnest, and kept apart
            here = {**arguments, "root": self._workplace}
            made = perform(StageCall(function, here, tell_as="tell"))
            self._made[stage] = (made, str(arguments["stem"]))
        made, stem = self._made[stage]
        return _as_of(made, stem, str(arguments["stem"]), self._workplace, arguments["root"])


def _as_of(made: Any, before: str, now: str, source: Path, root: Path) -> Any:
    def file(written: WrittenFile) -> WrittenFile:
        path = Path(written.path)
        new = path.with_name(path.name.replace(before, now, 1))
        (root / new).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source / path, root / new)
        return replace(written, path=new.as_posix())

    for name in ("files", "pictures"):
        if hasattr(made, name):
            return replace(made, **{name: tuple(map(file, getattr(made, name)))})
    return replace(made, file=file(made.file))


def _finish(root: Path, archive: Path, qc: Any) -> Finished:
    folder = TapeFolder(root)
    write_text_whole(folder.qc / "qc.json", json.dumps(to_plain(qc), ensure_ascii=False, indent=1) + "\n")
    write_text_whole(folder.qc / "report.html", "<p>a page")
    write_text_whole(root / "bagit.txt", BAG_DECLARATION)
    Archive(archive).publish(qc.tape)
    return Finished(qc.tape, qc.verdict)


def make_archive(box: Path, root: Path, trial: Copied) -> None:
    """The archive of a box, without Prefect."""
    archive = Archive(root)
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    jobs = plan_box(box).jobs
    made = make_tapes(jobs, desk, Hands(trial), 1, lambda side, error: None, lambda: NOW)
    failed = [side.error for tape in made for side in tape.failed]
    if failed:
        raise RuntimeError(failed[0])


def make_archive_in_flow(box: Path, root: Path, trial: Copied) -> None:
    """The same under Prefect's own server."""
    from flows.box import make_box
    from flows.progress import watched

    archive = Archive(root)
    archive.state.mkdir(parents=True)
    with watched(1, quiet=True) as silent:
        make_box(plan_box(box).jobs, archive, lambda: trial, None, silent)


@dataclass(frozen=True)
class Grown:
    what: str
    sides: int
    cpu_s: float
    wall_s: float
    peak_mb: float

    def __str__(self) -> str:
        each = 1000 * self.cpu_s / self.sides
        return (
            f"{self.what:<28} {self.sides:>5} sides  {self.cpu_s:8.2f} s CPU  {each:8.2f} ms a side"
            f"  {self.wall_s:8.2f} s wall  {self.peak_mb:6.0f} MB"
        )


def grown(what: str, sides: int, used: usage.Usage) -> Grown:
    return Grown(what, sides, used.cpu_s, used.wall_s, used.peak_mb)


def measure(sides: int, folder: Path) -> list[Grown]:
    """Every command over a box of this many sides, one line each as it ends."""
    found: list[Grown] = []

    def note(one: Grown) -> None:
        found.append(one)
        print(one, flush=True)

    box, root = make_sheet(folder / "box", sides), folder / "archive"
    if sides <= FLOW_SIDES:
        words = [sys.executable, "-m", "tests.benchmarks.growth", "--make", str(box), str(root)]
        note(grown("flow (copied work)", sides, usage.run(words)))
    else:
        make_archive(box, root, Copied(folder / "trial"))
    note(grown("check", sides, usage.feltpad("check", box, "--json")))
    note(grown("digitize, nothing to do", sides, usage.feltpad("digitize", box, "--out", root, "--quiet")))
    note(grown("digitize, again", sides, usage.feltpad("digitize", box, "--out", root, "--quiet")))
    note(grown("qc --json", sides, usage.feltpad("qc", root, "--json")))
    index = root / "index.html"
    opened = open_in_browser(index)
    shown = (
        "not opened: no chromium" if opened is None else f"opened in {opened[0]:.2f} s, {opened[1]:.2f} s of processor"
    )
    print(f"{'index.html':<28} {sides:>5} sides  {index.stat().st_size / 1e6:8.2f} MB, {shown}", flush=True)
    return found


def open_in_browser(page: Path) -> tuple[float, float] | None:
    """Seconds from asking for a page to its being laid out and painted, and of processor its own thread took.

    None without chromium and playwright. On a busy machine only the second tells of the page.
    """
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with suppress(ImportError):
        from playwright.sync_api import sync_playwright

        if chromium:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
                tab = browser.new_page()
                tab.goto("about:blank")
                session = tab.context.new_cdp_session(tab)
                session.send("Performance.enable", {"timeDomain": "threadTicks"})
                began_s = time.monotonic()
                tab.goto(page.resolve().as_uri(), wait_until="load")
                painted = "() => new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)))"
                tab.evaluate(painted)
                took_s = time.monotonic() - began_s
                metrics = session.send("Performance.getMetrics")["metrics"]
                cpu_s = next(entry["value"] for entry in metrics if entry["name"] == "TaskDuration")
                browser.close()
                return took_s, cpu_s
    return None


def main(words: Sequence[str]) -> None:
    if words[:1] == ["--make"]:
        box, root = map(Path, words[1:])
        make_archive_in_flow(box, root, Copied(root.parent / "trial"))
        return
    for sides in map(int, words) if words else SIDES:
        folder = Path(tempfile.mkdtemp(prefix="growth-"))
        try:
            measure(sides, folder)
        finally:
            shutil.rmtree(folder)
    print(f"this program itself: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB")


if __name__ == "__main__":
    main(sys.argv[1:])
