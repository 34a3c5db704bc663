"""What comes from outside the station: its source, its main, and the other stations of its zone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evaluation.case import DAY_S, Case
from evaluation.lives.changing import (
    Rows,
    feeding,
    in_hours,
    lasting,
    manner,
    moment,
    reworked,
    rows_at,
    shut,
    solved,
    with_neighbour,
)
from evaluation.lives.record import Expectation
from evaluation.lives.telling import chapter, say, silence
from steadyhead.types import FloatArray

CHAPTER, life = chapter()
STARVED, IDLE = "inlet_starved", "not_in_service"


def _to_share_of_set(case: Case, share: float, on: FloatArray, rows: Rows) -> FloatArray:
    """Change of head that brings the inlet to a share of the set where ``on`` is 1."""
    return np.asarray(on * np.minimum(share * manner(case).set_kpa - rows.inlet_kpa, 0.0))


@life("flow", "alone")
def pumps_trip_for_an_hour(case: Case) -> tuple[Case, Expectation]:
    """The booster pumps trip at noon and the inlet falls to nine tenths of the set for an hour.

    The outlet falls with it. The valve is innocent; a starved inlet may be told.
    """
    begin = moment(case, 3, 12)
    return feeding(
        case, lambda r: _to_share_of_set(case, 0.9, lasting(r.times_s, begin, begin + 3600, 300), r)
    ), silence(STARVED)


@life("alone")
def the_trunk_main_bursts_upstream(case: Case) -> tuple[Case, Expectation]:
    """A trunk main bursts before the station and the inlet falls to six tenths of the set for six hours.

    A starved inlet, told within two hours, and no word of the valve.
    """
    begin = moment(case, 3, 9)
    return feeding(
        case, lambda r: _to_share_of_set(case, 0.6, lasting(r.times_s, begin, begin + 6 * 3600, 300), r)
    ), say(STARVED, at=begin, within_h=2, over_by=begin + DAY_S, began_within_h=1)


@life("flow", "alone")
def power_is_cut_at_the_pumps_each_night(case: Case) -> tuple[Case, Expectation]:
    """For a week the pumps lose power from two to four at night, and the inlet falls to 95 % of the set.

    Every night the outlet sags by a few percent. A starved inlet, as often as it likes, or silence.
    """
    begin, end = moment(case, 3, 12), moment(case, 10, 12)

    def head(r: Rows) -> FloatArray:
        on = in_hours(case, r.times_s, 2, 4, 0.1) * lasting(r.times_s, begin, end)
        return _to_share_of_set(case, 0.95, on, r)

    return feeding(case, head), silence(STARVED, most=7)


@life("flow", "alone")
def a_dry_summer_s_evenings(case: Case) -> tuple[Case, Expectation]:
    """In a drought the inlet is hardly the set from six to ten in the evening, and the outlet dips a little.

    A starved inlet or silence. The valve is wide open and cannot do more.
    """
    begin = moment(case, 2, 0)

    def head(r: Rows) -> FloatArray:
        on = in_hours(case, r.times_s, 18, 22, 1.0) * (r.times_s >= begin)
        return _to_share_of_set(case, 0.99, on, r)

    return feeding(case, head), silence(STARVED, most=20)


@life("alone")
def another_source_for_three_weeks(case: Case) -> tuple[Case, Expectation]:
    """The reservoir is cleaned and another one feeds: the inlet is higher by a quarter and hardly moves.

    The outlet stays where it was. Silence, or a notice.
    """
    begin = moment(case, 1, 10)
    times_s = case.log["outlet"][0]
    level = float(np.median(rows_at(case, times_s).inlet_kpa))

    def head(r: Rows) -> FloatArray:
        calm = 0.25 * level - 0.7 * (r.inlet_kpa - level)
        return np.asarray(calm * lasting(r.times_s, begin, np.inf, 3600))

    return feeding(case, head), silence()


@life("alone")
def the_inlet_is_lowered_for_good(case: Case) -> tuple[Case, Expectation]:
    """A new regulator upstream takes a third of the pressure to be lost off the inlet, from now on.

    There is still plenty. The station holds its outlet. Silence, or a notice.
    """
    begin, drop = moment(case, 3, 10), manner(case).drop_kpa / 3
    return feeding(case, lambda r: -drop * lasting(r.times_s, begin, np.inf, 1800)), silence()


@life("each_two_minutes", "alone")
def waves_come_from_upstream(case: Case) -> tuple[Case, Expectation]:
    """A pump upstream is governed badly: the inlet swings by 6 percent every seven minutes for two days.

    A hundredth of it shows in the outlet. The station is not hunting; silence.
    """
    begin, end = moment(case, 3, 6), moment(case, 5, 6)
    how = manner(case)

    def answer(r: Rows) -> Rows:
        swing = 0.03 * np.median(r.inlet_kpa) * np.sin(2 * np.pi * r.times_s / 420.0)
        swing = swing * lasting(r.times_s, begin, end, 1800)
        return solved(r, how, head_kpa=swing, aim_kpa=0.01 * swing)

    return reworked(case, answer), silence()


@life("each_two_minutes", "alone")
def a_pump_starts_every_half_hour(case: Case) -> tuple[Case, Expectation]:
    """A small tank upstream runs nearly dry, and its pump starts and stops every half hour for a week.

    The inlet steps up and down by a tenth. The outlet hardly sees it. Silence.
    """
    begin, end = moment(case, 3, 6), moment(case, 10, 6)

    def head(r: Rows) -> FloatArray:
        runs = np.tanh(8 * np.sin(2 * np.pi * r.times_s / 1800.0))
        return np.asarray(0.05 * np.median(r.inlet_kpa) * runs * lasting(r.times_s, begin, end, 1800))

    return feeding(case, head), silence()


# Out of use.


def _emptied(case: Case, begin: float, end: float, tau_s: float) -> Case:
    """Shut, and the outlet main drained to the air; refilled within a few minutes of the end."""

    def outlet(r: Rows) -> FloatArray:
        return np.asarray(r.outlet_kpa * np.exp(-np.maximum(r.times_s - begin, 0) / tau_s))

    return shut(case, begin, end, outlet)


@life("flow", "alone")
def a_main_is_shut_and_drained(case: Case) -> tuple[Case, Expectation]:
    """The station's main is shut off and drained for a connection, from nine to five.

    Inlet alive, no flow, the outlet runs down to nothing within the hour. Not in service; no part is broken.
    """
    begin = moment(case, 3, 9)
    end = begin + 8 * 3600
    return _emptied(case, begin, end, 900), say(
        IDLE, at=begin, within_h=4, over_by=end + 12 * 3600, began_within_h=2
    )


@life("flow", "alone")
def the_station_is_isolated_for_days(case: Case) -> tuple[Case, Expectation]:
    """A bypass main takes over for five days. Both isolating valves are shut; the body keeps some pressure.

    No flow, and the outlet sinks over half a day to a third and stays. Not in service, once.
    """
    begin = moment(case, 3, 10)
    end = begin + 5 * DAY_S

    def outlet(r: Rows) -> FloatArray:
        left = 0.35 + 0.65 * np.exp(-np.maximum(r.times_s - begin, 0) / 14400)
        return np.asarray(left * manner(case).set_kpa + 0 * r.outlet_kpa)

    return shut(case, begin, end, outlet), say(
        IDLE, at=begin, within_h=24, stands_to=end - 7200, over_by=end + DAY_S
    )


@life("flow", "alone")
def inlet_and_outlet_are_drained(case: Case) -> tuple[Case, Expectation]:
    """The whole trunk main is emptied for a day: inlet, outlet and flow all go to nothing within the hour.

    Not in service, or a starved inlet. The three transmitters are all right.
    """
    begin = moment(case, 4, 8)
    end = begin + DAY_S

    def answer(r: Rows) -> Rows:
        off = (r.times_s >= begin) & (r.times_s < end)
        left = np.where(off, np.exp(-np.maximum(r.times_s - begin, 0) / 900), 1.0)
        return Rows(r.times_s, r.inlet_kpa * left, r.outlet_kpa * left, np.where(off, 0.0, r.flow_lps))

    return reworked(case, answer), say(IDLE, STARVED, at=begin, within_h=4, over_by=end + DAY_S)


# The zone.


def _outdone(case: Case, begin: float, end: float, above: float) -> Case:
    """A neighbour holds the district ``above`` our set: we are shut, and read what it holds."""
    zone = with_neighbour(case)
    level = (1 + above) * manner(case).set_kpa

    def ours(r: Rows) -> FloatArray:
        # the district's usual ups and downs go on at the neighbour's level
        on = lasting(r.times_s, begin, end, 900)
        return np.asarray(r.outlet_kpa + on * (level - manner(case).set_kpa))

    changed = shut(zone, begin, end, ours)
    assert zone.neighbour is not None
    times_s, values = zone.neighbour
    t = times_s.astype(np.float64)
    theirs = np.maximum(values, rows_at(changed, times_s).outlet_kpa * 1.003)
    kept = np.where((t >= begin) & (t < end), theirs, values)
    return replace(changed, neighbour=(times_s, np.round(kept, 1)))


@life("flow", "zone")
def the_neighbour_s_set_is_raised(case: Case) -> tuple[Case, Expectation]:
    """The other station of the zone is set seven percent over ours and feeds everybody.

    Our valve shuts, as it must. Held shut, told within a day, and nothing about a valve that does not open.
    """
    begin = moment(case, 3, 10)
    return _outdone(case, begin, case.end_s, 0.07), say(
        "held_shut", at=begin, within_h=24, stands_to=case.end_s - 7200, began_within_h=3
    )


@life("flow", "zone")
def the_neighbour_takes_one_night(case: Case) -> tuple[Case, Expectation]:
    """For one night of works the other station is set above ours and feeds the zone alone.

    Ours rests and comes back in the morning. Held shut may be told; nothing else.
    """
    begin, end = moment(case, 3, 22), moment(case, 4, 6)
    return _outdone(case, begin, end, 0.05), silence("held_shut")


@life("flow", "zone")
def the_lead_is_isolated(case: Case) -> tuple[Case, Expectation]:
    """Ours is the lead valve of its zone, and a crew isolates it for four days; the lag carries on, lower.

    No flow here, and the outlet reads the zone, six percent under our set. Not in service, or held shut.
    """
    begin = moment(case, 3, 9)
    end = begin + 4 * DAY_S
    zone = with_neighbour(case)
    drop = 0.06 * manner(case).set_kpa
    changed = shut(zone, begin, end, lambda r: r.outlet_kpa - drop * lasting(r.times_s, begin, end, 300))
    assert zone.neighbour is not None
    times_s, values = zone.neighbour
    is_off = (times_s >= begin) & (times_s < end)
    lag = np.where(is_off, np.round(rows_at(changed, times_s).outlet_kpa * 1.002, 1), values)
    return replace(changed, neighbour=(times_s, lag)), say(
        IDLE, "held_shut", at=begin, within_h=24, stands_to=end - 7200
    )


@life("flow", "zone")
def the_lag_carries_the_zone(case: Case) -> tuple[Case, Expectation]:
    """Our station is the lag: it feeds over half of the zone until the lead is isolated for five days.

    Then all of it comes through here, by day and by night, with the outlet on its droop. The water goes
    to the same customers: no burst. Silence, or a notice that it feeds more than ever.
    """
    begin = moment(case, 3, 9)
    end = begin + 5 * DAY_S
    zone, how = with_neighbour(case), manner(case)

    def answer(r: Rows) -> Rows:
        return solved(r, how, demand=1 + 0.8 * lasting(r.times_s, begin, end, 600))

    changed = reworked(zone, answer)
    assert zone.neighbour is not None
    times_s, values = zone.neighbour
    is_off = (times_s >= begin) & (times_s < end)
    lead = np.where(is_off, np.round(rows_at(changed, times_s).outlet_kpa * 0.997, 1), values)
    return replace(changed, neighbour=(times_s, lead)), silence()
