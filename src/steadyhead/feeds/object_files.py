"""Parquet and CSV files on disks and object stores, by fsspec. A file is read whole, in one transaction.

A file that has been read is known by its name, size and the store's own mark of its content. One that has
changed is read again,
and what had been read of it is left out as far as its last time: files that are written
anew with more rows at their end, as exports are.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import fsspec
import numpy as np
import pyarrow.compute as pc
import yaml

from steadyhead.config import Source
from steadyhead.errors import FeedError
from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.cells import to_numbers
from steadyhead.feeds.connector import NO_POINTS, Bit, Points, Position
from steadyhead.feeds.finding import natural_order
from steadyhead.feeds.local_time import to_utc
from steadyhead.feeds.settings import FilesSettings
from steadyhead.feeds.stamps import read_stamps
from steadyhead.feeds.tables import Table, open_table

MOST_FILES = 20_000  # remembered
_LONGEST_GAP_S = 7200.0  # between rows of one pass of the hour that a clock runs through twice


class FilesConnector:
    """Files of one pattern. See ``connector.Connector``."""

    def __init__(self, name: str, settings: FilesSettings, now_s: Callable[[], float] = time.time) -> None:
        self._name, self._settings, self._now_s = name, settings, now_s
        self._source = Source(
            path=(settings.path,), layout=settings.layout, time_column=settings.time_column,
            time_format=settings.time_format, tag_column=settings.tag_column,
            value_column=settings.value_column,
            quality_column=settings.quality_column, delimiter=settings.delimiter, decimal=settings.decimal,
        )  # fmt: skip

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"files {self._settings.path}"

    def close(self) -> None:
        """See ``connector.Connector``; nothing is kept open."""

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``: the newest file."""
        del seconds
        system, files = self._listed()
        if not files:
            raise FeedError(f"{self._where()}: no file matches; mend path, or put files there")
        return self._read(system, list(files)[-1])

    def reach_days(self) -> int | None:
        """See ``connector.Connector``: not known before all files were read."""
        return None

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        for bit in self._new(dict((resume or {}).get("files", {}))):
            points = bit.points
            keep = (points.us >= from_s * 1_000_000) & (points.us < to_s * 1_000_000)
            yield replace(bit, points=points.only(keep))

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        known = dict((resume or {}).get("files", {}))
        while not stop.is_set():
            for bit in self._new(known):
                known = dict(bit.position["files"])
                yield bit
                if stop.is_set():
                    return
            stop.wait(self._settings.poll_s)

    # ------------------------------------------------------------ inner

    def _new(self, known: dict[str, Any]) -> Iterator[Bit]:
        system, files = self._listed()
        for path, mark in files.items():
            before = known.get(path)
            if before is not None and before["mark"] == mark:
                continue
            points = self._read(system, path)
            last_us = int(points.us.max()) if len(points) else None
            if before is not None and before.get("last_us") is not None:
                points = points.only(points.us > before["last_us"])
                last_us = max(last_us or 0, before["last_us"])
            known = {**known, path: {"mark": mark, "last_us": last_us}}
            yield Bit(points, {"files": dict(list(known.items())[-MOST_FILES:])})

    def _listed(self) -> tuple[Any, dict[str, str]]:
        """The file system, and the files with what tells if they changed, in the order people count in."""
        options: dict[str, Any] = {}
        if self._settings.options_file is not None:
            try:
                options = yaml.safe_load(self._settings.options_file.read_text(encoding="utf-8")) or {}
            except (OSError, yaml.YAMLError, UnicodeDecodeError) as exc:
                raise FeedError(
                    f"{self._settings.options_file}: cannot be read ({exc}); mend options_file"
                ) from exc
        try:
            system, pattern = fsspec.core.url_to_fs(self._settings.path, use_listings_cache=False, **options)
            system.invalidate_cache()
            found = system.glob(pattern, detail=True)
        except (ValueError, ImportError) as exc:
            raise FeedError(
                f"{self._where()} cannot be opened ({exc}); mend path, or install the fsspec package "
                f"of that store"
            ) from exc
        except PermissionError as exc:
            raise FeedError(
                f"{self._where()} does not let us in ({exc}); mend the keys in options_file"
            ) from exc
        except Exception as exc:
            raise FeedError(
                f"{self._where()} cannot be listed ({type(exc).__name__}: {exc}); it is tried again"
            ) from exc
        marks = {path: _mark(info) for path, info in found.items() if info.get("type", "file") == "file"}
        return system, {
            path: marks[path] for path in sorted(marks, key=lambda name: natural_order(Path(name)))
        }

    def _read(self, system: Any, path: str) -> Points:
        """All readings of a file. Columns, times and numbers are read as those of log files are."""
        with tempfile.TemporaryDirectory(prefix="steadyhead-") as folder:
            local = Path(folder) / Path(path).name
            try:
                with system.open(path, "rb") as file:
                    local.write_bytes(file.read())
            except Exception as exc:
                raise FeedError(
                    f"{self._where()}: {path} cannot be read ({type(exc).__name__}: {exc}); it is tried again"
                ) from exc
            try:
                table = open_table(local, self._source)
                parts = list(self._parts(table)) if table.columns else []
            except FeedError as exc:
                raise FeedError(f"{self._name}: {str(exc).replace(str(local), path)}") from exc
        return _joined(parts) if parts else NO_POINTS

    def _parts(self, table: Table) -> Iterator[Points]:
        settings = self._settings
        if settings.layout == "long":
            needed = [settings.time_column, settings.tag_column, settings.value_column]
            needed += [settings.quality_column] if settings.quality_column else []
        else:
            needed = [settings.time_column]
        for name in needed:
            if name not in table.columns:
                listed = ", ".join(table.columns[:8])
                raise FeedError(
                    f'{table.path}: has no column "{name}"; it has {listed}; mend time_column and the others'
                )
        beside = {settings.time_column, settings.quality_column}
        wide = [name for name in dict.fromkeys(table.columns) if name and name not in beside]
        wanted = needed if settings.layout == "long" else [*needed, *wide]
        for batch in table.batches(wanted):
            us, is_good = self._times(batch[settings.time_column])
            if settings.layout == "long":
                points = self._long(batch, us)
                yield points.only(
                    is_good & (points.which >= 0) & ~(np.isnan(points.values) & ~_has_text(points))
                )
            else:
                for name in wide:
                    values, is_empty, is_text, is_mark = to_numbers(batch[name], self._source)
                    texts = _texts(batch[name], is_text | is_mark)
                    one = Points([name], np.zeros(len(us), np.int64), us, values, None, texts)
                    yield one.only(is_good & ~is_empty)

    def _times(self, column: Any) -> tuple[Any, Any]:
        stamps = read_stamps(column, None, self._source)
        us, is_good = stamps.us.copy(), ~stamps.is_bad
        local = is_good & ~stamps.is_utc
        if local.any():
            placed = to_utc(us[local], self._settings.time_zone, _LONGEST_GAP_S)
            us[local] = placed.us
            is_good[np.flatnonzero(local)[placed.is_ambiguous | placed.is_missing]] = False
        if not is_good.any() and len(us):
            raise FeedError(
                f'{self._name}: no time can be read, such as "{column[0]}"; mend time_column or time_format'
            )
        return us, is_good

    def _long(self, batch: Any, us: Any) -> Points:
        settings = self._settings
        names = pc.dictionary_encode(pc.utf8_trim_whitespace(as_text(batch[settings.tag_column])))
        values, _, is_text, is_mark = to_numbers(batch[settings.value_column], self._source)
        texts = _texts(batch[settings.value_column], is_text | is_mark)
        codes = None
        if settings.quality_column:
            codes = np.array(batch[settings.quality_column].to_pylist(), dtype=object)
        which = names.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
        return Points(names.dictionary.to_pylist(), which, us, values, codes, texts)

    def _where(self) -> str:
        return f"{self._name}: {self.describe()}"


def _has_text(points: Points) -> Any:
    """Where a text stood in place of a number; an empty cell is no reading."""
    found = np.zeros(len(points), np.bool_)
    found[list(points.texts)] = True
    return found


def _mark(info: dict[str, Any]) -> str:
    own = next(
        (info[key] for key in ("ETag", "etag", "md5Hash", "mtime", "LastModified", "created") if key in info),
        "",
    )
    return f"{info.get('size')} {own}"


def _texts(column: Any, where: Any) -> dict[int, str]:
    return {int(i): str(column[int(i)].as_py())[:100] for i in np.flatnonzero(where)}


def _joined(parts: list[Points]) -> Points:
    tags: dict[str, int] = {}
    which, texts, at = [], {}, 0
    for part in parts:
        place = np.array([tags.setdefault(tag, len(tags)) for tag in part.tags], np.int64)
        which.append(place[part.which] if len(place) else part.which)
        texts.update({at + i: text for i, text in part.texts.items()})
        at += len(part)
    codes = None
    if any(part.codes is not None for part in parts):
        codes = np.concatenate([np.full(len(p), None, object) if p.codes is None else p.codes for p in parts])
    return Points(
        list(tags), np.concatenate(which), np.concatenate([p.us for p in parts]),
        np.concatenate([p.values for p in parts]), codes, texts,
    )  # fmt: skip
