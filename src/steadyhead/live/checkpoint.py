"""A course in bytes, and the checkpoints of all courses in the database.

A checkpoint holds everything of a station up to one journal record, so that a restart needs only the records
after it; ``saver`` says when they are made. Stations of one zone are always saved in one transaction: they
look at each other.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import delete, insert, select

from steadyhead.alerts.model import Renaming, Runner, Verdict
from steadyhead.config import ROLES, Station
from steadyhead.engine import State
from steadyhead.errors import ReadingsError
from steadyhead.live.course import Course, Told
from steadyhead.live.reported import joined, reports_of
from steadyhead.live.watermarks import STATION_MARK
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.readings.grid import Held
from steadyhead.store.database import Database
from steadyhead.store.tables import CheckpointRow

FORM = 1
AT_A_TIME = 200  # stations in a transaction: about 2 MB, so that others who write wait a moment only
_HEAD = struct.Struct("<I")
_LEFT_OUT = State()

One = TypeVar("One")


class FormError(Exception):
    """A checkpoint is of another version of the program; the course has to be built anew."""


@dataclass(frozen=True, slots=True)
class Saved:
    """A checkpoint as found: the station's course but for engine state and profile, and its marks.

    profile_version : of the profile it was judged by, "" for none; is_whole : whether the engine state could
    be read; if not, it was written by another version of the program and has to be made from the archive
    """

    course: Course
    mark: NDArray[Any]
    profile_version: str
    is_whole: bool


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A course and its mark as they stood at one moment, for any thread to make bytes of.

    course : a copy that is not carried on, without its engine state
    state : the engine state, in bytes; mark : a ``STATION_MARK`` as a tuple
    """

    course: Course
    state: bytes
    mark: tuple[Any, ...]

    def to_bytes(self) -> bytes:
        """Course and mark, but for the profile."""
        course = self.course
        reports = joined(course.waiting)
        waiting = [(role, reports[reports["role"] == role]) for role in np.unique(reports["role"]).tolist()]
        header = {
            "step_s": course.station.step_s,
            "mark": self.mark,
            "next_s": course.next_s,
            "judged_s": course.judged_s,
            "ready_s": course.ready_s,
            "first_s": course.first_s,
            "n_rows": course.n_rows,
            "last": course.last,
            "held": course.held.last,
            "waiting": [(role, len(own)) for role, own in waiting],
            "rows": None if course.rows is None else (course.rows.start_s, len(course.rows)),
            "told": [(told.kind, asdict(told.verdict)) for told in course.told],
            "named": course.episodes.naming.held,
            "latest": [asdict(verdict) for verdict in course.episodes.latest.values()],
            "state": len(self.state),
        }
        text = json.dumps(header, separators=(",", ":")).encode()
        parts = [_HEAD.pack(len(text)), text, self.state]
        parts += [own[name].tobytes() for _, own in waiting for name in ("us", "value", "flags")]
        if course.rows is not None:
            parts += [getattr(course.rows, name).tobytes() for name in (*CHANNELS, "flags")]
        return b"".join(parts)


def snapshot(course: Course, mark: Any) -> Snapshot:
    """What is needed to save a course; takes a few microseconds, for whoever carries it on must wait.

    Reports, rows and verdicts are never changed once they are made, so it is enough to copy who holds them.
    """
    # the engine state is copied as bytes: numpy copies a record of a hundred fields field by field
    stood = replace(
        course, state=_LEFT_OUT, episodes=course.episodes.copy(), last=dict(course.last),
        waiting=list(course.waiting), told=list(course.told),
    )  # fmt: skip
    return Snapshot(stood, course.state.to_bytes(), mark.item())


def to_bytes(course: Course, mark: Any) -> bytes:
    """Course and mark, but for the profile."""
    return snapshot(course, mark).to_bytes()


def from_bytes(data: bytes, station: Station, *, has_neighbours: bool) -> Saved:
    """The course as saved, without its profile.

    Raises FormError if it cannot be used, such as after a change of the station's ``step_s``.
    """
    course = Course(station, has_neighbours)
    try:
        (length,) = _HEAD.unpack_from(data)
        header = json.loads(data[4 : 4 + length])
        at = 4 + length
        state = data[at : at + header["state"]]
        at += header["state"]
        mark = np.array([tuple(header["mark"])], dtype=STATION_MARK)
        if header["step_s"] != station.step_s:
            raise FormError(f"step_s was {header['step_s']}")
        for name in ("next_s", "judged_s", "ready_s", "first_s", "n_rows"):
            setattr(course, name, header[name])
        course.last = {name: (int(at_s), float(value)) for name, (at_s, value) in header["last"].items()}
        course.held = Held({role: tuple(header["held"][role]) for role in ROLES if role in header["held"]})
        course.told = [Told(kind, _verdict(one)) for kind, one in header["told"]]
        course.episodes.naming.held = dict(header.get("named", {}))
        course.episodes.latest = {v.condition: v for v in map(_verdict, header["latest"])}
        for role, n in header["waiting"]:
            us, values, flags = (np.frombuffer(data, kind, n, start) for kind, start in _starts(at, n))
            course.waiting.append(reports_of(us, values, flags, role))
            at += 18 * n
        if header["rows"] is not None and has_neighbours:
            course.rows = _rows(data, at, station, *header["rows"])
    except (
        ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, RecursionError,
        ReadingsError, struct.error,
    ) as exc:  # fmt: skip
        raise FormError(str(exc)) from exc
    if not has_neighbours and course.judged_s is not None:
        course.next_s = course.judged_s + station.step_s  # it may have left a zone with rows that waited
    try:
        course.state = State.from_bytes(state)
    except ReadingsError:
        return Saved(course, mark, "", is_whole=False)
    return Saved(course, mark, "", is_whole=True)


def write(database: Database, chunk: Sequence[Snapshot], journal_no: int) -> None:
    """Save what stood after record ``journal_no``, all of it or nothing. Raises DatabaseError."""
    rows = [
        {
            "station": one.course.station.name,
            "journal_no": journal_no,
            "through_s": one.course.judged_s or 0,
            "state": one.to_bytes(),
            "profile_version": "" if one.course.profile is None else one.course.profile.version,
            "form": FORM,
        }
        for one in chunk
    ]
    with database.session() as session:  # what takes long is done by now
        names = [row["station"] for row in rows]
        session.execute(delete(CheckpointRow).where(CheckpointRow.station.in_(names)))
        session.execute(insert(CheckpointRow), rows)


def load(database: Database, courses: Sequence[Course]) -> dict[str, Saved]:
    """What was saved of these courses, by station. Raises DatabaseError.

    A checkpoint of a form this program does not know is left out: the station then begins anew.
    """
    fresh = {course.station.name: course for course in courses}
    names = list(fresh)  # the table may hold many more: other processes judge other stations
    found: dict[str, Saved] = {}
    with database.reading() as session:
        for first in range(0, len(names), AT_A_TIME):
            some = CheckpointRow.station.in_(names[first : first + AT_A_TIME])
            for row in session.scalars(select(CheckpointRow).where(some, CheckpointRow.form == FORM)):
                course = fresh[row.station]
                try:
                    saved = from_bytes(row.state, course.station, has_neighbours=course.has_neighbours)
                except FormError:
                    continue
                saved.course.journal_no = row.journal_no
                found[row.station] = replace(saved, profile_version=row.profile_version)
    return found


def in_chunks(
    ones: Sequence[One], zone_of: Callable[[One], str | None], at_a_time: int
) -> Iterator[list[One]]:
    """About so many at a time, never parting a zone, whose members follow on each other."""
    chunk: list[One] = []
    for one in ones:
        zone = zone_of(one)
        if len(chunk) >= at_a_time and (zone is None or zone != zone_of(chunk[-1])):
            yield chunk
            chunk = []
        chunk.append(one)
    if chunk:
        yield chunk


def _starts(at: int, n: int) -> tuple[tuple[str, int], ...]:
    return ("<i8", at), ("<f8", at + 8 * n), ("<u2", at + 16 * n)


def _rows(data: bytes, at: int, station: Station, start_s: int, n: int) -> Readings:
    columns = {name: np.frombuffer(data, "<f8", n, at + 8 * n * i).copy() for i, name in enumerate(CHANNELS)}
    flags = np.frombuffer(data, "<u2", n, at + 8 * n * len(CHANNELS)).copy()
    return Readings(station.name, start_s, station.step_s, flags=flags, **columns)


def _verdict(one: dict[str, Any]) -> Verdict:
    return Verdict(
        **{
            **one,
            "runners_up": tuple(Runner(**runner) for runner in one["runners_up"]),
            "evidence": tuple(one["evidence"]),
            "window_s": tuple(one["window_s"]),
            "names": tuple(Renaming(**renaming) for renaming in one.get("names", ())),
        }
    )
