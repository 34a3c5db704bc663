"""Stations, tags, schedules and settings: YAML to frozen models, every mistake reported at once."""

from steadyhead.config.load import load_registry, parse_registry
from steadyhead.config.model import (
    ROLES,
    LearnSpan,
    Pilot,
    Quality,
    Registry,
    Role,
    ScheduleStep,
    SetPressure,
    Settings,
    Source,
    Station,
    Tag,
    Valve,
)
from steadyhead.config.schedule import declared_set_kpa

__all__ = [
    "ROLES",
    "LearnSpan",
    "Pilot",
    "Quality",
    "Registry",
    "Role",
    "ScheduleStep",
    "SetPressure",
    "Settings",
    "Source",
    "Station",
    "Tag",
    "Valve",
    "declared_set_kpa",
    "load_registry",
    "parse_registry",
]
