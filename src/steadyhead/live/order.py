"""All stations on their way: which rows are complete, in which order they are judged, who waits for whom.

What is done follows from the journal's records alone, so a replay after a crash does the same. A station
without neighbours is judged as soon as its rows are complete. In a zone a row looks at its neighbours'
outlets, so it waits until their readings up to its time are complete too; not for one that has been quiet for
longer than the horizon, and never longer than the horizon itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from steadyhead.config import Station
from steadyhead.live.course import Course
from steadyhead.live.journal import Record
from steadyhead.live.reported import reports_of
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.live.watermarks import Waits, Watermarks, stations_of
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours
from steadyhead.types import BoolArray, IntArray
from steadyhead.units import UnitSystem

NO_ROW = 2**60
"""Stands for "no report yet" among the times of next rows."""

OnRows = Callable[[Course, Readings], None]
"""Called with rows that have been judged, in order for each station."""


class Order:
    """Courses of all stations, and their watermarks.

    courses : in the order of the registry; on_rows : where judged rows go
    """

    def __init__(self, stations: Sequence[Station], waits: Waits, units: UnitSystem, on_rows: OnRows) -> None:
        self.marks = Watermarks(stations, waits)
        self.places = {station.name: n for n, station in enumerate(stations)}
        self._zone_names = {station.name: station.zone for station in stations}
        self._units = units
        self._on_rows = on_rows
        self._horizon_s = waits.horizon_s
        self.zones = _zones(stations)
        self._zone_of = np.full(len(stations), -1)
        for number, members in enumerate(self.zones):
            self._zone_of[members] = number
        self.courses = [
            Course(station, has_neighbours=bool(self._zone_of[n] >= 0)) for n, station in enumerate(stations)
        ]
        self._next_s = np.full(len(stations), NO_ROW)  # next row of each, or that of its first report
        self._has_begun = np.zeros(len(stations), dtype=np.bool_)
        self._since_no = np.zeros(len(stations), dtype=np.int64)

    def restored(self) -> None:
        """Take note that courses and marks were filled from checkpoints."""
        for n, course in enumerate(self.courses):
            first_s = course.first_row_s() if course.next_s is None else course.next_s
            self._next_s[n] = NO_ROW if first_s is None else first_s
            self._has_begun[n] = course.next_s is not None
            self._since_no[n] = course.journal_no

    def take(self, record: Record) -> None:
        """Bring everything on by one record: its readings, and the time that has passed."""
        listened_s = record.moment.listened_s
        if record.kind == "readings":
            touched = self._take_reports(from_bytes(record.body), record)
            zones = np.unique(self._zone_of[touched])
            self._close_zones(zones[zones >= 0], listened_s)
        elif record.kind == "mark":
            self.marks.bring_on(listened_s)
            self._close_zones(np.arange(len(self.zones)), listened_s)

    def followed(self, records: Iterable[Record]) -> Watermarks:
        """Marks as they stand after more records; ``self`` is not changed. For the intake at a start."""
        marks = self.marks.copy()
        for record in records:
            if record.kind == "readings":
                reports = from_bytes(record.body)
                which = stations_of(reports, self.places)
                keep = (which >= 0) & (self._since_no[which] < record.no)
                marks.take(which[keep], reports.us[keep], record.moment)
            elif record.kind == "mark":
                marks.bring_on(record.moment.listened_s)
        return marks

    def settle(self) -> None:
        """Judge what is complete at stations without neighbours; when this is done changes no answer."""
        due = self._due() & (self._zone_of < 0)
        for n in np.flatnonzero(due):
            course = self.courses[n]
            for rows in course.grid(int(self.marks.table["complete_s"][n])):
                course.judge(rows, self._units)
                self._on_rows(course, rows)
            self._note(n)

    # ------------------------------------------------------------ inner

    def _take_reports(self, reports: Reports, record: Record) -> IntArray:
        which = stations_of(reports, self.places)
        is_new = self._since_no[which] < record.no  # what a checkpoint holds already is left out
        keep = (which >= 0) & is_new
        if not keep.all():
            reports, which = reports.only(keep), which[keep]
        if not len(which):
            return which
        order = np.argsort(which, kind="stable")
        rising = which[order]
        own = reports_of(reports.us, reports.values, reports.flags, reports.role)[order]
        starts = np.flatnonzero(np.diff(rising, prepend=-1))
        ends = [*starts[1:].tolist(), len(rising)]
        for n, start, end in zip(rising[starts].tolist(), starts.tolist(), ends, strict=True):
            self.courses[n].take(own[start:end])
        begins = ~self._has_begun[which]
        if begins.any():
            new = which[begins]
            np.minimum.at(self._next_s, new, self.marks.rows_of(new, reports.us[begins]))
        return self.marks.take(which, reports.us, record.moment)

    def _due(self) -> BoolArray:
        """Stations that may have rows to put on the grid."""
        due: BoolArray = self.marks.table["complete_s"] >= self._next_s
        return due

    def _note(self, n: Any) -> None:
        next_s = self.courses[n].next_s
        if next_s is not None:
            self._next_s[n], self._has_begun[n] = next_s, True

    def _close_zones(self, numbers: IntArray, listened_s: float) -> None:
        if not len(numbers):
            return
        due = self._due()
        for number in numbers:
            members = self.zones[number]
            waits = any(self.courses[n].ready_s is not None for n in members)
            if waits or due[members].any():
                self._close_zone(members, due, listened_s)

    def _close_zone(self, members: IntArray, due: BoolArray, listened_s: float) -> None:
        complete_s = self.marks.table["complete_s"]
        for n in members[due[members]]:
            course = self.courses[n]
            for rows in course.grid(int(complete_s[n])):
                course.keep_rows(rows)
            self._note(n)
        spans = {n: span for n in members if (span := self._to_judge(n, members, listened_s)) is not None}
        if spans:
            filled = self._with_neighbours(members, max(until_s for _, until_s in spans.values()))
        for n, (from_s, until_s) in spans.items():
            course = self.courses[n]
            rows = filled[course.station.name].between(from_s, until_s + 1)
            course.judge(rows, self._units)
            self._on_rows(course, rows)
            is_done = course.rows is None or rows.end_s >= course.rows.end_s
            course.ready_s = None if is_done else listened_s
        self._forget(members)

    def _to_judge(self, n: Any, members: IntArray, listened_s: float) -> tuple[int, int] | None:
        """First and last time of the rows of a station that are to be judged now; None for none."""
        course = self.courses[n]
        if course.rows is None:
            return None
        step_s = course.station.step_s
        from_s = course.rows.start_s if course.judged_s is None else course.judged_s + step_s
        if from_s >= course.rows.end_s:
            course.ready_s = None
            return None
        if course.ready_s is None:
            course.ready_s = listened_s
        until_s = self._until_s(n, members, listened_s)
        return (from_s, until_s) if until_s >= from_s else None

    def _until_s(self, n: Any, members: IntArray, listened_s: float) -> int:
        """Last time up to which rows of a station may be judged."""
        course, table = self.courses[n], self.marks.table
        if course.ready_s is not None and listened_s - course.ready_s > self._horizon_s:
            return int(table["complete_s"][n])
        until_s = int(table["complete_s"][n])
        for other in members:
            if other == n:
                continue
            heard_s = float(table["heard_s"][other])
            is_waited_for = (
                course.judged_s is None if np.isnan(heard_s) else listened_s - heard_s <= self._horizon_s
            )
            if is_waited_for:
                until_s = min(until_s, int(table["complete_s"][other]))
        return until_s

    def _with_neighbours(self, members: IntArray, until_s: int) -> dict[str, Readings]:
        """Rows of a zone with each other's outlets, as far as they are known at ``until_s``.

        Rows that are still open are in them too, for the others to look at; a row never looks ahead.
        """
        known = [rows for n in members if (rows := self.courses[n].preview(until_s)) is not None]
        return {rows.station: rows for rows in add_neighbours(known, self._zone_names)}

    def _forget(self, members: IntArray) -> None:
        """Rows older than any row of the zone that is still to be judged, and the age neighbours may have."""
        open_s = [
            course.rows.start_s if course.judged_s is None else course.judged_s
            for n in members
            if (course := self.courses[n]).rows is not None
        ]
        for n in members:
            self.courses[n].forget_rows(min(open_s, default=0))


def _zones(stations: Sequence[Station]) -> list[IntArray]:
    """Members of each zone of two stations or more, as indices."""
    by_zone: dict[str, list[int]] = {}
    for n, station in enumerate(stations):
        if station.zone is not None:
            by_zone.setdefault(station.zone, []).append(n)
    return [np.array(members, dtype=np.int64) for members in by_zone.values() if len(members) > 1]
