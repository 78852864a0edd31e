"""The process that carries out one stage after another, and the words it exchanges with the engine that started it.

Words travel over the child's standard input and output as frames: eight bytes of length, then a pickle. Only parent and
child speak, both of the same program, so pickles are safe here. Whatever a stage prints goes to the log, never
to the person's standard output.

A child never outlives its parent: a thread waits for the end of the input, and when it comes kills the child and
all it has started.
"""

from __future__ import annotations

import faulthandler
import importlib
import os
import pickle
import queue
import signal
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from flows.heap import give_back, set_heap
from pipeline.errors import FeltpadError

Tell = Callable[[float], None]

PROGRESS_EVERY_S = 0.2  # quick enough for the eye, rare enough to cost nothing
_LENGTH = struct.Struct(">Q")


@dataclass(frozen=True)
class StageCall:
    """One stage to run: a function by its name, with small arguments (paths, digests, records; never samples).

    function   "pipeline.render:render_side"; must be importable by name
    arguments  keyword arguments, all picklable
    label      what a person calls it ("T1 side A: render"); stands in errors
    tell_as    the keyword under which the function takes a `Tell` to report the fraction done (0 … 1), or "" for none
    """

    function: str
    arguments: Mapping[str, Any] = field(default_factory=dict)
    label: str = ""
    tell_as: str = ""


@dataclass(frozen=True)
class Progress:
    """The fraction of the stage that is done, 0 … 1."""

    fraction: float


@dataclass(frozen=True)
class Done:
    """The stage has ended well; ``value`` is what its function returned."""

    value: Any


@dataclass(frozen=True)
class Raised:
    """The stage has raised. ``ours`` is the class of a FeltpadError, None for anything else."""

    ours: type[FeltpadError] | None
    arguments: tuple[Any, ...]
    attributes: dict[str, Any]
    summary: str
    trace: str


def perform(call: StageCall, tell: Tell | None = None) -> Any:
    """Run a stage in this process and return what its function returned."""
    module, _, name = call.function.partition(":")
    function = getattr(importlib.import_module(module), name)
    more = {call.tell_as: tell or (lambda _: None)} if call.tell_as else {}
    return function(**call.arguments, **more)


def describe(error: BaseException) -> Raised:
    """An exception in a form that survives the way to another process."""
    ours = type(error) if isinstance(error, FeltpadError) else None
    summary = f"{type(error).__name__}: {error}"
    trace = "".join(traceback.format_exception(error))
    return Raised(ours, error.args if ours else (), dict(vars(error)) if ours else {}, summary, trace)


def write_frame(stream: IO[bytes], word: Any) -> None:
    """Send one word. Raises whatever pickle raises before anything is sent, OSError when nobody listens."""
    frame = pickle.dumps(word, pickle.HIGHEST_PROTOCOL)
    stream.write(_LENGTH.pack(len(frame)) + frame)
    stream.flush()


def read_frame(stream: IO[bytes]) -> Any:
    """The next word. Raises EOFError when the other side is gone, also in the middle of a word."""
    head = stream.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    frame = stream.read(length)
    if len(frame) < length:
        raise EOFError
    return pickle.loads(frame)


def serve() -> None:
    """The whole life of a child: take calls, answer them, end with the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to answer
    set_heap()
    with suppress(OSError):  # where memory runs out, a worker goes before the program that can start it again
        Path("/proc/self/oom_score_adj").write_text("500")
    inbox, outbox = _take_standard_streams()
    faulthandler.enable()  # a crash in a library leaves its place in the log
    calls: queue.SimpleQueue[StageCall] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(inbox, calls), daemon=True).start()
    while True:
        _answer(calls.get(), outbox)
        give_back()


def _take_standard_streams() -> tuple[IO[bytes], IO[bytes]]:
    """Keep the pipes for ourselves; what a stage or its encoder prints goes where standard error goes."""
    inbox, outbox = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(nothing)
    os.dup2(2, 1)
    sys.stdout = sys.stderr  # the same place, written line by line
    return inbox, outbox


def _listen(inbox: IO[bytes], calls: queue.SimpleQueue[StageCall]) -> None:
    try:
        while True:
            calls.put(read_frame(inbox))
    finally:  # the parent is gone, or done with us, or speaks nonsense
        if os.getpgrp() == os.getpid():
            os.killpg(0, signal.SIGKILL)
        os._exit(1)


def _answer(call: StageCall, outbox: IO[bytes]) -> None:
    answer: Done | Raised
    try:
        write_frame(outbox, Progress(0.0))  # tells the parent that from here on a death costs the stage
        answer = Done(perform(call, _teller(outbox)))
    except BaseException as error:  # whatever it is, it must reach the parent; the child stays fit for work
        answer = describe(error)
    try:
        write_frame(outbox, answer)
    except OSError:
        os._exit(1)
    except Exception as error:  # something that cannot be pickled
        trace = answer.trace if isinstance(answer, Raised) else traceback.format_exc()
        write_frame(outbox, Raised(None, (), {}, f"the stage's answer cannot travel: {error}", trace))


def _teller(outbox: IO[bytes]) -> Tell:
    last_s = 0.0

    def tell(fraction: float) -> None:
        nonlocal last_s
        now_s = time.monotonic()
        if now_s - last_s >= PROGRESS_EVERY_S:
            last_s = now_s
            write_frame(outbox, Progress(min(1.0, max(0.0, float(fraction)))))

    return tell
