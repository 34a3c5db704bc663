"""One stretch of the plant, step by step: the only loop that has to be fast.

State between stretches is a small vector, so a run can be cut and continued anywhere on a minute.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numba
import numpy as np

from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant.pilot import NEEDLE_LAMINAR_KPA, ORIFICE_SOFT_KPA
from steadyhead.proving_plant.valve import KV_HEAD, balance_kpa, kv_at
from steadyhead.types import FloatArray

STEPS_PER_S = 4
ATMOSPHERE_KPA = 101.325
AIR_SHARE_OF_STEP = (
    0.25  # air follows the chamber over about 1 s; keeps the explicit step stable with much air
)
FULL_SERVICE_KPA = (
    60.0  # below about 6 m head taps no longer get what they ask for; common practice, no source
)

STUCK_KPA = 1e6  # friction from here on means a stem that cannot move at all

STATE = (
    "outlet_kpa",
    "district_kpa",
    "line_lps",
    "sensed_kpa",
    "junction_kpa",
    "chamber_kpa",
    "drained",
    "air_lift",
    "lift",
    "motion",
    "bypass_opening",
    "inlet_kpa",
    "valve_inlet_kpa",
    "metered_lps",
)
"""drained: chamber water that has left, in strokes; motion: -1 closing, 0 at rest, 1 opening."""

SECONDS = ("outlet_kpa", "inlet_kpa", "flow_lps", "lift", "chamber_kpa", "district_kpa", "supplied_lps")
"""Columns of what the kernel writes each second; all instantaneous except supplied_lps, the mean water taken
from the district over the second that follows (demand, leakage and holes)."""


class Fixed(NamedTuple):
    """What does not change in a run; units as in the dataclasses it is taken from."""

    kv_m3h: float
    trim_bend: float
    seat_share: float
    lifted_share: float
    lift_off: float
    spring_kpa: float
    spring_rate_kpa: float
    stroke_l: float
    band_kpa: float
    upstream_loss: float
    main_compliance: float
    compliance: float
    surge_impedance: float
    line_inertia: float
    line_loss: float
    leakage_lps: float
    leakage_power: float
    reference_kpa: float
    pressure_share: float
    bypass_kv_m3h: float
    bypass_band_kpa: float
    neighbour_resistance: float


@numba.njit(cache=True)  # type: ignore[misc, unused-ignore]
def run(  # noqa: C901 - one loop: calls per step would cost more than the physics
    fixed: Fixed, minutes: FloatArray, demand_lps: FloatArray, source_kpa: FloatArray, state: FloatArray
) -> FloatArray:
    """Step the plant through ``minutes`` (one row each); returns shape (n_seconds, len(SECONDS)).

    state : shape (len(STATE),), changed in place to the state at the end
    """
    f = fixed
    dt = 1.0 / STEPS_PER_S
    out = np.empty((demand_lps.shape[0], 7))
    p2, p3, line, sensed = state[0], state[1], state[2], state[3]
    pj, pc, drained, air_lift, lift, motion = state[4], state[5], state[6], state[7], state[8], state[9]
    small, p1, p1v, metered = state[10], state[11], state[12], state[13]
    line_g = 1.0 / f.surge_impedance
    for minute in range(minutes.shape[0]):
        row = minutes[minute]
        spring_set, feed, pilot, pilot_leak = (
            row[col.SPRING_SET],
            row[col.FEED],
            row[col.PILOT],
            row[col.PILOT_LEAK],
        )
        needle_open, needle_close, tear = row[col.OPENING_NEEDLE], row[col.CLOSING_NEEDLE], row[col.TEAR]
        low, high = row[col.LIFT_LOW], row[col.LIFT_HIGH]
        grip, drag = row[col.FRICTION_STATIC], row[col.FRICTION_MOVING]
        seat_kv, air, screen = row[col.SEAT_KV], row[col.AIR], row[col.SCREEN_LOSS]
        hand_kv, orifice, thermal = row[col.HAND_BYPASS_KV], row[col.ORIFICE], row[col.THERMAL]
        neighbour, small_set = row[col.NEIGHBOUR], row[col.BYPASS_SET]
        sense_gain = dt / (row[col.SENSE_LAG] + dt)
        air_reference = spring_set + 0.5 * (source_kpa[60 * minute] - spring_set) + ATMOSPHERE_KPA
        for second in range(60 * minute, 60 * minute + 60):
            out[second, 0], out[second, 1], out[second, 2] = p2, p1, metered
            out[second, 3], out[second, 4], out[second, 5] = lift, pc, p3
            source = source_kpa[second]
            # Demand, leakage and holes as a straight line around this second's district pressure.
            at = max(p3, 0.05)
            ratio = at / f.reference_kpa
            root = math.sqrt(ratio)
            wanted = demand_lps[second]
            served = min(1.0, at / FULL_SERVICE_KPA)
            leak = f.leakage_lps * ratio**f.leakage_power if f.leakage_lps > 0.0 else 0.0
            by_root = (wanted * f.pressure_share + orifice) * root
            taken0 = wanted * (1.0 - f.pressure_share) * served + by_root + leak
            slope = (0.5 * by_root + f.leakage_power * leak) / at
            if p3 <= 0.0:
                taken0, slope = 0.0, 0.0
            p30 = p3
            supplied = 0.0
            for _ in range(STEPS_PER_S):
                # Chamber and pilot circuit, with orifices as conductances at the last step's drops.
                # A check valve keeps water from running back to the inlet main when that is lower.
                upper = max(p1v, p2)
                balance = balance_kpa(
                    lift,
                    upper,
                    p2,
                    f.seat_share,
                    f.lifted_share,
                    f.lift_off,
                    f.spring_kpa,
                    f.spring_rate_kpa,
                )
                opening = min(max((spring_set - sensed) / f.band_kpa, pilot_leak), 1.0)
                g_feed = feed / math.sqrt(abs(upper - pj) + ORIFICE_SOFT_KPA)
                g_pilot = pilot * opening / math.sqrt(abs(pj - p2) + ORIFICE_SOFT_KPA)
                needle = needle_close if pj > pc else needle_open
                g_needle = needle / math.sqrt(abs(pj - pc) + NEEDLE_LAMINAR_KPA)
                g_tear = 0.0
                g_through = 0.0
                if tear > 0.0:
                    g_tear = tear / math.sqrt(abs(pc - p2) + ORIFICE_SOFT_KPA)
                    g_through = g_needle * g_tear / (g_needle + g_tear)
                free_j = (g_feed * upper + (g_pilot + g_through) * p2) / (
                    g_feed + g_pilot + g_through + 1e-12
                )
                free_c = free_j
                if tear > 0.0:
                    free_c = (g_needle * free_j + g_tear * p2) / (g_needle + g_tear)
                if motion == 0.0:
                    if free_c > balance + grip:
                        motion = -1.0
                    elif free_c < balance - grip:
                        motion = 1.0
                if grip >= STUCK_KPA or (motion < 0.0 and lift <= low) or (motion > 0.0 and lift >= high):
                    motion = 0.0
                filling = 0.0
                if motion != 0.0:
                    pc = balance - motion * drag
                    pj = (g_feed * upper + g_pilot * p2 + g_needle * pc) / (g_feed + g_pilot + g_needle)
                    filling = g_needle * (pj - pc) - g_tear * (pc - p2)
                    if filling * motion > 0.0:
                        motion = 0.0
                        filling = 0.0
                if motion == 0.0:
                    pj = free_j
                    pc = free_c
                drained -= filling * dt / f.stroke_l
                if air > 0.0:
                    target = air * (1.0 - air_reference / (pc + ATMOSPHERE_KPA))
                    air_lift += AIR_SHARE_OF_STEP * (target - air_lift)
                else:
                    air_lift = 0.0
                # At rest, on a stop or held by friction, water makes room for what the air gives up.
                if motion != 0.0 or lift < low or lift > high:
                    lift = min(max(drained + air_lift, low), high)
                drained = lift - air_lift
                pilot_lps = g_pilot * (pj - p2) + g_tear * (pc - p2)
                feed_lps = g_feed * (upper - pj)

                # Main valve, small valve and hand bypass side by side; upstream losses in series with them.
                kv = kv_at(lift, f.kv_m3h, f.trim_bend) + seat_kv
                if f.bypass_kv_m3h > 0.0:
                    target = min(max((small_set - p2) / f.bypass_band_kpa, 0.0), 1.0)
                    small += (target - small) * dt / (1.0 + dt)
                    kv += f.bypass_kv_m3h * small
                whole = kv + hand_kv
                drop = source - p2
                g_valve = 0.0
                if drop > 0.0:
                    g_valve = whole / math.sqrt(
                        (KV_HEAD + (f.upstream_loss + screen) * whole * whole) * (drop + 0.02)
                    )
                # Implicit in the outlet: the flow used is the flow at the new outlet, whatever the stiffness.
                main = f.main_compliance / dt
                p2 = (main * p2 + g_valve * source + line_g * p3 - line + pilot_lps) / (
                    main + g_valve + line_g
                )
                passed = max(g_valve * (source - p2), 0.0)
                all_lps = passed + max(feed_lps, 0.0)
                metered = all_lps - (passed * hand_kv / whole if hand_kv > 0.0 else 0.0)
                p1 = source - f.upstream_loss * all_lps * all_lps
                p1v = p1 - screen * all_lps * all_lps

                # Outlet main (surge impedance beside inertia), then the district.
                into = line + line_g * (p2 - p3)
                line += dt / f.line_inertia * (p2 - p3 - f.line_loss * line * abs(line))
                taken = taken0 + slope * (p3 - p30)
                gain = into + thermal - taken
                stiff = f.compliance + dt * slope
                if f.neighbour_resistance > 0.0 and neighbour > p3:
                    gain += (neighbour - p3) / f.neighbour_resistance
                    stiff += dt / f.neighbour_resistance
                change = gain * dt / stiff
                supplied += taken + slope * change
                p3 += change
                sensed += sense_gain * (p2 - sensed)
            out[second, 6] = supplied * dt
    state[0], state[1], state[2], state[3] = p2, p3, line, sensed
    state[4], state[5], state[6], state[7], state[8], state[9] = pj, pc, drained, air_lift, lift, motion
    state[10], state[11], state[12], state[13] = small, p1, p1v, metered
    return out
