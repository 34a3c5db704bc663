"""The main valve: what it passes at an opening, and what its plug and diaphragm feel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba

KV_HEAD = 1296.0
"""dp[kPa] = KV_HEAD * (Q[L/s] / Kv[m3/h])^2, from Q[m3/h] = Kv * sqrt(dp[bar]) (IEC 60534-2-1, turbulent,
not choked, relative density 1): 3.6^2 * 100."""


@dataclass(frozen=True, slots=True)
class MainValve:
    """A diaphragm globe valve, flow under the seat.

    size_mm : nominal size, a label only
    kv_m3h : flow coefficient at full lift [m3/h at 1 bar]
    trim_bend : 0 makes Kv proportional to lift; larger makes it rise faster near the seat, as flat discs do
    seat_share : seat area over diaphragm area, felt when shut; the inlet acts on it
    lifted_share : the same, felt well off the seat, where the stream lowers the pressure under the disc
    lift_off : lift (share of travel) over which half of the change between the two happens
    spring_kpa, spring_rate_kpa : closing spring as pressure on the diaphragm: at the seat, added at full lift
    stroke_l : chamber volume from shut to full lift [L]
    """

    size_mm: int = 100
    kv_m3h: float = 120.0
    trim_bend: float = 0.6
    seat_share: float = 0.72
    lifted_share: float = 0.46
    lift_off: float = 0.2
    spring_kpa: float = 0.3
    spring_rate_kpa: float = 0.5
    stroke_l: float = 0.7

    def inlet_share(self, lift: float) -> float:
        """Share of the pressure drop that the chamber carries at a lift."""
        return self.lifted_share + (self.seat_share - self.lifted_share) / (1.0 + lift / self.lift_off)


@numba.njit(cache=True, inline="always")  # type: ignore[misc, unused-ignore]
def kv_at(lift: float, kv_m3h: float, trim_bend: float) -> float:
    """Flow coefficient at a lift in [0, 1] [m3/h]."""
    return kv_m3h * lift * (1.0 + trim_bend) / (1.0 + trim_bend * lift)


@numba.njit(cache=True, inline="always")  # type: ignore[misc, unused-ignore]
def balance_kpa(
    lift: float,
    inlet_kpa: float,
    outlet_kpa: float,
    seat_share: float,
    lifted_share: float,
    lift_off: float,
    spring_kpa: float,
    spring_rate_kpa: float,
) -> float:
    """Chamber pressure that holds the plug still at a lift [kPa].

    Force balance on plug and diaphragm: chamber and spring push down on the whole diaphragm, the inlet pushes
    up on the seat's area, the outlet on the rest. The share the inlet acts on falls as the disc lifts; that
    makes the pilot open a little more at more flow, which is the droop.
    """
    share = lifted_share + (seat_share - lifted_share) / (1.0 + lift / lift_off)
    chamber = outlet_kpa + share * (inlet_kpa - outlet_kpa) - (spring_kpa + spring_rate_kpa * lift)
    low = min(inlet_kpa, outlet_kpa)
    return min(max(chamber, low), max(inlet_kpa, outlet_kpa))


def flow_lps(kv_m3h: float, drop_kpa: float) -> float:
    """Flow through a valve of a Kv at a pressure drop [L/s]; zero when the drop is not positive."""
    return kv_m3h * math.sqrt(max(drop_kpa, 0.0) / KV_HEAD)
