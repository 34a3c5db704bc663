"""The first page: which stations need a person, worst first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.alerts.model import PRIORITIES, AlertState
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.views import AlertQuery, AlertView, Page
from steadyhead.live.room import Room
from steadyhead.types import CONDITIONS
from steadyhead.web.cards import AlertCard, Bundle, bundles, card
from steadyhead.web.frame import render, with_query
from steadyhead.web.freshness import watch_of
from steadyhead.web.head import call_more_text, call_text
from steadyhead.web.shelf import shelve_times
from steadyhead.web.words import CONDITION_WORDS, PRIORITY_WORDS

router = APIRouter(include_in_schema=False)

PAGE = 500  # all of any flood that was ever met; beyond it the list goes on on a next page
WALL_PAGE = 8  # more cannot be read from 3 m; the rest is counted
FEW = 3  # so many alerts that are over are shown unfolded

Order = Literal["worst", "newest", "oldest", "station"]
StateChoice = Literal["", "open", "known", "over_open", "aside", "over"]


@dataclass(frozen=True, slots=True)
class Sort:
    """One group of alerts on the page, by what has to be done with them."""

    key: StateChoice
    title: str
    states: tuple[AlertState, ...]
    is_quiet: bool


SORTS = (
    Sort("open", "Needs a person", ("active_unacknowledged",), is_quiet=False),
    Sort("known", "Acknowledged, still there", ("active_acknowledged",), is_quiet=False),
    Sort(
        "over_open",
        "Over, waiting for a person",
        ("returned_unacknowledged", "latched_unacknowledged", "latched_acknowledged"),
        is_quiet=True,
    ),
    Sort("aside", "Set aside", ("shelved", "suppressed_by_design", "out_of_service"), is_quiet=True),
    Sort("over", "Over", ("normal",), is_quiet=True),
)
OVERVIEW = 4  # of these, all but what is over and done with
STATE_OPTIONS = (
    ("", "All that matter now"),
    *((sort.key, sort.title) for sort in SORTS),
)
SORT_OPTIONS = (
    ("worst", "Worst first"),
    ("newest", "Newest first"),
    ("oldest", "Oldest first"),
    ("station", "By station"),
)
PRIORITY_OPTIONS = (("", "Any"), *((p, PRIORITY_WORDS[p]) for p in reversed(PRIORITIES)))


@dataclass(frozen=True, slots=True)
class Asked:
    """The filter form, as asked."""

    zone: str = ""
    condition: str = ""
    state: StateChoice = ""
    sort: Order = "worst"
    after: str = ""
    priority: Literal["", "high", "medium", "low"] = ""
    q: str = ""

    @property
    def is_filtered(self) -> bool:
        """Whether anything is left out or ordered otherwise."""
        return self != Asked()


@dataclass(frozen=True, slots=True)
class Paging:
    """Where a group goes on."""

    first_href: str | None = None
    next_href: str | None = None
    next_words: str = "More"


@dataclass(frozen=True, slots=True)
class Group:
    """One group with its alerts; ``bundles`` in place of ``cards`` where alerts are over."""

    key: str
    title: str
    count_words: str
    is_quiet: bool
    is_folded: bool
    cards: tuple[AlertCard, ...]
    bundles: tuple[Bundle, ...]
    page: Paging
    total: int


@dataclass(frozen=True, slots=True)
class Hint:
    """What to do first, on a desk that has never seen a reading."""

    title: str
    lines: tuple[str, ...]


FIRST_STEPS = Hint(
    "First steps",
    (
        "Let readings come in: push them to /api/v1/readings, or let the log folders be watched.",
        "See on the page Feeds what arrives, and what is refused and why.",
        "Learn each station from weeks in which it worked as it should; its own page offers it.",
        "Then leave this page open. It says when a station needs a person.",
    ),
)

Viewer = Annotated[Actor, Depends(require(Act.READ))]
Short = Annotated[str, Query(max_length=100)]


@router.get("/")
def alerts(
    request: Request,
    actor: Viewer,
    zone: Short = "",
    condition: Short = "",
    state: StateChoice = "",
    sort: Order = "worst",
    after: Annotated[str, Query(max_length=300)] = "",
    priority: Literal["", "high", "medium", "low"] = "",
    q: Short = "",
    wall: str | None = None,
) -> Response:
    """The list of alerts."""
    room = room_of(request)
    asked = Asked(zone, condition, state, sort, after, priority, q.strip())
    groups = _groups(room, asked, is_wall=wall is not None)
    tally, heard = room.desk.tally(zone or None), watch_of(request).fleet(room)
    return render(
        request,
        "alerts.html",
        actor=actor,
        call=call_text(tally, heard) + (f" in zone {zone}" if zone else ""),
        call_more=call_more_text(tally),
        may_act=may(actor, Act.ACKNOWLEDGE) and wall is None,
        may_shelve=may(actor, Act.SHELVE),
        shelve_times=shelve_times(),
        priorities=PRIORITY_OPTIONS,
        query=asked,
        is_filtered=asked.is_filtered,
        groups=[group for group in groups if group.total],
        empty_words=_empty_words(room, asked),
        hint=_first_steps(room),
        zones=_zone_options(room),
        conditions=[("", "Any"), *((name, CONDITION_WORDS[name].capitalize()) for name in CONDITIONS)],
        states=STATE_OPTIONS,
        sorts=SORT_OPTIONS,
    )


def _groups(room: Room, asked: Asked, *, is_wall: bool) -> list[Group]:
    wanted = [sort for sort in SORTS if sort.key == asked.state] if asked.state else list(SORTS[:OVERVIEW])
    if is_wall:
        wanted = list(SORTS[:2])
    return [_group(room, asked, sort, WALL_PAGE if is_wall else PAGE) for sort in wanted]


def _group(room: Room, asked: Asked, sort: Sort, limit: int) -> Group:
    is_alone = asked.state == sort.key and len(sort.states) == 1
    after = asked.after if is_alone and asked.after else None
    pages = [_query(room, asked, state, limit, after) for state in sort.states]
    views: list[AlertView] = [view for page in pages for view in page.items]
    views.sort(key=_ORDERS[asked.sort])
    total = sum(page.total for page in pages)
    now_s = room.clock()
    cards = [card(view, room.registry, now_s) for view in views]
    is_bundled = sort.key in ("over_open", "over") and not asked.state
    rest = total - len(cards)
    next_href = None
    if is_alone and pages[0].next:
        next_href = _address(asked, state=sort.key, after=pages[0].next)
    elif rest > 0 and not asked.state:
        next_href = _address(asked, state=sort.key)
    return Group(
        key=sort.key,
        title=sort.title,
        count_words=f"{total} alert{'' if total == 1 else 's'}",
        is_quiet=sort.is_quiet,
        is_folded=sort.key == "aside" and total > FEW and not asked.state,
        cards=() if is_bundled else tuple(cards),
        bundles=tuple(bundles(cards)) if is_bundled else (),
        page=Paging(
            first_href=_address(asked, state=sort.key) if after else None,
            next_href=next_href,
            next_words="The next ones" if is_alone else f"All {total}, {rest} more than here",
        ),
        total=total,
    )


_ORDERS: dict[Order, Callable[[AlertView], Any]] = {
    "worst": lambda v: (-v.rank, -v.raised_s),
    "newest": lambda v: -v.raised_s,
    "oldest": lambda v: v.raised_s,
    "station": lambda v: (v.alert.station, -v.rank),
}


def _query(room: Room, asked: Asked, state: AlertState, limit: int, after: str | None) -> Page[AlertView]:
    return room.desk.alerts(
        AlertQuery(
            zone=asked.zone or None,
            condition=asked.condition or None,
            state=state,
            priority=asked.priority or None,
            text=asked.q or None,
            sort="newest" if asked.sort == "newest" else "worst",
            limit=limit,
            after=after,
        )
    )


def _address(asked: Asked, **changed: str) -> str:
    values = {
        "q": asked.q,
        "priority": asked.priority,
        "zone": asked.zone,
        "condition": asked.condition,
        "state": asked.state,
    }
    values["sort"] = "" if asked.sort == "worst" else asked.sort
    return with_query("/", {**values, **changed})


def _zone_options(room: Room) -> list[tuple[str, str]]:
    zones = sorted({zone for zone in room.registry.zones().values() if zone})
    return [("", "Any"), *((zone, zone) for zone in zones)] if zones else []


def _empty_words(room: Room, asked: Asked) -> str:
    if asked.is_filtered:
        return "No alert fits what was asked for."
    if room.runner.status().last_data_s is None:
        return "No readings have come in yet, so nothing can be judged."
    return "Nothing to see to. What is over is under State, Over."


def _first_steps(room: Room) -> Hint | None:
    status = room.runner.status()
    if status.last_data_s is None:
        return FIRST_STEPS
    return None
