"""A standing alert is told anew when its size has changed, at moments that do not hang on how rows come."""

from itertools import pairwise

import numpy as np
import pytest

from steadyhead.diagnosis.weigh import WORTH_TELLING, Episodes
from steadyhead.engine import State, ready
from steadyhead.live.standing import LOOK_S, judged
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular
from steadyhead.units import UNIT_SYSTEMS

DAY = 1440
START_S = 1_760_054_400  # 2025-10-10 00:00 UTC
UNITS = UNIT_SYSTEMS["kpa_lps"]


@pytest.fixture(scope="module")
def log():
    """Fourteen plain days; then the outlet sinks by 2.5 kPa an hour for a day, and nothing comes any more."""
    rng = np.random.default_rng(7)
    minutes = np.arange(16 * DAY)
    hour = minutes % DAY / 60
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, len(minutes))
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, len(minutes))
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, len(minutes))
    outlet -= 2.5 * np.clip(minutes / 60 - 14 * 24, 0, None)
    for values in (flow, inlet, outlet):
        values[15 * DAY :] = np.nan
    return regular("elm", START_S, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile(log):
    known = Known(
        time_zone="UTC", averaged=False, on_change=False, nominal_kpa=None, schedule_kpa=(), trusted=False,
        rated_kv_m3h=None, min_differential_kpa=None, cutoff_lps=None, false_alerts_per_year=1.0,
    )  # fmt: skip
    return learn(log.rows(0, 14 * DAY), known)


def told(log, profile, cuts):
    state, episodes, found = State(), Episodes(), []
    at = 0
    for n in cuts:
        found += judged(state, episodes, log.rows(at, min(at + n, len(log))), ready(profile), UNITS)
        at += n
        if at >= len(log):
            return found
    raise AssertionError("the cuts end before the log does")


@pytest.fixture(scope="module")
def whole(log, profile):
    return told(log, profile, [len(log)])


def test_the_size_follows_what_stands(whole):
    """By hand: between two answers the size differs by a fifth or more, and half an hour lies there."""
    fallen = [(kind, v) for kind, v in whole if next(iter(v.magnitude)) == "departure_kpa"]
    assert [kind for kind, _ in fallen].count("updated") >= 2, [(k, v.condition) for k, v in whole]
    for condition in {v.condition for _, v in fallen}:
        answers = [v for kind, v in fallen if v.condition == condition and kind != "cleared"]
        assert len({v.raised_s for v in answers}) == 1, "the episode keeps its name"
        assert len({v.began_s for v in answers}) == 1
        for before, after in pairwise(answers):
            size = abs(before.magnitude["departure_kpa"])
            assert abs(after.magnitude["departure_kpa"] - before.magnitude["departure_kpa"]) > (
                WORTH_TELLING * size
            )
            assert after.updated_s % LOOK_S == 0
            assert after.updated_s > before.updated_s
            assert after.window_s == (after.began_s, after.updated_s)


def test_a_day_of_silence_is_told_a_few_times_and_not_every_half_hour(whole):
    """By hand: from 45 min to 24 h in steps of a fifth or more is ln(32) / ln(1.2) = 19 answers at most."""
    silent = [v for kind, v in whole if v.condition == "telemetry_loss" and kind == "updated"]
    assert 5 <= len(silent) <= 19
    assert silent[-1].magnitude["silent_s"] > 80_000 / (1 + WORTH_TELLING)
    assert "No outlet pressure for" in silent[-1].evidence[0]


@pytest.mark.parametrize("size", [7, 30, 1000])
def test_how_the_rows_were_cut_changes_nothing(log, profile, whole, size):
    first = 13 * DAY  # plain days before it need not be cut finely
    cuts = [first, *[size] * (-(-(len(log) - first) // size))]
    assert told(log, profile, cuts) == whole
