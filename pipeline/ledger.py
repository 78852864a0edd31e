"""What is already done, for exactly which inputs.

A step (measure, render, …) is named by a key over everything its outcome depends on. The ledger holds one record per
tape, side and step: the key, what the step found, and each file it wrote with its size and SHA-256. A step counts as
done only when its record is whole, the key is the same, and every file still is what was written. Anything less
(a record cut off, edited or missing, a file deleted or changed) counts as not done, never as an error: doing a step
again is always safe.

On disk, under ``ARCHIVE/.feltpad/ledger``::

    steps/<tape>/<side>/<step>.json      "_" stands for the side of a step that belongs to the whole tape
    captures/<sha256 of the path>.json   the digests of a capture, so that an unchanged one is not read again
    lock                                 held while a run works on the archive
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, is_dataclass
from enum import Enum
from pathlib import Path, PurePath
from typing import Any

from pipeline.capture import sha256_of
from pipeline.errors import ArchiveError
from pipeline.records import to_plain

SCHEMA = "feltpad.ledger/1"
WHOLE_TAPE = ""


@dataclass(frozen=True)
class FileStamp:
    """What the file system says of a file without reading it. Two equal stamps mean: the same bytes.

    The time of the last change of the entry itself (ctime) is there because an edit can put mtime back, not ctime.
    """

    bytes: int
    mtime_ns: int
    ctime_ns: int
    inode: int


@dataclass(frozen=True)
class OutputFile:
    """A file a step wrote: its path relative to the archive ("/" between parts), digest and stamp."""

    path: str
    sha256: str
    stamp: FileStamp


@dataclass(frozen=True)
class StepResult:
    """A step that is done: what it found (JSON-ready) and what it wrote."""

    tape: str
    side: str
    step: str
    key: str
    outputs: tuple[OutputFile, ...]
    result: dict[str, Any]


@dataclass(frozen=True)
class CaptureDigests:
    """The two digests that name a capture; see `pipeline.capture`."""

    sha256: str
    audio_sha256: str


def step_key(step: str, inputs: Mapping[str, Any]) -> str:
    """The SHA-256 that names one step on exactly these inputs.

    ``inputs`` must hold everything the outcome depends on (digests, settings, method version): JSON values, records,
    enums and paths, in any order of keys. Raises TypeError or ValueError on anything else, and on NaN.

    >>> step_key("measure", {"a": 1, "b": 2}) == step_key("measure", {"b": 2, "a": 1})
    True
    """
    return hashlib.sha256(_canonical([step, inputs])).hexdigest()


def find_stamp(path: Path) -> FileStamp | None:
    """The stamp of a regular file, or None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    if not path.is_file():
        return None
    return FileStamp(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


class Ledger:
    """The record of one archive, in ``folder``. Several threads and processes may use it at once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def find(self, tape: str, side: str, step: str, key: str, root: Path) -> StepResult | None:
        """The step's result when it is done for this key and every output under ``root`` is still there, else None.

        A file whose stamp is no longer the noted one is read again; when its digest holds (a copied archive), the new
        stamp is noted, so that it is read once.
        """
        place = self._step_path(tape, side, step)
        record = _find_record(place)
        if record is None or [record.get(part) for part in ("tape", "side", "step", "key")] != [tape, side, step, key]:
            return None
        noted = tuple(_output_from(entry) for entry in record["outputs"])
        now = tuple(_find_unchanged(output, root) for output in noted)
        outputs = tuple(output for output in now if output is not None)
        if len(outputs) != len(noted):
            return None
        if outputs != noted:
            with suppress(OSError):  # an archive mounted read-only is looked over all the same
                _write_record(place, {**record, "outputs": [asdict(output) for output in outputs]})
        return StepResult(tape, side, step, key, outputs, record["result"])

    def write(
        self,
        tape: str,
        side: str,
        step: str,
        key: str,
        *,
        root: Path,
        outputs: Mapping[str, str | None],
        result: Mapping[str, Any],
    ) -> StepResult:
        """Note a step as done, after its files have reached the disk. Replaces what was noted for it before.

        ``outputs`` maps each path (relative to ``root``) to its SHA-256, or to None to have it read here. ``result``
        must be JSON-ready. Raises ArchiveError when an output is not there.
        """
        written = tuple(_settle(root, path, sha256) for path, sha256 in sorted(outputs.items()))
        plain = json.loads(_canonical(result))
        record = {"tape": tape, "side": side, "step": step, "key": key, "result": plain}
        _write_record(self._step_path(tape, side, step), {**record, "outputs": [asdict(output) for output in written]})
        return StepResult(tape, side, step, key, written, plain)

    def find_capture_digests(self, capture: Path) -> CaptureDigests | None:
        """The capture's digests when it was read before and has not been touched since, else None; reads no audio."""
        record = _find_record(self._capture_path(capture))
        stamp = find_stamp(capture)
        if record is None or stamp is None or record.get("stamp") != asdict(stamp):
            return None
        return CaptureDigests(record["sha256"], record["audio_sha256"])

    def write_capture_digests(self, capture: Path, stamp: FileStamp, digests: CaptureDigests) -> None:
        """Remember a capture's digests. ``stamp`` is from *before* it was read.

        Nothing is noted when the capture changed meanwhile: it may still be on its way from the recorder.
        """
        if find_stamp(capture) == stamp:
            path = str(capture.resolve())
            _write_record(self._capture_path(capture), {"path": path, "stamp": asdict(stamp), **asdict(digests)})

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep other runs away from the archive meanwhile; the lock goes with the process, however that ends.

        Raises ArchiveError when another run holds it.
        """
        self._folder.mkdir(parents=True, exist_ok=True)
        with (self._folder / "lock").open("a+") as lock:
            if not _lock(lock.fileno()):
                lock.seek(0)
                holder = lock.read().strip() or "unknown"
                raise ArchiveError(
                    f"{self._folder}: another run (process {holder}) is working on this archive;"
                    " wait for it to end, or end it"
                )
            lock.truncate(0)
            lock.write(f"{os.getpid()}\n")
            lock.flush()
            yield

    def _step_path(self, tape: str, side: str, step: str) -> Path:
        return self._folder / "steps" / tape / (side or "_") / f"{step}.json"

    def _capture_path(self, capture: Path) -> Path:
        name = hashlib.sha256(os.fsencode(capture.resolve())).hexdigest()
        return self._folder / "captures" / f"{name}.json"


def _canonical(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, default=_plain).encode("ascii")


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return to_plain(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, PurePath):
        return value.as_posix()
    raise TypeError(f"{type(value).__name__} cannot stand in a ledger: {value!r}")


def _find_record(path: Path) -> dict[str, Any] | None:
    """A record that is whole, exactly as it was written, else None."""
    try:
        record = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(record, dict):
        return None
    seal = record.pop("record_sha256", None)
    if record.pop("schema", None) != SCHEMA or seal != hashlib.sha256(_canonical(record)).hexdigest():
        return None
    return record


def _write_record(path: Path, record: Mapping[str, Any]) -> None:
    """Put a sealed record in place, whole or not at all, also when the power goes."""
    sealed = {"schema": SCHEMA, **record, "record_sha256": hashlib.sha256(_canonical(record)).hexdigest()}
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-")
    temporary = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(_canonical(sealed))
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def _output_from(entry: dict[str, Any]) -> OutputFile:
    return OutputFile(entry["path"], entry["sha256"], FileStamp(**entry["stamp"]))


def _find_unchanged(output: OutputFile, root: Path) -> OutputFile | None:
    path = root / output.path
    stamp = find_stamp(path)
    if stamp == output.stamp:
        return output
    if stamp is None or stamp.bytes != output.stamp.bytes:
        return None
    try:
        sha256 = sha256_of(path)
    except OSError:
        return None
    return OutputFile(output.path, sha256, stamp) if sha256 == output.sha256 else None


def _settle(root: Path, path: str, sha256: str | None) -> OutputFile:
    """Force an output to the disk before the ledger speaks of it, and note its stamp."""
    place = root / path
    stamp = find_stamp(place)
    if stamp is None:
        raise ArchiveError(f"{place}: the step says it wrote this file, and it is not there")
    with place.open("rb") as stream:
        os.fsync(stream.fileno())
    return OutputFile(PurePath(path).as_posix(), sha256 or sha256_of(place), stamp)


def _lock(descriptor: int) -> bool:
    try:
        import fcntl
    except ImportError:  # no such lock on this system: the person must see to it
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a volume without locks
        return True
    return True
