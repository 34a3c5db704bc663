"""The report as data: figures, stations, the fleet's week. Frozen; nothing here draws, reads or writes.

Values are in working units (kPa, L/s, m3/h, hours, shares of one, seconds); who shows them converts them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from steadyhead.alerts.model import Alert, Verdict
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.weekly.week import Week

Unit = Literal["pressure", "flow", "share", "hours", "count", "duration", "rate"]
Change = Literal["worse", "better", "alike", "unknown"]
Effort = Literal["desk", "visit", "isolation"]
"""Done from a desk; one visit, nothing taken out of use; something has to be isolated."""


@dataclass(frozen=True, slots=True)
class Value:
    """What one family found for one figure and one span; either a value or why there is none.

    note : what limits the value, or None
    """

    value: float | None
    why_not: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a station.

    key : name in ``definitions.DEFINITIONS``; name, unit : from there
    value : in the working unit, None if it could not be judged; why_not : why
    before : the same of the four weeks before, oldest first, None where there is none
    profile : what was learned as normal, None where that says nothing of it
    change : against the weeks before; least : how large a change had to be to be called one
    """

    key: str
    name: str
    unit: Unit
    value: float | None
    why_not: str | None
    note: str | None
    before: tuple[float | None, ...]
    profile: float | None
    change: Change
    least: float | None

    @property
    def before_mean(self) -> float | None:
        """Mean of the weeks before that have a value."""
        known = [value for value in self.before if value is not None]
        return sum(known) / len(known) if known else None


@dataclass(frozen=True, slots=True)
class Trend:
    """Straight line through the daily levels, with what is not known of it.

    slope, slope_low, slope_high : change of the level [kPa per day], with the 95 % interval
    level : of the line at ``at_s`` [kPa]; days : with a level; from_s, at_s : first day, and end of the week
    covariance : of level at ``at_s`` and slope, three numbers; reach : quantile of Student's t
    why_not : why there is no line, or None
    """

    slope: float = 0.0
    slope_low: float = 0.0
    slope_high: float = 0.0
    level: float = 0.0
    days: int = 0
    from_s: int = 0
    at_s: int = 0
    covariance: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reach: float = 0.0
    why_not: str | None = None

    @property
    def is_clear(self) -> bool:
        """Whether the interval of the slope leaves zero out."""
        return self.why_not is None and (self.slope_low > 0.0 or self.slope_high < 0.0)


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the level leaves the learned band if it goes on as it did.

    days, earliest_days, latest_days : from the end of the week; None is "not within the horizon"
    side : of the band it leaves by; is_out : it is outside already
    why_not : why nothing is foretold, or None
    """

    days: float | None = None
    earliest_days: float | None = None
    latest_days: float | None = None
    side: Literal["low", "high"] | None = None
    is_out: bool = False
    why_not: str | None = None


@dataclass(frozen=True, slots=True)
class AlertLine:
    """One alert of the week.

    acknowledged_s, acknowledged_by : None if nobody did, or where no desk keeps it
    findings : what was found and done, in sentences, newest first
    """

    alert: Alert
    title: str
    headline: str
    raised_s: int
    ended_s: int | None
    began_s: int
    acknowledged_s: int | None = None
    acknowledged_by: str | None = None
    held_why: str | None = None
    findings: tuple[str, ...] = ()

    @property
    def stands(self) -> bool:
        """Whether it goes on at the end of the week."""
        return self.ended_s is None


@dataclass(frozen=True, slots=True)
class Repair:
    """Work that was recorded, and what came of it. result is that of the last proof, "unproved" without."""

    station: str
    title: str
    repaired_s: int
    text: str
    result: Literal["pass", "not_yet", "cannot_tell", "unproved"]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outage:
    """A station out of service."""

    since_s: int
    until_s: int | None
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class StationWeek:
    """One station's week.

    figures : in the order of the definitions; by_key : the same by name
    withheld : judgement -> why it is not made, from the profile
    why_not : why nothing at all could be judged, or None
    sigma_limit : cavitation index that counts for its valve
    set_kpa : typical set pressure; band_kpa : half width of the learned band; both None without a profile
    """

    station: str
    time_zone: str
    zone: str | None
    figures: tuple[Figure, ...]
    trend: Trend
    forecast: Forecast
    alerts: tuple[AlertLine, ...]
    repairs: tuple[Repair, ...]
    outage: Outage | None
    withheld: Mapping[str, str]
    remarks: tuple[str, ...]
    why_not: str | None
    set_kpa: float | None
    band_kpa: float | None
    has_flow: bool
    sigma_limit: float
    by_key: Mapping[str, Figure] = field(default_factory=dict)
    verdicts: tuple[Verdict, ...] = ()


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One thing to do this week.

    order : 1 is first; what : the job; reason, benefit : full sentences; effort_text : what it takes
    score : larger goes first; ``work.py`` says how it is made up
    """

    order: int
    station: str
    what: str
    reason: str
    benefit: str
    effort: Effort
    effort_text: str
    score: float


@dataclass(frozen=True, slots=True)
class Moved:
    """A figure that moved against the weeks before."""

    station: str
    figure: Figure
    severity: float


@dataclass(frozen=True, slots=True)
class NotJudged:
    """Something that could not be judged, why, and of which stations."""

    what: str
    why: str
    stations: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FleetWeek:
    """The whole report.

    is_complete : whether readings reach the end of the week; newest_s : time of the newest reading
    has_desk : whether alerts come from a service's database, with what people did
    pages : stations that get a page of their own
    """

    utility: str
    week: Week
    is_complete: bool
    newest_s: int
    has_desk: bool
    stations: tuple[StationWeek, ...]
    left_out: Mapping[str, str]
    work: tuple[WorkItem, ...]
    worse: tuple[Moved, ...]
    better: tuple[Moved, ...]
    repairs: tuple[Repair, ...]
    not_judged: tuple[NotJudged, ...]
    load: AlarmLoad
    sigma_limit: float
    pages: tuple[str, ...]
