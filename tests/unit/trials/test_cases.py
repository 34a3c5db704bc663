"""The two stored sets: what they hold and that they share nothing."""

from __future__ import annotations

import json
from collections import Counter
from itertools import combinations

import pytest

from steadyhead.errors import PlantError
from steadyhead.proving_plant import EVENTS, FAULTS, StationDesign, commissioned
from steadyhead.trials.cases import (
    Case,
    case_of,
    known_of,
    load_cases,
    row_of,
    scenario_of,
    station_of,
    station_row,
)
from steadyhead.trials.ranges import SETS
from steadyhead.types import CONDITIONS


@pytest.fixture(scope="module")
def sets() -> dict[str, list[Case]]:
    return {name: load_cases(name) for name in SETS}


def test_the_sets_share_no_id_no_seed_and_no_station(sets):
    for one, other in combinations(sets, 2):
        for of in (lambda c: c.id, lambda c: c.seed, lambda c: json.dumps(c.station)):
            assert not {of(c) for c in sets[one]} & {of(c) for c in sets[other]}
        assert SETS[one].seed != SETS[other].seed


def test_the_sets_start_in_different_years_and_places(sets):
    evaluation = sets["evaluation"]
    seen = {name: cases for name, cases in sets.items() if name != "evaluation"}
    assert max(c.end_s for of in seen.values() for c in of) < min(c.start_s for c in evaluation) + 366 * 86400
    zones = {c.time_zone for c in evaluation}
    for name, of in seen.items():  # after so many sets single zones come again, but no set's zones as a whole
        assert len({c.time_zone for c in of} & zones) <= 1, name


@pytest.mark.parametrize("name", list(SETS))
def test_ids_and_seeds_are_unique_within_a_set(sets, name):
    for of in (lambda c: c.id, lambda c: c.seed):
        assert max(Counter(of(c) for c in sets[name]).values()) == 1


@pytest.mark.parametrize("name", list(SETS))
def test_a_third_is_healthy_and_a_quarter_look_alikes(sets, name):
    cases = sets[name]
    share = {g: n / len(cases) for g, n in Counter(c.group for c in cases).items()}
    assert len(cases) >= 200
    assert share["healthy"] == pytest.approx(1 / 3, abs=0.03)
    assert share["lookalike"] == pytest.approx(1 / 4, abs=0.03)


@pytest.mark.parametrize("name", list(SETS))
def test_the_four_conditions_come_clear_and_mild_in_numbers_that_resolve_the_targets(sets, name):
    count = Counter((c.wanted, c.severity) for c in sets[name] if c.group == "fault")
    for condition in ("drift", "creep", "failure_to_open", "hunting"):
        assert count[condition, "clear"] >= 10
        assert count[condition, "mild"] >= 8


@pytest.mark.parametrize("name", list(SETS))
def test_every_named_state_and_every_sampling_interval_occurs(sets, name):
    assert {c.wanted for c in sets[name]} >= set(CONDITIONS) | {"healthy"}
    count = Counter(c.interval_s for c in sets[name])
    assert set(count) == {1, 5, 15, 30, 60, 300, 900}
    assert min(count.values()) >= 10


@pytest.mark.parametrize("name", list(SETS))
def test_healthy_time_is_at_least_three_station_years(sets, name):
    days = sum(c.test_days for c in sets[name] if c.group == "healthy")
    assert days / 365.25 >= 3.0


@pytest.mark.parametrize("name", list(SETS))
def test_every_case_becomes_a_scenario_that_begins_after_learning(sets, name):
    for case in sets[name]:
        scenario = scenario_of(case)
        assert scenario.duration_s == (case.learn_days + case.test_days) * 86400
        assert case.begins_s > case.test_s
        assert case.ends_s <= case.end_s
        assert all(f.kind in FAULTS for f in scenario.faults)
        assert all(e.kind in EVENTS for e in scenario.events)


def test_a_case_survives_being_written_and_read(sets):
    for case in sets["development"][:40]:
        assert case_of(json.loads(json.dumps(row_of(case)))) == case


def test_a_station_survives_being_written_to_four_digits():
    design = commissioned(StationDesign(set_kpa=350.0, schedule=((5.0, 350.0), (23.0, 310.0))))
    row = json.loads(json.dumps(station_row(design)))
    again = station_of(row)
    assert again.pilot.closing_needle == pytest.approx(design.pilot.closing_needle, rel=1e-3)
    assert station_row(again) == row
    assert again.schedule == design.schedule


def test_the_registry_is_told_only_what_the_case_says(sets):
    for case in sets["development"]:
        known = known_of(case)
        assert (known.rated_kv_m3h is not None) == ("rated" in case.told)
        assert known.averaged == bool(case.instruments.get("averaged", False))
        assert not (known.schedule_kpa and not case.station.get("schedule"))


def test_an_unknown_set_is_refused_with_the_names_there_are():
    known = "development, widened, shifted, .*, redrawn, refreshed, evaluation"
    with pytest.raises(PlantError, match=f"use one of {known}"):
        load_cases("training")
