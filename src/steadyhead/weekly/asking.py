"""Reports that were asked for: what may be asked, and how far each is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, Protocol

from steadyhead.config.model import Registry
from steadyhead.errors import EmptyWeekError, OpenWeekError, SteadyheadError
from steadyhead.weekly.from_logs import known_names
from steadyhead.weekly.material import LATE_S, usual_zone
from steadyhead.weekly.week import Week

AskState = Literal["waiting", "running", "finished", "failed"]


@dataclass(frozen=True, slots=True)
class Ask:
    """One report that was asked for.

    who : asked, a person or the clock; pages_for : stations that get a page in any case
    what, done, total : how far it is, ``total`` 0 where that is not known
    left_out : a line for each station that could not be read; error : why it failed, or None
    """

    week: Week
    who: str
    asked_s: int
    pages_for: tuple[str, ...] = ()
    state: AskState = "waiting"
    started_s: int | None = None
    ended_s: int | None = None
    what: str = ""
    done: int = 0
    total: int = 0
    left_out: tuple[str, ...] = ()
    error: SteadyheadError | None = None

    @property
    def is_over(self) -> bool:
        """Whether nothing more comes of it."""
        return self.state in ("finished", "failed")


class Held(Protocol):
    """What is asked of an archive here."""

    def extent(self, station: str) -> tuple[int, int] | None:
        """As ``archive.Archive``."""
        ...


def check_week(
    week: Week,
    registry: Registry,
    archive: Held,
    now_s: float,
    *,
    even_if_incomplete: bool,
    pages_for: Sequence[str] = (),
) -> None:
    """Whether a report of the week can be made.

    Raises ReportError for a station that there is not, EmptyWeekError where there is no reading,
    OpenWeekError for a week that is not over or not filled, unless that is wanted; ArchiveError.
    """
    known_names(registry, pages_for)  # raises for one that there is not
    names = list(registry.stations)
    zone = usual_zone(registry, names)
    from_s, to_s = week.bounds_s(zone)
    first_s: int | None = None
    last_s: int | None = None
    for name in names:
        extent = archive.extent(name)
        if extent is None:
            continue
        first_s = extent[0] if first_s is None else min(first_s, extent[0])
        last_s = extent[1] if last_s is None else max(last_s, extent[1])
        if first_s < to_s and last_s >= to_s - LATE_S:
            break  # as much is known as is needed; a fleet has thousands
    if first_s is None or last_s is None:
        raise EmptyWeekError(f"{week}: there is no reading of any station yet; wait for the first week")
    if first_s >= to_s or last_s < from_s:
        raise EmptyWeekError(
            f"{week}: no station has a reading in that week; there are readings of weeks "
            f"{Week.of(first_s, zone)} to {Week.of(last_s, zone)}"
        )
    if even_if_incomplete:
        return
    if now_s < to_s:
        raise OpenWeekError(f"{week}: the week is not over before {_said(to_s)}")
    if last_s < to_s - LATE_S:
        raise OpenWeekError(f"{week}: readings end at {_said(last_s)}, before the week does at {_said(to_s)}")


def _said(time_s: int) -> str:
    return f"{datetime.fromtimestamp(time_s, tz=UTC):%Y-%m-%d %H:%M} UTC"
