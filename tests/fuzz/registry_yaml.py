"""The registry of stations."""

from __future__ import annotations

from pathlib import Path

from steadyhead.config import load_registry
from steadyhead.errors import RegistryError

from .target import Target, written

ROOT = Path(__file__).parents[2]
WORDS = (
    b"stations:", b"sources:", b"tags:", b"defaults:", b"&a ", b"*a", b"<<: ", b"{", b"[", b"!!python/object:x ",
    b"!!binary ", b"? ", b"|\n", b">-\n", b"- ", b": ", b"\n  ", b"'", b'"', b"9" * 30, b"0x", b".inf", b"~",
    b"%YAML 1.1\n", b"---\n", b"...\n", b"\xff\xfe",
)  # fmt: skip


def feed(data: bytes) -> None:
    """One file."""
    load_registry(written("yaml/stations.yaml", data))


def corpus() -> list[bytes]:
    """The registry with every key once, small ones, and what YAML can do besides."""
    return [
        (ROOT / "config" / "example.yaml").read_bytes(),
        b"stations:\n  elm:\n    time_zone: Europe/London\n    step_s: 60\n    tags: {outlet: {tag: P, unit: kPa}}\n"
        b'    sources: [{path: "elm/*.csv"}]\n',
        b"x: &a [1, 2]\ny: *a\nz: {<<: {b: 1}}\n",
        b'stations: {"\\ud800": {time_zone: "\\udc80"}}',
        b"[" * 500,
        b"{a: " * 500,
        b"stations: " + b"9" * 5000,
        b"a: &a {b: [*a]}\nstations: *a\n",
        b"stations: {a: {time_zone: Mars/Olympus, step_s: 0x10, tags: {outlet: {tag: 1, unit: furlong}}}}\n",
    ]


TARGET = Target("registry_yaml", feed, corpus, (RegistryError,), WORDS)
