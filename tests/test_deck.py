"""The deck file and the bench results in it."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.bench_log import append_bench, newest_bench
from pipeline.deck import BenchComponent, BenchEntry, Deck, Head, Power, ServiceEntry, read_deck
from pipeline.errors import DeckError
from pipeline.parts import PartKind, RotatingPart
from pipeline.settings import shipped

LEAST = '[deck]\nlabel = "Kitchen recorder"\n'
EXAMPLE = shipped("config") / "deck.example.toml"


def deck_file(folder: Path, text: str) -> Path:
    path = folder / "kitchen.toml"
    path.write_bytes(text.encode())
    return path


def day(text: str) -> datetime.date:
    return datetime.date.fromisoformat(text)


def bench(on: str, error_percent: float | None = -0.9, **more: object) -> BenchEntry:
    return replace(BenchEntry(day(on), "", None, error_percent, 0.1), **more)  # type: ignore[arg-type]


def deck_with(service: list[str], benches: list[BenchEntry], power: Power | None = None) -> Deck:
    services = tuple(ServiceEntry(day(on), "work") for on in service)
    return Deck(Path("x"), "x", "", "", "", power, None, None, (), services, tuple(benches))


def test_a_deck_needs_no_more_than_a_label(tmp_path: Path) -> None:
    path = deck_file(tmp_path, LEAST)
    assert read_deck(path) == Deck(path, "Kitchen recorder", "", "", "", None, None, None, (), (), ())


def test_everything_a_deck_file_may_say_is_read(tmp_path: Path) -> None:
    text = """\
[deck]
label = "A"
model = "B 2"
year = 1981
serial = "0044"
power = "battery"
replay_equalisation_us = 70
head = "stereo"
[[part]]
kind = "capstan"
diameter_mm = 2
uncertainty_mm = 0.02
[[part]]
kind = "belt"
name = "main belt"
length_mm = 227.5
driven_by = "capstan"
[[service]]
date = 2024-04-20
work = "new belts"
[[service]]
date = "2023-01-02"
work = "cleaned"
[[bench]]
date = 2024-04-21
note = "first"
power = "mains"
error_percent = -1
uncertainty_percent = 0.01
after_service = 2024-04-20
readings = { weighted_peak_percent = 0.2 }
components = [{ hz = 7.6, peak_percent = 0.1, part = "capstan" }]
[[bench]]
date = 2023-05-06
"""
    deck = read_deck(deck_file(tmp_path, text))
    assert (deck.label, deck.model, deck.year, deck.serial) == ("A", "B 2", "1981", "0044")
    assert (deck.power, deck.replay_equalisation_us, deck.head) == (Power.BATTERY, 70.0, Head.STEREO)
    assert deck.parts == (
        RotatingPart("capstan", PartKind.CAPSTAN, diameter_mm=2.0, uncertainty_mm=0.02),
        RotatingPart("main belt", PartKind.BELT, length_mm=227.5, driven_by="capstan"),
    )
    assert [entry.work for entry in deck.service] == ["cleaned", "new belts"]
    assert deck.bench == (
        BenchEntry(day("2023-05-06"), "", None, None, None),
        BenchEntry(
            day("2024-04-21"), "first", Power.MAINS, -1.0, 0.01, {"weighted_peak_percent": 0.2},
            (BenchComponent(7.6, 0.1, "capstan"),), day("2024-04-20"),
        ),
    )  # fmt: skip


def test_the_example_deck_is_right() -> None:
    deck = read_deck(EXAMPLE)
    assert {part.kind for part in deck.parts} >= {PartKind.CAPSTAN, PartKind.BELT, PartKind.PINCH_ROLLER}
    assert deck.bench[0].error_percent == pytest.approx(100 * (436 / 440 - 1), abs=5e-4)  # as its comment says


PART = LEAST + "[[part]]\n"
BAD = [
    ("", r"key deck: \[deck\] is missing"),
    (LEAST + "modell = 1\n", "key deck.modell: no such key.*did you mean model?"),
    (LEAST + "model = [1]\n", "key deck.model: expected a text"),
    (LEAST + 'power = "mians"\n', "key deck.power: expected one of mains, battery, found 'mians' .did you mean mains?"),
    (LEAST + "replay_equalisation_us = 3180\n", "expected 70 or 120, found 3180 .the short time constant"),
    (LEAST + "replay_equalisation_us = 0.00012\n", "expected 70 or 120"),
    (LEAST + 'replay_equalisation_us = "120"\n', "write the number without quotes"),
    (LEAST + "replay_equalisation_us = true\n", "expected a number, found True"),
    (LEAST + 'head = "Mono"\n', "did you mean mono?"),
    (LEAST + "[part]\n", "key part: expected tables .*in double brackets"),
    (LEAST + '[[parts]]\nkind = "belt"\n', "key parts: no such key.*did you mean part?"),
    (PART + 'kind = "capstan"\n', r"key part\[1\].diameter_mm: missing"),
    (PART + 'kind = "belt"\ndiameter_mm = 20\n', r"key part\[1\].length_mm: missing"),
    (PART + 'kind = "belt"\ndiameter_mm = 20\n', r"key part\[1\].diameter_mm: no such key"),
    (PART + 'kind = "capstan"\ndiameter_mm = 0.002\n', "expected 0.5 to 1000, found 0.002"),
    (PART + 'kind = "capstan"\ndiameter_mm = nan\n', "expected 0.5 to 1000, found nan"),
    (PART + 'kind = "wheel"\ndiameter_mm = 2\n', r"key part\[1\].kind: expected one of .*did you mean flywheel?"),
    (PART + 'kind = "idler"\ndiameter_mm = 9\ndriven_by = "flywhel"\n', "no part is called 'flywhel'"),
    (PART + 'kind = "idler"\ndiameter_mm = 9\ndriven_by = "idler"\n', "'idler' would drive itself"),
    (
        PART + 'kind = "idler"\ndiameter_mm = 9\n' + '[[part]]\nkind = "idler"\ndiameter_mm = 8\n',
        "two parts are called",
    ),
    (LEAST + "[[service]]\ndate = 2024-04-20\n", r"key service\[1\].work: missing"),
    (LEAST + '[[service]]\ndate = "20.4.2024"\nwork = "x"\n', "expected a date such as 2024-05-03"),
    (LEAST + "[[bench]]\nerror_percent = 1\n", r"key bench\[1\].date: missing"),
    (LEAST + "[[bench]]\ndate = 2024-04-20\nerror_percent = 436\n", "expected -50 to 50, found 436"),
    (
        LEAST + "[[bench]]\ndate = 2024-04-20\nreadings = { x = nan }\n",
        r"bench\[1\].readings.x: expected a finite number",
    ),
    (LEAST + "[[bench]]\ndate = 2024-04-20\nspeed = 1\n", r"key bench\[1\].speed: no such key"),
    (LEAST + "label\n", "not valid TOML"),
]


@pytest.mark.parametrize(("text", "message"), BAD)
def test_a_wrong_deck_file_is_told_with_file_and_key(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(DeckError, match=message) as caught:
        read_deck(deck_file(tmp_path, text))
    assert str(caught.value).startswith("kitchen.toml")


def test_all_problems_of_a_deck_are_told_at_once(tmp_path: Path) -> None:
    path = deck_file(tmp_path, '[deck]\nyear = [1]\npower = "sun"\n[[part]]\nkind = "belt"\n[[service]]\n')
    with pytest.raises(DeckError) as caught:
        read_deck(path)
    assert len(str(caught.value).splitlines()) == 5  # year, power, length_mm, date, work


def test_a_deck_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(DeckError, match=r"gone\.toml: no such file"):
        read_deck(tmp_path / "gone.toml")
    with pytest.raises(DeckError, match="a folder or a device"):
        read_deck(tmp_path)


NEW_BELTS = "2024-04-20"
CHOICES = [
    ([], [], "2024-05-01", None),
    ([], [bench("2024-05-01", None)], "2024-05-01", None),  # a run without a speed corrects nothing
    ([], [bench("2024-05-01"), bench("2024-05-09")], "2024-05-31", ("2024-05-09", 22, False)),
    ([], [bench("2024-05-01"), bench("2024-05-09")], "2024-05-05", ("2024-05-01", 4, False)),
    ([], [bench("2024-05-05"), bench("2024-05-09")], "2024-05-01", ("2024-05-05", -4, False)),  # nothing done between
    ([NEW_BELTS], [bench("2024-04-01")], "2024-05-01", ("2024-04-01", 30, True)),
    ([NEW_BELTS], [bench("2024-04-01"), bench("2024-05-09")], "2024-05-01", ("2024-05-09", -8, False)),
    ([NEW_BELTS], [bench("2024-05-09")], "2024-04-01", None),  # after new belts: tells nothing of the old ones
    ([NEW_BELTS], [bench(NEW_BELTS)], NEW_BELTS, (NEW_BELTS, 0, False)),
    ([NEW_BELTS], [bench(NEW_BELTS, after_service=day("2024-01-01"))], "2024-05-01", (NEW_BELTS, 11, True)),
    ([NEW_BELTS], [bench("2024-04-01"), bench("2024-05-09")], None, ("2024-05-09", None, False)),
    ([NEW_BELTS], [bench("2024-04-01")], None, ("2024-04-01", None, True)),
]


@pytest.mark.parametrize(("service", "benches", "on", "expected"), CHOICES)
def test_the_newest_bench_result_that_holds_for_the_day_is_chosen(
    service: list[str], benches: list[BenchEntry], on: str | None, expected: tuple[str, int | None, bool] | None
) -> None:
    choice = newest_bench(deck_with(["2024-01-01", *service] if service else [], benches), day(on) if on else None)
    found = choice and (choice.entry.date.isoformat(), choice.age_days, choice.older_than_service)
    assert found == expected


def test_a_bench_result_on_the_other_power_does_not_count() -> None:
    benches = [bench("2024-05-01"), bench("2024-05-02", power=Power.MAINS), bench("2024-05-03", power=Power.BATTERY)]
    on = day("2024-06-01")
    assert newest_bench(deck_with([], benches, Power.MAINS), on).entry.date == day("2024-05-02")  # type: ignore[union-attr]
    assert newest_bench(deck_with([], benches, Power.BATTERY), on).entry.date == day("2024-05-03")  # type: ignore[union-attr]
    assert newest_bench(deck_with([], benches), on).entry.date == day("2024-05-03")  # type: ignore[union-attr]


FULL = BenchEntry(
    day("2024-05-03"), 'said "so"\n[[bench]] # ü', Power.MAINS, -0.905, 0.002,
    {"weighted_peak_percent": 0.2, "a b": -1e-9},
    (BenchComponent(7.6, 0.12, "capstan"), BenchComponent(1.1, 0.05, "")), day(NEW_BELTS),
)  # fmt: skip
ENDS = ["", "\n", "# the last word", "\n[[bench]]\ndate = 2024-05-03\n[[bench.components]]\nhz = 1\npeak_percent = 1"]


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("entry", [FULL, bench("1999-12-31"), bench("2030-01-01", None)])
def test_a_bench_result_is_added_and_every_byte_before_it_stays(
    tmp_path: Path, entry: BenchEntry, line_end: str, end: str
) -> None:
    text = (LEAST + "# mine\n[[service]] # new belts\ndate = 2024-04-20\nwork='x'\n" + end).replace("\n", line_end)
    path = deck_file(tmp_path, text)
    path.chmod(0o640)
    before = read_deck(path).bench
    assert append_bench(path, entry) == path
    assert path.read_bytes().startswith(text.encode())
    assert path.read_bytes().count(b"\n") == path.read_bytes().count(line_end.encode())
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(read_deck(path).bench, key=repr) == sorted((*before, entry), key=repr)
    assert list(tmp_path.iterdir()) == [path]


def test_two_bench_results_can_follow_each_other_and_a_link_stays_one(tmp_path: Path) -> None:
    path = deck_file(tmp_path, LEAST)
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    append_bench(link, FULL)
    append_bench(link, bench("2024-06-01"))
    assert link.is_symlink()
    assert read_deck(path).bench == (FULL, bench("2024-06-01"))


@pytest.mark.parametrize(
    ("text", "entry", "message"),
    [
        (LEAST + "bench = []\n", FULL, "key deck.bench"),
        ("bench = []\n" + LEAST, FULL, r"written as \[\[bench\]\]"),
        ("modell = 1\n", FULL, "no such key"),
        (LEAST, replace(FULL, readings={"x": math.nan}), "finite number"),
        (LEAST, replace(FULL, error_percent=99.0), "expected -50 to 50"),
    ],
)
def test_a_bench_result_that_would_not_read_back_leaves_the_file_as_it_was(
    tmp_path: Path, text: str, entry: BenchEntry, message: str
) -> None:
    path = deck_file(tmp_path, text)
    with pytest.raises(DeckError, match=message):
        append_bench(path, entry)
    assert path.read_bytes() == text.encode()
    assert list(tmp_path.iterdir()) == [path]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(max_size=40), st.floats(-50, 50), st.dictionaries(st.text(max_size=9), st.floats(-1e300, 1e300), max_size=3)
)
def test_any_note_and_any_figure_read_back_as_they_were(
    tmp_path: Path, note: str, error_percent: float, readings: dict[str, float]
) -> None:
    path = deck_file(tmp_path, LEAST)
    entry = bench("2024-05-03", error_percent, note=note, readings=readings)
    try:
        append_bench(path, entry)
    except DeckError as error:
        assert "control characters" in str(error)
        return
    assert read_deck(path).bench == (replace(entry, note=note.strip()),)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=100), st.text(max_size=100).map(lambda text: (LEAST + text).encode())))
@example(b"\xef\xbb\xbf[deck]\r\nlabel = 'saved by a simple editor'\r\n")
@example(b"a=" + b"[" * 50_000)
def test_whatever_bytes_a_deck_file_holds_it_is_read_or_refused(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "kitchen.toml"
    path.write_bytes(raw)
    try:
        assert isinstance(read_deck(path), Deck)
    except DeckError as error:
        assert "kitchen.toml" in str(error)
