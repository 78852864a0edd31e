"""Make a sealed tape again with something decided otherwise; the box and the captures are not needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pipeline.archive import Archive, TapeFolder
from pipeline.bench_log import newest_bench
from pipeline.decisions import (
    By,
    ChannelDecision,
    ChannelUse,
    CutDecision,
    Decisions,
    SpeedDecision,
    decisions_name,
    newest_decisions,
    read_decisions,
)
from pipeline.deck import Deck, read_deck
from pipeline.errors import DecisionError
from pipeline.finish import read_qc
from pipeline.making import SideDone, TapeMade
from pipeline.measurement import Measurement
from pipeline.qc import SideQC, TapeQC
from pipeline.side import bench_speed, decide_side
from pipeline.side_job import SideJob
from pipeline.source import TapeSource, read_source
from pipeline.speed import SpeedSource, ratio_of, resolve_speed
from pipeline.step import Desk, Run
from pipeline.tape import finish_tape, make_side_again


@dataclass(frozen=True)
class Wishes:
    """What a person wants otherwise; None and "" where nothing is wished.

    read_hz, true_hz  a tone that should be true_hz reads read_hz on this deck
    bench             a deck file whose newest bench result gives the speed
    source            the speed from this source: the capture's tones, the bench results of the tape's own deck, none
    start_s, stop_s   the cut, in seconds of the capture
    revision          decide again as in this earlier revision
    automatic         forget what a person decided
    """

    read_hz: float | None = None
    true_hz: float | None = None
    ratio: float | None = None
    bench: Path | None = None
    source: SpeedSource | None = None
    start_s: float | None = None
    stop_s: float | None = None
    channels: ChannelUse | None = None
    gain_db: float | None = None
    revision: int | None = None
    automatic: bool = False
    reason: str = ""


@dataclass(frozen=True)
class SideAgain:
    job: SideJob
    before: SideQC
    decisions: Decisions


@dataclass(frozen=True)
class TapeAgain:
    """sides: those that are decided otherwise than before."""

    source: TapeSource
    deck: Deck
    before: TapeQC
    sides: tuple[SideAgain, ...]


def plan_again(archive: Archive, tape: str, side: str | None, wishes: Wishes, now: datetime) -> TapeAgain:
    """What would be made again. Raises ArchiveError or DecisionError when the wish cannot be carried out."""
    _refuse_contradictions(wishes)
    folder = archive.require(tape)
    source, deck = read_source(folder)
    before = read_qc(folder)
    wanted = [qc for qc in before.sides if side is None or qc.side == side]
    if not wanted:
        known = ", ".join(qc.side for qc in before.sides)
        raise DecisionError(f"tape {tape} has no side {side!r} to make again; sides here: {known}")
    changed = []
    for qc in wanted:
        job = SideJob(source, deck, source.row(qc.side), None)
        decisions = decide_again(job, qc, folder, wishes, now)
        if decisions.substance != qc.decisions.substance or decisions.speed != qc.decisions.speed:
            changed.append(SideAgain(job, qc, decisions))
    return TapeAgain(source, deck, before, tuple(changed))


def decide_again(job: SideJob, before: SideQC, folder: TapeFolder, wishes: Wishes, now: datetime) -> Decisions:
    """The next revision: the newest one with the wishes in it."""
    newest = newest_decisions(folder.decisions, job.side) or before.decisions
    base = newest
    if wishes.revision is not None:
        base = read_decisions(folder.decisions / decisions_name(job.side, wishes.revision))
    elif wishes.automatic:
        base = decide_side(job, before.measurement, "", now)
    reason = wishes.reason or _in_words(wishes)
    return replace(
        base,
        revision=newest.revision + 1,
        made=now.isoformat(timespec="seconds"),
        reason=reason,
        speed=_speed(base.speed, wishes, job, before.measurement),
        cut=_cut(base.cut, wishes, before.measurement.capture.duration_s),
        channels=_channels(base.channels, wishes, before.measurement.capture.channels),
        gain=base.gain if wishes.gain_db is None else replace(base.gain, access_db=wishes.gain_db, by=By.PERSON),
    )


def _refuse_contradictions(wishes: Wishes) -> None:
    if (wishes.read_hz is None) != (wishes.true_hz is None):
        raise DecisionError("--read and --true go together: what the tone reads, and what it should be")
    if sum(value is not None for value in (wishes.read_hz, wishes.ratio, wishes.bench, wishes.source)) > 1:
        raise DecisionError("one source of speed at a time: --read with --true, or --ratio, or --bench, or --speed")
    if wishes.revision is not None and wishes.automatic:
        raise DecisionError("--revision and --automatic contradict each other")
    if wishes == Wishes(reason=wishes.reason):
        raise DecisionError(
            "nothing is wished: give --read and --true, --ratio, --bench, --speed, --start, --stop, --channels,"
            " --gain, --revision or --automatic"
        )


def _in_words(wishes: Wishes) -> str:
    """The wishes as they would be typed."""
    typed = {
        "--read": wishes.read_hz,
        "--true": wishes.true_hz,
        "--ratio": wishes.ratio,
        "--bench": wishes.bench,
        "--speed": wishes.source.value if wishes.source else None,
        "--start": wishes.start_s,
        "--stop": wishes.stop_s,
        "--channels": wishes.channels.value if wishes.channels else None,
        "--gain": wishes.gain_db,
        "--revision": wishes.revision,
    }
    words = [f"{name} {value}" for name, value in typed.items() if value is not None]
    return "rerun " + " ".join([*words, *(["--automatic"] if wishes.automatic else [])])


def speed_from(source: SpeedSource, job: SideJob, measurement: Measurement) -> SpeedDecision:
    """The speed as this source has it. Raises DecisionError where it says nothing, or only a person can give it."""
    if source is SpeedSource.NONE:
        return SpeedDecision(1.0, source, None, None, By.PERSON, "a person chose to leave the speed as it was captured")
    bench, words = bench_speed(job) if source is SpeedSource.BENCH else (None, "a person chose this capture's tone")
    speed = resolve_speed(
        measurement.tones if source is SpeedSource.TONE else (),
        reading=None,
        ratio=None,
        bench=bench,
        criteria=job.source.settings.method.speed,
    )
    if speed.source is not source:
        missing = {
            SpeedSource.TONE: "no tone on this capture matches a nominal one",
            SpeedSource.BENCH: "the tape's deck has no bench result with a speed",
        }
        raise DecisionError(missing.get(source, f"{source.value}: only a person can give that, as a number"))
    return SpeedDecision(speed.ratio, source, None, None, By.PERSON, words)


def _speed(base: SpeedDecision, wishes: Wishes, job: SideJob, measurement: Measurement) -> SpeedDecision:
    if wishes.source is not None:
        return speed_from(wishes.source, job, measurement)
    if wishes.read_hz is not None and wishes.true_hz is not None:
        ratio = ratio_of(wishes.read_hz, wishes.true_hz)
        why = f"a person read {wishes.read_hz:g} Hz where {wishes.true_hz:g} Hz was meant"
        return SpeedDecision(ratio, SpeedSource.READING, wishes.read_hz, wishes.true_hz, By.PERSON, why)
    if wishes.ratio is not None:
        return SpeedDecision(wishes.ratio, SpeedSource.RATIO, None, None, By.PERSON, "a person gave the ratio")
    if wishes.bench is not None:
        choice = newest_bench(read_deck(wishes.bench), None)
        if choice is None or choice.entry.error_percent is None:
            raise DecisionError(f"{wishes.bench}: holds no bench result with a speed; make one with `feltpad bench`")
        why = f"the bench result of {choice.entry.date} in {wishes.bench.name}"
        ratio = 1 / (1 + choice.entry.error_percent / 100)
        return SpeedDecision(ratio, SpeedSource.BENCH, None, None, By.PERSON, why)
    return base


def _cut(base: CutDecision, wishes: Wishes, duration_s: float) -> CutDecision:
    if wishes.start_s is None and wishes.stop_s is None:
        return base
    start_s = base.start_s if wishes.start_s is None else wishes.start_s
    stop_s = base.stop_s if wishes.stop_s is None else wishes.stop_s
    if not 0 <= start_s < stop_s <= duration_s:
        raise DecisionError(
            f"the cut from {start_s:g} s to {stop_s:g} s does not fit a capture of {duration_s:.3f} s;"
            " --start and --stop are seconds of the capture, as the report's timeline shows them"
        )
    return CutDecision(start_s, stop_s, By.PERSON, "a person moved the cut")


def _channels(base: ChannelDecision, wishes: Wishes, captured: int) -> ChannelDecision:
    if wishes.channels is None:
        return base
    if captured == 1 and wishes.channels is not ChannelUse.AS_CAPTURED:
        raise DecisionError("the capture has one channel: only as-captured is possible")
    return ChannelDecision(wishes.channels, By.PERSON, "a person chose the channels")


def make_again(again: TapeAgain, desk: Desk, run: Run, side_done: SideDone, now: Callable[[], datetime]) -> TapeMade:
    """Render what was decided otherwise, keep the rest, judge and seal again."""
    made = {}
    done: list[str] = []
    for side in again.sides:
        outcome = make_side_again(side.job, side.before, side.decisions, desk, run)
        made[side.job.side] = outcome.qc
        done += [f"{side.job.side}: {step}" for step in outcome.steps_done]
        side_done(side.job, "")
    sides = [made.get(qc.side, qc) for qc in again.before.sides]
    failed = again.before.failed
    finished, fresh = finish_tape(again.source, again.deck, sides, failed, desk, run, now())
    return TapeMade(again.source.tape, finished.verdict, (*done, *(["seal"] if fresh else [])), ())
