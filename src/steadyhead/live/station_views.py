"""What a station is doing now, in a word, from its course."""

from __future__ import annotations

from typing import Any

from steadyhead.config import Station
from steadyhead.live.course import Course
from steadyhead.live.views import REGIME_WORDS, Learning, Regime, StationView

DAY_S = 86400
LONGEST_LEARNED_DAYS = 60  # a span that is offered reaches back no further than this
FAR = 0.05  # of set: outlet away from what was learned, as a word for the fleet page; no alert hangs on it


def view_of(course: Course, learn_days: int, now_s: float) -> StationView:
    """The station as its newest readings and its last judged row leave it.

    now_s : by the clock, for how far it lags behind
    """
    values = {name: pair[1] for name, pair in course.last.items()}
    learning = None if course.profile is not None else learning_of(course, learn_days)
    regime = _regime(course)
    last_s = last_s_of(course)
    return StationView(
        station=course.station.name,
        zone=course.station.zone,
        last_s=last_s,
        inlet_kpa=values.get("inlet_kpa"),
        outlet_kpa=values.get("outlet_kpa"),
        flow_lps=values.get("flow_lps"),
        command_kpa=values.get("command_kpa"),
        expected_kpa=_expected_kpa(course),
        regime=regime,
        words=learning.words if learning is not None and regime == "learning" else REGIME_WORDS[regime],
        profile_version=None if course.profile is None else course.profile.version,
        learning=learning,
        behind_s=None if last_s is None else max(0.0, now_s - last_s),
    )


def last_s_of(course: Course) -> int | None:
    """Time of the newest reading, judged or not, or None. Cheap, since it is asked of whole fleets."""
    newest = course.last.values()
    return max(newest)[0] if newest else course.judged_s


def learning_of(course: Course, learn_days: int) -> Learning:
    """How far a station without a profile is: days of readings, and the span to learn from."""
    days = course.n_rows * course.station.step_s / DAY_S
    missing = learn_days - days
    if missing > 0:
        n = max(1, round(missing))
        words = f"learning: needs {n} more {'day' if n == 1 else 'days'}"
        return Learning(days, learn_days, words, None, None)
    from_s, to_s = span_of(course, course.station)
    return Learning(days, learn_days, "learning: there are enough days, learn now", from_s, to_s)


def span_of(course: Course, station: Station) -> tuple[int, int]:
    """The span to learn from: the registry's as far as there are readings of it, or the latest weeks."""
    end_s = (course.judged_s or 0) + station.step_s
    first_s = course.first_s if course.first_s is not None else end_s
    from_s, to_s = station.learning_span_s()
    to_s = end_s if to_s is None or not first_s < to_s <= end_s else to_s
    from_s = max(first_s, to_s - LONGEST_LEARNED_DAYS * DAY_S) if from_s is None else max(from_s, first_s)
    return min(from_s, to_s), to_s


def _expected_kpa(course: Course) -> float | None:
    if course.profile is None or course.judged_s is None:
        return None
    expected = float(_scene(course)["expected_kpa"])
    return expected if expected == expected and expected > 0 else None  # NaN is not itself


def _regime(course: Course) -> Regime:
    if course.judged_s is None:
        return "no_readings"
    outlet = course.last.get("outlet_kpa")
    if outlet is None or course.judged_s - outlet[0] > max(600, 4 * course.station.step_s):
        return "silent"
    if course.profile is None:
        return "learning"
    scene = _scene(course)
    if scene["starved"] > 0:
        return "starved"
    if course.profile.has_flow and scene["near_zero"] > 0:
        return "shut"
    if course.profile.has_flow and scene["wide"] > 0:
        return "wide_open"
    if abs(float(scene["fast"])) > FAR:
        return "unsettled"
    return "regulating"


def _scene(course: Course) -> Any:
    return course.state.scene[0]
