"""Watched folders: the registry's log files read as they grow, each row once.

How far each file was read is committed with its readings in one transaction of the journal, so a kill at any
moment neither loses nor repeats a row. The stations of a zone are brought in together and in order of time,
so that a log of years is judged with its neighbours as ``scan`` does it.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from steadyhead.config import Registry, Source, Station
from steadyhead.errors import FeedError, JournalError
from steadyhead.feeds.finding import find_files
from steadyhead.live.batch import Columns
from steadyhead.live.feed_rows import FeedState
from steadyhead.live.file_readings import NEW, Found, context_bytes, found_in, only
from steadyhead.live.growing import NewPart, new_part
from steadyhead.live.intake import Intake, Part
from steadyhead.live.kinds import Counted
from steadyhead.live.tallies import Refusal
from steadyhead.types import BoolArray

KIND = "folder"
AT_A_TIME = 60_000  # readings in a commit
MOST_BEHIND = 30  # records that may wait to be judged while files are read; the journal need not hold years
_MOST_FILES = 5000  # remembered of a source


@dataclass(frozen=True, slots=True)
class Watched:
    """One source of a station. name : as it is counted and shown; place : number of the station."""

    name: str
    station: Station
    source: Source
    place: int


@dataclass(slots=True)
class _News:
    """What a look at a source brought, and the position after it."""

    watched: Watched
    found: Found
    position: dict[str, Any]


class Folders:
    """Looks for new rows at each ``poll``. One thread calls it; ``states`` may be asked by others.

    behind : how many records of the journal wait to be judged
    """

    def __init__(
        self, registry: Registry, intake: Intake, journal: Counted, folder: Path, behind: Callable[[], int],
        now_s: Callable[[], float], future_s: int,
    ) -> None:  # fmt: skip
        self._root = registry.log_root
        self._intake, self._journal, self._folder = intake, journal, folder
        self._behind, self._now_s, self._future_s = behind, now_s, future_s
        self._units = _units(registry)
        self._positions: dict[str, dict[str, Any]] | None = None
        self._states: dict[str, FeedState] = {}
        self._failed: dict[str, Any] = {}
        self._unanswered: list[str] = []
        self.stop = threading.Event()

    def states(self) -> dict[str, FeedState]:
        """How each source is doing, by name."""
        return dict(self._states)

    def poll(self) -> None:
        """Look at every source once and commit what is new. Raises JournalError if it cannot be accepted."""
        if self._positions is None:
            self._positions = self._journal.positions()
            while self._unanswered:
                self._states.pop(self._unanswered.pop(), None)
        for unit in self._units:
            if self.stop.is_set():
                return
            news = [one for watched in unit if (one := self._look(watched)) is not None]
            if news:
                self._commit(news)

    # ------------------------------------------------------------ one source

    def _look(self, watched: Watched) -> _News | None:
        try:
            news = self._new(watched)
        except FeedError as exc:
            state = "waiting" if str(exc).startswith(f"{watched.station.name}: no file matches") else "error"
            self._states[watched.name] = FeedState(KIND, state, str(exc))
            return None
        if self._states.get(watched.name) is None or news is not None:
            self._states[watched.name] = FeedState(KIND, "ok")
        return news

    def _new(self, watched: Watched) -> _News | None:
        position = self._position(watched.name)
        last_us = position.get("last_us")
        files = position.get("files", {})
        parts: list[tuple[str, NewPart]] = []
        context = context_bytes(watched.station, watched.source, last_us)
        for path in find_files(watched.station, watched.source, self._root):
            name = self._shown(path)
            part = new_part(path, watched.source, files.get(name), context)
            if part is not None:
                parts.append((name, part))
        if not parts or self._has_failed(watched, parts):
            return None
        fresh = [(name, part) for name, part in parts if not part.is_replaced]
        replaced = [(name, part) for name, part in parts if part.is_replaced]
        found = self._read(watched, fresh)
        if replaced:
            # of a file that was written anew only what is later than all that was read counts as new
            newer = self._read(watched, replaced)
            found = _joined(found, _later(newer, last_us))
        self._failed.pop(watched.name, None)
        found = self._without_future(watched, _later(found, position.get("through_us")))
        marks = {**files, **{name: part.mark.to_dict() for name, part in parts}}
        newest_us = int(found.columns.us.max()) if len(found.columns.us) else None
        after = {
            "files": dict(list(marks.items())[-_MOST_FILES:]),
            "last_us": max((at for at in (last_us, newest_us) if at is not None), default=None),
        }
        return _News(watched, found, after)

    def _has_failed(self, watched: Watched, parts: list[tuple[str, NewPart]]) -> bool:
        """Whether this very thing could not be read before, so that it is not tried every few seconds."""
        now = [(name, part.mark) for name, part in parts]
        if self._failed.get(watched.name) == now:
            return True
        self._failed[watched.name] = now
        return False

    def _read(self, watched: Watched, parts: list[tuple[str, NewPart]]) -> Found:
        try:
            with tempfile.TemporaryDirectory(prefix="reading-", dir=self._folder) as folder:
                try:
                    return found_in(
                        watched.station, watched.place, watched.source, watched.name, parts, Path(folder),
                        self._now_s(),
                    )  # fmt: skip
                except FeedError as exc:  # people know the file, not the piece of it that was read
                    raise FeedError(str(exc).replace(str(Path(folder) / NEW), str(self._root))) from exc
        except OSError as exc:
            raise FeedError(
                f"{self._folder}: cannot be written ({exc.strerror or exc}); free some space there"
            ) from exc

    def _without_future(self, watched: Watched, found: Found) -> Found:
        is_future = found.columns.us > (self._now_s() + self._future_s) * 1e6
        if not is_future.any():
            return found
        n = int(is_future.sum())
        latest = str(np.datetime64(int(found.columns.us.max()), "us"))[:19]
        text = f"{latest} UTC lies ahead of the clock; mend the time zone of this source, or set the clock"
        refusal = Refusal(watched.station.name, "", "future_time", n, text)
        return Found(only(found.columns, ~is_future), [*found.refusals, refusal], found.kept)

    # ------------------------------------------------------------ to the journal

    def _commit(self, news: list[_News]) -> None:
        for parts, positions in self._pieces(news):
            while self._behind() > MOST_BEHIND:
                if self.stop.wait(0.1):
                    return
            if self.stop.is_set():
                return
            try:
                self._intake.commit(parts)
            except JournalError as exc:
                self._positions = None  # it may have been made all the same, where a database is far away
                self._unanswered = [one.watched.name for one in news]
                for name in self._unanswered:
                    self._states[name] = FeedState(KIND, "error", str(exc))
                raise
            if self._positions is not None:
                self._positions.update(positions)

    def _pieces(self, news: list[_News]) -> Iterator[tuple[list[Part], dict[str, dict[str, Any]]]]:
        """Commits in order of time; all but the last say up to when the new rows were taken."""
        edges = _edges(np.concatenate([one.found.columns.us for one in news]))
        before: int | None = None
        for edge in edges:
            parts, positions = [], {}
            for one in news:
                columns, name = one.found.columns, one.watched.name
                own = only(columns, _between(columns, before, edge))
                is_last = edge is None
                if not len(own.us) and not is_last:
                    continue
                # of a source that lags behind the others of its zone, more may still come before the edge
                through_us = None if edge is None or not len(columns.us) else min(edge, int(columns.us.max()))
                position = one.position if is_last else {**self._position(name), "through_us": through_us}
                positions[name] = position
                refusals = one.found.refusals if is_last else []
                kept = one.found.kept if is_last else []
                parts.append(Part(name, KIND, own, refusals, kept, position))
            yield parts, positions
            before = edge

    def _position(self, name: str) -> dict[str, Any]:
        return (self._positions or {}).get(name, {})

    def _shown(self, path: Path) -> str:
        try:
            return path.relative_to(self._root).as_posix()
        except ValueError:
            return path.as_posix().lstrip("/")


def _units(registry: Registry) -> list[list[Watched]]:
    """Sources that are brought in together: those of a zone, or of a station that is alone."""
    units: dict[str, list[Watched]] = {}
    for place, station in enumerate(registry.stations.values()):
        key = f"station {station.name}" if station.zone is None else f"zone {station.zone}"
        for n, source in enumerate(station.sources, start=1):
            name = f"folder:{station.name}" + (f":{n}" if len(station.sources) > 1 else "")
            units.setdefault(key, []).append(Watched(name, station, source, place))
    return list(units.values())


def _edges(us: Any) -> list[int | None]:
    """Times at which to cut; None stands for the end."""
    if len(us) <= AT_A_TIME:
        return [None]
    ordered = np.sort(us)
    cuts = np.unique(ordered[AT_A_TIME - 1 :: AT_A_TIME])
    return [*(int(cut) for cut in cuts if cut < ordered[-1]), None]


def _between(columns: Columns, after_us: int | None, to_us: int | None) -> BoolArray:
    keep = np.ones(len(columns.us), dtype=np.bool_)
    if after_us is not None:
        keep &= columns.us > after_us
    if to_us is not None:
        keep &= columns.us <= to_us
    return keep


def _later(found: Found, than_us: int | None) -> Found:
    return (
        found if than_us is None else replace(found, columns=only(found.columns, found.columns.us > than_us))
    )


def _joined(one: Found, other: Found) -> Found:
    columns = Columns(
        *(np.concatenate([getattr(f.columns, name) for f in (one, other)]) for name in Columns.__slots__)
    )
    return Found(columns, [*one.refusals, *other.refusals], [*one.kept, *other.kept])
