"""A whole box looked at before any work: sheet, deck and captures."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from boxes import DECK_TOML, criteria, digest_of, make_box

from pipeline.box import check_box, read_box
from pipeline.capture import Encoding
from pipeline.errors import SheetError

PLAIN = "tape,side,capture\nT1,A,T1-A.wav\nT1,B,T1-B.wav\n"


def test_a_right_box_gives_sheet_deck_and_a_header_for_each_row(tmp_path: Path) -> None:
    folder = make_box(tmp_path, PLAIN)
    rng = np.random.default_rng(1)
    soundfile.write(folder / "captures/T1-B.wav", rng.uniform(-0.1, 0.1, (480, 2)), 96000, subtype="PCM_24")
    check = check_box(folder, criteria())
    assert check.problems == ()
    assert check.box is not None and check.deck is not None
    assert [side.row.side for side in check.sides] == ["A", "B"]
    second = check.sides[1].capture
    assert second is not None
    assert (second.sample_rate_hz, second.channels, second.encoding, second.frames) == (96000, 2, Encoding.PCM_24, 480)
    box, deck, captures = read_box(folder, criteria())
    assert (box, deck) == (check.box, check.deck)
    assert captures == tuple(side.capture for side in check.sides)


SPOILT = {
    "empty": (b"", "the file is empty"),
    "text": (b"not a recording at all", "is it a renamed file of another kind?"),
    "cut short": (b"RIFF\x24\0\0\0WAVEfmt ", "interrupted at its start?"),
    "cut short, AIFF": (b"FORM\0\0\0\x2eAIFFCOMM\0\0\0\x12\0\x01", "interrupted"),
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_a_capture_that_cannot_be_read_is_told_at_its_row(tmp_path: Path, spoilt: str) -> None:
    raw, words = SPOILT[spoilt]
    folder = make_box(tmp_path, PLAIN)
    (folder / "captures/T1-B.wav").write_bytes(raw)
    check = check_box(folder, criteria())
    assert [problem.place for problem in check.problems] == ["tapes.csv, row 3, column capture"]
    assert words in str(check.problems[0])
    assert check.problems[0].what.startswith("captures/T1-B.wav: ")
    assert check.sides[0].capture is not None and check.sides[1].capture is None
    with pytest.raises(SheetError, match=r"tapes\.csv, row 3, column capture"):
        read_box(folder, criteria())


def test_a_capture_without_samples_or_with_an_odd_rate_is_told(tmp_path: Path) -> None:
    folder = make_box(tmp_path, PLAIN)
    soundfile.write(folder / "captures/T1-A.wav", np.zeros((0, 1)), 48000)
    soundfile.write(folder / "captures/T1-B.wav", np.zeros((9, 3)), 4000)
    first, second = check_box(folder, criteria()).problems
    assert "holds no samples" in first.what and first.slip == "was the recording stopped before it began?"
    assert "8 to 192 kHz, found 4000 Hz" in second.what


def test_problems_of_sheet_deck_and_captures_are_told_together(tmp_path: Path) -> None:
    folder = make_box(tmp_path, "tape,side,capture,ratio\nT1,A,T1-A.wav,440\nT1,B,gone.wav,\nT2.,A,T1-B.wav,\n")
    (folder / "decks/kitchen.toml").write_text(DECK_TOML + 'power = "sun"\n')
    (folder / "captures/T1-A.wav").write_bytes(b"")
    check = check_box(folder, criteria())
    assert [problem.place for problem in check.problems] == [
        "tapes.csv, row 2, column ratio",
        "tapes.csv, row 3, column capture",
        "tapes.csv, row 4, column tape",
        "decks/kitchen.toml, key deck.power",
        "tapes.csv, row 2, column capture",
    ]
    assert check.box is None and check.deck is None


@pytest.mark.parametrize("make_worse", [Path.unlink, lambda path: (path.unlink(), path.mkdir())])
def test_a_deck_file_that_is_not_there_is_told(tmp_path: Path, make_worse) -> None:  # type: ignore[no-untyped-def]
    folder = make_box(tmp_path, PLAIN)
    make_worse(folder / "decks/kitchen.toml")
    check = check_box(folder, criteria())
    assert [(problem.place, problem.what) for problem in check.problems] == [("decks/kitchen.toml", "no such file")]


def test_a_folder_that_is_no_box_is_told_and_not_raised(tmp_path: Path) -> None:
    assert check_box(tmp_path / "gone", criteria()).problems[0].place == str(tmp_path / "gone")
    assert {problem.place for problem in check_box(tmp_path, criteria()).problems} == {"tapes.csv", "box.toml"}


def test_a_capture_without_the_right_to_read_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    folder = make_box(tmp_path, PLAIN)
    monkeypatch.setattr("pipeline.box.open_capture", refuse)  # root may read everything, so no mode would do
    assert "Permission denied" in check_box(folder, criteria()).problems[0].what


@pytest.mark.parametrize("sheet", [PLAIN, PLAIN + "T1,B,gone.wav\nCON,A,../x\n", "", "\x00"])
def test_looking_changes_nothing(tmp_path: Path, sheet: str) -> None:
    folder = make_box(tmp_path, sheet)
    before = digest_of(folder)
    check_box(folder, criteria())
    assert digest_of(folder) == before


def test_a_hundred_sides_are_looked_at_in_less_than_two_seconds(tmp_path: Path) -> None:
    lines = [f"T{n:03},{side},T{n:03}-{side}.flac" for n in range(50) for side in "AB"]
    folder = make_box(tmp_path, "tape,side,capture\n" + "\n".join(lines), captures=())
    for line in lines:
        soundfile.write(folder / "captures" / line.split(",")[2], np.zeros((4800, 2), np.int16), 48000)
    start = time.process_time()
    assert check_box(folder, criteria()).problems == ()
    assert time.process_time() - start < 2.0
