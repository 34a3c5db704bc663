"""A utility's own causes and checks."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from steadyhead.config.load import raise_mistakes
from steadyhead.config.marked_yaml import parse_marked, read_marked
from steadyhead.diagnosis.causes import _merge, _Sheet
from steadyhead.errors import RegistryError

from .registry_yaml import WORDS
from .target import Target, written


def _packaged() -> str:
    return files("steadyhead.diagnosis").joinpath("causes.yaml").read_text(encoding="utf-8")


@cache
def _below() -> _Sheet:
    return _Sheet.read(parse_marked(_packaged(), "packaged causes.yaml"))


def feed(data: bytes) -> None:
    """One file laid over the packaged one, as ``load_knowledge`` does, which reads that anew each time."""
    sheet = _Sheet.read(read_marked(written("yaml/causes.yaml", data)))
    merged = _merge([_below(), sheet])
    raise_mistakes(sheet.complaints(merged.cautions), sheet.marked.file)


def corpus() -> list[bytes]:
    """The beginning of the packaged file, and small ones."""
    return [
        "\n".join(_packaged().splitlines()[:120]).encode(),
        b"version: 1\nconditions:\n  drift:\n    title: Drift\n    priority: high\n    causes:\n"
        b"      - {key: a, text: b, likelihood: 0.5, when: {direction: up}}\n"
        b"      - {key: c, text: d, likelihood: 0.5}\n    checks: [{text: look, effort: free, cautions: []}]\n",
    ]


TARGET = Target("causes_yaml", feed, corpus, (RegistryError,), (b"when: ", b"likelihood: ", *WORDS))
