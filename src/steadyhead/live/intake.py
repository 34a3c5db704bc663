"""The one door through which readings enter: judged, then committed to the journal, then answered.

Every way in ends in ``commit``: pushes come through ``push_json`` and ``push_lines``, watched files through
``live.folders``, and a later feed would do the same.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from steadyhead.config import ROLES
from steadyhead.errors import IntakeError, JournalError
from steadyhead.live.batch import Batch, Columns, Refused
from steadyhead.live.clock import Clock, Moment
from steadyhead.live.doors import Door
from steadyhead.live.kinds import JournalLike
from steadyhead.live.lines import NS_IN, Precision
from steadyhead.live.quarantine import LATE, REFUSED, Quarantine
from steadyhead.live.reports import Reports
from steadyhead.live.tallies import Entry, Refusal
from steadyhead.live.watermarks import Watermarks
from steadyhead.readings.rejects import shown
from steadyhead.types import BoolArray

__all__ = ["Intake", "Part", "Precision", "PushAnswer", "Refused"]

MARK_S = 10.0
"""A clock mark is written after so long without a record [s]."""


@dataclass(frozen=True, slots=True)
class PushAnswer:
    """What became of a batch; an item with several values counts once for each value.

    accepted : values now in the journal, safe from a power cut; late : values older than the horizon, kept
    but not judged; refused : values or items not taken
    """

    accepted: int
    late: int
    refused: list[Refused]


@dataclass(frozen=True, slots=True)
class Part:
    """What one source brings to a commit.

    kept : refused items for the quarantine; position : how far the source has now been read, or None
    """

    source: str
    kind: str
    columns: Columns
    refusals: Sequence[Refusal] = ()
    kept: Sequence[dict[str, Any]] = ()
    position: Mapping[str, Any] | None = None


class Intake:
    """The door. Threads may share it.

    doors : stations by name, numbered from 0; future_s : how far ahead of the clock a reading may be
    on_commit : called after each commit, to wake the runner
    last_error : why nothing could be accepted at the last try; None where it could
    """

    def __init__(
        self,
        doors: Mapping[str, Door],
        journal: JournalLike,
        quarantine: Quarantine,
        clock: Clock,
        future_s: int = 300,
        on_commit: Callable[[], None] = lambda: None,
    ) -> None:
        self.doors = doors
        self.on_commit = on_commit
        self._names = np.array(list(doors), dtype=object)
        self._journal = journal
        self._quarantine = quarantine
        self._clock = clock
        self._future_s = future_s
        self._lock = threading.Lock()
        self._marks: Watermarks | None = None
        self.last_error: str | None = None

    def open(self, marks: Watermarks) -> None:
        """Begin to accept; ``marks`` stand at the last record of the journal and are kept from now on."""
        with self._lock:
            self._marks = marks

    def shut(self) -> None:
        """Accept nothing any more; a commit that has begun is finished first."""
        with self._lock:
            self._marks = None

    # ------------------------------------------------------------ pushes

    def push_json(self, body: bytes, source: str) -> PushAnswer:
        """Take a batch of JSON items: a list, an object with ``readings``, or one item.

        source : who sent it, for counts and the feeds page
        Raises IntakeError if the body as a whole cannot be read, JournalError if nothing can be accepted now.
        """
        items = _items(body)
        batch = self._batch(source)
        for index, item in enumerate(items):
            batch.take_item(index, item)
        return self._push(batch, "json")

    def push_lines(self, body: bytes, precision: Precision, source: str) -> PushAnswer:
        """Take InfluxDB line protocol; errors as ``push_json``. ``precision`` is that of its time stamps.

        The measurement is free; the tag ``station`` says which station, fields are roles or tag names.
        A line without a time is of now.
        """
        if precision not in NS_IN:
            known = ", ".join(NS_IN)
            raise IntakeError(f'"{shown(str(precision))}" is no precision of time stamps; use one of {known}')
        text = _text(body)
        batch = self._batch(source)
        for index, line in enumerate(text.split("\n")):
            line = line.strip("\r \t")
            if line and not line.startswith("#"):
                batch.take_line(index, line, precision)
        return self._push(batch, "line_protocol")

    def _batch(self, source: str) -> Batch:
        return Batch(self.doors, source, self._clock.now(), self._future_s)

    def _push(self, batch: Batch, kind: str) -> PushAnswer:
        part = Part(batch.source, kind, batch.columns(), batch.refusals(), batch.kept)
        ((accepted, late),) = self.commit([part])
        return PushAnswer(accepted, late, batch.refused)

    # ------------------------------------------------------------ the journal

    def commit(self, parts: Sequence[Part]) -> list[tuple[int, int]]:
        """Accept what several sources bring, as one record; returns (accepted, late) of each.

        When this returns, what was accepted is safe from a power cut.
        Raises JournalError if nothing can be accepted now; nothing was taken then.
        """
        with self._lock:
            marks = self._marks
            if marks is None:
                raise JournalError(
                    "the service is starting or stopping; send the readings again in a few seconds"
                )
            moment = self._clock.now()
            joined = _joined([part.columns for part in parts])
            marks.bring_on(moment.listened_s, np.unique(joined.which))
            is_late = marks.is_late(joined.which, joined.us)
            is_gap = np.isnan(joined.values)
            counts = _counts(parts, is_late, is_gap)
            wall_s = self._clock.wall_s()
            entries = [
                Entry(part.source, part.kind, accepted, late, part.refusals, part.position, int(wall_s))
                for part, (accepted, late) in zip(parts, counts, strict=True)
            ]
            with self._noting_errors():
                self._quarantine.keep(REFUSED, wall_s, [item for part in parts for item in part.kept])
                self._quarantine.keep(LATE, wall_s, self._late_items(parts, joined, is_late & ~is_gap))
                self._append(joined, ~is_late, moment, entries, marks)
        self.on_commit()
        return counts

    def _append(
        self, joined: Columns, keep: BoolArray, moment: Moment, entries: list[Entry], marks: Watermarks
    ) -> None:
        which, us = joined.which[keep], joined.us[keep]
        if not len(which):
            self._journal.note(entries)
            return
        touched, place = np.unique(which, return_inverse=True)
        reports = Reports(
            names=tuple(self._names[touched]),
            which=place.astype(np.uint32),
            role=joined.role[keep].astype(np.uint8),
            us=us,
            values=joined.values[keep],
            flags=joined.flags[keep],
        )
        self._journal.append("readings", moment, reports.to_bytes(), len(reports), entries)
        marks.take(which, us, moment)

    def mark(self) -> None:
        """Write a clock mark if there has been no record for a while; raises JournalError if it cannot."""
        with self._lock:
            moment = self._clock.now()
            if self._marks is None or moment.listened_s - self._journal.listened_s < MARK_S:
                return
            with self._noting_errors():
                self._journal.append("mark", moment)
            self._marks.bring_on(moment.listened_s)

    @contextmanager
    def _noting_errors(self) -> Iterator[None]:
        try:
            yield
        except JournalError as exc:
            self.last_error = str(exc)
            raise
        self.last_error = None

    def note_profile(self, station: str, version: str) -> None:
        """Put into the journal that a station is judged by another profile from here on."""
        body = json.dumps({"station": station, "version": version}).encode()
        with self._lock:
            self._journal.append("profile", self._clock.now(), body)
        self.on_commit()

    def _late_items(self, parts: Sequence[Part], joined: Columns, is_late: BoolArray) -> list[dict[str, Any]]:
        if not is_late.any():
            return []
        owner = np.repeat(np.arange(len(parts)), [len(part.columns.us) for part in parts])
        now_s = int(self._clock.wall_s())
        return [
            {
                "received_s": now_s,
                "source": parts[owner[i]].source,
                "station": self._names[joined.which[i]],
                "role": ROLES[joined.role[i]],
                "time": datetime.fromtimestamp(joined.us[i] / 1e6, UTC).isoformat(),
                "value": float(joined.values[i]),
                "unit": "L/s" if ROLES[joined.role[i]] == "flow" else "kPa",
            }
            for i in np.flatnonzero(is_late)
        ]


def _counts(parts: Sequence[Part], is_late: BoolArray, is_gap: BoolArray) -> list[tuple[int, int]]:
    """Accepted and late values of each part."""
    counts, start = [], 0
    for part in parts:
        own = slice(start, start + len(part.columns.us))
        start = own.stop
        late = int((is_late[own] & ~is_gap[own]).sum())
        counts.append((int((~is_gap[own]).sum()) - late, late))
    return counts


def _joined(columns: Sequence[Columns]) -> Columns:
    if len(columns) == 1:
        return columns[0]
    return Columns(*(np.concatenate([getattr(c, name) for c in columns]) for name in Columns.__slots__))


def _text(body: bytes) -> str:
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as exc:
        raise IntakeError(f"the body is not UTF-8 text (byte {exc.start}); send it as UTF-8") from exc


def _items(body: bytes) -> list[Any]:
    try:
        data = json.loads(_text(body))
    except (ValueError, RecursionError) as exc:
        raise IntakeError(f"the body is not JSON ({exc}); send a list of readings") from exc
    if isinstance(data, dict) and "readings" in data:
        if len(data) > 1:
            others = ", ".join(shown(key) for key in list(data)[:5] if key != "readings")
            raise IntakeError(f"the body has keys beside readings ({others}); send readings alone")
        data = data["readings"]
    elif isinstance(data, dict):
        data = [data]
    if not isinstance(data, list):
        raise IntakeError("the body is neither a list of readings nor an object with readings; send a list")
    return data
