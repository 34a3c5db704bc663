"""Reported values put on a station's regular grid, never with knowledge of what comes later."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from steadyhead.config.model import ROLES, Role, Station
from steadyhead.errors import FeedError, ReadingsError
from steadyhead.readings import quality as flag
from steadyhead.readings.frame import Readings
from steadyhead.readings.series import Series, StationLog
from steadyhead.types import FlagArray, FloatArray, IntArray

NEIGHBOUR_MAX_AGE_S = 1800
"""Oldest outlet of a neighbour that is still compared with; two samples of 15 min telemetry."""

_CHANNEL: dict[Role, str] = {
    "inlet": "inlet_kpa",
    "outlet": "outlet_kpa",
    "flow": "flow_lps",
    "command": "command_kpa",
}
_FLAG_OF: dict[Role, np.uint16] = {
    "inlet": flag.ON_INLET,
    "outlet": flag.ON_OUTLET,
    "flow": flag.ON_FLOW,
    "command": flag.ON_COMMAND,
}
_MOST_ROWS = 50_000_000  # 1.6 years at 1 s; above it and mostly empty, some clock was wrong
_EMPTIEST = 20  # rows per report
_REPORTS_AT_A_TIME = 65_536  # their rows and masks stay in cache, and small beside the log


@dataclass(frozen=True, slots=True)
class Held:
    """What on-change reporting last said, by role: (time [s], value, flags); carried from block to block."""

    last: dict[Role, tuple[int, float, int]] = field(default_factory=dict)


def to_grid(log: StationLog, station: Station) -> Readings:
    """The whole log of a station on its grid.

    Row i holds the last value of (time_i - step, time_i] of each channel; with on-change reporting a value
    holds until the next report, at most ``heartbeat_s``. NaN elsewhere. ``neighbour_kpa`` is left NaN.
    Raises FeedError if the log spans far more time than it has readings for.
    """
    ends = [s.times_s[[0, -1]] for s in log.series.values() if len(s.times_s)]
    if not ends:
        raise FeedError(f"{station.name}: there are no readings; mend path or tags in the registry")
    step_s = station.step_s
    first_s, last_s = int(min(e[0] for e in ends)), int(max(e[1] for e in ends))
    from_s, to_s = _ceil(first_s, step_s), _ceil(last_s, step_s) + step_s
    n_rows = (to_s - from_s) // step_s
    n_reports = max(len(s.times_s) for s in log.series.values())
    if n_rows > _MOST_ROWS and n_rows > _EMPTIEST * n_reports:
        days = [str(np.datetime64(at, "s").astype("datetime64[D]")) for at in (first_s, last_s)]
        raise FeedError(
            f"{station.name}: {n_reports} readings span {days[0]} to {days[1]}, {n_rows} rows at "
            f"step_s {step_s}; remove readings of a wrong clock, or mend step_s in the registry"
        )
    return grid_block(log.series, station, from_s, to_s)[0]


def grid_block(
    series: Mapping[Role, Series], station: Station, from_s: int, to_s: int, held: Held | None = None
) -> tuple[Readings, Held]:
    """Rows with times in [from_s, to_s), and what to carry on to the next block.

    series : reports later than from_s - step and not later than the last row; others are ignored
    from_s, to_s : multiples of the step
    held : what the block before returned; None for the first
    Cutting a log at any row into blocks gives the same rows as the whole.
    Raises ReadingsError if the times are not multiples of the step.
    """
    step_s = station.step_s
    if from_s % step_s or to_s % step_s:
        raise ReadingsError(f"{station.name}: {from_s} to {to_s} does not lie on the grid of step_s {step_s}")
    n = max(0, (to_s - from_s) // step_s)
    channels: dict[str, FloatArray] = {"neighbour_kpa": np.full(n, np.nan)}
    flags: FlagArray = np.zeros(n, dtype=np.uint16)
    last: dict[Role, tuple[int, float, int]] = {}
    for role in ROLES:
        before = held.last.get(role) if held else None
        column, carried = _channel(series.get(role), station, from_s, n, before, flags, _FLAG_OF[role])
        channels[_CHANNEL[role]] = column
        if carried is not None:
            last[role] = carried
    return Readings(station=station.name, start_s=from_s, step_s=step_s, flags=flags, **channels), Held(last)


def _channel(
    series: Series | None,
    station: Station,
    from_s: int,
    n: int,
    before: tuple[int, float, int] | None,
    flags: FlagArray,
    bit: np.uint16,
) -> tuple[FloatArray, tuple[int, float, int] | None]:
    """One channel's rows; sets ``flags`` in place. Returns what to carry on as well."""
    column = np.full(n, np.nan)
    step_s = station.step_s
    is_held = station.reporting == "on_change"
    if series is None or not len(series.times_s):
        if is_held and before is not None:
            _hold(column, np.full(n, -1), np.zeros(0, dtype=np.int64), station, from_s, before, flags)
        return column, before
    # reports of rows 0 to n - 1, which are those later than from_s - step
    inside = slice(*np.searchsorted(series.times_s, from_s + step_s * np.array([-1, n - 1]), side="right"))
    times_s, values, why = series.times_s[inside], series.values[inside], series.flags[inside]
    report = np.full(n if is_held else 0, -1, dtype=np.int64)
    for first in range(0, len(times_s), _REPORTS_AT_A_TIME):
        part = slice(first, first + _REPORTS_AT_A_TIME)
        row = -((from_s - times_s[part]) // step_s)
        doubtful = np.flatnonzero(why[part])
        if len(doubtful):
            np.bitwise_or.at(flags, row[doubtful], why[part][doubtful] | bit)
        if is_held:
            report[row] = np.arange(first, first + len(row))
            column[row] = values[part]
        else:
            is_good = ~np.isnan(values[part])  # the row's last good one: a refused one takes nothing back
            column[row[is_good]] = values[part][is_good]  # of repeated rows the last assignment stays
    if not is_held:
        return column, None
    _hold(column, report, times_s, station, from_s, before, flags)
    if not len(times_s):
        return column, before
    return column, (int(times_s[-1]), float(values[-1]), int(why[-1]))


def _hold(
    column: FloatArray,
    report: IntArray,
    times_s: IntArray,
    station: Station,
    from_s: int,
    before: tuple[int, float, int] | None,
    flags: FlagArray,
) -> None:
    """Fill rows without a report with the last one, while it is younger than the heartbeat; in place.

    report : shape (n,) index of the row's last report, -1 where there is none
    """
    n = len(column)
    if not n:
        return
    heartbeat_s = station.heartbeat_s or 0
    reported = np.concatenate([[np.iinfo(np.int64).min // 2 if before is None else before[0]], times_s])
    last_row = np.maximum.accumulate(np.where(report >= 0, np.arange(n), -1))
    latest = np.where(last_row >= 0, report[last_row], -1)
    value = np.where(last_row >= 0, column[last_row], np.nan if before is None else before[1])
    age_s = from_s + station.step_s * np.arange(n, dtype=np.int64) - reported[latest + 1]
    is_empty = report < 0
    is_known = ~np.isnan(value)
    is_young = age_s <= heartbeat_s
    use = is_empty & is_known & is_young
    column[use] = value[use]
    flags[use] |= flag.HELD
    flags[is_empty & is_known & ~is_young] |= flag.STALE


def add_neighbours(
    readings: Sequence[Readings], zones: Mapping[str, str | None], max_age_s: int = NEIGHBOUR_MAX_AGE_S
) -> list[Readings]:
    """Fill ``neighbour_kpa``: the highest outlet among the other stations of the same zone.

    readings : of any number of stations, on any grids
    zones : zone of each station by name; None has no neighbours
    Each row takes a neighbour's last known outlet at or before its own time, at most ``max_age_s`` old.
    """
    known = {r.station: _Known(r) for r in readings if zones.get(r.station) is not None}
    filled = []
    for mine in readings:
        zone = zones.get(mine.station)
        others = [k for name, k in known.items() if name != mine.station and zones[name] == zone]
        if zone is None or not others:
            filled.append(mine)
            continue
        highest = np.full(len(mine), np.nan)
        for other in others:
            highest = np.fmax(highest, other.at(mine, max_age_s))
        filled.append(replace(mine, neighbour_kpa=highest))
    return filled


class _Known:
    """A station's last known outlet at any time."""

    def __init__(self, readings: Readings) -> None:
        self.readings = readings
        is_there = ~np.isnan(readings.outlet_kpa)
        self.last = np.maximum.accumulate(np.where(is_there, np.arange(len(readings)), -1))

    def at(self, rows: Readings, max_age_s: int) -> FloatArray:
        """Outlet known at each of the rows' times, shape (n_rows,) [kPa]; NaN if older than allowed."""
        mine = self.readings
        outlet = np.full(len(rows), np.nan)
        if not len(mine) or not len(rows):
            return outlet
        times_s = rows.times_s
        row = np.minimum((times_s - mine.start_s) // mine.step_s, len(mine) - 1)
        source = np.where(row >= 0, self.last[np.maximum(row, 0)], -1)
        age_s = times_s - (mine.start_s + mine.step_s * source)
        use = (source >= 0) & (age_s <= max_age_s)
        outlet[use] = mine.outlet_kpa[source[use]]
        return outlet


def _ceil(time_s: int, step_s: int) -> int:
    return -(-time_s // step_s) * step_s
