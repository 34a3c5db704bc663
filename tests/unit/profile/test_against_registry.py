"""What the registry says against what the span held: told, and judged so that a fault stays one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from steadyhead.config import load_registry
from steadyhead.engine import State, step
from steadyhead.errors import RegistryError
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile, from_json, to_json
from steadyhead.profile.registry import TOLERANCE
from steadyhead.profile.span import cut_out
from steadyhead.proving_plant import Fault, Instruments, Scenario, simulate
from steadyhead.proving_plant.draw import draw_design
from steadyhead.readings.frame import Readings, regular
from steadyhead.report.learned import learned_facts, learned_line
from steadyhead.service import known
from steadyhead.units import UNIT_SYSTEMS

KPA = UNIT_SYSTEMS["kpa_lps"]
DAY = 288  # rows of 5 min


def log(levels_kpa: np.ndarray, seed: int = 1) -> Readings:
    """A made-up station that holds these pressures, one for each row of 5 min."""
    rng = np.random.default_rng(seed)
    n = len(levels_kpa)
    hour = np.arange(n) / 12 % 24
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    outlet = levels_kpa - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    return regular("made_up", 0, 300, outlet, inlet_kpa=inlet, flow_lps=flow)


def steady(days: int, kpa: float, seed: int = 1) -> Readings:
    return log(np.full(days * DAY, kpa), seed)


def raised(readings: Readings, profile: Profile) -> list[str]:
    return [c.condition for c in step(State(), readings, profile) if c.is_raised]


def told(profile: Profile) -> str:
    return " ".join(profile.remarks)


def test_a_trusted_registry_keeps_a_fault_of_the_whole_span_a_fault() -> None:
    profile = learn(steady(14, 372.0), Known(nominal_kpa=400.0, trusted=True))
    assert profile.set_pressure.typical_kpa == 400.0
    assert profile.set_pressure.held_kpa == pytest.approx(372.0, abs=0.5)
    assert "registry says 400 kPa, the span held 372 kPa (-7%)" in told(profile)
    assert "judged from its number" in told(profile)
    assert dict(learned_facts(profile, KPA))["Set pressure"] == (
        "400 kPa as the registry says (the span held 372 kPa)"
    )
    assert "holds 400 kPa as the registry says (the span held 372 kPa), " in learned_line(profile, KPA)
    assert raised(steady(7, 372.0, seed=2), profile) == ["drift"]
    assert raised(steady(7, 400.0, seed=2), profile) == []


def test_an_old_registry_number_leaves_a_sound_station_alone_and_is_told() -> None:
    profile = learn(steady(14, 360.0), Known(nominal_kpa=400.0))
    assert profile.set_pressure.typical_kpa == pytest.approx(360.0, abs=0.5)
    assert profile.set_pressure.registry_kpa == 400.0
    assert dict(learned_facts(profile, KPA))["Set pressure"] == (
        "360 kPa as the span held (the registry says 400 kPa)"
    )
    assert "The span looks faulty, or the registry is wrong" in told(profile)
    assert "registry says 400 kPa, the span held 360 kPa (-10%)" in told(profile)
    assert "trusted: true" in told(profile)
    assert "correct the registry" in told(profile)
    assert raised(steady(7, 360.0, seed=2), profile) == []
    assert raised(steady(7, 340.0, seed=2), profile) != []


@pytest.mark.parametrize("trusted", [False, True])
def test_a_number_on_paper_within_the_tolerance_changes_nothing(trusted: bool) -> None:
    readings = steady(14, 400.0)
    without = learn(readings, Known())
    for nominal_kpa in (400.0 / (1 - 0.9 * TOLERANCE), 400.0 / (1 + 0.9 * TOLERANCE)):
        assert learn(readings, Known(nominal_kpa=nominal_kpa, trusted=trusted)) == without


@pytest.mark.parametrize("trusted", [False, True])
def test_days_that_the_registry_recognises_win_over_more_days_that_it_does_not(trusted: bool) -> None:
    # 6 days sound, then a spring that gives way over 2 days, then 12 days 10 % low
    fallen = np.concatenate(
        [np.full(6 * DAY, 400.0), np.linspace(400, 360, 2 * DAY), np.full(12 * DAY, 360.0)]
    )
    profile = learn(log(fallen), Known(nominal_kpa=405.0, trusted=trusted))
    assert profile.set_pressure.typical_kpa == pytest.approx(400.0, abs=1.0)
    assert "Left out of learning" in told(profile)
    assert "held 360 kPa. On other days it held 400 kPa, and the registry, which says 405 kPa" in told(
        profile
    )
    assert raised(steady(7, 360.0, seed=2), profile) != []
    # without the registry the majority has it, which is all that can be done
    assert learn(log(fallen), Known()).set_pressure.typical_kpa == pytest.approx(360.0, abs=1.0)


def test_a_registry_that_recognises_no_day_does_not_choose_between_them() -> None:
    moved = np.concatenate([np.full(5 * DAY, 400.0), np.full(13 * DAY, 360.0)])
    assert learn(log(moved), Known(nominal_kpa=480.0)).set_pressure.typical_kpa == pytest.approx(
        360.0, abs=1.0
    )


def test_two_days_that_happen_to_be_at_the_registrys_number_do_not_win() -> None:
    visit = np.concatenate([np.full(8 * DAY, 360.0), np.full(2 * DAY, 400.0), np.full(8 * DAY, 360.0)])
    profile = learn(log(visit), Known(nominal_kpa=400.0))
    assert profile.set_pressure.typical_kpa == pytest.approx(360.0, abs=1.0)


def test_a_trusted_schedule_is_judged_as_declared() -> None:
    by_day = np.where((np.arange(672) % 96 >= 20) & (np.arange(672) % 96 < 88), 400.0, 340.0)
    # 1970-01-01 was a Thursday, so row 0 is quarter 288 of the week
    quarter = (np.arange(14 * DAY) // 3 + 288) % 672
    readings = log(by_day[quarter] * 0.9)
    profile = learn(readings, Known(schedule_kpa=tuple(by_day), trusted=True))
    np.testing.assert_allclose(profile.set_pressure.slots_kpa, by_day, rtol=0.005)
    assert "the span held 40 kPa less than the registry's schedule says (-10%)" in told(profile)
    followed = learn(readings, Known(schedule_kpa=tuple(by_day)))
    assert max(followed.set_pressure.slots_kpa) == pytest.approx(360.0, abs=3.0)
    assert "than the registry's schedule says (-10%)" in told(followed)


def test_a_station_that_does_not_follow_its_command_is_told_of() -> None:
    held = steady(10, 360.0)
    commanded = replace(held, command_kpa=np.full(len(held), 400.0))
    assert "was told to hold 400 kPa and held 360 kPa (-10%)" in told(learn(commanded, Known()))
    followed = replace(held, command_kpa=np.full(len(held), 362.0))
    assert learn(followed, Known()).remarks == ()


def test_a_weak_spring_in_the_plant_stays_a_fault_if_the_registry_is_trusted() -> None:
    design = draw_design(np.random.default_rng(5), closed_nights=False)
    weak = (Fault("spring_relaxed", 0.0, 0.0, 0.3),)  # 0.3 of 25 %: 7.5 % of set low from the first day on
    instruments = Instruments(interval_s=60)
    plant = {
        name: simulate(
            Scenario(name, design, instruments, duration_s=8 * 86400, faults=faults, seed=5)
        ).readings
        for name, faults in (("sound", ()), ("weak", weak))
    }
    sound = learn(plant["sound"], Known())
    paper = Known(nominal_kpa=sound.set_pressure.typical_kpa)
    followed = learn(plant["weak"], paper)
    assert "registry is wrong" in told(followed)
    assert raised(plant["weak"], followed) == []
    kept = learn(plant["weak"], replace(paper, trusted=True))
    assert raised(plant["weak"], kept)[0] in ("drift", "set_changed")
    assert raised(plant["sound"], kept) == []


def test_a_long_span_whose_end_is_left_out_still_gets_its_thresholds() -> None:
    # the latest 90 days, from which thresholds come, are all on the wrong side
    levels = np.concatenate([np.full(60 * DAY, 400.0), np.full(100 * DAY, 360.0)])
    profile = learn(log(levels), Known(nominal_kpa=400.0))
    assert profile.set_pressure.typical_kpa == pytest.approx(400.0, abs=1.0)
    assert profile.scatter.tick_kpa == pytest.approx(0.5, rel=0.2)
    assert profile.novelty is not None
    assert from_json(to_json(profile), "made_up.json").scatter.tick_kpa > 0


def test_a_profile_from_before_the_registry_was_noted_is_still_read() -> None:
    profile = learn(steady(5, 400.0), Known())
    text = to_json(profile).replace(',\n  "registry_kpa": null', "").replace(',\n  "held_kpa": null', "")
    assert "registry_kpa" not in text
    assert from_json(text, "made_up.json").set_pressure.registry_kpa is None


def test_the_least_differential_is_the_registrys_unless_the_span_does_with_less() -> None:
    readings = steady(8, 400.0)  # the inlet is 230 kPa or more above
    assert learn(readings, Known()).kv.min_differential_kpa == 0.0
    assert learn(readings, Known(min_differential_kpa=70.0)).kv.min_differential_kpa == 70.0
    short = replace(readings, inlet_kpa=readings.outlet_kpa + 30.0)
    least = learn(short, Known(min_differential_kpa=70.0)).kv.min_differential_kpa
    assert least == pytest.approx(30.0, abs=1.0)


REGISTRY = """
stations:
  made_up:
    time_zone: UTC
    step_s: 300
    tags: {outlet: {tag: P, unit: kPa}}
    valve: {min_differential_kpa: 45}
    set_pressure: {SETTINGS}
    sources: [{path: "*.csv"}]
"""


def test_learning_is_told_what_the_registry_says(tmp_path: Path) -> None:
    file = tmp_path / "stations.yaml"
    file.write_text(REGISTRY.replace("SETTINGS", "nominal_kpa: 400, trusted: true"))
    registry = load_registry(file)
    facts = known(registry.stations["made_up"], registry.settings)
    assert (facts.nominal_kpa, facts.trusted, facts.min_differential_kpa) == (400.0, True, 45.0)


def test_nothing_to_trust_is_a_mistake(tmp_path: Path) -> None:
    file = tmp_path / "stations.yaml"
    file.write_text(REGISTRY.replace("SETTINGS", "trusted: true"))
    with pytest.raises(RegistryError, match=r"trusted: is true, but there is no nominal_kpa or schedule"):
        load_registry(file)


def test_what_is_spared_is_cut_out_of_a_part() -> None:
    assert cut_out((0.0, 100.0), []) == [(0.0, 100.0)]
    assert cut_out((0.0, 100.0), [(-5.0, 10.0), (40.0, 50.0), (95.0, 200.0)]) == [(10.0, 40.0), (50.0, 95.0)]
    assert cut_out((10.0, 20.0), [(0.0, 30.0)]) == []
    assert cut_out((10.0, 20.0), [(30.0, 40.0)]) == [(10.0, 20.0)]
