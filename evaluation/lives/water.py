"""Water that goes where it should not: bursts, leaks, hydrants; and leaks that were mended."""

from __future__ import annotations

import numpy as np

from evaluation.case import DAY_S, Case
from evaluation.lives.changing import drawing, lasting, manner, moment
from evaluation.lives.record import Expectation
from evaluation.lives.telling import chapter, say, silence
from steadyhead.types import FloatArray

CHAPTER, life = chapter("alone")  # a zone's other station would answer too
WEEK_S = 7 * DAY_S
ASTRAY = "excess_demand"


def _hole(case: Case, lps: float, from_s: float, to_s: float = np.inf, edge_s: float = 300.0) -> Case:
    return drawing(case, lambda t: lps * lasting(t, from_s, to_s, edge_s))


@life("flow", "night_flow")
def a_burst_runs_for_a_week(case: Case) -> tuple[Case, Expectation]:
    """A main breaks in a field where nobody looks, and it takes a week to find and close it.

    As much as the mean flow runs away day and night. One call, and it stands for as long as the water runs.
    """
    begin = moment(case, 2, 14)
    end = begin + WEEK_S
    return _hole(case, manner(case).mean_lps, begin, end), say(
        ASTRAY, at=begin, within_h=12, stands_to=end - 7200, over_by=end + 2 * DAY_S, began_within_h=6
    )


@life("flow", "shut_nights")
def a_burst_where_nights_are_still(case: Case) -> tuple[Case, Expectation]:
    """In a hamlet that draws nothing at night a service pipe breaks and runs for five days.

    It is a third of the mean flow, plain to see in the first night. One call that stands until it is mended.
    """
    begin = moment(case, 2, 15)
    end = begin + 5 * DAY_S
    return _hole(case, 0.35 * manner(case).mean_lps, begin, end), say(
        ASTRAY, at=begin, within_h=24, stands_to=end - 7200, over_by=end + 2 * DAY_S, began_within_h=14
    )


@life("flow", "night_flow")
def a_burst_of_half_the_night_flow(case: Case) -> tuple[Case, Expectation]:
    """A pipe breaks quietly and runs for ten days: half of what flows at night anyway.

    No single hour is unusual, but every night is. Within three days is early enough.
    """
    begin = moment(case, 2, 9)
    end = min(begin + 10 * DAY_S, case.end_s)
    return _hole(case, 0.5 * manner(case).night_lps, begin, end), say(
        ASTRAY, at=begin, within_h=72, stands_to=end - 7200, began_within_h=48
    )


@life("flow", "night_flow")
def a_leak_comes_at_once_and_stays(case: Case) -> tuple[Case, Expectation]:
    """A joint gives way: the night flow is higher by four fifths from one night to the next, for good.

    It has to be told within three days, and it must not fade because one grows used to it.
    """
    begin = moment(case, 3, 1)
    return _hole(case, 0.8 * manner(case).night_lps, begin), say(
        ASTRAY, at=begin, within_h=72, stands_to=case.end_s - 7200, began_within_h=48
    )


@life("flow", "night_flow")
def a_leak_grows_over_weeks(case: Case) -> tuple[Case, Expectation]:
    """A corroded pipe leaks a little more each night, until the night flow has grown by as much again.

    When it is past two fifths of the night flow an engineer wants to know, within five days.
    """
    begin = moment(case, 0, 0)
    span_s = min(14 * DAY_S, case.end_s - begin - DAY_S)
    seen = begin + 0.4 * span_s
    lps = manner(case).night_lps
    changed = drawing(case, lambda t: lps * np.clip((t - begin) / span_s, 0, 1))
    expectation = say(
        ASTRAY, at=begin + DAY_S, within_h=(seen - begin) / 3600 + 96, stands_to=case.end_s - 7200
    )
    return changed, expectation


@life("flow", "night_flow")
def a_leak_is_repaired(case: Case) -> tuple[Case, Expectation]:
    """A crew finds an old leak and clamps it: half of the night flow is gone, at every hour alike.

    That is good news. Nobody wants a call.
    """
    begin = moment(case, 3, 13)
    return _hole(case, -0.5 * manner(case).night_lps, begin), silence()


@life("flow")
def a_burst_larger_than_the_valve(case: Case) -> tuple[Case, Expectation]:
    """A trunk main breaks open: the valve stands wide open and the outlet falls to less than half.

    For five hours. It is a burst; the valve gives all it has, so it did not fail to open.
    """
    begin = moment(case, 3, 10)
    how = manner(case)
    lps = 1.6 * how.kv_full_m3h / 36.0 * np.sqrt(how.drop_kpa)
    return _hole(case, lps, begin, begin + 5 * 3600, 120), say(
        ASTRAY, at=begin, within_h=2, over_by=begin + 24 * 3600, began_within_h=1
    )


@life("flow")
def a_hydrant_is_flushed(case: Case) -> tuple[Case, Expectation]:
    """A crew flushes a dead end through a hydrant for 25 minutes at ten in the morning.

    It was planned. To ask about the flow is fair, to doubt the valve is not.
    """
    begin = moment(case, 3, 10)
    return _hole(case, 1.5 * manner(case).high_lps, begin, begin + 1500, 60), silence(ASTRAY)


@life("flow")
def fire_flow_is_tested_twice(case: Case) -> tuple[Case, Expectation]:
    """The fire service tests hydrants on two mornings, a quarter of an hour each, with all they can take.

    The outlet droops as the learned droop says. Excess demand is put up with twice, nothing else.
    """
    how = manner(case)
    first, second = moment(case, 3, 11), moment(case, 5, 11)
    lps = min(3.0 * how.high_lps, 0.7 * how.kv_full_m3h / 36.0 * np.sqrt(how.drop_kpa))

    def hole(t: FloatArray) -> FloatArray:
        return lps * (lasting(t, first, first + 900, 60) + lasting(t, second, second + 900, 60))

    return drawing(case, hole), silence(ASTRAY, most=2)


@life("flow")
def a_fire_is_put_out(case: Case) -> tuple[Case, Expectation]:
    """A barn burns in the evening and the pumps take twice the highest usual flow for four hours.

    That is worth a call within an hour and a half, and it is over when the hydrants are shut.
    """
    begin = moment(case, 4, 19)
    return _hole(case, 2.0 * manner(case).high_lps, begin, begin + 4 * 3600, 120), say(
        ASTRAY, at=begin, within_h=1.5, over_by=begin + 12 * 3600, began_within_h=1
    )


@life("flow")
def a_boundary_valve_is_left_open(case: Case) -> tuple[Case, Expectation]:
    """After works a boundary valve stays open, and the station feeds three quarters more than it ever did.

    Every hour is larger by the same share. It should be asked about within two days, and not given up.
    """
    begin = moment(case, 3, 14)
    return drawing(case, demand=lambda t: 1 + 0.75 * lasting(t, begin, np.inf, 900)), say(
        ASTRAY, "notice", at=begin, within_h=48, stands_to=case.end_s - 7200
    )
