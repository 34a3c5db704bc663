"""Up to which time the readings of each station are complete: known from the journal alone.

A station's readings up to C are taken for complete, and a reading of before that is late, where C is the
latest of

- its newest reading, less the horizon: what came out of order has had its time;
- its newest reading, once nothing newer has come for the horizon;
- its newest reading, plus the silence since, less the delay that is usual for it: it has fallen silent. Only
  for a station whose readings are of today, so that a log of last year is not hurried along by the clock.

Silence is counted in listening time, which no step of the clock and no stop of the program adds to. The usual
delay follows the rhythm in which a station delivers: three times the longest of its latest pauses, so one
that sends once an hour is not called silent after ten minutes.

Intake and runner each keep these for every station and bring them on by the same journal records, so both
always agree on which reading is late.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steadyhead.config import Station
from steadyhead.live.clock import Moment
from steadyhead.live.reports import Reports
from steadyhead.types import BoolArray, IntArray

NEVER = -(2**60)
"""Stands for "no reading yet" in ``newest_s`` and ``complete_s``."""
PAUSES = 3.0  # silence begins after so many usual pauses: two deliveries may be lost
FORGET = 0.9  # of the longest pause is kept at each delivery, so an outage is forgotten after some dozens
APART_S = 10.0  # what comes within this is one delivery
LONGEST_PAUSE_S = 26 * 3600.0  # once a day, and two hours
FIRST_PAUSE_S = LONGEST_PAUSE_S / PAUSES  # believed of a station that has just appeared
OF_TODAY_S = 48 * 3600.0  # readings not older than this when they come count as of today

STATION_MARK = np.dtype(
    [
        ("newest_s", "i8"),  # latest data time
        ("complete_s", "i8"),  # see above; a reading at or before it is late
        ("heard_s", "f8"),  # listening time at which the newest reading came; NaN before
        ("delivered_s", "f8"),  # listening time of the last delivery; NaN before
        ("pause_s", "f8"),  # longest usual pause between deliveries
        ("is_today", "?"),
    ]
)


@dataclass(frozen=True, slots=True)
class Waits:
    """How long is waited: for late readings, and before silence counts (None: by the station's rhythm)."""

    horizon_s: int
    silence_s: int | None = None


def new_marks(n: int) -> NDArray[Any]:
    """Marks of ``n`` stations of which nothing has been heard."""
    table = np.zeros(n, dtype=STATION_MARK)
    table["newest_s"] = table["complete_s"] = NEVER
    table["heard_s"] = table["delivered_s"] = np.nan
    table["pause_s"] = FIRST_PAUSE_S
    return table


class Watermarks:
    """Marks of all stations, in the order of ``stations``.

    table : shape (n_stations,), dtype ``STATION_MARK``
    """

    def __init__(self, stations: Sequence[Station], waits: Waits) -> None:
        self.waits = waits
        self.table = new_marks(len(stations))
        self.step_s = np.array([station.step_s for station in stations], dtype=np.int64)

    def copy(self) -> Watermarks:
        """An independent copy."""
        other = copy(self)
        other.table = self.table.copy()
        return other

    def rows_of(self, which: IntArray, us: IntArray) -> IntArray:
        """Time of the grid row each report belongs to, shape as given."""
        seconds = -(-us // 1_000_000)
        step_s = self.step_s[which]
        rows: IntArray = -(-seconds // step_s) * step_s
        return rows

    def is_late(self, which: IntArray, us: IntArray) -> BoolArray:
        """Whether the row of each report is complete already; bring the marks on to now first."""
        late: BoolArray = self.rows_of(which, us) <= self.table["complete_s"][which]
        return late

    def take(self, which: IntArray, us: IntArray, moment: Moment) -> IntArray:
        """Bring the marks on by reports that were accepted at ``moment``; returns the stations concerned."""
        self.bring_on(moment.listened_s, np.unique(which))
        touched = self.deliver(which, us, moment)
        self.bring_on(moment.listened_s, touched)
        return touched

    def bring_on(self, listened_s: float, which: IntArray | slice = slice(None)) -> None:
        """Let listening time pass for these stations."""
        t = self.table[which]
        horizon_s = self.waits.horizon_s
        newest_s = t["newest_s"]
        silent_s = np.maximum(listened_s - t["heard_s"], 0.0)  # NaN where nothing was heard
        complete_s = np.where(silent_s >= horizon_s, newest_s, newest_s - horizon_s)
        past_delay_s = np.floor(silent_s - self._delay_s(t))
        use = t["is_today"] & (past_delay_s > 0)
        complete_s[use] = np.maximum(complete_s[use], newest_s[use] + past_delay_s[use].astype(np.int64))
        heard = ~np.isnan(t["heard_s"])
        self.table["complete_s"][which] = np.where(
            heard, np.maximum(t["complete_s"], complete_s), t["complete_s"]
        )

    def deliver(self, which: IntArray, us: IntArray, moment: Moment) -> IntArray:
        """Take note of reports that have come; returns the stations concerned, each once, rising.

        A time ahead of the clock counts as now, so that one fast clock cannot make others' readings late.
        """
        seconds = np.minimum(-(-us // 1_000_000), int(moment.latest_s))
        touched, place = np.unique(which, return_inverse=True)
        newest_s = np.full(len(touched), NEVER, dtype=np.int64)
        np.maximum.at(newest_s, place, seconds)
        t = self.table[touched]
        pause_s = moment.listened_s - t["delivered_s"]
        is_new_delivery = ~(pause_s < APART_S)  # the first one too
        usual_s = np.maximum(np.minimum(pause_s, LONGEST_PAUSE_S), FORGET * t["pause_s"])
        learn = is_new_delivery & t["is_today"] & ~np.isnan(pause_s)
        t["pause_s"] = np.where(learn, usual_s, t["pause_s"])
        t["delivered_s"] = np.where(is_new_delivery, moment.listened_s, t["delivered_s"])
        advances = newest_s > t["newest_s"]
        t["newest_s"] = np.maximum(t["newest_s"], newest_s)
        t["heard_s"] = np.where(advances, moment.listened_s, t["heard_s"])
        is_today = t["newest_s"] >= moment.earliest_s - OF_TODAY_S
        t["is_today"] = np.where(advances, is_today, t["is_today"])
        self.table[touched] = t
        return np.asarray(touched, dtype=np.int64)

    def _delay_s(self, t: NDArray[Any]) -> Any:
        if self.waits.silence_s is not None:
            return float(self.waits.silence_s)
        return np.maximum(self.waits.horizon_s, PAUSES * t["pause_s"])


def stations_of(reports: Reports, places: dict[str, int]) -> IntArray:
    """Index of each report's station, shape (n,); -1 for a station that is no longer in the registry."""
    own = np.array([places.get(name, -1) for name in reports.names], dtype=np.int64)
    return own[reports.which] if len(own) else np.zeros(0, dtype=np.int64)
