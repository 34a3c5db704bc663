"""One station on its way: reports waiting for their row, rows on the grid, the engine's state, the episodes.

Nothing here knows of clocks or threads: what a course does follows from the reports it takes and the times it
is told are complete.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from steadyhead.alerts.model import Verdict
from steadyhead.config import ROLES, Role, Station
from steadyhead.diagnosis.weigh import Episodes
from steadyhead.engine import State, step
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.readings.grid import NEIGHBOUR_MAX_AGE_S, Held, grid_block
from steadyhead.readings.series import Series
from steadyhead.types import FlagArray, FloatArray, IntArray
from steadyhead.units import UnitSystem

CHANNEL: dict[Role, str] = {
    "inlet": "inlet_kpa",
    "outlet": "outlet_kpa",
    "flow": "flow_lps",
    "command": "command_kpa",
}
ROWS_AT_A_TIME = 16384  # of a long silence or a long log; bounds the memory


@dataclass(frozen=True, slots=True)
class Waiting:
    """Reports of one role that wait for their row, in the order in which they came; shape (n,) each."""

    us: IntArray
    values: FloatArray
    flags: FlagArray


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict that the desk has to hear of.

    kind : "raised" (also when an episode goes on) or "cleared"
    """

    kind: str
    verdict: Verdict


@dataclass(slots=True)
class Course:
    """All that a restart needs of one station, and its profile.

    waiting : by place in ``ROLES``; next_s : time of the next row to put on the grid, None before the first
    rows : rows on the grid that are still needed, judged or not; empty for a station without neighbours
    judged_s : rows up to this time were judged and archived; None before the first
    told : what the desk has not heard of yet
    first_s, n_rows : first row with an outlet, and how many there were, for learning
    last : newest value and its time by channel, judged or still waiting, for pages
    ready_s : listening time since which complete rows wait for neighbours, None if none wait
    journal_no : last journal record that is in all this; is_changed : something differs from the checkpoint
    """

    station: Station
    has_neighbours: bool
    profile: Profile | None = None
    state: State = field(default_factory=State)
    episodes: Episodes = field(default_factory=Episodes)
    held: Held = field(default_factory=Held)
    waiting: dict[int, list[Waiting]] = field(default_factory=dict)
    next_s: int | None = None
    rows: Readings | None = None
    judged_s: int | None = None
    told: list[Told] = field(default_factory=list)
    first_s: int | None = None
    n_rows: int = 0
    last: dict[str, tuple[int, float]] = field(default_factory=dict)
    ready_s: float | None = None
    journal_no: int = 0
    is_changed: bool = False

    # ------------------------------------------------------------ reports to rows

    def take(self, role: int, waiting: Waiting) -> None:
        """Take reports of a role; none of them is of a row that is on the grid already."""
        self.waiting.setdefault(role, []).append(waiting)
        self.is_changed = True
        good = np.flatnonzero(~np.isnan(waiting.values))
        if len(good):
            newest = good[int(np.argmax(waiting.us[good]))]
            at_s, name = -(-int(waiting.us[newest]) // 1_000_000), CHANNEL[ROLES[role]]
            if name not in self.last or at_s >= self.last[name][0]:
                self.last[name] = at_s, float(waiting.values[newest])

    def grid(self, complete_s: int) -> Iterator[Readings]:
        """Rows that are complete now, in pieces; neighbours are not in them yet."""
        step_s = self.station.step_s
        to_s = complete_s // step_s * step_s + step_s
        first_s = self.first_row_s() if self.next_s is None else self.next_s
        if first_s is None or first_s >= to_s:
            return
        self.next_s = first_s
        series = self._due(to_s - step_s)
        self.is_changed = True
        while self.next_s < to_s:
            until_s = min(to_s, self.next_s + ROWS_AT_A_TIME * step_s)
            piece = {role: _between(s, self.next_s - step_s, until_s - step_s) for role, s in series.items()}
            rows, self.held = grid_block(piece, self.station, self.next_s, until_s, self.held)
            self.next_s = until_s
            yield rows

    def first_row_s(self) -> int | None:
        """Row of the earliest report that waits, as ``readings.grid.to_grid`` begins; None without any."""
        firsts = [int(part.us.min()) for parts in self.waiting.values() for part in parts if len(part.us)]
        if not firsts:
            return None
        second, step_s = -(-min(firsts) // 1_000_000), self.station.step_s
        return -(-second // step_s) * step_s

    def preview(self, until_s: int) -> Readings | None:
        """Rows up to ``until_s`` as they stand now, those still open included; nothing is carried on.

        For a neighbour that is judged without waiting: what it sees is what has come so far.
        """
        step_s = self.station.step_s
        to_s = until_s // step_s * step_s + step_s
        next_s = self.first_row_s() if self.next_s is None else self.next_s
        if next_s is None or next_s >= to_s:
            return self.rows
        series = {role: s for role, (s, _) in self._split(to_s - step_s).items()}
        rows, _ = grid_block(series, self.station, next_s, to_s, self.held)
        return rows if self.rows is None else _after(self.rows, rows)

    def _due(self, last_row_s: int) -> dict[Role, Series]:
        """Take out the reports of rows up to ``last_row_s``, in the order of time."""
        parts = self._split(last_row_s)
        self.waiting = {ROLES.index(role): [rest] for role, (_, rest) in parts.items() if len(rest.us)}
        return {role: due for role, (due, _) in parts.items()}

    def _split(self, last_row_s: int) -> dict[Role, tuple[Series, Waiting]]:
        """Reports of rows up to ``last_row_s`` in the order of time, and the rest as they came."""
        found = {}
        for role, parts in self.waiting.items():
            us = _joined([part.us for part in parts])
            values = _joined([part.values for part in parts])
            flags = _joined([part.flags for part in parts])
            seconds = -(-us // 1_000_000)
            is_due = seconds <= last_row_s
            rest = Waiting(us[~is_due], values[~is_due], flags[~is_due])
            us, values, flags, seconds = us[is_due], values[is_due], flags[is_due], seconds[is_due]
            if len(us) > 1 and not (np.diff(us) > 0).all():
                # of one time the last good one stands, as in feeds.order
                order = np.lexsort((np.arange(len(us)), ~np.isnan(values), us))
                values, flags, seconds = values[order], flags[order], seconds[order]
            found[ROLES[role]] = (Series(seconds, values, flags), rest)
        return found

    # ------------------------------------------------------------ rows to the desk

    def judge(self, rows: Readings, units: UnitSystem) -> None:
        """Judge rows with their neighbours; they follow on those judged before. Fills ``told``."""
        if not len(rows):
            return
        self._remember(rows)
        self.is_changed = True
        self.judged_s = rows.end_s - rows.step_s
        if self.profile is None:
            return
        for change in step(self.state, rows, self.profile):
            verdict = self.episodes.take(change, self.profile, units)
            if verdict is not None:
                self.told.append(Told("raised" if change.is_raised else "cleared", verdict))

    def change_profile(self, profile: Profile) -> None:
        """Judge by another profile from the next row on; what stood by the old one is over."""
        at_s = self.judged_s if self.judged_s is not None else 0
        if self.profile is not None:
            for verdict in self.episodes.latest.values():
                if verdict.ended_s is None:
                    ended_s = max(at_s, verdict.raised_s)
                    self.told.append(Told("cleared", replace(verdict, ended_s=ended_s, updated_s=ended_s)))
        self.profile, self.state, self.episodes = profile, State(), Episodes()
        self.is_changed = True

    def keep_rows(self, rows: Readings) -> None:
        """Add rows that are on the grid to those that neighbours look at, or that wait for them."""
        self.rows = rows if self.rows is None else _after(self.rows, rows)

    def forget_rows(self, before_s: int) -> None:
        """Drop rows that nobody looks at any more; at least the last one stays."""
        if self.rows is not None:
            oldest_s = before_s - NEIGHBOUR_MAX_AGE_S - self.station.step_s
            self.rows = self.rows.between(oldest_s, self.rows.end_s)

    def _remember(self, rows: Readings) -> None:
        """Count the rows with an outlet, for learning."""
        there = np.flatnonzero(~np.isnan(rows.outlet_kpa))
        self.n_rows += len(there)
        if self.first_s is None and len(there):
            self.first_s = rows.start_s + rows.step_s * int(there[0])


def _between(series: Series, after_s: int, to_s: int) -> Series:
    """Reports with times in (after_s, to_s]."""
    first, last = np.searchsorted(series.times_s, [after_s, to_s], side="right")
    if first == 0 and last == len(series.times_s):
        return series
    return Series(series.times_s[first:last], series.values[first:last], series.flags[first:last])


def _after(old: Readings, new: Readings) -> Readings:
    return Readings(
        station=old.station,
        start_s=old.start_s,
        step_s=old.step_s,
        flags=np.concatenate([old.flags, new.flags]),
        **{name: np.concatenate([getattr(old, name), getattr(new, name)]) for name in CHANNELS},
    )


def _joined(parts: list[Any]) -> Any:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
