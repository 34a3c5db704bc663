"""Alerts and learned figures as points of an InfluxDB 2 bucket."""

from __future__ import annotations

import time

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from sqlalchemy import select
from urllib3.exceptions import HTTPError

from steadyhead.errors import FeedError, ProfileError
from steadyhead.feeds.settings import read_secret
from steadyhead.outward.settings import InfluxOut
from steadyhead.outward.state import alert_lines, profile_line
from steadyhead.outward.telling import EARLIEST, LOOK_S, Telling
from steadyhead.store.tables import AlertRow

_AT_A_TIME = 500
PROFILES_S = 60.0
"""Between looks at the profiles: each means to read a file for every station."""


def write(settings: InfluxOut, telling: Telling) -> None:
    """Write all alerts and profiles, then those that change, until it is over.

    Raises FeedError; begin again then.
    """
    token = read_secret(settings.token_file, "token")
    where = f"alerts_out: InfluxDB {settings.url}, bucket {settings.bucket}"
    client = InfluxDBClient(
        url=settings.url, token=token, org=settings.org, timeout=int(settings.timeout_s * 1000)
    )
    after_no, versions, profiles_s = EARLIEST, dict[str, str](), float("-inf")
    try:
        api = client.write_api(write_options=SYNCHRONOUS)
        while not telling.stop.is_set():
            lines, after = _new_alerts(telling, after_no)
            if time.monotonic() - profiles_s >= PROFILES_S:
                lines += _new_profiles(telling, versions)
                profiles_s = time.monotonic()
            for first in range(0, len(lines), _AT_A_TIME):
                body = "\n".join(lines[first : first + _AT_A_TIME])
                api.write(settings.bucket, settings.org, body, write_precision=WritePrecision.S)  # type: ignore[arg-type]
            after_no = after
            telling.is_well()
            telling.stop.wait(LOOK_S)
    except ApiException as exc:
        if exc.status in (401, 403):
            raise FeedError(
                f"{where} does not accept the token ({exc.status} {exc.reason}); put one that may write "
                "to the bucket into token_file, it is read anew at each try"
            ) from exc
        raise FeedError(
            f"{where} answered {exc.status} ({exc.reason}); mend org or bucket; it is tried again"
        ) from exc
    except (HTTPError, OSError) as exc:
        raise FeedError(
            f"{where} cannot be reached ({type(exc).__name__}); check url; it is tried again"
        ) from exc
    finally:
        client.close()  # type: ignore[no-untyped-call]


def _new_alerts(telling: Telling, after_no: int) -> tuple[list[str], int]:
    with telling.database.reading() as session:
        asked = select(AlertRow).where(AlertRow.change_no > after_no).order_by(AlertRow.change_no).limit(5000)
        rows = list(session.scalars(asked))
        return list(alert_lines(rows)), max((row.change_no for row in rows), default=after_no)


def _new_profiles(telling: Telling, versions: dict[str, str]) -> list[str]:
    """A line for each profile that is not the one told before; ``versions`` takes note."""
    lines = []
    for station in telling.stations:
        try:
            profile = telling.profile_of(station)
        except ProfileError:
            continue
        if profile is not None and versions.get(station) != profile.version:
            versions[station] = profile.version
            lines.append(profile_line(profile))
    return lines
