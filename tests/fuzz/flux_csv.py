"""Annotated CSV, the answer of an InfluxDB server: to the feed, and to the archive."""

from __future__ import annotations

import io
import warnings
from functools import cache
from types import SimpleNamespace
from typing import Any

from influxdb_client.client.flux_csv_parser import FluxCsvParser, FluxSerializationMode

from steadyhead.archive.influx import InfluxArchive
from steadyhead.errors import ArchiveError, FeedError
from steadyhead.feeds.connector import Bit
from steadyhead.feeds.influxdb import InfluxConnector
from steadyhead.feeds.settings import InfluxFeedSettings

from .made import NOW_S, way
from .target import Target

HEADS = (
    "#datatype,string,long,dateTime:RFC3339,string,string,string,double\n"
    "#group,false,false,false,true,true,true,false\n#default,_result,,,,,,\n"
    ",result,table,_time,_measurement,_field,site,_value\n"
)


class _Server:
    """Answers every question with the same bytes, through the client library's own reader."""

    body = b""

    def query_stream(self, _flux: str, org: str | None = None) -> Any:
        reader = FluxCsvParser(io.BytesIO(self.body), FluxSerializationMode.stream)
        return reader.generator()

    def query(self, _flux: str, org: str | None = None) -> Any:
        reader = FluxCsvParser(io.BytesIO(self.body), FluxSerializationMode.tables)
        list(reader.generator())
        return reader.table_list()


@cache
def _parts() -> tuple[_Server, InfluxConnector, InfluxArchive]:
    server = _Server()
    settings = InfluxFeedSettings.model_validate(
        {"kind": "influxdb", "mapping": "m", "url": "http://127.0.0.1:1", "org": "o", "bucket": "b",
         "token_file": "t", "tag": "{site}/{field}", "quality_field": "quality"}
    )  # fmt: skip
    connector = InfluxConnector("it", settings, lambda: float(NOW_S))
    archive = InfluxArchive("http://127.0.0.1:1", "o", "b", "t", {"elm": 60})
    return server, connector, archive


def feed(data: bytes) -> None:
    """One answer, read by the feed and by the archive; either may refuse it in words."""
    server, connector, archive = _parts()
    server.body = data
    connector._client = SimpleNamespace(query_api=lambda: server, close=lambda: None)
    archive._query = server
    refused = None
    warnings.simplefilter("ignore")  # the library warns of columns named alike
    try:
        points = connector.fetch(NOW_S * 10**6, NOW_S * 10**6 + 10**9)
        way().commit(Bit(points, {"through_us": NOW_S}))
    except FeedError as exc:
        refused = exc
    archive.read("elm", NOW_S, NOW_S + 3600)
    archive.series("elm", NOW_S, NOW_S + 86_400, 50)
    archive.extent("elm")
    if refused is not None:
        raise refused


def corpus() -> list[bytes]:
    """Tables of several kinds, an error table, and nothing."""
    rows = "".join(
        f",,0,2026-03-01T00:{n:02d}:00Z,plant,PIN,elm,{6.1 + n / 10}\n" for n in range(3)
    )  # fmt: skip
    pivoted = (
        "#datatype,string,long,dateTime:RFC3339,double,double,double,long\n#group,false,false,false,false,false,"
        "false,false\n#default,_result,,,,,,\n,result,table,_time,inlet_kpa,outlet_kpa,flow_lps,flags\n"
        ",,0,2026-03-01T00:00:00Z,600.5,,3.2,0\n,,0,2026-03-01T00:01:00.5+01:00,1,2,3,64\n"
    )
    error = "#datatype,string,long\n,error,reference\n,failed to parse query,897\n"
    other = HEADS.replace("double", "string").replace("PIN", "quality")
    bodies = (HEADS + rows, HEADS + rows + "\n" + HEADS + rows, pivoted, error, other + rows, "\r\n", "")
    return [body.encode() for body in bodies] + [(HEADS + rows).replace("\n", "\r\n").encode()]


TARGET = Target(
    "flux_csv", feed, corpus, (FeedError, ArchiveError),
    (b"#datatype,", b"#group,", b"#default,", b",dateTime:RFC3339", b",double", b",long", b",boolean",
     b",unsignedLong", b",base64Binary", b",duration", b"_time", b"_value", b"NaN", b"+Inf", b"\n"),
)  # fmt: skip
