"""The report as HTML and PDF, from the same templates."""

from __future__ import annotations

import logging
from functools import cache
from importlib.metadata import version
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from steadyhead.errors import OutputError
from steadyhead.weekly.view import names_text, work_of

PDF_FORM = "pdf/ua-1"
"""ISO 14289-1, tagged for readers of screens: headings, header cells, words for pictures."""


@cache
def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("steadyhead.weekly"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.globals.update(version=version("steadyhead"), names_text=names_text, work_of=work_of)
    return found


def to_html(context: dict[str, Any]) -> str:
    """One page that needs no other file."""
    style = _environment().get_template("report.css").render()
    return _environment().get_template("report.html").render({**context, "style": style})


def _say_scopes(_document: Any, pdf: Any) -> None:
    """Tell of each header cell whether it heads its column or its row.

    The library links cells to their headers by number, which ISO 14289-1 takes too; many readers of screens
    look for the scope alone.
    """
    by_number = {one.number: one for one in pdf.objects}

    def above(element: Any) -> Any:
        return by_number[int(str(element["P"].decode()).split()[0])]

    for one in pdf.objects:
        if isinstance(one, dict) and one.get("S") == "/TH":
            in_head = above(above(one)).get("S") == "/THead"
            one["A"]["Scope"] = "/Column" if in_head else "/Row"


def to_pdf(html: str) -> bytes:
    """The same content as PDF, tagged.

    Raises OutputError if the libraries that set the text are not there.
    """
    try:
        from weasyprint import HTML  # takes a second to load, and needs Pango
        from weasyprint.urls import URLFetcher
    except OSError as exc:
        raise OutputError(
            f"the PDF cannot be made: {exc}; install Pango (Debian: libpango-1.0-0, libpangoft2-1.0-0, "
            "libharfbuzz-subset0), or leave the PDF out with --no-pdf"
        ) from exc
    inside = URLFetcher(allowed_protocols=("data",))  # pictures lie within the page; nothing else is fetched
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    made = HTML(string=html, url_fetcher=inside).write_pdf(
        finisher=_say_scopes, pdf_variant=PDF_FORM, pdf_identifier=b"steadyhead"
    )
    assert made is not None
    return bytes(made)
