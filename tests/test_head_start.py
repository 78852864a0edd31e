"""Stages that begin before somebody asks for them, with engines made for the test."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from flows.engines import EngineStopped
from flows.head_start import HeadStart
from flows.workers import StageCall, Tell
from pipeline.errors import CaptureError


class SlowEngine:
    """Ends a stage when it is let go on."""

    at_once = 2

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.go_on, self.begun, self.stopped = threading.Event(), threading.Event(), threading.Event()

    def run(self, call: StageCall, on_progress: Tell | None = None) -> Any:
        self.asked.append(call.label)
        self.begun.set()
        assert self.go_on.wait(10)
        if self.stopped.is_set():
            raise EngineStopped(call.label)
        if "bad" in call.label:
            raise CaptureError("no such capture")
        assert on_progress is not None
        on_progress(1.0)
        return f"made {call.label}"

    def stop(self) -> None:
        self.stopped.set()
        self.go_on.set()


def test_a_stage_begins_at_once_and_is_handed_over_once() -> None:
    engine, call, heard = SlowEngine(), StageCall("m:f", {}, "T1 side A: measure"), list[float]()
    with HeadStart(engine, [call]) as head_start:
        assert engine.begun.wait(10)
        assert engine.asked == [call.label]
        threading.Timer(0.1, engine.go_on.set).start()
        assert head_start.run(call, heard.append) == f"made {call.label}"
        assert engine.asked == [call.label]
        assert heard == [1.0]
        head_start.run(call, heard.append)  # asked for once more it is done once more
        assert engine.asked == [call.label] * 2
    assert not engine.stopped.is_set()


def test_other_stages_go_to_the_engine() -> None:
    engine = SlowEngine()
    engine.go_on.set()
    with HeadStart(engine, []) as head_start:
        assert head_start.run(StageCall("m:f", {}, "T2 side A: measure"), lambda _: None) == "made T2 side A: measure"


def test_an_error_is_raised_where_the_stage_is_asked_for() -> None:
    engine, call = SlowEngine(), StageCall("m:f", {}, "bad side: measure")
    engine.go_on.set()
    with HeadStart(engine, [call]) as head_start, pytest.raises(CaptureError, match="no such capture"):
        head_start.run(call, lambda _: None)


def test_what_nobody_asks_for_ends_with_the_engine() -> None:
    engine = SlowEngine()
    with (
        pytest.raises(RuntimeError, match="no server"),
        HeadStart(engine, [StageCall("m:f", {}, "T1 side A: measure")]),
    ):
        assert engine.begun.wait(10)
        raise RuntimeError("no server")
    assert engine.stopped.is_set()
