"""How many cases of which kind a set has, and how the samplings are spread over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Group = Literal["healthy", "lookalike", "fault", "other"]
Severity = Literal["any", "mild", "clear"]


@dataclass(frozen=True, slots=True)
class Quota:
    """A block of cases of one wanted outcome.

    group : healthy; lookalike: resembles one of the four; fault: of the valve; other: telemetry and the rest
    wanted : the state it has to turn out as, or "healthy"
    kinds : fault or event kinds that lead there, taken in turn
    severity : what the effect has to reach
    count : cases
    longest_s : coarsest sampling at which it can be seen at all
    """

    group: Group
    wanted: str
    kinds: tuple[str, ...]
    severity: Severity
    count: int
    longest_s: int = 900


DRIFT = ("spring_relaxed", "spring_creep_up", "pilot_blocked", "restriction_blocked", "restriction_blown_out",
         "strainer_blocked", "diaphragm_torn")  # fmt: skip
CREEP = ("seat_worn", "seat_debris", "pilot_seat_leak")
FAILURE_TO_OPEN = ("stem_travel_limited", "inlet_screen_choked", "restriction_blown_out", "pilot_blocked",
                   "stem_travel_limited", "opening_needle_in", "inlet_screen_choked")  # fmt: skip
HUNTING = ("needles_out", "air_in_chamber", "stem_friction")
FAILURE_TO_CLOSE = ("restriction_blocked", "diaphragm_torn", "closing_needle_in", "seat_debris", "stem_stuck")
SLOW = ("opening_needle_in", "closing_needle_in", "restriction_blocked", "stem_friction")

QUOTAS = (
    Quota("healthy", "healthy", ("healthy",), "any", 106),
    Quota("fault", "drift", DRIFT, "clear", 13),
    Quota("fault", "drift", DRIFT, "mild", 11),
    Quota("fault", "creep", CREEP, "clear", 12),
    Quota("fault", "creep", CREEP, "mild", 10),
    Quota("fault", "failure_to_open", FAILURE_TO_OPEN, "clear", 13),
    Quota("fault", "failure_to_open", FAILURE_TO_OPEN, "mild", 11),
    Quota("fault", "hunting", HUNTING, "clear", 13),
    Quota("fault", "hunting", HUNTING, "mild", 11),
    Quota("fault", "failure_to_close", FAILURE_TO_CLOSE, "clear", 6),
    Quota("fault", "failure_to_close", FAILURE_TO_CLOSE, "mild", 3),
    Quota("fault", "slow_response", SLOW, "clear", 4, longest_s=60),
    Quota("fault", "slow_response", SLOW, "mild", 3, longest_s=60),
    Quota("lookalike", "set_changed", ("set_readjusted", "set_readjusted", "schedule_added"), "any", 16),
    Quota("lookalike", "excess_demand", ("main_break", "hydrant"), "any", 12),
    Quota("lookalike", "inlet_starved", ("inlet_short",), "any", 10),
    Quota("lookalike", "held_shut", ("neighbour_raised",), "any", 9),
    Quota("lookalike", "healthy", ("demand_grown",), "any", 7),
    Quota("lookalike", "healthy", ("inlet_waves",), "any", 7),
    Quota("lookalike", "healthy", ("pump_cycles",), "any", 5),
    Quota("lookalike", "healthy", ("batch_demand",), "any", 6),
    Quota("lookalike", "healthy", ("dead_end_warming",), "any", 5),
    Quota("lookalike", "healthy", ("high_cutoff",), "any", 4),
    Quota("other", "sensor_fault", ("transmitter_stuck", "transmitter_spikes", "transmitter_out_of_range",
                                    "transmitter_offset", "transmitter_scaled", "tags_swapped",
                                    "flow_meter_dead"), "any", 14),
    Quota("other", "drift", ("transmitter_drift",), "any", 4),
    Quota("other", "telemetry_loss", ("data_gap",), "any", 5),
    Quota("other", "unfamiliar", ("bypass_opened",), "any", 5),
)  # fmt: skip

INTERVALS_S = (60, 900, 60, 15, 300, 900, 1, 60, 30, 900, 60, 5, 300)
"""Taken in turn over the cases of each kind: weighted towards 60 and 900 s, none left out."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One case to be drawn."""

    number: int
    quota: Quota
    turn: int
    interval_s: int


def slots(turn_first: int = 0) -> list[Slot]:
    """The cases of a set, in order; ``turn_first`` shifts which sampling meets which kind."""
    out: list[Slot] = []
    at = turn_first
    for quota in QUOTAS:
        for turn in range(quota.count):
            while INTERVALS_S[at % len(INTERVALS_S)] > quota.longest_s:
                at += 1
            out.append(Slot(len(out) + 1, quota, turn, INTERVALS_S[at % len(INTERVALS_S)]))
            at += 1
        at += 1  # so that kinds of equal count do not all meet the same samplings
    return out
