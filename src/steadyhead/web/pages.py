"""The pages as the application takes them: one router, and the two pages that the HTTP side asks for."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.api.context import room_of
from steadyhead.api.guards import page_actor
from steadyhead.api.problems import FACTOR_TO_SET_UP, PASSWORD_TO_CHOOSE, TYPE_ROOT, Problem
from steadyhead.api.redirects import login_address, way_there
from steadyhead.web import (
    accounts_page,
    alert_acts,
    alert_list,
    alert_page,
    feeds_page,
    figure_data,
    fleet,
    held_page,
    load_page,
    me_page,
    now_page,
    other_pages,
    outgoing,
    proof_pages,
    reports_page,
    static_files,
    station_page,
)
from steadyhead.web.for_people import came_from, is_from_here, told
from steadyhead.web.frame import render

router = APIRouter()
for _part in (
    static_files,
    alert_list,
    now_page,
    alert_page,
    alert_acts,
    fleet,
    held_page,
    station_page,
    figure_data,
    load_page,
    feeds_page,
    reports_page,
    outgoing,
    me_page,
    proof_pages,
    accounts_page,
    other_pages,
):
    router.include_router(_part.router)

OWED_PAGES = {PASSWORD_TO_CHOOSE.slug: "/me/password", FACTOR_TO_SET_UP.slug: "/me/second-factor"}
"""Where a person is sent who must see to something first."""


class WebPages:
    """The sign-in form and the page of an error; see ``api.seam.Pages``."""

    router = router

    def sign_in(self, request: Request, next_path: str, name: str, refusal: str | None) -> Response:
        """The form that posts to /login."""
        return render(
            request,
            "login.html",
            401 if refusal else 200,
            next_path=next_path,
            name=name,
            refusal=refusal,
            no_accounts=room_of(request).accounts.is_empty(),
        )

    def problem(self, request: Request, problem: Problem) -> Response:
        """What went wrong, in words; who must sign in, or see to something first, is sent there and back."""
        if request.method in ("GET", "HEAD"):
            if problem.status == 401:
                return RedirectResponse(login_address(request), 303)
            owed = OWED_PAGES.get(problem.type.removeprefix(TYPE_ROOT))
            if owed is not None:
                return RedirectResponse(way_there(request, owed), 303)
        elif problem.status == 401 and is_from_here(
            request
        ):  # the session ended while a form was filled in: back to that form
            return RedirectResponse(f"/login?next={quote(came_from(request), safe='')}", 303)
        words = told(request, problem)
        return render(request, "problem.html", problem.status, actor=page_actor(request), told=words)
