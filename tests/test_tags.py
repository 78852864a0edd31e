"""Tags come back as they were written, in any language, read by ffmpeg and by mutagen."""

from __future__ import annotations

from dataclasses import replace

import mutagen
import numpy as np
import pytest
import soundfile
from captures import decoded_by_ffmpeg, encoded_by_ffmpeg, tags_by_ffmpeg
from decided import WORDS

from pipeline.copies.encoder import packet_sha256
from pipeline.errors import CopyError
from pipeline.tags import r128_track_gain, write_tags

CODECS = {
    "mp3": ["-c:a", "libmp3lame"],
    "opus": ["-c:a", "libopus"],
    "m4a": ["-c:a", "aac", "-f", "ipod"],
    "flac": ["-c:a", "flac"],
}
EMPTY = replace(WORDS, **{name: "" for name in vars(WORDS) if name != "extra"}, extra=())
LANGUAGES = {
    "accents": "Größe, œuvre, crème brûlée, żółć",
    "right to left": "שיר ערש · أغنية",
    "far east": "夜の庭で歌う 노래",
    "emoji": "🎸👩‍👩‍👧 𝄞",
    "signs": 'a=b; c,d "quoted" \\ / <script>alert(1)</script> #1',
    "lines": "first line\nsecond line\tafter a tab",
    "combining": "e\u0301 and \u00e9",
}
# What each field is called by ffmpeg, whatever the format's own name.
FFMPEG_NAMES = {"title": "title", "creator": "artist", "collection": "album", "date": "date", "rights": "copyright"}


@pytest.fixture(scope="module")
def encoded(tmp_path_factory):
    """One file a format, without tags of ours."""
    folder = tmp_path_factory.mktemp("encoded")
    soundfile.write(folder / "a.wav", 0.1 * np.sin(np.arange(9600) / 10), 48_000)
    return {suffix: encoded_by_ffmpeg(folder / "a.wav", folder / f"a.{suffix}", *a) for suffix, a in CODECS.items()}


@pytest.fixture(params=CODECS)
def copy(request, encoded, tmp_path):
    path = tmp_path / f"copy.{request.param}"
    path.write_bytes(encoded[request.param].read_bytes())
    return path


def mutagen_texts(path) -> list[str]:
    """Every text of the file as mutagen reads it."""
    tags = mutagen.File(path).tags
    values = tags.values() if hasattr(tags, "values") else [text for _, text in tags]
    texts = []
    for value in values:
        for entry in value if isinstance(value, list) else getattr(value, "text", [value]):
            texts.append(bytes(entry).decode() if isinstance(entry, bytes) else str(entry))
    return texts


def notes_by_ffmpeg(path) -> str:
    tags = tags_by_ffmpeg(path)
    return tags.get("comment") or tags.get("description") or ""


@pytest.mark.parametrize("language", LANGUAGES)
def test_any_language_comes_back_unchanged(copy, language):
    text = LANGUAGES[language]
    fields = dict.fromkeys(("title", "creator", "collection", "place", "subject", "notes", "rights"), text)
    write_tags(copy, replace(WORDS, **fields))
    tags = tags_by_ffmpeg(copy)
    assert {tags[FFMPEG_NAMES[name]] for name in ("title", "creator", "collection", "rights")} == {text}
    assert (tags["location"], tags["subject"]) == (text, text)
    assert notes_by_ffmpeg(copy) == text
    assert mutagen_texts(copy).count(text) == len(fields)


def test_notes_of_5000_characters_come_back_whole(copy):
    notes = "".join(chr(0x4E00 + n % 5000) if n % 3 else "é" for n in range(4999)) + "🎸"
    assert len(notes) == 5000
    write_tags(copy, replace(WORDS, notes=notes))
    assert notes_by_ffmpeg(copy) == notes and notes in mutagen_texts(copy)


def test_every_known_field_is_somewhere_in_the_file(copy):
    write_tags(copy, replace(WORDS, notes="recorded in the yard"))
    tags = tags_by_ffmpeg(copy)
    for name, known_as in FFMPEG_NAMES.items():
        assert tags[known_as] == getattr(WORDS, name)
    assert (tags["tape"], tags["side"], tags["subject"], tags["location"]) == ("K-017", "A", "songs", "Brandt's mill")
    assert tags["speed-correction"] == "1.009174 (reading)"
    assert "de" in mutagen_texts(copy)  # ffmpeg shows the language of the track in its place
    assert any("MC/4/I" in text or "compact cassette, type I" in text for text in mutagen_texts(copy))


def test_an_empty_field_leaves_no_tag(copy):
    write_tags(copy, replace(EMPTY, title="only this"))
    texts = mutagen_texts(copy)
    assert "only this" in texts and "" not in texts
    assert set(tags_by_ffmpeg(copy)) <= {
        "title", "encoder", "tmed", "sourcemedia", "major_brand", "minor_version", "compatible_brands",
        "handler_name", "vendor_id", "language", "creation_time",
    }  # fmt: skip


def test_control_characters_are_left_out_and_line_breaks_kept(copy):
    write_tags(copy, replace(WORDS, title="a\0b\x07c\x1b[31m", notes="one\r\ntwo\rthree\x0b\x7f\ud800"))
    assert tags_by_ffmpeg(copy)["title"] == "abc[31m"
    assert notes_by_ffmpeg(copy) == "one\ntwo\nthree?"


def test_writing_again_replaces_what_was_there(copy):
    write_tags(copy, replace(WORDS, notes="first", extra=(("OLD", "one"),)))
    write_tags(copy, replace(WORDS, notes="second"))
    assert notes_by_ffmpeg(copy) == "second"
    assert "old" not in tags_by_ffmpeg(copy) and "first" not in mutagen_texts(copy)


def test_tags_change_neither_the_audio_nor_its_digest(copy):
    samples, packets = decoded_by_ffmpeg(copy, "s16le"), packet_sha256(copy)
    write_tags(copy, replace(WORDS, notes="x" * 5000))
    assert decoded_by_ffmpeg(copy, "s16le") == samples
    assert packet_sha256(copy) == packets


def test_the_same_words_give_the_same_bytes(copy):
    untouched = copy.read_bytes()
    write_tags(copy, WORDS)
    first = copy.read_bytes()
    copy.write_bytes(untouched)
    write_tags(copy, WORDS)
    assert copy.read_bytes() == first != untouched


@pytest.mark.parametrize("date", ["1984", "1984-06", "1984-06-02", "1984?", "summer 1984", "c. 1984"])
def test_a_date_is_kept_however_it_is_written(copy, date):
    write_tags(copy, replace(WORDS, date=date))
    assert tags_by_ffmpeg(copy)["date"] == date


@pytest.mark.parametrize(("lufs", "gain"), [(-16.0, "-1792"), (-19.37, "-929"), (-23.0, "0"), (200.0, "-32768")])
def test_the_gain_of_an_opus_copy_counts_in_256ths_toward_23_lufs(encoded, tmp_path, lufs, gain):
    """The first two rows are the examples of check values §6.4."""
    path = tmp_path / "a.opus"
    path.write_bytes(encoded["opus"].read_bytes())
    write_tags(path, WORDS, lufs)
    assert tags_by_ffmpeg(path)["r128_track_gain"] == gain == r128_track_gain(lufs)


@pytest.mark.parametrize("suffix", ["mp3", "m4a", "flac"])
def test_only_opus_copies_carry_that_gain(encoded, tmp_path, suffix):
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(encoded[suffix].read_bytes())
    write_tags(path, WORDS, -18.0)
    assert "r128_track_gain" not in tags_by_ffmpeg(path)


@pytest.mark.parametrize("suffix", ["opus", "m4a", "flac"])
def test_what_is_not_that_kind_of_audio_is_refused_by_name(tmp_path, suffix):
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(b"no audio at all " * 99)
    with pytest.raises(CopyError, match=rf"a\.{suffix}: "):
        write_tags(path, WORDS)


def test_a_suffix_without_known_tags_is_refused(tmp_path):
    with pytest.raises(CopyError, match=r"a\.ogg: no tags are known for '\.ogg' files"):
        write_tags(tmp_path / "a.ogg", WORDS)


def test_a_name_that_vorbis_comments_do_not_allow_is_refused_by_file(encoded, tmp_path):
    path = tmp_path / "a.flac"
    path.write_bytes(encoded["flac"].read_bytes())
    with pytest.raises(CopyError, match=r"a\.flac: tags could not be written"):
        write_tags(path, replace(WORDS, extra=(("a=b", "x"),)))
