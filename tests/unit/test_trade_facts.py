"""Facts of the trade that the package leans on.

Every figure and every direction here is common practice, no source, unless a line says otherwise: nobody has
published it where we could read it. Local rules, the owner's procedure and the valve's own papers come first.
The tests hold the package to them in one place, so that a person who knows better can find and change them.
"""

import numpy as np
import pytest

from steadyhead import hydraulics, units
from steadyhead.alerts.model import EFFORTS, Verdict
from steadyhead.conditions.hunting import RESOLVED_SAMPLES
from steadyhead.config.model import Pilot, Source, Station, Tag, Valve
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.diagnosis.hints import LOW_SIGMA, work_out
from steadyhead.proving_plant import Fault, Instruments, Scenario, StationDesign, commissioned, simulate
from steadyhead.types import CONDITIONS, VALVE_CONDITIONS


@pytest.fixture(scope="module")
def knowledge():
    return load_knowledge()


def station_with_pilot(change_per_turn_kpa):
    return Station(
        name="A",
        time_zone="UTC",
        step_s=60,
        tags={"outlet": Tag(tag="A.OUT", unit="kPa")},
        sources=(Source(path="a.csv"),),
        pilot=Pilot(change_per_turn_kpa=change_per_turn_kpa),
    )


def drift_verdict(departure_kpa):
    return Verdict(
        station="A",
        condition="drift",
        confidence=0.9,
        runners_up=(),
        magnitude={"departure_kpa": departure_kpa},
        evidence=(),
        began_s=0,
        raised_s=0,
        ended_s=None,
        updated_s=0,
        profile_version="1",
        window_s=(0, 0),
        facts={},
    )


# --- figures ---------------------------------------------------------------------------------------------


def test_minimum_differential_is_70_kpa_where_nobody_gave_one():
    # common practice, no source: about 10 psi. By hand: 10 psi is 68.9 kPa
    assert Valve().min_differential_kpa == 70.0
    assert units.find_unit("psi").factor * 10 == pytest.approx(70.0, rel=0.02)


def test_swing_is_resolved_from_four_samples_a_period_on():
    # common practice, no source; two is the theoretical least (Nyquist, Shannon)
    assert RESOLVED_SAMPLES == 4.0


def test_cavitation_hint_asks_for_an_ear_below_a_low_index_only():
    # from memory, no source: about 1.7 of (P1 - Pv)/(P1 - P2). By hand: 800 to 300 kPa has 1.80, 800 to 200
    # has 1.50, so the first station is left in peace and the second is not
    assert hydraulics.cavitation_index(800, 200) < LOW_SIGMA < hydraulics.cavitation_index(800, 300)


# --- which way things go ---------------------------------------------------------------------------------


def test_clockwise_raises_the_set_pressure():
    # By hand: 42 kPa low at 190 kPa a turn is 0.22 turns, about a quarter
    low = work_out(
        "pilot_turn", drift_verdict(-42.0), station_with_pilot(190.0), units.UNIT_SYSTEMS["kpa_lps"]
    )
    high = work_out(
        "pilot_turn", drift_verdict(42.0), station_with_pilot(190.0), units.UNIT_SYSTEMS["kpa_lps"]
    )
    assert "42 kPa low" in low
    assert "a quarter turn clockwise" in low
    assert "42 kPa high" in high
    assert "a quarter turn anticlockwise" in high
    for text in (low, high):
        assert "small steps" in text
        assert "if the outlet does not follow" in text


# Outlet of a regulating station while the part is bad, against the same day with the part as new.
PARTS = [
    ("restriction_blocked", "up"),  # the chamber fills too slowly and drains through the pilot: drifts open
    ("strainer_blocked", "up"),  # acts as a blocked restriction
    ("restriction_blown_out", "down"),  # the chamber fills faster than the pilot drains it
    ("diaphragm_torn", "up"),  # the chamber cannot hold the valve closed
    ("spring_relaxed", "down"),
    ("spring_creep_up", "up"),
    ("pilot_blocked", "down"),  # the chamber cannot drain
    ("inlet_screen_choked", "down"),
]


def outlet_of_a_day(*faults):
    run = simulate(
        Scenario(
            name="trade facts",
            design=commissioned(StationDesign()),
            instruments=Instruments(interval_s=60),
            start_s=0,
            duration_s=86_400,
            faults=faults,
            seed=3,
        )
    )
    return float(np.nanmean(run.readings.outlet_kpa))


@pytest.fixture(scope="module")
def outlet_as_new():
    return outlet_of_a_day()


@pytest.mark.parametrize(("part", "direction"), PARTS)
def test_a_bad_part_moves_the_outlet_the_way_technicians_say(part, direction, outlet_as_new):
    change = outlet_of_a_day(Fault(part, begins_s=0.0, severity=0.9)) - outlet_as_new
    assert abs(change) > 0.01 * outlet_as_new
    assert ("up" if change > 0 else "down") == direction


# Causes that a technician would think of for a condition.
USUAL_CAUSES = [
    (
        "drift",
        {"transmitter_offset", "set_changed_by_hand", "strainer_or_restriction_clogging", "air_in_chamber"},
    ),
    ("creep", {"debris_on_main_seat", "main_seat_worn", "pilot_seat_leak", "bypass_passing", "thermal_rise"}),
    (
        "failure_to_open",
        {"line_valve_part_shut", "restriction_too_large", "opening_needle_shut", "stem_stuck"},
    ),
    ("failure_to_close", {"strainer_or_restriction_blocked", "main_diaphragm_torn", "closing_needle_shut"}),
    ("hunting", {"valve_large_for_flow", "air_in_chamber", "needles_too_open", "controllers_fighting"}),
    ("slow_response", {"needles_too_closed", "strainer_or_restriction_clogging", "air_in_chamber"}),
]


@pytest.mark.parametrize(("condition", "causes"), USUAL_CAUSES)
def test_usual_causes_are_among_those_named(condition, causes, knowledge):
    assert causes <= {cause.key for cause in knowledge.entries[condition].causes}


# --- what is done first, and what can hurt people ---------------------------------------------------------


@pytest.mark.parametrize("condition", CONDITIONS)
def test_what_is_free_comes_before_what_is_cheap_and_last_what_isolates(condition, knowledge):
    ranks = [EFFORTS.index(check.effort) for check in knowledge.entries[condition].checks]
    assert ranks == sorted(ranks)
    assert ranks[0] == 0


@pytest.mark.parametrize("condition", [*VALVE_CONDITIONS, "failure_to_close", "set_changed", "sensor_fault"])
def test_a_gauge_is_read_before_anything_is_touched(condition, knowledge):
    efforts = [check.effort for check in knowledge.entries[condition].checks if "gauge" in check.text]
    assert "free" in efforts


@pytest.mark.parametrize("condition", CONDITIONS)
def test_nothing_is_isolated_without_the_usual_cautions(condition, knowledge):
    for check in knowledge.entries[condition].checks:
        said = " ".join(knowledge.cautions_of(check)).lower()
        if check.effort == "isolates":
            for word in ("licensed", "another feed", "confined space", "lock and tag"):
                assert word in said, check.text
        if check.effort == "cheap":
            for word in ("local codes", "confined space"):
                assert word in said, check.text


def test_water_hammer_and_over_pressure_are_warned_of_where_the_main_valve_may_move(knowledge):
    # the outlet-side cock closes the main valve, the chamber vent opens it, the line valve stops the main
    moving = ("cock first", "outlet-side cock", "vent the chamber", "line valves on both sides")
    found = 0
    for condition in CONDITIONS:
        for check in knowledge.entries[condition].checks:
            if any(words in check.text for words in moving):
                found += 1
                said = " ".join(knowledge.cautions_of(check)).lower()
                assert "pressure wave" in said, check.text
                assert "another feed" in said, check.text
    assert found >= 4


def test_shutting_the_outlet_side_cock_is_said_to_close_the_valve(knowledge):
    # outlet side shut: the chamber fills, the valve closes; inlet side shut: it drains, the valve opens
    said = {
        condition: " ".join(f"{check.text} {check.why}" for check in knowledge.entries[condition].checks)
        for condition in ("failure_to_open", "failure_to_close")
    }
    assert "outlet-side cock shut the chamber fills and the valve closes" in said["failure_to_open"]
    assert "inlet-side cock shut the chamber drains" in said["failure_to_close"]
    assert "the valve goes open" in said["failure_to_close"]


def test_a_starved_inlet_leaves_the_pilot_alone(knowledge):
    texts = [check.text for check in knowledge.entries["inlet_starved"].checks]
    assert any("Leave the pilot" in text for text in texts)
    assert not any("Turn the pilot" in text for text in texts)
