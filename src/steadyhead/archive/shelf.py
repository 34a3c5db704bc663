"""Where the files of the embedded archive lie: one folder a day, in it one folder a group of stations.

    readings/2026-03-01/07/00000012-00000019-5760.parquet    rows as they came
    pieces/2026-03-01/07/00000019-00000019-96.parquet        15-minute pieces of that day
    pieces/2026-02/07/00000019-00000019-2880.parquet         the same of a whole month, once it is over

A file that another one covers is left from a merge that a crash interrupted; it is deleted when the shelf is
opened. Whatever else lies there is not touched.
"""

from __future__ import annotations

import contextlib
import shutil
import zlib
from pathlib import Path

import numpy as np

from steadyhead.archive.archive import DAY_S
from steadyhead.archive.segments import Segment
from steadyhead.errors import ArchiveError

GROUPS = 16
"""Groups of stations; with few stations a file holds few, with 20,000 it holds 1,250."""

Place = tuple[str, int]
"""Day ("2026-03-01") or month ("2026-02"), and group."""


def group_of(station: str) -> int:
    """Group of a station, the same on every machine."""
    return zlib.crc32(station.encode()) % GROUPS


def day_of(time_s: int) -> str:
    """Name of the day [UTC] a row belongs to."""
    return str(np.datetime64(int(time_s) // DAY_S, "D"))


def day_number(day: str) -> int:
    """Days since 1970-01-01 of such a name."""
    return int(np.datetime64(day, "D").astype(np.int64))


class Shelf:
    """The segments below one folder, known without looking at the disk again. Its owner guards it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._places: dict[Place, tuple[Segment, ...]] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for place in sorted(folder.glob("*/*")):
                if place.is_dir() and place.name.isdecimal():
                    self._open(place)
        except OSError as exc:
            raise ArchiveError(
                f"{folder}: cannot be opened ({exc.strerror or exc}); check the rights of the data folder"
            ) from exc

    def _open(self, folder: Path) -> None:
        found = sorted(s for path in folder.iterdir() if (s := Segment.of(path)) is not None)
        kept: list[Segment] = []
        for segment in found:
            if any(o.first <= segment.first and segment.last <= o.last for o in found if o != segment):
                segment.path.unlink(missing_ok=True)  # another process may see to it too
            else:
                kept.append(segment)
        if kept:
            self._places[folder.parent.name, int(folder.name)] = tuple(kept)

    def look_again(self, place: Place) -> None:
        """Take note of what lies at a place now; another process may have merged its files."""
        folder = self.folder_of(place)
        found = sorted(s for path in folder.glob("*") if (s := Segment.of(path)) is not None)
        kept = [s for s in found if not any(o.first <= s.first and s.last <= o.last for o in found if o != s)]
        self._places[place] = tuple(kept)

    def folder_of(self, place: Place) -> Path:
        """Folder of a place."""
        return self.folder / place[0] / f"{place[1]:02d}"

    def at(self, place: Place) -> tuple[Segment, ...]:
        """Segments of a place, oldest first."""
        return self._places.get(place, ())

    def days(self, group: int | None = None) -> list[str]:
        """Days (or months) there are, oldest first; only those of a group if given."""
        return sorted({day for day, own in self._places if group is None or own == group})

    def groups(self, day: str) -> list[int]:
        """Groups of a day."""
        return sorted(group for own, group in self._places if own == day)

    def highest(self) -> int:
        """Highest append number of all."""
        return max((s.last for segments in self._places.values() for s in segments), default=0)

    def put(self, place: Place, new: Segment, instead_of: tuple[Segment, ...] = ()) -> None:
        """Take note of a file that was written; those it replaces are deleted."""
        kept = [s for s in self.at(place) if s not in instead_of and s != new]
        self._places[place] = tuple(sorted([*kept, new]))
        for segment in instead_of:
            with contextlib.suppress(OSError):  # covered by the new one: harmless if it stays
                segment.path.unlink()

    def drop_day(self, day: str) -> int:
        """Delete a day; returns how many rows it held."""
        rows = 0
        for group in self.groups(day):
            rows += sum(s.n_rows for s in self._places.pop((day, group)))
        try:
            shutil.rmtree(self.folder / day)
        except FileNotFoundError:
            pass
        except OSError as exc:
            raise ArchiveError(f"{self.folder / day}: cannot be deleted ({exc.strerror or exc})") from exc
        return rows
