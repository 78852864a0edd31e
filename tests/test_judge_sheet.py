"""File names that say the other side than the row, and such as only look like it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.judge_sheet import judge_sheet
from pipeline.qc import Severity
from pipeline.sheet import SideRow


def row(capture: str, side: str, tape: str = "H2") -> SideRow:
    texts = dict.fromkeys(("title", "creator", "date", "place", "subject", "notes", "length"), "")
    unknown = dict.fromkeys(("date_iso", "tape_type", "tone_hz", "read_hz", "ratio"))
    return SideRow(row_number=2, tape=tape, side=side, capture=Path(capture), index=(), extra={}, **texts, **unknown)


@pytest.mark.parametrize(
    ("capture", "side"),
    [
        ("captures/H2-B.wav", "A"),
        ("H2_a.flac", "B"),
        ("H2 B.wav", "1"),
        ("choir side 2 96k.wav", "A"),
        ("H2-Seite-A.wav", "b"),
        ("side1.wav", "2"),
    ],
)
def test_a_name_that_says_the_other_side_is_told(capture, side):
    (told,) = judge_sheet(row(capture, side))
    assert told.code == "side-named-otherwise" and told.severity is Severity.WARN
    assert Path(capture).name in told.message


@pytest.mark.parametrize(
    ("capture", "side"),
    [
        ("captures/H2-B.wav", "B"),
        ("H2-A.wav", "1"),
        ("H2-2.wav", "A"),  # a number may count anything
        ("take a.wav", "B"),
        ("a talk.wav", "B"),
        ("side A and side B.wav", "A"),
        ("outside 2.wav", "B"),
        ("sidebar.wav", "A"),
        ("H2-B.wav", "C"),
        ("H2-AB.wav", "A"),
        ("recording.wav", "A"),
    ],
)
def test_a_name_that_says_the_same_side_or_none_is_not(capture, side):
    assert list(judge_sheet(row(capture, side))) == []


def test_a_tape_whose_own_id_ends_like_a_side_is_left_alone():
    assert list(judge_sheet(row("box-B.wav", "A", tape="box-B"))) == []
