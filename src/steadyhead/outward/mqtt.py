"""The state of each station as a retained MQTT topic."""

from __future__ import annotations

import json
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from steadyhead.errors import FeedError
from steadyhead.feeds.mqtt_link import Link
from steadyhead.outward.settings import MqttOut
from steadyhead.outward.state import changed_stations, standing, station_state
from steadyhead.outward.telling import EARLIEST, LOOK_S, Telling

_WAIT_S = 10.0


def publish(settings: MqttOut, telling: Telling) -> None:
    """Publish every station, then those that change, until it is over. Raises FeedError; begin again then."""
    session = _Session(settings)
    session.connect()
    service = f"{settings.base}/service"
    try:
        session.send(service, {"form": 1, "state": "online"})
        after_no, due = EARLIEST, set(telling.stations)
        while not telling.stop.is_set():
            with telling.database.reading() as reading:
                changed, after_no = changed_stations(reading, after_no)
                told = {
                    station: station_state(
                        station, standing(reading, station), telling.now_s(), telling.title_of
                    )
                    for station in sorted((due | changed) & set(telling.stations))
                }
            for station, state in told.items():
                session.send(f"{settings.base}/stations/{station}/alerts", state)
            due = set()
            session.raise_if_lost()
            telling.is_well()
            telling.stop.wait(LOOK_S)
        session.send(service, {"form": 1, "state": "offline"})
    finally:
        session.close()


class _Session:
    """One connection to the broker."""

    def __init__(self, settings: MqttOut) -> None:
        self._settings = settings
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=settings.client_id, protocol=MQTTProtocolVersion.MQTTv311,
            clean_session=True, reconnect_on_failure=False,
        )  # fmt: skip
        offline = _json({"form": 1, "state": "offline"})
        client.will_set(f"{settings.base}/service", offline, qos=1, retain=True)
        self._link = Link(client, settings, f"alerts_out: MQTT {settings.host}:{settings.port}")

    def connect(self) -> None:
        """Connect and be let in."""
        self._link.connect()

    def send(self, topic: str, what: Any) -> None:
        """Publish, retained, and wait until the broker has it."""
        info = self._link.client.publish(topic, _json(what), qos=1, retain=True)
        waited_s = 0.0
        while not info.is_published():
            if self._link.lost.is_set() or waited_s > _WAIT_S:
                raise FeedError(
                    f"{self._link.where} did not take a message on {topic}; give the user the right to write "
                    f"to {self._settings.base}/#; it is tried again"
                )
            self._link.lost.wait(0.01)
            waited_s += 0.01

    def raise_if_lost(self) -> None:
        """Raise FeedError if the connection is gone."""
        if self._link.lost.is_set():
            raise FeedError(f"{self._link.where} closed the connection; it is tried again")

    def close(self) -> None:
        """Let go; what was told stays with the broker."""
        self._link.close()


def _json(what: Any) -> bytes:
    return json.dumps(what, ensure_ascii=False, separators=(",", ":")).encode()
