"""From the engine's changes to one verdict per episode."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from steadyhead.alerts.model import Runner, Verdict
from steadyhead.conditions.base import INDEX
from steadyhead.conditions.scene import transition
from steadyhead.diagnosis.calibrate import confidence_of
from steadyhead.diagnosis.sentences import facts, tell
from steadyhead.engine import Change, State
from steadyhead.profile.model import Profile
from steadyhead.types import Condition
from steadyhead.units import UNIT_SYSTEMS, UnitSystem

SAME_EPISODE_S = 36 * 3600  # raised again within a day and a half: the same episode went on
WORTH_TELLING = 0.2  # of the size last told: less is the wobble of a fault that stays as it is (our own)

# What a condition is most easily mistaken for, most likely first. Common practice, no source.
RIVALS: dict[Condition, tuple[Condition, ...]] = {
    "drift": ("sensor_fault", "set_changed", "failure_to_open"),
    "creep": ("held_shut", "sensor_fault", "failure_to_close"),
    "failure_to_open": ("excess_demand", "set_changed", "inlet_starved"),
    "hunting": ("slow_response", "excess_demand", "unfamiliar"),
    "failure_to_close": ("set_changed", "drift", "sensor_fault"),
    "slow_response": ("hunting", "failure_to_open", "drift"),
    "set_changed": ("sensor_fault", "drift", "failure_to_open"),
    "inlet_starved": ("failure_to_open", "excess_demand"),
    "excess_demand": ("failure_to_open", "sensor_fault"),
    "sensor_fault": ("telemetry_loss", "unfamiliar"),
    "telemetry_loss": ("sensor_fault",),
    "held_shut": ("creep", "sensor_fault"),
    "unfamiliar": ("excess_demand", "sensor_fault"),
}


def runners_up(change: Change, confidence: float) -> tuple[Runner, ...]:
    """What else it may be. The chance left over is shared among the usual mistakes, standing ones first."""
    names = RIVALS[change.condition]
    weights = []
    for place, name in enumerate(names):
        standing = float(change.all_held[INDEX[name]]["held_s"]) > 0
        weights.append((3.0 if standing else 1.0) / (place + 1))
    left = 1.0 - confidence
    # a quarter is kept back for what has no name here
    shares = [0.75 * left * w / sum(weights) for w in weights]
    order = sorted(zip(names, shares, strict=True), key=lambda pair: -pair[1])
    return tuple(Runner(name, round(share, 3)) for name, share in order)


@dataclass(slots=True)
class Episodes:
    """Follows the changes of one station as they come, so that each episode has one verdict.

    latest : the last verdict of each condition; a live run keeps it over a restart
    """

    latest: dict[Condition, Verdict] = field(default_factory=dict)

    def take(self, change: Change, profile: Profile, units: UnitSystem) -> Verdict | None:
        """The verdict that the change makes, ends or lets go on; None if it ends nothing that is known.

        A new one has ``raised_s`` at the change. One that goes on keeps its first ``raised_s``, with
        ``ended_s`` None again and ``updated_s`` at the change.
        """
        was = self.latest.get(change.condition)
        if not change.is_raised:
            if was is None:
                return None
            ended_s = int(change.at_s - float(change.held["clear_s"]))
            now = replace(was, ended_s=max(ended_s, was.raised_s), updated_s=change.at_s)
        elif was is not None and change.at_s - (was.ended_s or change.at_s) < SAME_EPISODE_S:
            now = replace(was, ended_s=None, updated_s=change.at_s)
        else:
            now = _verdict(change, profile, units)
        self.latest[change.condition] = now
        return now

    def look_again(self, state: State, at_s: int, profile: Profile, units: UnitSystem) -> list[Verdict]:
        """New answers about what is raised, holds at this moment, and has another size than was last told.

        The size is the first, most telling figure. Name, beginning and raise stay those of the episode.
        """
        found = []
        for condition, was in list(self.latest.items()):
            held = state.held[INDEX[condition]]
            if was.ended_s is not None or not (held["active"] > 0 and held["stands"] > 0):
                continue
            seen = _verdict(Change(condition, True, at_s, state.scene[0], state.held), profile, units)
            if not _is_worth_telling(was.magnitude, seen.magnitude):
                continue
            window_s = (was.began_s, max(at_s, was.raised_s))
            now = replace(seen, raised_s=was.raised_s, began_s=was.began_s, window_s=window_s)
            self.latest[condition] = now
            found.append(now)
        return found


def _is_worth_telling(told: dict[str, float], now: dict[str, float]) -> bool:
    if not now or not math.isfinite(size := next(iter(now.values()))):
        return False
    before = next(iter(told.values()), 0.0)
    return next(iter(told), "") != next(iter(now)) or abs(size - before) > WORTH_TELLING * abs(before)


def verdicts(
    changes: list[Change], profile: Profile, until_s: int, units: UnitSystem = UNIT_SYSTEMS["kpa_lps"]
) -> list[Verdict]:
    """Episodes in order of raising; ``until_s`` is the last data time seen."""
    done: dict[tuple[Condition, int], Verdict] = {}
    episodes = Episodes()
    for change in changes:
        verdict = episodes.take(change, profile, units)
        if verdict is not None:
            done[verdict.condition, verdict.raised_s] = verdict
    return [replace(v, window_s=(v.window_s[0], until_s)) if v.ended_s is None else v for v in done.values()]


def _since_s(change: Change) -> float:
    """When it began: a step when it was taken, not when it had been watched for long enough."""
    if change.condition == "set_changed" and not change.scene["near_zero"] > 0:
        return change.at_s - float(transition(change.scene, float(change.scene["fast"]))[1])
    return float(change.held["since_s"])


def _verdict(change: Change, profile: Profile, units: UnitSystem) -> Verdict:
    telling = tell(change, profile, units)
    confidence = confidence_of(change, profile)
    began_s = int(min(max(_since_s(change), 0.0), change.at_s))
    return Verdict(
        station=profile.station,
        condition=change.condition,
        confidence=confidence,
        runners_up=runners_up(change, confidence),
        magnitude=telling.magnitude,
        evidence=telling.evidence,
        began_s=began_s,
        raised_s=change.at_s,
        ended_s=None,
        updated_s=change.at_s,
        profile_version=profile.version,
        window_s=(began_s, change.at_s),
        facts=facts(change, profile),
        traits=telling.traits,
    )
