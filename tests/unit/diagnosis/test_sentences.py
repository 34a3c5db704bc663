"""What is said of a raised condition: true to the numbers, in the reader's units, never of a missing one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from steadyhead.conditions.base import INDEX, new_held
from steadyhead.conditions.scene import new_scene
from steadyhead.conditions.sensor_fault import KIND_NAMES
from steadyhead.config.model import Station
from steadyhead.diagnosis.causes import TRAITS, load_knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.diagnosis.sentences import facts, tell
from steadyhead.diagnosis.tell_sensor import KINDS
from steadyhead.diagnosis.weigh import verdicts
from steadyhead.engine import Change, State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular
from steadyhead.types import CONDITIONS
from steadyhead.units import UNIT_SYSTEMS

KPA, BAR = UNIT_SYSTEMS["kpa_lps"], UNIT_SYSTEMS["bar_m3h"]
DAY = 1440
AT_S = 1_000_000

USUAL = {
    "outlet_kpa": 380.0, "inlet_kpa": 650.0, "flow_lps": 10.0, "expected_kpa": 400.0, "departure_kpa": -20.0,
    "set_now_kpa": 400.0, "neighbour_kpa": 392.0, "flow_usual_lps": 9.0, "flow_high_lps": 14.0, "kv": 20.0,
    "kv_need": 25.0, "drift": -0.05, "fast": -0.05, "way": 0.1, "lock_kpa": 405.0, "zero_s": 7200.0,
    "period_s": 60.0, "cycles": 12.0, "with_flow": 0.9, "with_inlet": 0.1, "move_kpa": 9.0, "fixed": 0.9,
    "slow_share": 0.02, "novel": 1.8, "novel_hours": 6.0, "missing_s": 2700.0,
}  # fmt: skip


def station_log(days: int, seed: int = 1) -> Readings:
    rng = np.random.default_rng(seed)
    n = days * DAY
    hour = (np.arange(n) * 60 % 86400) / 3600
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular("made_up", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(station_log(8), Known())


def raised(condition, *, kind=0.0, size=10.0, **numbers) -> Change:
    scene, held = new_scene(), new_held()
    for name, value in {**USUAL, **numbers}.items():
        scene[name] = value
    own = held[INDEX[condition]]
    own["kind"], own["size"], own["since_s"] = kind, size, AT_S - 900
    return Change(condition, True, AT_S, scene[0], held)


def said(condition, profile, units=KPA, **numbers) -> str:
    return " ".join(tell(raised(condition, **numbers), profile, units).evidence)


@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize("kind", [1.0, 2.0])
def test_every_condition_is_told_in_whole_sentences_with_numbers(profile, condition, kind):
    told = tell(raised(condition, kind=kind), profile, BAR)
    assert told.evidence
    for sentence in told.evidence:
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert "nan" not in sentence
        assert "_" not in sentence
        assert "kPa" not in sentence  # the reader chose bar
    assert any(letter.isdigit() for letter in " ".join(told.evidence)) or kind == 2.0
    for word, value in told.traits.items():
        assert value in TRAITS[word]


def test_every_kind_of_sensor_fault_has_its_sentence_and_says_which_transmitter(profile):
    assert set(KINDS) == set(KIND_NAMES) - {""}
    channels = {}
    for number, kind in enumerate(KIND_NAMES):
        if kind:
            told = tell(raised("sensor_fault", kind=number, still_outlet_s=3000.0), profile, KPA)
            channels[kind] = told.traits.get("channel")
            assert told.traits["kind"] == kind.replace(" ", "_")
    # two readings contradict each other where no single one is named
    assert channels == {
        "stuck": "outlet", "spiking": "outlet", "out of range": None, "swapped": None, "scaled": "outlet",
        "crossed": None, "meter dead": "flow", "inlet scaled": "inlet", "offset": "outlet",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("numbers", "channel"),
    [
        ({"still_outlet_s": 3000.0, "still_inlet_s": 120.0}, "outlet"),
        ({"still_outlet_s": 120.0, "still_inlet_s": 3000.0}, "inlet"),
        ({"still_inlet_s": 120.0, "still_flow_s": 3000.0}, "flow"),
        ({"still_inlet_s": 2400.0, "still_flow_s": 9000.0, "near_zero": 1.0}, "inlet"),  # no flow is no fault
    ],
)
def test_the_stuck_transmitter_is_the_one_that_stood_still(profile, numbers, channel):
    told = tell(raised("sensor_fault", kind=1.0, **numbers), profile, KPA)
    assert told.traits["channel"] == channel
    name = "flow meter" if channel == "flow" else f"{channel} transmitter"
    assert told.evidence[0].startswith(f"The {name} has reported one and the same value for ")
    assert list(told.magnitude) == [f"{channel}_still_s"]


@pytest.mark.parametrize(("missing", "channel"), [("outlet_kpa", "outlet"), ("inlet_kpa", "inlet")])
def test_what_cannot_be_is_taken_out_so_the_missing_one_is_out_of_range(profile, missing, channel):
    told = tell(raised("sensor_fault", kind=3.0, **{missing: float("nan")}), profile, KPA)
    assert told.traits["channel"] == channel
    assert f"The {channel} reads what no distribution main can have." in told.evidence


@pytest.mark.parametrize("kind", range(1, len(KIND_NAMES)))
def test_a_station_without_an_inlet_is_told_nothing_of_one(profile, kind):
    bare = dataclasses.replace(profile, has_inlet=False)
    text = said("sensor_fault", bare, kind=kind, inlet_kpa=float("nan"))
    if KIND_NAMES[kind] not in ("inlet scaled", "crossed", "swapped"):  # which need one
        assert "nan" not in text
        assert "inlet" not in text


def test_a_stuck_inlet_found_by_the_engine_sends_people_to_the_inlet(profile):
    log = station_log(10, seed=2)
    inlet = log.inlet_kpa.copy()
    inlet[9 * DAY :] = inlet[9 * DAY]
    log = regular("made_up", 0, 60, log.outlet_kpa, inlet_kpa=inlet, flow_lps=log.flow_lps)
    found = [
        v for v in verdicts(step(State(), log, profile), profile, log.end_s) if v.condition == "sensor_fault"
    ]
    assert [v.traits.get("channel") for v in found] == ["inlet"]
    station = Station(
        name="made_up", time_zone="UTC", step_s=60, tags={"outlet": {"tag": "p", "unit": "kPa"}},
        sources=[{"path": "x"}],
    )  # fmt: skip
    alert = to_alert(found[0], station, load_knowledge())
    gauge = next(check for check in alert.field_checks if "calibrated gauge" in check.text)
    assert "the log said inlet" in gauge.hint


def test_a_leak_that_fills_the_district_is_not_called_no_flow(profile):
    # the meter shows the leak, so it has not read zero; nobody draws water all the same
    change = raised("creep", zero_s=0.0, shut_s=5400.0, near_zero=0.0)
    text = tell(change, profile, KPA).evidence[0]
    assert text.startswith("With nobody drawing water for 1.5 h the outlet stands at 380 kPa")
    assert facts(change, profile)["closed_from_s"] == AT_S - 5400
    shut = tell(raised("creep", near_zero=1.0), profile, KPA).evidence[0]
    assert shut.startswith("With no flow for 2 h")


def test_a_set_lowered_while_shut_is_not_called_a_step_that_is_held(profile):
    text = said("set_changed", profile, near_zero=1.0)
    # by hand: 405 - 380
    assert "380 kPa, is 25 kPa below the pressure at which the station used to shut" in text
    assert "held" not in text
    assert "stepped down by 20 kPa (5.0 % of set)" in said("set_changed", profile)


def test_the_neighbour_is_said_to_stand_where_it_stands(profile):
    assert "at 392 kPa, 12 kPa above this one." in said("held_shut", profile)
    assert "at 380 kPa, level with this one." in said("held_shut", profile, neighbour_kpa=380.2)
    assert "No neighbour is logged" in said("held_shut", profile, neighbour_kpa=float("nan"))


def test_an_inlet_below_set_is_said_to_be_below_it(profile):
    text = said("inlet_starved", profile, inlet_kpa=310.0)
    assert "The inlet, 310 kPa, is 90 kPa below the 400 kPa to hold at the outlet." in text
    assert "-" not in text
    wants = dataclasses.replace(profile, kv=dataclasses.replace(profile.kv, min_differential_kpa=70.0))
    text = said("inlet_starved", wants, inlet_kpa=430.0)
    assert (
        "is 30 kPa above the 400 kPa to hold at the outlet; to regulate, the valve needs about 70 kPa" in text
    )


def test_a_valve_that_stays_shut_is_not_told_by_its_opening(profile):
    text = said("failure_to_open", profile, near_zero=1.0, flow_lps=0.0, kv=float("nan"))
    assert "No water passes at all" in text
    assert "Kv" not in text
    pinched = said("failure_to_open", profile, flow_lps=3.0)
    assert "Only 3.0 L/s passes, where 9.0 L/s is usual at this hour." in pinched
    assert "Only" not in said("failure_to_open", profile)


def test_failure_to_close_speaks_of_the_inlet_above_and_not_of_one_that_is_high_enough(profile):
    text = said("failure_to_close", profile, outlet_kpa=600.0, departure_kpa=200.0)
    assert "It stands 50 kPa below the inlet, 650 kPa." in text
    assert "high enough" not in text


@pytest.mark.parametrize(
    ("fixed", "fixed_now", "words"),
    [(0.9, 0.2, "explains 90 %"), (-0.3, 0.7, "explains 70 %"), (-0.3, -0.1, "stays the same.")],
)
def test_a_share_below_nothing_is_not_told(profile, fixed, fixed_now, words):
    text = said("failure_to_open", profile, is_fixed=1.0, fixed=fixed, fixed_now=fixed_now)
    assert words in text
    assert "-" not in text
    assert "stays the same" not in said("failure_to_open", profile, is_fixed=0.0)


@pytest.mark.parametrize(
    ("with_inlet", "with_flow", "words"),
    [
        (0.1, 0.9, "It does not come with the inlet (correlation 0.10)"),
        (0.7, 0.9, "The inlet moves along (correlation 0.70), but far less"),
        (0.1, 0.1, "outlet and flow have little in common (correlation 0.10)"),
        (0.1, 0.6, "Outlet and flow rise and fall together (correlation 0.60)"),
    ],
)
def test_hunting_claims_no_more_than_the_correlations_show(profile, with_inlet, with_flow, words):
    assert words in said("hunting", profile, kind=1.0, with_inlet=with_inlet, with_flow=with_flow)


def test_a_swing_that_was_not_counted_has_no_period(profile):
    counted = tell(raised("hunting", kind=1.0), profile, KPA)
    scatter = tell(raised("hunting", kind=2.0), profile, KPA)
    assert counted.magnitude["period_s"] == 60.0
    assert "period_s" not in scatter.magnitude
    assert "the evidence is weaker" in " ".join(scatter.evidence)
    assert (counted.traits, scatter.traits) == ({"resolved": "yes"}, {"resolved": "no"})
