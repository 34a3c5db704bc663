"""What to do about each condition, what that brings and what it takes, in words."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.types import Condition
from steadyhead.weekly.model import Effort


@dataclass(frozen=True, slots=True)
class Job:
    """What to do about a condition.

    what : the job; benefit : what it brings, ``{}`` is where a number goes if there is one
    effort, takes : what it takes. Common practice, no source.
    """

    what: str
    benefit: str
    effort: Effort
    takes: str


JOBS: dict[Condition, Job] = {
    "failure_to_close": Job(
        "Bring the outlet down and find what keeps the valve open",
        "Ends overpressure on the district, and bursts that come of it.",
        "isolation", "at once; pilot circuit, then main valve, once the district is safe",
    ),
    "failure_to_open": Job(
        "Find what keeps the valve from opening",
        "Full pressure at peak demand.",
        "visit", "inlet, line valves and needles first; isolation only if these are in order",
    ),
    "creep": Job(
        "Find what passes while the valve should be shut",
        "Ends the climb of night pressure, and the leakage and bursts it feeds.",
        "isolation", "first from the desk: bypass and neighbours; then pilot seat and main seat",
    ),
    "hunting": Job(
        "Calm the valve",
        "Ends pressure swings that tire pipes, joints and the valve itself.",
        "visit", "bleed air, needles in small steps",
    ),
    "drift": Job(
        "Check against a gauge, then find why the outlet moved off set",
        "Outlet back on set.",
        "visit", "gauge, strainer, pilot",
    ),
    "set_changed": Job(
        "Ask who changed the set; put it back or record the new one",
        "The station is judged by what it is meant to hold.",
        "desk", "a call; a visit if nobody knows",
    ),
    "slow_response": Job(
        "Look at needles, strainer and air",
        "The outlet keeps up with quick changes of demand.",
        "visit", "small adjustments",
    ),
    "inlet_starved": Job(
        "Look upstream: the inlet is too low, the valve is not at fault",
        "Full pressure when demand is high; saves a visit to a sound valve.",
        "desk", "levels, pumps and line valves upstream",
    ),
    "excess_demand": Job(
        "Look for water leaving the district",
        "A burst or an open hydrant found early.",
        "desk", "flow and customers' calls first, then the field",
    ),
    "sensor_fault": Job(
        "Mend or set aside the transmitter",
        "The station can be judged again; until then nobody would see a fault.",
        "visit", "gauge beside it, then the instrument",
    ),
    "telemetry_loss": Job(
        "Bring the readings back",
        "The station can be judged again.",
        "desk", "logger, power and line; a visit if they do not answer",
    ),
    "held_shut": Job(
        "Compare the set of both stations; look at the neighbour",
        "Both feed the district as intended.",
        "desk", "sets on paper first, then a gauge at each",
    ),
    "unfamiliar": Job(
        "Look at the week's picture and ask what was different",
        "Something new is seen early, or learned as normal.",
        "desk", "a look at the page",
    ),
}  # fmt: skip
