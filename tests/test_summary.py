"""The box at a glance: index, CSV, JSON, terminal rows."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest
from pages import CRITERIA, finding, overview_of, side_qc, sound
from test_report import Page

from pipeline.qc import FailedSide, Severity, Verdict
from pipeline.records import NotMeasured
from pipeline.report.speed_chart import ChartPoint, draw_speed_chart
from pipeline.report.summary import (
    BoxSummary,
    SideSummary,
    summarise_failed,
    summarise_side,
    summary_picture,
    summary_table,
    told_of_box,
    write_index,
    write_summary_csv,
    write_summary_json,
)
from pipeline.twins import Twins

NO_TONE = NotMeasured("no tone on this capture")


def row(tape: str = "K-001", side: str = "A", **more: object) -> SideSummary:
    found = (finding("dropout", Severity.WARN, 3.0), finding("click", Severity.INFO, 4.0))
    report = f"{tape}/data/qc/report.html"
    return replace(summarise_side(tape, side_qc(side, found), "A title", "Bench 2", "2026-02-01", report), **more)


def box(*sides: SideSummary, **more: object) -> BoxSummary:
    return replace(BoxSummary("hollweg", "The box", "2026-02-11", sides, {}), **more)


def cells(tmp_path, *sides: SideSummary) -> list[dict[str, str]]:
    raw = write_summary_csv(box(*sides), tmp_path / "summary.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    return list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))


@pytest.mark.parametrize(
    "title",
    ["=1+1", "+1", "-cmd|'/c calc'!A0", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1+1", '=HYPERLINK("http://x")'],
)
def test_text_a_spreadsheet_would_run_gets_an_apostrophe(tmp_path, title) -> None:
    (read,) = cells(tmp_path, row(title=title))
    assert read["title"] == "'" + title


@pytest.mark.parametrize("title", ["A - B", "1984", 'Jürgen\'s "Lieder", Teil 1; 2', "two\nlines", "🎧", ""])
def test_other_text_comes_back_as_it_was(tmp_path, title) -> None:
    (read,) = cells(tmp_path, row(title=title))
    assert read["title"] == title


def test_numbers_stay_numbers(tmp_path) -> None:
    (read,) = cells(tmp_path, row(error_percent=-0.909, access_lufs=-18.0, uncertainty_percent=0.000012))
    assert (read["error_percent"], read["access_lufs"]) == ("-0.909", "-18")
    assert float(read["uncertainty_percent"]) == pytest.approx(0.000012)


def test_what_was_not_measured_is_an_empty_cell_and_its_reason_stands_last(tmp_path) -> None:
    (read,) = cells(tmp_path, row(error_percent=NO_TONE))
    assert read["error_percent"] == ""
    assert read["not_measured"] == "error_percent: no tone on this capture"


def test_sides_captured_twice_are_told_on_the_page_in_the_json_and_on_the_terminal(tmp_path) -> None:
    pairs = [
        Twins(f"K-{n}", "B", f"K-{n}", "A", 0.4, 0.91, f"K-{n} side A and K-{n} side B <alike>") for n in range(40)
    ]
    twice = box(row(), row(side="B"), twins=tuple(pairs))
    index = write_index(twice, tmp_path / "index.html", CRITERIA.summary).read_text("utf-8")
    assert (
        "K-29 side A and K-29 side B &lt;alike&gt;" in index and "K-30 side A" not in index and "And 10 more" in index
    )
    document = json.loads(write_summary_json(twice, tmp_path / "summary.json").read_text("utf-8"))
    assert len(document["twins"]) == 40 and document["twins"][7]["like_side"] == "A"
    assert told_of_box(twice, 3)[2:] == (pairs[2].message, "and 37 more sides captured twice: see summary.json")
    assert "Captured twice" not in write_index(box(row()), tmp_path / "index.html", CRITERIA.summary).read_text("utf-8")


def test_json_holds_the_same_rows_with_null_and_reason(tmp_path) -> None:
    path = write_summary_json(box(row(), row(side="B", error_percent=NO_TONE)), tmp_path / "summary.json")
    document = json.loads(path.read_text("utf-8"))
    assert document["schema"] == "feltpad.summary/1"
    assert [side["side"] for side in document["sides"]] == ["A", "B"]
    assert document["sides"][1]["error_percent"] is None
    assert document["not_measured"]["sides[1].error_percent"] == "no tone on this capture"


def test_a_row_says_what_the_records_say() -> None:
    summary = row()
    assert (summary.verdict, summary.fails, summary.warns, summary.infos) == (Verdict.WARN, 0, 1, 1)
    assert summary.worst == "something about dropout"
    assert summary.error_percent == pytest.approx(-0.909, abs=0.001)
    assert summary.source == "tone"


def test_a_side_that_could_not_be_processed_has_its_row_everywhere(tmp_path) -> None:
    failed = summarise_failed("K-2", FailedSide("B", "=cannot be read"), "t", "Bench 2", "", "K-2/data/qc/report.html")
    (read,) = cells(tmp_path, failed)
    assert (read["verdict"], read["worst"], read["duration_s"]) == ("fail", "'=cannot be read", "")
    html = write_index(box(row(), failed), tmp_path / "index.html", CRITERIA.summary).read_text("utf-8")
    assert "not processed" in Page(html).text
    assert summary_table(box(failed))[1][:5] == ("K-2", "B", "fail", "-", "-")


def test_the_index_leads_to_each_report_and_escapes_what_it_shows(tmp_path) -> None:
    evil = "<script>alert(1)</script>"
    sides = (row(title=evil), row("K 2", report="K 2/data/qc/report.html"), row("x", report="javascript:alert(1)"))
    page = Page(write_index(box(*sides, title=evil), tmp_path / "index.html", CRITERIA.summary).read_text("utf-8"))
    links = [attrs["href"] for attrs in page.all("a")]
    assert "K-001/data/qc/report.html" in links and "K%202/data/qc/report.html" in links
    assert not any(link.startswith("javascript:") for link in links)
    assert len(page.all("script")) == 1
    assert page.text.count(evil) >= 2
    policy = next(m["content"] for m in page.all("meta") if m.get("http-equiv"))
    assert "unsafe" not in policy


def test_the_index_of_five_thousand_sides_stays_small(tmp_path) -> None:
    picture = summary_picture(overview_of(sound(60.0)), CRITERIA.summary)
    sides = [row(f"K-{n // 2:04d}", "AB"[n % 2], title="A rather long title " * 10) for n in range(5000)]
    for count in (CRITERIA.summary.pictures_most, 5000):
        some = sides[:count]
        summary = box(*some, pictures={(s.tape, s.side): picture for s in some})
        html = write_index(summary, tmp_path / "index.html", CRITERIA.summary).read_text("utf-8")
        assert len(html.encode()) < 3_000_000
        assert html.count("<tr ") == count
        assert ("data:image/png" in html) == (count <= CRITERIA.summary.pictures_most)


def test_the_chart_names_the_side_that_is_far_from_its_deck_and_only_that() -> None:
    points = [ChartPoint(f"K-{n}", "one", "", -0.9 + 0.01 * (n % 3)) for n in range(20)]
    points += [ChartPoint(f"P-{n}", "two", "", 0.8) for n in range(5)]
    points[7] = replace(points[7], error_percent=0.4)
    points[8] = replace(points[8], error_percent=NO_TONE)
    chart = draw_speed_chart(points, CRITERIA.summary)
    assert [label.text for label in chart.outliers] == ["K-7"]
    assert [lane.deck for lane in chart.lanes] == ["one", "two"]
    assert (chart.dots.count("M"), chart.unmeasured.count("M")) == (24, 1)
    assert "24 of 25 sides" in chart.description and "K-7" in chart.description


@pytest.mark.parametrize("errors", [[0.0], [-0.9], [5.4, 5.5], [-8.0, 7.0], [0.001, -0.002]])
def test_every_dot_lies_within_the_chart_and_zero_is_on_it(errors) -> None:
    chart = draw_speed_chart([ChartPoint(str(e), "", "", e) for e in errors], CRITERIA.summary)
    heights = [float(dot.split(" ")[1].split("h")[0]) for dot in chart.dots.split("M")[1:]]
    ticks = [tick.y for tick in chart.ticks]
    assert min(ticks) <= min(heights) and max(heights) <= max(ticks)
    assert min(ticks) <= chart.zero <= max(ticks)
    assert 2 <= len(ticks) <= 9


def test_a_box_without_any_speed_has_no_chart(tmp_path) -> None:
    assert draw_speed_chart([ChartPoint("a", "", "", NO_TONE)], CRITERIA.summary) is None
    html = write_index(box(row(error_percent=NO_TONE)), tmp_path / "index.html", CRITERIA.summary).read_text("utf-8")
    assert "No side has a measured speed error" in html


def test_terminal_rows_are_plain_and_cannot_steer_the_terminal() -> None:
    head, first = summary_table(box(row(title="two\nlines\x1b[31m red", error_percent=-0.909)))
    assert len(head) == len(first)
    assert first[4] == "-0.909 %"
    assert not any(ord(c) < 32 for cell in first for c in cell)
