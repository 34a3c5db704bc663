"""A server that answers Flux queries as InfluxDB 2 documents it: annotated CSV over POST /api/v2/query.

Written for these tests from the API's documentation (/api/v2/query, /api/v2/write, "Annotated CSV"): it
understands the few forms of query the feed sends, a range and a filter on the measurement, and line protocol
without escapes, and nothing more. ``test_influxdb_contract.py`` holds it to a real server where there is one.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from gzip import decompress as gunzip
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

_RANGE = re.compile(r'from\(bucket: "([^"]+)"\) \|> range\(start: ([^,]+), stop: ([^)]+)\)')
_MEASUREMENT = re.compile(r'r\._measurement == "([^"]+)"')


Point = tuple[int, str, Any, str, Any]
Series = tuple[str, tuple[tuple[str, str], ...], str]


class FluxServer:
    """Rows are (time s, measurement, site or pairs of tags, field, value). ``token`` may change.

    ``break_after`` bytes ends an answer.
    """

    def __init__(self, data: Sequence[Point]) -> None:
        self.data = list(data)
        self.token = "right"
        self.break_after: int | None = None
        self.queries = 0
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                raw = self.rfile.read(int(self.headers["Content-Length"]))
                body = (gunzip(raw) if self.headers.get("Content-Encoding") == "gzip" else raw).decode()
                outer.queries += 1
                status, kind, answer = outer.answer(self.path, self.headers.get("Authorization", ""), body)
                data = answer.encode()
                self.send_response(status)
                self.send_header("Content-Type", kind)
                if status != 204:
                    self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                cut, outer_cut = len(data), outer.break_after
                if outer_cut is not None and len(data) > outer_cut:
                    cut, outer.break_after = outer_cut, None
                self.wfile.write(data[:cut])
                self.wfile.flush()
                if cut < len(data):
                    self.close_connection = True
                    self.connection.close()

            def log_message(self, *arguments: Any) -> None: ...

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def stop(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()

    def answer(self, path: str, authorization: str, body: str) -> tuple[int, str, str]:
        """Status, content type and body."""
        error = "application/json; charset=utf-8"
        if authorization != f"Token {self.token}":
            return 401, error, json.dumps({"code": "unauthorized", "message": "unauthorized access"})
        words = parse_qs(urlsplit(path).query)
        if words["org"] != ["works"]:
            said = f'organization name "{words["org"][0]}" not found'
            return 404, error, json.dumps({"code": "not found", "message": said})
        is_write = path.startswith("/api/v2/write")
        asked = None if is_write else _RANGE.search(json.loads(body)["query"])
        assert is_write or (path.startswith("/api/v2/query") and asked is not None)
        bucket = words["bucket"][0] if asked is None else asked[1]
        if bucket != "plant":
            said = f'bucket "{bucket}" not found' if is_write else f'could not find bucket "{bucket}"'
            return 404, error, json.dumps({"code": "not found", "message": said})
        if asked is None:
            assert words["precision"] == ["s"]
            self.data += [point for line in body.splitlines() for point in points_of(line)]
            return 204, "text/plain", ""
        start, stop = (datetime.fromisoformat(text).timestamp() for text in (asked[2], asked[3]))
        measurement = _MEASUREMENT.search(body.replace('\\"', '"'))
        tables: dict[Series, dict[int, Any]] = {}
        for at, name, tags, field, value in self.data:
            if start <= at < stop and (measurement is None or name == measurement[1]):
                pairs = (("site", tags),) if isinstance(tags, str) else tags
                tables.setdefault((name, pairs, field), {})[at] = value  # a point written again is replaced
        return 200, "text/csv; charset=utf-8", annotated_csv(tables, asked[2], asked[3])


def annotated_csv(tables: dict[Series, dict[int, Any]], start: str, stop: str) -> str:
    """Tables as the documentation shows them.

    Three rows of annotations, a heading, CRLF, and tables of one schema together.
    """
    schemas: dict[tuple[str, tuple[str, ...]], list[Series]] = {}
    for series, found in tables.items():
        names = tuple(name for name, _ in series[1])
        schemas.setdefault((_kind(next(iter(found.values()))), names), []).append(series)
    out = []
    for (kind, names), those in schemas.items():
        n = len(names)
        out += [
            f"#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,{kind},string,string"
            + ",string" * n,
            "#group,false,false,true,true,false,false,true,true" + ",true" * n,
            "#default,_result,,,,,,," + "," * n,
            ",".join(
                [
                    "",
                    *["result", "table", "_start", "_stop", "_time", "_value", "_field", "_measurement"],
                    *names,
                ]
            ),
        ]
        for number, series in enumerate(those):
            name, pairs, field = series
            tags = "".join(f",{value}" for _, value in pairs)
            for at, value in sorted(tables[series].items()):
                stamp = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
                shown = str(value).lower() if kind == "boolean" else value
                out.append(f",,{number},{start},{stop},{stamp},{shown},{field},{name}{tags}")
        out.append("")
    return "\r\n".join([*out, ""])


def points_of(line: str) -> Iterator[Point]:
    """Rows of a line of line protocol."""
    head, fields, at = re.fullmatch(r"(\S+) (.*) (\d+)", line).groups()  # type: ignore[union-attr]
    measurement, *words = head.split(",")
    tags = tuple(tuple(word.split("=")) for word in words)
    for field, quoted, plain in re.findall(r'([^=,]+)=(?:"([^"]*)"|([^,]+))', fields):
        value: Any = quoted
        if plain in ("true", "false"):
            value = plain == "true"
        elif plain:
            value = int(plain[:-1]) if plain.endswith("i") else float(plain)
        yield int(at), measurement, tags, field, value


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "boolean"
    return "string" if isinstance(value, str) else "long" if isinstance(value, int) else "double"
