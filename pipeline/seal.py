"""Seal a tape's folder as a BagIt bag, and prove years later that nothing in it has rotted.

Source: RFC 8493 (BagIt 1.0). The bag is made and checked by bagit-python, but for the payload's manifest: copies stand
there by the digests they had when they were written, so that what has rotted since is found and not sealed in. What
bagit-python does not know, that every audio file still decodes to its recorded digest, is proven here as well.
"""

from __future__ import annotations

import contextlib
import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bagit

from pipeline.archive import Archive, TapeFolder
from pipeline.capture import AudioDigest, open_capture, sha256_of
from pipeline.copies.encoder import decoded_blocks, packet_sha256
from pipeline.errors import FeltpadError
from pipeline.files import write_text_whole
from pipeline.qc import SCHEMA, CopyRecord, TapeQC
from pipeline.records import from_plain

ALGORITHM = "sha256"
BAG_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@dataclass(frozen=True)
class Damage:
    """One thing that is not as it was sealed. ``path`` is relative to the archive."""

    path: str
    what: str


@dataclass(frozen=True)
class Proof:
    """What `verify_tape` looked at, and everything it found wrong."""

    tape: str
    files: int
    bytes: int
    audio_files: int
    damages: tuple[Damage, ...]


def write_seal(folder: TapeFolder, facts: Mapping[str, str], copies: Sequence[CopyRecord] = ()) -> Path:
    """Make ``folder`` a bag: manifests over everything in ``data/``, ``facts`` into bag-info.txt.

    copies  whose digests are known; they are not read

    Changes the working directory while it runs (bagit-python does): call it in a process of its own.
    """
    write_text_whole(folder.root / "bagit.txt", BAG_DECLARATION)
    known = {copy.path: copy.sha256 for copy in copies}
    payload = {folder.relative(path): path for path in sorted(folder.payload.rglob("*")) if path.is_file()}
    lines = [f"{known.get(name) or sha256_of(path)}  {name}\n" for name, path in payload.items()]
    write_text_whole(folder.root / f"manifest-{ALGORITHM}.txt", "".join(lines))
    with _bagit_quiet():
        bag = bagit.Bag(str(folder.root))
        bag.algorithms = [ALGORITHM]
        bag.info = {label: " ".join(text.split()) for label, text in facts.items() if text.strip()}
        bag.info["Payload-Oxum"] = f"{sum(path.stat().st_size for path in payload.values())}.{len(payload)}"
        bag.save()
    return folder.root / "bagit.txt"


def verify_tape(archive: Archive, tape: str) -> Proof:
    """Structure, completeness, checksums, and every audio file decoded. Lists every bad file, not the first."""
    folder = archive.sealed(tape)
    bag, damages = _opened_bag(folder, tape)
    if bag is not None:
        damages += _bag_damages(bag, folder, tape)
    broken = {damage.path for damage in damages}
    copies, qc_damages = _recorded_copies(folder, tape)
    damages += qc_damages
    for copy in copies:
        path = folder.root / copy.path
        shown = f"{tape}/{copy.path}"
        if not path.is_file():
            if shown not in broken:
                damages.append(Damage(shown, "recorded in qc.json, but not there"))
            continue
        damages += [Damage(shown, what) for what in _audio_damage(path, copy)]
        listed = None if bag is None else bag.entries.get(copy.path, {}).get(ALGORITHM)
        if shown not in broken and listed is not None and listed != copy.sha256:
            damages.append(Damage(shown, "manifest and qc.json do not agree on its SHA-256: one was changed by hand"))
    payload = [path for path in folder.root.rglob("*") if path.is_file()]
    return Proof(tape, len(payload), sum(path.stat().st_size for path in payload), len(copies), tuple(damages))


def _opened_bag(folder: TapeFolder, tape: str) -> tuple[Any, list[Damage]]:
    """The bag as bagit-python reads it; None and the reason when it cannot."""
    with _bagit_quiet():
        try:
            return bagit.Bag(str(folder.root)), []
        except (bagit.BagError, OSError, UnicodeDecodeError) as exc:
            return None, [Damage(tape, f"not a readable bag: {exc}")]


def _bag_damages(bag: Any, folder: TapeFolder, tape: str) -> Iterator[Damage]:
    """Every damage; bagit-python's own `validate` stops at the first kind it meets."""
    with _bagit_quiet():
        only_listed, only_there = bag.compare_manifests_with_fs()
    if bag.version_info != (1, 0):
        found = ".".join(map(str, bag.version_info))
        yield Damage(f"{tape}/bagit.txt", f"expected BagIt 1.0, found {found}")
    if ALGORITHM not in bag.algorithms:
        yield Damage(f"{tape}/manifest-{ALGORITHM}.txt", "missing: nothing proves the payload")
    for path in sorted(only_listed):
        yield Damage(f"{tape}/{path}", "missing: it is in the manifest")
    for path in sorted(only_there):
        yield Damage(f"{tape}/{path}", "not in the manifest: it was put here after sealing")
    for path, recorded in sorted(bag.entries.items()):
        expected = recorded.get(ALGORITHM)
        if expected is None or path in only_listed:
            continue
        found = sha256_of(folder.root / path)
        if found != expected:
            what = f"changed since it was sealed: SHA-256 {expected[:16]}… was expected, {found[:16]}… was found"
            yield Damage(f"{tape}/{path}", what)


def _recorded_copies(folder: TapeFolder, tape: str) -> tuple[list[CopyRecord], list[Damage]]:
    path = folder.qc / "qc.json"
    try:
        document = json.loads(path.read_text("utf-8"))
        if document.get("schema") != SCHEMA:
            raise ValueError(f"expected schema {SCHEMA}, found {document.get('schema')!r}")
        record = from_plain(TapeQC, document)
    except (OSError, ValueError, AttributeError) as exc:
        return [], [Damage(f"{tape}/{folder.relative(path)}", f"cannot be read as a QC record: {exc}")]
    return [copy for side in record.sides for copy in side.copies], []


def _audio_damage(path: Path, copy: CopyRecord) -> Iterator[str]:
    try:
        found = decoded_audio_sha256(path, copy.channels)
    except FeltpadError as exc:
        yield f"does not decode: {exc}"
        return
    if found != copy.audio_sha256:
        yield f"decodes to other audio than recorded: {copy.audio_sha256[:16]}… was expected, {found[:16]}… was found"


def decoded_audio_sha256(path: Path, channels: int) -> str:
    """The audio digest of a copy, made anew by decoding the whole of it; see `pipeline.qc.CopyRecord`."""
    if path.suffix in (".flac", ".wav"):
        source = open_capture(path)
        digest = AudioDigest(source.encoding)
        for block in source.blocks(5 * source.sample_rate_hz):
            digest.update(block)
        return digest.hexdigest()
    for _ in decoded_blocks(path, channels, 1 << 18):
        pass
    return packet_sha256(path)


@contextlib.contextmanager
def _bagit_quiet() -> Iterator[None]:
    """bagit-python reports through logging; what it finds reaches the person as our own damages."""
    logger = logging.getLogger("bagit")
    before = logger.disabled
    logger.disabled = True
    try:
        yield
    finally:
        logger.disabled = before
