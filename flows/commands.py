"""What each command does: one call into the library, and printing. Named as on the command line."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.exit_codes import DONE, FAILED_QC, FAILED_SIDE, USAGE
from pipeline.archive import Archive

if TYPE_CHECKING:
    from flows.engines import Engine
    from flows.settle import AnswerGiven
    from pipeline.again import Wishes
    from pipeline.making import TapeMade
    from pipeline.qc import FailedSide


def demo(parsed: argparse.Namespace) -> int:
    """The sample box, end to end; ends by naming the page to open."""
    from pipeline.settings import shipped

    code = _digitize(shipped("sample_inputs"), parsed.out, (), parsed)
    if code != USAGE:
        print(f"\nOpen this page in a browser: {(parsed.out / 'index.html').resolve().as_uri()}")
        print("One tape of the sample box is meant to fail: its capture is overdriven and has lost samples.")
    return DONE if code == FAILED_QC else code


def check(parsed: argparse.Namespace) -> int:
    """Every problem of a box; nothing is written."""
    from pipeline.box import check_box
    from pipeline.errors import Problem, SettingsError
    from pipeline.method import read_all_settings

    found = check_box(parsed.box, read_all_settings(parsed.config).method.sheet)
    listed = list(found.problems)
    try:
        read_all_settings(parsed.config, found.copies_overrides)
    except SettingsError as exc:
        listed += [Problem("box.toml, table [copies]", line) for line in str(exc).splitlines()]
    if parsed.json:
        problems = [{"place": p.place, "what": p.what, "slip": p.slip} for p in listed]
        _print_json({"box": str(parsed.box), "sides": len(found.sides), "problems": problems})
    else:
        for problem in listed:
            print(problem)
        tapes = len({side.row.tape for side in found.sides})
        hours = sum(side.capture.duration_s for side in found.sides if side.capture) / 3600
        what = f"{len(listed)} problems" if listed else "no problems"
        print(f"{what}: {tapes} tapes, {len(found.sides)} sides, {hours:.2f} hours of captures", file=sys.stderr)
    return USAGE if listed else DONE


def measure(parsed: argparse.Namespace) -> int:
    """One capture, without a box."""
    from flows import tables
    from pipeline.capture import open_capture
    from pipeline.measurement import measure_capture
    from pipeline.method import read_all_settings
    from pipeline.records import to_plain

    settings = read_all_settings(parsed.config)
    capture = open_capture(parsed.capture)
    measurement, _ = measure_capture(capture, parsed.tone, settings.method, settings.report.overview)
    if parsed.json:
        _print_json(to_plain(measurement))
    else:
        tables.print_measurement(measurement)
    return DONE


def bench(parsed: argparse.Namespace) -> int:
    """A deck's certificate from a test tape, or its history."""
    from flows import bench_commands

    return bench_commands.bench(parsed)


def digitize(parsed: argparse.Namespace) -> int:
    """A box of captures into an archive."""
    return _digitize(parsed.box, parsed.out, parsed.tape, parsed)


def rerun(parsed: argparse.Namespace) -> int:
    """A sealed tape again, with something decided otherwise, or with findings settled."""
    from flows import settle
    from flows.progress import watched
    from flows.running import noted
    from pipeline.again import Wishes

    archive = Archive(parsed.archive)
    wishes, answers = _wishes(parsed), _answers(parsed)
    settling = bool(answers) or parsed.sign is not None
    made = []
    if wishes != Wishes(reason=wishes.reason) or not settling:
        made += _make_again(archive, wishes, parsed)
    if settling:
        if answers:
            settle.answer(archive, parsed.tape, answers)
        if parsed.sign is not None:
            settle.sign_off(archive, parsed.tape, parsed.sign, "" if answers else parsed.note)
        with watched(1, parsed.quiet) as watcher, noted(watcher, archive, 1) as noting:
            made.append(settle.seal_settled(archive, parsed.tape, _engine(parsed), noting))
    return _tell(made, archive) if made else DONE


def _answers(parsed: argparse.Namespace) -> list[AnswerGiven]:
    from flows.settle import answer_typed
    from pipeline.settling import Said

    given = ((Said.ACCEPTED, parsed.accept), (Said.REFUSED, parsed.refuse), (Said.OPEN, parsed.reopen))
    return [answer_typed(said, text, parsed.side, parsed.note) for said, texts in given for text in texts]


def _wishes(parsed: argparse.Namespace) -> Wishes:
    from pipeline.again import Wishes
    from pipeline.decisions import ChannelUse
    from pipeline.errors import DecisionError
    from pipeline.speed import SpeedSource

    uses = [use.value for use in ChannelUse]
    if parsed.channels is not None and parsed.channels not in uses:
        raise DecisionError(f"--channels: expected one of {', '.join(uses)}, found {parsed.channels!r}")
    return Wishes(
        parsed.read,
        parsed.true,
        parsed.ratio,
        parsed.bench,
        SpeedSource(parsed.speed) if parsed.speed else None,
        parsed.start,
        parsed.stop,
        ChannelUse(parsed.channels) if parsed.channels else None,
        parsed.gain,
        parsed.revision,
        parsed.automatic,
        parsed.reason,
    )


def _make_again(archive: Archive, wishes: Wishes, parsed: argparse.Namespace) -> list[TapeMade]:
    from flows.box import make_tape_again, now
    from flows.progress import watched
    from flows.running import noted
    from pipeline.again import plan_again

    again = plan_again(archive, parsed.tape, parsed.side, wishes, now())
    if not again.sides:
        print(f"tape {parsed.tape} is decided so already: nothing was made again")
        return []
    with watched(len(again.sides), parsed.quiet) as watcher, noted(watcher, archive, len(again.sides)) as noting:
        return [make_tape_again(again, archive, _engine(parsed), noting)]


def review(parsed: argparse.Namespace) -> int:
    """The archive in the browser: listen, decide, settle, sign."""
    from flows.review import serve

    return serve(parsed.archive, parsed.port, not parsed.no_browser)


def qc(parsed: argparse.Namespace) -> int:
    """Summary on the terminal, and the pages again."""
    from flows import tables
    from flows.box import now, pages_again
    from flows.progress import watched
    from pipeline.at_a_glance import read_summary, write_summary
    from pipeline.finish import read_qc
    from pipeline.method import read_all_settings
    from pipeline.qc import Verdict
    from pipeline.records import to_plain

    archive = Archive(parsed.archive)
    tapes = parsed.tape or archive.tapes()
    records = [read_qc(archive.require(tape)) for tape in tapes]
    if parsed.json:
        _print_json({"schema": "feltpad.qc-list/1", "tapes": [to_plain(record) for record in records]})
    else:
        with watched(len(tapes), quiet=False) as watcher:
            pages_again(archive, tapes, watcher)
        records = [read_qc(archive.sealed(tape)) for tape in tapes]  # what was settled is in them now
        criteria = read_all_settings().report.summary
        summary = read_summary(archive, criteria, now())
        write_summary(archive, summary, criteria)
        tables.print_summary(summary, tapes)
    if any(record.failed for record in records):
        return FAILED_SIDE
    return FAILED_QC if any(record.verdict is Verdict.FAIL for record in records) else DONE


def restore(parsed: argparse.Namespace) -> int:
    """A side's capture file again, byte for byte."""
    from pipeline.errors import ArchiveError
    from pipeline.finish import read_qc
    from pipeline.restore import restore_capture

    folder = Archive(parsed.archive).require(parsed.tape)
    sides = {side.side: side for side in read_qc(folder).sides}
    if parsed.side not in sides:
        raise ArchiveError(f"tape {parsed.tape} has no side {parsed.side!r}; sides here: {', '.join(sides)}")
    print(restore_capture(folder, sides[parsed.side], parsed.out))
    return DONE


def verify(parsed: argparse.Namespace) -> int:
    """Prove structure, completeness, checksums and audio of every tape; names every bad file."""
    from pipeline.seal import verify_tape

    archive = Archive(parsed.archive)
    tapes = parsed.tape or archive.tapes()
    proofs = [verify_tape(archive, tape) for tape in tapes]
    damages = [damage for proof in proofs for damage in proof.damages]
    if parsed.json:
        from pipeline.records import to_plain

        _print_json({"schema": "feltpad.verify/1", "tapes": [to_plain(proof) for proof in proofs]})
    else:
        for damage in damages:
            print(f"{damage.path}: {damage.what}")
        files, audio = sum(proof.files for proof in proofs), sum(proof.audio_files for proof in proofs)
        outcome = f"{len(damages)} damages" if damages else "whole: nothing has changed since it was sealed"
        print(f"{len(proofs)} tapes, {files} files, {audio} audio files decoded: {outcome}")
    if not tapes:
        print(f"feltpad: {archive.root} holds no sealed tape", file=sys.stderr)
        return USAGE
    return FAILED_QC if damages else DONE


def _digitize(box: Path, out: Path, tapes: Sequence[str], parsed: argparse.Namespace) -> int:
    from flows.box import make_box
    from flows.progress import watched
    from flows.running import noted
    from pipeline.plan import plan_box

    plan = plan_box(box, tapes, parsed.config)
    archive = Archive(out)
    archive.state.mkdir(parents=True, exist_ok=True)
    sides = sum(len(job.sides) for job in plan.jobs)
    with watched(sides, parsed.quiet) as watcher, noted(watcher, archive, sides) as noting:
        made = make_box(plan.jobs, archive, _engine(parsed), _at_once(parsed), noting)
    return _tell(made, archive)


def _tell(made: Sequence[TapeMade], archive: Archive) -> int:
    """The box at a glance, on the terminal and as pages; then what was done, and the exit code."""
    from flows import tables
    from flows.box import now
    from pipeline.at_a_glance import read_summary, write_summary
    from pipeline.method import read_all_settings
    from pipeline.qc import Verdict

    criteria = read_all_settings().report.summary
    lost: list[tuple[str, FailedSide]] = [
        (tape.tape, side) for tape in made if tape.verdict is None for side in tape.failed
    ]
    summary = read_summary(archive, criteria, now(), lost)
    write_summary(archive, summary, criteria)
    tables.print_summary(summary, {tape.tape for tape in made})
    steps = [step for tape in made for step in tape.steps_done]
    audio = [step for step in steps if not step.endswith("seal")]
    if not steps:
        print("Nothing has changed since the last run: no audio work was done.")
    else:
        print(f"{_counted(len(audio), 'step')} on audio done, {_counted(steps.count('seal'), 'tape')} sealed.")
    failed = [(tape.tape, side) for tape in made for side in tape.failed]
    for tape, side in failed:
        print(f"feltpad: {tape} {f'side {side.side}' if side.side else ''}: {side.error}", file=sys.stderr)
    if failed:
        return FAILED_SIDE
    return FAILED_QC if any(tape.verdict is Verdict.FAIL for tape in made) else DONE


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _at_once(parsed: argparse.Namespace) -> int | None:
    return parsed.workers if parsed.engine == "dask" else _workers(parsed)


def _workers(parsed: argparse.Namespace) -> int:
    from flows.heap import usable_cores

    return parsed.workers or min(usable_cores(), 8)


def _engine(parsed: argparse.Namespace) -> Callable[[], AbstractContextManager[Engine]]:
    from flows.engines import InlineEngine, LocalEngine

    if parsed.engine == "inline":
        return InlineEngine
    if parsed.engine == "dask":
        return _dask_engine(parsed)
    return lambda: LocalEngine(_workers(parsed))


def _dask_engine(parsed: argparse.Namespace) -> Callable[[], AbstractContextManager[Engine]]:
    from pipeline.errors import SettingsError
    from pipeline.settings import shipped

    if parsed.scheduler is None:
        raise SettingsError(
            "--engine dask: give --scheduler the address of a Dask scheduler, such as tcp://10.0.0.1:8786"
        )
    try:
        from flows.dask_engine import DaskEngine
    except ImportError as exc:
        raise SettingsError(f"--engine dask needs an extra: pip install 'feltpad[dask]' ({exc})") from exc
    archive = Archive(parsed.archive if "archive" in parsed else parsed.out)
    box = parsed.box if "box" in parsed else shipped("sample_inputs") if "out" in parsed else None
    sources = () if box is None else (box / "box.toml",)
    return lambda: DaskEngine(parsed.scheduler, archive.state, sources, parsed.workers)


def _print_json(document: dict[str, Any]) -> None:
    print(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))
