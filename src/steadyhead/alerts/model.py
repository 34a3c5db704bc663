"""What a diagnosis says (Verdict) and what leaves the house (Alert).

A Verdict is made by ``diagnosis.weigh`` in working units and epoch seconds. An Alert is the same answer with
the knowledge of ``causes.yaml`` added: causes, field checks, priority. The Alert is the output contract: the
same object is printed by ``scan --json`` and described by ``alerts/schema.json``.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal

from steadyhead.types import Condition

Priority = Literal["low", "medium", "high"]
PRIORITIES: tuple[Priority, ...] = ("low", "medium", "high")

Effort = Literal["free", "cheap", "isolates"]
EFFORTS: tuple[Effort, ...] = ("free", "cheap", "isolates")
"""How far a field check reaches into the station: nothing is touched; something small is; it is isolated."""

AlertState = Literal[
    "normal",
    "active_unacknowledged",
    "active_acknowledged",
    "returned_unacknowledged",
    "latched_unacknowledged",
    "latched_acknowledged",
    "shelved",
    "suppressed_by_design",
    "out_of_service",
]
"""States of an alert; ``alerts.lifecycle`` holds the transitions between them."""

ID_LENGTH = 16  # hex digits: 64 bits, a clash among a million alerts has a chance of about 3e-8


@dataclass(frozen=True, slots=True)
class Runner:
    """A condition that was considered and came second or later."""

    condition: Condition
    confidence: float


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely cause in plain words; ``likelihood`` is a share of such cases, 0 to 1."""

    key: str
    text: str
    likelihood: float


@dataclass(frozen=True, slots=True)
class FieldCheck:
    """One thing to look at or do at the station.

    order : 1 for the first
    why : what the result tells, or None
    hint : what was worked out for this station, or None where a number for it was missing
    effort : "free" (look, ask, read), "cheap" (small and reversible), "isolates" (takes something out of use)
    cautions : what can hurt people or the system, in full sentences, most important first
    """

    order: int
    text: str
    why: str | None
    hint: str | None
    effort: Effort
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Renaming:
    """An episode got another name as evidence grew; ``at_s`` is data time."""

    at_s: int
    was: Condition
    now: Condition


@dataclass(frozen=True, slots=True)
class Verdict:
    """One answer about one episode at one station.

    confidence : calibrated chance, 0 to 1, that ``condition`` is the right name
    magnitude : how large, for people; the unit is the last part of each name (``departure_kpa``)
    evidence : sentences with numbers
    began_s : when the condition is estimated to have begun, seconds since 1970-01-01 UTC
    raised_s : data time at which a live run would have raised it; never before ``began_s``
    ended_s : when it was over, or None while it lasts
    updated_s : data time of the last change to this answer
    window_s : first and last data time the answer rests on
    facts : more numbers, for hints and plots; ``diagnosis.checks`` lists the names it understands
    traits : words that choose among causes and checks, such as ``direction: up`` or ``kind: stuck``
    names : how it was renamed, first change first
    """

    station: str
    condition: Condition
    confidence: float
    runners_up: tuple[Runner, ...]
    magnitude: dict[str, float]
    evidence: tuple[str, ...]
    began_s: int
    raised_s: int
    ended_s: int | None
    updated_s: int
    profile_version: str
    window_s: tuple[int, int]
    facts: dict[str, float] = field(default_factory=dict)
    traits: dict[str, str] = field(default_factory=dict)
    names: tuple[Renaming, ...] = ()

    @property
    def first_name(self) -> Condition:
        """The name under which it was raised."""
        return self.names[0].was if self.names else self.condition

    @property
    def alert_id(self) -> str:
        """The id of the episode: its first name counts, so another name is no other alert."""
        return alert_id(self.station, self.first_name, self.raised_s)

    def number(self, name: str) -> float | None:
        """A fact or magnitude by name; None where it is missing or not finite."""
        value = self.facts.get(name, self.magnitude.get(name))
        if value is None or not (float("-inf") < value < float("inf")):  # NaN fails both comparisons
            return None
        return float(value)


@dataclass(frozen=True, slots=True)
class DataWindow:
    """First and last data time an answer rests on."""

    from_at: datetime
    to_at: datetime


@dataclass(frozen=True, slots=True)
class Alert:
    """The output contract; ``alerts/schema.json`` describes every field. Times are aware and in UTC."""

    alert_id: str
    station: str
    condition: Condition
    state: AlertState
    priority: Priority
    began_at: datetime
    raised_at: datetime
    updated_at: datetime
    ended_at: datetime | None
    confidence: float
    runners_up: tuple[Runner, ...]
    magnitude: dict[str, float]
    evidence: tuple[str, ...]
    likely_causes: tuple[Cause, ...]
    field_checks: tuple[FieldCheck, ...]
    profile_version: str
    data_window: DataWindow


def alert_id(station: str, condition: Condition, raised_s: int) -> str:
    """The id of an episode: the same station, condition and raise time always give the same id.

    A replay of the same log therefore names its alerts as the live run did. 16 hex digits of SHA-256.
    """
    text = "\n".join((station, condition, str(int(raised_s))))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:ID_LENGTH]


def utc(epoch_s: int) -> datetime:
    """Aware UTC time from seconds since 1970-01-01."""
    return datetime.fromtimestamp(int(epoch_s), tz=UTC)
