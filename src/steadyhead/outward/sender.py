"""Keeps topics and points in step with the alert desk, from a thread of its own.

What is told is a state and not an event: it is read from the database,
and telling it twice changes nothing. So
nothing needs to be remembered over a restart, after which every station is told once more.
"""

from __future__ import annotations

import json
import logging
import ssl
import threading
from collections.abc import Callable, Collection
from typing import Any

import paho.mqtt.client as paho
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from sqlalchemy import select
from urllib3.exceptions import HTTPError

from steadyhead.errors import DatabaseError, FeedError, ProfileError
from steadyhead.feeds.connector import BackOff
from steadyhead.feeds.settings import read_secret
from steadyhead.outward.settings import InfluxOut, MqttOut, OutSettings
from steadyhead.outward.state import alert_lines, changed_stations, profile_line, standing, station_state
from steadyhead.profile.model import Profile
from steadyhead.store.database import Database
from steadyhead.store.tables import AlertRow

log = logging.getLogger(__name__)

LOOK_S = 1.0
_WAIT_S = 10.0
_AT_A_TIME = 500
_EARLIEST = -1

Way = Callable[[], None]


class Outward:
    """Tells brokers and time series of alerts. ``errors`` holds what is wrong, by way, in words.

    profile_of : the profile in use of a station, or None
    """

    def __init__(
        self, settings: OutSettings, database: Database, stations: Collection[str],
        profile_of: Callable[[str], Profile | None], now_s: Callable[[], float],
    ) -> None:  # fmt: skip
        self._settings, self._database, self._stations = settings, database, list(stations)
        self._profile_of, self._now_s = profile_of, now_s
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.errors: dict[str, str] = {}

    def start(self) -> None:
        """Begin; returns at once."""
        ways: list[tuple[str, Way]] = []
        if (mqtt := self._settings.mqtt) is not None:
            ways.append(("mqtt", lambda: self._publish(mqtt)))
        if (influx := self._settings.influxdb) is not None:
            ways.append(("influxdb", lambda: self._write(influx)))
        self._threads = [
            threading.Thread(target=self._run, args=way, name=f"alerts to {way[0]}", daemon=True)
            for way in ways
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End; states that were told stay with the broker."""
        self._stop.set()
        for thread in self._threads:
            thread.join(2 * _WAIT_S)
        self._threads = []

    def _run(self, name: str, act: Way) -> None:
        pause = BackOff(longest_s=30.0)
        while not self._stop.is_set():
            try:
                act()
                pause.reset()
            except (FeedError, DatabaseError) as exc:
                self.errors[name] = str(exc)
                log.warning("alerts out: %s", exc)
            except Exception as exc:
                self.errors[name] = f"a defect ({type(exc).__name__}: {exc}); it is tried again"
                log.exception("alerts out: a defect; it is tried again")
            self._stop.wait(pause.next_s())

    # ------------------------------------------------------------ MQTT

    def _publish(self, settings: MqttOut) -> None:
        """Publish every station, then those that change, until something fails or it is over."""
        service = f"{settings.base}/service"
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=settings.client_id, protocol=MQTTProtocolVersion.MQTTv311,
            clean_session=True, reconnect_on_failure=False,
        )  # fmt: skip
        lost = threading.Event()
        ready = threading.Event()
        answers: list[Any] = []

        def on_connect(*said: Any) -> None:
            answers.append(said[3])
            ready.set()

        def on_disconnect(*_said: Any) -> None:
            lost.set()
            ready.set()

        client.on_connect, client.on_disconnect = on_connect, on_disconnect
        client.will_set(service, _json({"form": 1, "state": "offline"}), qos=1, retain=True)
        if settings.username is not None:
            secret = (
                None if settings.password_file is None else read_secret(settings.password_file, "password")
            )
            client.username_pw_set(settings.username, secret)
        where = f"alerts_out: MQTT {settings.host}:{settings.port}"
        try:
            if settings.tls:
                files = (settings.ca_file, settings.certificate_file, settings.key_file)
                ca, certificate, key = (None if path is None else str(path) for path in files)
                client.tls_set(ca, certificate, key)
            client.connect(settings.host, settings.port, 20)
        except (OSError, ValueError, ssl.SSLError) as exc:
            raise FeedError(
                f"{where} cannot be reached ({exc}); check host, port and files; it is tried again"
            ) from exc
        client.loop_start()
        try:
            ready.wait(_WAIT_S)
            if not answers or answers[0].is_failure:
                met = answers[0] if answers else "no answer"
                raise FeedError(f"{where} does not let us in ({met}); mend username or password_file")
            self._send(client, service, {"form": 1, "state": "online"}, lost, where)
            after_no, due = _EARLIEST, set(self._stations)
            while not self._stop.is_set():
                with self._database.reading() as session:
                    changed, after_no = changed_stations(session, after_no)
                    told = {
                        station: station_state(station, standing(session, station), self._now_s())
                        for station in sorted((due | changed) & set(self._stations))
                    }
                for station, state in told.items():
                    self._send(client, f"{settings.base}/stations/{station}/alerts", state, lost, where)
                due = set()
                self.errors.pop("mqtt", None)
                if lost.is_set():
                    raise FeedError(f"{where} closed the connection; it is tried again")
                self._stop.wait(LOOK_S)
            self._send(client, service, {"form": 1, "state": "offline"}, lost, where)
        finally:
            client.on_disconnect = None
            client.disconnect()
            client.loop_stop()

    def _send(self, client: paho.Client, topic: str, what: Any, lost: threading.Event, where: str) -> None:
        info = client.publish(topic, _json(what), qos=1, retain=True)
        waited_s = 0.0
        while not info.is_published():
            if lost.is_set() or waited_s > _WAIT_S:
                raise FeedError(f"{where} did not take a message on {topic}; it is tried again")
            lost.wait(0.01)
            waited_s += 0.01

    # ------------------------------------------------------------ InfluxDB

    def _write(self, settings: InfluxOut) -> None:
        """Write all alerts and profiles, then those that change, until something fails or it is over."""
        token = read_secret(settings.token_file, "token")
        where = f"alerts_out: InfluxDB {settings.url}, bucket {settings.bucket}"
        client = InfluxDBClient(
            url=settings.url, token=token, org=settings.org, timeout=int(settings.timeout_s * 1000)
        )
        after_no, versions = _EARLIEST, dict[str, str]()
        try:
            write = client.write_api(write_options=SYNCHRONOUS)
            while not self._stop.is_set():
                lines, after = self._new_alerts(after_no)
                for station in self._stations:
                    try:
                        profile = self._profile_of(station)
                    except ProfileError:
                        continue
                    if profile is not None and versions.get(station) != profile.version:
                        versions[station] = profile.version
                        lines.append(profile_line(profile))
                for first in range(0, len(lines), _AT_A_TIME):
                    body = "\n".join(lines[first : first + _AT_A_TIME])
                    write.write(settings.bucket, settings.org, body, write_precision=WritePrecision.S)  # type: ignore[arg-type]
                after_no = after
                self.errors.pop("influxdb", None)
                self._stop.wait(LOOK_S)
        except ApiException as exc:
            raise FeedError(
                f"{where} answered {exc.status} ({exc.reason}); mend org, bucket or the token's rights "
                f"to write"
            ) from exc
        except (HTTPError, OSError) as exc:
            raise FeedError(f"{where} cannot be reached ({type(exc).__name__}); it is tried again") from exc
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _new_alerts(self, after_no: int) -> tuple[list[str], int]:
        with self._database.reading() as session:
            asked = (
                select(AlertRow).where(AlertRow.change_no > after_no).order_by(AlertRow.change_no).limit(5000)
            )
            rows = list(session.scalars(asked))
            return list(alert_lines(rows)), max((row.change_no for row in rows), default=after_no)


def _json(what: Any) -> bytes:
    return json.dumps(what, ensure_ascii=False, separators=(",", ":")).encode()
