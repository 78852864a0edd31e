"""Rates of rotating parts from geometry done by hand, and names for the components of simulated decks."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from transport import Deck, Fault, Transport

from pipeline.deviation import Deviation
from pipeline.flutter import FlutterComponent, FlutterCriteria, Passes, measure_flutter
from pipeline.part_names import COMMON_PRACTICE, NO_PART, name_parts
from pipeline.parts import PartCriteria, PartKind, RotatingPart, part_rates
from pipeline.records import NotMeasured
from pipeline.settings import settings_from, shipped

METHOD = tomllib.loads((shipped("config") / "method.toml").read_text(encoding="utf-8"))
CRITERIA = settings_from(PartCriteria, METHOD["parts"], "method.toml")
FLUTTER = settings_from(FlutterCriteria, METHOD["flutter"], "method.toml")
DECK = Deck()
PARTS = (
    RotatingPart("capstan", PartKind.CAPSTAN, diameter_mm=DECK.capstan_mm, uncertainty_mm=0.02),
    RotatingPart("pinch roller", PartKind.PINCH_ROLLER, diameter_mm=DECK.pinch_roller_mm),
    RotatingPart("flywheel", PartKind.FLYWHEEL, diameter_mm=DECK.flywheel_mm),
    RotatingPart("motor pulley", PartKind.MOTOR_PULLEY, diameter_mm=DECK.motor_pulley_mm, driven_by="main belt"),
    RotatingPart("main belt", PartKind.BELT, length_mm=DECK.belt_mm),
)


def component(hz, peak_percent=0.1, slide_hz=0.0):
    unknown = NotMeasured("not yet")
    return FlutterComponent(hz, peak_percent, unknown, unknown, 0.001, 0.002, slide_hz)


def named(*components, parts=PARTS, error_percent=0.0):
    return name_parts(components, part_rates(parts, error_percent, CRITERIA), CRITERIA)


def rate_of(name, parts=PARTS, error_percent=0.0):
    (rate,) = (rate for rate in part_rates(parts, error_percent, CRITERIA) if rate.part.name == name)
    return rate


# --- rates ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("error_percent", [-3.0, 0.0, 1.2])
def test_rates_follow_the_measured_tape_speed(error_percent):
    for name, hz in DECK.rates_hz(error_percent).items():
        rate = rate_of(name, error_percent=error_percent)
        assert rate.hz == pytest.approx(hz), name
        assert rate.low_hz < hz < rate.high_hz


def test_a_flywheel_turns_with_its_capstan():
    assert rate_of("flywheel").hz == rate_of("capstan").hz == pytest.approx(7.58, abs=0.005)


def test_a_band_covers_what_the_diameter_leaves_open_and_little_more():
    capstan = rate_of("capstan")
    # 1.98 to 2.02 mm, and a tape of 18 µm between none and wholly counted in
    assert (capstan.low_hz, capstan.high_hz) == pytest.approx((47.625 / np.pi / 2.038, 47.625 / np.pi / 1.98))


def test_a_belt_between_two_pulleys_counts_with_its_thickness():
    pulley = rate_of("motor pulley")
    capstan_hz = DECK.rates_hz()["capstan"]
    for belt_mm in (0.0, 0.6, 1.0):
        hz = capstan_hz * (DECK.flywheel_mm + belt_mm) / (DECK.motor_pulley_mm + belt_mm)
        assert pulley.low_hz < hz < pulley.high_hz


@pytest.mark.parametrize("wound_m", [0.0, 20.0, 60.0, 85.7])
def test_the_reels_band_holds_from_empty_hub_to_full_pack_without_being_on_file(wound_m):
    for name in ("supply reel", "take-up reel"):
        reel = rate_of(name, parts=())
        assert reel.low_hz <= DECK.take_up_reel_hz(1000 * wound_m)
        assert reel.high_hz >= DECK.take_up_reel_hz(1000 * wound_m)
        assert (reel.low_hz, reel.high_hz) == pytest.approx((0.301, 0.722), abs=0.002)


def test_a_part_whose_rate_does_not_follow_is_left_out():
    lonely = (
        RotatingPart("belt", PartKind.BELT, length_mm=200.0),
        RotatingPart("a", PartKind.IDLER, diameter_mm=20.0, driven_by="b"),
        RotatingPart("b", PartKind.IDLER, diameter_mm=30.0, driven_by="a"),
        RotatingPart("c", PartKind.IDLER, diameter_mm=30.0, driven_by="c"),
        RotatingPart("capstan", PartKind.CAPSTAN),
    )
    assert {rate.part.name for rate in part_rates(lonely, 0.0, CRITERIA)} == {"supply reel", "take-up reel"}


def test_a_flywheel_said_to_be_driven_by_the_motor_still_turns_with_the_capstan():
    parts = (
        *PARTS[:2],
        RotatingPart("flywheel", PartKind.FLYWHEEL, diameter_mm=62.0, driven_by="motor pulley"),
        *PARTS[3:],
    )
    assert rate_of("flywheel", parts).hz == rate_of("capstan").hz
    assert rate_of("motor pulley", parts).hz == pytest.approx(DECK.rates_hz()["motor pulley"])


def test_two_capstans_each_carry_their_flywheel():
    parts = (
        RotatingPart("left capstan", PartKind.CAPSTAN, diameter_mm=2.0),
        RotatingPart("right capstan", PartKind.CAPSTAN, diameter_mm=2.3),
        RotatingPart("left flywheel", PartKind.FLYWHEEL, diameter_mm=60.0, driven_by="left capstan"),
        RotatingPart("right flywheel", PartKind.FLYWHEEL, diameter_mm=60.0, driven_by="right capstan"),
        RotatingPart("belt", PartKind.BELT, length_mm=300.0, driven_by="right flywheel"),
    )
    assert rate_of("left flywheel", parts).hz == rate_of("left capstan", parts).hz
    assert rate_of("belt", parts).hz == pytest.approx(47.625 * 60 / 2.3 / 300)


# --- names ------------------------------------------------------------------------------------------------------------


def test_each_part_is_named_with_what_usually_causes_it():
    roller, belt, motor = named(component(1.52), component(DECK.rates_hz()["main belt"]), component(52.2))
    assert (roller.part, belt.part, motor.part) == ("pinch roller", "main belt", "motor pulley")
    assert "flat spot" in roller.hint
    assert "joint" in belt.hint
    assert all(each.hint.endswith(COMMON_PRACTICE) for each in (roller, belt, motor))


def test_parts_that_turn_alike_are_both_named():
    (line,) = named(component(7.58))
    assert line.part == "capstan or flywheel"


@pytest.mark.parametrize("hz", [0.95, 4.2, 11.0, 33.3, 80.0])
def test_a_rate_of_no_part_is_told_so(hz):
    (line,) = named(component(hz))
    assert line.part == NotMeasured(NO_PART)
    assert isinstance(line.hint, NotMeasured)


def test_the_wrong_speed_would_name_no_part():
    hz = DECK.rates_hz(-8.0)["capstan"]
    assert named(component(hz))[0].part == NotMeasured(NO_PART)
    assert named(component(hz), error_percent=-8.0)[0].part == "capstan or flywheel"


@pytest.mark.parametrize(("slide_hz", "name"), [(0.05, "supply reel"), (-0.05, "take-up reel")])
def test_the_way_it_slides_tells_the_reels_apart(slide_hz, name):
    assert named(component(0.5, slide_hz=slide_hz))[0].part == name
    assert named(component(0.5))[0].part == "supply reel or take-up reel"


def test_harmonics_of_a_part_that_is_seen():
    _, second, fourth, off = named(component(1.52), component(3.04), component(6.08), component(4.60))
    assert second.part == "pinch roller, 2nd harmonic"
    assert fourth.part == "pinch roller, 4th harmonic"
    assert "several harmonics" in second.hint
    assert off.part == NotMeasured(NO_PART)


def test_a_belts_joint_is_named_up_to_its_tenth_harmonic_and_never_by_chance():
    belt = DECK.rates_hz()["main belt"]
    lines = named(*(component(order * belt) for order in range(1, 12)))
    assert lines[4].part == "main belt, 5th harmonic"
    assert "main belt, 10th harmonic" in lines[9].part
    assert lines[10].part == NotMeasured(NO_PART)
    unsure = replace(component(0.5), hz_uncertainty=0.004)
    assert named(unsure, component(2.0))[1].part == NotMeasured(NO_PART)  # the next multiple would do nearly as well


def test_an_oval_part_shows_its_second_harmonic_alone():
    (line,) = named(component(2 * 1.52))
    assert line.part == "pinch roller, 2nd harmonic"
    assert "oval" in line.hint


def test_a_beat_of_two_parts_that_are_seen():
    *_, below, above = named(component(7.58), component(1.52), component(7.58 - 1.52), component(7.58 + 1.52))
    assert "beat of capstan and pinch roller" in below.part
    assert "beat of capstan and pinch roller" in above.part


def test_names_come_in_the_components_order_and_change_nothing_else():
    before = (component(52.2), component(0.95, 0.3), component(1.5, 0.2))
    after = named(*before)
    assert [(line.hz, line.peak_percent) for line in after] == [(line.hz, line.peak_percent) for line in before]
    assert named() == ()


@pytest.mark.parametrize("seed", range(6))
def test_the_faulty_parts_of_a_simulated_deck_are_recovered(seed):
    rng = np.random.default_rng(seed)
    deck = Deck(
        capstan_mm=rng.uniform(1.5, 3.0),
        pinch_roller_mm=rng.uniform(8.0, 13.0),
        flywheel_mm=rng.uniform(50.0, 75.0),
        motor_pulley_mm=rng.uniform(6.0, 12.0),
        belt_mm=rng.uniform(180.0, 320.0),
    )
    error_percent = rng.uniform(-4.0, 4.0)
    rates_hz = deck.rates_hz(error_percent)
    faults = tuple(Fault(hz, rng.uniform(0.06, 0.3), phase_rad=rng.uniform(0, 6)) for hz in rates_hz.values())
    percent, _ = Transport(faults=faults, drift_percent=0.2).baseband(60.0, 650.0, 3150.0, 40.0, rng)
    flutter = measure_flutter(Deviation(percent, 650.0, 3150.0, 200.0, NotMeasured("")), Passes.DECK, FLUTTER)
    parts = (  # as measured with a caliper
        RotatingPart("capstan", PartKind.CAPSTAN, diameter_mm=round(deck.capstan_mm, 2)),
        RotatingPart("pinch roller", PartKind.PINCH_ROLLER, diameter_mm=round(deck.pinch_roller_mm, 1)),
        RotatingPart("flywheel", PartKind.FLYWHEEL, diameter_mm=round(deck.flywheel_mm, 1)),
        RotatingPart("motor pulley", PartKind.MOTOR_PULLEY, diameter_mm=round(deck.motor_pulley_mm, 1)),
        RotatingPart("main belt", PartKind.BELT, length_mm=round(deck.belt_mm)),
    )
    lines = name_parts(flutter.components, part_rates(parts, error_percent, CRITERIA), CRITERIA)
    for name, hz in rates_hz.items():
        near = min(lines, key=lambda line: abs(line.hz - hz))
        assert near.hz == pytest.approx(hz, abs=0.01)
        assert name in near.part
