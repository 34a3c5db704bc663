"""What every page is put into: the template environment, who looks, light or dark, and what is troubled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from typing import Any
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api import cookies
from steadyhead.api.context import room_of
from steadyhead.api.guards import csrf_field, session_secret
from steadyhead.desk.views import Tally
from steadyhead.errors import DatabaseError
from steadyhead.live.room import Room
from steadyhead.notify.state import unseen
from steadyhead.web.arrivals import Told, sentences
from steadyhead.web.charts import LIBRARY
from steadyhead.web.freshness import watch_of
from steadyhead.web.glyphs import condition_glyph
from steadyhead.web.head import standing, title_text
from steadyhead.web.moments import Moment, moment
from steadyhead.web.static_files import static_url

PAGES = (
    ("/", "Alerts"),
    ("/stations", "Stations"),
    ("/load", "Alarm load"),
    ("/reports", "Reports"),
    ("/feeds", "Feeds"),
    ("/help", "Help"),
)
ACCOUNTS_PAGE = ("/accounts", "Accounts")
"""Shown to those who may manage them."""
LOOKS = (("auto", "Auto"), ("light", "Light"), ("dark", "Dark"))
LOOK_COOKIE = "look"
EVENTS_URL = "/api/v1/events"

# What a redirect after a form may say; a word in the address can choose among these and say nothing else.
SAID = {
    "acknowledged": "Acknowledged.",
    "acknowledged_all": "{n} acknowledged.",
    "shelved_all": "{n} shelved. They come back by themselves when their time is over, if they still hold.",
    "shelved": "Shelved. It comes back by itself when its time is over, if it still holds.",
    "unshelved": "Taken off the shelf.",
    "suppressed": "Suppressed by design. It is listed on the station's page, where it can be released.",
    "released": "Released.",
    "found": "Recorded. What is found moves how likely each cause is called the next time.",
    "proved": "The repair was compared before and after; the result is below.",
    "out": "The station is out of service: its alerts call nobody.",
    "returned": "The station is back in service.",
    "session_ended": "That session is over.",
    "password": "The password is changed. Sign in with the new one.",
    "factor": "The second factor is set up. Sign in with a code of it.",
    "factor_dropped": "The second factor is taken off. Sign in without a code.",
    "role_changed": "The role is changed.",
    "account_disabled": "The account is disabled.",
    "account_enabled": "The account can be signed in with again.",
    "factor_reset": "The second factor is taken off.",
    "sessions_ended": "Signed out everywhere.",
    "token_revoked": "The token is revoked. It stays in the list.",
    "seen_to": "Written down. The messages stay listed below.",
    "reset": "Reset: it is off the list.",
    "asked": "Asked for. It is made in the background; this page says how far it is.",
    "learned": "Learned. The new profile is in use; the old one is kept, and what differs is below.",
}


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something wrong with the service itself that every page has to say. kind is "bad" or "warn".

    href, link : where more is said, where there is such a place; since_s : time of the last word [s]
    """

    kind: str
    title: str
    text: str
    href: str = ""
    link: str = ""
    since_s: int | None = None

    @property
    def key(self) -> str:
        """What tells this trouble from another while its words change."""
        return self.title


@cache
def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("steadyhead.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.globals.update(
        static=static_url,
        looks=LOOKS,
        events_url=EVENTS_URL,
        version=version("steadyhead"),
        brand=condition_glyph(None),
    )
    return found


def render(
    request: Request, template: str, status: int = 200, *, actor: Actor | None = None, **context: Any
) -> HTMLResponse:
    """A template in the frame. ``actor`` is who looks; None outside of a session.

    Who still owes something, such as a password of one's own, is shown nothing of the utility around it.
    """
    room = room_of(request)
    inside = actor if actor is not None and actor.owes is None else None
    arrived = _arrived(request, room, inside)
    tally = _tally(room) if inside is not None else Tally()
    heard = watch_of(request).fleet(room)
    look = request.cookies.get(LOOK_COOKIE, "auto")
    back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    text = (
        _environment()
        .get_template(template)
        .render(
            {
                "actor": actor,
                "inside": inside,
                "pages": _pages(inside),
                "arrived": arrived,
                "csrf": csrf_field(request),
                "theme": look if look in dict(LOOKS) else "auto",
                "here": _here(request.url.path),
                "back": back if request.method == "GET" else "/",
                "wall": "wall" in request.query_params,
                "utility": room.registry.utility,
                "said": _said(request),
                "troubles": troubles(request, room) if inside is not None else [],
                "change_no": tally.change_no,
                "title_counts": title_text(tally),
                "standing_counts": standing(tally, heard),
                "now_s": int(room.clock()),
                "plotly_url": static_url(LIBRARY),
                "as_of": as_of(room) if inside is not None else None,
                **context,
            }
        )
    )
    response = HTMLResponse(text, status)
    if arrived:
        cookies.drop(request, response, cookies.ARRIVED)
    return response


def _said(request: Request) -> str:
    n = request.query_params.get("n", "")
    words = SAID.get(request.query_params.get("said", ""), "")
    return words.replace("{n}", n if n.isdecimal() and len(n) < 5 else "All")


def _arrived(request: Request, room: Room, actor: Actor | None) -> list[Told]:
    """What to say of the account on the first page after a sign-in; nothing on the others."""
    secret = session_secret(request)
    if actor is None or secret is None or cookies.read(request, cookies.ARRIVED) is None:
        return []
    try:
        found = room.accounts.notices(actor.name, secret)
    except DatabaseError:
        return []
    return sentences(found, actor.name, utility_zone(room), room.clock())


def _tally(room: Room) -> Tally:
    """What stands; nothing while the database is gone, so that all is told anew afterwards."""
    try:
        return room.desk.tally()
    except DatabaseError:
        return Tally()


def _pages(actor: Actor | None) -> tuple[tuple[str, str], ...]:
    return (*PAGES, ACCOUNTS_PAGE) if actor is not None and may(actor, Act.ACCOUNTS) else PAGES


def _here(path: str) -> str:
    first = path.split("/")[1]
    return "/" if first in ("", "alerts") else f"/{first}"


def as_of(room: Room) -> Moment | None:
    """Data time of the newest reading of all stations, at their clock."""
    last_s = room.runner.status().last_data_s
    if last_s is None:
        return None
    return moment(last_s, utility_zone(room), room.clock())


def utility_zone(room: Room) -> str:
    """The clock of all stations if they share one, else UTC."""
    zones = {station.time_zone for station in room.registry.stations.values()}
    return min(zones) if len(zones) == 1 else "UTC"


def troubles(request: Request, room: Room) -> list[Trouble]:
    """What is wrong with the service and its feeds now, in words; empty when all is well."""
    status = room.runner.status()
    found = []
    heard = watch_of(request).fleet(room)
    if heard.is_silent and heard.last_s is not None:
        last = moment(heard.last_s, utility_zone(room), room.clock())
        found.append(
            Trouble(
                "bad",
                "No readings come in.",
                f"The newest is of {last.text}.",
                "/feeds",
                "See the feeds",
                heard.last_s,
            )
        )
    if not status.database_ok:
        told = status.database_words or "It does not answer."
        meanwhile = "are still taken in and kept on disk" if status.journal_ok else "are refused"
        found.append(
            Trouble(
                "bad",
                "The database cannot be reached.",
                f"{told} Readings {meanwhile}; alerts wait until it is back.",
            )
        )
    if not status.archive_ok:
        told = status.archive_words or "It cannot be written."
        found.append(Trouble("bad", "The archive of readings is in trouble.", told))
    if not status.journal_ok:
        told = status.journal_words or "It cannot be written."
        found.append(Trouble("bad", "Readings cannot be accepted.", told))
    if status.state == "replaying":
        waiting = f"{status.backlog_items:,}".replace(",", " ")
        found.append(
            Trouble("warn", "Catching up after a restart.", f"{waiting} readings are still to be judged.")
        )
    if status.database_ok:
        found += _feeds_gone(request, room)
        found += _messages_given_up(room)
    return found


def _feeds_gone(request: Request, room: Room) -> list[Trouble]:
    try:
        gone = watch_of(request).silent_feeds(room)
    except DatabaseError:
        return []
    return [
        Trouble("warn", f"The feed {source} is gone.", why, "/feeds", "See the feeds", last_s)
        for source, why, last_s in gone
    ]


def _messages_given_up(room: Room) -> list[Trouble]:
    """Alerts that somebody should have been told of and was not, until a person has seen to it."""
    try:
        with room.database.reading() as session:
            n = unseen(session)
    except DatabaseError:
        return []
    if n == 0:
        return []
    return [
        Trouble(
            "warn",
            f"{n} message{' about an alert' if n == 1 else 's about alerts'} could not be delivered.",
            "Whoever should know was not told.",
            "/feeds#h-out",
            "See which, and what to do",
        )
    ]


def with_query(path: str, values: Mapping[str, str | int | None]) -> str:
    """An address with those of the values that say something."""
    kept = {name: str(value) for name, value in values.items() if value not in (None, "")}
    return f"{path}?{urlencode(kept)}" if kept else path
