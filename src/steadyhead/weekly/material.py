"""What the report is made from, whichever source it comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from steadyhead.config.model import Registry, Station
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.fleet.place import HERE, Place
from steadyhead.fleet.told import Tell
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.weekly.model import AlertLine, Outage, Repair
from steadyhead.weekly.week import BEFORE, Week

JUDGE = "judge"  # the step, for ``fleet.told``
WARM_UP_S = 86_400  # before the first week, so that its first hours are seen like any others
LATE_S = 2 * 3600  # readings that end this much before the week does still fill it
Progress = Callable[[str, int, int], None]
"""Called with what is done, how much of it is done, and how much there is; 0 where that is not known."""


@dataclass(frozen=True, slots=True)
class Material:
    """One station's share.

    readings : from ``needed_from_s`` to the end of the week, at most; None if there are none
    profile : None if nothing was learned
    alerts : all that touch the five weeks, in order of raising
    """

    station: Station
    readings: Readings | None
    profile: Profile | None
    alerts: tuple[AlertLine, ...] = ()
    repairs: tuple[Repair, ...] = ()
    outage: Outage | None = None


@dataclass(slots=True)
class Extent:
    """Times of the first and the last reading met, whether in the week or not [s]; None before the first."""

    first_s: int | None = None
    last_s: int | None = None

    def take(self, first_s: int, last_s: int) -> None:
        """Note a stretch."""
        self.first_s = first_s if self.first_s is None else min(self.first_s, first_s)
        self.last_s = last_s if self.last_s is None else max(self.last_s, last_s)


class WeekLot(Protocol):
    """Some stations of a source, with all that is needed to judge them; fit to travel to another process.

    left_out, extent : of these stations; complete after ``materials`` has ended
    """

    left_out: dict[str, str]
    extent: Extent

    @property
    def names(self) -> tuple[str, ...]: ...  # noqa: D102

    def materials(self, week: Week, tell: Tell) -> Iterator[Material]:
        """Station by station, as many in memory as must be."""
        ...

    def __len__(self) -> int: ...


class Source(Protocol):
    """Where readings, profiles and alerts come from.

    left_out : one line for each station that could not be read; whoever works on the lots puts theirs here
    """

    registry: Registry
    knowledge: Knowledge
    has_desk: bool
    left_out: dict[str, str]
    extent: Extent

    def names(self) -> list[str]:
        """Stations that are asked for, in the order of the registry."""
        ...

    def newest_s(self, place: Place = HERE) -> int | None:
        """Time of the newest reading of all stations, or None; may have to read everything."""
        ...

    def lots(self, week: Week, most: int) -> Sequence[WeekLot]:
        """All stations in their order, in lots of at most about ``most``."""
        ...

    def load(self, week: Week, alerts: Mapping[str, tuple[AlertLine, ...]]) -> AlarmLoad:
        """Load of alarms over the week; ``alerts`` by station, as ``materials`` gave them."""
        ...


def needed_from_s(week: Week, time_zone: str) -> int:
    """First second that is needed of a station's readings."""
    return week.shifted(-BEFORE).bounds_s(time_zone)[0] - WARM_UP_S


def usual_zone(registry: Registry, names: list[str]) -> str:
    """The time zone of most stations; the first by name of several."""
    return usual_zone_of([registry.stations[name].time_zone for name in names])


def usual_zone_of(zones: list[str]) -> str:
    """The zone that comes up most; the first by name of several."""
    return min(set(zones), key=lambda zone: (-zones.count(zone), zone))


def silent(what: str, done: int, total: int) -> None:
    """A progress that nobody watches."""
    del what, done, total
