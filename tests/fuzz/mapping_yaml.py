"""Mappings from tags to stations: read, put to work on tags, turned into a registry."""

from __future__ import annotations

from steadyhead.errors import FeedError, RegistryError
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping

from .made import MAPPING, TAGS
from .registry_yaml import WORDS
from .target import Target, written

HARD = "a/" * 60 + "b"


def feed(data: bytes) -> None:
    """One file."""
    found = Mapper(load_mapping(written("yaml/mapping.yaml", data)))
    for tag in (*TAGS, HARD, ""):
        found.place(tag)
    found.registry(TAGS)


def corpus() -> list[bytes]:
    """Small mappings."""
    return [
        MAPPING.encode(),
        b"time_zone: UTC\nstep_s: 60\ntags: [{pattern: '{station}/POUT', role: outlet, unit: psi, station: x}]\n",
        b"time_zone: UTC\nstep_s: 900\nreporting: on_change\nheartbeat_s: 10\nnames: {elm: elm_street}\n"
        b"stations: {elm: {zone: low, valve: {size_mm: 6 in}}}\n"
        b"tags:\n - {pattern: '*{station}*/*POUT', role: outlet, unit: m, quality: {style: opc_ua}}\n",
    ]


TARGET = Target(
    "mapping_yaml", feed, corpus, (RegistryError, FeedError), (b"{station}", b"*", b"pattern: ", *WORDS)
)
