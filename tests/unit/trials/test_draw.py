"""Drawing: quotas, samplings, what happens when, and how a fault is made as strong as wanted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from steadyhead.proving_plant import EVENTS, FAULTS, Scenario, simulate
from steadyhead.proving_plant.draw import draw_design
from steadyhead.trials.draw import _missed_by as missed_by
from steadyhead.trials.draw import is_sound
from steadyhead.trials.happenings import (
    DRAWS,
    Place,
    begin_h,
    draw_before,
    draw_event,
    draw_ramp_h,
    night_flow_lps,
)
from steadyhead.trials.plan import QUOTAS, slots
from steadyhead.trials.ranges import DEVELOPMENT, SETS
from steadyhead.types import CONDITIONS

TEST_S = 1_741_564_800  # 2025-03-10 00:00 UTC, a Monday
TRAITS = {"healthy", "high_cutoff"}


@pytest.fixture(scope="module")
def place() -> Place:
    design = draw_design(np.random.default_rng(3), neighbour=True)
    return Place(DEVELOPMENT, design, TEST_S, 12, "Europe/Oslo")


def test_slots_are_numbered_and_fill_every_quota():
    made = slots()
    assert [s.number for s in made] == list(range(1, len(made) + 1))
    for quota in QUOTAS:
        assert sum(s.quota is quota for s in made) == quota.count


@pytest.mark.parametrize("shift", [0, 5])
def test_no_slot_is_sampled_more_coarsely_than_its_state_can_be_seen(shift):
    assert all(s.interval_s <= s.quota.longest_s for s in slots(shift))


def test_quotas_name_only_kinds_and_states_that_exist():
    for quota in QUOTAS:
        known = FAULTS if quota.group == "fault" else {**EVENTS, **dict.fromkeys(TRAITS)}
        assert set(quota.kinds) <= set(known)
        assert quota.wanted in (*CONDITIONS, "healthy")
        if quota.group == "fault":
            assert all(quota.wanted in FAULTS[kind].leads_to for kind in quota.kinds)


@pytest.mark.parametrize("kind", sorted(set(DRAWS) - TRAITS))
def test_an_event_lies_inside_the_judged_span(place, kind):
    for seed in range(20):
        (event,) = draw_event(np.random.default_rng(seed), kind, place)
        assert event.kind == kind
        assert 6.0 <= event.from_h < 12 * 24 - 12
        assert event.to_h is None or event.from_h < event.to_h <= 12 * 24 - 12


def test_traits_of_a_station_are_no_events(place):
    for kind in TRAITS:
        assert draw_event(np.random.default_rng(1), kind, place) == ()


def test_most_set_changes_come_in_local_working_hours_of_a_weekday(place):
    inside = 0
    for seed in range(100):
        (event,) = draw_event(np.random.default_rng(seed), "set_readjusted", place)
        day, hour = divmod(event.from_h + 1.0, 24.0)  # Oslo is an hour ahead of UTC in early March
        inside += 8.0 <= hour <= 16.0 and day % 7 < 5
    assert inside >= 75


def test_a_spring_never_jumps_and_ramps_leave_time_to_be_seen():
    ramps = [
        draw_ramp_h(np.random.default_rng(s), DEVELOPMENT, "drift", "spring_relaxed", 200.0)
        for s in range(200)
    ]
    assert min(ramps) >= DEVELOPMENT.ramp_h[0]
    assert max(ramps) <= 164.0
    others = [
        draw_ramp_h(np.random.default_rng(s), DEVELOPMENT, "creep", "seat_worn", 200.0) for s in range(200)
    ]
    assert 0.3 < np.mean(np.array(others) == 0.0) < 0.5


def test_things_begin_early_enough_in_the_judged_span():
    begins = [begin_h(np.random.default_rng(s), 10) for s in range(100)]
    assert min(begins) >= 36.0
    assert max(begins) <= 84.0


def test_some_learning_spans_hold_an_event_that_is_over_before_they_end(place):
    drawn = [draw_before(np.random.default_rng(s), place, 14) for s in range(200)]
    events = [e for events in drawn for e in events]
    assert 10 <= len(events) <= 50
    assert all(-14 * 24 < e.from_h < e.to_h < 0 for e in events)


def test_night_flow_counts_leakage():
    design = draw_design(np.random.default_rng(3))
    dry = replace(design, district=replace(design.district, leakage_lps=0.0))
    assert night_flow_lps(design) - night_flow_lps(dry) == pytest.approx(design.district.leakage_lps)


def _slot(wanted: str, severity: str):
    return next(s for s in slots() if s.quota.wanted == wanted and s.quota.severity == severity)


@pytest.mark.parametrize(
    ("wanted", "severity", "condition", "reached", "expected"),
    [
        ("drift", "mild", "drift", "mild", 0),
        ("drift", "mild", "drift", "clear", 1),
        ("drift", "clear", "drift", "mild", -1),
        ("drift", "mild", "healthy", "none", -1),
        ("drift", "mild", "failure_to_open", "mild", 1),
        ("failure_to_open", "clear", "drift", "mild", -1),
        ("creep", "mild", "failure_to_close", "mild", None),
    ],
)
def test_a_fault_is_weakened_or_strengthened_towards_what_is_wanted(
    wanted, severity, condition, reached, expected
):
    assert missed_by(condition, reached, _slot(wanted, severity)) == expected


def test_a_hunting_station_is_not_sound():
    design = draw_design(np.random.default_rng(4), lively=True)
    sound = simulate(Scenario("sound", design=design, duration_s=86400))
    pilot = replace(design.pilot, opening_needle=design.pilot.opening_needle * 1e3,
                    closing_needle=design.pilot.closing_needle * 1e3)  # fmt: skip
    hunting = simulate(Scenario("hunting", design=replace(design, pilot=pilot), duration_s=86400))
    assert is_sound(sound)
    assert not is_sound(hunting)


def test_the_sets_have_different_ranges():
    first, second = SETS["development"], SETS["evaluation"]
    assert first.design != second.design
    assert first.noise_kpa != second.noise_kpa
    assert not set(first.time_zones) & set(second.time_zones)
