"""The first page: the top of each list, how many more there are, and where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from textwrap import wrap

from steadyhead.weekly.model import FleetWeek, Moved, StationWeek
from steadyhead.weekly.words import EFFORT_WORDS, Words

MOST_JOBS = 8  # jobs on it; nobody acts on more within five minutes
MOST_LINES = 4  # of each of the other lists
LINE_CHARS = 110  # a text longer than this is cut; the list in full has all of it
# Room on a printed page, in lines of text; letters that fit a column, somewhat fewer than are seen to.
JOB_ROOM, MARK_ROOM, LIST_ROOM = 30.5, 4.0, 12
JOB_LETTERS = (26, 31, 20, 22)  # station and job, why, what it brings, what it takes
LIST_LETTERS = 33
BETWEEN = 0.4  # lines of air between two jobs
RESULT_WORDS = {
    "pass": "holds", "not_yet": "does not hold yet", "cannot_tell": "cannot be told yet",
    "unproved": "not proved yet",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a short list: whose, and what."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Short:
    """The top of a list. anchor : of the list in full; more : what is left, in words, "" if nothing is

    none : what is said where there is nothing at all
    """

    anchor: str
    title: str
    lines: tuple[Line, ...]
    more: str
    none: str


def short_lists(fleet: FleetWeek, words: Words) -> tuple[Short, Short, Short]:
    """What got worse, what got better, what could not be judged."""
    return _worse(fleet, words), _better(fleet, words), _not_judged(fleet)


def first_jobs(fleet: FleetWeek) -> int:
    """How many jobs the first page holds: by how long their words are, at least one if there is any."""
    room = JOB_ROOM - (0.0 if fleet.is_complete else MARK_ROOM)
    for n, item in enumerate(fleet.work[:MOST_JOBS]):
        takes = f"{EFFORT_WORDS[item.effort]}: {item.effort_text}"
        lines = [
            _lines(text, letters)
            for text, letters in zip((item.what, item.reason, item.benefit, takes), JOB_LETTERS, strict=True)
        ]
        room -= BETWEEN + max(1 + lines[0], *lines[1:])
        if room < 0.0:
            return max(1, n)
    return min(MOST_JOBS, len(fleet.work))


def summary(fleet: FleetWeek) -> str:
    """The week in one or two sentences."""
    n = len(fleet.stations)
    standing = sum(1 for s in fleet.stations if s.outage is None and any(line.stands for line in s.alerts))
    silent = sum(1 for s in fleet.stations if s.why_not is not None)
    said = f"{n} station{_s(n)}: {standing} with an alert that stands at the end of the week"
    if silent:
        said += f", {silent} that could not be judged"
    if fleet.left_out:
        said += f", {len(fleet.left_out)} left out"
    jobs = len(fleet.work)
    first = f" Begin with {fleet.work[0].station}." if fleet.work else ""
    return f"{said}. {jobs or 'No'} job{_s(jobs)} proposed.{first}"


def after_work(fleet: FleetWeek) -> list[Moved]:
    """Better figures, those of stations with recorded work first."""
    worked = {repair.station for repair in fleet.repairs}
    return sorted(fleet.better, key=lambda moved: (moved.station not in worked, -moved.severity))


def why_short(station: StationWeek) -> str:
    """Why a whole station could not be judged."""
    return "out of service" if station.outage is not None else station.why_not or ""


def _worse(fleet: FleetWeek, words: Words) -> Short:
    lines = _by_station(fleet.worse, words)
    none = "No figure got worse by more than the weeks before explain."
    return _short("worse", "What got worse", lines, "station", none)


def _better(fleet: FleetWeek, words: Words) -> Short:
    work = [
        Line(repair.station, f"{repair.title.lower()}: work {RESULT_WORDS[repair.result]}")
        for repair in sorted(fleet.repairs, key=lambda r: (r.result != "pass", -r.repaired_s, r.station))
    ]
    lines = [*work, *_by_station(after_work(fleet), words)]
    return _short(
        "better", "What got better after work", lines, "line", "No work is proved, no figure got better."
    )


def _not_judged(fleet: FleetWeek) -> Short:
    left = [
        Line(name, f"left out: {line.removeprefix(f'{name}: ')}") for name, line in fleet.left_out.items()
    ]
    whole = [Line(s.station, why_short(s)) for s in fleet.stations if s.why_not is not None]
    silent = {s.station for s in fleet.stations if s.why_not is not None}
    parts = {name for item in fleet.not_judged for name in item.stations} - silent
    found = _short("not-judged", "What could not be judged", [*left, *whole], "station", "No whole station.")
    if not parts:
        return found
    some = f"single figures or alerts at {len(parts)} station{_s(len(parts))}"
    return replace(found, more=f"{found.more}; {some}" if found.more else some)


def _by_station(moved: Sequence[Moved], words: Words) -> list[Line]:
    """A line for each station, in the order given: its strongest figure, and how many more moved."""
    found: dict[str, list[Moved]] = {}
    for one in moved:
        found.setdefault(one.station, []).append(one)
    lines = []
    for name, own in found.items():
        rest = len(own) - 1
        more = f", and {rest} more figure{_s(rest)}" if rest else ""
        lines.append(Line(name, f"{own[0].figure.name.lower()} {words.moved(own[0].figure)}{more}"))
    return lines


def _short(anchor: str, title: str, lines: Sequence[Line], what: str, none: str) -> Short:
    shown: list[Line] = []
    room = LIST_ROOM
    for line in lines[:MOST_LINES]:
        cut = _cut(line)
        room -= _lines(f"{cut.name} {cut.text}", LIST_LETTERS)
        if room < 0 and shown:
            break
        shown.append(cut)
    left = len(lines) - len(shown)
    return Short(anchor, title, tuple(shown), f"{left} more {what}{_s(left)}" if left else "", none)


def _lines(text: str, letters: int) -> int:
    """Lines that a text takes in a column."""
    return len(wrap(text, letters)) or 1


def _cut(line: Line) -> Line:
    if len(line.text) <= LINE_CHARS:
        return line
    return Line(line.name, f"{line.text[: LINE_CHARS - 2].rsplit(' ', 1)[0]} …")


def _s(n: int) -> str:
    return "" if n == 1 else "s"
