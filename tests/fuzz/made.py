"""Stations, a mapping and a way into a real journal, for the parsers that need them. All of it is invented."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache

from steadyhead.config import Registry, parse_registry
from steadyhead.feeds.connector import Bit
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.feeds.settings import MqttSettings
from steadyhead.live.clock import Clock
from steadyhead.live.connected import Connections, _Feed
from steadyhead.live.doors import doors_of
from steadyhead.live.intake import Intake, Part
from steadyhead.live.journal import Journal
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.reports import from_bytes
from steadyhead.live.watermarks import Waits, Watermarks

from .target import folder, written

NOW_S = 1_772_323_200  # 2026-03-01 00:00 UTC
MAPPING = """
utility: Marrow Vale Water (invented)
time_zone: Europe/London
step_s: 60
quality: {style: opc_da}
tags:
  - {pattern: "{station}/PIN", role: inlet, unit: bar}
  - {pattern: "{station}/POUT", role: outlet, unit: bar, low: 0, high: 16}
  - {pattern: "*/{station}/FLOW*", role: flow, unit: m3/h, scale: 0.1, bad_values: [-1]}
"""
TAGS = ("elm/PIN", "elm/POUT", "site/elm/FLOW")
KEEP_RECORDS = 200


@cache
def mapper() -> Mapper:
    """The mapping at work."""
    return Mapper(load_mapping(written("mapping/mapping.yaml", MAPPING.encode())))


@cache
def registry() -> Registry:
    """Two stations: one by the mapping, one with every oddity of a push."""
    text = mapper().registry_text(TAGS)
    more = """
  oak:
    time_zone: Australia/Adelaide
    step_s: 60
    jitter_s: 2
    stamped: start
    averaged: true
    tags:
      outlet: {tag: "P 2", unit: psi, scale: 0.1, low: 0}
      flow: {tag: Q, unit: gpm}
    sources: [{path: "oak/*.csv", quality: {map: {"Comm Fail": bad}}, bad_values: [-1]}]
"""
    return parse_registry(text.rstrip("\n") + more)


@dataclass(frozen=True)
class Way:
    """From readings to the journal, with the real parts of a service."""

    journal: Journal
    intake: Intake
    connections: Connections
    feed: _Feed

    def commit(self, bit: Bit) -> None:
        """Bring a connector's batch into the journal and read the record back."""
        json.dumps(bit.position)
        self._kept([self.connections.part(self.feed, bit)])

    def _kept(self, parts: list[Part]) -> None:
        self.intake.commit(parts)
        self.check()

    def check(self) -> None:
        """The last record can be read again; the journal stays small."""
        last_no = self.journal.last_no
        for record in self.journal.read(last_no - 1):
            if record.kind == "readings":
                assert len(from_bytes(record.body)) == record.n_items
        if last_no % KEEP_RECORDS == 0:
            self.journal.prune(last_no)


@cache
def way() -> Way:
    """One journal for the whole process; its clock stands at ``NOW_S``."""
    clock = Clock(lambda: float(NOW_S), lambda: 0.0)
    journal = Journal(folder() / "way", reserve_bytes=0)
    doors = doors_of(registry())
    intake = Intake(doors, journal, Quarantine(folder() / "way", 1 << 20), clock)
    intake.open(Watermarks(list(registry().stations.values()), Waits(300)))
    connections = Connections({}, intake, journal, lambda: 0, clock.wall_s, 300)
    settings = MqttSettings.model_validate({"kind": "mqtt", "mapping": "m", "host": "h", "topics": ["#"]})
    feed = _Feed("it", settings, "feed:it")
    connections._mappers[feed.source] = mapper()
    return Way(journal, intake, connections, feed)
