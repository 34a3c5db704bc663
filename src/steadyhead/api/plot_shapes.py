"""Plots of a station, as JSON: readings over time, droop, closed nights, oscillation."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from steadyhead.alerts.model import Priority
from steadyhead.api.shapes import Shape
from steadyhead.types import Condition

Numbers = list[float | None]


class ChannelValues(Shape):
    """One value of each bucket; null where there was no reading."""

    low: Numbers
    mean: Numbers
    high: Numbers


class BandValues(Shape):
    """The outlet that was learned as usual, for each bucket [kPa]."""

    low_kpa: Numbers
    expected_kpa: Numbers
    high_kpa: Numbers
    source: Literal["readings", "means"] = Field(
        description='"means" if worked out from means of buckets: an approximation for long spans.'
    )


class AlertMark(Shape):
    """An alert whose episode touches the span."""

    alert_id: str
    condition: Condition
    title: str
    priority: Priority
    state: str
    is_standing: bool
    began_at: str
    raised_at: str
    ended_at: str | None
    began_s: int
    raised_s: int
    ended_s: int | None


class Display(Shape):
    """The units people chose: multiply kPa and L/s by these."""

    pressure: str = Field(examples=["psi"])
    pressure_per_kpa: float
    pressure_decimals: int
    flow: str = Field(examples=["gpm"])
    flow_per_lps: float
    flow_decimals: int


class SeriesAnswer(Shape):
    """A station's readings for a plot."""

    station: str
    from_at: str = Field(alias="from")
    to_at: str = Field(alias="to")
    bucket_s: int = Field(description="Length of a bucket [s].")
    is_thinned: bool = Field(description="Whether 15-minute pieces stand in for full readings in part of it.")
    times_s: list[int] = Field(description="End of each bucket, seconds since 1970-01-01 UTC.")
    channels: dict[str, ChannelValues] = Field(
        description="By channel, unit last: outlet_kpa, inlet_kpa, flow_lps, command_kpa, "
        "neighbour_kpa. Channels without any value are left out, except the outlet."
    )
    band: BandValues | None
    lock_up_kpa: float | None
    profile_version: str | None
    alerts: list[AlertMark]
    alerts_are_all: bool = Field(description="False if the station has too many alerts to look through.")
    display: Display


class Droop(Shape):
    """Outlet against flow, and the learned curve."""

    times_s: list[int]
    flow_lps: Numbers
    outlet_kpa: Numbers
    learned_flow_lps: Numbers
    learned_outlet_kpa: Numbers
    why_not: str | None


class ClosedPeriod(Shape):
    """One stretch without flow of 20 minutes or more."""

    from_s: int
    to_s: int
    first_kpa: float | None
    last_kpa: float | None
    highest_kpa: float | None
    rise_kpa: float | None
    inlet_kpa: float | None
    way: float | None = Field(description="Share of the way from lock-up to the inlet gone at its end.")


class Closed(Shape):
    """Closed nights: what the outlet did when nothing flowed."""

    periods: list[ClosedPeriod]
    cutoff_lps: float | None
    lock_up_kpa: float | None
    left_out: int
    why_not: str | None


class Oscillation(Shape):
    """The busiest stretch as a wave, and its amplitude by period."""

    times_s: list[int]
    outlet_kpa: Numbers
    period_s: Numbers
    amplitude_kpa: Numbers
    strongest_s: float | None
    strongest_kpa: float | None
    shortest_s: float = Field(description="Shortest period that the sampling can show [s].")
    why_not: str | None


class FiguresAnswer(Shape):
    """Plots of a station that are not over time."""

    station: str
    from_at: str = Field(alias="from")
    to_at: str = Field(alias="to")
    is_shortened: bool
    droop: Droop
    closed: Closed
    oscillation: Oscillation
    display: Display
