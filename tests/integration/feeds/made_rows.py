"""Readings of two stations made by arithmetic: each number says which it is."""

from __future__ import annotations

from collections.abc import Iterator

STATIONS = ("elm_street", "mill_lane")
ENDS = {"PIN": "inlet", "POUT": "outlet", "FLOW": "flow"}
START_S = 1_751_328_000  # 2025-07-01 00:00 UTC


def value(station: int, end: str, n: int) -> float:
    """A number that says which it is."""
    return round({"PIN": 6.0, "POUT": 4.0, "FLOW": 30.0}[end] + station * 0.5 + (n * 7 % 100) / 1000, 3)


def rows(
    n_steps: int, step_s: int = 60, start_s: int = START_S, n_stations: int = 2
) -> Iterator[tuple[int, str, float]]:
    """(time, tag, value) in order of time, all tags of the stations."""
    for n in range(n_steps):
        for place, station in enumerate(STATIONS[:n_stations]):
            for end in ENDS:
                yield start_s + n * step_s, f"WW.{station}.{end}", value(place, end, n)
