"""Readings from an InfluxDB 2 bucket, by Flux through influxdb-client."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from steadyhead.errors import FeedError
from steadyhead.feeds.connector import Gathering, Points
from steadyhead.feeds.polled import Polled
from steadyhead.feeds.settings import InfluxFeedSettings, read_secret

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
UNREADABLE = (ValueError, LookupError, TypeError, AttributeError, ArithmeticError, csv.Error)
"""Errors of the client library's reader of annotated CSV, which trusts the server."""


class _Names(dict[str, Any]):
    """Columns of a record for ``tag``; what a record lacks is an empty text."""

    def __missing__(self, key: str) -> str:
        return ""


class InfluxConnector(Polled):
    """One bucket. See ``connector.Connector``."""

    def __init__(
        self, name: str, settings: InfluxFeedSettings, now_s: Callable[[], float] = time.time
    ) -> None:
        super().__init__(settings.poll_s, settings.look_back_s, now_s)
        self._name, self._settings = name, settings
        self._client: Any = None

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"InfluxDB {self._settings.url}, bucket {self._settings.bucket}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def fetch(self, from_us: int, to_us: int) -> Points:
        """See ``polled.Polled``; the answer is read record by record."""
        settings = self._settings
        found: list[tuple[str, str, int, Any]] = []
        qualities: dict[tuple[str, int], Any] = {}
        try:
            for record in self._asked().query_stream(self._flux(from_us, to_us), org=settings.org):
                values = record.values
                at, field = values.get("_time"), str(values.get("_field", ""))
                if not isinstance(at, datetime) or at.tzinfo is None:
                    raise FeedError(
                        f"{self._where()}: a record has no _time, or one without a zone; the bucket is no "
                        "time series of readings"
                    )
                us = (at - _EPOCH) // _US
                if field == settings.quality_field:
                    qualities[self._series(values, ""), us] = values.get("_value")
                else:
                    found.append(
                        (self._series(values, field), self._series(values, ""), us, values.get("_value"))
                    )
        except (ApiException, HTTPError, OSError, FluxQueryException, FluxCsvParserException) as exc:
            self.close()
            raise self._in_words(exc) from exc
        except UNREADABLE as exc:  # what the client library meets in an answer that is spoiled
            self.close()
            raise FeedError(
                f"{self._where()}: its answer cannot be read ({type(exc).__name__}: {str(exc)[:200]}); look "
                "for a proxy that changes it; it is tried again"
            ) from exc
        return self._with_quality(found, qualities)

    def _with_quality(
        self, found: list[tuple[str, str, int, Any]], qualities: dict[tuple[str, int], Any]
    ) -> Points:
        """Each reading with the quality that stands beside it in the same series at the same time."""
        gathering = Gathering()
        for tag, series, us, value in found:
            gathering.add(tag, us, value, qualities.get((series, us)))
        return gathering.points()

    def _series(self, values: dict[str, Any], field: str) -> str:
        names = _Names({key: str(value) for key, value in values.items() if not key.startswith("_")})
        names["measurement"], names["field"] = str(values.get("_measurement", "")), field
        try:
            return self._settings.tag.format_map(names)
        except (KeyError, IndexError, ValueError, AttributeError) as exc:
            raise FeedError(
                f'{self._name}: tag "{self._settings.tag}" cannot be filled in ({exc}); write such as '
                '"{measurement}.{site}.{field}"'
            ) from exc

    def _flux(self, from_us: int, to_us: int) -> str:
        settings = self._settings
        which = "" if settings.measurement is None else (
            f" |> filter(fn: (r) => r._measurement == {_text(settings.measurement)})"
        )  # fmt: skip
        span = f"range(start: {_stamp(from_us)}, stop: {_stamp(to_us)})"
        return f"from(bucket: {_text(settings.bucket)}) |> {span}{which}"

    def _asked(self) -> Any:
        if self._client is None:
            settings = self._settings
            token = read_secret(
                settings.token_file, "token"
            )  # read anew at each connection: it may be renewed
            self._client = InfluxDBClient(
                url=settings.url, token=token, org=settings.org, timeout=int(settings.timeout_s * 1000),
                enable_gzip=True,
            )  # fmt: skip
        return self._client.query_api()

    def _where(self) -> str:
        return f"{self._name}: {self.describe()}"

    def _in_words(self, exc: Exception) -> FeedError:
        where = self._where()
        if isinstance(exc, ApiException):
            said = str(getattr(exc, "message", None) or exc.reason or exc.body or "no reason given").strip()[
                :300
            ]
            if exc.status in (401, 403):
                return FeedError(
                    f"{where} does not accept the token ({exc.status} {said}); put a valid one that "
                    f"may read the "
                    "bucket into token_file, it is read anew at each try"
                )
            if exc.status == 404:
                return FeedError(f"{where} is not known there ({said}); mend org, bucket or url")
            return FeedError(f"{where} answered {exc.status} ({said}); it is tried again")
        if isinstance(exc, FluxQueryException | FluxCsvParserException):
            return FeedError(f"{where}: the query failed ({str(exc)[:300]}); mend bucket or measurement")
        return FeedError(
            f"{where} cannot be reached or broke off ({type(exc).__name__}: {exc}); check url and the "
            "network; it is tried again"
        )


def _text(text: str) -> str:
    """A string literal of Flux."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _stamp(us: int) -> str:
    return (_EPOCH + us * _US).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
