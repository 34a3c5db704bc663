"""Stations, as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from steadyhead.alerts.model import Priority
from steadyhead.api.series import profile_or_none
from steadyhead.api.shapes import Asked, Shape, Why
from steadyhead.api.times import When, stamp_or_none
from steadyhead.desk.views import Count, Counts, OutageView
from steadyhead.live.room import Room
from steadyhead.live.views import Regime, StationView
from steadyhead.profile.model import Profile
from steadyhead.report.learned import learned_facts, withheld_facts
from steadyhead.types import Condition


class OutOfService(Asked):
    """Why a station is taken out of service, and until when; open end if left out."""

    why: Why
    until: When | None = None


class CountItem(Shape):
    """Alerts of a station."""

    standing: int = Field(description="Alerts that need a person.")
    unacknowledged: int = Field(description="Of these, nobody has answered yet.")
    held: int = Field(description="Shelved, suppressed or out of service while the condition holds.")
    worst: Priority | None
    worst_alert: str | None
    worst_condition: Condition | None


class StationItem(Shape):
    """A station now. Pressures are gauge, in kPa; flow in L/s."""

    name: str = Field(examples=["harbour_east"])
    zone: str | None
    regime: Regime
    words: str = Field(description="What it is doing.", examples=["regulating"])
    last_at: str | None = Field(description="Time of the last reading.")
    behind_s: float | None = Field(description="How far its readings lag behind the clock [s].")
    inlet_kpa: float | None
    outlet_kpa: float | None
    flow_lps: float | None
    command_kpa: float | None
    expected_kpa: float | None = Field(description="Outlet that the profile expects at the last reading.")
    profile_version: str | None
    learning: str | None = Field(description="How far learning is, where there is no profile yet.")
    is_out_of_service: bool
    alerts: CountItem


class StationPage(Shape):
    """One page of stations."""

    items: list[StationItem]
    next: str | None
    total: int


class Fact(Shape):
    """Something learned, in words."""

    name: str = Field(examples=["Set pressure"])
    text: str


class Outage(Shape):
    """A station that is out of service."""

    station: str
    since: str | None
    until: str | None
    who: str
    why: str

    @classmethod
    def of(cls, view: OutageView) -> Outage:
        """From the desk's view."""
        return cls(
            station=view.station,
            since=stamp_or_none(view.since_s),
            until=stamp_or_none(view.until_s),
            who=view.who,
            why=view.why,
        )


class ProfileWords(Shape):
    """A profile in words."""

    version: str
    learned_from: str | None
    learned_to: str | None
    facts: list[Fact]
    withheld: list[Fact] = Field(description="Judgements that are not made, and why.")
    remarks: list[str]

    @classmethod
    def of(cls, profile: Profile, room: Room) -> ProfileWords:
        """In the units people chose."""
        units = room.registry.settings.units
        return cls(
            version=profile.version,
            learned_from=stamp_or_none(profile.from_s),
            learned_to=stamp_or_none(profile.to_s),
            facts=[Fact(name=name, text=text) for name, text in learned_facts(profile, units)],
            withheld=[Fact(name=name, text=text) for name, text in withheld_facts(profile)],
            remarks=list(profile.remarks),
        )


class StationDetail(StationItem):
    """A station now, and what is known of it."""

    time_zone: str
    step_s: int
    has_readings_since: str | None
    out_of_service: Outage | None
    profile: ProfileWords | None


def items_of(room: Room, names: Sequence[str], counts: Counts) -> list[StationItem]:
    """Stations now, in the order given."""
    views = room.runner.stations(names)
    return [_item(views[name], counts) for name in names if name in views]


def detail_of(room: Room, name: str) -> StationDetail:
    """One station with everything."""
    item = items_of(room, [name], room.desk.counts())[0]
    station = room.registry.stations[name]
    extent = room.archive.extent(name)
    profile = profile_or_none(room, name)
    outage = next((view for view in room.desk.outages() if view.station == name), None)
    return StationDetail(
        **item.model_dump(),
        time_zone=station.time_zone,
        step_s=station.step_s,
        has_readings_since=None if extent is None else stamp_or_none(extent[0]),
        out_of_service=None if outage is None else Outage.of(outage),
        profile=None if profile is None else ProfileWords.of(profile, room),
    )


def _item(view: StationView, counts: Counts) -> StationItem:
    return StationItem(
        name=view.station,
        zone=view.zone,
        regime=view.regime,
        words=view.words,
        last_at=stamp_or_none(view.last_s),
        behind_s=view.behind_s,
        inlet_kpa=view.inlet_kpa,
        outlet_kpa=view.outlet_kpa,
        flow_lps=view.flow_lps,
        command_kpa=view.command_kpa,
        expected_kpa=view.expected_kpa,
        profile_version=view.profile_version,
        learning=None if view.learning is None else view.learning.words,
        is_out_of_service=view.station in counts.out_of_service,
        alerts=count_of(counts.by_station.get(view.station, Count())),
    )


def count_of(count: Count) -> CountItem:
    """From the desk's count."""
    return CountItem(
        standing=count.standing,
        unacknowledged=count.unacknowledged,
        held=count.held,
        worst=count.worst,
        worst_alert=count.worst_alert,
        worst_condition=count.worst_condition,
    )
