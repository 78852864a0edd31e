"""What is decided, and the file it is written down in; the truth is the rules of the design, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from decided import COPIES, decided
from hypothesis import given
from hypothesis import strategies as st

from pipeline.channels import Channels, Layout
from pipeline.decisions import (
    By,
    ChannelDecision,
    ChannelUse,
    CutDecision,
    SpeedDecision,
    decide_channels,
    decide_cut,
    decide_equalisation,
    decide_gain,
    newest_decisions,
    read_decisions,
    revised,
    write_decisions,
)
from pipeline.errors import ArchiveError
from pipeline.records import NotMeasured
from pipeline.regions import Region, RegionKind
from pipeline.speed import SpeedSource

UNKNOWN = NotMeasured("not looked at")
LEADER, SILENCE, TONE, PROGRAMME = RegionKind.LEADER, RegionKind.SILENCE, RegionKind.TONE, RegionKind.PROGRAMME


def laid_out(*parts):
    """(kind, seconds) one behind the other."""
    regions, at_s = [], 0.0
    for kind, seconds in parts:
        regions.append(Region(kind, at_s, at_s + seconds))
        at_s += seconds
    return tuple(regions), at_s


# --- the cut: 1 s before, 2 s after, into silence only ---


@pytest.mark.parametrize(
    ("parts", "cut"),
    [
        ([(LEADER, 5), (SILENCE, 4), (PROGRAMME, 60), (SILENCE, 9), (LEADER, 3)], (8.0, 71.0)),
        ([(LEADER, 5), (SILENCE, 0.4), (PROGRAMME, 60), (SILENCE, 0.5)], (5.0, 65.9)),
        ([(LEADER, 5), (PROGRAMME, 60), (LEADER, 3)], (5.0, 65.0)),
        ([(SILENCE, 1), (TONE, 10), (PROGRAMME, 60), (TONE, 10)], (11.0, 71.0)),
        ([(SILENCE, 3), (PROGRAMME, 60), (SILENCE, 30), (PROGRAMME, 10), (SILENCE, 5)], (2.0, 105.0)),
        ([(SILENCE, 3), (PROGRAMME, 9), (TONE, 10), (SILENCE, 2), (PROGRAMME, 9)], (2.0, 33.0)),
        ([(PROGRAMME, 60)], (0.0, 60.0)),
        ([(LEADER, 5), (SILENCE, 20)], (0.0, 25.0)),
        ([(SILENCE, 20)], (0.0, 20.0)),
    ],
)
def test_the_cut_keeps_the_programme_and_a_margin_of_silence(parts, cut):
    regions, duration_s = laid_out(*parts)
    found = decide_cut(regions, duration_s, COPIES)
    assert (found.start_s, found.stop_s) == pytest.approx(cut)
    assert found.by is By.AUTO and found.why


# --- channels ---


def channels(layout, balance_db=0.0, delay_us=0.0, correlation=-0.99):
    return Channels(layout, balance_db, delay_us, correlation, 0.5)


@pytest.mark.parametrize(
    ("found", "captured", "use"),
    [
        (channels(Layout.MONO), 1, ChannelUse.AS_CAPTURED),
        (channels(Layout.STEREO), 2, ChannelUse.AS_CAPTURED),
        (channels(Layout.STEREO, delay_us=300.0), 2, ChannelUse.AS_CAPTURED),
        (channels(Layout.INVERTED, correlation=-0.96), 2, ChannelUse.RIGHT_FLIPPED),
        (channels(Layout.INVERTED, correlation=-0.98), 2, ChannelUse.DIFFERENCE),
        (channels(Layout.INVERTED, correlation=UNKNOWN), 2, ChannelUse.DIFFERENCE),
        (channels(Layout.MONO), 2, ChannelUse.AVERAGE),
        (channels(Layout.MONO, delay_us=-19.9), 2, ChannelUse.AVERAGE),
        (channels(Layout.MONO, delay_us=-20.1, balance_db=-1.0), 2, ChannelUse.LEFT),
        (channels(Layout.MONO, delay_us=20.1, balance_db=1.0), 2, ChannelUse.RIGHT),
        (channels(Layout.INVERTED), 2, ChannelUse.DIFFERENCE),
        (channels(Layout.INVERTED, delay_us=60.0), 2, ChannelUse.LEFT),
        (channels(Layout.LEFT_ONLY), 2, ChannelUse.LEFT),
        (channels(Layout.RIGHT_ONLY, delay_us=90.0), 2, ChannelUse.RIGHT),
        (channels(Layout.MONO, balance_db=UNKNOWN, delay_us=UNKNOWN), 2, ChannelUse.AVERAGE),
    ],
)
def test_copies_are_mono_where_the_capture_is_and_never_a_sum_that_cancels_or_combs(found, captured, use):
    assert decide_channels(found, captured, COPIES).use is use


# --- equalisation and gain ---


@pytest.mark.parametrize(
    ("deck_us", "tape_us", "changes", "words"),
    [
        (120.0, 70.0, True, "replayed with 120 µs, the tape type asks for 70 µs"),
        (70.0, 120.0, True, "replayed with 70 µs"),
        (120.0, 120.0, False, "as the tape asks"),
        (None, 70.0, False, "deck's replay equalisation is not declared"),
        (120.0, None, False, "the tape type is not declared"),
        (None, None, False, "equalisation and the tape type is not declared"),
    ],
)
def test_equalisation_is_changed_only_where_both_are_declared_and_differ(deck_us, tape_us, changes, words):
    found = decide_equalisation(deck_us, tape_us)
    assert found.changes is changes and words in found.why


@pytest.mark.parametrize(
    ("true_peak_dbtp", "boost_db", "master_db"),
    [
        (-0.3, 0.0, 0.0),
        (-0.29, 0.0, -0.02),
        (1.2, 0.0, -1.51),
        (-6.0, 7.7, -2.01),
        (-8.1, 7.7, 0.0),
        (UNKNOWN, 9.0, 0.0),
    ],
)
def test_the_master_is_turned_down_only_as_far_as_correction_could_clip(true_peak_dbtp, boost_db, master_db):
    found = decide_gain(true_peak_dbtp, boost_db, COPIES)
    assert found.master_db == pytest.approx(master_db, abs=0.011)
    if not isinstance(true_peak_dbtp, NotMeasured):
        assert found.master_db + true_peak_dbtp + boost_db <= -0.3 + 1e-9 or not found.master_db
    assert (found.target_lufs, found.ceiling_dbtp) == (-18.0, -1.0)


# --- revisions ---


def by_person(decisions):
    speed = SpeedDecision(1.02, SpeedSource.READING, 431.4, 440.0, By.PERSON, "read by ear")
    cut = CutDecision(2.0, 8.0, By.PERSON, "moved")
    return replace(decisions, speed=speed, cut=cut)


def test_what_a_person_decided_stays_when_everything_else_is_decided_anew():
    automatic = replace(decided(9.0), speed=replace(decided(9.0).speed, by=By.AUTO))
    previous = replace(by_person(automatic), revision=4)
    fresh = replace(
        automatic, channels=ChannelDecision(ChannelUse.LEFT, By.AUTO, "the right channel is dead"), made="later"
    )
    found = revised(previous, fresh)
    assert found.revision == 5 and found.made == "later"
    assert (found.speed, found.cut) == (previous.speed, previous.cut)
    assert found.channels == fresh.channels


def test_a_newer_word_of_a_person_replaces_the_older():
    fresh = by_person(decided(9.0))
    previous = replace(fresh, cut=CutDecision(0.5, 1.0, By.PERSON, "moved before"))
    assert revised(previous, fresh).cut == fresh.cut


def test_nothing_new_is_no_new_revision():
    previous = replace(by_person(decided(9.0)), revision=3, made="earlier", reason="rerun --read 431.4 --true 440")
    automatic = replace(decided(9.0), speed=replace(decided(9.0).speed, by=By.AUTO), made="now", reason="again")
    assert revised(previous, automatic) is previous
    assert revised(None, automatic) is automatic


# --- the file ---

NUMBERS = st.floats(1e-3, 1e6)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@given(ratio=NUMBERS, read_hz=st.none() | NUMBERS, tape_us=st.none() | NUMBERS, why=TEXTS, stop_s=NUMBERS)
def test_decisions_come_back_from_their_file_as_they_were(tmp_path_factory, ratio, read_hz, tape_us, why, stop_s):
    folder = tmp_path_factory.mktemp("d")
    speed = SpeedDecision(ratio, SpeedSource.READING, read_hz, 440.0, By.SHEET, why)
    decisions = replace(decided(stop_s, tape_us=tape_us), speed=speed, reason=why)
    assert read_decisions(write_decisions(decisions, folder)) == decisions


def test_the_file_says_who_decided_what_and_why_in_plain_words(tmp_path):
    path = write_decisions(by_person(decided(9.0)), tmp_path)
    text = path.read_text("utf-8")
    assert path.name == "A-r0001.toml" and text.startswith("# What feltpad does with side A of tape K-017, revision 1.")
    assert "\nread_hz = 431.4\n" in text and '\nby = "person"\nwhy = "read by ear"\n' in text
    assert "null" not in text and "None" not in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("ratio = 1.02", "ratoi = 1.02", r"speed\.ratio: missing.*speed\.ratoi: no such setting"),
        ("ratio = 1.02", 'ratio = "fast"', r"speed\.ratio: .*found 'fast'"),
        ("ratio = 1.02", "ratio = 0.0", r"speed\.ratio: expected a number above 0, found 0"),
        ("ratio = 1.02", "ratio = -1.02", r"speed\.ratio: expected a number above 0"),
        ("ratio = 1.02", "ratio = nan", r"speed\.ratio: expected a number above 0, found nan"),
        ("ratio = 1.02", "ratio = inf", r"speed\.ratio: expected a number above 0"),
        ("read_hz = 431.4", "read_hz = -1", r"speed\.read_hz: expected a number above 0"),
        ("start_s = 2.0", "start_s = 8.5", r"cut\.stop_s: expected more than cut\.start_s.*8\.5 and 8"),
        ("start_s = 2.0", "start_s = -2.0", r"cut\.stop_s: expected more than cut\.start_s"),
        ("stop_s = 8.0", "stop_s = nan", r"cut\.stop_s"),
        ('use = "as-captured"', 'use = "both"', r"channels\.use: .*found 'both'"),
        ('by = "person"', 'by = "me"', r"by: .*found 'me'"),
        ("master_db = 0.0", "master_db = inf", r"gain\.master_db: expected a number"),
        ("[cut]", "[cuts]", r"cut: missing"),
        ('schema = "feltpad.decisions/1"', 'schema = "feltpad.decisions/9"', "schema: expected feltpad.decisions/1"),
        ("ratio = 1.02", "ratio = = 1", "expected a decisions file"),
    ],
)
def test_a_slip_made_by_hand_is_told_with_the_file_and_the_key(tmp_path, old, new, words):
    path = write_decisions(by_person(decided(9.0)), tmp_path)
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(ArchiveError, match=f"(?s){words}") as caught:
        read_decisions(path)
    assert str(caught.value).startswith(f"{path}: ")


@pytest.mark.parametrize("content", [b"", b"speed = 3", b"\xff\xfe", b"[speed]\nread_hz = 1"])
def test_what_is_no_decisions_file_is_told(tmp_path, content):
    (tmp_path / "A-r0001.toml").write_bytes(content)
    with pytest.raises(ArchiveError, match=r"A-r0001\.toml: expected a decisions file"):
        read_decisions(tmp_path / "A-r0001.toml")


def test_the_newest_revision_applies_also_beyond_four_digits(tmp_path):
    assert newest_decisions(tmp_path, "A") is None
    for revision in (1, 2, 9_999, 10_000):
        write_decisions(replace(decided(9.0), revision=revision), tmp_path)
    write_decisions(replace(decided(9.0), side="A2", revision=12_345), tmp_path)
    found = newest_decisions(tmp_path, "A")
    assert found is not None and found.revision == 10_000


@pytest.mark.parametrize("side", ["A[1]", "A?", "*", "[A-Z]"])
def test_a_side_named_like_a_pattern_finds_its_own_file_only(tmp_path, side):
    write_decisions(decided(9.0), tmp_path)
    assert newest_decisions(tmp_path, side) is None
    write_decisions(replace(decided(9.0), side=side, revision=2), tmp_path)
    assert newest_decisions(tmp_path, side).side == side
