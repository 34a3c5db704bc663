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
    made = HTML(string=html, url_fetcher=inside).write_pdf(pdf_variant=PDF_FORM, pdf_identifier=b"steadyhead")
    assert made is not None
    return bytes(made)
