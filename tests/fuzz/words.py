"""Words within larger inputs: units, times, zones, numbers, days, cells. The first byte chooses the reader."""

from __future__ import annotations

import contextlib
import zoneinfo
from collections.abc import Callable
from functools import cache
from typing import Any

import pyarrow as pa
from pydantic import TypeAdapter, ValidationError

from steadyhead.api.times import When, seconds, stamp
from steadyhead.config import fields
from steadyhead.errors import FeedError, RegistryError
from steadyhead.feeds.cells import read_cells
from steadyhead.feeds.quality_codes import level_of
from steadyhead.feeds.stamps import read_stamps
from steadyhead.live.doors import Refusing, doors_of
from steadyhead.live.lines import LineError, parse_line
from steadyhead.readings.rejects import shown
from steadyhead.units import find_unit

from .log_source import NAMES, stations
from .made import registry
from .target import Target, text_of

_KINDS = [TypeAdapter(kind) for kind in (
    fields.Kpa, fields.Lps, fields.KvM3h, fields.SizeMm, fields.Number, fields.UnitName, fields.TimeZone,
    fields.ClockTime, fields.Days, fields.Paths, fields.Texts, fields.Delimiter,
)]  # fmt: skip
ZONES = zoneinfo.available_timezones()
zoneinfo.available_timezones = lambda: ZONES  # it walks through hundreds of files, for each wrong name
_WHEN: TypeAdapter[Any] = TypeAdapter(When)


def _kinds(text: str) -> None:
    text = text.encode("utf-8", "replace").decode()  # what reads YAML lets no half of a character through
    for kind in _KINDS:
        try:
            kind.validate_python(text)
        except ValidationError as exc:
            str(exc.errors())


def _when(text: str) -> None:
    try:
        stamp(seconds(_WHEN.validate_python(text)))
    except ValidationError:
        return


def _door(text: str) -> None:
    door = doors_of(registry())["oak"]
    given: list[Any] = [text]
    for kind in (int, float):
        try:
            given.append(kind(text))
        except ValueError:
            continue
    for raw in given:
        for act in (door.time_us, door.channel, lambda it: door.channels["Q"].number(it, None, None),
                    lambda it: door.channels["Q"].number(1.0, it if isinstance(it, str) else None, it)):  # fmt: skip
            try:
                act(raw)
            except Refusing as no:
                no.text.encode()


def _columns(text: str) -> None:
    cells = [cell.encode("utf-8", "replace").decode() or None for cell in text.split("\n")]
    station = stations().stations[NAMES[len(text) % len(NAMES)]]
    source = station.sources[0]
    column = pa.array(cells, pa.string())
    stamps = read_stamps(column, column if source.date_column else None, source)
    assert len(stamps.us) == len(cells)
    for tag in station.tags.values():
        found = read_cells(column, column, source, tag)
        assert len(found.values) == len(cells)


def _others(text: str) -> None:
    shown(text)
    level_of(text, registry().stations["oak"].sources[0].quality)
    with contextlib.suppress(RegistryError):
        find_unit(text)
    with contextlib.suppress(LineError):
        parse_line(text)


@cache
def _readers() -> tuple[Callable[[str], None], ...]:
    return (_kinds, _when, _door, _columns, _others)


def feed(data: bytes) -> None:
    """One word, or one column of cells."""
    readers = _readers()
    readers[data[0] % len(readers) if data else 0](text_of(data[1:]))


def corpus() -> list[bytes]:
    """What people and loggers write."""
    texts = (
        "60 psi", "4.2 bar", "120 Cv", "6 in", "-1e3", "m3/hr", "Europe/London", "Etc/../UTC", "05:30", "mon-fri",
        "daily", "2026-03-01T00:00:00Z", "1772323200", "2026-10-25T01:30:00", "25/10/2026 01:30", "192", "Good",
        "6,1", "1.402,5", "+12", ".5e3", "N/A", "01.03.2026\n31.02.2026\n01.03.2026 00:00:00", "1772323200000\n1e400\n-5",
        "2026-03-01\n2026-03-01T00:00:00.123456+01:00\n9999-12-31\n0001-01-01", "\u0661\u0662", "\u00b5",
    )  # fmt: skip
    return [bytes([n]) + text.encode() for n in range(5) for text in texts]


TARGET = Target(
    "words", feed, corpus, (FeedError, RegistryError),
    (b"psi", b"bar", b"Europe/", b"mon", b"Z", b"+01:00", b"9" * 30, b"9" * 400, b"e400", b"\x00", b"\n", b".."),
)  # fmt: skip
