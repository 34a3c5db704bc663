"""From the engine's changes to one answer per episode: which name, how sure, what else it may be.

The rules of ``conditions`` say when something is wrong and what each of them makes of it. What it is called
comes from the posterior of ``diagnosis.forest`` over all of them, healthy included: an alert is raised when
the chance that nothing is wrong has become small, gets the likeliest name, and may get another as evidence
grows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from steadyhead.alerts.model import Renaming, Runner, Verdict
from steadyhead.conditions.base import INDEX
from steadyhead.conditions.scene import transition
from steadyhead.conditions.unfamiliar import UNLIKE
from steadyhead.diagnosis.features import vector
from steadyhead.diagnosis.forest import NONE, shipped
from steadyhead.diagnosis.phrases import local_time
from steadyhead.diagnosis.sentences import facts, tell, words_of
from steadyhead.engine import Change, State
from steadyhead.profile.model import Profile
from steadyhead.types import CONDITIONS, Condition
from steadyhead.units import UNIT_SYSTEMS, UnitSystem

SAME_EPISODE_S = 36 * 3600  # raised again within a day and a half: the same episode went on
WORTH_TELLING = 0.2  # of the size last told: less is the wobble of a fault that stays as it is (our own)
SURE_MOVED = 0.15  # change of confidence that is worth telling
RAISED_FROM = 0.5  # chance that something is wrong; chosen on worlds left out of the training
LIKELY, CLEARLY = (
    0.55,
    0.8,
)  # chance from which a name is told at once; the same for hours that are only unlike
NOT_TO_MISS = 0.2  # chance from which more flow than ever is told (our own, by what a burst costs)
WAITED_S = 24 * 3600  # by then it is told although no name is likely
RENAMED_FROM = 0.15  # by so much another name must be likelier than the one that stands; the same
UNLIKE_S = 48 * 3600  # without any name for so long, unlike all hours learned is worth a call
LEAST_RUNNER = 0.03
PLAINLY = 0.97  # that what logic alone decides, such as silence, is what it is called
CANNOT_TELL_WORDS = "The log cannot tell yet"
CANNOT_TELL = 0.5  # below that chance the runner-up is named in the evidence

Posterior = dict[str, float]


def posterior(change: Change, profile: Profile) -> Posterior:
    """Chance of each condition, and of "none", at this moment."""
    if change.condition == "telemetry_loss":
        return {"telemetry_loss": PLAINLY, NONE: 1.0 - PLAINLY}
    forest = shipped()
    return forest.posterior(vector(change, profile, forest.names), change.condition)


def best_name(chances: Posterior) -> Condition:
    """The likeliest condition; healthy is none."""
    return max((name for name in CONDITIONS if name in chances), key=lambda name: chances[name])


def runners_up(chances: Posterior, name: Condition) -> tuple[Runner, ...]:
    """What else it may be, likeliest first."""
    others = [Runner(n, round(chances[n], 3)) for n in CONDITIONS if n != name and n in chances]
    return tuple(sorted((r for r in others if r.confidence >= LEAST_RUNNER), key=lambda r: -r.confidence)[:3])


@dataclass(slots=True)
class Naming:
    """Which name the claim of each rule goes by: the one decision that engine, scan and evaluation share.

    held : by rule that stands: the name told, or "" while nothing is told of it
    """

    held: dict[Condition, str] = field(default_factory=dict)

    def decide(
        self, rule: Condition, chances: Posterior, age_s: float, is_fed: bool = False
    ) -> tuple[str, Condition] | None:
        """What to tell at a raise or a look: ("raised" | "renamed" | "stands", name), or None for nothing.

        age_s : since the rule raised its claim; is_fed : it says that the district is fed from elsewhere
        """
        told = self.held.setdefault(rule, "")
        name = best_name(chances)
        is_wrong = 1.0 - chances[NONE] >= RAISED_FROM
        # a doubtful name waits for another look, since most that come to nothing are such
        is_likely = chances[name] >= (LIKELY if rule != "unfamiliar" else CLEARLY)
        if rule == "excess_demand" and chances[rule] >= NOT_TO_MISS:
            is_wrong = is_likely = True  # a burst that nobody was told of costs more than a look at a meter
        if not told:
            if rule == "unfamiliar" and (is_fed or (not is_wrong and age_s >= UNLIKE_S)):
                name = "unfamiliar"
            elif not is_wrong or (not is_likely and (age_s < WAITED_S or rule == "unfamiliar")):
                return None
            if name in self.held.values():
                return None  # the same, by another sign; told already
            self.held[rule] = name
            return "raised", name
        if told == "unfamiliar":
            is_clear = is_wrong and is_likely and not is_fed
        else:
            is_clear = chances[name] - chances.get(told, 0.0) >= RENAMED_FROM
        if name == told or not is_clear or name in self.held.values():
            return "stands", told  # type: ignore[return-value]
        self.held[rule] = name
        return "renamed", name

    def let_go(self, rule: Condition) -> Condition | None:
        """The rule's claim is over; the name that ends with it, None if another holds it or none was told."""
        told = self.held.pop(rule, "")
        return told or None  # type: ignore[return-value]


@dataclass(slots=True)
class Episodes:
    """Follows the changes of one station as they come, so that each episode has one verdict.

    latest : the last verdict of each name; a live run keeps both over a restart
    """

    latest: dict[Condition, Verdict] = field(default_factory=dict)
    naming: Naming = field(default_factory=Naming)

    def copy(self) -> Episodes:
        """An independent copy; verdicts are never changed once made."""
        return Episodes(dict(self.latest), Naming(dict(self.naming.held)))

    def take(self, change: Change, profile: Profile, units: UnitSystem) -> tuple[str, Verdict] | None:
        """What the change makes of the episodes: "raised", "updated" or "cleared", and the verdict.

        None if nothing has to be told. A new verdict has ``raised_s`` at the change. One that goes on keeps
        its first ``raised_s``, with ``ended_s`` None again and ``updated_s`` at the change.
        """
        rule = change.condition
        if not change.is_raised and not change.is_look:
            name = self.naming.let_go(rule)
            was = self.latest.get(name) if name is not None else None
            if was is None or was.ended_s is not None:
                return None
            ended_s = int(change.at_s - float(change.held["clear_s"]))
            now = replace(was, ended_s=max(ended_s, was.raised_s), updated_s=change.at_s)
            self.latest[was.condition] = now
            return "cleared", now
        chances = posterior(change, profile)
        age_s = change.at_s - float(change.held["raised_s"])
        before = self.naming.held.get(rule, "")
        is_fed = rule == "unfamiliar" and float(change.held["kind"]) != UNLIKE
        decided = self.naming.decide(rule, chances, age_s, is_fed)
        if decided is None:
            return None
        kind, name = decided
        if kind == "raised":
            was = self.latest.get(name)
            if was is not None and change.at_s - (was.ended_s or change.at_s) < SAME_EPISODE_S:
                now = replace(was, ended_s=None, updated_s=change.at_s)
            else:
                now = _verdict(change, name, chances, profile, units)
            self.latest[name] = now
            return "raised", now
        told = self.latest.get(before)  # type: ignore[call-overload]
        if told is None or (kind == "stands" and not self._is_surer(told, chances)):
            return None
        if kind == "stands":  # surer or less sure; its figures are those of the raise, or of ``look_again``
            now = _surer(told, chances, change.at_s)
            self.latest[name] = now
            return "updated", now
        now = _carried_on(told, _verdict(change, name, chances, profile, units), profile)
        self.latest.pop(told.condition)
        self.latest[name] = now
        return "updated", now

    def _is_surer(self, told: Verdict, chances: Posterior) -> bool:
        return abs(chances.get(told.condition, told.confidence) - told.confidence) >= SURE_MOVED

    def look_again(self, state: State, at_s: int, profile: Profile, units: UnitSystem) -> list[Verdict]:
        """New answers about what is raised, holds at this moment, and has another size than was last told.

        The size is the first, most telling figure. Name, beginning and raise stay those of the episode.
        """
        found = []
        for rule, name in list(self.naming.held.items()):
            held = state.held[INDEX[rule]]
            was = self.latest.get(name)  # type: ignore[call-overload]
            if was is None or was.ended_s is not None or not (held["active"] > 0 and held["stands"] > 0):
                continue
            change = Change(rule, True, at_s, state.scene[0], state.held)
            telling = tell(change, profile, units, was.condition)
            if not _is_worth_telling(was.magnitude, telling.magnitude):
                continue
            now = _verdict(change, was.condition, posterior(change, profile), profile, units)
            now = _carried_on(was, now, profile)
            self.latest[was.condition] = now
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
        told = episodes.take(change, profile, units)
        if told is not None:
            done[told[1].first_name, told[1].raised_s] = told[1]
    return [replace(v, window_s=(v.window_s[0], until_s)) if v.ended_s is None else v for v in done.values()]


def _carried_on(was: Verdict, now: Verdict, profile: Profile) -> Verdict:
    """The newer answer about an episode, which keeps its beginning, its raise and its names."""
    names = was.names
    if now.condition != was.condition:
        names = (*names, Renaming(now.updated_s, was.condition, now.condition))
    said = [
        f"Called {words_of(one.was)} until {local_time(one.at_s, profile.time_zone)}; by then "
        f"{words_of(one.now)} had become likelier."
        for one in names
    ]
    return replace(
        now, raised_s=was.raised_s, began_s=was.began_s, names=names, evidence=(*now.evidence, *said),
        window_s=(was.began_s, max(now.updated_s, was.raised_s)),
    )  # fmt: skip


def _since_s(change: Change, name: Condition) -> float:
    """When it began: a step when it was taken, not when it had been watched for long enough."""
    if name == "set_changed" and not change.scene["near_zero"] > 0:
        age_s = float(transition(change.scene, float(change.scene["fast"]))[1])
        if age_s > 0:
            return change.at_s - age_s
    return float(change.held["since_s"])


def _verdict(
    change: Change, name: Condition, chances: Posterior, profile: Profile, units: UnitSystem
) -> Verdict:
    telling = tell(change, profile, units, name)
    others = runners_up(chances, name)
    confidence = chances.get(name, chances[NONE])
    began_s = int(min(max(_since_s(change, name), 0.0), change.at_s))
    evidence = telling.evidence
    if confidence < CANNOT_TELL and others:
        evidence = (*evidence, _cannot_tell(name, confidence, others[0]))
    return Verdict(
        station=profile.station,
        condition=name,
        confidence=confidence,
        runners_up=others,
        magnitude=telling.magnitude,
        evidence=evidence,
        began_s=began_s,
        raised_s=change.at_s,
        ended_s=None,
        updated_s=change.at_s,
        profile_version=profile.version,
        window_s=(began_s, change.at_s),
        facts=facts(change, profile, name),
        traits=telling.traits,
    )


def _surer(was: Verdict, chances: Posterior, at_s: int) -> Verdict:
    others = runners_up(chances, was.condition)
    confidence = chances.get(was.condition, chances[NONE])
    evidence = tuple(one for one in was.evidence if not one.startswith(CANNOT_TELL_WORDS))
    if confidence < CANNOT_TELL and others:
        evidence = (*evidence, _cannot_tell(was.condition, confidence, others[0]))
    return replace(was, confidence=confidence, runners_up=others, evidence=evidence, updated_s=at_s)


def _cannot_tell(name: Condition, confidence: float, other: Runner) -> str:
    return (
        f"{CANNOT_TELL_WORDS}: {words_of(name)} ({confidence:.0%}) or {words_of(other.condition)} "
        f"({other.confidence:.0%})."
    )
