"""The capture file as it came off the recorder, made again from a sealed tape."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.archive import TapeFolder
from pipeline.capture import sha256_of
from pipeline.copies.preservation import write_original
from pipeline.errors import CopyError
from pipeline.files import whole_file
from pipeline.qc import CopyKind, SideQC


def restore_capture(folder: TapeFolder, record: SideQC, path: Path) -> Path:
    """A side's capture file again, byte for byte, at ``path``. Raises CopyError when that is not to be had."""
    copy = next(copy for copy in record.copies if copy.kind is CopyKind.PRESERVATION)
    preservation = folder.root / copy.path
    sha256 = record.measurement.capture.sha256
    if path.exists():
        raise CopyError(f"{path}: is there already; restoring never writes over a file")
    head = preservation.with_name(f"{preservation.stem}-head.bin")
    tail = head.with_name(f"{preservation.stem}-tail.bin")
    if head.exists():
        return write_original(preservation, head, tail if tail.exists() else None, sha256, path)
    with whole_file(path) as partial:
        shutil.copyfile(preservation, partial)
        if sha256_of(partial) != sha256:
            raise CopyError(
                f"{preservation}: is not the capture's own file any more, and nothing was kept to make it from"
            )
    return path
