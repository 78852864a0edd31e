"""The deck's certificate and history pages, read as a browser and a screen reader would read them."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from bench_tapes import Part, TestTape
from transport import Deck as Mechanics
from transport import Fault, Transport

from pipeline.bench import BenchSettings, measure_bench
from pipeline.bench_curves import BenchCurves
from pipeline.bench_history import read_history, tell_stories
from pipeline.bench_record import Bench, Occasion
from pipeline.bench_settings import BenchCriteria
from pipeline.capture import open_capture
from pipeline.deck import read_deck
from pipeline.method import read_all_settings
from pipeline.report.certificate import write_certificate
from pipeline.report.certificate_plots import draw_plots
from pipeline.report.history_page import write_history
from pipeline.report.plots import Axis, PlotMark, apart, part_lanes
from pipeline.settings import read_settings, shipped

CRITERIA = read_settings(BenchCriteria, shipped("config") / "bench.toml")
SETTINGS = BenchSettings(read_all_settings().method, CRITERIA, read_all_settings().report.overview)
OCCASION = Occasion(datetime.date(2024, 5, 4), "after <b>new</b> belts & grease", None)
ROLLER_HZ = Mechanics().rates_hz(-0.9)["pinch roller"]
VOID = {"meta", "img", "br", "link", "input", "line", "path", "rect", "circle", "image"}
DECK = """[deck]
label = "Bench <mule> & \\"co\\""
power = "mains"

[[part]]
kind = "pinch_roller"
name = "pinch roller"
diameter_mm = 10.0

[[service]]
date = 2024-03-02
work = "as found"

[[bench]]
date = 2024-03-03
power = "mains"
error_percent = -2.0
[bench.readings]
weighted_peak_percent = 0.41
[[bench.components]]
hz = 1.2
peak_percent = 0.3
part = ""

[[service]]
date = 2024-04-20
work = "new belts"

[[bench]]
date = 2024-05-04
power = "mains"
error_percent = -0.9
[bench.readings]
weighted_peak_percent = 0.18
"""


class Page(HTMLParser):
    """Every element with its attributes, the text a person sees, and that every element was closed."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\u00a0", " ").split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.elements if name == tag]


def deck_file(folder: Path) -> Path:
    path = folder / "mule.toml"
    path.write_text(DECK, "utf-8")
    return path


def bench_of(tape: TestTape, folder: Path) -> tuple[Bench, BenchCurves]:
    capture = open_capture(tape.write(folder / "tape.wav", 32_000, 5))
    return measure_bench(capture, (3150.0,), read_deck(deck_file(folder)), OCCASION, SETTINGS)


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> tuple[Bench, BenchCurves]:
    steps = tuple(
        part for hz in (315.0, 80.0, 1000.0, 4000.0, 8000.0) for part in (Part(hz, 1.4, -30.0), Part(0.0, 0.4))
    )
    plan = (Part(None, 2.0), Part(0.0, 2.0), Part(3150.0, 20.0), Part(0.0, 2.0), *steps)
    transport = Transport(-0.9, faults=(Fault(ROLLER_HZ, 0.15), Fault(11.3, 0.06)))
    return bench_of(TestTape(plan, transport, right_db=0.5), tmp_path_factory.mktemp("run"))


@pytest.fixture(scope="module")
def html(run, tmp_path_factory) -> str:
    folder = tmp_path_factory.mktemp("page")
    (story,) = tell_stories(read_deck(deck_file(folder)), CRITERIA.history)
    return write_certificate(*run, story, "mule-history.html", folder / "c.html").read_text("utf-8")


def test_the_page_asks_nothing_of_a_network_and_runs_nothing(html):
    assert not re.search(r"(?:src|href|url\()\s*=?\s*[\"'(]?\s*(?:https?:)?//", html)
    page = Page(html)
    assert page.all("script") == [] and page.all("link") == [] and page.all("img") == []
    policies = [meta["content"] for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1 and policies[0].startswith("default-src 'none'")
    assert {a["href"] for a in page.all("a") if not a["href"].startswith("#")} == {"mule-history.html"}
    assert " style=" not in html  # the policy would not allow it


def test_verdict_table_parts_and_history_stand_on_it(run, html):
    bench, _ = run
    text = Page(html).text
    assert bench.verdict.summary in text
    assert "Weighted wow and flutter" in text and "Archival replay deck" in text
    assert "pinch roller" in text and "no part on file turns at this rate" in text
    assert "new belts: speed error −2.000 → −0.900 %, weighted flutter 0.41 → 0.18 %, the 1.2 Hz line gone" in text
    assert "IASA TC-04 5.4.5" in text and "from memory" in text
    assert "common practice" in text
    assert "one pass of this deck" in text


def test_what_a_person_wrote_is_shown_as_they_wrote_it(html):
    page = Page(html)
    assert 'Bench <mule> & "co"' in page.text
    assert "after <b>new</b> belts & grease" in page.text
    assert page.all("mule") == []


def test_every_drawing_has_a_name_and_says_in_words_what_it_shows(run, html):
    page = Page(html)
    ids = [attrs["id"] for _, attrs in page.elements if attrs.get("id")]
    assert len(ids) == len(set(ids))
    drawings = [svg for svg in page.all("svg") if svg.get("role") == "img"]
    assert len(drawings) == 4
    for svg in drawings:
        assert all(name in ids for name in svg["aria-labelledby"].split())
    assert all(svg.get("aria-hidden") == "true" for svg in page.all("svg") if svg not in drawings)
    for anchor in page.all("a"):
        assert not anchor["href"].startswith("#") or anchor["href"][1:] in ids
    spectrum = next(plot for plot in draw_plots(*run) if plot.id == "spectrum")
    assert f"1: {ROLLER_HZ:.2f} Hz" in spectrum.description and "pinch roller" in spectrum.description


def test_headings_descend_one_step_at_a_time(html):
    levels = [int(tag[1]) for tag, _ in Page(html).elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(deeper - level <= 1 for level, deeper in pairwise(levels))


def test_every_table_has_a_caption_and_header_cells(html):
    page = Page(html)
    assert len(page.all("caption")) == len(page.all("table"))
    assert all(th.get("scope") in ("col", "row") for th in page.all("th"))


def test_the_same_run_makes_the_same_page(run, tmp_path):
    one, other = (write_certificate(*run, None, "", tmp_path / name).read_bytes() for name in ("a.html", "b.html"))
    assert one == other


def test_lines_are_told_apart_without_colour(html):
    """Weighted is dashed, unweighted is not; left and right have different marks."""
    style = html[html.index("<style>") : html.index("</style>")]
    assert re.search(r"\.line-dashed \{[^}]*stroke-dasharray", style)
    assert not re.search(r"\.line-solid \{[^}]*stroke-dasharray", style)
    response = html[html.index('id="response-t"') :]
    response = response[: response.index("</svg>")]
    assert 'class="spot" cx=' in response and '<rect class="spot"' in response


def test_a_part_is_drawn_where_it_turns(run):
    bench, _ = run
    spectrum = next(plot for plot in draw_plots(*run) if plot.id == "spectrum")
    lane = next(lane for lane in spectrum.lanes if lane.label == "pinch roller")
    mark = next(mark for mark in spectrum.marks if mark.label == "1")
    assert lane.x - 1 <= mark.x <= lane.x + lane.width + 1
    assert bench.flutter.components[0].part == "pinch roller"


def test_a_capture_without_a_tone_still_makes_a_page_that_says_so(tmp_path):
    bench, curves = bench_of(TestTape((Part(None, 2.0), Part(0.0, 4.0)), Transport()), tmp_path)
    page = Page(write_certificate(bench, curves, None, "", tmp_path / "c.html").read_text("utf-8"))
    assert "no steady tone was found" in page.text
    assert "not judged" in page.text
    assert draw_plots(bench, curves) == ()


def test_the_history_page_shows_runs_services_and_what_changed(tmp_path):
    history = read_history(read_deck(deck_file(tmp_path)), CRITERIA.history)
    html = write_history(history, tmp_path / "h.html").read_text("utf-8")
    page = Page(html)
    assert "new belts: speed error −2.000 → −0.900 %, weighted flutter 0.41 → 0.18 %" in page.text
    assert page.text.index("2024-05-04") < page.text.rindex("2024-03-03")
    drawings = [svg for svg in page.all("svg") if svg.get("role") == "img"]
    assert len(drawings) == 2
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", html) and page.all("script") == []


def test_mains_and_battery_are_two_lines_told_apart_without_colour(tmp_path):
    path = tmp_path / "two.toml"
    runs = [("2024-01-02", "mains", 0.4), ("2024-02-02", "battery", 0.9), ("2024-03-02", "mains", 0.2)]
    path.write_text(
        '[deck]\nlabel = "two"\n'
        + "".join(f'[[bench]]\ndate = {day}\npower = "{power}"\nerror_percent = {e}\n' for day, power, e in runs)
    )
    html = write_history(read_history(read_deck(path), CRITERIA.history), tmp_path / "h.html").read_text("utf-8")
    assert len(re.findall(r'<path class="line-solid" d="M[^"]*"/>\n', html)) == 1
    assert len(re.findall(r'<path class="line-dashed" d="M[^"]*"/>\n', html)) == 1
    legend = html[html.index('class="legend"') :]
    assert legend.index("mains") < legend.index("battery")
    assert "2024-02-02 0.900 % (battery)" in html


def test_a_deck_without_a_run_has_a_history_page_too(tmp_path):
    path = tmp_path / "new.toml"
    path.write_text('[deck]\nlabel = "new"\n')
    page = Page(write_history(read_history(read_deck(path), CRITERIA.history), tmp_path / "h.html").read_text("utf-8"))
    assert "None yet" in page.text


# --- plots ------------------------------------------------------------------------------------------------------------


def test_values_outside_an_axis_are_held_at_its_ends():
    axis = Axis(0.2, 200.0, 66.0, 988.0, is_log=True)
    assert [axis.at(v) for v in (0.01, 0.2, 200.0, 900.0)] == pytest.approx([66.0, 66.0, 988.0, 988.0])
    assert axis.at(np.sqrt(0.2 * 200.0)) == pytest.approx((66.0 + 988.0) / 2)


@pytest.mark.parametrize(("low", "high"), [(-0.013, 0.02), (0.0, 231.4), (-2.4, 0.0), (-1e-3, 1e-3)])
def test_ticks_are_few_round_and_inside(low, high):
    ticks = Axis(low, high, 0.0, 100.0).ticks(6, lambda v: f"{v:g}")
    values = [float(tick.label) for tick in ticks]
    assert 2 <= len(values) <= 8
    assert all(low - 1e-12 <= value <= high + 1e-12 for value in values)
    steps = np.diff(values)
    assert steps == pytest.approx([steps[0]] * len(steps))
    assert float(f"{steps[0]:.1g}") == pytest.approx(steps[0])


def test_marks_at_one_place_are_moved_apart():
    marks = apart([PlotMark("number", 100.0, 50.0, str(n)) for n in range(4)])
    heights = sorted(mark.y for mark in marks)
    assert min(np.diff(heights)) >= 14


def test_parts_outside_the_drawing_are_left_out():
    lanes = part_lanes(Axis(0.2, 200.0, 66.0, 988.0, is_log=True), [("slow", 0.05, 0.1), ("roller", 1.4, 1.6)])
    assert [lane.label for lane in lanes] == ["roller"]


def test_a_label_that_would_leave_the_drawing_stands_to_the_left():
    (lane,) = part_lanes(
        Axis(0.2, 200.0, 66.0, 988.0, is_log=True), [("a motor pulley with a long name", 150.0, 190.0)]
    )
    assert lane.anchor == "end" and lane.label_x < lane.x


def test_a_missing_power_is_said(run, tmp_path):
    bench = replace(run[0], deck=replace(run[0].deck, power=""))
    page = Page(write_certificate(bench, run[1], None, "", tmp_path / "c.html").read_text("utf-8"))
    assert "power not noted" in page.text
