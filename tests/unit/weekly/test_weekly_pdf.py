"""The PDF by the rules of PDF/UA-1 (ISO 14289-1) that a program can check, read by pypdf.

Independent: WeasyPrint writes, pypdf reads. Rules from memory of the Matterhorn Protocol's checkpoints.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader
from pypdf.generic import ArrayObject, ContentStream, DictionaryObject
from weekly_hands import WEEK, HandSource, line_of, one_week, profile, rows_of, station, verdict

from steadyhead.weekly.material import Material
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.write import make_report

STEP = 900
SHOWING = (b"Tj", b"TJ", b"'", b'"', b"Do", b"f", b"f*", b"S", b"B")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A report with all parts: an alert, a page with pictures, a station that could not be judged."""
    n = rows_of(WEEK, "UTC", STEP, 5)[1]
    rng = np.random.default_rng(3)
    flow = np.maximum(0.0, 6.0 - 8.0 * np.cos(np.arange(n) * STEP / 86400 * 2 * np.pi))
    elm, new = station("elm", step_s=STEP), station("new", step_s=STEP)
    readings = one_week(400 + rng.normal(0, 1, n), flow=flow, step_s=STEP, weeks=5, name="elm")
    alert = line_of(verdict("elm", "drift", WEEK.bounds_s("UTC")[1] - 86400), elm)
    other = one_week(400 + rng.normal(0, 1, n), flow=flow, step_s=STEP, weeks=5, name="new")
    source = HandSource(
        [
            Material(elm, readings, profile("elm", step_s=STEP), (alert,)),
            Material(new, other, None),
        ]
    )
    folder = tmp_path_factory.mktemp("pdf")
    make_report(source, WEEK, folder, ReportSettings(), made_s=0)
    return folder


@pytest.fixture(scope="module")
def pdf(made) -> PdfReader:
    return PdfReader(made / "report.pdf")


def root(pdf: PdfReader) -> DictionaryObject:
    found = pdf.trailer["/Root"]
    assert isinstance(found, DictionaryObject)
    return found


def elements(node: Any) -> Iterator[DictionaryObject]:
    """All structure elements, in the order in which they are read."""
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, ArrayObject):
        for kid in node:
            yield from elements(kid)
    elif isinstance(node, DictionaryObject):
        if "/S" in node:
            yield node
        if "/K" in node:
            yield from elements(node["/K"])


def kinds(pdf: PdfReader) -> list[tuple[str, DictionaryObject]]:
    tree = root(pdf)["/StructTreeRoot"]
    roles = tree.get("/RoleMap", {})
    return [(str(roles.get(one["/S"], one["/S"])), one) for one in elements(tree["/K"])]


def test_it_is_marked_titled_and_in_a_language(pdf):
    catalog = root(pdf)
    assert catalog["/MarkInfo"]["/Marked"].value is True
    assert catalog["/Lang"] == "en"
    assert catalog["/ViewerPreferences"]["/DisplayDocTitle"].value is True
    assert pdf.metadata.title == "Hand-made Water: valve stations in week 2025-W20"
    xmp = catalog["/Metadata"].get_data().decode()
    assert re.search(r'pdfuaid:part(?:>|=")1', xmp)
    assert "valve stations in week 2025-W20" in xmp


def test_every_picture_says_what_it_shows(pdf):
    figures = [one for kind, one in kinds(pdf) if kind == "/Figure"]
    assert len(figures) >= 7  # six pictures of elm, and a row of small lines for each station
    assert [str(one.get("/Alt", "")) for one in figures if len(str(one.get("/Alt", ""))) < 15] == []


def attributes(one: DictionaryObject) -> dict[str, Any]:
    found: dict[str, Any] = {}
    given = one.get("/A")
    given = given.get_object() if given is not None else []
    for part in given if isinstance(given, ArrayObject) else [given]:
        found.update(part.get_object())
    return found


def test_every_header_cell_says_what_it_is_the_header_of(pdf):
    found = kinds(pdf)
    headers = [one for kind, one in found if kind == "/TH"]
    assert len(headers) > 40
    scopes = Counter(str(attributes(one).get("/Scope")) for one in headers)
    assert set(scopes) <= {"/Row", "/Column", "/Both"}, scopes
    tables = [one for kind, one in found if kind == "/Table"]
    assert len(tables) >= 6
    for table in tables:
        inside = {str(one["/S"]) for one in elements(table["/K"])}
        assert {"/TR", "/TH", "/TD"} <= inside


class Headings(HTMLParser):
    """Levels of the headings, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.levels: list[int] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))


def test_headings_come_in_the_order_of_the_page_and_skip_no_level(pdf, made):
    page = Headings()
    page.feed((made / "report.html").read_text())
    levels = [int(kind[2:]) for kind, _ in kinds(pdf) if re.fullmatch(r"/H[1-6]", kind)]
    assert levels == page.levels
    assert levels[0] == 1
    assert [b for a, b in pairwise(levels) if b > a + 1] == []


def marked(node: Any, page: Any) -> Iterator[tuple[int, int]]:
    """Page and number of each piece of content below an element, in the order in which it is read."""
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, ArrayObject):
        for kid in node:
            yield from marked(kid, page)
    elif isinstance(node, DictionaryObject):
        page = node.raw_get("/Pg").idnum if "/Pg" in node else page
        if "/MCID" in node:
            yield page, int(node["/MCID"])
        elif "/K" in node:
            yield from marked(node["/K"], page)
    elif isinstance(node, int):
        yield page, int(node)


class Letters(HTMLParser):
    """All letters of the page that are printed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.hidden = 0
        self.parts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in ("head", "nav")

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("head", "nav")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.parts.append("".join(data.split()))


def unicode_of(font: DictionaryObject) -> dict[str, str]:
    """Letters by the number of their shape, from the table that every font of a PDF/UA file has."""
    table = font["/ToUnicode"].get_data().decode()
    return {
        shape.lower(): bytes.fromhex(letters).decode("utf-16-be")
        for part in re.findall(r"beginbfchar(.*?)endbfchar", table, re.DOTALL)
        for shape, letters in re.findall(r"<([0-9a-fA-F]+)>\s*<([0-9a-fA-F]+)>", part)
    }


def letters_of(pdf: PdfReader) -> dict[tuple[int, int], str]:
    """What each piece of marked content shows, by page and number."""
    found: dict[tuple[int, int], str] = {}
    for page in pdf.pages:
        fonts = {name: unicode_of(font.get_object()) for name, font in page["/Resources"]["/Font"].items()}
        font: dict[str, str] = {}
        open_: list[int | None] = []
        for operands, operator in ContentStream(page.get_contents(), pdf).operations:
            if operator in (b"BDC", b"BMC"):
                has_number = len(operands) > 1 and "/MCID" in operands[1]
                open_.append(int(operands[1]["/MCID"]) if has_number else None)
            elif operator == b"EMC":
                open_.pop()
            elif operator == b"Tf":
                font = fonts[operands[0]]
            elif operator in (b"TJ", b"Tj") and open_ and open_[-1] is not None:
                pieces = operands[0] if operator == b"TJ" else operands
                shapes = "".join(raw(piece).hex() for piece in pieces if not isinstance(piece, (int, float)))
                shown = "".join(font.get(shapes[n : n + 4], "") for n in range(0, len(shapes), 4))
                key = page.indirect_reference.idnum, open_[-1]
                found[key] = found.get(key, "") + "".join(shown.split())
    return found


def raw(piece: Any) -> bytes:
    return bytes(piece) if isinstance(piece, bytes) else piece.original_bytes


def test_what_a_reader_of_screens_reads_is_the_page_in_its_order(pdf, made):
    page = Letters()
    page.feed((made / "report.html").read_text())
    wanted = "".join(page.parts)
    shown = letters_of(pdf)
    read = "".join(shown.get(key, "") for key in marked(root(pdf)["/StructTreeRoot"]["/K"], None))
    at = 0
    for n, letter in enumerate(wanted):
        there = read.find(letter, at)
        assert 0 <= there < at + 400, (wanted[max(0, n - 60) : n + 40], read[at : at + 60])
        at = there + 1
    # what is read beyond it: heads of tables that go on overleaf, numbers of pages, marks of lists
    assert len(wanted) > 10_000
    assert len(read) < 1.1 * len(wanted)


def test_all_that_is_shown_is_tagged_or_marked_as_decoration(pdf):
    for page in pdf.pages:
        depth, loose = 0, Counter()
        for _, operator in ContentStream(page.get_contents(), pdf).operations:
            if operator in (b"BDC", b"BMC"):
                depth += 1
            elif operator == b"EMC":
                depth -= 1
            elif operator in SHOWING and depth == 0:
                loose[operator] += 1
        assert depth == 0
        assert not loose, (page.page_number, loose)


def test_links_are_in_the_tree_and_say_where_they_lead(pdf):
    links = [one for kind, one in kinds(pdf) if kind == "/Link"]
    assert links
    notes = [
        note.get_object()
        for page in pdf.pages
        for note in page.get("/Annots", [])
        if note.get_object()["/Subtype"] == "/Link"
    ]
    assert [note for note in notes if "/StructParent" not in note] == []
    assert [note for note in notes if not str(note.get("/Contents", ""))] == []
    assert all(page.get("/Tabs") == "/S" for page in pdf.pages if "/Annots" in page)


def test_every_font_is_in_the_file(pdf):
    for page in pdf.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            font = font.get_object()
            below = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            described = below["/FontDescriptor"]
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(described), font["/BaseFont"]
            assert "/ToUnicode" in font, font["/BaseFont"]
