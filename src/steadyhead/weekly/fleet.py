"""All stations of a week put together: work, what moved, what could not be judged, the load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from steadyhead.desk.load_views import AlarmLoad
from steadyhead.errors import EmptyWeekError
from steadyhead.fleet.place import HERE, Place
from steadyhead.weekly.compare import change
from steadyhead.weekly.definitions import DEFINITIONS
from steadyhead.weekly.material import LATE_S, Progress, Source, usual_zone
from steadyhead.weekly.model import Figure, FleetWeek, Moved, NotJudged, StationWeek
from steadyhead.weekly.over_lots import SAID_ELSEWHERE, Judging, judged_lots, severity_of
from steadyhead.weekly.pictures.pages import Pictures
from steadyhead.weekly.week import Week
from steadyhead.weekly.words import Words
from steadyhead.weekly.work import work_list


@dataclass(frozen=True, slots=True)
class Gathered:
    """The report's figures, and the pictures of the stations that have a page."""

    fleet: FleetWeek
    pictures: dict[str, Pictures]


def gather(
    source: Source,
    week: Week,
    words: Words,
    sigma_limit: float,
    progress: Progress,
    *,
    pages_for: Sequence[str],
    place: Place = HERE,
) -> Gathered:
    """Judge every station, then the fleet.

    place : where the stations are judged

    pages_for : stations that get a page whether they need one or not
    Raises EmptyWeekError if no station has a reading in the week.
    """
    judging = Judging(week, words, sigma_limit, has_desk=source.has_desk, pages_for=tuple(pages_for))
    stations, pictures, newest_s = judged_lots(judging, source, place, progress)
    if newest_s is None:
        raise EmptyWeekError(_nothing(source, week, words))
    zone = usual_zone(source.registry, source.names())
    to_s = week.bounds_s(zone)[1]
    is_complete = newest_s >= to_s - LATE_S
    if not is_complete:
        stations = [_elapsed(station, week, newest_s) for station in stations]
    alerts = {station.station: station.alerts for station in stations}
    return Gathered(
        _fleet(source, week, words, sigma_limit, stations, source.load(week, alerts), tuple(pictures),
               newest_s=newest_s, is_complete=is_complete),
        pictures,
    )  # fmt: skip


def _fleet(
    source: Source, week: Week, words: Words, sigma_limit: float, stations: list[StationWeek],
    load: AlarmLoad, pages: tuple[str, ...], *, newest_s: int, is_complete: bool,
) -> FleetWeek:  # fmt: skip
    worse, better = moved(stations, "worse"), moved(stations, "better")
    repairs = sorted(
        (repair for station in stations for repair in station.repairs),
        key=lambda repair: (-repair.repaired_s, repair.station),
    )
    return FleetWeek(
        utility=source.registry.utility,
        week=week,
        is_complete=is_complete,
        newest_s=newest_s,
        has_desk=source.has_desk,
        stations=tuple(stations),
        left_out=dict(source.left_out),
        work=work_list(stations, worse, words),
        worse=worse,
        better=better,
        repairs=tuple(repairs),
        not_judged=not_judged(stations),
        load=load,
        sigma_limit=sigma_limit,
        pages=pages,
    )


def moved(stations: Sequence[StationWeek], way: str) -> tuple[Moved, ...]:
    """Figures that got worse (or better), the strongest first."""
    found = [
        Moved(station.station, figure, severity_of(figure))
        for station in stations
        for figure in station.figures
        if figure.change == way and figure.key not in SAID_ELSEWHERE
    ]
    return tuple(sorted(found, key=lambda one: (-one.severity, one.station, one.figure.key)))


def not_judged(stations: Sequence[StationWeek]) -> tuple[NotJudged, ...]:
    """What could not be judged, by reason; whole stations first."""
    whole: dict[str, list[str]] = {}
    parts: dict[tuple[str, str], list[str]] = {}
    held: dict[tuple[str, str], list[str]] = {}
    for station in stations:
        if station.why_not is not None:
            whole.setdefault(station.why_not, []).append(station.station)
            continue
        for figure in station.figures:
            if figure.why_not is not None and figure.key not in SAID_ELSEWHERE:
                parts.setdefault((figure.name, figure.why_not), []).append(station.station)
        for judgement, why in station.withheld.items():
            held.setdefault((judgement.replace("_", " "), why), []).append(station.station)
    found = [NotJudged("The whole station", why, tuple(names)) for why, names in whole.items()]
    merged: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (what, why), names in parts.items():
        merged.setdefault((why, tuple(names)), []).append(what)
    found += [NotJudged("; ".join(whats), why, names) for (why, names), whats in merged.items()]
    found += [NotJudged(f"Alerts: {what}", why, tuple(names)) for (what, why), names in sorted(held.items())]
    return tuple(found)


def _elapsed(station: StationWeek, week: Week, newest_s: int) -> StationWeek:
    """The station with its completeness over the elapsed part of the week only."""
    from_s, to_s = week.bounds_s(station.time_zone)
    elapsed = max(1, min(newest_s, to_s) - from_s)
    share = (to_s - from_s) / elapsed
    figures = tuple(
        _of_elapsed(figure, share) if figure.key == "completeness" else figure for figure in station.figures
    )
    return replace(station, figures=figures, by_key={figure.key: figure for figure in figures})


def _of_elapsed(figure: Figure, share: float) -> Figure:
    if figure.value is None:
        return figure
    value = min(1.0, figure.value * share)
    is_judged = figure.change != "unknown"
    anew = change(DEFINITIONS[figure.key], value, figure.before, None) if is_judged else "unknown"
    return replace(figure, value=value, change=anew)


def _nothing(source: Source, week: Week, words: Words) -> str:
    names = source.names()
    zone = usual_zone(source.registry, names)
    lines = list(source.left_out.values())
    first_s, last_s = source.extent.first_s, source.extent.last_s
    if first_s is not None and last_s is not None:
        lines.insert(
            0,
            f"{week}: no station has a reading in that week; readings go from "
            f"{words.date(first_s, zone)} to {words.date(last_s, zone)}, weeks {Week.of(first_s, zone)} to "
            f"{Week.of(last_s, zone)}; give one of these with --week",
        )
    else:
        lines.insert(0, f"{week}: there is no reading of any station that was asked for")
    return "\n".join(lines)
