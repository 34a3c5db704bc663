"""The re-raise guard: one table of how soon a condition may come back as a new alert, and call again.

On-delay, off-delay and hysteresis are the engine's (``conditions/``). What gets past them and still comes and
goes is held here: a raise within ``join_s`` of the end belongs to the same alert, and a raise within
``quiet_s`` of the last call makes the alert active again without calling again.
"""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.diagnosis.weigh import SAME_EPISODE_S
from steadyhead.types import Condition

_HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Guard:
    """Times of one condition [s].

    join_s : raised again within this of its end: the same alert goes on. It is the time that a replay uses
        (``diagnosis.weigh``) for all conditions, so that a live run and a replay tell the same episodes
    quiet_s : raised again within this of its last call: no further call
    """

    quiet_s: int
    join_s: int = SAME_EPISODE_S


# quiet_s: common practice, no source. Short where people or pipes can come to harm meanwhile, half a day for
# what shows only at night or at the peak and is no more urgent the second time.
GUARDS: dict[Condition, Guard] = {
    "failure_to_close": Guard(_HOUR_S // 4),
    "failure_to_open": Guard(_HOUR_S // 2),
    "excess_demand": Guard(_HOUR_S // 2),
    "inlet_starved": Guard(_HOUR_S),
    "telemetry_loss": Guard(_HOUR_S),
    "hunting": Guard(4 * _HOUR_S),
    "set_changed": Guard(4 * _HOUR_S),
    "sensor_fault": Guard(4 * _HOUR_S),
    "drift": Guard(12 * _HOUR_S),
    "creep": Guard(12 * _HOUR_S),
    "slow_response": Guard(12 * _HOUR_S),
    "held_shut": Guard(12 * _HOUR_S),
    "unfamiliar": Guard(12 * _HOUR_S),
}


def is_same_episode(condition: Condition, ended_s: int, raised_s: int) -> bool:
    """Whether a raise goes on with the alert that ended at ``ended_s``."""
    return raised_s - ended_s < GUARDS[condition].join_s


def is_kept_quiet(condition: Condition, announced_s: int | None, raised_s: int) -> bool:
    """Whether a raise comes too soon after the last call to call again."""
    return announced_s is not None and 0 <= raised_s - announced_s < GUARDS[condition].quiet_s
