"""A small server that answers as InfluxDB 2 is documented to, as far as the archive asks it.

Writes in line protocol, deletes by predicate, and Flux queries of the shapes that ``archive.influx`` makes,
answered in annotated CSV. Source: the InfluxDB 2 documentation (API reference, "Annotated CSV", and of Flux
``range``, ``filter``, ``first``, ``last``, ``pivot``, ``aggregateWindow``), from memory.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlparse

from steadyhead.live.lines import parse_line

TOKEN, ORG, BUCKET = "not a secret", "works", "prv"
Point = dict[str, Any]

_PIPE = re.compile(r" \|> ")
_RANGE = re.compile(r"range\(start: (\S+), stop: (\S+)\)")
_WHICH = re.compile(
    r'filter\(fn: \(r\) => r\._measurement == "(\w+)" and r\.station == "((?:[^"\\]|\\.)*)"\)'
)
_WINDOW = re.compile(r'aggregateWindow\(every: (\d+)s, fn: (\w+), createEmpty: false, timeSrc: "_start"\)')
_AGGREGATES: dict[str, Callable[[list[float]], float]] = {
    "min": min,
    "max": max,
    "mean": lambda values: sum(values) / len(values),
    "count": len,
}


class StandIn(ThreadingHTTPServer):
    """Points by (measurement, station, time [s]); ``is_away`` makes it answer 503."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.points: dict[tuple[str, str, int], Point] = {}
        self.is_away = False
        self.lock = threading.Lock()
        self.queries: list[str] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def write(self, body: str) -> None:
        for text in body.split("\n"):
            line = parse_line(text)
            assert line.time is not None
            with self.lock:  # fields of the same point are laid over each other
                self.points.setdefault((line.measurement, line.tags["station"], line.time), {}).update(
                    line.fields
                )

    def delete(self, start: str, stop: str, predicate: str) -> None:
        asked = dict(re.findall(r'(\w+)="([^"]*)"', predicate))
        first, last = seconds(start), seconds(stop)
        with self.lock:
            for key in list(self.points):
                is_meant = key[0] == asked["_measurement"] and asked.get("station", key[1]) == key[1]
                if is_meant and first <= key[2] <= last:
                    del self.points[key]

    def query(self, flux: str) -> str:
        self.queries.append(flux)
        source, limits, which, *steps = _PIPE.split(flux)
        assert source == f'from(bucket: "{BUCKET}")', flux
        span, named = _RANGE.fullmatch(limits), _WHICH.fullmatch(which)
        assert span, limits
        assert named, which
        measurement, station = named[1], named[2]
        first, last = seconds(span[1]), seconds(span[2])
        with self.lock:
            found = sorted(
                (at, dict(fields))
                for (m, s, at), fields in self.points.items()
                if m == measurement and s == station and first <= at < last
            )
        return csv(station, *self._through(found, steps))

    def _through(
        self, found: list[tuple[int, Point]], steps: list[str]
    ) -> tuple[list[tuple[int, Point]], bool]:
        """Apply the steps of a query; the second tells whether fields became columns."""
        for step in steps:
            window = _WINDOW.fullmatch(step)
            if step == 'filter(fn: (r) => r._field != "flags")':
                found = [(at, {k: v for k, v in one.items() if k != "flags"}) for at, one in found]
                found = [(at, one) for at, one in found if one]
            elif window:
                found = aggregated(found, int(window[1]), _AGGREGATES[window[2]])
            elif step in ("first()", "last()"):
                ends: dict[str, int] = {}
                for at, one in found if step == "last()" else reversed(found):
                    ends |= dict.fromkeys(one, at)
                found = [(at, {}) for at in ends.values()]  # one of each field
            elif step.startswith("keep(") or step == "group()":
                continue
            else:
                assert step == 'pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")', step
        return found, steps[-1].startswith("pivot")


def aggregated(
    found: list[tuple[int, Point]], every_s: int, fn: Callable[[list[float]], float]
) -> list[tuple[int, Point]]:
    windows: dict[int, dict[str, list[float]]] = {}
    for at, one in found:
        own = windows.setdefault(at // every_s * every_s, {})
        for name, value in one.items():
            own.setdefault(name, []).append(value)
    return [(at, {name: fn(values) for name, values in own.items()}) for at, own in sorted(windows.items())]


def csv(station: str, found: list[tuple[int, Point]], has_fields: bool) -> str:
    names = sorted({name for _, one in found for name in one}) if has_fields else []
    kinds = [
        "long" if all(isinstance(one.get(n), int | None) for _, one in found) else "double" for n in names
    ]
    lines = [
        ",".join(["#datatype", "string", "long", "dateTime:RFC3339", "string", *kinds]),
        ",".join(["#group", "false", "false", "false", "true", *["false"] * len(names)]),
        ",".join(["#default", "_result", "", "", "", *[""] * len(names)]),
        ",".join(["", "result", "table", "_time", "station", *names]),
    ]
    for at, one in found:
        stamp = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        cells = ["" if one.get(n) is None else repr(one[n]) for n in names]
        lines.append(",".join(["", "", "0", stamp, station, *cells]))
    return "\r\n".join([*lines, "", ""]) if found else "\r\n"


def seconds(stamp: str) -> int:
    return int(datetime.fromisoformat(stamp).timestamp())


class _Handler(BaseHTTPRequestHandler):
    server: StandIn
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        """Nothing."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        url = urlparse(self.path)
        asked = {name: values[0] for name, values in parse_qs(url.query).items()}
        if self.server.is_away:
            return self._answer(503, json.dumps({"code": "unavailable", "message": "away"}))
        if self.headers["Authorization"] != f"Token {TOKEN}":
            return self._answer(401, json.dumps({"code": "unauthorized", "message": "unauthorized access"}))
        if asked.get("org") != ORG or asked.get("bucket", BUCKET) != BUCKET:
            return self._answer(404, json.dumps({"code": "not found", "message": "bucket not found"}))
        if url.path == "/api/v2/write":
            assert asked["precision"] == "s"
            self.server.write(body)
            return self._answer(204, "")
        if url.path == "/api/v2/delete":
            said = json.loads(body)
            self.server.delete(said["start"], said["stop"], said["predicate"])
            return self._answer(204, "")
        assert url.path == "/api/v2/query"
        return self._answer(200, self.server.query(json.loads(body)["query"]), "text/csv; charset=utf-8")

    def _answer(self, code: int, text: str, kind: str = "application/json") -> None:
        self.send_response(code)
        data = text.encode()
        if code != 204:
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        if code != 204:
            self.wfile.write(data)
