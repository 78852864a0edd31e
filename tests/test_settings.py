"""Config files, records as JSON, and files that are whole or not there."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.acceptance import Acceptance
from pipeline.copies.settings import CopySettings
from pipeline.errors import SettingsError
from pipeline.files import whole_file, write_text_whole
from pipeline.records import NotMeasured, Reading, from_plain, json_schema, to_plain
from pipeline.settings import read_settings, shipped


@dataclass(frozen=True)
class Inner:
    hold_s: float
    kind: str


@dataclass(frozen=True)
class Outer:
    depth: int
    inner: Inner


def toml(tmp_path, text: str | bytes) -> Path:
    path = tmp_path / "some.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- settings ---


def test_a_config_file_becomes_its_record(tmp_path):
    text = 'depth = 3\n[inner]\nhold_s = 0.5\nkind = "x"\n'
    for content in (text.encode(), text.encode("utf-8-sig"), text.replace("\n", "\r\n").encode()):
        assert read_settings(Outer, toml(tmp_path, content)) == Outer(3, Inner(0.5, "x"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[inner]\nhold_s = 1\nkind = "x"', "depth: missing"),
        ("depth = 1\n[inner]\nhold_s = 1", r"inner\.kind: missing"),
        ('depth = 1\nextra = 2\n[inner]\nhold_s = 1\nkind = "x"', "extra: no such setting; known here: depth, inner"),
        ('depth = 1\n[inner]\nholds = 1\nkind = "x"', r"inner\.hold_s: missing\n.*inner\.holds: no such setting"),
        ('depth = "many"\n[inner]\nhold_s = 1\nkind = "x"', r"depth: .*integer.*found 'many'"),
        ('depth = 1\n[inner]\nhold_s = "long"\nkind = "x"', r"inner\.hold_s: .*number.*found 'long'"),
        ("depth = 1\ninner = 7", r"inner: .*found 7"),
        ("depth = = 1", "not valid TOML"),
        (b"depth = 1 # Gr\xf6\xdfe", r"not UTF-8 text \(byte 14\); saved as ANSI"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_file_and_the_key(tmp_path, text, words):
    path = toml(tmp_path, text)
    with pytest.raises(SettingsError, match=words) as caught:
        read_settings(Outer, path)
    assert all(line.startswith(f"{path}: ") for line in str(caught.value).splitlines())


def test_a_config_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(SettingsError, match=r"none\.toml: cannot be read \(No such file"):
        read_settings(Outer, tmp_path / "none.toml")


@pytest.mark.parametrize(("kind", "name"), [(CopySettings, "copies.toml"), (Acceptance, "acceptance.toml")])
def test_the_shipped_config_fits_its_records_and_every_number_says_why(kind, name):
    path = shipped("config") / name
    read_settings(kind, path)
    bare = [line for line in path.read_text("utf-8").splitlines() if " = " in line and "#" not in line]
    # what the table's own comment or the one above explains needs none of its own
    assert {line.split(" = ")[0] for line in bare} <= {"flac_level", "opus_kbit_s", "m4a_kbit_s"}


# --- records ---


class Colour(Enum):
    RED = "red"


@dataclass(frozen=True)
class Part:
    level_db: Reading
    colour: Colour


@dataclass(frozen=True)
class Document:
    schema: str
    count: int
    name: str | None
    parts: tuple[Part, ...]
    best: Reading


@dataclass(frozen=True)
class Holder:
    document: Document
    note: str


def document(best=1.5, level=-3.0, count=2):
    parts = (Part(level, Colour.RED), Part(NotMeasured("too short"), Colour.RED))
    return Document("feltpad.test/1", count, None, parts, best)


READINGS = st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.builds(NotMeasured, st.text()))


@given(READINGS, READINGS, st.integers(-(2**53), 2**53))
def test_a_record_comes_back_from_json_as_it_was(best, level, count):
    record = document(best, level, count)
    text = json.dumps(to_plain(record), allow_nan=False)
    assert from_plain(Document, json.loads(text)) == record


def test_a_value_that_was_not_measured_is_null_and_its_reason_is_kept():
    plain = to_plain(document(best=NotMeasured("digital silence")))
    assert plain["best"] is None and plain["parts"][1]["level_db"] is None and plain["name"] is None
    assert plain["not_measured"] == {"best": "digital silence", "parts[1].level_db": "too short"}


def test_a_document_within_a_document_keeps_its_own_reasons():
    holder = Holder(document(), "n")
    plain = to_plain(holder)
    assert plain["not_measured"] == {} and plain["document"]["not_measured"] == {"parts[1].level_db": "too short"}
    assert from_plain(Holder, json.loads(json.dumps(plain))) == holder


@pytest.mark.parametrize("odd", [float("nan"), float("inf"), np.float32("nan"), np.float64("-inf")])
def test_a_number_that_is_not_finite_is_refused_by_its_path(odd):
    with pytest.raises(ValueError, match=r"parts\[0\]\.level_db must be finite or NotMeasured"):
        to_plain(document(level=odd))


def test_numbers_of_numpy_become_plain_ones():
    plain = to_plain(document(best=np.float32(0.5), count=np.int64(7)))
    assert json.loads(json.dumps(plain))["best"] == 0.5 and plain["count"] == 7


def test_the_json_schema_takes_what_is_written_and_nothing_else():
    schema, plain = json_schema(Document), to_plain(document())
    jsonschema.validate(plain, schema)
    spoilt = [{**plain, "more": 1}, {k: v for k, v in plain.items() if k != "best"}, {**plain, "best": "loud"}]
    spoilt += [{**plain, "parts": [{"level_db": 1.0}]}, {k: v for k, v in plain.items() if k != "not_measured"}]
    for wrong in spoilt:
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(wrong, schema)


# --- files ---


def test_a_file_bears_its_name_only_when_it_is_whole(tmp_path):
    path = tmp_path / "new folder" / "a.flac"
    with whole_file(path) as partial:
        partial.write_bytes(b"half")
        assert not path.exists() and partial.suffix == ".flac" and partial.parent == path.parent
        assert partial.name.startswith(".")
    assert path.read_bytes() == b"half" and [p.name for p in path.parent.iterdir()] == ["a.flac"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_a_failure_leaves_nothing_and_keeps_what_was_there(tmp_path, error):
    path = tmp_path / "a.toml"
    path.write_text("before")
    with pytest.raises(error), whole_file(path) as partial:
        partial.write_text("half")
        raise error
    assert path.read_text() == "before" and [p.name for p in tmp_path.iterdir()] == ["a.toml"]


def test_what_a_killed_run_left_half_is_cleared_away(tmp_path):
    path = tmp_path / "a.toml"
    with whole_file(path) as partial:
        leftover = partial.name
        partial.write_text("x")
    (tmp_path / leftover).write_text("left by a killed run")
    write_text_whole(path, "new")
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


def test_a_file_linked_elsewhere_is_replaced_and_never_edited(tmp_path):
    path, sealed = tmp_path / "a.toml", tmp_path / "sealed.toml"
    path.write_text("sealed")
    os.link(path, sealed)
    write_text_whole(path, "Größe 🎸\n")
    assert sealed.read_text() == "sealed" and path.read_bytes() == "Größe 🎸\n".encode()
