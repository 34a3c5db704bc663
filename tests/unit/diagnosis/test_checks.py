from __future__ import annotations

import dataclasses
import json

import jsonschema
import pytest
from fluids.control_valve import cavitation_index as fluids_sigma
from iapws import IAPWS97

from steadyhead.alerts import jsonlines
from steadyhead.alerts.model import Runner, Verdict
from steadyhead.config.model import Station
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.diagnosis.checks import to_alert, traits_of
from steadyhead.diagnosis.hints import work_out
from steadyhead.diagnosis.phrases import duration_text, turns_text
from steadyhead.types import CONDITIONS
from steadyhead.units import UNIT_SYSTEMS

KPA, PSI = UNIT_SYSTEMS["kpa_lps"], UNIT_SYSTEMS["psi_gpm"]
KNOWLEDGE = load_knowledge()


def station(**changes) -> Station:
    declared = {
        "name": "mill_lane",
        "time_zone": "Europe/London",
        "step_s": 60,
        "tags": {"outlet": {"tag": "PT2", "unit": "kPa"}},
        "valve": {"size_mm": 150, "rated_kv_m3h": 320},
        "pilot": {"range_low_kpa": 200, "range_high_kpa": 700, "change_per_turn_kpa": 190},
        "sources": [{"path": "mill_lane.csv"}],
    }
    return Station.model_validate({**declared, **changes})


def verdict(condition="drift", **changes) -> Verdict:
    base = Verdict(
        station="mill_lane",
        condition=condition,
        confidence=0.8412345,
        runners_up=(Runner("set_changed", 0.1),),
        magnitude={},
        evidence=("Outlet 348 kPa where 390 kPa was learned.",),
        began_s=1_709_000_000,
        raised_s=1_709_270_400,
        ended_s=None,
        updated_s=1_709_270_400,
        profile_version="ab12cd34",
        window_s=(1_708_900_000, 1_709_270_400),
    )
    return dataclasses.replace(base, **changes)


def hint(name, facts, units=KPA, at=None, **changes):
    return work_out(name, verdict(facts=facts, **changes), at or station(), units)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_a_verdict_with_no_numbers_still_gives_a_whole_alert_and_guesses_nothing(condition):
    alert = to_alert(verdict(condition), station(pilot=None), KNOWLEDGE)
    jsonschema.Draft202012Validator(jsonlines.schema()).validate(json.loads(jsonlines.to_json(alert)))
    assert alert.likely_causes
    assert [check.order for check in alert.field_checks] == list(range(1, len(alert.field_checks) + 1))
    # what the log can resolve needs the declared step only; all else needs a number that is not there
    given = {check.hint for check in alert.field_checks if check.hint}
    assert all(text.startswith("One reading every 60 s") for text in given)
    assert bool(given) == (condition == "hunting")


def test_the_alert_says_what_the_verdict_says():
    alert = to_alert(
        verdict(magnitude={"departure_kpa": -42.123456, "rate_kpa_per_day": float("nan")}),
        station(),
        KNOWLEDGE,
    )
    assert alert.confidence == 0.841
    assert alert.magnitude == {"departure_kpa": -42.12}
    assert alert.state == "active_unacknowledged"
    assert alert.priority == "medium"
    assert jsonlines.rfc3339(alert.raised_at) == "2024-03-01T05:20:00Z"


def test_an_episode_that_is_over_is_returned_and_keeps_its_id():
    lasting = to_alert(verdict(), station(), KNOWLEDGE)
    over = to_alert(verdict(ended_s=1_709_300_000), station(), KNOWLEDGE)
    assert over.state == "returned_unacknowledged"
    assert over.alert_id == lasting.alert_id


@pytest.mark.parametrize(("departure_kpa", "word", "other"), [(-42.0, "down", "up"), (42.0, "up", "down")])
def test_causes_follow_the_direction_of_the_drift(departure_kpa, word, other):
    drifted = verdict(magnitude={"departure_kpa": departure_kpa})
    assert traits_of(drifted)["direction"] == word
    keys = {cause.key for cause in to_alert(drifted, station(), KNOWLEDGE).likely_causes}
    assert ("pilot_spring_tired" in keys) == (word == "down")
    assert ("pilot_seat_dirt" in keys) == (word == "up")
    said = dataclasses.replace(drifted, traits={"direction": other})
    assert traits_of(said)["direction"] == other  # what a condition says itself goes first


def test_while_it_lasts_it_was_updated_at_the_last_data_and_when_over_at_its_end():
    lasting = to_alert(verdict(window_s=(1_708_900_000, 1_709_600_000)), station(), KNOWLEDGE)
    assert lasting.updated_at.timestamp() == 1_709_600_000
    over = to_alert(verdict(ended_s=1_709_300_000, updated_s=1_709_301_000), station(), KNOWLEDGE)
    assert over.updated_at.timestamp() == 1_709_301_000


@pytest.mark.parametrize(
    ("traits", "gauge", "meter", "line"),
    [
        ({"kind": "stuck", "channel": "inlet"}, True, False, True),
        ({"kind": "stuck", "channel": "flow"}, False, True, False),
        ({"kind": "meter_dead", "channel": "flow"}, False, True, False),
        ({"kind": "swapped"}, True, False, False),
        ({"kind": "crossed"}, True, False, True),
        ({"kind": "offset", "channel": "outlet"}, True, False, True),
    ],
)
def test_nobody_holds_a_gauge_to_a_flow_meter(traits, gauge, meter, line):
    checks = to_alert(verdict("sensor_fault", traits=traits), station(), KNOWLEDGE).field_checks
    texts = [check.text for check in checks]
    assert sum("calibrated gauge" in text for text in texts) == gauge
    assert sum("Compare the meter" in text for text in texts) == meter
    assert sum("impulse line" in text for text in texts) == line


def test_causes_come_most_likely_first():
    for condition in CONDITIONS:
        likelihoods = [c.likelihood for c in to_alert(verdict(condition), station(), KNOWLEDGE).likely_causes]
        assert likelihoods == sorted(likelihoods, reverse=True)


# By hand: 42/190 = 0.22 turns, 95/190 = 0.5, 190/190 = 1, 5/190 = 0.026, 570/190 = 3, 25/190 = 0.13.
@pytest.mark.parametrize(
    ("departure_kpa", "words"),
    [
        (
            -42.0,
            "42 kPa low; at this pilot's 190 kPa per turn that is about a quarter turn clockwise, in small",
        ),
        (42.0, "42 kPa high; at this pilot's 190 kPa per turn that is about a quarter turn anticlockwise"),
        (-95.0, "about half a turn clockwise"),
        (190.0, "about one turn anticlockwise"),
        (25.0, "about an eighth of a turn anticlockwise"),
        (-5.0, "that is less than an eighth of a turn clockwise: too little to set by hand"),
        (-570.0, "about 3 turns clockwise: more than a correction, so find the cause before turning"),
    ],
)
def test_the_pilot_hint_says_how_much_and_which_way(departure_kpa, words):
    assert words in hint("pilot_turn", {"departure_kpa": departure_kpa})


def test_the_pilot_hint_asks_for_small_steps_and_says_when_to_stop():
    text = hint("pilot_turn", {"departure_kpa": -42.0})
    assert "in small steps, waiting for the outlet to settle; stop if the outlet does not follow" in text
    assert "make sure of it on this pilot" in text


def test_the_pilot_hint_speaks_the_units_of_the_utility():
    # by hand: 42/6.894757 = 6.09, 190/6.894757 = 27.56
    assert "6.1 psi low; at this pilot's 27.6 psi per turn" in hint(
        "pilot_turn", {"departure_kpa": -42.0}, PSI
    )


@pytest.mark.parametrize(
    ("name", "facts"),
    [
        ("pilot_turn", {}),
        ("pilot_turn", {"departure_kpa": float("nan")}),
        ("pilot_range", {}),
        ("gauge_now", {}),
        ("inlet_margin", {"inlet_kpa": 600.0}),
        ("kv_compare", {"kv_m3h": 40.0}),
        ("kv_compare", {"kv_m3h": 40.0, "kv_learned_m3h": 0.0}),
        ("closed_night", {"closed_from_s": 1.0}),
        ("cavitation", {"inlet_kpa": 900.0}),
        ("cavitation", {"inlet_kpa": 300.0, "outlet_kpa": 310.0}),
        ("flow_usual", {"flow_lps": 3.0}),
        ("neighbour_now", {"outlet_kpa": 400.0}),
        ("set_step", {"set_after_kpa": 400.0}),
        ("silence", {}),
    ],
)
def test_a_hint_is_left_out_when_a_number_is_missing(name, facts):
    assert hint(name, facts) is None


def test_pilot_hints_are_left_out_when_the_registry_knows_no_pilot():
    facts = {"departure_kpa": -42.0, "set_kpa": 390.0}
    for at in (station(pilot=None), station(pilot={})):
        assert hint("pilot_turn", facts, at=at) is None
        assert hint("pilot_range", facts, at=at) is None


def test_the_pilot_range_hint_warns_when_the_set_is_out_of_the_springs_reach():
    assert "inside the spring's 200 kPa to 700 kPa" in hint("pilot_range", {"set_kpa": 390.0})
    assert "outside" in hint("pilot_range", {"set_kpa": 150.0})
    assert "will not hold it" in hint("pilot_range", {"set_kpa": 720.0})


def test_the_gauge_hint_tells_valve_from_transmitter():
    text = hint("gauge_now", {"outlet_kpa": 348.0, "expected_kpa": 388.0, "set_kpa": 390.0})
    assert "log said outlet 348 kPa, learned 388 kPa" in text
    assert "agrees with what the log says in that same minute, the pressure is off" in text
    assert "shows what was learned, the transmitter is off" in text
    assert "learned 390 kPa" in hint("gauge_now", {"outlet_kpa": 348.0, "set_kpa": 390.0})
    assert "should agree with what the log says in that same minute" in hint(
        "gauge_now", {"outlet_kpa": 389.0, "set_kpa": 390.0}
    )
    assert hint("gauge_now", {"inlet_kpa": 620.0}, traits={"channel": "inlet"}) == (
        "When these figures were taken the log said inlet 620 kPa; a gauge should agree with what the log "
        "says in "
        "that same minute."
    )
    assert hint("gauge_now", {"flow_lps": 7.25, "outlet_kpa": 390.0}, traits={"channel": "flow"}) == (
        "When these figures were taken the log said flow 7.2 L/s; the second reading should agree with what "
        "the log "
        "says in that same minute."
    )
    assert hint("gauge_now", {"outlet_kpa": 390.0}, traits={"channel": "flow"}) is None


def test_the_inlet_hint_compares_the_margin_with_what_the_valve_needs():
    facts = {"inlet_kpa": 512.0, "set_kpa": 390.0}
    assert "122 kPa above the set of 390 kPa; the valve needs about 70 kPa: enough." in hint(
        "inlet_margin", facts
    )
    assert "not enough to hold set" in hint("inlet_margin", {**facts, "inlet_kpa": 440.0})
    assert "20 kPa below the set" in hint("inlet_margin", {**facts, "inlet_kpa": 370.0})


def test_the_kv_hint_compares_now_with_what_was_reached():
    facts = {"kv_m3h": 48.0, "kv_learned_m3h": 192.0}
    assert hint("kv_compare", facts) == "Now Kv 48, 25 % of the Kv 192 it has reached (rated Kv 320)."
    # by hand with Cv/Kv = 1.15609923 (IEC 60534-2-1 rounds to 1/0.865): 48 -> 55.5, 192 -> 222, 320 -> 370
    assert hint("kv_compare", facts, PSI) == "Now Cv 55.5, 25 % of the Cv 222 it has reached (rated Cv 370)."


def test_the_hunting_hint_states_what_the_log_can_resolve():
    # Source: sampling theorem, shortest period two steps; four wanted is common practice, no source
    assert "every 60 s measures swings of 4 min or longer and shows a trace of those down to 2 min" in hint(
        "hunting_period", {}
    )
    assert "so time it at the station" in hint("hunting_period", {"period_s": 145.0})
    assert "so time it" not in hint("hunting_period", {"period_s": 300.0})


def test_the_night_hint_names_the_hours_on_the_stations_clock():
    facts = {"closed_from_s": 1_719_795_600.0, "closed_to_s": 1_719_806_400.0}
    # by hand: 2024-07-01 01:00Z to 04:00Z is 02:00 to 05:00 in British summer time
    text = hint("closed_night", facts)
    assert "Mon 01 Jul 2024 02:00 to 05:00 (Europe/London)" in text
    assert "from about 395 kPa towards 455 kPa" in hint(
        "closed_night", {**facts, "lock_up_kpa": 395.0, "outlet_kpa": 455.0}
    )


def test_the_cavitation_hint_agrees_with_an_outside_library():
    # Independent: fluids.control_valve.cavitation_index (ISA-RP75.23) with IAPWS-IF97 vapour pressure at 15 C
    vapour_pa = IAPWS97(T=288.15, x=0).P * 1e6
    sigma = fluids_sigma((900 + 101.325) * 1e3, (150 + 101.325) * 1e3, vapour_pa)
    text = hint("cavitation", {"inlet_kpa": 900.0, "outlet_kpa": 150.0})
    assert f"cavitation index {sigma:.2f}" in text
    assert sigma == pytest.approx(1.3328, abs=5e-5)
    assert hint("cavitation", {"inlet_kpa": 600.0, "outlet_kpa": 400.0}) is None  # sigma 3.5


def test_flow_neighbour_step_and_silence_hints_hold_their_numbers():
    assert hint("flow_usual", {"flow_lps": 24.0, "flow_usual_lps": 12.0}) == (
        "Flow 24.0 L/s, 2.0 times the 12.0 L/s usual at this hour."
    )
    assert hint("flow_usual", {"flow_lps": 2.0, "flow_usual_lps": 0.0}) == (
        "Flow 2.0 L/s, against 0.0 L/s usual at this hour."
    )
    assert "402 kPa" in hint("neighbour_now", {"outlet_kpa": 455.0, "neighbour_kpa": 402.0})
    # by hand: 1 709 000 000 s is 2024-02-27 02:13:20Z, and London is on UTC then
    step = hint("set_step", {"set_before_kpa": 390.0, "set_after_kpa": 430.0})
    assert step == "From 390 kPa to 430 kPa, about Tue 27 Feb 2024 02:13 (Europe/London)."
    assert hint("silence", {"silent_from_s": 1_709_000_000.0}) == (
        "Last reading Tue 27 Feb 2024 02:13 (Europe/London)."
    )


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.05, "less than an eighth of a turn"),
        (0.12, "an eighth of a turn"),
        (0.22, "a quarter turn"),
        (0.5, "half a turn"),
        (0.74, "three quarters of a turn"),
        (1.0, "one turn"),
        (1.26, "1 and a quarter turns"),
        (1.5, "1 and a half turns"),
        (2.0, "2 turns"),
        (2.8, "2 and three quarters turns"),
    ],
)
def test_turns_are_said_as_people_say_them(turns, words):
    assert turns_text(turns) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (9.84, "9.8 s"),
        (45, "45 s"),
        (119, "119 s"),
        (120, "2 min"),
        (400, "6.7 min"),
        (900, "15 min"),
        (5400, "1.5 h"),
        (9900, "2.8 h"),
        (172_800, "2 days"),
        (2_066_400, "24 days"),
    ],
)
def test_lengths_of_time_have_one_unit(seconds, words):
    assert duration_text(seconds) == words
