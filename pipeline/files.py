"""Files that bear their name only when they are whole."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A path beside ``path`` to write to; renamed to ``path`` when the block ends well, removed when it does not.

    The partial name starts with a dot and keeps the suffix, since encoders and taggers go by it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.stem}.partial{path.suffix}")
    partial.unlink(missing_ok=True)
    try:
        yield partial
        with partial.open("rb+") as stream:
            os.fsync(stream.fileno())
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def write_text_whole(path: Path, text: str) -> Path:
    """Write UTF-8 text with plain line ends, all or nothing."""
    with whole_file(path) as partial:
        partial.write_bytes(text.encode())
    return path
