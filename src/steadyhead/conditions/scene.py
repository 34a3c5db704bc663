"""What every condition sees of a tick: departure, regime, movement, and the short past of each.

One record holds it all, so that a restart carries on from a copy of it. Every filter is causal.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from steadyhead.types import FloatArray

RING_TICKS = 512  # 8.5 h at 1 min, 5 days at 15 min: enough to tell a step from a drift
MOVES = 8  # fast movement is judged by the median of this many ticks, so a single jump never counts
FAST_S = 300.0
WINDOW_S = 900.0
DRIFT_S = 7200.0
CLASS_S = 5400.0
WAY_S = 1800.0
AWAY_SHARE = 0.025  # of set: more than droop and noise leave unexplained, less than the mild limit of 5 %
N_FEATURES = 5
LEAST_ROOM = 0.08  # of set: with less between lock-up and inlet, noise would cover much of the way
FIXED = 0.35  # common share of movement above which the opening counts as fixed or too slow
FIXED_NOW = 0.6  # the same from tick to tick, where the lag of a working valve shows as well
AFTER_SHORT_S = 8 * 3600.0  # a valve that stood wide open lets the returning supply through: a night long
SETTLING_S = 600.0  # the surge of closing is over (common practice, no source)
USUALLY_SHUT = 0.3  # share of ticks without flow at this hour of the week
HELD = 0.2  # below which the outlet is held whatever the flow does


class Gains(NamedTuple):
    """Weight of a new tick in each running mean; they depend on the length of a tick alone."""

    fast: float
    window: float
    drift: float
    low_class: float
    moves: float
    flow_slow: float
    lag: float
    spikes: float
    implausible: float
    growth: float
    way_smooth: float
    way: float


def gains(tick_s: float) -> Gains:
    """Weights for ticks of this length."""

    def gain(tau_s: float, least_ticks: float) -> float:
        return float(1.0 - np.exp(-tick_s / max(tau_s, least_ticks * tick_s)))

    return Gains(
        fast=gain(FAST_S, 1.2),
        window=gain(WINDOW_S, 3.0),
        drift=gain(DRIFT_S, 3.0),
        low_class=gain(CLASS_S, 2.0),
        moves=gain(FAST_S, 8.0),
        flow_slow=gain(600.0, 2.0),
        lag=gain(6 * 3600.0, 40.0),
        spikes=gain(6 * 3600.0, 6.0),
        implausible=gain(900.0, 3.0),
        growth=gain(24 * 3600.0, 24.0),
        way_smooth=gain(600.0, 0.7),
        way=gain(WAY_S, 1.5),
    )


class Limits(NamedTuple):
    """Numbers of the profile that the kernels need; filled by ``profile.limits``."""

    set_kpa: float
    kv_full: float
    kv_reached: float
    kv_typical: float
    min_differential_kpa: float
    near_zero_lps: float
    lock_rise_kpa: float
    lock_known: bool
    way_high: float
    tick_kpa: float
    move_kpa: float
    still_limit_s: float
    highest_lps: float
    daily_mean_lps: float
    change_lps: float
    has_flow: bool
    has_inlet: bool
    on_change: bool
    fine: bool
    step_s: float
    drift_share: float
    enter_share: float
    hunting_share: float
    scatter_share: float
    slow_share: float
    slow_judged: bool
    night_zero: bool
    inlet_usual_kpa: float
    gains: Gains


class Familiar(NamedTuple):
    """The learned joint distribution of hourly features; ``limit`` 0 while none was learned.

    Kept apart from ``Limits``: a tuple that holds arrays costs far more to hand to each small kernel.
    """

    center: FloatArray
    scale: FloatArray
    precision: FloatArray
    limit: float


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
        ("cycles", "f8"),
        ("period_s", "f8"),
        ("swing_kpa", "f8"),
        ("missing_s", "f8"),
        ("zero_s", "f8"),
        ("lock_kpa", "f8"),  # learned outlet when shut, at this hour's set pressure
        ("way", "f8"),
        ("night_way", "f8"),
        ("shut_s", "f8"),
        ("short_s", "f8"),  # how long the return of a short supply still explains a high outlet
        ("way_smooth", "f8"),  # the way without noise, and half an hour behind
        ("way_lag", "f8"),
        ("way_rate", "f8"),  # share of the way a second, now and at its fastest in this closed period
        ("way_rate_max", "f8"),
        ("way_shut", "f8"),  # share of the way at which this closed period began
        ("growth", "f8"),  # flow of the last day over what was usual then, 1 or more
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
        ("lag_age_s", "f8"),
        ("slow_share", "f8"),
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
        ("ring", "f8", (RING_TICKS,)),  # departures while regulating, and their times
        ("ring_s", "f8", (RING_TICKS,)),
        ("ring_n", "f8"),
    ]
)


def new_scene() -> NDArray[Any]:
    """Start of the scene record: nothing seen yet."""
    scene = np.zeros(1, dtype=SCENE)
    for name in ("fast", "drift", "low_class", "w_x", "flow_slow", "low_class_at_s"):
        scene[name] = np.nan
    scene["ring"] = np.nan
    scene["h_hour"] = -1
    scene["growth"] = 1.0
    return scene


@njit(cache=True)
def _window(s, lim):  # type: ignore[no-untyped-def]
    """Is the valve moving? A fixed opening keeps Kv and lets the outlet go; a working one does the opposite.

    In x = ln flow and y = ln(differential)/2 a fixed opening has x - y constant. The share of their movement
    that is common, 1 - var(x - y) / (var x + var y), is near 1 then, and near 0 where the outlet is held
    whatever the flow does, or moves without it.
    """
    s.is_fixed = 0.0
    s.is_regulating = 0.0
    dp = s.inlet_kpa - s.outlet_kpa
    if s.quiet > 0 or not (dp > 2.0) or not (s.flow_lps > 0):
        return
    x = np.log(s.flow_lps)
    y = 0.5 * np.log(dp)
    o = s.departure_kpa
    # what was before the departure says nothing of the valve as it is now
    away = abs(s.departure) > AWAY_SHARE
    if np.isnan(s.w_x) or (away and s.away == 0):
        s.w_x, s.w_y, s.w_o = x, y, o
        s.v_x = s.v_y = s.v_d = s.v_o = 0.0
        s.u_x = s.u_y = s.u_d = s.u_o = 0.0
        s.l_x, s.l_y, s.l_o = x, y, o
        s.w_n = 1
        s.away = 1.0 if away else 0.0
        return
    if not away and abs(s.fast) < 0.5 * AWAY_SHARE:
        s.away = 0.0
    g = lim.gains.window
    ex, ey, eo = x - s.w_x, y - s.w_y, o - s.w_o
    s.w_n += 1
    g = max(g, 1.0 / s.w_n)
    s.w_x += g * ex
    s.w_y += g * ey
    s.w_o += g * eo
    keep = 1.0 - g
    s.v_x = keep * (s.v_x + g * ex * ex)
    s.v_y = keep * (s.v_y + g * ey * ey)
    s.v_d = keep * (s.v_d + g * (ex - ey) * (ex - ey))
    s.v_o = keep * (s.v_o + g * eo * eo)
    dx, dy, do = x - s.l_x, y - s.l_y, o - s.l_o
    s.l_x, s.l_y, s.l_o = x, y, o
    s.u_x = keep * s.u_x + g * dx * dx
    s.u_y = keep * s.u_y + g * dy * dy
    s.u_d = keep * s.u_d + g * (dx - dy) * (dx - dy)
    s.u_o = keep * s.u_o + g * do * do
    if s.w_n < 3:
        return
    s.fixed_now = 1.0 - s.u_d / (s.u_x + s.u_y + 1e-12)
    s.fixed = 1.0 - s.v_d / (s.v_x + s.v_y + 1e-12)
    noise = lim.tick_kpa * lim.tick_kpa
    by_level = s.fixed > FIXED and s.v_o > 6.0 * noise
    by_step = s.w_n >= 6 and s.fixed_now > FIXED_NOW and s.u_o > 6.0 * noise
    if by_level or by_step:
        s.is_fixed = 1.0
    if s.fixed < HELD and s.v_x * 4.0 * dp * dp > 9.0 * noise:
        s.is_regulating = 1.0


@njit(cache=True)
def _median_of_moves(moves):  # type: ignore[no-untyped-def]
    sorted_moves = np.empty(MOVES)
    for i in range(MOVES):
        value = moves[i]
        j = i - 1
        while j >= 0 and sorted_moves[j] > value:
            sorted_moves[j + 1] = sorted_moves[j]
            j -= 1
        sorted_moves[j + 1] = value
    return 0.5 * (sorted_moves[MOVES // 2 - 1] + sorted_moves[MOVES // 2])


@njit(cache=True)
def _movement(s, t, lim):  # type: ignore[no-untyped-def]
    if not np.isnan(t.outlet_move):
        if t.spikes > 0:  # told one sample late: the ticks it has marked are taken back
            s.n_moves = max(0.0, s.n_moves - 3.0)
        n = int(s.n_moves) % MOVES
        s.moves[n] = t.outlet_move
        s.n_moves += 1
        g = lim.gains.moves
        s.c_oo += g * (t.outlet_edge - s.c_oo)
        if not np.isnan(t.with_flow):
            s.c_of += g * (t.with_flow - s.c_of)
            s.c_ff += g * (t.flow_edge - s.c_ff)
        if not np.isnan(t.with_inlet):
            s.c_oi += g * (t.with_inlet - s.c_oi)
            s.c_ii += g * (t.inlet_edge - s.c_ii)
        if s.n_moves >= MOVES:
            s.move_kpa = _median_of_moves(s.moves)
    s.with_flow = s.c_of / np.sqrt(s.c_oo * s.c_ff) if s.c_oo * s.c_ff > 0 else 0.0
    s.with_inlet = s.c_oi / np.sqrt(s.c_oo * s.c_ii) if s.c_oo * s.c_ii > 0 else 0.0
    s.inlet_move_ratio = np.sqrt(s.c_ii / s.c_oo) if s.c_oo > 0 else 0.0
    s.cycles, s.period_s, s.swing_kpa = t.cycles, t.period_s, t.swing_kpa


@njit(cache=True)
def _lag(s, lim):  # type: ignore[no-untyped-def]
    """How far the outlet strays for the changes of demand it has to answer.

    Root mean square of the departure about its own slow mean, over that of flow about its mean of ten
    minutes: a valve that answers slowly strays further for the same demand.
    """
    if np.isnan(s.flow_lps) or s.quiet > 0:
        return
    if np.isnan(s.flow_slow):
        s.flow_slow = s.flow_lps
        return
    z = s.flow_lps - s.flow_slow
    s.flow_slow += lim.gains.flow_slow * z
    # a valve that does not move at all is not slow
    if s.starved > 0 or (s.is_fixed > 0 and s.fixed > 0.6):
        return
    if s.inlet_move_ratio > 1.5 and s.move_kpa > 3.0 * lim.move_kpa:
        return  # waves from upstream, which demand has no part in
    r = s.departure_kpa - (0.0 if np.isnan(s.drift) else s.drift * lim.set_kpa)
    # one wild hour must not fill the memory, and one wild sample not at all
    r = min(max(r, -0.15 * lim.set_kpa), 0.15 * lim.set_kpa)
    lone = r * s.last_r <= 0.0
    s.last_r, r = r, 0.0 if lone else np.sign(r) * min(abs(r), abs(s.last_r))
    g = lim.gains.lag
    s.lag_age_s += s.tick_s
    s.s_zz += g * (z * z - s.s_zz)
    s.s_rr += g * (r * r - s.s_rr)
    s.s_rz += g * (r * z - s.s_rz)
    below = min(r, 0.0)
    s.s_nn += g * (below * below - s.s_nn)
    if s.kv > 0:
        k = np.log(s.kv)
        away = k - s.all_kv
        s.all_kv += g * away
        s.all_kv_var = (1.0 - g) * (s.all_kv_var + g * away * away)
        if s.s_nn > 0:
            w = min(g * below * below / s.s_nn, 1.0)
            away = k - s.sag_kv
            s.sag_kv += w * away
            s.sag_kv_var = (1.0 - w) * (s.sag_kv_var + w * away * away)
    if s.s_zz > 0 and s.s_rr > 0:
        s.slow_share = np.sqrt(s.s_rr / s.s_zz) * lim.change_lps / lim.set_kpa


@njit(cache=True)
def _hour(s, lim, familiar):  # type: ignore[no-untyped-def]
    """Close an hour's features and measure how unfamiliar they are."""
    hour = s.time_s // 3600.0
    s.h_closed = 0.0
    if hour != s.h_hour:
        if s.h_hour >= 0 and s.h_n * s.tick_s >= 1800.0:
            s.h_closed = 1.0
            _hour_features(s, lim)
            s.novel = _distance(s.h_mean, familiar)
            s.novel_hours = s.novel_hours + 1 if s.novel > 1.0 else max(0.0, s.novel_hours - 1)
        s.h_n = 0
        s.h_sum[:] = 0.0
        s.h_hour = hour
    # hours in which the station sometimes shuts and sometimes does not are no two days alike
    if s.known > 0 and not (0.02 < s.zero_share < 0.98):
        s.h_n += 1
        s.h_sum[0] += min(max(s.departure, -0.5), 0.5)
        s.h_sum[1] += s.move_kpa
        if s.flow_lps == s.flow_lps:
            s.h_sum[2] += max(s.flow_lps, 0.0)
            s.h_sum[3] += s.flow_usual_lps * max(s.growth, 1.0)
        if s.inlet_kpa == s.inlet_kpa:
            s.h_sum[4] += s.inlet_kpa - lim.inlet_usual_kpa
        if s.kv == s.kv and s.kv_need == s.kv_need:
            s.h_sum[5] += s.kv
            s.h_sum[6] += s.kv_need


@njit(cache=True)
def _hour_features(s, lim):  # type: ignore[no-untyped-def]
    """Departure, movement, flow against usual, inlet, Kv against need; ratios as logarithms."""
    small_flow = 0.25 * lim.daily_mean_lps + 0.01
    small_kv = 0.05 * lim.kv_typical + 0.01
    h, n = s.h_sum, s.h_n
    s.h_mean[0] = h[0] / n
    s.h_mean[1] = np.log((h[1] / n + 0.1 * lim.move_kpa + 0.01) / (lim.move_kpa + 0.01))
    s.h_mean[2] = np.log((h[2] / n + small_flow) / (h[3] / n + small_flow))
    s.h_mean[3] = h[4] / n / max(lim.set_kpa, 1.0)
    s.h_mean[4] = np.log((h[5] / n + small_kv) / (h[6] / n + small_kv))


@njit(cache=True)
def _spreads(features, familiar, i):  # type: ignore[no-untyped-def]
    """Feature ``i`` in robust spreads. Departure and movement weigh little: they have their conditions."""
    most = 2.0 if i < 2 else 12.0  # as in ``profile.novelty``
    return min(max((features[i] - familiar.center[i]) / familiar.scale[i], -most), most)


@njit(cache=True)
def _distance(features, familiar):  # type: ignore[no-untyped-def]
    """Squared Mahalanobis distance over its limit; 0 while none was learned."""
    if familiar.limit <= 0:
        return 0.0
    total = 0.0
    for i in range(N_FEATURES):
        zi = _spreads(features, familiar, i)
        for j in range(N_FEATURES):
            zj = _spreads(features, familiar, j)
            total += zi * familiar.precision[i, j] * zj
    return total / familiar.limit


@njit(cache=True)
def _fills_by_itself(s, lim):  # type: ignore[no-untyped-def]
    """Water that lifts the district past lock-up at hours when the station is shut as a rule, or once it was.

    A valve that leaks fills the district; the meter shows that, though nobody draws water.
    """
    if not lim.lock_known or not s.outlet_kpa > s.lock_kpa + 2.0 * lim.tick_kpa:
        return False
    small = s.flow_lps < 0.5 * lim.daily_mean_lps
    return small and (s.zero_share > USUALLY_SHUT or s.quiet > 0)


@njit(cache=True)
def update(s, t, expected, set_now, usual, high, zero, hour_local, lim, familiar):  # type: ignore[no-untyped-def]
    """Bring the scene record ``s`` to the end of tick ``t``."""
    s.outlet_kpa, s.inlet_kpa, s.flow_lps = t.outlet_kpa, t.inlet_kpa, t.flow_lps
    s.neighbour_kpa = t.neighbour_kpa
    moved = abs(set_now - s.set_now_kpa) > 0.005 * lim.set_kpa
    s.set_still_s = 0.0 if moved else s.set_still_s + s.tick_s
    s.expected_kpa, s.set_now_kpa = expected, set_now
    s.flow_usual_lps, s.flow_high_lps, s.zero_share, s.hour_local = usual, high, zero, hour_local
    s.still_outlet_s, s.still_inlet_s, s.still_flow_s = t.still_outlet_s, t.still_inlet_s, t.still_flow_s
    s.spike_rate += lim.gains.spikes * (t.spikes - s.spike_rate)
    s.implausible_rate += lim.gains.implausible * ((1.0 if t.implausible > 0 else 0.0) - s.implausible_rate)
    missing = np.isnan(t.outlet_kpa)
    s.known = 0.0 if missing or np.isnan(expected) else 1.0
    s.missing_s = s.missing_s + s.tick_s if missing and t.implausible == 0 else 0.0
    s.near_zero = 1.0 if s.flow_lps <= lim.near_zero_lps else 0.0
    if s.flow_usual_lps > 0.2 * lim.daily_mean_lps and s.flow_lps == s.flow_lps:
        ratio = min(max(s.flow_lps / s.flow_usual_lps, 0.5), 2.0)
        s.growth += lim.gains.growth * (ratio - s.growth)
    s.zero_s = s.zero_s + s.tick_s if s.near_zero > 0 else (s.zero_s if np.isnan(s.flow_lps) else 0.0)
    s.departure_kpa = t.outlet_kpa - expected
    s.departure = s.departure_kpa / lim.set_kpa
    s.lock_kpa = s.set_now_kpa + lim.lock_rise_kpa if lim.lock_known else s.expected_kpa
    s.quiet = 1.0 if s.near_zero > 0 or _fills_by_itself(s, lim) else 0.0
    dp = s.inlet_kpa - s.outlet_kpa
    need = s.inlet_kpa - expected
    s.kv = 36.0 * s.flow_lps / np.sqrt(dp) if dp > 1.0 else np.nan
    s.kv_need = 36.0 * s.flow_lps / np.sqrt(need) if need > 1.0 else np.nan
    loss = (36.0 * max(s.flow_lps, 0.0) / lim.kv_full) ** 2 if not np.isnan(s.flow_lps) else 0.0
    s.starved = 1.0 if need < max(1.25 * loss + 0.02 * lim.set_kpa, lim.min_differential_kpa) else 0.0
    s.wide = 1.0 if dp < 1.6 * loss + 0.01 * lim.set_kpa else 0.0
    if s.starved > 0:
        s.short_s = AFTER_SHORT_S
    elif s.quiet == 0 and abs(s.departure) < lim.enter_share:
        s.short_s = 0.0
    else:
        s.short_s = max(0.0, s.short_s - s.tick_s)
    if s.known > 0:
        _departures(s, lim)
        _window(s, lim)
        _lag(s, lim)
    _movement(s, t, lim)
    _hour(s, lim, familiar)


@njit(cache=True)
def _departures(s, lim):  # type: ignore[no-untyped-def]
    d = s.departure
    if np.isnan(s.fast):
        s.fast = d
    s.fast += lim.gains.fast * (d - s.fast)
    regulating = s.quiet == 0 and s.starved == 0
    if regulating:
        s.ring[int(s.ring_n) % RING_TICKS] = s.fast
        s.ring_s[int(s.ring_n) % RING_TICKS] = s.time_s
        s.ring_n += 1
        clipped = d
        if np.isnan(s.drift):
            s.drift = 0.0
        # a single wild value must not look like a drift
        clipped = min(max(d, s.drift - 0.06), s.drift + 0.06)
        s.drift += lim.gains.drift * (clipped - s.drift)
        s.drift_age_s += s.tick_s
        if lim.has_flow and s.kv_need < 0.7 * lim.kv_typical:
            if np.isnan(s.low_class):
                s.low_class = d
            s.low_class += lim.gains.low_class * (d - s.low_class)
            s.low_class_at_s = s.time_s
    s.way = np.nan
    if s.quiet == 0:
        s.way_shut = np.nan
        s.shut_s = 0.0
    if s.quiet > 0 and lim.lock_known and s.inlet_kpa > s.lock_kpa + LEAST_ROOM * lim.set_kpa:
        s.way = (s.outlet_kpa - s.lock_kpa) / (s.inlet_kpa - s.lock_kpa)
        s.shut_s += s.tick_s
        if np.isnan(s.way_shut) or s.shut_s <= SETTLING_S:
            s.way_shut = s.way_lag = s.way_smooth = s.way
            s.way_rate = s.way_rate_max = 0.0
        s.way_smooth += lim.gains.way_smooth * (s.way - s.way_smooth)
        s.way_lag += lim.gains.way * (s.way_smooth - s.way_lag)
        stood_s = s.shut_s - SETTLING_S
        if stood_s > 0.5 * WAY_S:
            # behind a straight line a running mean lags by this many seconds of it
            s.way_rate = (s.way_smooth - s.way_lag) / (WAY_S * (1.0 - np.exp(-stood_s / WAY_S)))
            s.way_rate_max = max(s.way_rate, s.way_rate_max)
        night = s.hour_local < 6 or s.hour_local >= 22
        if night:
            s.night_way = max(s.way, s.night_way * (1.0 - s.tick_s / 86400.0))


@njit(cache=True)
def transition(s, level):  # type: ignore[no-untyped-def]
    """How the departure came about.

    Returns (seconds it took to get from 30 % to 75 % of ``level``, seconds since it got there, relative
    change of level since, mean of the half hour before over the level); the first is infinite where the ring
    holds no start.
    """
    n = int(min(s.ring_n, RING_TICKS))
    if n < 6:
        return np.inf, 0.0, np.inf, 1.0
    newest = int(s.ring_n) - 1
    sign = 1.0 if level > 0 else -1.0
    size = abs(level)
    quiet = -1
    for back in range(n):
        if sign * s.ring[(newest - back) % RING_TICKS] < 0.3 * size:
            quiet = back
            break
    if quiet <= 0:
        return np.inf, 0.0, np.inf, 1.0
    there = 0
    for back in range(quiet - 1, -1, -1):
        if sign * s.ring[(newest - back) % RING_TICKS] > 0.75 * size:
            there = back
            break
    there_s = s.ring_s[(newest - there) % RING_TICKS]
    took = there_s - s.ring_s[(newest - quiet) % RING_TICKS]
    first, last = 0.0, 0.0
    third = max(1, (there + 1) // 3)
    for back in range(third):
        last += s.ring[(newest - back) % RING_TICKS]
        first += s.ring[(newest - (there - back)) % RING_TICKS]
    change = abs(last - first) / third / size
    before, n_before = 0.0, 0
    quiet_s = s.ring_s[(newest - quiet) % RING_TICKS]
    for back in range(quiet, n):
        if n_before >= 3 and s.ring_s[(newest - back) % RING_TICKS] < quiet_s - 1800.0:
            break
        before += sign * s.ring[(newest - back) % RING_TICKS]
        n_before += 1
    return took, s.ring_s[newest % RING_TICKS] - there_s, change, before / n_before / size
