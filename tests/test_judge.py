"""Each finding has a case on either side of its limit, and the verdict is the worst of them.

The limits are those of config/acceptance.toml, written here a second time on purpose: a slip of the pen there shows.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from decided import decided
from pages import finding, side_qc

from pipeline import judge
from pipeline.acceptance import Acceptance
from pipeline.bench_log import BenchChoice
from pipeline.capture import Encoding
from pipeline.channels import Layout
from pipeline.decisions import By, SpeedDecision
from pipeline.deck import BenchEntry
from pipeline.events import GONE, HUM_JUMPED, JUMPED, REPEATED, Event, EventKind
from pipeline.hum import HumLine, HumOrigin
from pipeline.judge import CopyOutcome, judge_bench, judge_side, verdict_of, worst_verdict
from pipeline.method import read_all_settings
from pipeline.octaves import Octaves
from pipeline.qc import Severity, Verdict
from pipeline.records import NotMeasured
from pipeline.regions import Region, RegionKind
from pipeline.sags import Sag
from pipeline.settings import read_settings, shipped
from pipeline.speed import SpeedSource

LIMITS = read_settings(Acceptance, shipped("config") / "acceptance.toml")
UNKNOWN = NotMeasured("not looked at")
INFO, WARN, FAIL = Severity.INFO, Severity.WARN, Severity.FAIL
DURATION_S = 1000.0
GOOD_OUTCOME = CopyOutcome(access_short_db=0.0, clipped_samples=0, programme_lufs=-21.0)


def good():
    """A side with nothing to say about: 16 minutes a side, deck exact, levels right."""
    measurement = side_qc("A", duration_s=DURATION_S).measurement
    tone = replace(measurement.tones[0], measured_hz=440.0)
    return replace(
        measurement,
        tones=(tone,),
        speed=replace(measurement.speed, error_percent=0.0, uncertainty_percent=0.001, drift_percent=0.1),
        channels=replace(measurement.channels, delay_us=2.0),
        hum=(),
    )


def spoilt(**changes):
    """A good side's measurement with fields of its records changed: levels={"true_peak_dbtp": 0.1}."""
    measurement = good()
    for name, fields in changes.items():
        value = replace(getattr(measurement, name), **fields) if isinstance(fields, dict) else fields
        measurement = replace(measurement, **{name: value})
    return measurement


def judged(measurement=None, decisions=None, outcome=GOOD_OUTCOME, minutes=16.0):
    return judge_side(measurement or good(), decisions or decided(DURATION_S), outcome, minutes, LIMITS)


def events(kind, count, depth_db=UNKNOWN):
    """That many, a second apart; the good side holds 850 s of programme."""
    return tuple(Event(kind, 100.0 + n, 100.1 + n, depth_db) for n in range(count))


def ran(error_percent, source=SpeedSource.READING):
    """Decisions for a deck this far off, and its tone with it."""
    ratio = 1 / (1 + error_percent / 100)
    tone = replace(good().tones[0], measured_hz=440.0 / ratio)
    speed = SpeedDecision(ratio, source, None, None, By.PERSON, "read")
    return {"measurement": spoilt(tones=(tone,)), "decisions": replace(decided(DURATION_S), speed=speed)}


def regions(*parts):
    """(kind, start, stop)"""
    return {"measurement": spoilt(regions=tuple(Region(kind, start, stop) for kind, start, stop in parts))}


PROGRAMME, SILENCE, LEADER = RegionKind.PROGRAMME, RegionKind.SILENCE, RegionKind.LEADER
CAPTURE, LEVELS, CHANNELS = "capture", "levels", "channels"


def having(record, **fields):
    return {"measurement": spoilt(**{record: fields})}


def hum(level_dbfs):
    return {
        "measurement": spoilt(hum=(HumLine(50.0, level_dbfs, HumOrigin.DECK), HumLine(150.0, -99.0, HumOrigin.TAPE)))
    }


def copies(**fields):
    return {"outcome": replace(GOOD_OUTCOME, **fields)}


# code → what is just beyond the limit and how severe that is, and what is just within it
CASES = {
    "capture-cut-off": (having(CAPTURE, length_is_wrong=True), WARN, having(CAPTURE, length_is_wrong=False)),
    "capture-rate-low": (having(CAPTURE, sample_rate_hz=44_100), WARN, having(CAPTURE, sample_rate_hz=48_000)),
    "capture-bits-low": (having(CAPTURE, encoding=Encoding.PCM_16), WARN, having(CAPTURE, encoding=Encoding.FLOAT_32)),
    "no-programme": (regions((SILENCE, 0, DURATION_S)), FAIL, regions((PROGRAMME, 10, 11), (SILENCE, 11, DURATION_S))),
    "programme-at-head": (regions((PROGRAMME, 0.24, 900)), WARN, regions((PROGRAMME, 0.26, 900))),
    "programme-at-tail": (regions((PROGRAMME, 9, 999.76)), WARN, regions((PROGRAMME, 9, 999.74))),
    "side-too-long": ({"minutes": 850 / 60 / 1.061}, WARN, {"minutes": 850 / 60 / 1.059}),
    "side-cut-short": (
        regions((LEADER, 0, 30), (PROGRAMME, 30, 900), (LEADER, 900, DURATION_S)),
        WARN,
        regions((LEADER, 0, 30), (PROGRAMME, 30, 898.9), (SILENCE, 898.9, 900), (LEADER, 900, DURATION_S)),
    ),
    "side-not-whole": ({"minutes": 950 / 60 / 0.939}, INFO, {"minutes": 950 / 60 / 0.941}),
    "leader-not-told-apart": (
        having(LEVELS, electronics_floor_dbfs=NotMeasured("no leader stands out")),
        INFO,
        having(LEVELS, electronics_floor_dbfs=-80.0),
    ),
    "speed-unknown": (ran(0.0, SpeedSource.NONE), WARN, ran(0.0, SpeedSource.BENCH)),
    "speed-corrected": (ran(-0.31), INFO, ran(0.29)),
    "speed-off": (ran(-1.51), WARN, ran(1.49)),
    "speed-far-off": (ran(3.01), FAIL, ran(-2.99)),
    "speed-uncertain": (having("speed", uncertainty_percent=0.051), WARN, having("speed", uncertainty_percent=0.049)),
    "speed-drifts": (having("speed", drift_percent=0.51), WARN, having("speed", drift_percent=0.49)),
    "tone-without-nominal": (
        {"measurement": spoilt(tones=(replace(good().tones[0], nominal_hz=UNKNOWN),))},
        WARN,
        {"measurement": spoilt(tones=())},
    ),
    "speed-sources-disagree": (
        {"measurement": spoilt(tones=(replace(good().tones[0], measured_hz=440 * 1.00101),))},
        WARN,
        {"measurement": spoilt(tones=(replace(good().tones[0], measured_hz=440 * 0.99901),))},
    ),
    "flutter-high": (
        having("flutter", weighted_peak_percent=0.201),
        WARN,
        having("flutter", weighted_peak_percent=0.2),
    ),
    "capture-quiet": (having(LEVELS, sample_peak_dbfs=-36.1), WARN, having(LEVELS, sample_peak_dbfs=-35.9)),
    "capture-hot": (having(LEVELS, true_peak_dbtp=-0.9), INFO, having(LEVELS, true_peak_dbtp=-1.1)),
    "dc-wanders": (having(LEVELS, dc_wander_percent=0.51), WARN, having(LEVELS, dc_wander_percent=0.49)),
    "dc-offset": (having(LEVELS, dc_offset_percent=-0.51), WARN, having(LEVELS, dc_offset_percent=-0.49)),
    "channel-dead": (having(CHANNELS, layout=Layout.LEFT_ONLY), WARN, having(CHANNELS, layout=Layout.MONO)),
    "polarity-inverted": (having(CHANNELS, layout=Layout.INVERTED), WARN, having(CHANNELS, layout=Layout.STEREO)),
    "channels-unbalanced": (
        having(CHANNELS, layout=Layout.MONO, balance_db=-2.1),
        WARN,
        having(CHANNELS, layout=Layout.MONO, balance_db=1.9),
    ),
    "azimuth-off": (having(CHANNELS, delay_us=-27.6), WARN, having(CHANNELS, delay_us=27.4)),
    "print-through": (
        having("print_through", level_db=-44.0, lag_s=2.1, first_s=300.0, count=3),
        WARN,
        {"measurement": good()},
    ),
    "transport-sags": ({"measurement": spoilt(sags=(Sag(100.0, 100.6, -4.2),))}, WARN, {}),
    "treble-lost-in-replay": (having("treble", hiss_edge_hz=5999.0), WARN, having("treble", hiss_edge_hz=6001.0)),
    "treble-missing": (having("treble", programme_edge_hz=3999.0), INFO, having("treble", programme_edge_hz=4001.0)),
    "hum": (hum(-60.9), WARN, hum(-61.1)),
    "clip": ({"measurement": spoilt(events=events(EventKind.CLIP, 1))}, WARN, {}),
    "gap": ({"measurement": spoilt(events=events(EventKind.GAP, 1))}, FAIL, {}),
    "dropout": (
        {"measurement": spoilt(events=events(EventKind.DROPOUT, 3, -20.0))},  # 12.7 an hour
        WARN,
        {"measurement": spoilt(events=events(EventKind.CLICK, 1))},
    ),
    "click": ({"measurement": spoilt(events=events(EventKind.CLICK, 15))}, WARN, {}),  # 63.5 an hour
    "access-quiet": (copies(access_short_db=1.01), WARN, copies(access_short_db=0.04)),
    "master-clipped": (copies(clipped_samples=1), WARN, copies(clipped_samples=0)),
    "master-turned-down": (
        {"decisions": decided(DURATION_S, master_db=-0.5)},
        INFO,
        {"decisions": decided(DURATION_S, master_db=0.0)},
    ),
    "equalisation-changed": (
        {"decisions": decided(DURATION_S, deck_us=120.0, tape_us=70.0)},
        INFO,
        {"decisions": decided(DURATION_S, deck_us=120.0, tape_us=120.0)},
    ),
}


def codes(findings):
    return {one.code for one in findings}


def test_a_good_side_has_no_findings():
    assert judged() == ()


@pytest.mark.parametrize("code", CASES)
def test_a_side_just_beyond_a_limit_is_told_and_one_just_within_it_is_not(code):
    beyond, severity, within = CASES[code]
    found = [one for one in judged(**beyond) if one.code == code]
    assert found and {one.severity for one in found} == {severity}
    assert all(one.message for one in found)
    assert code not in codes(judged(**within))


def test_every_finding_that_can_be_made_has_its_case():
    """Read from the source: a judgement added without a case is noticed here."""
    source = "\n".join(path.read_text("utf-8") for path in Path(judge.__file__).parent.glob("judge*.py"))
    made = set(re.findall(r'\bfound\(\s*"([a-z-]+)"', source.replace("_found(", " found(")))
    made -= {"bench-before-service", "bench-old", "side-named-otherwise"}
    assert made | {kind.value for kind in EventKind} == set(CASES)


def test_programme_that_is_cut_off_at_the_tail_is_told_once_with_how_much_is_there():
    found = judged(**regions((LEADER, 0, 100), (PROGRAMME, 100, DURATION_S)), minutes=30.0)
    (only,) = [one for one in found if one.code.startswith(("programme", "side"))]
    assert only.code == "programme-at-tail" and "15.0 of 30 min" in only.message


@pytest.mark.parametrize("minutes", [None, 15.0])
def test_a_side_that_fills_its_tape_or_whose_length_nobody_wrote_is_not_called_short(minutes):
    found = judged(**regions((LEADER, 0, 30), (PROGRAMME, 30, 900), (LEADER, 900, DURATION_S)), minutes=minutes)
    assert not [one for one in found if one.code.startswith("side")]


@pytest.mark.parametrize(
    ("kind", "count", "severity"),
    [
        (EventKind.DROPOUT, 2, INFO),  # 8.5 an hour of the 850 s
        (EventKind.DROPOUT, 3, WARN),
        (EventKind.CLICK, 14, INFO),  # 59.3 an hour
        (EventKind.CLICK, 15, WARN),
        (EventKind.CLIP, 14, WARN),
        (EventKind.CLIP, 15, FAIL),
        (EventKind.GAP, 1, FAIL),
    ],
)
def test_events_weigh_by_how_many_there_are_in_an_hour_of_programme(kind, count, severity):
    found = judged(spoilt(events=events(kind, count)))
    assert len(found) == count and {one.severity for one in found} == {severity}


def test_a_gap_says_what_stands_where_samples_are_missing():
    told = {GONE: "zeros", REPEATED: "earlier ones once more", JUMPED: "tone jumps", UNKNOWN: "zeros"}
    told[HUM_JUMPED] = "hum jumps"
    for stands_there, words in told.items():
        (found,) = judged(spoilt(events=events(EventKind.GAP, 1, stands_there)))
        assert (found.code, found.severity) == ("gap", FAIL) and words in found.message


def test_hours_are_those_of_the_programme_and_not_of_the_leader_around_it():
    short = (Region(SILENCE, 0, 400), Region(PROGRAMME, 400, 500), Region(LEADER, 500, DURATION_S))
    found = judged(spoilt(regions=short, events=events(EventKind.DROPOUT, 1)))  # 36 an hour
    assert [one.severity for one in found if one.code == "dropout"] == [WARN]
    without = judged(spoilt(regions=(Region(SILENCE, 0, DURATION_S),), events=events(EventKind.DROPOUT, 1)))
    assert [one.severity for one in without if one.code == "dropout"] == [INFO]  # 3.6 an hour of the capture


def test_a_finding_says_where_what_and_against_which_limit():
    one = next(one for one in judged(spoilt(tones=(replace(good().tones[0], measured_hz=441.0),))))
    assert (one.code, one.start_s, one.stop_s) == ("speed-sources-disagree", 30.0, 70.0)
    assert one.value == pytest.approx(100 / 440, abs=1e-6) and one.limit == 0.1
    drop = judged(spoilt(events=events(EventKind.DROPOUT, 1, -23.0)))[0]
    assert (drop.start_s, drop.stop_s, drop.value) == (100.0, 100.1, -23.0)


def test_one_reading_that_differs_from_the_tone_names_both_numbers():
    speed = SpeedDecision(440 / 436, SpeedSource.READING, 436.0, 440.0, By.PERSON, "read")
    message = judged(decisions=replace(decided(DURATION_S), speed=speed))
    told = {one.code: one.message for one in message}
    assert "says +0.000 %, the correction used is for -0.909 %" in told["speed-sources-disagree"]
    assert "0.91 % slow" in told["speed-corrected"]


def test_what_was_not_measured_is_no_finding():
    measurement = good()
    blind = spoilt(
        speed={"uncertainty_percent": UNKNOWN, "drift_percent": UNKNOWN},
        flutter={"weighted_peak_percent": UNKNOWN},
        levels={name: UNKNOWN for name in vars(measurement.levels) if name != "electronics_floor_dbfs"},
        channels={"layout": Layout.MONO, "balance_db": UNKNOWN, "delay_us": UNKNOWN, "correlation": UNKNOWN},
        hum=(HumLine(50.0, -20.0, HumOrigin.DECK),),
    )
    assert judged(blind, outcome=replace(GOOD_OUTCOME, programme_lufs=UNKNOWN)) == ()
    assert judged(minutes=None) == ()


def test_findings_come_worst_first_and_then_by_time():
    kinds = (*events(EventKind.CLICK, 2), *events(EventKind.GAP, 2), *events(EventKind.CLIP, 1))
    found = judged(spoilt(events=kinds, levels={"true_peak_dbtp": 0.0}))
    order = [(FAIL, WARN, INFO).index(one.severity) for one in found]
    assert order == sorted(order)
    for severity in Severity:
        starts = [one.start_s or 0.0 for one in found if one.severity is severity]
        assert starts == sorted(starts)


def bench_codes(age_days, older_than_service=False):
    entry = BenchEntry(date(2025, 3, 1), "", None, -0.9, 0.01)
    found = judge_bench(BenchChoice(entry, age_days, older_than_service), LIMITS)
    assert all(one.severity is WARN and "2025-03-01" in one.message for one in found)
    return [one.code for one in found]


@pytest.mark.parametrize(("age_days", "old"), [(0, False), (365, False), (366, True), (-365, False), (-366, True)])
def test_a_bench_result_more_than_a_year_away_from_the_capture_is_told(age_days, old):
    assert bench_codes(age_days) == (["bench-old"] if old else [])


def test_a_bench_result_from_before_a_service_is_told_at_any_age():
    assert bench_codes(10, older_than_service=True) == ["bench-before-service"]
    assert bench_codes(None, older_than_service=True) == ["bench-before-service"]
    assert bench_codes(400, older_than_service=True) == ["bench-before-service", "bench-old"]
    assert bench_codes(None) == []


# --- verdicts ---


@pytest.mark.parametrize(
    ("severities", "verdict"),
    [
        ([], Verdict.PASS),
        ([INFO, INFO], Verdict.PASS),
        ([INFO, WARN], Verdict.WARN),
        ([WARN, FAIL, INFO], Verdict.FAIL),
    ],
)
def test_the_worst_severity_is_the_verdict(severities, verdict):
    assert verdict_of([finding("x", severity) for severity in severities]) is verdict


def test_the_worst_side_is_the_tapes_verdict():
    assert worst_verdict([Verdict.PASS, Verdict.FAIL, Verdict.WARN]) is Verdict.FAIL
    assert worst_verdict([Verdict.PASS, Verdict.WARN]) is Verdict.WARN
    assert worst_verdict([]) is Verdict.PASS


def test_a_low_rate_is_said_to_hide_dropouts_just_where_none_are_looked_for():
    """Two files of numbers say so, for two rooms of the house."""
    rate_hz = LIMITS.capture.dropouts_rate_hz
    lowest_hz = read_all_settings().method.events.dropouts.hiss_lowest_hz
    assert Octaves(rate_hz - 1).centres_hz[0] < lowest_hz <= Octaves(rate_hz).centres_hz[0]
