"""What the HTTP side asks of the pages, so that it need not know them."""

from __future__ import annotations

from html import escape
from typing import Protocol

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from steadyhead.api.guards import csrf_field
from steadyhead.api.problems import Problem
from steadyhead.api.redirects import login_address


class Pages(Protocol):
    """Pages for people, such as ``web.pages.WebPages``; ``PlainPages`` serves where there are none.

    router : all their routes, each with a guard of ``api.guards``
    """

    @property
    def router(self) -> APIRouter:
        """All routes of the pages."""

    def sign_in(self, request: Request, next_path: str, name: str, refusal: str | None) -> Response:
        """The form that posts name, password, next and the CSRF field to /login.

        name : as typed before, to fill in; refusal : why the last try was refused
        """

    def problem(self, request: Request, problem: Problem) -> Response:
        """A page that says what went wrong; a person who is not signed in is sent to the sign-in form."""


class PlainPages:
    """Bare pages without any style, for tests and for a service without pages."""

    router = APIRouter()

    def sign_in(self, request: Request, next_path: str, name: str, refusal: str | None) -> Response:
        """A form and nothing else."""
        told = f'<p role="alert">{escape(refusal)}</p>' if refusal else ""
        return HTMLResponse(
            "<!doctype html><html lang=en><title>Sign in</title><h1>Sign in</h1>"
            f'{told}<form method="post" action="/login">{csrf_field(request)}'
            f'<input type="hidden" name="next" value="{escape(next_path)}">'
            f'<label>Name <input name="name" autocomplete="username" required value="{escape(name)}"></label>'
            '<label>Password <input name="password" type="password" autocomplete="current-password" required>'
            "</label><button>Sign in</button></form></html>",
            401 if refusal else 200,
        )

    def problem(self, request: Request, problem: Problem) -> Response:
        """Title, detail and what to do."""
        if problem.status == 401 and request.method == "GET":
            return RedirectResponse(login_address(request), 303)
        return HTMLResponse(
            f"<!doctype html><html lang=en><title>{escape(problem.title)}</title>"
            f"<h1>{escape(problem.title)}</h1><p>{escape(problem.detail)}</p>"
            f"<p>{escape(problem.what_to_do)}</p></html>",
            problem.status,
        )
