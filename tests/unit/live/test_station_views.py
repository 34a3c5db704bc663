"""What the fleet page is told of a station."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from live_bench import START_S, Bench, Times, item

from steadyhead.config import LearnSpan
from steadyhead.live.station_views import learning_of, span_of, view_of
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular

DAYS = 21


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_a_station_that_never_sent_anything(bench: Bench):
    view = view_of(bench.course("solo"), DAYS, bench.times.wall_s)
    assert (view.regime, view.last_s, view.outlet_kpa, view.behind_s) == ("no_readings", None, None, None)
    assert view.learning is not None
    assert view.learning.words == "learning: needs 21 more days"


def test_the_newest_reading_is_shown_before_it_is_judged(bench: Bench):
    now_s = int(bench.times.wall_s)
    bench.push([item("solo", "outlet", now_s - 40, 401.0), item("solo", "inlet", now_s - 100, 700.0)])
    bench.push([item("solo", "outlet", now_s - 50, 402.0)])
    bench.judge()
    view = view_of(bench.course("solo"), DAYS, bench.times.wall_s)
    assert (view.outlet_kpa, view.inlet_kpa, view.last_s) == (401.0, 700.0, now_s - 40)
    assert view.behind_s == pytest.approx(40, abs=1)


def test_days_count_rows_with_an_outlet_and_learning_is_offered_on_the_latest_weeks(tmp_path: Path):
    bench = Bench(tmp_path, times=Times(START_S + 30 * 86400.0))
    course = bench.course("solo")
    n = 3 * 1440
    bench.push([item("solo", "outlet", START_S + 60 * m, 400.0) for m in range(n)])
    bench.rest()
    assert learning_of(course, 4).words == "learning: needs 1 more day"
    assert not learning_of(course, 4).can_learn
    offered = learning_of(course, 3)
    assert offered.can_learn
    assert (offered.from_s, offered.to_s) == (START_S, START_S + n * 60)
    assert view_of(course, 3, bench.times.wall_s).words == "learning: there are enough days, learn now"


def test_the_registrys_span_goes_first_where_there_are_readings_of_it(bench: Bench):
    course = bench.course("solo")
    course.first_s, course.judged_s = START_S, START_S + 40 * 86400
    assert span_of(course, course.station) == (START_S, course.judged_s + 60)
    learn_span = LearnSpan.model_validate({"from": "2026-03-05T00:00:00Z", "to": "2026-03-25T00:00:00Z"})
    spanned = course.station.model_copy(update={"learn": learn_span})
    assert span_of(course, spanned) == (START_S + 4 * 86400, START_S + 24 * 86400)
    course.first_s = START_S + 30 * 86400  # what the registry names was never received
    assert span_of(course, spanned) == (START_S + 30 * 86400, course.judged_s + 60)


@pytest.mark.parametrize(
    ("inlet", "outlet", "flow", "regime"),
    [
        (700.0, 400.0, 36.0, "regulating"),
        (410.0, 390.0, 36.0, "starved"),
        (700.0, 405.0, 0.0, "shut"),
        (700.0, 330.0, 36.0, "unsettled"),
    ],
)
def test_what_it_is_doing_in_a_word(bench: Bench, inlet: float, outlet: float, flow: float, regime: str):
    rng = np.random.default_rng(5)
    n = 6 * 1440
    q = np.where(np.arange(n) % 1440 < 120, 0.0, 10 + rng.normal(0, 1, n))
    log = regular(
        "solo", START_S - n * 60, 60, 400 + rng.normal(0, 0.5, n),
        inlet_kpa=700 + rng.normal(0, 2, n), flow_lps=q,
    )  # fmt: skip
    course = bench.course("solo")
    course.profile = learn(log, Known())
    for minute in range(40):
        at = START_S + 60 * minute
        more = rng.normal(0, 0.1)
        bench.push(
            [
                {
                    "station": "solo",
                    "time": at,
                    "values": {"inlet": inlet, "outlet": outlet + more, "flow": flow},
                }
            ]
        )
    bench.rest()
    view = view_of(course, DAYS, bench.times.wall_s)
    assert view.regime == regime
    assert view.expected_kpa == pytest.approx(400, abs=20)
    assert view.profile_version == course.profile.version
