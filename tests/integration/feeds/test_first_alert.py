"""From a historian's table to an alert on desk and broker, by the steps of docs/feeds/README.md."""

import json
import time
from datetime import UTC, datetime

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import create_engine, text

from steadyhead import service
from steadyhead.config import Settings, load_registry
from steadyhead.desk.views import AlertQuery
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.live.room import open_room
from steadyhead.live.settings import load_settings
from steadyhead.profile.learn import learn
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.simulate import simulate
from steadyhead.store.profiles import save_profile
from steadyhead.units import from_working

from .feed_bench import until

ROLES = {"PT1": ("inlet_kpa", "bar"), "PT2": ("outlet_kpa", "bar"), "FT1": ("flow_lps", "m3/h")}
MAPPING = """time_zone: UTC
step_s: 300
tags:
  - {pattern: "WW.{station}.PT1", role: inlet, unit: bar}
  - {pattern: "WW.{station}.PT2", role: outlet, unit: bar}
  - {pattern: "WW.{station}.FT1", role: flow, unit: m3/h}
stations:
  elm: {set_pressure: {nominal_kpa: 4 bar}, valve: {rated_kv_m3h: 120}}
"""
LEARN_DAYS, DAYS = 20, 30


def test_a_relaxed_spring_in_a_historian_becomes_an_alert(broker, tmp_path):
    start_s = int(time.time()) // 86400 * 86400 - DAYS * 86400
    asked = Asked(name="elm", days=DAYS, interval_s=300, start_s=start_s, faults=("spring_relaxed=0.6@23+2",))
    run = simulate(asked.scenario()).readings
    run = run.between(run.start_s + 3600, run.end_s)
    url = f"sqlite:///{tmp_path / 'plant.db'}"
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE history (t text, tag text, v real)"))
        for end, (channel, unit) in ROLES.items():
            values = from_working(getattr(run, channel), unit)
            rows = [
                {
                    "t": datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M:%S"),
                    "g": f"WW.elm.{end}",
                    "v": v,
                }
                for at, v in zip(run.times_s.tolist(), values.tolist(), strict=True)
                if v == v
            ]
            connection.execute(text("INSERT INTO history VALUES (:t, :g, :v)"), rows)
    engine.dispose()
    (tmp_path / "mapping.yaml").write_text(MAPPING)
    mapper = Mapper(load_mapping(tmp_path / "mapping.yaml"))
    (tmp_path / "stations.yaml").write_text(mapper.registry_text([f"WW.elm.{end}" for end in ROLES]))
    (tmp_path / "service.yaml").write_text(
        f"data_folder: data\nprofiles: profiles\nwatch_folders: false\n"
        f"alerts_out: {{mqtt: {{host: 127.0.0.1, port: {broker.port}}}}}\n"
        f"feeds:\n  plant:\n    kind: sql\n    mapping: mapping.yaml\n    time_format: iso\n    url: {url}\n"
        '    query: "SELECT t, tag, v FROM history WHERE t >= :from AND t < :to ORDER BY t"\n'
        f"    backfill_from: {datetime.fromtimestamp(start_s, UTC):%Y-%m-%d}\n"
    )
    registry = load_registry(tmp_path / "stations.yaml")
    sound = run.between(run.start_s, start_s + LEARN_DAYS * 86400)
    save_profile(tmp_path / "profiles", learn(sound, service.known(registry.stations["elm"], Settings())))
    told: list[dict] = []
    listener = paho.Client(CallbackAPIVersion.VERSION2)
    listener.on_connect = lambda client, *_: client.subscribe("steadyhead/stations/elm/alerts", 1)
    listener.on_message = lambda client, user, message: told.append(json.loads(message.payload))
    listener.connect("127.0.0.1", broker.port)
    listener.loop_start()
    room = open_room(load_settings(tmp_path / "service.yaml"), registry)
    room.start()
    try:
        until(lambda: any(one["alerts"] for one in told), 60)
        (alert,) = room.desk.alerts(AlertQuery()).items
    finally:
        room.stop()
        listener.disconnect()
        listener.loop_stop()
    assert (alert.alert.station, alert.alert.condition) == ("elm", "drift")
    assert alert.alert.raised_at.timestamp() > start_s + 23 * 86400
    assert [one["condition"] for one in next(t for t in told if t["alerts"])["alerts"]] == ["drift"]
