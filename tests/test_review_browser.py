"""The review page in a real browser: a tape settled from start to finish by mouse and by keyboard, and how it looks.

Needs Debian's chromium and playwright (``pip install '.[browser]'``); skipped with the reason where either is missing.
Set FELTPAD_SCREENSHOTS to a folder to keep pictures of the pages.
"""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import bagit
import pytest
from reviews import make_archive

from flows import settle
from flows.progress import watched
from flows.running import WRITE_EVERY_S, noted
from pipeline.archive import Archive
from pipeline.finish import read_qc
from pipeline.qc import Verdict
from pipeline.settling import Said, count_open, read_settled

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install '.[browser]'")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine: apt-get install chromium"),
]
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--autoplay-policy=no-user-gesture-required"),
    "--disable-audio-output",  # sounds play to their clock: a machine for tests has no loudspeaker to wait for
)
RUN = [sys.executable, "-c", "import sys; from flows.cli import main; sys.exit(main())"]
PROBE = Path(__file__).parent / "review_probe.js"
WIDTHS, SCHEMES = (1280, 400), ("light", "dark")
PATIENT_MS = 20_000  # an answer on a busy machine
MADE_AGAIN_MS = 90_000  # a rerun with Prefect's server on a busy machine


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return make_archive(tmp_path_factory.mktemp("reviewed"))


@pytest.fixture
def root(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "archive", copy_function=shutil.copy2)


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@contextmanager
def reviewing(root: Path) -> Iterator[str]:
    """``feltpad review`` as a person starts it; its address. Ends it with Ctrl-C and expects it to end well."""
    with subprocess.Popen([*RUN, "review", str(root), "--no-browser"], stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process.stdout.readline().split()[-1]
        finally:
            process.send_signal(signal.SIGINT)
            assert process.wait(60) == 0


@contextmanager
def opened(chromium, address: str, width: int = 1280, scheme: str = "light") -> Iterator[object]:
    """The box's page; in the end nothing may have gone wrong in the console or gone out to a network."""
    context = chromium.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, reduced_motion="reduce"
    )
    context.add_init_script(path=PROBE)
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda request: _is_ours(request.url, address) or wrong.append(f"asked for {request.url}"))
    page.goto(address)
    yield page
    context.close()
    assert wrong == []


def _is_ours(url: str, address: str) -> bool:
    return url.startswith((address.partition("/?")[0] + "/", "data:"))


def left_of(page) -> str:
    return page.locator("header .left").inner_text()


def wait_for_left(page, text: str) -> None:
    sync_api.expect(page.locator("header .left")).to_contain_text(text, timeout=PATIENT_MS)
    sync_api.expect(page.locator(".finding.saving")).to_have_count(0, timeout=PATIENT_MS)


def wait_until(page, expression: str) -> None:
    """The page's own policy forbids what playwright waits with: it runs text as script."""
    for _ in range(300):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never came true: {expression}")


# --- from start to finish


def test_a_tape_is_settled_by_mouse(chromium, root):
    with reviewing(root) as address, opened(chromium, address) as page:
        page.get_by_role("link", name="R1").click()
        wait_for_left(page, "33 findings to settle")
        gap = page.locator(".finding", has_text="samples are missing")

        gap.get_by_role("button", name="Play as captured").click()
        wait_until(page, "probe.reached('before.wav') > 0.2")
        sync_api.expect(page.locator("#playing")).to_contain_text("as captured")
        gap.get_by_role("button", name="Play corrected").click()
        wait_until(page, "document.getElementById('playing').textContent.includes('corrected')")
        wait_until(page, "probe.reached('after.wav') > 0.2")
        page.get_by_role("button", name="Stop").click()
        sync_api.expect(page.locator("#sound")).to_be_hidden()

        gap.get_by_role("button", name="Refuse").click()
        page.locator("#refusal-note").fill("the announcer's pause")
        page.get_by_role("button", name="Refuse", exact=True).click()
        wait_for_left(page, "32 findings")
        sync_api.expect(gap).to_contain_text("the announcer's pause")
        gap.get_by_role("button", name="Take the answer back").click()
        wait_for_left(page, "33 findings")
        gap.get_by_role("button", name="Accept").click()
        wait_for_left(page, "32 findings")
        page.get_by_role("button", name="Accept all 30").click()
        wait_for_left(page, "2 findings")
        sync_api.expect(page.get_by_role("button", name="Sign off")).to_be_disabled()

        start = page.get_by_role("slider", name="Side A is kept from")
        before_s = float(start.get_attribute("aria-valuenow"))
        box = start.bounding_box()
        middle = (box["x"] + box["width"] / 2, box["y"] + 60)
        page.mouse.move(*middle)
        page.mouse.down()
        page.mouse.move(middle[0] - 40, middle[1], steps=5)
        page.mouse.up()
        moved_s = float(start.get_attribute("aria-valuenow"))
        stage = page.locator(".stage").bounding_box()
        assert moved_s - before_s == pytest.approx(-40 / stage["width"] * 24, abs=0.05)
        assert float(page.get_by_label("from", exact=True).input_value()) == moved_s

        page.get_by_role("radio", name="as it was captured").check()
        page.get_by_label("Why", exact=True).fill("by ear")
        page.get_by_role("button", name="Make side A again").click()
        sync_api.expect(page.locator("form.decide .note")).to_contain_text("Revision 2", timeout=MADE_AGAIN_MS)
        decided = read_qc(Archive(root).sealed("R1")).sides[0].decisions
        assert (decided.cut.start_s, decided.speed.source, decided.reason) == (moved_s, "none", "by ear")
        assert (decided.speed.by, decided.cut.by) == ("person", "person")

        while page.locator(".finding.open").count():  # the side was judged anew: what is found now is real
            still_open = page.locator(".finding.open").count()
            page.locator(".finding.open").first.get_by_role("button", name="Accept").click()
            sync_api.expect(page.locator(".finding.open")).to_have_count(still_open - 1, timeout=PATIENT_MS)
        wait_for_left(page, "Nothing open")
        page.get_by_label("Name").fill("R. Quill")
        page.get_by_role("button", name="Sign off").click()
        wait_for_left(page, "Signed off by R. Quill")
        page.get_by_role("link", name="Box", exact=True).click()
        sync_api.expect(page.locator(".tape", has_text="R1")).to_contain_text("signed: R. Quill")
    assert_signed(root, "R1")


def test_a_tape_is_settled_by_keyboard_alone(chromium, root):
    with reviewing(root) as address, opened(chromium, address) as page:
        press = page.keyboard.press
        press("j")
        press("Enter")
        wait_for_left(page, "33 findings to settle")
        wait_until(page, "document.querySelector('.finding[aria-current]')")

        press("?")
        sync_api.expect(page.get_by_role("dialog", name="Keys")).to_be_visible()
        press("Escape")
        press("Space")
        wait_until(page, "document.getElementById('audio').currentTime > 0.2")
        press("Space")
        assert page.evaluate("document.getElementById('audio').paused")
        press("c")
        wait_until(page, "document.getElementById('playing').textContent.includes('corrected')")
        press("Escape")

        press("a")  # the gap, the only failure, stands first
        wait_for_left(page, "32 findings")
        press("k")
        press("u")
        wait_for_left(page, "33 findings")
        press("r")
        page.keyboard.type("judged by ear")
        press("Enter")
        wait_for_left(page, "32 findings")
        current = page.locator(".finding[aria-current]")
        sync_api.expect(current).to_contain_text("a click")
        press("A")
        wait_for_left(page, "2 findings")
        for left in ("1 finding ", "Nothing open"):
            press("o")
            press("a")
            wait_for_left(page, left)

        press("w")
        page.locator("body").evaluate("() => document.querySelector('.handle.stop').focus()")
        for _ in range(5):
            press("ArrowLeft")
        press("Shift+ArrowLeft")
        stop = page.get_by_role("slider", name="Side A is kept to")
        kept_s = read_qc(Archive(root).sealed("R1")).sides[0].decisions.cut.stop_s
        assert float(stop.get_attribute("aria-valuenow")) == pytest.approx(kept_s - 1.5, abs=2e-3)
        press("m")
        sync_api.expect(page.locator("form.decide .note")).to_contain_text("Revision 2", timeout=MADE_AGAIN_MS)
        assert read_qc(Archive(root).sealed("R1")).sides[0].decisions.cut.stop_s == pytest.approx(
            kept_s - 1.5, abs=2e-3
        )

        for _ in range(40):
            if "Nothing open" in left_of(page):
                break
            press("o")
            press("A")
            sync_api.expect(page.locator(".finding.saving")).to_have_count(0)
        press("s")
        page.keyboard.type("R. Quill")
        press("Enter")
        wait_for_left(page, "Signed off by R. Quill")
        press("b")
        sync_api.expect(page.locator(".tape", has_text="R1")).to_contain_text("signed: R. Quill")
    assert_signed(root, "R1")
    refused = [entry for entry in read_settled(root / "R1/data/decisions", "R1").finding if entry.said == "refused"]
    assert [entry.note for entry in refused] == ["judged by ear"]


def assert_signed(root: Path, tape: str) -> None:
    record = read_qc(Archive(root).sealed(tape))
    assert record.signed is not None and record.signed.name == "R. Quill"
    assert (record.verdict, count_open(record), record.sides[0].revision) == (Verdict.PASS, 0, 2)
    bagit.Bag(str(root / tape)).validate()


def test_keys_do_nothing_while_somebody_types_and_can_be_switched_off(chromium, root):
    with reviewing(root) as address, opened(chromium, address) as page:
        page.goto(page.url + "tape/R1")
        page.get_by_label("Why", exact=True).click()
        page.keyboard.type("a jaw?")
        assert page.get_by_label("Why", exact=True).input_value() == "a jaw?"
        page.keyboard.press("Escape")
        page.keyboard.press("?")
        page.get_by_label("Single keys work on this page").uncheck()
        page.keyboard.press("Escape")
        page.locator(".finding").first.focus()
        page.keyboard.press("a")
        page.wait_for_timeout(300)
        assert "33 findings" in left_of(page)


def test_the_page_follows_a_rerun_started_beside_it(chromium, root):
    with reviewing(root) as address, opened(chromium, address) as page:
        page.goto(page.url + "tape/R1")
        page.evaluate("window.notReloaded = true")
        archive = Archive(root)
        with watched(1, quiet=True) as watcher, noted(watcher, archive, 1) as noting:  # as every run notes it
            tell = noting.begin_stage("R1 side A", "master")
            time.sleep(WRITE_EVERY_S)
            tell(0.4)
            sync_api.expect(page.locator("#work")).to_have_text("R1 side A: master")
            wait_until(page, "document.getElementById('progress').value === 0.4")
        sync_api.expect(page.locator("#work")).to_have_text("")
        sync_api.expect(page.locator("#progress")).to_be_hidden()
        beside = [*RUN, "rerun", str(root), "--tape", "R1", "--ratio", "1.01", "--quiet"]
        assert subprocess.run(beside, stdout=subprocess.DEVNULL, check=False).returncode in (0, 3)
        sync_api.expect(page.locator("form.decide .note")).to_contain_text("Revision 2", timeout=10_000)
        sync_api.expect(page.locator("form.decide fieldset").first).to_contain_text("ratio 1.010000")
        assert page.evaluate("window.notReloaded")


@pytest.mark.parametrize("name", ["Box", "Sign it off"])
def test_a_click_is_not_lost_while_the_page_is_drawn_anew(chromium, root, name):
    """The button goes down, an answer is given elsewhere and the page could be drawn anew, and then it comes up."""
    settle.answer(Archive(root), "R1", [settle.AnswerGiven(Said.ACCEPTED, "all", None)])
    with reviewing(root) as address, opened(chromium, address) as page:
        page.goto(page.url + "tape/R1")
        box = page.get_by_role("link", name=name, exact=True).bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        version = page.evaluate("document.body.dataset.version")
        page.mouse.down()
        settle.answer(Archive(root), "R1", [settle.AnswerGiven(Said.OPEN, "gap", None)])
        page.wait_for_timeout(2500)  # it asks every second
        assert page.evaluate("document.body.dataset.version") == version
        page.mouse.up()
        if name == "Box":
            page.locator(".tape").first.wait_for(timeout=PATIENT_MS)
        else:
            wait_until(page, "location.hash === '#sign'")
            wait_for_left(page, "1 finding to settle")


def test_coming_closer_shows_finer_tiles(chromium, root):
    with reviewing(root) as address, opened(chromium, address) as page:
        page.goto(page.url + "tape/R1")
        with page.expect_response(lambda answer: "/tile/" in answer.url and answer.ok):
            page.locator(".finding", has_text="samples are missing").get_by_role("button", name="Show").click()
        page.wait_for_timeout(300)
        near = page.locator(".stage").screenshot()
        page.get_by_role("button", name="Whole side", exact=True).click()
        page.wait_for_timeout(300)
        assert page.locator(".stage").screenshot() != near


# --- how it looks, and to whom

PAGES = ("", "tape/R1", "tape/R2")


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_pages_fit_read_well_and_name_everything(chromium, made, width, scheme):
    with reviewing(made) as address, opened(chromium, address, width, scheme) as page:
        base = page.url
        for path in PAGES:
            page.goto(base + path)
            page.wait_for_timeout(600)
            _keep_picture(page, f"review-{path.replace('/', '-') or 'box'}-{scheme}-{width}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{path} scrolls sideways"
            assert page.evaluate("probe.nameless()") == [], path
            assert page.evaluate("probe.faint()") == [], path
            assert page.evaluate("probe.misbuilt()") == [], path
            assert page.evaluate("probe.tooSmall()") == [], path
            assert nameless_in_the_accessibility_tree(page) == [], path
        page.keyboard.press("?")
        assert page.evaluate("probe.faint()") == []
        page.keyboard.press("Escape")
        page.goto(base + "tape/R1")
        page.keyboard.press("r")
        assert page.evaluate("probe.nameless()") == [] and page.evaluate("probe.faint()") == []
        _keep_picture(page, f"review-refusal-{scheme}-{width}")


def _keep_picture(page, name: str) -> None:
    folder = os.environ.get("FELTPAD_SCREENSHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


def nameless_in_the_accessibility_tree(page) -> list[str]:
    """What chromium itself would tell a screen reader without a name."""
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    wanted = {
        "button",
        "link",
        "slider",
        "textbox",
        "spinbutton",
        "radio",
        "checkbox",
        "combobox",
        "dialog",
        "group",
        "image",
    }
    return [
        str(node.get("nodeId"))
        for node in nodes
        if not node.get("ignored")
        and node.get("role", {}).get("value") in wanted
        and not node.get("name", {}).get("value", "").strip()
    ]


def test_the_tab_key_reaches_everything_in_order_and_focus_is_seen(chromium, made):
    with reviewing(made) as address, opened(chromium, address) as page:
        page.goto(page.url + "tape/R2")
        page.locator("body").evaluate("() => document.activeElement.blur()")
        reached = []
        for _ in range(300):  # as many as the page has; what is found on the side decides
            page.keyboard.press("Tab")
            at = page.evaluate("probe.focused()")
            if at is None:
                break
            reached.append(at)
        assert all(entry["seen"] for entry in reached), [entry for entry in reached if not entry["seen"]]
        names = " ".join(entry["name"] for entry in reached)
        for wanted in (
            "Skip",
            "Box",
            "Waveform",
            "kept from",
            "kept to",
            "Whole side",
            "Make side A again",
            "Name",  # of the sign-off, whose button cannot be reached while findings are open
        ):
            assert wanted in names
        assert ("Sign off" in names) == page.get_by_role("button", name="Sign off").is_enabled()
        places = [entry["top"] for entry in reached if entry["static"]]
        assert all(after >= before - 8 for before, after in itertools.pairwise(places)), places  # one line is one place
