"""What a person sees of a run goes to one stream, in the form that stream can show."""

from __future__ import annotations

import io
import re
from concurrent.futures import ThreadPoolExecutor

import pytest

from flows.progress import watched


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_quiet_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    stream = Terminal()
    with watched(1, quiet=True, stream=stream) as watcher:
        watcher.begin_stage("T1 side A", "measure")(0.5)
        watcher.say("a word")
        watcher.end_side("T1 side A", "done")
    assert stream.getvalue() == ""
    assert capfd.readouterr() == ("", "")


def test_a_log_gets_a_line_for_each_stage_and_each_side() -> None:
    stream = io.StringIO()
    with watched(2, quiet=False, stream=stream) as watcher:
        watcher.begin_stage("T1 side A", "measure")(0.5)
        watcher.end_side("T1 side A", "done")
        watcher.end_side("T1 side B", "failed: a [bold] title")
    assert stream.getvalue().splitlines() == [
        "T1 side A: measure",
        "T1 side A: done (1 of 2, 0:00)",
        "T1 side B: failed: a [bold] title (2 of 2, 0:00)",
    ]


def test_a_terminal_gets_bars_and_every_outcome_stays_readable() -> None:
    stream = Terminal()
    with watched(3, quiet=False, stream=stream) as watcher:
        tell = watcher.begin_stage("T1 side A", "measure [1/2]")
        tell(0.5)
        watcher.end_side("T1 side A", "done [/all]")
        tell(0.9)  # late news of a side that has ended does no harm
        watcher.begin_stage("T1 side B", "render")
    seen = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", stream.getvalue())
    assert "T1 side A: done [/all]" in seen
    assert "1 of 3 sides" in seen


def test_standard_output_is_left_to_results(capsys: pytest.CaptureFixture[str]) -> None:
    with watched(1, quiet=False, stream=Terminal()) as watcher:
        watcher.begin_stage("T1 side A", "measure")
        print('{"schema": "a result"}')
    assert capsys.readouterr().out == '{"schema": "a result"}\n'


@pytest.mark.parametrize("terminal", [True, False])
def test_many_threads_may_tell_at_once(terminal: bool) -> None:
    stream = Terminal() if terminal else io.StringIO()

    def side(number: int) -> None:
        for stage in ("measure", "render"):
            watcher.begin_stage(f"T{number} side A", stage)(0.5)
        watcher.end_side(f"T{number} side A", "done")

    with watched(50, quiet=False, stream=stream) as watcher, ThreadPoolExecutor(8) as threads:
        list(threads.map(side, range(50)))
    assert "50 of 50" in stream.getvalue()
    assert all(f"T{number} side A: done" in stream.getvalue() for number in range(50))
