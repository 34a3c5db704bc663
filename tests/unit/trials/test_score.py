"""Scores of outcomes made by hand; the expected figures are worked out by hand unless a source is named."""

from __future__ import annotations

import math

import pytest
from outcomes import BEGINS_S, HEALTHY, alert, outcome, truth

from steadyhead.trials.score import (
    Rate,
    Share,
    calibration,
    f1_by_state,
    first_alert,
    is_called_one_of_four,
    is_found,
    is_named_right,
    reached_names,
    score,
)

HOUR = 3600.0


def test_a_fault_is_found_by_any_name_and_named_right_only_by_its_own():
    found = outcome("fault", truth("drift"), alert("set_changed", HOUR), alert("drift", 2 * HOUR))
    assert is_found(found)
    assert is_named_right(found) is False
    assert is_named_right(outcome("fault", truth("drift"), alert("drift", HOUR))) is True
    assert is_named_right(outcome("fault", truth("drift"))) is None


def test_a_telemetry_gap_does_not_count_as_finding_a_fault():
    assert not is_found(outcome("fault", truth("drift"), alert("telemetry_loss", HOUR)))


def test_an_alert_before_the_fault_begins_neither_finds_it_nor_names_it():
    early = outcome("fault", truth("drift"), alert("drift", -HOUR))
    assert first_alert(early) is None
    assert score([early]).false_alerts.count == 1


def test_an_alert_long_after_an_event_ended_is_not_the_events():
    # The event lasts from hour 48 to 50; an hour is allowed for its echo.
    event = truth("excess_demand")
    assert first_alert(outcome("lookalike", event, alert("drift", 2.5 * HOUR), ends_h=50.0)) is not None
    assert first_alert(outcome("lookalike", event, alert("drift", 3.5 * HOUR), ends_h=50.0)) is None


def test_a_name_reached_on_the_way_is_right_until_the_harder_one_is_reached():
    on_the_way = truth("failure_to_open", passed_after_s=5 * HOUR, also_s={"drift": BEGINS_S + HOUR})
    assert is_named_right(outcome("fault", on_the_way, alert("drift", 2 * HOUR))) is True
    late = outcome("fault", on_the_way, alert("drift", 6 * HOUR))
    assert is_named_right(late) is False
    assert is_named_right(late, reached_names) is True
    assert is_named_right(outcome("fault", on_the_way, alert("creep", 6 * HOUR)), reached_names) is False
    assert (score([late]).macro_f1, score([late]).macro_f1_reached) == (0.0, 1.0)


def test_a_drifting_transmitter_may_be_called_either_way_and_is_counted_apart():
    unclear = truth("drift", ambiguous=True)
    either = [outcome("other", unclear, alert(name, HOUR)) for name in ("drift", "sensor_fault", "creep")]
    scores = score(either)
    assert (scores.ambiguous_right.hits, scores.ambiguous_right.of) == (2, 3)
    assert scores.f1 == {}
    assert scores.others_called.of == 0


def test_false_alerts_are_counted_over_healthy_time_only():
    # 10 healthy days with one alert, and 2 days before a fault begins: 12 days.
    outcomes = [
        outcome("healthy", HEALTHY, alert("hunting", HOUR)),
        outcome("fault", truth("drift"), alert("drift", HOUR)),
    ]
    rate = score(outcomes).false_alerts
    assert rate.count == 1
    assert rate.years == pytest.approx(12 / 365.25)


def test_a_look_alike_counts_as_called_even_if_only_its_second_alert_is_one_of_the_four():
    named = outcome("lookalike", truth("set_changed"), alert("set_changed", HOUR), alert("drift", 9 * HOUR))
    assert is_called_one_of_four(named)
    assert score([named]).lookalikes_called.hits == 1
    assert not is_called_one_of_four(outcome("lookalike", HEALTHY, alert("unfamiliar", HOUR)))


def test_delays_run_from_the_mild_limit_and_are_measured_against_samples_where_those_are_longer():
    fine = outcome("fault", truth("failure_to_open"), alert("failure_to_open", 600 + 450), interval_s=60)
    coarse = outcome("fault", truth("failure_to_open"), alert("failure_to_open", 600 + 2700), interval_s=900)
    scores = score([fine, coarse])
    assert scores.opening_delay_s == [450.0, 2700.0]
    assert scores.opening_delay_ratio == [0.5, 1.0]  # of 15 min, and of 3 samples
    hunting = outcome("fault", truth("hunting", period_s=90.0), alert("hunting", 600 + 450), interval_s=60)
    assert score([hunting]).hunting_delay_ratio == [0.5]  # of 10 periods, longer than 6 samples


def test_creep_has_until_the_end_of_its_first_night_and_one_sample():
    night = truth("creep", night_ends_s=BEGINS_S + 4 * HOUR)
    assert score([outcome("fault", night, alert("creep", 4 * HOUR + 60))]).creep_first_night.hits == 1
    assert score([outcome("fault", night, alert("creep", 4 * HOUR + 61))]).creep_first_night.hits == 0
    assert score([outcome("fault", night)]).creep_first_night == Share(0, 1)


def test_drift_departure_is_taken_at_the_first_alert_of_that_name():
    late = outcome(
        "fault",
        truth("drift"),
        alert("set_changed", HOUR, departure=0.01),
        alert("drift", 2 * HOUR, departure=-0.04),
    )
    assert score([late]).drift_departure == [0.04]


def test_found_and_named_are_split_by_severity_and_condition():
    outcomes = [
        outcome("fault", truth("drift", "clear"), alert("drift", HOUR)),
        outcome("fault", truth("creep", "clear"), alert("hunting", HOUR)),
        outcome("fault", truth("hunting", "mild"), alert("hunting", HOUR)),
        outcome("fault", truth("hunting", "mild")),
        outcome("fault", truth("failure_to_close", "clear"), alert("failure_to_close", HOUR)),
    ]
    s = score(outcomes)
    assert s.clear_found == Share(2, 2)  # failure to close is not one of the four
    assert s.clear_named == Share(1, 2)
    assert s.mild_found == Share(1, 2)
    assert s.mild_named == Share(1, 1)  # of those found
    assert s.by_condition["failure_to_close"] == (Share(1, 1), Share(1, 1), Share(0, 0), Share(0, 0))
    assert s.confusion["creep", "hunting"] == 1


def test_f1_agrees_with_scikit_learn():
    # Independent: sklearn.metrics.f1_score on the same labels.
    from sklearn.metrics import f1_score

    true = ["healthy", "drift", "drift", "creep", "healthy", "hunting", "creep"]
    called = ["healthy", "drift", "set_changed", "creep", "drift", "hunting", "healthy"]
    ours = f1_by_state(list(zip(true, called, strict=True)))
    states = ["healthy", "drift", "creep", "hunting"]
    theirs = f1_score(true, called, labels=states, average=None, zero_division=0)
    assert [ours[s] for s in states] == pytest.approx(list(theirs))
    assert set(ours) == set(states)


def test_calibration_error_is_the_weighted_gap_between_confidence_and_share_right():
    # By hand: two at 0.95 of which one is right (gap 0.45), two at 0.55 of which both are (gap 0.45).
    alerts = [(alert("drift", 0, 0.95), True), (alert("drift", 0, 0.95), False)]
    alerts += [(alert("drift", 0, 0.55), True), (alert("drift", 0, 0.55), True)]
    error, bins = calibration(alerts)
    assert error == pytest.approx(0.45)
    assert [(b.low, b.count, b.right) for b in bins] == [(0.5, 2, 1.0), (0.9, 2, 0.5)]
    assert math.isnan(calibration([])[0])


def test_certainty_falls_into_the_last_bin():
    _, bins = calibration([(alert("drift", 0, 1.0), True)])
    assert bins[0].high == pytest.approx(1.0)


def test_poisson_interval_is_that_of_the_published_table():
    # Garwood (1936), exact 95 % limits for a Poisson mean, from memory: 0 to 3.69, and 4.80 to 18.39.
    assert Rate(0, 1.0).interval() == pytest.approx((0.0, 3.69), abs=0.005)
    assert Rate(10, 1.0).interval() == pytest.approx((4.80, 18.39), abs=0.005)
    assert Rate(10, 2.0).per_year == 5.0


def test_binomial_interval_is_that_of_the_published_formula():
    # Clopper and Pearson (1934): for n of n hits the lower limit is (alpha/2)^(1/n).
    low, high = Share(20, 20).interval()
    assert low == pytest.approx(0.025 ** (1 / 20))
    assert high == 1.0
    assert math.isnan(Share(0, 0).value)
