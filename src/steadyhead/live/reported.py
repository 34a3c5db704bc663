"""Reports of one station that wait for their row, and how they are put on the grid.

Where every report counts for its own row alone, a compiled kernel does what ``readings.grid.grid_block`` does
and keeps the reports in the order in which they came; a live run puts one row of each station on the grid
every minute, and there the price of a call counts. Where a value holds until the next report, ``grid_block``
itself is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from steadyhead.config import ROLES, Role, Station
from steadyhead.readings import quality as flag
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.readings.grid import Held, grid_block
from steadyhead.readings.series import Series
from steadyhead.types import FlagArray, FloatArray, IntArray

REPORT = np.dtype(
    [
        ("us", "<i8"),  # when the value was known, microseconds since 1970-01-01 UTC
        ("value", "<f8"),  # [kPa or L/s], NaN where it was refused
        ("flags", "<u2"),  # readings.quality
        ("role", "u1"),  # index into config.ROLES
    ],
    align=True,
)
Reported = NDArray[Any]
"""Reports in the order in which they came; shape (n,), dtype ``REPORT``."""

CHANNEL: dict[Role, str] = {
    "inlet": "inlet_kpa",
    "outlet": "outlet_kpa",
    "flow": "flow_lps",
    "command": "command_kpa",
}
_PLACE = np.array([CHANNELS.index(CHANNEL[role]) for role in ROLES])  # of a role among the channels
_FLAG = {"inlet": flag.ON_INLET, "outlet": flag.ON_OUTLET, "flow": flag.ON_FLOW, "command": flag.ON_COMMAND}
_ON_ROLE = np.array([_FLAG[role] for role in ROLES])
_LONG_AGO_US = -(2**62)


def reports_of(us: IntArray, values: FloatArray, flags: FlagArray, role: Any) -> Reported:
    """Columns as one array; ``role`` is one number or one of each, index into ``config.ROLES``."""
    reports = np.empty(len(us), dtype=REPORT)
    reports["us"], reports["value"], reports["flags"], reports["role"] = us, values, flags, role
    return reports


def joined(parts: Sequence[Reported]) -> Reported:
    """One after another."""
    if len(parts) == 1:
        return parts[0]
    # as bytes: for records numpy compares the fields of all parts first, which takes longer than the rest
    together: Reported = np.concatenate([np.zeros(0, np.uint8), *(part.view(np.uint8) for part in parts)])
    return together.view(REPORT)


def second_of(us: int) -> int:
    """The whole second at whose end a value was known."""
    return -(-us // 1_000_000)


@njit(cache=True, nogil=True)
def _newest(reports, found):  # type: ignore[no-untyped-def]
    for i in range(reports.shape[0]):
        if not np.isnan(reports[i].value):
            role = reports[i].role
            if found[role] < 0 or reports[i].us >= reports[found[role]].us:
                found[role] = i


def newest_of(reports: Reported) -> list[int]:
    """Place of the newest good report of each role of ``config.ROLES``, -1 where there is none."""
    found = np.full(len(ROLES), -1)
    _newest(reports, found)
    places: list[int] = found.tolist()
    return places


@njit(cache=True, nogil=True)
def _after(reports, last_row_s):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(reports.shape[0]):
        n += -((-reports[i].us) // 1_000_000) > last_row_s
    rest = np.empty(n, dtype=reports.dtype)
    n = 0
    for i in range(reports.shape[0]):
        if -((-reports[i].us) // 1_000_000) > last_row_s:
            rest[n] = reports[i]
            n += 1
    return rest


def after(reports: Reported, last_row_s: int) -> Reported:
    """Those of rows after ``last_row_s``, as an array of their own."""
    rest: Reported = _after(reports, last_row_s)
    return rest


def on_grid(reports: Reported, station: Station, from_s: int, to_s: int, held: Held) -> tuple[Readings, Held]:
    """Rows with times in [from_s, to_s) and what to carry on, as ``readings.grid.grid_block``.

    reports : in any order; those of other rows are left alone
    """
    step_s = station.step_s
    if station.reporting == "on_change":
        return grid_block(_series(reports, from_s - step_s, to_s - step_s), station, from_s, to_s, held)
    values, flags = _placed(reports, from_s, max(0, (to_s - from_s) // step_s), step_s, _PLACE, _ON_ROLE)
    columns = dict(zip(CHANNELS, values, strict=True))
    return Readings(station=station.name, start_s=from_s, step_s=step_s, flags=flags, **columns), Held()


@njit(cache=True, nogil=True)
def _placed(reports, from_s, n, step_s, place, on_role):  # type: ignore[no-untyped-def]
    values = np.full((5, n), np.nan)
    flags = np.zeros(n, dtype=np.uint16)
    at_us = np.full((5, n), _LONG_AGO_US)
    for i in range(reports.shape[0]):
        r = reports[i]
        row = -((from_s + ((-r.us) // 1_000_000)) // step_s)
        if row < 0 or row >= n:
            continue
        if r.flags:
            flags[row] |= r.flags | on_role[r.role]
        channel = place[r.role]
        # the last good one of the row stands, whichever came first; of one time the one that came last
        if not np.isnan(r.value) and r.us >= at_us[channel, row]:
            values[channel, row] = r.value
            at_us[channel, row] = r.us
    return values, flags


def _series(reports: Reported, after_s: int, to_s: int) -> dict[Role, Series]:
    """Reports with times in (after_s, to_s] by role, in the order of time."""
    seconds = -(-reports["us"] // 1_000_000)
    inside = (seconds > after_s) & (seconds <= to_s)
    reports, seconds = reports[inside], seconds[inside]
    found: dict[Role, Series] = {}
    for number, role in enumerate(ROLES):
        own = np.flatnonzero(reports["role"] == number)
        us, values = reports["us"][own], reports["value"][own]
        # of one time the last good one stands, as in feeds.order
        own = own[np.lexsort((np.arange(len(own)), ~np.isnan(values), us))]
        if len(own):
            found[role] = Series(seconds[own], reports["value"][own], reports["flags"][own])
    return found
