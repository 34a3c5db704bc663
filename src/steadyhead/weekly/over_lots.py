"""The stations of a week, judged lot by lot wherever the work runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steadyhead.fleet.crew import Lost, run
from steadyhead.fleet.lots import lot_size
from steadyhead.fleet.outcome import READ, lines_of
from steadyhead.fleet.place import Place
from steadyhead.fleet.told import At, Tell, Told
from steadyhead.weekly.definitions import DEFINITIONS
from steadyhead.weekly.material import Extent, Material, Progress, Source, WeekLot
from steadyhead.weekly.model import Figure, StationWeek
from steadyhead.weekly.pictures.pages import Pictures, draw_station
from steadyhead.weekly.station import Judged, judge, needs_page
from steadyhead.weekly.week import Week
from steadyhead.weekly.words import Words

ALERT_FIGURES = ("alerts_raised", "alerts_standing", "time_to_acknowledge", "time_to_clear")
SAID_ELSEWHERE = frozenset(ALERT_FIGURES)
NO_PAGE_FOR = SAID_ELSEWHERE | {"completeness"}  # gaps need no page; a silence raises an alert


@dataclass(frozen=True, slots=True)
class OneJudged:
    """A station's week, the time of its last reading in it, and its pictures if it gets a page."""

    week: StationWeek
    last_s: int | None
    pictures: Pictures | None


@dataclass(frozen=True, slots=True)
class LotJudged:
    """What came of a lot; see ``material.WeekLot``."""

    stations: tuple[OneJudged, ...]
    left_out: dict[str, str]
    extent: Extent


@dataclass(frozen=True, slots=True)
class Judging:
    """Judge each station of a lot, and draw those that get a page."""

    week: Week
    words: Words
    sigma_limit: float
    has_desk: bool
    pages_for: tuple[str, ...]

    def __call__(self, lot: WeekLot, tell: Tell) -> LotJudged:
        """The stations' weeks, in their order."""
        stations = tuple(self._one(material) for material in lot.materials(self.week, tell))
        return LotJudged(stations, lot.left_out, lot.extent)

    def _one(self, material: Material) -> OneJudged:
        judged = judge(material, self.week, self.sigma_limit, has_desk=self.has_desk)
        pictures = None
        if _wants_page(judged, self.week, self.pages_for):
            pictures = draw_station(judged, material, self.week, self.words)
        return OneJudged(judged.week, _last_s(judged), pictures)


@dataclass(slots=True)
class _Watcher:
    """Turns what a lot says of itself into progress of the fleet."""

    progress: Progress
    of: int
    through: int = 0

    def hear(self, told: Told) -> None:
        if isinstance(told, At):
            word = "Reading" if told.step == READ else "Judging"
            self.progress(f"{word} {told.station}", self.through + int(told.done), self.of)

    def lot_done(self, lot: WeekLot) -> None:
        self.through += len(lot)
        self.progress("Judging", self.through, self.of)


def judged_lots(
    judging: Judging, source: Source, place: Place, progress: Progress
) -> tuple[list[StationWeek], dict[str, Pictures], int | None]:
    """All stations' weeks, the pictures of those with a page, and the time of the newest reading in the week.

    What could not be read, and how far readings go, is noted in the source.
    """
    stations: list[StationWeek] = []
    pictures: dict[str, Pictures] = {}
    newest_s: int | None = None
    source.left_out.clear()
    lots = source.lots(judging.week, lot_size(place, len(source.names())))
    watcher = _Watcher(progress, sum(map(len, lots)))
    for lot, done in zip(lots, run(judging, lots, place, watcher.hear), strict=True):
        watcher.lot_done(lot)
        if isinstance(done, Lost):
            source.left_out.update(lines_of(lot.names, done.deaths))
            continue
        for one in done.stations:
            stations.append(one.week)
            if one.last_s is not None:
                newest_s = one.last_s if newest_s is None else max(newest_s, one.last_s)
            if one.pictures is not None:
                pictures[one.week.station] = one.pictures
        source.left_out.update(done.left_out)
        if done.extent.first_s is not None and done.extent.last_s is not None:
            source.extent.take(done.extent.first_s, done.extent.last_s)
    return stations, pictures, newest_s


def severity_of(figure: Figure) -> float:
    """How far a figure moved, in least changes."""
    before = figure.before_mean
    if figure.value is None or before is None or not figure.least:
        return 0.0
    now, then = figure.value, before
    if DEFINITIONS[figure.key].worse == "away" and now * then > 0.0:
        now, then = abs(now), abs(then)
    return abs(now - then) / figure.least


def _wants_page(judged: Judged, week: Week, pages_for: Sequence[str]) -> bool:
    if judged.this is None or not len(judged.this):
        return False
    found = judged.week
    severities = [
        severity_of(figure)
        for figure in found.figures
        if figure.change == "worse" and figure.key not in NO_PAGE_FOR
    ]
    from_s = week.bounds_s(found.time_zone)[0]
    return found.station in pages_for or needs_page(found, severities, from_s)


def _last_s(judged: Judged) -> int | None:
    """Time of the last reading within the week."""
    if judged.this is None:
        return None
    readings = judged.this.readings
    known = np.flatnonzero(np.isfinite(readings.outlet_kpa))
    return None if not known.size else int(readings.start_s + readings.step_s * known[-1])
