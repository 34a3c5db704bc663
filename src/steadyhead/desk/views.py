"""What the desk takes and gives: frozen records, no database objects; times in epoch seconds UTC (``_s``)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, TypeVar

from sqlalchemy.orm import Session

from steadyhead.alerts.lifecycle import Event
from steadyhead.alerts.model import Alert, AlertState, Priority
from steadyhead.store.tables import ProofResult
from steadyhead.types import Condition

T = TypeVar("T")

Sort = Literal["worst", "newest"]
ChangeKind = Literal[
    "raised",  # a new alert
    "raised_again",  # the same episode went on after it had cleared
    "cleared",
    "updated",  # figures and evidence only
    "acknowledged",
    "reset",
    "shelved",
    "unshelved",
    "suppressed",
    "released",
    "taken_out",  # its station went out of service
    "put_back",
]


@dataclass(frozen=True, slots=True)
class AlertChange:
    """What a hook is told, inside the transaction of the change.

    is_call : whether the alert calls for a person now; False for a raise that was held or kept quiet
    at_s : data time of a raise or a clear, time of the clock otherwise
    change_no : grows with every change of any alert, so ``alert_id`` and it name the change for good
    """

    kind: ChangeKind
    alert: Alert
    zone: str | None
    from_state: AlertState
    to_state: AlertState
    who: str
    why: str
    at_s: int
    change_no: int
    is_call: bool


Hook = Callable[[Session, AlertChange], None]


@dataclass(frozen=True, slots=True)
class AlertQuery:
    """Which alerts; what is None does not filter.

    standing : only those that need a person: active, or returned or latched and not yet dealt with
    changed_after : only those with a larger ``change_no``
    text : part of the station's name; a space stands for what joins its words
    after : ``next`` of the page before; limit : 1 to 500
    """

    zone: str | None = None
    condition: str | None = None
    station: str | None = None
    state: str | None = None
    priority: str | None = None
    text: str | None = None
    standing: bool = False
    changed_after: int | None = None
    sort: Sort = "worst"
    limit: int = 50
    after: str | None = None


@dataclass(frozen=True, slots=True)
class Page(Generic[T]):
    """One page of a list; ``next`` goes into ``after`` of the next query and is None at the end.

    total : how many the filters let through, all pages together
    """

    items: tuple[T, ...]
    next: str | None
    total: int


@dataclass(frozen=True, slots=True)
class AlertView:
    """An alert and what the desk knows of it.

    alert : the output contract, with the state of now
    title, meaning : of its condition, from the knowledge file
    may : events of the lifecycle that mean something now, such as "acknowledge" and "shelve"
    held_why : who holds it back and why, in one sentence, where it is shelved, suppressed or out of service
    """

    alert: Alert
    zone: str | None
    title: str
    meaning: str
    is_true: bool
    is_standing: bool
    began_s: int
    raised_s: int
    updated_s: int
    ended_s: int | None
    announced_s: int | None
    acknowledged_s: int | None
    acknowledged_by: str | None
    shelved_until_s: int | None
    shelve_why: str | None
    held_why: str | None
    may: tuple[Event, ...]
    facts: Mapping[str, float]
    traits: Mapping[str, str]
    rank: int
    change_no: int


@dataclass(frozen=True, slots=True)
class AuditView:
    """One line of the audit; ``sentence`` says it in words, without the time."""

    id: int
    at_s: int
    who: str
    what: str
    subject_kind: str
    subject: str
    why: str
    from_state: str | None
    to_state: str | None
    details: Mapping[str, Any]
    sentence: str


@dataclass(frozen=True, slots=True)
class SuppressionView:
    """A suppression by design in force, or one that is over (``released_s``)."""

    id: int
    station: str | None
    zone: str | None
    condition: str | None
    from_s: int
    until_s: int | None
    who: str
    why: str
    released_s: int | None


@dataclass(frozen=True, slots=True)
class OutageView:
    """A station that is out of service."""

    station: str
    since_s: int
    until_s: int | None
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class NewFinding:
    """What a technician reports. One of ``cause_key`` and ``text`` must be given.

    cause_key : of the knowledge file, for this condition; None where none fits
    text : what was found; done : what was done; repaired_s : when it was repaired, None if not yet
    """

    station: str
    condition: Condition
    alert_id: str | None = None
    cause_key: str | None = None
    text: str = ""
    done: str = ""
    repaired_s: int | None = None


@dataclass(frozen=True, slots=True)
class ProofView:
    """One look at whether a repair holds; ``numbers`` by name with unit, ``sentences`` in order to read."""

    id: int
    finding_id: int
    station: str
    made_s: int
    who: str
    result: ProofResult
    numbers: Mapping[str, Any]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FindingView:
    """A finding as recorded; ``cause_text`` from the knowledge file; proofs newest first."""

    id: int
    alert_id: str | None
    station: str
    condition: Condition
    at_s: int
    who: str
    cause_key: str | None
    cause_text: str | None
    text: str
    done: str
    repaired_s: int | None
    proofs: tuple[ProofView, ...] = ()


@dataclass(frozen=True, slots=True)
class Count:
    """Alerts of a station, a zone or all.

    standing : need a person; unacknowledged : of these, nobody has answered yet
    held : shelved, suppressed or out of service while the condition holds
    worst : highest priority among the standing; worst_alert : the first of the list; both None if none stands
    """

    standing: int = 0
    unacknowledged: int = 0
    held: int = 0
    worst: Priority | None = None
    worst_alert: str | None = None
    worst_condition: Condition | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """Standing alerts for the fleet page; a station or zone without an alert has no entry."""

    total: Count
    by_station: Mapping[str, Count] = field(default_factory=dict)
    by_zone: Mapping[str, Count] = field(default_factory=dict)
    out_of_service: frozenset[str] = frozenset()
    change_no: int = 0


@dataclass(frozen=True, slots=True)
class Tally:
    """What stands on the desk at one moment, for the head of every page.

    open : alert id and priority of what nobody has acknowledged and still holds, newest first
    open_stations, known_stations : with such an alert; with none, but an acknowledged one that still holds
    known : acknowledged and still there; unseen : came and went, and nobody has acknowledged it
    latched : over and acknowledged, kept until reset; held : held back while the condition holds
    """

    open: tuple[tuple[str, Priority], ...] = ()
    open_stations: int = 0
    known_stations: int = 0
    known: int = 0
    unseen: int = 0
    latched: int = 0
    held: int = 0
    change_no: int = 0

    def of_priority(self, priority: Priority) -> int:
        """How many open alerts have this priority."""
        return sum(found == priority for _, found in self.open)
