"""What a life is: an account, a change of a healthy log, and what an engineer wants to be told."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from evaluation.case import Case
from evaluation.case import Life as OwnLife

NOTICE = "notice"
"""Among the names of an expectation: any notice will do."""
HOUR_S = 3600
REST_S = HOUR_S
"""A call that ends and comes back within this counts as having stood all the time."""


@dataclass(frozen=True, slots=True)
class Said:
    """One alert of a product; ``is_notice``: it informs and calls nobody. ended_s is None while it lasts."""

    condition: str
    raised_s: int
    ended_s: int | None
    began_s: int
    confidence: float = float("nan")
    is_notice: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """What an engineer wants to hear. All times are seconds since 1970-01-01 UTC.

    names : one of these has to be said; none: silence is wanted
    from_s, by_s : raised not before from_s and not after by_s
    stands_to_s : must not be declared over before; over_by_s : must be declared over by then
    began_within_s : its estimated beginning lies at most so far from from_s
    allowed : names to which nobody would object besides; notices never disturb
    most : calls at most, allowed ones among them
    """

    names: tuple[str, ...] = ()
    from_s: int = 0
    by_s: int = 0
    stands_to_s: int | None = None
    over_by_s: int | None = None
    began_within_s: int | None = None
    allowed: tuple[str, ...] = ()
    most: int = 1

    @property
    def words(self) -> str:
        """The wish in a few words, for a table."""
        wish = " or ".join(self.names) if self.names else "silence"
        if self.names:
            wish += f" in {(self.by_s - self.from_s) / HOUR_S:.0f} h"
        if self.stands_to_s is not None:
            wish += f", stands {(self.stands_to_s - self.from_s) / 86400:.1f} d"
        if self.over_by_s is not None:
            wish += ", then over"
        return wish + (f" (or {', '.join(self.allowed)})" if self.allowed else "")

    def verdict(self, said: Iterable[Said]) -> list[str]:
        """What is wrong with these alerts, one sentence each; empty if all is as wished."""
        alerts = sorted(said, key=lambda a: a.raised_s)
        calls = [a for a in alerts if not a.is_notice]
        wrong = dict.fromkeys(a.condition for a in calls if a.condition not in self.names + self.allowed)
        complaints = [f"said {name}" for name in wrong]
        if len(calls) > self.most:
            complaints.append(f"{len(calls)} calls, at most {self.most} wanted")
        return complaints + (self._told(alerts) if self.names else [])

    def _told(self, alerts: list[Said]) -> list[str]:
        right = [a for a in alerts if a.condition in self.names or (a.is_notice and NOTICE in self.names)]
        early = [a for a in right if a.raised_s < self.from_s and not a.is_notice]
        timely = [a for a in right if self.from_s <= a.raised_s <= self.by_s]
        complaints = [f"{a.condition} said before it began" for a in early[:1]]
        if not timely:
            late = [a for a in right if a.raised_s > self.by_s]
            after_h = (late[0].raised_s - self.from_s) / HOUR_S if late else 0.0
            return [*complaints, f"told only after {after_h:.0f} h" if late else "not told"]
        first = timely[0]
        if self.stands_to_s is not None and _until(first, right) < self.stands_to_s:
            short_h = (self.stands_to_s - _until(first, right)) / HOUR_S
            complaints.append(f"declared over {short_h:.0f} h early")
        if self.over_by_s is not None and any(_end(a) > self.over_by_s for a in right if not a.is_notice):
            complaints.append("never declared over")
        if self.began_within_s is not None and abs(first.began_s - self.from_s) > self.began_within_s:
            complaints.append(f"beginning wrong by {(first.began_s - self.from_s) / HOUR_S:+.0f} h")
        return complaints


def _end(alert: Said) -> float:
    return np.inf if alert.ended_s is None else alert.ended_s


def _until(first: Said, right: list[Said]) -> float:
    """Until when the call stood, counting one that came back soon."""
    until = _end(first)
    for alert in right:
        if first.raised_s <= alert.raised_s <= until + REST_S:
            until = max(until, _end(alert))
    return until


@dataclass(frozen=True, slots=True)
class Life:
    """What happens at a station.

    name, account : in plain words; needs : properties a station must have (keys of ``stations.PROPERTIES``)
    play : from a healthy case to the changed one and what is wanted
    """

    name: str
    account: str
    needs: tuple[str, ...]
    play: Callable[[Case], tuple[Case, Expectation]]


@dataclass(frozen=True, slots=True)
class LifeCase:
    """A life played at one station of one world."""

    life: Life
    world: str
    healthy: Case
    case: Case
    expectation: Expectation

    def verdict(self, said: Iterable[Said]) -> list[str]:
        """What is wrong with these alerts, leaving out what the station's own ordinary days explain."""
        return self.expectation.verdict(a for a in said if not self._is_explained(a))

    def _is_explained(self, alert: Said) -> bool:
        wish = self.expectation
        if alert.condition in wish.names and wish.from_s <= alert.raised_s <= wish.by_s:
            return False
        return any(
            alert.condition in own.allowed and own.from_s <= alert.raised_s <= own.to_s + 6 * HOUR_S
            for own in (*self.healthy.life, *_gaps(self.healthy))
        )


def _gaps(case: Case) -> list[OwnLife]:
    """Spans of half an hour and more in which the healthy outlet was not logged."""
    times_s, values = case.log["outlet"]
    there = np.append(times_s[np.isfinite(values)], case.end_s)
    long = np.flatnonzero(np.diff(there) >= max(HOUR_S // 2, 2 * case.step_s))
    return [OwnLife("gap", int(there[i]), int(there[i + 1]), ("telemetry_loss",)) for i in long]
