"""A server that answers Flux queries as InfluxDB 2 documents it: annotated CSV over POST /api/v2/query.

Written for these tests from the API's documentation (/api/v2/query, "Annotated CSV"): it understands the few
forms of query the feed sends, a range and a filter on the measurement, and nothing more.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

_RANGE = re.compile(r'from\(bucket: "([^"]+)"\) \|> range\(start: ([^,]+), stop: ([^)]+)\)')
_MEASUREMENT = re.compile(r'r\._measurement == "([^"]+)"')


class FluxServer:
    """Rows are (time s, measurement, site, field, value). ``token`` may change.

    ``break_after`` bytes ends an answer.
    """

    def __init__(self, data: Sequence[tuple[int, str, str, str, Any]]) -> None:
        self.data = list(data)
        self.token = "right"
        self.break_after: int | None = None
        self.queries = 0
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                outer.queries += 1
                status, kind, answer = outer.answer(self.path, self.headers.get("Authorization", ""), body)
                data = answer.encode()
                self.send_response(status)
                self.send_header("Content-Type", kind)
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
        import json

        error = "application/json; charset=utf-8"
        if authorization != f"Token {self.token}":
            return 401, error, json.dumps({"code": "unauthorized", "message": "unauthorized access"})
        asked = _RANGE.search(json.loads(body)["query"])
        assert path.startswith("/api/v2/query")
        assert asked is not None
        if asked[1] != "plant":
            return (
                404,
                error,
                json.dumps({"code": "not found", "message": f'could not find bucket "{asked[1]}"'}),
            )
        start, stop = (datetime.fromisoformat(text).timestamp() for text in (asked[2], asked[3]))
        measurement = _MEASUREMENT.search(body.replace('\\"', '"'))
        tables: dict[tuple[str, str, str], list[tuple[int, Any]]] = {}
        for at, name, site, field, value in self.data:
            if start <= at < stop and (measurement is None or name == measurement[1]):
                tables.setdefault((name, site, field), []).append((at, value))
        return 200, "text/csv; charset=utf-8", annotated_csv(tables, asked[2], asked[3])


def annotated_csv(tables: dict[tuple[str, str, str], list[tuple[int, Any]]], start: str, stop: str) -> str:
    """Tables as the documentation shows them.

    Three rows of annotations, a heading, CRLF, tables of one schema.
    """
    out = []
    for kind in ("double", "long", "string"):
        number = 0
        for (name, site, field), found in tables.items():
            if _kind(found[0][1]) != kind:
                continue
            if number == 0:
                out += [
                    f"#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,{kind},string,string,string",
                    "#group,false,false,true,true,false,false,true,true,true",
                    "#default,_result,,,,,,,,",
                    ",result,table,_start,_stop,_time,_value,_field,_measurement,site",
                ]
            for at, value in found:
                stamp = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
                out.append(f",,{number},{start},{stop},{stamp},{value},{field},{name},{site}")
            number += 1
        if number:
            out.append("")
    return "\r\n".join([*out, ""])


def _kind(value: Any) -> str:
    return "string" if isinstance(value, str) else "long" if isinstance(value, int) else "double"
