"""What a person sees while a box is worked on: bars on a terminal, plain lines in a log, or nothing. All on stderr.

The flows say what happens (`Watcher`); how it looks is decided once, by `watched`.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol, TextIO

from flows.workers import Tell

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID


class Watcher(Protocol):
    """Told by the flows, from any thread, what is going on. A side is named as a person names it: "T1 side A"."""

    def begin_stage(self, side: str, stage: str) -> Tell:
        """A stage of a side begins; the answer takes the fraction of it that is done."""

    def end_side(self, side: str, outcome: str) -> None:
        """Nothing more will be done for this side: "done", "nothing to do", "failed: why"."""

    def end_tape(self, tape: str, outcome: str) -> None:
        """Nothing more will be done for this tape as a whole: "sealed"."""

    def say(self, text: str) -> None:
        """Something worth a line that stays."""


@contextmanager
def watched(sides: int, quiet: bool, stream: TextIO | None = None) -> Iterator[Watcher]:
    """A watcher for a run over ``sides`` sides, writing to ``stream`` (standard error)."""
    stream = stream or sys.stderr
    if quiet:
        yield _Silence()
    elif stream.isatty():
        with _Bars(sides, stream) as bars:
            yield bars
    else:
        yield _Lines(sides, stream)


class _Silence:
    def begin_stage(self, side: str, stage: str) -> Tell:
        return lambda _: None

    def end_side(self, side: str, outcome: str) -> None:
        return

    def end_tape(self, tape: str, outcome: str) -> None:
        return

    def say(self, text: str) -> None:
        return


class _Lines:
    """One line a stage and one a side: what a log file or a mail of a nightly run can show."""

    def __init__(self, sides: int, stream: TextIO) -> None:
        self._sides, self._stream = sides, stream
        self._ended = 0
        self._began_s = time.monotonic()
        self._writing = threading.Lock()

    def begin_stage(self, side: str, stage: str) -> Tell:
        self.say(f"{side}: {stage}")
        return lambda _: None

    def end_side(self, side: str, outcome: str) -> None:
        with self._writing:
            self._ended += 1
            ended = self._ended
        self.say(f"{side}: {outcome} ({ended} of {self._sides}, {_clock(time.monotonic() - self._began_s)})")

    def end_tape(self, tape: str, outcome: str) -> None:
        self.say(f"{tape}: {outcome}")

    def say(self, text: str) -> None:
        with self._writing:
            print(text, file=self._stream, flush=True)


class _Bars:
    """A bar for each side in work and one for the whole box below them."""

    def __init__(self, sides: int, stream: TextIO) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

        self._progress: Progress = Progress(
            TextColumn("{task.description}", markup=False),  # a title may hold [brackets]
            BarColumn(),
            TaskProgressColumn(),
            TimeElapsedColumn(),
            console=Console(file=stream, force_terminal=True),
            redirect_stdout=False,  # results go to standard output, never through here
        )
        self._sides = sides
        self._ended = 0
        self._bars: dict[str, TaskID] = {}
        self._changing = threading.RLock()
        self._whole = self._progress.add_task(self._whole_text(), total=max(1, sides))

    def __enter__(self) -> _Bars:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._changing:
            for bar in self._bars.values():
                self._progress.remove_task(bar)
            self._bars.clear()
        self._progress.stop()

    def begin_stage(self, side: str, stage: str) -> Tell:
        with self._changing:
            if side not in self._bars:
                self._bars[side] = self._progress.add_task(side, total=1.0)
            bar = self._bars[side]
            self._progress.reset(bar, description=f"{side}: {stage}")

        def tell(fraction: float) -> None:
            with self._changing:
                if self._bars.get(side) == bar:
                    self._progress.update(bar, completed=fraction)

        return tell

    def end_side(self, side: str, outcome: str) -> None:
        with self._changing:
            self._ended += 1
            self._progress.update(self._whole, completed=self._ended, description=self._whole_text())
        self.end_tape(side, outcome)

    def end_tape(self, tape: str, outcome: str) -> None:
        with self._changing:
            bar = self._bars.pop(tape, None)
            if bar is not None:
                self._progress.remove_task(bar)
        self.say(f"{tape}: {outcome}")

    def say(self, text: str) -> None:
        self._progress.console.print(text, markup=False, highlight=False, soft_wrap=True)

    def _whole_text(self) -> str:
        return f"{self._ended} of {self._sides} sides"


def _clock(seconds: float) -> str:
    """A duration as a person reads it.

    >>> _clock(59.4), _clock(3725)
    ('0:59', '1:02:05')
    """
    minutes, rest_s = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest_s:02}" if hours else f"{minutes}:{rest_s:02}"
