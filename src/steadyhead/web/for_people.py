"""What went wrong, for the person at the page: what happened to what, and the way back to it."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from starlette.requests import Request

from steadyhead.api.context import room_of
from steadyhead.api.problems import TYPE_ROOT, Problem
from steadyhead.api.redirects import safe_next
from steadyhead.web.cards import name_of
from steadyhead.web.words import place_text

_AGAIN = "Go back: what you typed is kept. Mend it there and send it again."
_TITLES = {
    "invalid-request": ("This could not be taken as it was typed", _AGAIN),
    "not-signed-in": ("Not signed in", "Sign in, and do it again from the page."),
    "not-from-our-page": (
        "This page was open since before you signed in",
        "Go back: what you typed is kept. Send it again from there.",
    ),
    "not-allowed": ("Not allowed", "Ask an administrator for a role that allows it."),
    "no-such-path": ("There is no such page", "Go back, or choose one of the pages above."),
    "not-found": ("Not found", "It may belong to another time or name; look in the list."),
    "wrong-method": ("This cannot be opened by its address", "Go back and use the button on the page."),
    "not-now": (
        "This was not done",
        "Go back and look at it as it is now; what you typed is kept.",
    ),
    "too-many-requests": ("Too many requests at once", "Wait a minute and try again."),
}
_ACTS = {
    "acknowledge": "It was not acknowledged.",
    "reset": "It was not reset.",
    "shelve": "It was not shelved.",
    "unshelve": "It stays on the shelf.",
    "suppress": "It was not suppressed.",
    "findings": "What was found was not recorded.",
    "out": "It stays in service.",
    "return": "It stays out of service.",
    "release": "The suppression stays.",
    "learn": "Nothing was learned; the profile in use stays.",
}
_FIELDS = {
    "until": "Until",
    "why": "Reason",
    "note": "Note",
    "text": "In your words",
    "done": "What was done",
    "repaired_at": "When it was repaired",
    "from_at": "From",
    "to_at": "To",
    "act": "What to do",
    "days": "Days",
}
_NO_SUCH = "no-such-path"


@dataclass(frozen=True, slots=True)
class Told:
    """An error in words. subject : the alert or station it is about, or ""; href : the way back."""

    title: str
    subject: str
    outcome: str
    detail: str
    fields: tuple[str, ...]
    what_to_do: str
    href: str
    link: str


def told(request: Request, problem: Problem) -> Told:
    """The problem as a page says it: without numbers of the protocol, names of headers or paths of fields."""
    slug = problem.type.removeprefix(TYPE_ROOT)
    title, what_to_do = _TITLES.get(slug, (problem.title, problem.what_to_do))
    parts = request.url.path.strip("/").split("/")
    subject, href, link = "", "/", "To the alerts"
    detail = problem.detail
    if len(parts) > 1 and parts[0] == "alerts":
        subject = name_of(room_of(request), parts[1])
        href, link = f"/alerts/{parts[1]}", "Back to the alert"
        detail = detail.replace(f"alert {parts[1]}", "this alert")
    elif len(parts) > 1 and parts[0] == "stations":
        subject, href, link = place_text(parts[1]), f"/stations/{parts[1]}", "Back to the station"
    if request.method == "POST":
        back = came_from(request)
        if back != "/":
            href, link = back, link if subject else "Back"
    elif problem.status == 404:
        subject, href, link, detail = "", "/", "To the alerts", problem.detail
    if problem.status == 401:
        detail, href, link = "Your session is over, or you have not signed in", "/login", "Sign in"
    if slug == _NO_SUCH:
        detail = "Nothing is kept at the address that was opened"
    fields = tuple(f"{_field(one.field)}: {one.message}" for one in problem.errors or ())
    return Told(
        title=title,
        subject=subject,
        outcome=_ACTS.get(parts[-1] if len(parts) < 4 else parts[2], "") if request.method == "POST" else "",
        detail="" if fields else detail,
        fields=fields,
        what_to_do=what_to_do,
        href=href,
        link=link,
    )


def is_from_here(request: Request) -> bool:
    """Whether the request came from a page of ours, by the header that browsers send."""
    return urlsplit(request.headers.get("referer", "")).netloc == request.url.netloc


def came_from(request: Request) -> str:
    """The page of ours that a form was on, by the header that browsers send; the first page otherwise."""
    if not is_from_here(request):
        return "/"
    at = urlsplit(request.headers.get("referer", ""))
    kept = "&".join(part for part in at.query.split("&") if part and not part.startswith(("said=", "n=")))
    return safe_next(at.path + (f"?{kept}" if kept else ""))


def _field(path: str) -> str:
    last = path.rpartition(".")[2]
    return _FIELDS.get(last, last.replace("_", " ").capitalize())
