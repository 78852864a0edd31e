"""The review page's server: who may come in, what may be read, and that it writes answers and decisions, no more."""

from __future__ import annotations

import base64
import doctest
import hashlib
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile
from pages import finding
from reviews import FOUND, Browser, make_archive, put_in

import flows.review_changes
import flows.review_sound
import flows.review_tiles
import flows.settle
from flows.cli import build_parser, main
from flows.commands import _wishes
from flows.progress import watched
from flows.review import review_app
from flows.review_box import TWINS_MOST
from flows.review_changes import rerun_arguments
from flows.review_sound import WaveOf
from flows.review_tiles import tile_span
from flows.review_work import Work
from flows.running import GONE_AFTER_S, find_running, noted
from flows.settle import AnswerGiven, answer, qc_now
from pipeline.again import Wishes
from pipeline.archive import Archive
from pipeline.capture import open_capture
from pipeline.decisions import ChannelUse
from pipeline.errors import ArchiveError
from pipeline.finish import read_qc
from pipeline.overview import OverviewCriteria
from pipeline.qc import Severity, Verdict
from pipeline.report.criteria import ReportCriteria
from pipeline.report.summary import BoxSummary, write_index
from pipeline.seal import verify_tape
from pipeline.settings import read_settings, shipped
from pipeline.settling import Said, count_open, read_settled
from pipeline.settling_notes import tapes_with_notes
from pipeline.speed import SpeedSource

PORT = 45_123
TOKEN = "a-token-of-the-test"
OURS = f"http://127.0.0.1:{PORT}"
REPORT: ReportCriteria = read_settings(ReportCriteria, shipped("config") / "report.toml")
OVERVIEW: OverviewCriteria = REPORT.overview


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return make_archive(tmp_path_factory.mktemp("reviewed"))


@pytest.fixture
def root(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "archive", copy_function=shutil.copy2)


class Idle:
    """In place of the background work: remembers what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple] = []

    def make_again(self, tape, arguments):
        self.asked.append(("again", tape, *arguments))

    def seal_soon(self, tape, at_once=False):
        self.asked.append(("seal", tape, at_once))

    def waiting(self):
        return []


def opened(root: Path, work=None) -> Browser:
    """A browser that came in with the token."""
    client = outside(root, work)
    client.get(f"/?token={TOKEN}")
    client.headers["origin"] = OURS
    return client


def outside(root: Path, work=None) -> Browser:
    return Browser(review_app(Archive(root.resolve()), work or Idle(), PORT, TOKEN), f"127.0.0.1:{PORT}")


def digests(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def asked(code: str, at_s: float | None = None, said: str = "accepted", note: str = "", side: str = "A") -> dict:
    return {"answers": [{"side": side, "code": code, "at_s": at_s, "said": said, "note": note}]}


# --- who may come in


@pytest.mark.parametrize(
    "path", ["/", "/?token=wrong", "/?token=", "/tape/R1", "/static/tape.js", "/archive/index.html"]
)
def test_without_the_token_nothing_is_shown(made, path):
    answered = outside(made).get(path)
    assert answered.status_code == 403
    assert "R1" not in answered.text


def test_the_token_gives_a_cookie_no_script_and_no_other_site_can_use(made):
    client = outside(made)
    entered = client.get(f"/?token={TOKEN}")
    assert (entered.status_code, entered.headers["location"]) == (303, "/")
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
    assert TOKEN not in cookie
    assert client.get("/").status_code == 200
    stranger = outside(made)
    stranger.cookies[f"feltpad-review-{PORT}"] = "guessed"
    assert stranger.get("/").status_code == 403


@pytest.mark.parametrize("host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", ""])
def test_a_name_that_only_resolves_to_loopback_is_no_host_of_ours(made, host):
    assert opened(made).get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": f"http://127.0.0.1:{PORT + 1}"},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"origin": OURS, "sec-fetch-site": "cross-site"},
        {"origin": OURS, "sec-fetch-site": "same-site"},
    ],
)
def test_no_other_page_can_ask_for_or_change_anything(root, headers):
    work = Idle()
    client = opened(root, work)
    assert client.post("/tape/R1/settle", asked("gap"), headers=headers).status_code == 403
    assert client.get("/tape/R1", headers=headers).status_code == 403
    assert work.asked == [] and tapes_with_notes(Archive(root)) == ()


def test_a_change_must_say_where_it_comes_from(root):
    client = opened(root)
    del client.headers["origin"]
    assert client.get("/tape/R1").status_code == 200
    assert client.post("/tape/R1/settle", asked("gap")).status_code == 403


def test_every_answer_forbids_foreign_script_frames_and_keeping(made):
    client = opened(made)
    for answered in (
        client.get("/"),
        client.get("/nowhere"),
        outside(made).get("/"),
        client.get("/archive/R1/data/qc/report.html"),
    ):
        policy = answered.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe-eval" not in policy
        assert answered.headers["cache-control"] == "no-store"
        assert answered.headers["x-content-type-options"] == "nosniff"
        assert answered.headers["cross-origin-resource-policy"] == "same-origin"
    assert "script-src" not in client.get("/archive/R1/data/qc/report.html").headers["content-security-policy"]
    assert "script-src 'self';" in client.get("/").headers["content-security-policy"]


def test_the_box_at_a_glance_may_run_its_own_script_and_no_other_page_of_an_archive_any(root):
    """The hash as browsers take it, of what stands between the tags."""
    for place in (root / "index.html", root / "R1" / "index.html"):
        write_index(BoxSummary("b", "Box", "now", (), {}), place, REPORT.summary)
    script = (root / "index.html").read_text(encoding="utf-8").partition("<script>")[2].partition("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = opened(root).get("/archive/index.html").headers["content-security-policy"]
    assert f"; script-src 'sha256-{digest}'" in policy and policy.count("script-src") == 1
    assert "script-src" not in opened(root).get("/archive/R1/index.html").headers["content-security-policy"]


# --- what may be read


@pytest.mark.parametrize(
    "path",
    [
        "../outside.txt",
        "R1/../../outside.txt",
        "%2e%2e/outside.txt",
        "..%2Foutside.txt",
        "R1/%2e%2e/%2e%2e/outside.txt",
        "%2Fetc%2Fpasswd",
        "/etc/passwd",
        ".feltpad/ledger/lock",
        "R1/../.feltpad/ledger/lock",
        "leading-out/outside.txt",
        "leading-out.txt",
        "R1",
        "",
    ],
)
def test_no_path_leads_out_of_the_archive_or_into_its_workings(root, path):
    (root.parent / "outside.txt").write_text("not yours")
    (root / ".feltpad/ledger/lock").touch()
    (root / "leading-out").symlink_to(root.parent)
    (root / "leading-out.txt").symlink_to(root.parent / "outside.txt")
    client = opened(root)
    assert client.get(f"/archive/{path}").status_code == 404


def test_what_is_in_the_bags_can_be_read(made):
    client = opened(made)
    report = client.get("/archive/R1/data/qc/report.html")
    assert report.content == (made / "R1/data/qc/report.html").read_bytes()
    assert client.get("/archive/R1/data/master/R1-A.flac", headers={"range": "bytes=0-3"}).content == b"fLaC"


@pytest.mark.parametrize("name", ["tape.html.j2", "..%2Freview.py", "nothing.js"])
def test_of_our_own_files_only_style_and_scripts_are_served(made, name):
    assert opened(made).get(f"/static/{name}").status_code == 404


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "POST"])
@pytest.mark.parametrize("path", ["/", "/tape/R1", "/archive/index.html", "/static/tape.js", "/state"])
def test_pages_can_only_be_read(made, method, path):
    assert opened(made).request(method, path, {}).status_code == 405


def test_reading_everything_changes_nothing(root):
    before = digests(root)
    client = opened(root)
    side = "/tape/R1/A"
    for path in ("/", "/tape/R1", "/state", "/state?tape=R1", f"{side}/overview", f"{side}/tile/3/2"):
        assert client.get(path).status_code == 200, path
    client.get(f"{side}/before.wav?start=2&stop=3")
    assert digests(root) == before


def told_twins(*pairs: tuple[str, str]) -> str:
    twins = [
        {"tape": b, "side": "A", "like_tape": a, "like_side": "A", "faster_percent": None, "correlation": 1.0}
        for a, b in pairs
    ]
    return json.dumps({"twins": [{**pair, "message": f"<b>{pair['like_tape']}"} for pair in twins]})


def test_sides_captured_twice_are_told_on_the_list_and_on_their_tapes(root):
    client = opened(root)
    pages = ["/", "/tape/R1", "/tape/R2"]
    assert not any("Captured twice" in client.get(page).text for page in pages)
    before = client.get("/state").json()["version"]
    (root / "summary.json").write_text(told_twins(("R1", "R2"), ("R1", "gone")))
    assert client.get("/state").json()["version"] != before
    for page in pages:
        text = client.get(page).text
        assert "Captured twice" in text and text.count("&lt;b&gt;R1") == 1, page  # a tape that is gone has no twin


@pytest.mark.parametrize("told", ["", "{", "[1]", '{"twins": 1}', '{"twins": [{"tape": 1}]}', "[" * 5000])
def test_a_summary_that_cannot_be_read_tells_of_no_twins(root, told):
    (root / "summary.json").write_text(told)
    page = opened(root).get("/")
    assert page.status_code == 200 and "Captured twice" not in page.text


def test_many_sides_captured_twice_do_not_fill_the_list(root):
    (root / "summary.json").write_text(told_twins(*[("R1", "R2")] * (TWINS_MOST + 3)))
    text = opened(root).get("/").text
    assert text.count("&lt;b&gt;R1") == TWINS_MOST and "And 3 more" in text


def test_words_of_the_sheet_are_shown_as_words(made):
    page = opened(made).get("/tape/R1").text
    assert "<script>alert" not in page and "&lt;script&gt;alert(1)&lt;/script&gt; Grüße" in page


@pytest.mark.parametrize("path", ["/tape/R9", "/tape/R1/B/overview", "/tape/R9/A/tile/0/0", "/state?tape=R9"])
def test_a_tape_or_side_that_is_not_there_is_told(made, path):
    assert opened(made).get(path).status_code == 404


def test_a_tape_whose_record_is_damaged_is_listed_with_what_is_wrong(root):
    (root / "R1/data/qc/qc.json").write_text("{")
    page = opened(root).get("/")
    assert page.status_code == 200 and "cannot be used as a QC record" in page.text and "/tape/R2" in page.text


# --- listening and looking


def preserved(root: Path) -> np.ndarray:
    return soundfile.read(root / "R1/data/preservation/R1-A.flac", dtype="float64", always_2d=True)[0]


def test_an_excerpt_is_the_capture_itself_in_sixteen_bits(made, tmp_path):
    sound = opened(made).get("/tape/R1/A/before.wav?start=12&stop=14")
    (tmp_path / "excerpt.wav").write_bytes(sound.content)
    heard, rate_hz = soundfile.read(tmp_path / "excerpt.wav", dtype="float64", always_2d=True)
    expected = preserved(made)[12 * 48_000 : 14 * 48_000]
    assert rate_hz == 48_000 and heard.shape == expected.shape
    inner = slice(480, -480)  # faded over 10 ms at the edges, against clicks
    assert np.abs(heard[inner] - expected[inner]).max() <= 1 / 32768
    assert np.abs(heard[[0, -1]]).max() <= 1 / 32768


def test_ranges_put_together_are_the_whole(made):
    client = opened(made)
    path = "/tape/R1/A/before.wav?start=11.3&stop=12.9"
    whole = client.get(path)
    assert whole.headers["accept-ranges"] == "bytes" and int(whole.headers["content-length"]) == len(whole.content)
    rng = np.random.default_rng(8)
    cuts = [0, *sorted(rng.choice(np.arange(1, len(whole.content)), 12, replace=False).tolist()), len(whole.content)]
    pieces = []
    for start, stop in itertools.pairwise(cuts):
        piece = client.get(path, headers={"range": f"bytes={start}-{stop - 1}"})
        assert piece.status_code == 206
        assert piece.headers["content-range"] == f"bytes {start}-{stop - 1}/{len(whole.content)}"
        pieces.append(piece.content)
    assert b"".join(pieces) == whole.content
    assert client.get(path, headers={"range": "bytes=-100"}).content == whole.content[-100:]


@pytest.mark.parametrize(
    "wanted", ["bytes=99999999-", "bytes=5-4", "bytes=-", "lines=1-2", "bytes=0-1,5-6", "bytes=-0"]
)
def test_a_range_that_is_not_there_is_refused(made, wanted):
    refused = opened(made).get("/tape/R1/A/before.wav?start=1&stop=2", headers={"range": wanted})
    assert refused.status_code == 416 and refused.headers["content-range"].startswith("bytes */")


def test_corrected_sound_is_the_same_moment_sped_up_by_the_ratio(made, tmp_path):
    sound = opened(made).get("/tape/R1/A/after.wav?start=13&stop=15")
    (tmp_path / "after.wav").write_bytes(sound.content)
    heard, rate_hz = soundfile.read(tmp_path / "after.wav", always_2d=True)
    assert len(heard) / rate_hz == pytest.approx(2 * 436 / 440, abs=1e-3)
    master, _ = soundfile.read(made / "R1/data/master/R1-A.flac", always_2d=True)
    decisions = read_qc(Archive(made).sealed("R1")).sides[0].decisions
    start = round((13 - decisions.cut.start_s) / decisions.speed.ratio * rate_hz)
    expected = master[start : start + len(heard)]
    assert np.abs(heard[480:-480] - expected[480:-480]).max() <= 1 / 32768


@pytest.mark.parametrize(
    "query", ["", "start=1", "start=x&stop=2", "start=-1&stop=2", "start=nan&stop=2", "start=1&stop=inf"]
)
def test_a_stretch_must_be_told_in_seconds(made, query):
    assert opened(made).get(f"/tape/R1/A/before.wav?{query}").status_code == 422


def test_past_the_end_there_is_a_file_without_samples(made):
    sound = opened(made).get("/tape/R1/A/before.wav?start=500&stop=600")
    assert sound.status_code == 200 and len(sound.content) == 44


def test_a_long_side_is_never_more_than_a_wave_header_can_say(made):
    source = open_capture(made / "R1/data/preservation/R1-A.flac")
    header = WaveOf(source, 0, source.frames).header()
    assert int.from_bytes(header[4:8], "little") == source.frames * 4 + 36


def unpacked(content: bytes) -> tuple[np.ndarray, np.ndarray, tuple[float, ...]]:
    columns, channels, spectrum_columns, rows = np.frombuffer(content, "<u4", 4).tolist()
    axes = tuple(np.frombuffer(content, "<f8", 4, 16))
    envelope = np.frombuffer(content, "<i2", columns * channels * 2, 48).reshape(columns, channels, 2)
    return envelope, np.frombuffer(content, "u1", -1, 48 + envelope.nbytes).reshape(rows, spectrum_columns), axes


@pytest.mark.parametrize(("level", "index"), [(0, 50), (3, 6), (6, 1), (9, 0)])
def test_a_tile_shows_every_samples_extremes(made, level, index):
    envelope, _, axes = unpacked(opened(made).get(f"/tape/R1/A/tile/{level}/{index}").content)
    samples = preserved(made)
    start_s, stop_s = tile_span(level, index)
    stretch = samples[round(start_s * 48_000) : round(stop_s * 48_000)]
    edges = np.arange(len(envelope) + 1) * len(stretch) // len(envelope)
    for column in range(0, len(envelope), 37):
        piece = stretch[edges[column] : edges[column + 1]]
        assert np.abs(envelope[column, :, 0] / 32767 - piece.min(0)).max() <= 1 / 32767
        assert np.abs(envelope[column, :, 1] / 32767 - piece.max(0)).max() <= 1 / 32767
    assert axes[:2] == pytest.approx((start_s, min(stop_s, len(samples) / 48_000)), abs=1e-4)


@pytest.mark.parametrize("level", [2, 4])
def test_a_tiles_spectrum_shows_the_tone_at_its_frequency(made, level):
    seconds = 0.25 * 2**level
    _, grey, (_, _, lowest_hz, highest_hz) = unpacked(
        opened(made).get(f"/tape/R1/A/tile/{level}/{int(6 / seconds)}").content
    )
    row = len(grey) - 1 - int(np.argmax(grey.mean(1)[::-1]))
    edges = np.geomspace(lowest_hz, highest_hz, len(grey) + 1)[::-1]
    bin_hz = 48_000 / 2 ** round(np.log2(48_000 * min(max(2 * seconds / 512, 0.01), 0.085)))
    assert edges[row + 1] - bin_hz <= 436 <= edges[row] + bin_hz


@pytest.mark.parametrize("place", ["11/0", "0/96", "3/12", "-1/0", "0/99999999999999", "x/0"])
def test_there_is_no_tile_beyond_the_side(made, place):
    assert opened(made).get(f"/tape/R1/A/tile/{place}").status_code == 404


# --- settling


def test_an_answer_is_on_the_disk_at_once_and_the_sealed_tape_untouched(root):
    work = Idle()
    before = digests(root / "R1")
    answered = opened(root, work).post("/tape/R1/settle", asked("gap", 14.5, "refused", "the recorder's own test"))
    assert answered.json() == {"left": 32, "verdict": "warn"}
    assert digests(root / "R1") == before
    (entry,) = read_settled(root / ".feltpad/settling/R1", "R1").finding
    assert (entry.code, entry.start_s, entry.said, entry.note) == ("gap", 14.5, Said.REFUSED, "the recorder's own test")
    assert work.asked == [("seal", "R1", False)]
    page = opened(root).get("/tape/R1").text
    assert "Refused" in page and "the recorder&#39;s own test" in page and "32</b> findings to settle" in page


def test_nobody_signs_over_open_findings(root):
    work = Idle()
    client = opened(root, work)
    refused = client.post("/tape/R1/sign", {"name": "R. Quill"})
    assert refused.status_code == 422 and "side A: 33 open" in refused.text and work.asked == []
    client.post("/tape/R1/settle", asked("all"))
    assert client.post("/tape/R1/sign", {"name": "R. Quill"}).json()["signed"]["name"] == "R. Quill"
    assert work.asked[-1] == ("seal", "R1", True)
    assert 'Signed off by <b dir="auto">R. Quill</b>' in client.get("/tape/R1").text


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"{", 400),
        (b"[" * 90_000, 400),
        (b"x" * 200_000, 413),
        (b"[]", 422),
        (b"{}", 422),
        (b'{"answers": []}', 422),
        (b'{"answers": [{"side": "A", "code": "gap", "said": "maybe"}]}', 422),
        (b'{"answers": [{"side": "A", "code": "gap", "said": "refused"}]}', 422),
        (b'{"answers": [{"side": "A", "code": "gap", "said": "accepted", "at_s": "6"}]}', 422),
        (b'{"answers": [{"side": "A", "code": "gap", "said": "accepted", "at_s": NaN}]}', 422),
        (b'{"answers": [{"side": "A", "code": "gap", "said": "accepted", "at_s": 7.5}]}', 422),
        (b'{"answers": [{"side": "Z", "code": "gap", "said": "accepted"}]}', 422),
        (json.dumps(asked("gap", note="x" * 3000)).encode(), 422),
    ],
)
def test_an_answer_that_makes_no_sense_writes_nothing(root, body, status):
    work = Idle()
    refused = opened(root, work).post("/tape/R1/settle", body)
    assert refused.status_code == status
    assert work.asked == [] and tapes_with_notes(Archive(root)) == ()


def test_a_form_of_another_page_is_no_json(root):
    assert opened(root).post("/tape/R1/settle", b"a=1", {"content-type": "text/plain"}).status_code == 415


def test_one_bad_answer_among_good_ones_leaves_all_unwritten(root):
    both = {"answers": asked("gap")["answers"] + asked("gapp")["answers"]}
    assert opened(root).post("/tape/R1/settle", both).status_code == 422
    assert tapes_with_notes(Archive(root)) == ()


def test_a_tape_of_thousands_of_findings_gives_a_readable_page(root):
    put_in(root, "R1", tuple(finding("click", Severity.WARN, 3 + n / 250) for n in range(4000)))
    began_s = time.monotonic()
    page = opened(root).get("/tape/R1").text
    assert page.count('class="finding open"') == 12 and "3988 more of this kind" in page
    assert "Accept all 4000" in page
    assert time.monotonic() - began_s < 3.0


# --- made again


def test_what_the_page_asks_for_is_a_rerun_as_a_person_would_type_it(root):
    work = Idle()
    wanted = {
        "side": "A",
        "read_hz": 435.5,
        "true_hz": 440,
        "start_s": 2.25,
        "channels": "left",
        "reason": "-- worn; $(x)",
    }
    answered = opened(root, work).post("/tape/R1/rerun", wanted)
    assert answered.json()["again"] is True
    ((_, tape, *arguments),) = work.asked
    parsed = build_parser().parse_args(["rerun", *arguments])
    assert (tape, parsed.tape, parsed.side, parsed.archive) == ("R1", "R1", "A", root.resolve())
    assert _wishes(parsed) == Wishes(
        read_hz=435.5, true_hz=440.0, start_s=2.25, channels=ChannelUse.LEFT, reason="-- worn; $(x)"
    )


@pytest.mark.parametrize("source", ["tone", "bench", "none"])
def test_the_source_of_speed_goes_through_to_the_command(source):
    typed = rerun_arguments("archive", "-odd name", "A", Wishes(source=SpeedSource(source)))
    parsed = build_parser().parse_args(["rerun", *typed])
    assert (_wishes(parsed), parsed.tape) == (Wishes(source=SpeedSource(source)), "-odd name")


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ({"start_s": 99.0}, "does not fit a capture"),
        ({"start_s": "2"}, "expected a number"),
        ({"read_hz": 436.0}, "go together"),
        ({"ratio": 440.0}, "expected a ratio near 1"),
        ({"source": "reading"}, "expected one of tone, bench, none"),
        ({"source": "moon"}, "expected one of"),
        ({"channels": "middle"}, "expected one of"),
        ({}, "nothing is wished"),
        ({"ratio": 1.0, "source": "none"}, "one source of speed"),
    ],
)
def test_a_wish_that_cannot_be_is_told_before_anything_is_begun(root, wanted, told):
    work = Idle()
    refused = opened(root, work).post("/tape/R1/rerun", {"side": "A", **wanted})
    assert refused.status_code == 422 and told in refused.text and work.asked == []


def test_a_wish_that_is_so_already_begins_nothing(root):
    work = Idle()
    cut = read_qc(Archive(root).sealed("R1")).sides[0].decisions.cut
    answered = opened(root, work).post("/tape/R1/rerun", {"side": "A", "start_s": cut.start_s})
    assert answered.json()["again"] is False and work.asked == []


# --- the work in the background


@contextmanager
def working(root: Path, quiet_s: float, seal, rerun=lambda arguments: ""):
    work = Work(Archive(root), quiet_s, rerun, seal)
    try:
        yield work
    finally:
        work.close()


def until(happened, seconds: float = 5.0) -> None:
    end_s = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < end_s, "did not happen"
        time.sleep(0.01)


def test_a_tape_is_sealed_once_after_the_last_answer(tmp_path):
    sealed = []
    with working(tmp_path, 0.15, lambda tape: sealed.append((tape, time.monotonic()))) as work:
        for _ in range(4):
            work.seal_soon("R1")
            time.sleep(0.05)
        last_s = time.monotonic() - 0.05
        until(lambda: sealed)
        time.sleep(0.3)
    assert [tape for tape, _ in sealed] == ["R1"] and sealed[0][1] - last_s >= 0.14


def test_what_is_left_is_sealed_when_the_page_ends_and_when_it_begins_again(root):
    sealed = []
    with working(root, 60.0, sealed.append) as work:
        work.seal_soon("R1")
    assert sealed == ["R1"]
    answer(Archive(root), "R1", [AnswerGiven(Said.ACCEPTED, "gap", None)])
    with working(root, 60.0, sealed.append):
        until(lambda: len(sealed) == 2)
    assert sealed == ["R1", "R1"]


def test_trouble_is_shown_and_sealing_is_tried_again(tmp_path, monkeypatch):
    monkeypatch.setattr("flows.review_work.TRY_AGAIN_S", 0.2)
    tries = []

    def seal(tape):
        tries.append(tape)
        if len(tries) == 1:
            raise ArchiveError("the disk is full")

    with working(tmp_path, 0.0, seal) as work:
        work.seal_soon("R1")
        until(lambda: [entry.trouble for entry in work.waiting()] == ["the disk is full"])
        until(lambda: len(tries) == 2)
        until(lambda: work.waiting() == [])


def test_a_failed_rerun_is_told_and_is_not_tried_again(tmp_path):
    asked_for = []

    def rerun(arguments):
        asked_for.append(tuple(arguments))
        return "feltpad: no such side"

    with working(tmp_path, 60.0, lambda tape: None, rerun) as work:
        work.make_again("R1", ["--tape=R1"])
        until(lambda: [entry.trouble for entry in work.waiting()] == ["feltpad: no such side"])
        time.sleep(0.1)
    assert asked_for == [("--tape=R1",)]


def test_a_run_started_elsewhere_goes_first(tmp_path, monkeypatch):
    monkeypatch.setattr("flows.review_work.LOOK_AGAIN_S", 0.05)
    archive, sealed = Archive(tmp_path), []
    archive.state.mkdir()
    with working(tmp_path, 0.0, sealed.append) as work:
        with watched(1, quiet=True) as watcher, noted(watcher, archive, 1) as noting:
            noting.begin_stage("R1 side A", "master")(0.4)
            work.seal_soon("R1")
            time.sleep(0.3)
            assert sealed == []
        until(lambda: sealed == ["R1"])


def test_a_run_says_what_it_is_doing_and_leaves_nothing_behind(tmp_path):
    archive = Archive(tmp_path)
    archive.state.mkdir()
    with watched(2, quiet=True) as watcher, noted(watcher, archive, 2) as noting:
        assert find_running(archive) is None
        tell = noting.begin_stage("R1 side A", "master")
        time.sleep(0.35)
        tell(0.5)
        running = find_running(archive)
        assert running is not None
        assert [(s.side, s.stage, s.fraction) for s in running.stages] == [("R1 side A", "master", 0.5)]
        noting.end_side("R1 side A", "done")
        assert (find_running(archive).ended, find_running(archive).stages) == (1, ())
    assert find_running(archive) is None and list(archive.state.iterdir()) == []


def test_what_a_killed_run_left_behind_is_no_run(tmp_path):
    archive = Archive(tmp_path)
    archive.state.mkdir()
    place = archive.state / "running.json"
    place.write_text(json.dumps({"process": os.getpid(), "sides": 1, "ended": 0, "stages": []}))
    assert find_running(archive) is not None
    old = time.time() - GONE_AFTER_S - 1
    os.utime(place, (old, old))
    assert find_running(archive) is None
    place.write_text("[1")
    assert find_running(archive) is None


def test_the_page_learns_of_answers_and_seals_by_others(root):
    client = opened(root)
    first, box = client.get("/state?tape=R1").json()["version"], client.get("/state").json()["version"]
    assert client.get("/state?tape=R1").json()["version"] == first
    answer(Archive(root), "R1", [AnswerGiven(Said.ACCEPTED, "gap", None)])
    second = client.get("/state?tape=R1").json()["version"]
    put_in(root, "R1", FOUND)
    third = client.get("/state?tape=R1").json()["version"]
    assert len({first, second, third}) == 3 and client.get("/state").json()["version"] != box
    assert f'data-version="{third}"' in client.get("/tape/R1").text


# --- the command line does the same


@pytest.mark.slow
def test_the_command_line_settles_signs_and_seals(root, capsys):
    typed = ["rerun", str(root), "--tape", "R1", "--engine", "inline", "--quiet"]
    assert main([*typed, "--refuse", "gap@0:14.5", "--note", "level meter"]) == 0
    assert main([*typed, "--accept", "click", "--accept", "dropout@9.3"]) == 0
    assert main([*typed, "--sign", "R. Quill"]) == 2
    assert "side A: 1 open" in capsys.readouterr().err
    assert main([*typed, "--accept", "all", "--sign", "R. Quill"]) == 0
    record = read_qc(Archive(root).sealed("R1"))
    assert (record.verdict, record.signed.name, count_open(record)) == (Verdict.PASS, "R. Quill", 0)
    assert [f.settled.answer for f in record.sides[0].findings if f.code == "gap"] == ["refused"]
    bagit.Bag(str(root / "R1")).validate()
    assert verify_tape(Archive(root), "R1").damages == ()
    assert tapes_with_notes(Archive(root)) == ()
    assert "Signed off by" in (root / "R1/data/qc/report.html").read_text("utf-8")
    assert "none, signed by R. Quill" in (root / "index.html").read_text("utf-8")
    assert main([*typed, "--reopen", "gap"]) == 3
    reopened = read_qc(Archive(root).sealed("R1"))
    assert (reopened.verdict, reopened.signed, count_open(reopened)) == (Verdict.FAIL, None, 1)


@pytest.mark.slow
def test_page_and_command_line_write_the_same(root, tmp_path):
    other = shutil.copytree(root, tmp_path / "other")
    client = opened(root)
    client.post("/tape/R1/settle", asked("gap", 14.5, "refused", "test"))
    client.post("/tape/R1/settle", asked("click"))
    typed = ["rerun", str(other), "--tape", "R1", "--side", "A", "--engine", "inline", "--quiet"]
    main([*typed, "--refuse", "gap@14.5", "--note", "test"])
    main([*typed, "--accept", "click"])
    by_page = [replace(e, on="") for e in read_settled(root / ".feltpad/settling/R1", "R1").finding]
    assert by_page == [replace(e, on="") for e in read_settled(other / "R1/data/decisions", "R1").finding]


@pytest.mark.slow
def test_answers_given_on_the_page_go_into_the_bag_with_whatever_run_comes_next(root):
    answer(Archive(root), "R1", [AnswerGiven(Said.ACCEPTED, "gap", None)])
    assert main(["qc", str(root), "--tape", "R1"]) == 0  # it was a failure before the answer
    assert [f.settled is not None for f in read_qc(Archive(root).sealed("R1")).sides[0].findings][:2] == [True, False]
    assert tapes_with_notes(Archive(root)) == ()


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (["--accept", "gap@"], "expected KIND or KIND@TIME"),
        (["--accept", "gap@noon"], "expected a time"),
        (["--accept", "gaps"], "kinds here: click, dropout, gap"),
        (["--refuse", "gap"], "needs a note"),
        (["--sign", " "], "needs a name"),
    ],
)
def test_a_slip_on_the_command_line_is_told_and_writes_nothing(root, capsys, typed, told):
    before = digests(root / "R1")
    assert main(["rerun", str(root), "--tape", "R1", "--engine", "inline", *typed]) == 2
    assert told in capsys.readouterr().err or typed == ["--sign", " "]
    assert digests(root / "R1") == before and tapes_with_notes(Archive(root)) == ()


# --- as it is started


@pytest.mark.slow
def test_the_command_serves_seals_on_the_way_out_and_ends_well(root):
    code = "import sys; from flows.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "review", str(root), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        address = process.stdout.readline().split()[-1]
        import httpx

        base = address.partition("/?")[0]
        with httpx.Client(base_url=base, follow_redirects=True, headers={"origin": base}) as client:
            assert client.get(address).status_code == 200
            assert client.post("/tape/R1/settle", json=asked("all")).json()["left"] == 0
            assert tapes_with_notes(Archive(root)) == ("R1",)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0, process.stderr.read()
    assert tapes_with_notes(Archive(root)) == ()
    assert read_qc(Archive(root).sealed("R1")).verdict is Verdict.PASS
    bagit.Bag(str(root / "R1")).validate()


@pytest.mark.parametrize("module", [flows.settle, flows.review_sound, flows.review_tiles, flows.review_changes])
def test_the_examples_in_the_code_hold(module):
    outcome = doctest.testmod(module)
    assert outcome.attempted > 0 and outcome.failed == 0


def test_it_listens_on_loopback_only():
    from flows.review import _listening

    with _listening(0) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"
        with pytest.raises(ArchiveError, match="cannot be listened at"), _listening(listening.getsockname()[1]):
            pass


def test_an_empty_archive_is_told(tmp_path, capsys):
    assert main(["review", str(tmp_path), "--no-browser"]) == 2
    assert "holds no sealed tape" in capsys.readouterr().err


def test_many_answers_at_once_from_several_threads_are_all_kept(root):
    archive = Archive(root)
    clicks = [f.start_s for f in FOUND if f.code == "click"]

    def give(places):
        for at_s in places:
            answer(archive, "R1", [AnswerGiven(Said.ACCEPTED, "click", at_s)])

    threads = [threading.Thread(target=give, args=(clicks[n::3],)) for n in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert count_open(qc_now(archive, "R1")) == 3
