"""What all pictures of a station share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from steadyhead.report.clock import ticks
from steadyhead.report.thinning import thin
from steadyhead.types import FloatArray
from steadyhead.weekly.pictures.svg import Tick
from steadyhead.weekly.words import Words

OUTLET, INLET, FLOW, LEARNED, RAISED = "#0072B2", "#56606B", "#007A57", "#8A5F00", "#C44601"
BAND, BEFORE = "#EADFC0", "#B9BDB9"
"""As report/scene.py has them; apart also by form, and dark enough on white where they carry meaning."""

WIDTH = 720.0
LEFT, RIGHT = 58.0, 96.0
MOST_POINTS = 1400


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of a page. said : what it shows, for who cannot see it; caption : under it; svg : document.

    is_wide : takes the whole width of the page
    """

    key: str
    title: str
    caption: str
    said: str
    svg: str
    is_wide: bool = True


def day_ticks(from_s: float, to_s: float, time_zone: str, words: Words) -> list[Tick]:
    """Midnights of the station's clock, named in the language of dates."""
    zone = ZoneInfo(time_zone)
    return [
        (at, words.short_day(at, time_zone)) for at, label in ticks(from_s, to_s, zone) if ":" not in label
    ]


def thinned(times_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """At most MOST_POINTS points that keep every peak and every gap."""
    rows = thin(values, MOST_POINTS)
    return times_s[rows], values[rows]


def picked(n: int, most: int) -> np.ndarray:
    """At most ``most`` of ``n`` rows, evenly."""
    return np.linspace(0, n - 1, min(most, n)).astype(np.int64) if n else np.zeros(0, dtype=np.int64)


def some(pictures: Iterable[Picture | None]) -> tuple[Picture, ...]:
    """Those that there are."""
    return tuple(picture for picture in pictures if picture is not None)
