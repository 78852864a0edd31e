"""Answers a person has just given, kept beside the bags until the tape is sealed with them.

Sealing a tape takes seconds, and somebody who goes through findings must not wait for it: answers are written at once
to ``ARCHIVE/.feltpad/settling/<tape>/settled.toml``. Whichever run seals the tape next takes them into the bag.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.archive import Archive
from pipeline.errors import ArchiveError
from pipeline.settling import NAME, SettledTape, merged, read_settled, write_settled


def settled_now(archive: Archive, tape: str) -> SettledTape:
    """What is in the tape's folder, with what has been answered since."""
    sealed = read_settled(archive.current(tape).decisions, tape)
    return merged(sealed, read_settled(_folder(archive, tape), tape))


def note_settled(archive: Archive, news: SettledTape) -> None:
    """Keep new answers until the tape is sealed with them. Safe beside other processes doing the same."""
    folder = _folder(archive, news.tape)
    with _alone(archive):
        write_settled(merged(read_settled(folder, news.tape), news), folder)


def drop_sealed(archive: Archive, sealed: SettledTape) -> None:
    """Forget the notes that are in the bag now; those made meanwhile stay."""
    folder = _folder(archive, sealed.tape)
    with _alone(archive):
        if (folder / NAME).exists() and merged(sealed, read_settled(folder, sealed.tape)) == sealed:
            (folder / NAME).unlink()
            with suppress(OSError):
                folder.rmdir()


def tapes_with_notes(archive: Archive) -> tuple[str, ...]:
    """Tapes with answers that are not sealed yet."""
    return tuple(sorted(path.parent.name for path in (archive.state / "settling").glob(f"*/{NAME}")))


def _folder(archive: Archive, tape: str) -> Path:
    return archive.state / "settling" / tape


@contextmanager
def _alone(archive: Archive) -> Iterator[None]:
    """One process at a time; each stays for a moment only, so the others wait."""
    place = archive.state / "settling"
    try:
        place.mkdir(parents=True, exist_ok=True)
        lock = (place / "lock").open("a")
    except OSError as exc:
        raise ArchiveError(f"{place}: cannot be written to ({exc}); is the archive mounted read-only?") from exc
    with lock:
        with suppress(ImportError, OSError):  # a system or a volume without such locks
            import fcntl

            fcntl.flock(lock.fileno(), fcntl.LOCK_EX)
        yield
