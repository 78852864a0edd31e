"""The box sheet: what spreadsheets do to it, and what people do to it. Truth is what the person meant."""

from __future__ import annotations

import os
import time
import unicodedata
from pathlib import Path

import pytest
from boxes import BOX_TOML, criteria, digest_of, make_box
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.errors import SheetError
from pipeline.sheet import Box, IndexNote, SideRow, TapeType, read_sheet, scan_sheet

PLAIN = "tape,side,capture\nT1,A,captures/T1-A.wav\nT1,B,captures/T1-B.wav\n"


def rows_of(folder: Path, sheet: str | bytes, **more: object) -> tuple[SideRow, ...]:
    return read_sheet(make_box(folder, sheet, **more), criteria()).rows  # type: ignore[arg-type]


def row_with(folder: Path, column: str, cell: str) -> SideRow:
    quoted = '"' + cell.replace('"', '""') + '"'
    return rows_of(folder, f"tape,side,capture,{column}\nT1,A,T1-A.wav,{quoted}\n")[0]


def problems_of(folder: Path) -> list[tuple[str, str, str]]:
    with pytest.raises(SheetError) as caught:
        read_sheet(folder, criteria())
    return [(problem.place, problem.what, problem.slip) for problem in caught.value.problems]


def only_problem(folder: Path, sheet: str | bytes, place: str, words: str) -> None:
    """The sheet has this one problem, at this place, and the message holds these words."""
    found = problems_of(make_box(folder, sheet))
    assert [problem[0] for problem in found] == [place], found
    assert words in f"{found[0][1]} ({found[0][2]})"


def test_a_right_box_is_read_whole(tmp_path: Path) -> None:
    sheet = (
        "tape,side,capture,title,creator,date,place,subject,notes,tape_type,length,tone_hz,read_hz,ratio,index,shelf\n"
        'T1,A,captures/T1-A.wav,"Kaffee, Kuchen",Runa,1984-03-12,Oslo,birthday,"two\nlines",II,C90,440,436,1.009,'
        '"000 intro; 123 second song",left\n'
        "T1,B,captures/T1-B.wav,,,,,,,,,,,,,\n"
    )
    box = read_sheet(make_box(tmp_path, sheet), criteria())
    assert (box.id, box.title, box.owner, box.rights) == ("B7", "Aunt Runa's tapes", "the Vell family", "private")
    assert box.language == "en"
    assert (box.nominal_tones_hz, box.copies_overrides) == ((440.0,), {})
    assert box.deck_file == tmp_path / "decks/kitchen.toml"
    first, second = box.rows
    assert first == SideRow(
        2, "T1", "A", Path("captures/T1-A.wav"), "Kaffee, Kuchen", "Runa", "1984-03-12", "1984-03-12", "Oslo",
        "birthday", "two\nlines", TapeType.II, "C90", 440.0, 436.0, 1.009,
        (IndexNote("000", "intro"), IndexNote("123", "second song")), {"shelf": "left"},
    )  # fmt: skip
    assert first.minutes_a_side == 45.0
    assert second == SideRow(
        3, "T1", "B", Path("captures/T1-B.wav"), "", "", "", None, "", "", "", None, "", None, None, None, (), {}
    )
    assert second.minutes_a_side is None


SAVED_AS = {
    "UTF-8": PLAIN.encode(),
    "UTF-8 with byte order mark": PLAIN.encode("utf-8-sig"),
    "semicolons": PLAIN.replace(",", ";").encode(),
    "tabs": PLAIN.replace(",", "\t").encode(),
    "Unicode text": PLAIN.replace(",", "\t").encode("utf-16"),
    "Windows line ends": PLAIN.replace("\n", "\r\n").encode(),
    "old Macintosh line ends": PLAIN.replace("\n", "\r").encode(),
    "no last line end": PLAIN.rstrip().encode(),
    "a line that names the separator": b"sep=;\r\n" + PLAIN.replace(",", ";").encode(),
    "everything quoted": "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.split()
    ).encode(),
    "blanks after the separators": PLAIN.replace(",", ", ").encode(),
    "empty columns and rows at the end": PLAIN.replace("\n", ",,,,\n").encode() + b",,,,,,\n\n   ,,,\n",
    "headings in other cases and with blanks": PLAIN.replace(
        "tape,side,capture", " Tape ,SIDE, Capture\u00a0"
    ).encode(),
    "columns in another order": b"capture,tape,side\nT1-A.wav,T1,A\nT1-B.wav,T1,B\n",
    "captures without their folder": PLAIN.replace("captures/", "").encode(),
    "backslashes": PLAIN.replace("/", "\\").encode(),
    "no-break spaces around": PLAIN.replace("T1,", "\u00a0T1\u202f,").encode(),
    "apostrophes before ids": PLAIN.replace("T1,", "'T1,").encode(),
}


@pytest.mark.parametrize("saved_as", SAVED_AS)
def test_whatever_program_saved_it_the_sheet_says_the_same(tmp_path: Path, saved_as: str) -> None:
    rows = rows_of(tmp_path, SAVED_AS[saved_as])
    assert [(row.tape, row.side, row.capture.as_posix()) for row in rows] == [
        ("T1", "A", "captures/T1-A.wav"),
        ("T1", "B", "captures/T1-B.wav"),
    ]


@pytest.mark.parametrize("heading", ["read_hz", "Read_Hz", "READ HZ ", "read-hz", "ReadHz", "Read (Hz)"])
def test_a_heading_is_known_in_any_spelling(tmp_path: Path, heading: str) -> None:
    assert rows_of(tmp_path, f"tape,side,capture,tone_hz,{heading}\nT1,A,T1-A.wav,440,436\n")[0].read_hz == 436.0


@pytest.mark.parametrize(
    ("cell", "hz"),
    [("440", 440.0), ("436,2", 436.2), ("436.2", 436.2), ("4.36E+02", 436.0), ("3\u00a0150", 3150.0), ("'440", 440.0)],
)
def test_a_number_may_have_its_countrys_marks(tmp_path: Path, cell: str, hz: float) -> None:
    assert row_with(tmp_path, "tone_hz", cell).tone_hz == hz


@pytest.mark.parametrize(
    ("cell", "kind"),
    [("I", "I"), ("ii", "II"), ("Type IV", "IV"), ("2", "II"), ("IEC I", "I"), ("Ⅱ", "II"), ("III", "III")],
)
def test_a_tape_type_may_be_written_in_several_ways(tmp_path: Path, cell: str, kind: str) -> None:
    assert row_with(tmp_path, "tape_type", cell).tape_type is TapeType(kind)


@pytest.mark.parametrize(("cell", "length"), [("C60", "C60"), ("c-90", "C90"), ("90", "C90"), ("46 min", "C46")])
def test_a_length_may_be_written_in_several_ways(tmp_path: Path, cell: str, length: str) -> None:
    assert row_with(tmp_path, "length", cell).length == length


@pytest.mark.parametrize(
    ("cell", "written", "iso"),
    [
        ("1984", "1984", "1984"),
        ("1984-03", "1984-03", "1984-03"),
        ("1984-03-12", "1984-03-12", "1984-03-12"),
        ("1984-03-12 00:00:00", "1984-03-12", "1984-03-12"),
        ("12.03.1984", "12.03.1984", "1984-03-12"),
        ("25/12/1984", "25/12/1984", "1984-12-25"),
        ("12/25/1984", "12/25/1984", "1984-12-25"),
        ("3/12/1984", "3/12/1984", None),  # March or December
        ("3/12/84", "3/12/84", None),
        ("ca. 1984", "ca. 1984", None),
        ("'84", "'84", None),
    ],
)
def test_a_date_is_kept_as_written_and_understood_only_where_it_means_one_day(
    tmp_path: Path, cell: str, written: str, iso: str | None
) -> None:
    row = row_with(tmp_path, "date", cell)
    assert (row.date, row.date_iso) == (written, iso)


@pytest.mark.parametrize(
    "text",
    [
        "“quotes” ‘kept’",
        "Привет",
        "母の声",
        "🎵🎤",
        "a" * 5000,
        "'Round midnight",
        "'68",
        "-5 °C",
        'say "hello"',
        "a;b,c\td",
    ],
)
def test_a_title_is_kept_letter_by_letter(tmp_path: Path, text: str) -> None:
    assert row_with(tmp_path, "title", text).title == text


def test_the_apostrophe_that_guards_a_formula_is_taken_off(tmp_path: Path) -> None:
    assert row_with(tmp_path, "title", "'=HELLO").title == "=HELLO"


def test_composed_and_decomposed_letters_are_one(tmp_path: Path) -> None:
    decomposed = unicodedata.normalize("NFD", "Märchen")
    sheet = f"tape,side,capture,title\nT1,A,{unicodedata.normalize('NFC', 'Märchen')}.wav,{decomposed}\n"
    row = rows_of(tmp_path, sheet, captures=[f"{decomposed}.wav"])[0]
    assert row.title == unicodedata.normalize("NFC", "Märchen")
    assert (tmp_path / row.capture).is_file()


def test_index_notes_keep_their_counters(tmp_path: Path) -> None:
    notes = row_with(tmp_path, "index", "000 intro; 123 - second song;\n7 3rd\nand applause; 99").index
    assert [(note.counter, note.text) for note in notes] == [
        ("000", "intro"), ("123", "second song"), ("7", "3rd"), ("", "and applause"), ("99", ""),
    ]  # fmt: skip


def test_unknown_columns_are_kept_as_notes(tmp_path: Path) -> None:
    sheet = "tape,side,capture,Shelf,,Shelf,rating\nT1,A,T1-A.wav,left,x,up,5\n"
    assert rows_of(tmp_path, sheet)[0].extra == {"Shelf": "left", "column 5": "x", "Shelf'": "up", "rating": "5"}


def test_a_tone_alone_is_a_tone_to_look_for(tmp_path: Path) -> None:
    row = row_with(tmp_path, "tone_hz", "1000")
    assert (row.tone_hz, row.read_hz, row.ratio) == (1000.0, None, None)


def test_a_deck_file_may_be_shared_between_boxes(tmp_path: Path) -> None:
    folder = make_box(tmp_path, PLAIN)
    (folder / "box.toml").write_text(BOX_TOML.replace("decks/", "../decks/"))
    assert read_sheet(folder, criteria()).deck_file == folder / "../decks/kitchen.toml"


def test_the_order_for_copies_is_passed_on(tmp_path: Path) -> None:
    folder = make_box(tmp_path, PLAIN)
    (folder / "box.toml").write_text(BOX_TOML + '[copies.access]\nformat = "opus"\n')
    assert read_sheet(folder, criteria()).copies_overrides == {"access": {"format": "opus"}}


UNSAFE = [
    "../x", "a/b", "a\\b", "..", ".", ".hidden", "-rf", "CON", "con", "Con.txt", "nul", "COM1", "lpt9.wav", "COM¹",
    "aux .x", "T1.", "T1 .", "a:b", "a*b", "a?b", "a<b", "a>b", 'a"b', "a|b", "a\x07b", "a\x00b", "a\x7fb", "a\nb",
    "a\tb", "a\u200bb", "a\u202eb", "\ue000", "x" * 65, "é" * 51, "1.0", "12,0", "1.23E+05", "#REF!", "#NAME?",
    "########", "",
]  # fmt: skip


@pytest.mark.parametrize("name", UNSAFE, ids=[ascii(name)[:20] for name in UNSAFE])
@pytest.mark.parametrize("column", ["tape", "side"])
def test_a_name_that_is_unsafe_on_some_system_is_refused(tmp_path: Path, column: str, name: str) -> None:
    quoted = '"' + name.replace('"', '""') + '"'
    cells = f"{quoted},A" if column == "tape" else f"T1,{quoted}"
    found = problems_of(make_box(tmp_path, f"tape,side,capture\n{cells},T1-A.wav\n"))
    assert {place for place, _, _ in found} == {f"tapes.csv, row 2, column {column}"}
    assert all(slip for _, _, slip in found)
    assert all(text.isprintable() for _, text, _ in found)  # a control character must not reach the terminal


@pytest.mark.parametrize(
    "name", ["T1", "T 1", "Bånd 3", "母-1", "2024_007", "1", "CONCERT", "com10", "x" * 64, "a.b", "#1"]
)
def test_a_safe_name_is_taken_as_it_is(tmp_path: Path, name: str) -> None:
    assert rows_of(tmp_path, f"tape,side,capture\n{name},A,T1-A.wav\n")[0].tape == name


@pytest.mark.parametrize("name", ["index.html", "Summary.CSV", "summary.json"])
def test_a_tape_is_not_named_like_the_archives_own_pages(tmp_path: Path, name: str) -> None:
    only_problem(tmp_path, f"tape,side,capture\n{name},A,T1-A.wav\n", "tapes.csv, row 2, column tape", "own page")


BAD_CELLS = [
    ("ratio", "440", "a tone in Hz belongs into tone_hz or read_hz"),
    ("ratio", "1009", "write 1.009"),
    ("ratio", "100.9", "write 1.009"),
    ("ratio", "100,9 %", "write 1.009"),
    ("ratio", "-0.9", "-0.9 % is a ratio of 1.009082"),
    ("ratio", "−0,9%", "-0.9 % is a ratio of 1.009082"),
    ("ratio", "440/436", "write 440 into tone_hz and 436 into read_hz"),
    ("ratio", "0", "expected a ratio of 0.8 to 1.25"),
    ("ratio", "0.79", "expected a ratio of 0.8 to 1.25"),
    ("ratio", "01. Sep", "format the column as text"),
    ("ratio", "nan", "expected a number"),
    ("ratio", "inf", "expected a number"),
    ("ratio", "1_0", "expected a number"),
    ("ratio", "#DIV/0!", "could not work out"),
    ("tone_hz", "440 Hz", "without the unit"),
    ("tone_hz", "3.15", "write 3150"),
    ("tone_hz", "3,150", "write 3150"),
    ("tone_hz", "440000", "write 440"),
    ("tone_hz", "0", "expected a tone of 20 to 20000 Hz"),
    ("tone_hz", "-440", "expected a tone of 20 to 20000 Hz"),
    ("tone_hz", "440; 1000", "[reference] tone_hz"),
    ("tone_hz", "1e999", "expected a number"),
    ("tone_hz", "A4", "expected a number"),
    ("read_hz", "436", "which tone should it have been? write it into tone_hz, such as 440"),
    ("tape_type", "chrome", "write II"),
    ("tape_type", "Fe", "write I"),
    ("tape_type", "V", "expected I, II, III or IV"),
    ("length", "long", "such as C60"),
    ("date", "1984-02-30", "which no calendar has"),
    ("date", "31.02.1984", "which no calendar has"),
    ("date", "30753", "how a spreadsheet stores a date"),
    ("notes", "bell \x07", "unprintable"),
    ("title", "M\ufffdller", "unprintable"),
    ("title", "#NAME?", "could not work out"),
]


@pytest.mark.parametrize(("column", "cell", "words"), BAD_CELLS)
def test_a_wrong_cell_is_told_with_its_place_and_the_likely_slip(
    tmp_path: Path, column: str, cell: str, words: str
) -> None:
    sheet = f'tape,side,capture,{column}\nT1,A,T1-A.wav,\nT1,B,T1-B.wav,"{cell}"\n'
    only_problem(tmp_path, sheet, f"tapes.csv, row 3, column {column}", words)


@pytest.mark.parametrize(
    ("tone", "read", "ratio", "column", "words"),
    [
        ("440", "872", "", "read_hz", "one tone?"),
        ("436", "440", "", "read_hz", "the wrong way round"),
        ("440", "436", "0.990909", "ratio", "upside down"),
        ("440", "436", "1.02", "ratio", "disagrees with the reading"),
    ],
)
def test_numbers_that_cannot_all_be_right_are_told(
    tmp_path: Path, tone: str, read: str, ratio: str, column: str, words: str
) -> None:
    sheet = f"tape,side,capture,tone_hz,read_hz,ratio\nT1,A,T1-A.wav,{tone},{read},{ratio}\n"
    only_problem(tmp_path, sheet, f"tapes.csv, row 2, column {column}", words)


BAD_CAPTURES = [
    ("captures/T1-a.wav", "did you mean captures/T1-A.wav?"),
    ("T1-A", "did you mean captures/T1-A.wav?"),
    ("T1-A.flac", "did you mean captures/T1-A.wav?"),
    ("T1-AA.wav", "did you mean captures/T1-A.wav?"),
    ("holiday.wav", "not copied into the box yet?"),
    ("/tmp/T1-A.wav", "move it to captures/"),
    ("C:\\tapes\\T1-A.wav", "move it to captures/"),
    ("\\\\server\\T1-A.wav", "move it to captures/"),
    ("~/T1-A.wav", "move it to captures/"),
    ("file:///T1-A.wav", "move it to captures/"),
    ("captures/../captures/T1-A.wav", "must not contain .."),
    ("..\\T1-A.wav", "must not contain .."),
    ("captures", "a folder or a device"),
    ("", "every side needs its capture file"),
    ("x" * 5000, "not copied into the box yet?"),
]


@pytest.mark.parametrize(("capture", "words"), BAD_CAPTURES, ids=[name[:20] for name, _ in BAD_CAPTURES])
def test_a_capture_that_is_not_there_is_told_with_a_name_alike(tmp_path: Path, capture: str, words: str) -> None:
    only_problem(tmp_path, f"tape,side,capture\nT1,A,{capture}\n", "tapes.csv, row 2, column capture", words)


def test_links_are_followed_and_dead_links_and_pipes_are_told(tmp_path: Path) -> None:
    folder = make_box(
        tmp_path / "box", "tape,side,capture\nT1,A,link.wav\nT1,B,dead.wav\nT2,A,pipe.wav\nT2,B,loop.wav\n"
    )
    (folder / "captures/T1-A.wav").rename(tmp_path / "elsewhere.wav")
    (folder / "captures/link.wav").symlink_to(tmp_path / "elsewhere.wav")
    (folder / "captures/dead.wav").symlink_to(tmp_path / "gone.wav")
    (folder / "captures/loop.wav").symlink_to(folder / "captures/loop.wav")
    os.mkfifo(folder / "captures/pipe.wav")
    found = problems_of(folder)
    assert [place for place, _, _ in found] == [f"tapes.csv, row {row}, column capture" for row in (3, 4, 5)]
    assert "a link to a file that is not there" in found[0][2]
    assert "a folder or a device" in found[1][1]


CLASHES = [
    ("T1,A,T1-A.wav\nT1,A,T1-B.wav", [("row 3, column side", "already in row 2")]),
    ("T1,A,T1-A.wav\nT1,a,T1-B.wav", [("row 3, column side", "already in row 2")]),
    ("T1,A,T1-A.wav\nT1 ,A,T1-B.wav", [("row 3, column side", "already in row 2")]),
    ("T1,A,T1-A.wav\nt1,B,T1-B.wav", [("row 3, column tape", "one folder on Windows")]),
    ("T1,A,T1-A.wav\n\nT1,B,captures/T1-A.wav", [("row 4, column capture", "same recording as in row 2")]),
    ("T1,A,T1-A.wav\nT1,B,link.wav", [("row 3, column capture", "same recording as in row 2")]),
]


@pytest.mark.parametrize(("rows", "expected"), CLASHES)
def test_rows_that_cannot_both_be_right_are_told(tmp_path: Path, rows: str, expected: list[tuple[str, str]]) -> None:
    folder = make_box(tmp_path, f"tape,side,capture\n{rows}\n")
    (folder / "captures/link.wav").hardlink_to(folder / "captures/T1-A.wav")
    found = problems_of(folder)
    assert [place for place, _, _ in found] == [f"tapes.csv, {place}" for place, _ in expected]
    assert all(words in what for (_, what, _), (_, words) in zip(found, expected, strict=True))


BAD_SHEETS = [
    (b"", "tapes.csv", "holds no headings"),
    (b"tape,side,capture\n", "tapes.csv", "lists no side"),
    (b"PK\x03\x04workbook", "tapes.csv", "CSV UTF-8"),
    ("tape,side,capture,title\nT1,A,T1-A.wav,Müller\n".encode("cp1252"), "tapes.csv, line 2", "ller'; saved as ANSI"),
    (b"tape,side,capture\nT1,A,\"T1-A.wav\n", "tapes.csv, row 2", "a quotation mark that is not closed"),
    (b"tapename,side,capture\nT1,A,T1-A.wav\n", "tapes.csv, row 1, column tape", "rename 'tapename' to tape?"),
    (b"tape,side,capture,ratoi\nT1,A,T1-A.wav,\n", "tapes.csv, row 1, column ratoi", "rename 'ratoi' to ratio?"),
    (b"tape,side,capture,Side \nT1,A,T1-A.wav,\n", "tapes.csv, row 1, column side", "more than once"),
    (b"tape,side,capture,ratio\nT1,A,T1-A.wav,1,009\n", "tapes.csv, row 2, column 5", "decimal comma"),
]  # fmt: skip


@pytest.mark.parametrize(("sheet", "place", "words"), BAD_SHEETS)
def test_a_sheet_that_was_saved_wrongly_is_told(tmp_path: Path, sheet: bytes, place: str, words: str) -> None:
    only_problem(tmp_path, sheet, place, words)


BAD_BOX_FILES = [
    (("id =", "idd ="), {"box.toml, key box.id": "missing", "box.toml, key box.idd": "no such key"}),
    (('id = "B7"', "id = true"), {"box.toml, key box.id": "expected a text"}),
    (
        ("rights =", "right ="),
        {"box.toml, key box.right": "did you mean rights?"},
    ),
    (("[box]", "[Box]"), {"box.toml, key box": "[box] is missing", "box.toml, key Box": "did you mean box?"}),
    (("[440.0]", '["440"]'), {"box.toml, key reference.tone_hz[1]": "without quotes"}),
    (("[440.0]", "[0.44]"), {"box.toml, key reference.tone_hz[1]": "expected 20 to 20000"}),
    (("tone_hz", "tone"), {"box.toml, key reference.tone": "did you mean tone_hz?"}),
    (("[deck]", "[deck"), {"box.toml": "not valid TOML"}),
    (("decks/kitchen", "decks\\kitchen"), {"box.toml": "write / in paths"}),
    (('file = "decks/kitchen.toml"', ""), {"box.toml, key deck.file": "missing"}),
]


@pytest.mark.parametrize(("change", "expected"), BAD_BOX_FILES)
def test_a_wrong_box_file_is_told_key_by_key(tmp_path: Path, change: tuple[str, str], expected: dict[str, str]) -> None:
    folder = make_box(tmp_path, PLAIN)
    (folder / "box.toml").write_text(BOX_TOML.replace(*change))
    found = {place: f"{what} ({slip})" for place, what, slip in problems_of(folder)}
    assert found.keys() == expected.keys()
    assert all(words in found[place] for place, words in expected.items()), found


def test_files_that_are_not_there_are_told(tmp_path: Path) -> None:
    assert problems_of(tmp_path / "nowhere")[0][1].startswith("expected a box folder")
    (tmp_path / "Tapes.CSV").write_text(PLAIN)
    assert [problem[0] for problem in problems_of(tmp_path)] == ["tapes.csv", "box.toml"]
    assert problems_of(tmp_path)[0][2] == "rename Tapes.CSV?"
    assert "found a file" in problems_of(tmp_path / "Tapes.CSV")[0][1]


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    sheet = "tape,side,capture,ratio,tape_type\nCON,A,gone.wav,440,V\nT1,A,T1-A.wav,,\nT1,A,T1-B.wav,2,\n"
    folder = make_box(tmp_path, sheet)
    (folder / "box.toml").write_text(BOX_TOML.replace("owner", "ower"))
    places = [place.removeprefix("tapes.csv, ") for place, _, _ in problems_of(folder)]
    assert places == [
        "box.toml, key box.ower", "row 2, column tape", "row 2, column capture",
        "row 2, column ratio", "row 2, column tape_type", "row 4, column ratio", "row 4, column side",
    ]  # fmt: skip


LETTERS = st.text(st.sampled_from("tapesidcurhoz_,;\t\"'\n\r T1AB./\\0123456789#=-%\u00a0é\x00\ufeff"), max_size=120)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=200), LETTERS.map(str.encode), LETTERS.map(lambda text: PLAIN.encode() + text.encode())
    )
)
@example(b"\xff\xfet")
@example(b"\xfe\xff\xd8\x00")
@example(b"tape;side;capture\n\xef\xbb\xbf;;")
def test_whatever_bytes_the_sheet_holds_it_is_read_or_refused_and_left_as_it_was(tmp_path: Path, sheet: bytes) -> None:
    folder = make_box(tmp_path, sheet)
    before = digest_of(folder)
    try:
        assert isinstance(read_sheet(folder, criteria()), Box)
    except SheetError as error:
        assert error.problems
    assert digest_of(folder) == before


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=100), LETTERS.map(str.encode), LETTERS.map(lambda t: (BOX_TOML + t).encode())))
@example(b"a=" + b"[" * 50_000)
@example(b"[box]\nid = 0x" + b"F" * 9_000)
@example(b"[box]\nid = 1" + b"0" * 9_000)
@example(b"[reference]\ntone_hz = [0x" + b"F" * 9_000 + b", nan, inf, true]")
def test_whatever_bytes_the_box_file_holds_it_is_read_or_refused(tmp_path: Path, box_file: bytes) -> None:
    folder = make_box(tmp_path, PLAIN)
    (folder / "box.toml").write_bytes(box_file)
    try:
        assert isinstance(read_sheet(folder, criteria()), Box)
    except SheetError as error:
        assert error.problems


def test_five_thousand_wrong_rows_take_no_longer_each_than_five_hundred(tmp_path: Path) -> None:
    def cpu_s_a_row(rows: int) -> float:
        lines = [f"T{n},A,take {n} of the evening.wav,440" for n in range(rows)]
        folder = make_box(tmp_path / str(rows), "tape,side,capture,ratio\n" + "\n".join(lines), captures=())
        for n in range(rows):
            (folder / "captures" / f"evening {n} at home.wav").touch()
        start = time.process_time()
        assert len(scan_sheet(folder, criteria()).problems) == 2 * rows
        return (time.process_time() - start) / rows

    few, many = cpu_s_a_row(500), cpu_s_a_row(5000)
    assert many < 4 * few  # a search of every row in every row would be ten times
