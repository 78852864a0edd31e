"""A table that grows while a capture is read, and is asked for when it has been.

Its rows are kept in pages that the system gives and takes one by one. As small arrays among those of other meters they
would leave the heap full of holes when they go, and a whole side would cost a third more.
"""

from __future__ import annotations

import mmap
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

PAGE_BYTES = 1 << 22  # what is not yet written to takes no memory


class Rows:
    """Add arrays of (rows, …), of one type and alike but for their number; `whole` is all of them in order.

    >>> table = Rows()
    >>> table.add(np.array([1, 2]))
    >>> table.add(np.array([3]))
    >>> table.whole()
    array([1, 2, 3])
    """

    def __init__(self) -> None:
        self._pages: list[Array] = []
        self._used = 0  # rows of the last page

    def __len__(self) -> int:
        return sum(map(len, self._pages[:-1])) + self._used

    def add(self, rows: Array) -> None:
        at = 0
        while at < len(rows):
            if not self._pages or self._used == len(self._pages[-1]):
                self._pages.append(_page(rows))
                self._used = 0
            part = rows[at : at + len(self._pages[-1]) - self._used]
            self._pages[-1][self._used : self._used + len(part)] = part
            self._used += len(part)
            at += len(part)

    def whole(self) -> Array:
        """All rows; (0,) where none was ever added. Not to be changed: more may be added after it."""
        if len(self._pages) > 1:
            whole = np.empty((len(self), *self._pages[0].shape[1:]), self._pages[0].dtype)
            at, count = 0, len(whole)
            while self._pages:  # each is given back when it is copied
                page = self._pages.pop(0)[: count - at]
                whole[at : at + len(page)] = page
                at += len(page)
            self._pages, self._used = [whole], count
        return self._pages[0][: self._used] if self._pages else np.zeros(0)


def _page(like: Array) -> Array:
    """Empty rows straight from the system, not from the heap, which would keep them."""
    row = like.itemsize * int(np.prod(like.shape[1:]))
    count = max(1, PAGE_BYTES // row)
    return np.frombuffer(mmap.mmap(-1, count * row), like.dtype).reshape(count, *like.shape[1:])
