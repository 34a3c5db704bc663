"""How fast the outlet moves, and whether flow or inlet moves with it."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.record import MOVES


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
        if s.n_moves >= MOVES:
            s.move_kpa = _median_of_moves(s.moves)
    s.with_flow = s.c_of / np.sqrt(s.c_oo * s.c_ff) if s.c_oo * s.c_ff > 0 else 0.0
    s.with_inlet = s.c_oi / np.sqrt(s.c_oo * s.c_ii) if s.c_oo * s.c_ii > 0 else 0.0
    s.inlet_move_ratio = np.sqrt(s.c_ii / s.c_oo) if s.c_oo > 0 else 0.0
    s.cycles, s.period_s, s.swing_kpa = t.cycles, t.period_s, t.swing_kpa
