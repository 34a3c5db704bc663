"""The alarm-load figures as records; ``desk/load.py`` works them out and names the sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from steadyhead.alerts.model import Priority
from steadyhead.types import Condition


@dataclass(frozen=True, slots=True)
class Flood:
    """Periods of 10 minutes in a row, each with more calls per operator than a person can take."""

    from_s: int
    to_s: int
    calls: int


@dataclass(frozen=True, slots=True)
class Stale:
    """An alert that has stood longer than 24 h at the end of the span."""

    alert_id: str
    station: str
    condition: Condition
    priority: Priority
    standing_s: int


@dataclass(frozen=True, slots=True)
class Frequent:
    """How often one condition of one station called; ``share`` of all calls of the span."""

    station: str
    condition: Condition
    calls: int
    share: float


@dataclass(frozen=True, slots=True)
class PriorityPart:
    """Calls of one priority, their share, and the published share to aim for; all 0 to 1."""

    priority: Priority
    calls: int
    share: float
    target_share: float


@dataclass(frozen=True, slots=True)
class Target:
    """A figure beside its published target; ``is_met`` is None where the span has nothing to judge."""

    name: str
    value: float
    wanted: str
    is_met: bool | None
    source: str


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """Load of the alert desk over [from_s, to_s).

    per_period : calls of all operators in each 10-minute period, oldest first; the last one may be cut short
    mean, peak : calls per operator per 10 minutes; peak_s : start of the period of the peak
    over_share : share of periods with more than 10 calls per operator; floods : the same in stretches
    stale : standing > 24 h at to_s, longest first; chattering : 3 or more calls within an hour
    top : the ten that called most; top_share : their part of all calls
    """

    from_s: int
    to_s: int
    operators: int
    calls: int
    per_period: tuple[int, ...]
    mean: float
    peak: float
    peak_s: int | None
    over_share: float
    floods: tuple[Flood, ...]
    stale: tuple[Stale, ...]
    chattering: tuple[Frequent, ...]
    priorities: Mapping[Priority, PriorityPart]
    top: tuple[Frequent, ...]
    top_share: float
    targets: tuple[Target, ...]
