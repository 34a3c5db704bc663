"""The archive in InfluxDB 2, through its own client.

Rows are points of the measurement ``readings`` with the tag ``station`` and a field for each channel; times
are in whole seconds. A point with the same measurement, tags and time as one that is there replaces its
fields (InfluxDB 2 documentation, "Handle duplicate data points"), so the same rows again change nothing.
15-minute pieces are points of ``pieces``, made here and not by tasks of the server, so that both archives
thin alike.
"""

from __future__ import annotations

import csv
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from datetime import datetime
from functools import partial
from typing import Any, TypeVar

import numpy as np
from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from steadyhead.archive.archive import BUCKET_S, CHANNELS, DAY_S, Keep, Series2, Thinned
from steadyhead.archive.influx_text import (
    PIECES,
    READINGS,
    lines_of,
    literal,
    number,
    piece_lines,
    read_token,
    stamp,
)
from steadyhead.archive.rows import (
    NO_PIECES,
    Pieces,
    Rows,
    as_pieces,
    bucket_length_s,
    from_readings,
    in_buckets,
    joined,
    to_pieces,
    to_readings,
)
from steadyhead.errors import ArchiveError
from steadyhead.readings.frame import Readings

__all__ = ["InfluxArchive", "read_token"]

POINTS_AT_A_TIME = 5000  # the batch size that the InfluxDB documentation recommends
SETTLED_S = 2 * DAY_S
_EARLIEST_S = 631_152_000  # 1990-01-01, before any reading that is accepted
_FOREVER_S = 4_102_444_800
_PARTS = ("low", "mean", "high", "n")

Answer = TypeVar("Answer")


class InfluxArchive:
    """See ``archive.Archive``.

    url, org, bucket : where; token : a token that may read and write the bucket
    steps_s : grid step of each station; keep : how long readings are kept
    """

    def __init__(
        self, url: str, org: str, bucket: str, token: str, steps_s: Mapping[str, int],
        keep: Keep | None = None, timeout_s: float = 10.0,
    ) -> None:  # fmt: skip
        self._org, self._bucket, self._url = org, bucket, url
        self._steps_s, self._keep = dict(steps_s), keep or Keep()
        self._client = InfluxDBClient(url=url, token=token, org=org, timeout=int(timeout_s * 1000))
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._query = self._client.query_api()
        self._delete = self._client.delete_api()
        self._lock = threading.Lock()
        self._writing = threading.Lock()
        self._waiting: dict[str, list[Rows]] = {}
        self._leaving: dict[str, list[Rows]] = {}

    # ------------------------------------------------------------ in

    def append(self, readings: Readings) -> None:
        """See ``archive.Archive``."""
        rows = from_readings(readings)
        if len(rows):
            with self._lock:
                self._waiting.setdefault(readings.station, []).append(rows)

    def flush(self, stations: Collection[str] | None = None) -> None:
        """See ``archive.Archive``."""
        with self._writing:
            with self._lock:
                names = self._waiting.keys() if stations is None else self._waiting.keys() & set(stations)
                self._leaving = {name: self._waiting.pop(name) for name in sorted(names)}
            try:
                lines = [
                    line
                    for name, parts in self._leaving.items()
                    for part in parts
                    for line in lines_of(name, part)
                ]
                self._send(lines)
            except BaseException:
                with self._lock:
                    for name, parts in self._leaving.items():
                        self._waiting[name] = parts + self._waiting.get(name, [])
                raise
            finally:
                with self._lock:
                    self._leaving = {}

    def _send(self, lines: list[str]) -> None:
        for first in range(0, len(lines), POINTS_AT_A_TIME):
            self._ask(partial(self._send_some, "\n".join(lines[first : first + POINTS_AT_A_TIME])))

    def _send_some(self, body: str) -> None:
        self._write.write(self._bucket, self._org, body, write_precision=WritePrecision.S)  # type: ignore[arg-type]

    # ------------------------------------------------------------ out

    def read(self, station: str, from_s: int, to_s: int) -> Readings:
        """See ``archive.Archive``."""
        step_s = self._steps_s.get(station, 60)
        parts = list(self._rows(station, from_s, to_s))
        return to_readings(station, step_s, from_s, to_s, parts)

    def extent(self, station: str) -> tuple[int, int] | None:
        """See ``archive.Archive``."""
        with self._lock:
            waiting = [*self._leaving.get(station, ()), *self._waiting.get(station, ())]
        times = [int(at) for part in waiting for at in (part.times_s.min(), part.times_s.max())]
        for end in ("first", "last"):
            flux = (
                self._source(READINGS, station, _EARLIEST_S, _FOREVER_S)
                + f' |> filter(fn: (r) => r._field != "flags") |> {end}()'
                ' |> keep(columns: ["_time"]) |> group()'
            )
            times += [int(record["_time"].timestamp()) for record in self._records(flux)]
        return (min(times), max(times)) if times else None

    def series(self, station: str, from_s: int, to_s: int, points: int) -> Series2:
        """See ``archive.Archive``."""
        step_s = self._steps_s.get(station, 60)
        bucket_s = bucket_length_s(from_s, to_s, points, step_s)
        extent = self.extent(station)
        full_from_s = _FOREVER_S if extent is None else extent[0] // DAY_S * DAY_S
        old = self._pieces(station, from_s, min(to_s, full_from_s)) if from_s < full_from_s else NO_PIECES
        if len(old) and bucket_s < BUCKET_S:
            bucket_s = bucket_length_s(from_s, to_s, points, step_s, BUCKET_S)
        from_s, to_s = from_s // bucket_s * bucket_s, -(-to_s // bucket_s) * bucket_s
        new = self._aggregated(station, from_s, to_s, bucket_s) if bucket_s > step_s else None
        if new is None:
            new = as_pieces(self.read(station, from_s, to_s))
        return in_buckets(station, joined([old, new]), from_s, to_s, bucket_s, is_thinned=len(old) > 0)

    def thin(self, now_s: int) -> Thinned:
        """See ``archive.Archive``."""
        self.flush()
        made = removed = 0
        gone_before_s = (now_s - self._keep.full_days * DAY_S) // DAY_S * DAY_S
        for station in self._steps_s:
            extent = self.extent(station)
            if extent is None or extent[0] >= gone_before_s:
                continue
            for day_s in range(extent[0] // DAY_S * DAY_S, gone_before_s, DAY_S):
                rows = self.read(station, day_s, day_s + DAY_S)
                pieces = to_pieces(rows)
                there = self._pieces(station, day_s, day_s + DAY_S)
                missing = ~np.isin(pieces.times_s, there.times_s)
                new = Pieces(*(getattr(pieces, name)[missing] for name in Pieces.__slots__))
                self._send(piece_lines(station, new))
                made += len(new)
                removed += len(from_readings(rows))
            self._remove(READINGS, station, _EARLIEST_S, gone_before_s)
        self._remove(PIECES, None, _EARLIEST_S, now_s - self._keep.thinned_days * DAY_S)
        return Thinned(removed, made, 0)

    def close(self) -> None:
        """See ``archive.Archive``."""
        self.flush()
        self._client.close()  # type: ignore[no-untyped-call]

    # ------------------------------------------------------------ inner

    def _rows(self, station: str, from_s: int, to_s: int) -> Iterator[Rows]:
        records = self._records(self._pivoted(READINGS, station, from_s, to_s))
        times_s = np.array([int(r["_time"].timestamp()) for r in records], dtype=np.int64)
        values = np.array([[number(r.get(name)) for name in CHANNELS] for r in records], dtype=np.float64)
        flags = np.array(
            [int(np.nan_to_num(number(r.get("flags")))) & 0xFFFF for r in records], dtype=np.uint16
        )
        yield Rows(times_s, values.reshape(len(records), len(CHANNELS)), flags)
        with self._lock:
            waiting = [*self._leaving.get(station, ()), *self._waiting.get(station, ())]
        yield from waiting

    def _pieces(self, station: str, from_s: int, to_s: int) -> Pieces:
        records = self._records(self._pivoted(PIECES, station, from_s // BUCKET_S * BUCKET_S, to_s))
        if not records:
            return NO_PIECES
        times_s = np.array([int(r["_time"].timestamp()) for r in records], dtype=np.int64)
        low, mean, high, counts = (
            np.array([[number(r.get(f"{name}_{part}")) for name in CHANNELS] for r in records])
            for part in _PARTS
        )
        return Pieces(times_s, low, mean, high, np.nan_to_num(counts).astype(np.int64))

    def _aggregated(self, station: str, from_s: int, to_s: int, bucket_s: int) -> Pieces | None:
        """Rows cut into buckets by the server, so that a year need not come through the wire.

        None if some rows still wait here, which the server does not know.
        """
        with self._lock:
            if station in self._waiting or station in self._leaving:
                return None
        found: dict[str, dict[int, Any]] = {}
        for part, fn in zip(_PARTS, ("min", "mean", "max", "count"), strict=True):
            flux = (
                self._source(READINGS, station, from_s, to_s)
                + ' |> filter(fn: (r) => r._field != "flags")'
                + f' |> aggregateWindow(every: {bucket_s}s, fn: {fn}, createEmpty: false, timeSrc: "_start")'
                + ' |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
            )
            found[part] = {int(r["_time"].timestamp()): r for r in self._records(flux)}
        times = sorted(found["mean"])
        low, mean, high, counts = (
            np.array(
                [[number(found[part].get(at, {}).get(name)) for name in CHANNELS] for at in times]
            ).reshape(len(times), len(CHANNELS))
            for part in _PARTS
        )
        return Pieces(
            np.array(times, dtype=np.int64), low, mean, high, np.nan_to_num(counts).astype(np.int64)
        )

    def _source(self, measurement: str, station: str, from_s: int, to_s: int) -> str:
        return (
            f"from(bucket: {literal(self._bucket)}) |> range(start: {stamp(from_s)}, stop: {stamp(to_s)})"
            f" |> filter(fn: (r) => r._measurement == {literal(measurement)}"
            f" and r.station == {literal(station)})"
        )

    def _pivoted(self, measurement: str, station: str, from_s: int, to_s: int) -> str:
        return (
            self._source(measurement, station, from_s, to_s)
            + ' |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
        )

    def _records(self, flux: str) -> list[Any]:
        tables = self._ask(lambda: self._query.query(flux, org=self._org))
        records = [record.values for table in tables for record in table.records]
        if not all(isinstance(r.get("_time"), datetime) for r in records):
            raise ArchiveError(
                f"InfluxDB at {self._url} answered with a record that has no time; check the bucket, and "
                "look for a proxy that changes answers"
            )
        return records

    def _remove(self, measurement: str, station: str | None, from_s: int, to_s: int) -> None:
        if to_s <= from_s:
            return
        which = f'_measurement="{measurement}"' + (f' AND station="{station}"' if station is not None else "")
        self._ask(lambda: self._delete.delete(stamp(from_s), stamp(to_s - 1), which, self._bucket, self._org))

    def _ask(self, act: Callable[[], Answer]) -> Answer:
        try:
            return act()
        except ApiException as exc:
            raise ArchiveError(
                f"InfluxDB at {self._url} answered {exc.status} ({exc.reason}); check url, org, bucket and "
                "the token's rights. Readings wait in the journal"
            ) from exc
        except (
            FluxQueryException, FluxCsvParserException, ValueError, LookupError, TypeError, AttributeError,
            ArithmeticError, csv.Error,
        ) as exc:  # fmt: skip
            # the client library's reader trusts the server, and meets all of these in a spoiled answer
            raise ArchiveError(
                f"InfluxDB at {self._url} gave an answer that cannot be read ({type(exc).__name__}: "
                f"{str(exc)[:200]}); check the bucket, and look for a proxy that changes answers"
            ) from exc
        except (HTTPError, OSError) as exc:
            raise ArchiveError(
                f"InfluxDB at {self._url} cannot be reached ({type(exc).__name__}); check that it runs. "
                "Readings wait in the journal"
            ) from exc
