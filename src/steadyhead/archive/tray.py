"""Rows of many stations that wait in memory to be written, as columns.

A live run adds one row of each station at a time: small arrays for each would cost several times their rows,
in memory and in time.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numba import njit

from steadyhead.archive.rows import Rows
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.types import BoolArray, IntArray

_LEAST_ROOM = 1024


class Tray:
    """Rows in the order in which they were added. Its owner guards it.

    names : stations met, in the order in which they were
    """

    def __init__(self) -> None:
        self._places: dict[str, int] = {}
        self._n = 0
        self._which = np.empty(0, dtype=np.int32)
        self._times_s = np.empty(0, dtype=np.int64)
        self._values = np.empty((0, len(CHANNELS)))
        self._flags = np.empty(0, dtype=np.uint16)

    def __len__(self) -> int:
        return self._n

    @property
    def names(self) -> list[str]:
        """Stations by their number."""
        return list(self._places)

    @property
    def which(self) -> IntArray:
        """Number of each row's station, shape (n,)."""
        return self._which[: self._n].astype(np.int64)

    @property
    def rows(self) -> Rows:
        """All rows, as views."""
        n = self._n
        return Rows(self._times_s[:n], self._values[:n], self._flags[:n])

    def add(self, readings: Readings) -> None:
        """Take in the rows that hold a value or a flag."""
        self._make_room(len(readings))
        self._n = _add(
            readings.inlet_kpa, readings.outlet_kpa, readings.flow_lps, readings.command_kpa,
            readings.neighbour_kpa, readings.flags, readings.start_s, readings.step_s,
            self._places.setdefault(readings.station, len(self._places)),
            self._which, self._times_s, self._values, self._flags, self._n,
        )  # fmt: skip

    def of(self, station: str) -> list[Rows]:
        """Rows of one station: an empty list, or a list of one."""
        place = self._places.get(station)
        if place is None:
            return []
        own = self._which[: self._n] == place
        return [self._only(own)] if own.any() else []

    def split(self, stations: Collection[str]) -> tuple[Tray, Tray]:
        """Rows of these stations, and those of all others."""
        numbers = [n for name, n in self._places.items() if name in stations]
        own = np.isin(self._which[: self._n], numbers)
        return self._tray(own), self._tray(~own)

    def then(self, later: Tray) -> Tray:
        """These rows and then those of another tray."""
        joined = Tray()
        joined._places = dict(self._places)
        for name in later._places:
            joined._places.setdefault(name, len(joined._places))
        numbers = np.array([joined._places[name] for name in later._places], dtype=np.int32)
        mine, others = self.rows, later.rows
        joined._n = len(self) + len(later)
        joined._which = np.concatenate([self._which[: len(self)], numbers[later.which]])
        joined._times_s = np.concatenate([mine.times_s, others.times_s])
        joined._values = np.concatenate([mine.values, others.values])
        joined._flags = np.concatenate([mine.flags, others.flags])
        return joined

    def _only(self, keep: BoolArray) -> Rows:
        rows = self.rows
        return Rows(rows.times_s[keep], rows.values[keep], rows.flags[keep])

    def _tray(self, keep: BoolArray) -> Tray:
        tray, rows = Tray(), self._only(keep)
        tray._places = dict(self._places)
        tray._n = len(rows)
        tray._which = self._which[: self._n][keep]
        tray._times_s, tray._values, tray._flags = rows.times_s, rows.values, rows.flags
        return tray

    def _make_room(self, n: int) -> None:
        wanted, have = self._n + n, len(self._which)
        if wanted <= have:
            return
        room = max(wanted, 2 * have, _LEAST_ROOM)
        for name in ("_which", "_times_s", "_values", "_flags"):
            old = getattr(self, name)
            new = np.empty((room, *old.shape[1:]), dtype=old.dtype)
            new[: self._n] = old[: self._n]
            setattr(self, name, new)


@njit(cache=True, nogil=True)
def _add(  # type: ignore[no-untyped-def]
    inlet, outlet, flow, command, neighbour, why, start_s, step_s, number, which, times_s, values, flags, n
):
    for i in range(outlet.shape[0]):
        is_empty = np.isnan(inlet[i]) and np.isnan(outlet[i]) and np.isnan(flow[i])
        if is_empty and np.isnan(command[i]) and np.isnan(neighbour[i]) and why[i] == 0:
            continue
        which[n], times_s[n], flags[n] = number, start_s + step_s * i, why[i]
        values[n, 0], values[n, 1], values[n, 2] = inlet[i], outlet[i], flow[i]
        values[n, 3], values[n, 4] = command[i], neighbour[i]
        n += 1
    return n
