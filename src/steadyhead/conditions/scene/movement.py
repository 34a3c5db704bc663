"""How fast the outlet moves, and whether flow or inlet moves with it."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.record import MOVES

BELOW = 0.8  # of its own scatter: what swings to and fro has its mean nearer to what is expected
if MOVES != 8:
    raise AssertionError("the median below is made for eight moves")


@njit(cache=True, inline="always")
def _in_order(a, b):  # type: ignore[no-untyped-def]
    return (a, b) if a <= b else (b, a)


@njit(cache=True)
def _median_of_moves(moves):  # type: ignore[no-untyped-def]
    """Of the eight; by exchanges alone, since room for a copy would cost more than all of them."""
    a, b = _in_order(moves[0], moves[1])
    c, d = _in_order(moves[2], moves[3])
    e, f = _in_order(moves[4], moves[5])
    g, h = _in_order(moves[6], moves[7])
    a, c = _in_order(a, c)
    b, d = _in_order(b, d)
    e, g = _in_order(e, g)
    f, h = _in_order(f, h)
    b, c = _in_order(b, c)
    f, g = _in_order(f, g)
    # two rows of four, each in order: the lesser of these pairs are the lowest four of all
    fourth = max(max(min(a, h), min(b, g)), max(min(c, f), min(d, e)))
    fifth = min(min(max(a, h), max(b, g)), min(max(c, f), max(d, e)))
    return 0.5 * (fourth + fifth)


@njit(cache=True)
def see_movement(s, t, lim):  # type: ignore[no-untyped-def]
    """Median movement of the last ticks, its correlation with flow and inlet, and periods counted."""
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
        if s.known > 0:
            off = s.departure_kpa - s.side_kpa
            s.side_kpa += g * off
            s.side_var += g * ((1.0 - g) * off * off - s.side_var)
            least_kpa = max(BELOW * np.sqrt(s.side_var), 0.5 * lim.enter_share * lim.set_kpa)
            if s.side_kpa < -least_kpa:
                s.one_sided_s = s.time_s
        if s.n_moves >= MOVES:
            s.move_kpa = _median_of_moves(s.moves)
    s.with_flow = s.c_of / np.sqrt(s.c_oo * s.c_ff) if s.c_oo * s.c_ff > 0 else 0.0
    s.with_inlet = s.c_oi / np.sqrt(s.c_oo * s.c_ii) if s.c_oo * s.c_ii > 0 else 0.0
    s.inlet_move_ratio = np.sqrt(s.c_ii / s.c_oo) if s.c_oo > 0 else 0.0
    s.cycles, s.period_s, s.swing_kpa = t.cycles, t.period_s, t.swing_kpa
