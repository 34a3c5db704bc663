"""Ordinary days: demand that grows, rests, swings and comes back. Nobody wants a call."""

from __future__ import annotations

import numpy as np

from evaluation.case import DAY_S, Case
from evaluation.lives.changing import (
    chance,
    drawing,
    holding,
    hour_of,
    in_hours,
    lasting,
    local_s,
    manner,
    moment,
)
from evaluation.lives.record import Expectation
from evaluation.lives.telling import chapter, silence
from steadyhead.types import FloatArray

CHAPTER, life = chapter("alone")  # a zone's other station would answer too


@life()
def nothing_happens(case: Case) -> tuple[Case, Expectation]:
    """Three weeks like any other. Whoever is called out now will not come the next time."""
    return case, silence()


@life("flow", "each_two_minutes")
def lively_demand_is_answered(case: Case) -> tuple[Case, Expectation]:
    """A laundry and a car wash move in: taps open and shut every few minutes in working hours.

    The valve answers each of them as it should. It is busy, it is not hunting.
    """
    how, rng = manner(case), chance(case, "lively")
    knots = np.arange(case.judge_from_s, case.end_s, 150.0)
    steps = how.mean_lps * 0.35 * (rng.random(len(knots)) < 0.4)
    begin = moment(case, 2, 0)

    def hole(t: FloatArray) -> FloatArray:
        taps = np.interp(t, knots, steps)
        return np.asarray(taps * in_hours(case, t, 7, 18) * (t >= begin))

    return drawing(case, hole), silence()


@life("flow")
def batches_fill_by_the_clock(case: Case) -> tuple[Case, Expectation]:
    """A dairy fills its vats: half the usual mean flow for eight minutes, every twenty minutes, on shifts.

    The rhythm is the customer's. The outlet only droops a little each time, so nothing is hunting.
    """
    how, begin = manner(case), moment(case, 2, 6)

    def hole(t: FloatArray) -> FloatArray:
        fills = (np.mod(t - begin, 1200.0) < 480.0) * (t >= begin)
        return np.asarray(0.5 * how.mean_lps * fills * in_hours(case, t, 6, 20, 0.05))

    return drawing(case, hole), silence()


@life("flow")
def a_holiday_week(case: Case) -> tuple[Case, Expectation]:
    """For a week half the town is away, and those who stay get up late.

    Flow is low, the outlet a little higher on its droop. Silence.
    """
    begin, end = moment(case, 2, 0), moment(case, 9, 0)

    def demand(t: FloatArray) -> FloatArray:
        late = in_hours(case, t, 5.5, 9.5, 1.0)
        return np.asarray(1 - (0.3 + 0.25 * late) * lasting(t, begin, end, 6 * 3600))

    return drawing(case, demand=demand), silence()


@life("flow")
def a_heat_wave(case: Case) -> tuple[Case, Expectation]:
    """Nine hot days: a third more by day and two thirds more in the evenings, when gardens are watered.

    The whole town does it and the papers write of it. Nobody wants a burst reported.
    """
    begin, end = moment(case, 2, 8), moment(case, 11, 8)

    def demand(t: FloatArray) -> FloatArray:
        return np.asarray(1 + (0.3 + 0.35 * in_hours(case, t, 17, 23, 1.5)) * lasting(t, begin, end, DAY_S))

    return drawing(case, demand=demand), silence()


@life("flow")
def the_school_closes_for_summer(case: Case) -> tuple[Case, Expectation]:
    """A large school is the zone's main weekday customer, and it shuts until autumn.

    Weekday flow falls by two fifths between eight and four and stays so. Silence.
    """
    begin = moment(case, 3, 0)

    def demand(t: FloatArray) -> FloatArray:
        weekday = np.mod(np.floor(local_s(case, t) / DAY_S) + 3, 7) < 5  # 1970-01-01 was a Thursday
        return np.asarray(1 - 0.4 * weekday * in_hours(case, t, 8, 16, 0.7) * (t >= begin))

    return drawing(case, demand=demand), silence()


@life("flow")
def a_new_estate_moves_in(case: Case) -> tuple[Case, Expectation]:
    """Houses are handed over one by one: demand grows by one percent a day, by day and by night.

    It is growth, no leak. Silence.
    """
    begin = moment(case, 0, 0)

    def demand(t: FloatArray) -> FloatArray:
        return np.asarray(1 + 0.01 * np.maximum(t - begin, 0.0) / DAY_S)

    return drawing(case, demand=demand), silence()


@life("flow")
def gardens_are_watered_at_night(case: Case) -> tuple[Case, Expectation]:
    """Summer begins and sprinkler clocks start at ten in the evening, every second night, until five.

    Two thirds of the mean flow comes on top. One question in the first night is fair, more are not.
    """
    how, begin = manner(case), moment(case, 3, 12)

    def hole(t: FloatArray) -> FloatArray:
        night = np.floor((local_s(case, t) - DAY_S / 2) / DAY_S)
        return np.asarray(
            0.65 * how.mean_lps * (np.mod(night, 2) < 1) * in_hours(case, t, 22, 5, 0.5) * (t >= begin)
        )

    return drawing(case, hole), silence("excess_demand")


@life("flow")
def a_tank_is_filled_every_night(case: Case) -> tuple[Case, Expectation]:
    """A village tank behind the station is put on night filling: 1.2 times the mean flow from one to four.

    It starts and stops alike every night. One question at first is fair, a call every night is not.
    """
    how, begin = manner(case), moment(case, 3, 12)

    def hole(t: FloatArray) -> FloatArray:
        return np.asarray(1.2 * how.mean_lps * in_hours(case, t, 1, 4, 0.1) * (t >= begin))

    return drawing(case, hole), silence("excess_demand")


@life("flow")
def half_the_zone_is_taken_away(case: Case) -> tuple[Case, Expectation]:
    """A boundary valve is moved and half of the customers are fed from another zone from now on.

    Every flow is halved, nights too. Nothing is wrong; a notice may say that it changed.
    """
    begin = moment(case, 4, 10)
    return drawing(case, demand=lambda t: 1 - 0.5 * lasting(t, begin, np.inf, 1800)), silence()


@life("flow")
def a_market_day(case: Case) -> tuple[Case, Expectation]:
    """Once a week the square is washed: a quarter more flow from four to eight in the morning of one day.

    The learning span held no such day. Silence.
    """
    begin = moment(case, 5, 0)

    def demand(t: FloatArray) -> FloatArray:
        return np.asarray(1 + 0.25 * in_hours(case, t, 4, 8) * lasting(t, begin, begin + DAY_S))

    return drawing(case, demand=demand), silence()


@life("flow")
def everybody_sleeps_in(case: Case) -> tuple[Case, Expectation]:
    """A public holiday falls on a weekday: the morning peak comes two hours late and is lower.

    The outlet stands where its droop puts it. Silence.
    """
    begin = moment(case, 3, 0)

    def demand(t: FloatArray) -> FloatArray:
        today = lasting(t, begin, begin + DAY_S)
        early, late = in_hours(case, t, 5, 9, 1), in_hours(case, t, 9, 12, 1)
        return np.asarray(1 + today * (0.4 * late - 0.4 * early))

    return drawing(case, demand=demand), silence()


@life("no_flow", "shut_nights")
def water_warms_in_a_dead_end_by_day(case: Case) -> tuple[Case, Expectation]:
    """Around noon nobody draws for half an hour at a time, and the water in a shallow main grows warm.

    The outlet climbs by up to five percent over set and drops at the next tap. By night it stands still, so
    the seat is tight. Silence.
    """
    how, rng = manner(case), chance(case, "warm")
    begin = moment(case, 2, 0)
    starts = np.cumsum(rng.uniform(2400, 5400, 2000)) + begin
    lengths = rng.uniform(1200, 2400, 2000)

    def aim(t: FloatArray) -> FloatArray:
        which = np.maximum(np.searchsorted(starts, t, side="right") - 1, 0)
        stood = t - starts[which]
        warms = (stood >= 0) & (stood < lengths[which]) & (hour_of(case, t) > 11) & (hour_of(case, t) < 16)
        return np.asarray(0.05 * how.set_kpa * (1 - np.exp(-np.maximum(stood, 0) / 1200)) * warms)

    return holding(case, aim), silence()
