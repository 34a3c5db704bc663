"""One station on its way: reports waiting for their row, rows on the grid, the engine's state, the episodes.

Nothing here knows of clocks or threads: what a course does follows from the reports it takes and the times it
is told are complete.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from steadyhead.alerts.model import Verdict
from steadyhead.config import ROLES, Station
from steadyhead.diagnosis.weigh import Episodes
from steadyhead.engine import Ready, State, ready
from steadyhead.live.reported import CHANNEL, Reported, after, joined, newest_of, on_grid, second_of
from steadyhead.live.standing import judged
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.readings.grid import NEIGHBOUR_MAX_AGE_S, Held
from steadyhead.units import UnitSystem

ROWS_AT_A_TIME = 16384  # of a long silence or a long log; bounds the memory


@dataclass(frozen=True, slots=True)
class Told:
    """A verdict that the desk has to hear of.

    kind : "raised" (also when an episode goes on), "updated" (another size than was told) or "cleared"
    """

    kind: str
    verdict: Verdict

    def is_older_size_than(self, verdict: Verdict) -> bool:
        """Whether this only says how large what ``verdict`` speaks of was before."""
        one, other = self.verdict, verdict
        is_same = (one.first_name, one.raised_s) == (other.first_name, other.raised_s)
        return is_same and self.kind == "updated"


@dataclass(slots=True)
class Course:
    """All that a restart needs of one station, and its profile.

    waiting : reports that wait for their row, in the order in which they came
    next_s : time of the next row to put on the grid, None before the first
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
    waiting: list[Reported] = field(default_factory=list)
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
    _ready: Ready | None = field(default=None, repr=False)

    # ------------------------------------------------------------ reports to rows

    def take(self, reports: Reported) -> None:
        """Take reports; none of them is of a row that is on the grid already."""
        self.waiting.append(reports)
        self.is_changed = True
        for role, place in zip(ROLES, newest_of(reports), strict=True):
            if place >= 0:
                us, value, _, _ = reports[place].item()
                at_s, name = second_of(us), CHANNEL[role]
                if name not in self.last or at_s >= self.last[name][0]:
                    self.last[name] = at_s, value

    def grid(self, complete_s: int) -> Iterator[Readings]:
        """Rows that are complete now, in pieces; neighbours are not in them yet."""
        step_s = self.station.step_s
        to_s = complete_s // step_s * step_s + step_s
        first_s = self.first_row_s() if self.next_s is None else self.next_s
        if first_s is None or first_s >= to_s:
            return
        self.next_s = first_s
        self.is_changed = True
        reports = self.reports()
        self.waiting = [after(reports, to_s - step_s)]
        while self.next_s < to_s:
            until_s = min(to_s, self.next_s + ROWS_AT_A_TIME * step_s)
            rows, self.held = on_grid(reports, self.station, self.next_s, until_s, self.held)
            self.next_s = until_s
            yield rows

    def reports(self) -> Reported:
        """All reports that wait, as one array."""
        if len(self.waiting) != 1:
            self.waiting = [joined(self.waiting)]
        return self.waiting[0]

    def first_row_s(self) -> int | None:
        """Row of the earliest report that waits, as ``readings.grid.to_grid`` begins; None without any."""
        reports, step_s = self.reports(), self.station.step_s
        if not len(reports):
            return None
        return -(-second_of(int(reports["us"].min())) // step_s) * step_s

    def preview(self, until_s: int) -> Readings | None:
        """Rows up to ``until_s`` as they stand now, those still open included; nothing is carried on.

        For a neighbour that is judged without waiting: what it sees is what has come so far.
        """
        step_s = self.station.step_s
        to_s = until_s // step_s * step_s + step_s
        next_s = self.first_row_s() if self.next_s is None else self.next_s
        if next_s is None or next_s >= to_s:
            return self.rows
        rows, _ = on_grid(self.reports(), self.station, next_s, to_s, self.held)
        return rows if self.rows is None else _after(self.rows, rows)

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
        if self._ready is None or self._ready.profile is not self.profile:
            self._ready = ready(self.profile)
        for kind, verdict in judged(self.state, self.episodes, rows, self._ready, units):
            if kind == "updated":  # what could not be told yet of its size is out of date
                self.told = [told for told in self.told if not told.is_older_size_than(verdict)]
            self.told.append(Told(kind, verdict))

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
        is_there = ~np.isnan(rows.outlet_kpa)
        n = int(np.count_nonzero(is_there))
        self.n_rows += n
        if self.first_s is None and n:
            self.first_s = rows.start_s + rows.step_s * int(np.argmax(is_there))


def _after(old: Readings, new: Readings) -> Readings:
    return Readings(
        station=old.station,
        start_s=old.start_s,
        step_s=old.step_s,
        flags=np.concatenate([old.flags, new.flags]),
        **{name: np.concatenate([getattr(old, name), getattr(new, name)]) for name in CHANNELS},
    )
