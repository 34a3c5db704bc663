"""What the browser loads comes from a fixed list, packed, kept, and never from elsewhere."""

import gzip
import re
from importlib.resources import files

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from steadyhead.web.charts import LIBRARY, library_bytes
from steadyhead.web.static_files import OUR_FILES, router, static_url

TEMPLATES = sorted(
    entry for entry in files("steadyhead.web").joinpath("templates").iterdir() if entry.name.endswith(".html")
)


@pytest.fixture(scope="module")
def client():
    app = FastAPI()
    app.include_router(router)
    with TestClient(app) as found:
        yield found


@pytest.mark.parametrize("name", [*OUR_FILES, LIBRARY])
def test_a_file_of_the_list_is_served_packed_and_may_be_kept(client, name):
    answer = client.get(static_url(name))
    assert answer.status_code == 200
    assert answer.headers["content-encoding"] == "gzip"
    assert "immutable" in answer.headers["cache-control"]
    assert client.get(static_url(name), headers={"If-None-Match": answer.headers["etag"]}).status_code == 304


def test_a_browser_that_cannot_unpack_gets_it_plain(client):
    answer = client.get(static_url("page.js"), headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in answer.headers
    assert b"visibilitychange" in answer.content


@pytest.mark.parametrize("name", ["..%2fpages.py", "pages.py", "style.css.bak"])
def test_nothing_else_can_be_asked_for(client, name):
    assert client.get(f"/static/{name}").status_code == 404


def test_the_library_comes_whole_from_its_package():
    assert gzip.decompress(gzip.compress(library_bytes())).startswith(b"/**\n* plotly.js v")


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda entry: entry.name)
def test_no_page_holds_inline_script_or_style_or_loads_from_elsewhere(template):
    text = template.read_text(encoding="utf-8")
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=\"", text)
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)
