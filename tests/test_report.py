"""The tape's page, read as a browser and a screen reader would read it."""

from __future__ import annotations

import io
import re
import shlex
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from pages import CRITERIA, RATE_HZ, finding, side_page, side_qc, sound, tape_page, written

from pipeline.decisions import ChannelUse
from pipeline.qc import FailedSide, Severity
from pipeline.records import NotMeasured
from pipeline.report.excerpts import Sound, cut_excerpt, cut_listening, find_places, sounds_different
from pipeline.report.findings import group_findings
from pipeline.report.timeline import LEFT, RIGHT, draw_timeline
from pipeline.speed import SpeedSource

EXCERPTS = CRITERIA.excerpts
VOID = {"meta", "img", "br", "link", "input", "line", "path", "rect", "circle", "image"}


class Page(HTMLParser):
    """Every element with its attributes, and the text a person sees."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

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


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    return sound(120.0)


@pytest.fixture(scope="module")
def busy(samples, tmp_path_factory) -> str:
    """Two sides, findings of every severity, excerpts before and after."""
    found = (
        finding("dropout", Severity.FAIL, 60.0, value=22.0, limit=10.0),
        finding("dropout", Severity.WARN, 80.0, value=12.0, limit=10.0),
        finding("balance", Severity.WARN, value=-1.9, limit=1.5),
        finding("click", Severity.INFO, 30.0),
    )
    qc = side_qc("A", found)
    heard = cut_listening(qc, sound_of(samples), sound_of(samples), EXCERPTS)
    page = tape_page(side_page("A", found, listening=heard), side_page("B"))
    return written(tmp_path_factory.mktemp("busy"), page)


def sound_of(samples: np.ndarray, rate_hz: int = RATE_HZ) -> Sound:
    return Sound(lambda start_s, stop_s: samples[round(start_s * rate_hz) : round(stop_s * rate_hz)], rate_hz)


def test_the_verdict_and_its_reasons_come_before_anything_measured(busy) -> None:
    text = Page(busy).text
    assert text.index("Verdict: fail") < text.index("The worst: something about dropout") < text.index("The whole side")


def test_the_page_asks_nothing_of_a_network(busy) -> None:
    page = Page(busy)
    for tag, attrs in page.elements:
        for name in ("src", "href", "srcset", "poster", "data", "action"):
            if attrs.get(name) is not None:
                assert attrs[name].startswith(("data:", "#")), (tag, attrs[name][:80])
    assert not page.all("link") and not page.all("iframe") and not page.all("script")
    policy = next(m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy and "http" not in policy
    assert "url(http" not in busy and "@import" not in busy


def test_every_id_is_unique_and_every_link_and_label_leads_somewhere(busy) -> None:
    page = Page(busy)
    counts = Counter(attrs["id"] for _, attrs in page.elements if attrs.get("id"))
    assert max(counts.values()) == 1
    for _, attrs in page.elements:
        targets = (attrs.get("aria-labelledby") or "").split()
        targets += [attrs["href"][1:]] if (attrs.get("href") or "").startswith("#") else []
        assert set(targets) <= set(counts)


def test_headings_nest_and_the_landmarks_are_there(busy) -> None:
    page = Page(busy)
    levels = [int(tag[1]) for tag, _ in page.elements if tag in ("h1", "h2", "h3", "h4", "h5")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    for landmark in ("header", "nav", "main", "footer"):
        assert len(page.all(landmark)) == 1
    assert page.all("html")[0]["lang"] == "en"


def test_pictures_players_and_tables_are_told_to_those_who_do_not_see_them(busy) -> None:
    page = Page(busy)
    assert page.all("img") and all("alt" in attrs for attrs in page.all("img"))
    players = page.all("audio")
    assert players and all(attrs["aria-label"] and attrs["preload"] == "none" for attrs in players)
    assert len({attrs["aria-label"] for attrs in players}) == len(players)
    assert all(attrs.get("scope") in ("col", "row") for attrs in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))
    drawings = [attrs for attrs in page.all("svg") if attrs.get("aria-hidden") != "true"]
    assert drawings and all(attrs["role"] == "img" and attrs["aria-labelledby"] for attrs in drawings)


def test_no_severity_is_told_by_colour_alone(busy) -> None:
    text = Page(busy).text
    for word in ("Side A, fail:", "Side A, warn:", "✕", "▲", "○"):
        assert word in text


def test_what_a_sheet_says_stays_text(tmp_path) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'{{ 7*7 }}"
    side = side_page("A", (finding("x", Severity.WARN, message=evil),), words={"Title": evil, evil: evil})
    html = written(tmp_path, tape_page(side, title=evil, tape="K", words={"Box": evil}, archive=evil))
    page = Page(html)
    assert not page.all("script")
    assert not any(name.startswith("on") for _, attrs in page.elements for name in attrs)
    assert page.text.count("<script>alert(1)</script>") >= 5
    assert "{{ 7*7 }}" in page.text


@pytest.mark.parametrize("text", ["ערב בחצר", "مساء في الفناء", "夕べ", "🎧 👩‍🔧", "x" * 5000, "many words " * 450])
def test_any_language_and_long_notes_reach_the_page_whole(tmp_path, text) -> None:
    html = written(tmp_path, tape_page(side_page(words={"Notes": text}), title=text[:60]))
    page = Page(html)
    assert " ".join(text.split()) in page.text
    assert page.all("h1")[0]["dir"] == "auto"
    assert all(attrs.get("dir") == "auto" for attrs in page.all("dd") if "dir" in attrs)


def test_a_value_that_was_not_measured_shows_its_reason_and_no_number(tmp_path) -> None:
    side = side_page("A", tuning_cents=NotMeasured("speech has no tuning"))
    measurement = replace(
        side.qc.measurement, speed=replace(side.qc.measurement.speed, error_percent=NotMeasured("no tone"))
    )
    text = Page(written(tmp_path, tape_page(replace(side, qc=replace(side.qc, measurement=measurement))))).text
    assert "Speed error of the capture not measured: no tone" in text
    assert "Tuning of the music not measured: speech has no tuning" in text


@pytest.mark.parametrize("source", SpeedSource)
def test_the_page_says_what_a_reference_does_and_does_not_prove(tmp_path, source) -> None:
    side = side_page()
    decisions = replace(side.qc.decisions, speed=replace(side.qc.decisions.speed, source=source))
    text = Page(written(tmp_path, tape_page(replace(side, qc=replace(side.qc, decisions=decisions))))).text
    assert "What this shows" in text and "What it does not show" in text
    if source is SpeedSource.BENCH:
        assert "nothing of the machine that recorded this tape" in text


def test_the_rerun_commands_can_be_typed_as_they_stand(tmp_path) -> None:
    html = written(tmp_path, tape_page(side_page("A"), tape="K 17's", archive="/my tapes/box; rm -rf"))
    page = Page(html)
    commands = [word for word in page.words if word.startswith("feltpad rerun")]
    assert len(commands) == 3
    for command in commands:
        typed = shlex.split(command)
        assert typed[:3] == ["feltpad", "rerun", "/my tapes/box; rm -rf"]
        assert typed[typed.index("--tape") + 1] == "K 17's" and typed[typed.index("--side") + 1] == "A"
    assert shlex.split(commands[0])[-4:] == ["--read", "436", "--true", "440"]
    assert shlex.split(commands[1])[-2:] == ["--ratio", "1.009174"]
    assert shlex.split(commands[2])[-4:] == ["--start", "9.00", "--stop", "114.00"]


def test_four_thousand_findings_give_a_readable_page(tmp_path) -> None:
    rng = np.random.default_rng(11)
    many = tuple(
        finding("dropout", Severity.WARN, float(at), value=float(depth), limit=10.0, message=f"{depth:.2f} dB lost")
        for at, depth in zip(rng.uniform(10, 110, 4000), rng.uniform(11, 40, 4000), strict=True)
    )
    worst = max(f.value for f in many)
    html = written(tmp_path, tape_page(side_page("A", many)))
    text = Page(html).text
    assert text.count("dB lost") == CRITERIA.page.worst_per_kind + 1  # and once under the verdict
    assert f"dropout, 4000 times. The worst: {worst:.2f} dB lost" in text.replace("Dropout", "dropout")
    assert f"{4000 - CRITERIA.page.worst_per_kind} more of this kind" in text
    assert len(html) < 400_000


def test_groups_stand_by_severity_and_within_one_the_worst_is_first() -> None:
    found = [
        finding("a", Severity.INFO, 1.0),
        finding("b", Severity.WARN, 2.0, value=3.0, limit=2.0),
        finding("b", Severity.WARN, 3.0, value=9.0, limit=2.0),
        finding("c", Severity.WARN, 4.0),
        finding("c", Severity.FAIL, 5.0),
    ]
    groups = group_findings(found)
    assert [(g.code, g.severity.value) for g in groups] == [("c", "fail"), ("b", "warn"), ("a", "info")]
    assert [f.start_s for f in groups[1].findings] == [3.0, 2.0]
    assert group_findings([]) == ()


def test_a_side_that_could_not_be_processed_is_told_under_the_verdict(tmp_path) -> None:
    page = tape_page(side_page("A"), failed=(FailedSide("B", "captures/b.wav: cannot be read"),))
    assert "Side B could not be processed: captures/b.wav: cannot be read" in Page(written(tmp_path, page)).text


def test_a_page_without_pictures_says_so(tmp_path) -> None:
    page = tape_page(side_page("A", overview=NotMeasured("A-envelope.csv is missing")))
    assert "No waveform and spectrogram: A-envelope.csv is missing" in Page(written(tmp_path, page)).text


def test_the_same_records_give_the_same_bytes(tmp_path) -> None:
    page = tape_page(side_page("A"), side_page("B"))
    assert written(tmp_path, page) == written(tmp_path, page)


def test_the_timeline_puts_regions_cuts_and_findings_at_their_time() -> None:
    side = side_page("A", (finding("click", Severity.INFO, 60.0),))
    timeline = draw_timeline(side, CRITERIA.page)
    width = RIGHT - LEFT
    assert timeline.cut_from == pytest.approx(LEFT + 0.075 * width, abs=0.02)
    assert timeline.cut_to == pytest.approx(LEFT + 0.95 * width, abs=0.02)
    assert [mark.x for mark in timeline.marks] == [pytest.approx(LEFT + 0.5 * width, abs=0.02)]
    assert [bar.kind for bar in timeline.bars] == ["leader", "tone", "silence", "programme", "silence", "leader"]
    assert sum(bar.width for bar in timeline.bars) == pytest.approx(width, abs=0.1)
    assert [tick.label for tick in timeline.times][:2] == ["0:00", "0:15"]


def test_findings_closer_than_a_mark_become_one_mark_with_their_count() -> None:
    found = tuple(finding("click", Severity.INFO, 60 + k / 100) for k in range(50))
    marks = draw_timeline(side_page("A", found), CRITERIA.page).marks
    assert [mark.count for mark in marks] == [50]


@pytest.mark.parametrize(("rate_hz", "channels"), [(8000, 1), (44_100, 2), (96_000, 2), (192_000, 1)])
def test_an_excerpt_plays_what_was_cut(rate_hz: int, channels: int) -> None:
    t = np.arange(rate_hz * 3) / rate_hz
    samples = np.repeat(0.3 * np.sin(2 * np.pi * 440 * t)[:, None], channels, axis=1).astype(np.float32)
    excerpt = cut_excerpt(samples, rate_hz, EXCERPTS)
    heard, heard_rate_hz = soundfile.read(io.BytesIO(excerpt.audio), always_2d=True)
    assert excerpt.mime == "audio/mpeg" and excerpt.seconds == 3
    assert len(heard) / heard_rate_hz == pytest.approx(3, abs=0.15)
    assert heard.shape[1] == channels
    middle = heard[heard_rate_hz : 2 * heard_rate_hz, 0]
    assert np.argmax(np.abs(np.fft.rfft(middle))) == 440
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(
        0.3 / np.sqrt(2), rel=0.07
    )  # the encoder turns low rates down 5 %
    assert abs(heard[:40]).max() < 0.05  # faded


def test_an_excerpt_is_the_same_bytes_every_time_and_names_no_software(samples) -> None:
    first, second = (cut_excerpt(samples[:RATE_HZ], RATE_HZ, EXCERPTS) for _ in range(2))
    assert first == second
    assert not re.search(rb"Lav[cf]\d", first.audio)  # its version would change the bytes


def test_an_excerpt_louder_than_full_scale_does_not_wrap_around() -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    loud = (3 * np.sin(2 * np.pi * 100 * t))[:, None].astype(np.float32)
    heard, rate_hz = soundfile.read(io.BytesIO(cut_excerpt(loud, RATE_HZ, EXCERPTS).audio))
    spectrum = np.abs(np.fft.rfft(heard[rate_hz // 4 : 3 * rate_hz // 4]))
    assert spectrum[50] == max(spectrum)  # 100 Hz in half a second; a wrapped wave has its most at 300 Hz and more


@pytest.mark.parametrize("shape", [(0, 2), (10, 3), (10,)])
def test_samples_that_are_none_are_refused(shape) -> None:
    with pytest.raises(ValueError, match="at least one frame"):
        cut_excerpt(np.zeros(shape, np.float32), RATE_HZ, EXCERPTS)


def test_places_are_head_middle_tail_of_what_is_kept_and_the_worst_of_each_kind() -> None:
    many = tuple(finding("dropout", Severity.WARN, 20 + k * 5, value=float(k), limit=0.5) for k in range(15))
    other = (
        finding("click", Severity.INFO, 100.0),
        finding("tail", Severity.WARN, 120.0),
        finding("hum", Severity.WARN),
    )
    places = find_places(side_qc("A", many + other), EXCERPTS)
    assert [(p.name, p.start_s, p.stop_s) for p in places[:3]] == [
        ("head", 9.0, 15.0),
        ("middle", 58.5, 64.5),
        ("tail", 108.0, 114.0),
    ]
    assert len(places) == 3 + EXCERPTS.findings_most
    names = [p.name for p in places[3:]]
    assert {"dropout", "click", "tail"} <= set(names)
    assert all(0 <= p.start_s < p.stop_s <= 120 for p in places)


def test_a_side_shorter_than_two_excerpts_has_one() -> None:
    side = side_qc("A", duration_s=4.0)
    assert [p.name for p in find_places(side, EXCERPTS)] == ["head"]


def test_the_corrected_excerpt_is_the_same_stretch_of_programme(samples) -> None:
    asked: list[tuple[float, float]] = []

    def master(start_s: float, stop_s: float) -> np.ndarray:
        asked.append((start_s, stop_s))
        return samples[:RATE_HZ]

    heard = cut_listening(side_qc("A"), sound_of(samples), Sound(master, RATE_HZ), EXCERPTS)
    assert all(listening.after for listening in heard)
    ratio = 440 / 436
    assert asked[1] == pytest.approx(((58.5 - 9.0) / ratio, (64.5 - 9.0) / ratio))


def test_where_nothing_was_changed_there_is_one_excerpt_only(samples) -> None:
    side = side_qc("A")
    decisions = replace(side.decisions, speed=replace(side.decisions.speed, ratio=1.0))
    assert not sounds_different(decisions)
    assert sounds_different(replace(decisions, channels=replace(decisions.channels, use=ChannelUse.LEFT)))
    heard = cut_listening(replace(side, decisions=decisions), sound_of(samples), sound_of(samples), EXCERPTS)
    assert [listening.after for listening in heard] == [None] * 3


def test_sound_that_does_not_fit_is_left_out_and_told(samples, tmp_path) -> None:
    heard = cut_listening(side_qc("A"), sound_of(samples), None, EXCERPTS)
    page = tape_page(side_page("A", listening=heard))
    from pipeline.report.page import write_report

    small = replace(CRITERIA.page, sound_bytes_most=100_000)
    html = write_report(page, tmp_path / "r.html", small).read_text("utf-8")
    assert 0 < len(Page(html).all("audio")) < 3
    assert "Left out to keep this page small" in Page(html).text
