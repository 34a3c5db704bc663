"""The record of what every condition sees of a tick, so that a restart carries on from a copy of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from steadyhead.conditions.scene.numbers import N_FEATURES, N_PAST

RING_TICKS = 512  # 8.5 h at 1 min, 5 days at 15 min: enough to tell a step from a drift
MOVES = 8  # fast movement is judged by the median of this many ticks, so a single jump never counts


SCENE = np.dtype(
    [
        ("time_s", "f8"),
        ("tick_s", "f8"),
        ("outlet_kpa", "f8"),
        ("inlet_kpa", "f8"),
        ("flow_lps", "f8"),
        ("neighbour_kpa", "f8"),
        ("expected_kpa", "f8"),
        ("set_now_kpa", "f8"),
        ("set_still_s", "f8"),  # since the expected set pressure last moved
        ("flow_usual_lps", "f8"),
        ("flow_high_lps", "f8"),
        ("zero_share", "f8"),
        ("hour_local", "f8"),
        ("departure", "f8"),  # (outlet - expected) / set
        ("departure_kpa", "f8"),
        ("known", "f8"),  # outlet and expectation are there
        ("kv", "f8"),
        ("kv_need", "f8"),  # Kv that this flow would need at the expected outlet
        ("starved", "f8"),
        ("near_zero", "f8"),
        ("quiet", "f8"),  # nobody draws water: no flow, or only what fills the district by itself
        ("wide", "f8"),
        ("fast", "f8"),  # departure, mean of about 5 min
        ("drift", "f8"),  # departure while regulating, mean of about 2 h
        ("drift_age_s", "f8"),  # regulating time behind that mean
        ("drift_off_s", "f8"),  # since when that mean stands off, with its sign; 0 while it does not
        ("lean_s", "f8"),  # how long it has stood off so far, and the moments of departure and Kv since
        ("lean_at_once", "f8"),  # it came as a step, which the ring of departures forgets
        ("lean_n", "f8"),
        ("lean_k", "f8"),
        ("lean_d", "f8"),
        ("lean_kk", "f8"),
        ("lean_kd", "f8"),
        ("lean_dd", "f8"),
        ("low_class", "f8"),  # departure when little is demanded, and when that was last seen
        ("low_class_at_s", "f8"),
        ("w_n", "f8"),
        ("w_x", "f8"),
        ("w_y", "f8"),
        ("w_o", "f8"),
        ("away", "f8"),  # the outlet stands away from what is expected
        ("v_x", "f8"),
        ("v_y", "f8"),
        ("v_d", "f8"),
        ("v_o", "f8"),
        ("l_x", "f8"),
        ("l_y", "f8"),
        ("l_o", "f8"),
        ("u_x", "f8"),
        ("u_y", "f8"),
        ("u_d", "f8"),
        ("u_o", "f8"),
        ("fixed_now", "f8"),  # the same from one tick to the next
        ("fixed", "f8"),  # share of movement explained by a valve that does not move
        ("is_fixed", "f8"),
        ("is_regulating", "f8"),
        ("move_kpa", "f8"),
        ("moves", "f8", (MOVES,)),
        ("n_moves", "f8"),
        ("c_of", "f8"),
        ("c_oi", "f8"),
        ("c_oo", "f8"),
        ("c_ii", "f8"),
        ("c_ff", "f8"),
        ("with_flow", "f8"),  # correlation of fast movement of outlet and flow
        ("with_inlet", "f8"),
        ("inlet_move_ratio", "f8"),
        ("side_kpa", "f8"),  # departure over the same ticks: its mean, its variance
        ("side_var", "f8"),
        ("one_sided_s", "f8"),  # when they last lay below what is expected, 0 if never
        ("cycles", "f8"),
        ("period_s", "f8"),
        ("swing_kpa", "f8"),
        ("missing_s", "f8"),
        ("zero_s", "f8"),
        ("lock_kpa", "f8"),  # learned outlet when shut, at this hour's set pressure
        ("way", "f8"),
        ("night_way", "f8"),
        ("shut_s", "f8"),
        ("busy_s", "f8"),  # how long the hours of the week have been such as always had flow
        ("short_s", "f8"),  # how long the return of a short supply still explains a high outlet
        ("way_smooth", "f8"),  # the way without noise, and half an hour behind
        ("way_lag", "f8"),
        ("way_rate", "f8"),  # share of the way a second, now and at its fastest in this closed period
        ("way_rate_max", "f8"),
        ("way_rate_now", "f8"),  # the same over two samples where those are far apart
        ("lock_before_kpa", "f8"),  # what lock-up was a tick ago, and the way
        ("way_last", "f8"),
        ("way_shut", "f8"),  # share of the way at which this closed period began
        ("outlet_shut_kpa", "f8"),  # the outlet then
        ("way_still", "f8"),  # the way without noise, since the meter reads nothing
        ("way_before", "f8"),  # the same before it jumped, until a second sample has told
        ("way_leap", "f8"),  # the furthest it came within minutes
        ("elsewhere", "f8"),  # it was lifted faster than the meter, which read nothing, allows
        ("growth", "f8"),  # flow of the last day over what was usual then, 1 or more
        ("fall_s", "f8"),  # how long flow was seen beside what is usual
        ("fall_x", "f8"),  # moments over a day of the usual flow and of what is missing from it
        ("fall_y", "f8"),
        ("fall_xx", "f8"),
        ("fall_xy", "f8"),
        ("fall_held_s", "f8"),  # how long the same amount has been missing at every hour
        ("flow_slow", "f8"),
        ("s_zz", "f8"),
        ("s_rr", "f8"),
        ("s_rz", "f8"),
        ("s_nn", "f8"),  # the part of s_rr that lies below
        ("sag_kv", "f8"),  # mean and variance of ln Kv weighted by the sag, and of all
        ("sag_kv_var", "f8"),
        ("all_kv", "f8"),
        ("all_kv_var", "f8"),
        ("last_r", "f8"),
        ("stray_s", "f8"),  # when the present stray began, 0 if there is none
        ("strays_s", "f8", (2,)),  # when the last two that passed came to their end
        ("lag_age_s", "f8"),
        ("slow_share", "f8"),
        ("slow_since_s", "f8"),  # since when it has strayed further than it used to, on one day or more
        ("slow_seen_s", "f8"),  # when it last did
        ("spike_rate", "f8"),
        ("implausible_rate", "f8"),
        ("still_outlet_s", "f8"),
        ("still_inlet_s", "f8"),
        ("still_flow_s", "f8"),
        ("h_n", "f8"),
        ("h_sum", "f8", (7,)),
        ("h_mean", "f8", (N_FEATURES,)),
        ("h_closed", "f8"),  # an hour was closed at this tick
        ("h_hour", "f8"),
        ("novel", "f8"),  # squared distance of the last whole hour over its limit
        ("novel_hours", "f8"),
        ("past_at_s", "f8"),
        ("past_now", "f8", (N_PAST,)),
        ("past_n", "f8", (N_PAST,)),
        ("past", "f8", (3 * N_PAST,)),  # means over three horizons, see ``scene.past``
        ("past_high", "f8"),
        ("past_low", "f8"),
        ("past_swing", "f8"),
        ("ring", "f8", (RING_TICKS,)),  # departures while regulating, and their times
        ("ring_s", "f8", (RING_TICKS,)),
        ("ring_n", "f8"),
    ]
)


def new_scene() -> NDArray[Any]:
    """Start of the scene record: nothing seen yet."""
    scene = np.zeros(1, dtype=SCENE)
    for name in (
        "fast",
        "drift",
        "low_class",
        "w_x",
        "flow_slow",
        "low_class_at_s",
        "strays_s",
        "way_still",
        "way_before",
    ):
        scene[name] = np.nan
    scene["ring"] = np.nan
    scene["h_hour"] = -1
    scene["slow_seen_s"] = -np.inf
    scene["growth"] = 1.0
    scene["past_at_s"] = -np.inf
    return scene
