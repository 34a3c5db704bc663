"""Feeds and data quality: what comes in, is refused, waits and goes out, and whether stores answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from sqlalchemy import select
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.diagnosis.phrases import duration_text
from steadyhead.errors import DatabaseError
from steadyhead.live.room import Room
from steadyhead.live.views import RunnerStatus
from steadyhead.store.tables import FeedRow, RefusedRow
from steadyhead.web.cards import zone_of
from steadyhead.web.frame import render
from steadyhead.web.freshness import old_after_s
from steadyhead.web.moments import Moment, moment, perhaps
from steadyhead.web.outgoing import shown
from steadyhead.web.words import place_text

router = APIRouter(include_in_schema=False)

MOST_REFUSED = 100
MOST_BEHIND = 12
KEPT_S = 10.0
BACKLOG_S = 60.0  # listening time that may wait before the page calls it a backlog
STATE_WORDS = {
    "ok": "readings come in",
    "quiet": "quiet for a while",
    "waiting": "waiting",
    "error": "in trouble",
}
BAD_STATES = ("error", "waiting")
REASON_WORDS = {
    "bad_item": "The item is not formed as agreed",
    "unknown_station": "The registry has no such station",
    "unknown_tag": "The registry has no such tag",
    "bad_time": "The time cannot be read",
    "future_time": "The time lies in the future",
    "no_value": "There is no value",
    "not_a_number": "The value is not a number",
    "wrong_unit": "The unit does not fit",
    "sentinel": "The value marks a missing one",
    "out_of_range": "The value is outside the transmitter's range",
    "bad_quality": "Its quality is bad",
    "uncertain_quality": "Its quality is uncertain",
    "unknown_quality": "Its quality code is not known",
    "ambiguous_time": "The time lies in the hour that comes twice",
    "missing_hour": "The time lies in the hour that the clock skips",
    "broken_row": "The row has more or fewer columns than the heading",
    "duplicate": "It is the same reading again",
    "conflicting_duplicate": "A later row has another value for the same time",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the run; ``is_bad`` gets a mark."""

    name: str
    text: str
    is_bad: bool = False


@dataclass(frozen=True, slots=True)
class Feed:
    """One source of readings."""

    source: str
    kind: str
    state: str
    is_bad: bool
    last_ok: Moment | None
    last_error: str
    accepted: str
    refused: str
    late: str


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """Values refused for one reason."""

    reason: str
    station: str
    tag: str
    source: str
    n: str
    last: Moment
    example: str


@dataclass(frozen=True, slots=True)
class Behind:
    """A station whose readings lag."""

    href: str
    place: str
    words: str


@dataclass(frozen=True, slots=True)
class Lag:
    """Stations whose readings have stopped.

    shown : those without readings for longest, in words; n_behind : all of them
    n_heard : stations that ever sent any; n_never : those that never did
    """

    shown: list[Behind]
    n_behind: int
    n_heard: int
    n_never: int


@router.get("/feeds")
def feeds(request: Request, actor: Annotated[Actor, Depends(require(Act.READ))]) -> Response:
    """Feeds and data quality."""
    room = room_of(request)
    status = room.runner.status()
    found, refused = _rows(room)
    lag = _behind_lately(request, room)
    return render(
        request,
        "feeds.html",
        actor=actor,
        call=_call(status, lag),
        status_words=status.words[:1].upper() + status.words[1:],
        figures=_figures(status),
        feeds=found,
        refused=refused,
        behind=lag.shown,
        behind_words=_behind_words(lag.n_behind, lag.n_never),
        out=shown(room, actor),
    )


def _call(status: RunnerStatus, lag: Lag) -> str:
    if not (status.database_ok and status.archive_ok and status.journal_ok):
        return "Readings are in trouble"
    if status.last_data_s is None:
        return "No readings have come in yet"
    behind = f"{lag.n_behind} station{' is' if lag.n_behind == 1 else 's are'} behind"
    if lag.n_behind and lag.n_behind == lag.n_heard:
        return f"No readings come in: {behind}"
    return f"Readings come in; {behind}" if lag.n_behind else "Readings come in from every station"


def _figures(status: RunnerStatus) -> list[Figure]:
    def ok(good: bool, words: str | None) -> str:
        return "answers" if good else words or "does not answer"

    return [
        Figure("Accepted", f"{status.accepted:,}".replace(",", " ")),
        Figure("Refused", f"{status.refused:,}".replace(",", " ")),
        Figure("Late, kept but not judged", f"{status.late:,}".replace(",", " ")),
        Figure(
            "Waiting to be judged",
            f"{status.backlog_items:,}".replace(",", " ") + f" readings, {duration_text(status.backlog_s)}",
            status.backlog_s > BACKLOG_S,
        ),
        Figure("Database", ok(status.database_ok, status.database_words), not status.database_ok),
        Figure("Archive", ok(status.archive_ok, status.archive_words), not status.archive_ok),
        Figure("Journal", ok(status.journal_ok, status.journal_words), not status.journal_ok),
        Figure(
            "Room left on the disk", f"{status.disk_free_bytes / 1e9:.3g} GB", status.disk_free_bytes < 1e9
        ),
    ]


def _rows(room: Room) -> tuple[list[Feed], list[RefusedLine]]:
    """Both lists; empty while the database is gone, which the page says at its top."""
    now_s = room.clock()
    try:
        with room.database.reading() as session:
            feed_rows = list(session.scalars(select(FeedRow).order_by(FeedRow.source)))
            refused_rows = list(
                session.scalars(select(RefusedRow).order_by(RefusedRow.last_s.desc()).limit(MOST_REFUSED))
            )
            found = [_feed(row, now_s) for row in feed_rows]
            refused = [
                RefusedLine(
                    REASON_WORDS.get(row.reason, row.reason.replace("_", " ").capitalize()),
                    place_text(row.station) if row.station else "–",
                    row.tag or "",
                    row.source,
                    f"{row.n:,}".replace(",", " "),
                    moment(row.last_s, zone_of(room.registry, row.station or ""), now_s),
                    row.example,
                )
                for row in refused_rows
            ]
    except DatabaseError:
        return [], []
    return found, refused


def _feed(row: FeedRow, now_s: float) -> Feed:
    return Feed(
        source=row.source,
        kind=row.kind,
        state=STATE_WORDS.get(row.state, row.state),
        is_bad=row.state in BAD_STATES,
        last_ok=perhaps(row.last_ok_s, "UTC", now_s),
        last_error=row.last_error or "",
        accepted=f"{row.accepted:,}".replace(",", " "),
        refused=f"{row.refused:,}".replace(",", " "),
        late=f"{row.late:,}".replace(",", " "),
    )


def _behind_lately(request: Request, room: Room) -> Lag:
    """The same, at most KEPT_S old."""
    kept: tuple[float, Lag] | None = getattr(request.app.state, "behind", None)
    if kept is None or not 0 <= room.clock() - kept[0] < KEPT_S:
        kept = (room.clock(), _behind(room))
        request.app.state.behind = kept
    return kept[1]


def _behind(room: Room) -> Lag:
    """Which stations' readings have stopped. Only those that are shown are put into words."""
    seen, now_s = room.runner.last_seen(), room.clock()
    stations = room.registry.stations
    late = [
        (at_s, name)
        for name, at_s in seen.items()
        if at_s is not None and name in stations and now_s - at_s > old_after_s(stations[name])
    ]
    late.sort()
    shown = []
    for at_s, name in late[:MOST_BEHIND]:
        at = moment(at_s, zone_of(room.registry, name), now_s)
        shown.append(Behind(f"/stations/{name}", place_text(name), f"last reading {at.ago}, {at.text}"))
    n_never = sum(at_s is None for at_s in seen.values())
    return Lag(shown, len(late), len(seen) - n_never, n_never)


def _behind_words(n_behind: int, n_never: int) -> str:
    said = ["Counted as behind once a reading is overdue by the station's own rhythm."]
    if n_behind > MOST_BEHIND:
        said.append(f"{n_behind - MOST_BEHIND} more are behind.")
    if n_never:
        said.append(f"{n_never} station{' has' if n_never == 1 else 's have'} never sent anything.")
    return " ".join(said)
