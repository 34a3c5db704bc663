"""Times at the edge: RFC 3339 in UTC out; RFC 3339 with an offset, or seconds since 1970, in."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, WithJsonSchema

from steadyhead.alerts.jsonlines import rfc3339

EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)


def _sane(at: datetime) -> datetime:
    if not EARLIEST <= at <= LATEST:
        raise ValueError(f"{at.isoformat()} is not between {EARLIEST:%Y} and {LATEST:%Y}")
    return at


When = Annotated[
    AwareDatetime,
    AfterValidator(_sane),
    WithJsonSchema(
        {
            "description": "RFC 3339 with an offset, or whole seconds since 1970-01-01 UTC.",
            "anyOf": [
                {"type": "string", "format": "date-time"},
                {"type": "integer", "minimum": 0, "maximum": int(LATEST.timestamp())},
            ],
            "examples": ["2025-10-17T06:00:00Z", 1760680800],
        }
    ),
]
"""A time that a caller gives."""


def seconds(at: datetime) -> int:
    """Whole seconds since 1970-01-01 UTC."""
    return int(at.timestamp())


def seconds_or_none(at: datetime | None) -> int | None:
    """The same, where there may be none."""
    return None if at is None else seconds(at)


def stamp(time_s: float) -> str:
    """Epoch seconds as ``2025-10-17T06:00:00Z``."""
    return rfc3339(datetime.fromtimestamp(int(time_s), UTC))


def stamp_or_none(time_s: float | None) -> str | None:
    """The same, where there may be none."""
    return None if time_s is None else stamp(time_s)
