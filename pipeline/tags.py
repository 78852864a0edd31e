"""Titles, names and dates into the copies, in each format's own way, with mutagen.

ID3v2.4 for MP3, Vorbis comments for FLAC and Opus, MP4 atoms for M4A; Broadcast Wave has its ``bext`` chunk instead
(`pipeline.copies.broadcast_wave`). Any language, any length; an empty field leaves no frame behind.

Sources: ID3v2.4 frame list and TMED text (``MC/4/I``: check-values §6.4; frame choice from memory); Vorbis comment
names (xiph field recommendation, W3C media-annotation mapping; others are our own); R128_TRACK_GAIN by RFC 7845
(Q7.8 toward -23 LUFS).
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from pipeline.errors import CopyError

R128_REFERENCE_LUFS = -23.0  # RFC 7845: what R128_TRACK_GAIN reaches for
_VORBIS_SUFFIXES = {".flac", ".opus"}


@dataclass(frozen=True)
class TagWords:
    """What a copy says of itself. Empty text means not known and leaves no tag.

    tape_type  "I", "II", "III", "IV" or ""
    language   ISO 639 code as in the box file
    extra      further (name, text) pairs: identifiers, the speed correction, columns of the sheet we have no tag for
    """

    title: str
    creator: str
    collection: str
    tape: str
    side: str
    date: str
    place: str
    subject: str
    notes: str
    language: str
    rights: str
    tape_type: str
    encoded_by: str
    extra: tuple[tuple[str, str], ...]


def write_tags(path: Path, words: TagWords, integrated_lufs: float | None = None) -> Path:
    """Write the tags into a file not yet sealed. ``integrated_lufs`` of the file, for Opus' track gain."""
    import mutagen

    words = _cleaned(words)
    try:
        match path.suffix:
            case ".mp3":
                _write_id3(path, words)
            case ".m4a":
                _write_mp4(path, words)
            case suffix if suffix in _VORBIS_SUFFIXES:
                _write_vorbis(path, words, integrated_lufs if suffix == ".opus" else None)
            case suffix:
                raise CopyError(f"{path}: no tags are known for {suffix!r} files")
    except (mutagen.MutagenError, ValueError) as exc:  # ValueError: a name that Vorbis comments do not allow
        raise CopyError(f"{path}: tags could not be written ({exc})") from exc
    return path


def _cleaned(words: TagWords) -> TagWords:
    """Without control characters, at which some readers stop or split; line breaks and tabs stay."""
    texts = {f.name: printable(getattr(words, f.name)) for f in fields(words) if f.name != "extra"}
    return replace(words, **texts, extra=tuple((name, printable(text)) for name, text in words.extra))


def printable(text: str) -> str:
    """
    >>> printable("one\\r\\ntwo\\x07\\x00")
    'one\\ntwo'
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    whole = lines.encode("utf-8", "replace").decode()  # half a character, which no UTF-8 can hold
    return "".join(sign for sign in whole if sign in "\n\t" or unicodedata.category(sign) != "Cc")


def r128_track_gain(integrated_lufs: float) -> str:
    """Q7.8 text toward -23 LUFS.

    >>> r128_track_gain(-16.0), r128_track_gain(-19.37)
    ('-1792', '-929')
    """
    return str(max(-32768, min(32767, round((R128_REFERENCE_LUFS - integrated_lufs) * 256))))


def _named(words: TagWords) -> list[tuple[str, str]]:
    """Vorbis comment name and text of everything known."""
    pairs = [
        ("TITLE", words.title),
        ("ARTIST", words.creator),
        ("ALBUM", words.collection),
        ("TRACKNUMBER", words.side),
        ("DATE", words.date),
        ("LOCATION", words.place),
        ("SUBJECT", words.subject),
        ("DESCRIPTION", words.notes),
        ("LANGUAGE", words.language),
        ("COPYRIGHT", words.rights),
        ("SOURCEMEDIA", f"compact cassette, type {words.tape_type}" if words.tape_type else "compact cassette"),
        ("TAPE", words.tape),
        ("SIDE", words.side),
        ("ENCODED-BY", words.encoded_by),
        *words.extra,
    ]
    return [(name, text) for name, text in pairs if text]


def _merged(pairs: list[tuple[str, str]]) -> dict[str, list[str]]:
    """Every name once, with all its texts."""
    merged: dict[str, list[str]] = {}
    for name, text in pairs:
        merged.setdefault(name, []).append(text)
    return merged


def _write_vorbis(path: Path, words: TagWords, lufs: float | None) -> None:
    import mutagen

    tagged: Any = mutagen.File(path)
    if tagged is None:
        raise CopyError(f"{path}: expected FLAC or Opus audio to tag, found something else")
    if tagged.tags is None:
        tagged.add_tags()
    tagged.tags.clear()
    for name, texts in _merged(_named(words)).items():
        tagged.tags[name] = texts
    if lufs is not None:
        tagged.tags["R128_TRACK_GAIN"] = [r128_track_gain(lufs)]
    tagged.save()


def _id3_frames(words: TagWords) -> list[Any]:
    from mutagen import id3

    media = "MC/4" + (f"/{words.tape_type}" if words.tape_type else "")
    plain = [
        (id3.TIT2, words.title),
        (id3.TPE1, words.creator),
        (id3.TALB, words.collection),
        (id3.TDRC, words.date if words.date[:4].isdigit() else ""),
        (id3.TCOP, words.rights),
        (id3.TENC, words.encoded_by),
        (id3.TLAN, words.language if len(words.language) == 3 else ""),
        (id3.TMED, media),
    ]
    frames = [frame(encoding=id3.Encoding.UTF8, text=[text]) for frame, text in plain if text]
    if words.notes:
        frames.append(id3.COMM(encoding=id3.Encoding.UTF8, lang="und", desc="", text=[words.notes]))
    told = {"TITLE", "ARTIST", "ALBUM", "DESCRIPTION", "COPYRIGHT", "ENCODED-BY", "TRACKNUMBER", "SOURCEMEDIA"}
    others = _merged([(name, text) for name, text in _named(words) if name not in told])
    frames += [id3.TXXX(encoding=id3.Encoding.UTF8, desc=name, text=texts) for name, texts in others.items()]
    return frames


def _write_id3(path: Path, words: TagWords) -> None:
    from mutagen import id3

    tag = id3.ID3()
    for frame in _id3_frames(words):
        tag.add(frame)
    tag.save(path, v1=0, v2_version=4, padding=lambda _: 0)


def _write_mp4(path: Path, words: TagWords) -> None:
    from mutagen.mp4 import MP4, MP4FreeForm

    tagged: Any = MP4(path)
    if tagged.tags is None:
        tagged.add_tags()
    tagged.tags.clear()
    atoms = {
        "\xa9nam": words.title,
        "\xa9ART": words.creator,
        "\xa9alb": words.collection,
        "\xa9day": words.date,
        "\xa9cmt": words.notes,
        "cprt": words.rights,
        "\xa9too": words.encoded_by,
    }
    for atom, text in atoms.items():
        if text:
            tagged.tags[atom] = [text]
    told = {"TITLE", "ARTIST", "ALBUM", "DATE", "DESCRIPTION", "COPYRIGHT", "ENCODED-BY", "TRACKNUMBER"}
    for name, texts in _merged([(name, text) for name, text in _named(words) if name not in told]).items():
        tagged.tags[f"----:org.feltpad:{name}"] = [MP4FreeForm(text.encode()) for text in texts]
    tagged.save()
