"""The settings of the service, with feeds, channels and everything else in them."""

from __future__ import annotations

from steadyhead.errors import SteadyheadError
from steadyhead.live.settings import load_settings

from .registry_yaml import ROOT, WORDS
from .target import Target, written


def feed(data: bytes) -> None:
    """One file."""
    load_settings(written("yaml/service.yaml", data))


def corpus() -> list[bytes]:
    """Settings of all kinds."""
    return [
        (ROOT / "config" / "demo.yaml").read_bytes(),
        b"host: 127.0.0.1\nport: 8470\nhorizon_s: 300\nsilence_s: 600\ndata_folder: data\n"
        b"readings_store: influx\ninflux: {url: http://h:8086, token_file: t}\n",
        b"feeds:\n  broker: {kind: mqtt, mapping: m.yaml, host: h, topics: [a/#], version: '5'}\n"
        b"  past: {kind: sql, mapping: m, url: 'sqlite:///x', query: 'select :from :to', backfill_from: 2025-01-01}\n"
        b"  plant: {kind: opcua, mapping: m, url: 'opc.tcp://h:4840', nodes: [ns=2;i=3]}\n"
        b"  files: {kind: files, mapping: m, url: 's3://b/*.csv'}\n",
        b"alerts_out:\n  a: {kind: mqtt, host: h}\nreport: {day: mon, time: '06:00'}\n"
        b"notify: {channels: {}, rules: []}\naccess: {session_hours: 12}\n",
    ]


TARGET = Target("settings_yaml", feed, corpus, (SteadyheadError,), (b"feeds:", b"kind: ", *WORDS))
