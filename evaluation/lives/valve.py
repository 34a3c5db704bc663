"""What happens to the valve, its pilot and its set: by wear, by dirt, and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evaluation.case import DAY_S, Case
from evaluation.lives.changing import (
    chance,
    holding,
    hour_of,
    in_hours,
    lasting,
    manner,
    moment,
    opening,
    opening_m3h,
    rows_at,
    seeping,
    swinging,
)
from evaluation.lives.record import Expectation
from evaluation.lives.telling import chapter, say, silence
from steadyhead.types import FloatArray

CHAPTER, life = chapter("alone")  # a zone's other station would answer too
BAR = 100.0
OBEY = np.nan
HELD_HIGH, SAGS = "failure_to_close", "failure_to_open"


def _kv_at(case: Case, at_s: float) -> float:
    """Kv the station shows around a moment [m3/h]."""
    rows = rows_at(case, case.log["outlet"][0])
    near = np.abs(rows.times_s - at_s) < max(1800, 2 * case.step_s)
    return float(np.median(opening_m3h(rows)[near]))


# The set.


@life()
def the_set_is_raised_by_one_bar(case: Case) -> tuple[Case, Expectation]:
    """A technician raises the set by a whole bar in one visit, within a quarter of an hour, and leaves it.

    He knows what he did; the log should say a changed set, not a broken transmitter.
    """
    begin = moment(case, 3, 10)
    return holding(case, lambda t: BAR * lasting(t, begin, np.inf, 900)), say(
        "set_changed", at=begin, within_h=24, began_within_h=3
    )


@life()
def one_bar_more_and_put_back(case: Case) -> tuple[Case, Expectation]:
    """The set is raised by one bar for works in the zone and put back after two days.

    Silence is fine, a changed set as well, once each way. Nobody is to be sent.
    """
    begin, end = moment(case, 3, 9), moment(case, 5, 14)
    return holding(case, lambda t: BAR * lasting(t, begin, end, 900)), silence("set_changed", most=2)


@life()
def the_set_is_lowered_a_little(case: Case) -> tuple[Case, Expectation]:
    """To save leakage the set is lowered by six percent on a weekday morning and stays there."""
    begin, drop = moment(case, 4, 11), 0.06 * manner(case).set_kpa
    return holding(case, lambda t: -drop * lasting(t, begin, np.inf, 600)), say(
        "set_changed", at=begin, within_h=36, began_within_h=4
    )


@life()
def a_night_set_begins_for_the_season(case: Case) -> tuple[Case, Expectation]:
    """From now on a controller holds 12 percent less from eleven at night to five in the morning.

    The same each night, down and up on the clock. A changed set or a notice, not drift, and not every night.
    """
    begin, drop = moment(case, 3, 12), 0.12 * manner(case).set_kpa
    return holding(case, lambda t: -drop * in_hours(case, t, 23, 5, 0.15) * (t >= begin)), say(
        "set_changed", "notice", at=begin, within_h=96
    )


@life("flow")
def flow_modulation_begins(case: Case) -> tuple[Case, Expectation]:
    """A controller now holds 8 percent less at the least flow and 3 percent more at the peak.

    The outlet rises with flow instead of drooping. It is wanted so: a changed set or a notice, not drift.
    """
    begin, how = moment(case, 3, 10), manner(case)
    rows = rows_at(case, case.log["outlet"][0])
    width = max(1, round(1800 / case.step_s))
    smooth = np.convolve(rows.flow_lps, np.ones(width) / width, mode="same")

    def aim(t: FloatArray) -> FloatArray:
        share = np.clip(np.interp(t, rows.times_s, smooth) / how.high_lps, 0, 1)
        return np.asarray(how.set_kpa * (-0.08 + 0.11 * share) * (t >= begin))

    return holding(case, aim), say("set_changed", "notice", at=begin, within_h=72)


@life("nominal", "flow")
def low_already_when_learning_ended(case: Case) -> tuple[Case, Expectation]:
    """The pilot slipped in the last week of the learning span, and the outlet has stood 15 percent low since.

    The registry knows what it should hold. It has to be raised as a standing fault, though nothing changes.
    """
    begin = case.judge_from_s - 7 * DAY_S
    drop = 0.15 * manner(case).set_kpa
    changed = holding(case, lambda t: -drop * lasting(t, begin, np.inf, 3600))
    return changed, say(
        "drift", "set_changed", SAGS, at=case.judge_from_s, within_h=72, stands_to=case.end_s - 3600
    )


@life()
def a_lock_nut_works_loose(case: Case) -> tuple[Case, Expectation]:
    """The pilot's lock-nut is slack and the set climbs by six tenths of a percent a day.

    Nobody touched it. Drift, when it is past three or four percent, and it stands.
    """
    begin, per_s = moment(case, 1, 0), 0.006 * manner(case).set_kpa / DAY_S
    return holding(case, lambda t: per_s * np.maximum(t - begin, 0)), say(
        "drift", at=begin + DAY_S, within_h=8 * 24, stands_to=case.end_s - 3600
    )


@life()
def the_set_sinks_over_a_day(case: Case) -> tuple[Case, Expectation]:
    """A pilot diaphragm weeps and the outlet sinks by nine percent within a day and a half, then stays.

    Nobody was there, and it came too slowly for a hand. Drift.
    """
    begin, drop = moment(case, 3, 2), 0.09 * manner(case).set_kpa
    return holding(case, lambda t: -drop * np.clip((t - begin) / (36 * 3600), 0, 1)), say(
        "drift", at=begin, within_h=60, stands_to=case.end_s - 3600, began_within_h=36
    )


@life()
def the_pilot_follows_the_sun(case: Case) -> tuple[Case, Expectation]:
    """The station stands in the sun, and from May on the pilot holds half a percent more in the afternoon.

    It comes and goes with the warmth of each day. Silence.
    """
    begin, rise = moment(case, 1, 0), 0.005 * manner(case).set_kpa

    def aim(t: FloatArray) -> FloatArray:
        warmth = np.maximum(np.sin(np.pi * (hour_of(case, t) - 9) / 12), 0)
        return np.asarray(rise * warmth * (t >= begin))

    return holding(case, aim), silence()


@life("flow")
def a_repair_visit(case: Case) -> tuple[Case, Expectation]:
    """A technician strips the pilot and swings the outlet through its range for twenty minutes.

    Then all is as before. He is standing there, so nobody wants to hear of it; a notice is fine.
    """
    begin, set_kpa = moment(case, 4, 10.5), manner(case).set_kpa

    def aim(t: FloatArray) -> FloatArray:
        at = np.clip((t - begin) / 1200, 0, 1)
        return np.asarray(
            np.interp(at, [0, 0.2, 0.45, 0.7, 0.85, 1], [0, -0.4, 0.22, -0.15, 0.1, 0]) * set_kpa
        )

    return holding(case, aim), silence()


# The seat.


@life("no_flow", "shut_nights")
def creep_without_a_meter(case: Case) -> tuple[Case, Expectation]:
    """The seat is scored. Each night the outlet climbs from lock-up towards the inlet and falls at first use.

    There is no meter, but those nights say enough. Creep, after two nights, once.
    """
    begin = moment(case, 3, 12)
    return seeping(case, begin, 0.35), say("creep", at=begin, within_h=60, stands_to=case.end_s - DAY_S)


@life("flow", "shut_nights")
def creep_with_a_meter(case: Case) -> tuple[Case, Expectation]:
    """In nights without flow the outlet climbs a fifth of the way to the inlet in four hours.

    By day it regulates as ever. Creep within three nights.
    """
    begin = moment(case, 3, 12)
    return seeping(case, begin, 0.2), say("creep", at=begin, within_h=84, stands_to=case.end_s - DAY_S)


@life("shut_nights")
def lock_up_a_little_higher(case: Case) -> tuple[Case, Expectation]:
    """Since the inlet rose in spring, lock-up stands one percent higher in nights without flow.

    It stands still there all night. A tight seat; silence.
    """
    begin, rise = moment(case, 2, 12), 0.01 * manner(case).set_kpa
    return holding(case, lambda t: rise * in_hours(case, t, 1, 4, 0.3) * (t >= begin)), silence()


@life("flow", "each_two_minutes")
def debris_passes(case: Case) -> tuple[Case, Expectation]:
    """A pebble holds the seat open for an hour late in the evening, while demand falls, and is washed away.

    The outlet runs up and comes back by itself. It should be told and taken back.
    """
    begin = moment(case, 3, 22.5)
    floor = 1.25 * _kv_at(case, begin)

    def kv(t: FloatArray, needed: FloatArray) -> FloatArray:
        held = (t >= begin) & (t < begin + 3600) & (needed < floor)
        return np.where(held, floor, OBEY)

    return opening(case, kv), say(HELD_HIGH, at=begin, within_h=2, over_by=begin + 12 * 3600)


@life("flow")
def the_diaphragm_tears(case: Case) -> tuple[Case, Expectation]:
    """The diaphragm tears and the valve cannot close below its usual evening opening any more.

    By night the outlet goes up with the inlet. A failure to close, and it stands.
    """
    begin = moment(case, 3, 18)
    floor = _kv_at(case, moment(case, 2, 20))

    def kv(t: FloatArray, needed: FloatArray) -> FloatArray:
        return np.where((t >= begin) & (needed < floor), floor, OBEY)

    return opening(case, kv), say(
        HELD_HIGH, at=begin, within_h=18, stands_to=case.end_s - DAY_S, began_within_h=9
    )


# The stem and the way through.


@life("flow")
def a_screen_chokes_over_two_weeks(case: Case) -> tuple[Case, Expectation]:
    """The screen before the valve fills with grit over two weeks, until it passes two fifths of the peak.

    First only the morning peak sags, then the whole day. Failure to open, or drift at first.
    """
    begin = moment(case, 0, 12)
    how = manner(case)
    rows = rows_at(case, case.log["outlet"][0])
    peak = float(np.quantile(opening_m3h(rows), 0.98))
    span_s = min(14 * DAY_S, case.end_s - begin - DAY_S)
    full = how.kv_full_m3h

    def kv(t: FloatArray, needed: FloatArray) -> FloatArray:
        share = np.clip((t - begin) / span_s, 0, 1)
        passes = 1.0 / ((1 - share) / full + share / (0.4 * peak))
        return np.where((t >= begin) & (needed > passes), passes, OBEY)

    return opening(case, kv), say(
        SAGS, "drift", at=begin + 0.3 * span_s, within_h=0.7 * span_s / 3600, most=3
    )


@life("flow")
def the_stem_sticks_under_load(case: Case) -> tuple[Case, Expectation]:
    """Scale on the stem stops it at two thirds of what the morning peak needs, each day from now on.

    The inlet is fine, the outlet sags at the peak. Failure to open within two mornings.
    """
    begin = moment(case, 3, 0)
    rows = rows_at(case, case.log["outlet"][0])
    ceiling = 0.66 * float(np.quantile(opening_m3h(rows), 0.97))

    def kv(t: FloatArray, needed: FloatArray) -> FloatArray:
        return np.where((t >= begin) & (needed > ceiling), ceiling, OBEY)

    return opening(case, kv), say(SAGS, at=begin, within_h=54, most=12)


@life("flow")
def stuck_for_three_hours_then_free(case: Case) -> tuple[Case, Expectation]:
    """At half past five in the morning the valve stops where it is, while the town gets up.

    For three hours the outlet sags with demand; then it frees itself. It should be told while it lasts.
    """
    begin = moment(case, 4, 5.5)
    end = begin + 3 * 3600
    kept = _kv_at(case, begin)
    return opening(case, lambda t, _: np.where((t >= begin) & (t < end), kept, OBEY)), say(
        SAGS, HELD_HIGH, at=begin, within_h=3.5, over_by=begin + 24 * 3600
    )


def _lagging(case: Case, begin: float, up_s: float, down_s: float) -> Case:
    """The opening follows what is needed with one lag for more and another for less."""

    def kv(t: FloatArray, needed: FloatArray) -> FloatArray:
        actual = needed.copy()
        step = np.diff(t, prepend=t[0])
        for i in range(1, len(t)):
            if t[i] >= begin:
                tau = up_s if needed[i] > actual[i - 1] else down_s
                actual[i] = needed[i] + (actual[i - 1] - needed[i]) * np.exp(-step[i] / tau)
        strays = (t >= begin) & (np.abs(actual - needed) > 0.01 * needed) & (needed > 0)
        return np.where(strays, actual, OBEY)

    return opening(case, kv)


@life("flow", "each_minute")
def slow_to_open(case: Case) -> tuple[Case, Expectation]:
    """The opening needle has been turned nearly shut: the valve needs minutes to follow a rise of demand.

    The outlet dips at each tap and comes back. Slow, not hunting; within three days.
    """
    begin = moment(case, 3, 9)
    return _lagging(case, begin, 240, 1), say("slow_response", at=begin, within_h=72, most=3)


@life("flow", "each_minute")
def slow_to_close(case: Case) -> tuple[Case, Expectation]:
    """The strainer of the pilot circuit is half blocked: the valve needs minutes to close when demand falls.

    The outlet jumps at each tap that shuts, and comes back. Slow, not hunting; within three days.
    """
    begin = moment(case, 3, 9)
    return _lagging(case, begin, 1, 240), say("slow_response", at=begin, within_h=72, most=3)


# Hunting.


@life("flow", "each_minute")
def hunting_by_less_than_one_percent(case: Case) -> tuple[Case, Expectation]:
    """The station swings by 0.8 percent of set, up and down every six minutes, day and night.

    It is small, but flow swings with it and wears the seat. Hunting within two days.
    """
    begin, half = moment(case, 3, 8), 0.004 * manner(case).set_kpa
    return swinging(case, lambda t: half * (t >= begin), 360, "small"), say("hunting", at=begin, within_h=48)


@life("flow", "each_two_minutes")
def hunting_at_night_only(case: Case) -> tuple[Case, Expectation]:
    """At low flow near its seat the valve swings by five percent from midnight to five; by day it is calm.

    Hunting within three nights; one call, not one a night.
    """
    begin, half = moment(case, 3, 12), 0.025 * manner(case).set_kpa
    return swinging(case, lambda t: half * in_hours(case, t, 0, 5, 0.3) * (t >= begin), 600, "night"), say(
        "hunting", at=begin, within_h=72, most=2
    )


@life("coarse")
def hunting_seen_only_as_scatter(case: Case) -> tuple[Case, Expectation]:
    """The station swings by a tenth of set every forty seconds, and the logger looks every ten minutes or so.

    All that shows is scatter from one moment on. Hunting is the likely name; a noisy transmitter is fair too.
    """
    begin, half = moment(case, 3, 8), 0.05 * manner(case).set_kpa
    sent_as_is = replace(case, averaged=False)  # means would hide it, and then nobody could see it
    changed = swinging(sent_as_is, lambda t: half * (t >= begin), 41.0, "scatter")
    return changed, say("hunting", "sensor_fault", "notice", at=begin, within_h=48)


@life("flow", "each_two_minutes")
def a_swing_of_one_hour(case: Case) -> tuple[Case, Expectation]:
    """After an adjustment the station swings by six percent for an hour and comes to rest by itself.

    It was seen by the one who did it. Hunting is put up with, silence is better.
    """
    begin, half = moment(case, 4, 10), 0.03 * manner(case).set_kpa
    return swinging(case, lambda t: half * lasting(t, begin, begin + 3600, 600), 420, "short"), silence(
        "hunting"
    )


@life("each_two_minutes")
def the_pilot_wanders(case: Case) -> tuple[Case, Expectation]:
    """An old pilot wanders by three tenths of a percent over hours, without rhythm. Silence."""
    begin, rng = moment(case, 1, 0), chance(case, "wander")
    knots = np.arange(case.judge_from_s - 7200, case.end_s + 7200, 3600.0)
    walk = 0.003 * manner(case).set_kpa * rng.standard_normal(len(knots))
    return holding(case, lambda t: np.interp(t, knots, walk) * lasting(t, begin, np.inf, 7200)), silence()
