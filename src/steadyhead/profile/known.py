"""What the registry knows of a station before anything is learned."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Known:
    """Facts that learning takes as given.

    time_zone : IANA name; averaged : values are interval means; on_change : reported by exception
    nominal_kpa : set pressure on paper; schedule_kpa : 672 quarter hours of the local week, or empty
    trusted : that is what the station should hold, even where the span held another pressure
    rated_kv_m3h : fully open; min_differential_kpa : least inlet minus outlet the valve needs to regulate
    cutoff_lps : the meter reads zero below this; false_alerts_per_year : budget per station-year
    """

    time_zone: str = "UTC"
    averaged: bool = False
    on_change: bool = False
    nominal_kpa: float | None = None
    schedule_kpa: tuple[float, ...] = ()
    trusted: bool = False
    rated_kv_m3h: float | None = None
    min_differential_kpa: float | None = None
    cutoff_lps: float | None = None
    false_alerts_per_year: float = 1.0
