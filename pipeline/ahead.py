"""Let the next block be made while this one is used: decoding, resampling and encoding all release the interpreter."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from typing import Any, TypeVar

Block = TypeVar("Block")
Tell = Callable[[float], None]  # hears the fraction of a stage that is done, 0 … 1
_END = object()


def ahead(blocks: Iterable[Block], depth: int = 2) -> Generator[Block, None, None]:
    """The same blocks in the same order, made by a thread of their own, at most ``depth`` in stock.

    An error in the making is raised here. Closing the generator early stops the thread at its next block, and closes
    what the blocks came from.

    >>> list(ahead(range(4)))
    [0, 1, 2, 3]
    """
    stock: queue.Queue[Any] = queue.Queue(depth)
    closed = threading.Event()

    def put(item: Any) -> bool:
        while not closed.is_set():
            try:
                stock.put(item, timeout=0.1)
                return True
            except queue.Full:
                continue
        return False

    def make() -> None:
        try:
            for block in blocks:
                if not put(block):
                    return
            put(_END)
        except BaseException as exc:
            put(exc)
        finally:
            if isinstance(blocks, Generator):
                blocks.close()

    maker = threading.Thread(target=make, daemon=True)
    maker.start()
    try:
        while (item := stock.get()) is not _END:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        closed.set()
        maker.join()


def silent(_: float) -> None:
    """A `Tell` for whoever does not want to hear."""


def told(blocks: Iterable[Block], frames: int, tell: Tell, start: float = 0.0, stop: float = 1.0) -> Iterator[Block]:
    """The same blocks; ``tell`` hears how many of ``frames`` have gone by, from ``start`` up to ``stop``."""
    gone = 0
    for block in blocks:
        yield block
        gone += len(block)  # type: ignore[arg-type]
        tell(start + (stop - start) * min(1.0, gone / max(1, frames)))
