"""The weekly report in the browser: WCAG 2.2 AA by axe-core, offline, nothing wider than the window."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from steadyhead.cli import main

from .plant import ROOT

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
STATION = "gorge_road"  # of the sample logs: no flow at night, and a seat that begins to leak


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    common = ["--registry", str(ROOT / "config" / "stations.yaml"), "--profiles", str(folder / "profiles")]
    for arguments in (
        ["learn", STATION, *common],
        ["report", STATION, *common, "--week", "2025-W44", "--no-pdf", "--out", str(folder)],
    ):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert not ended.value.code
    return folder / "report.html"


@pytest.mark.parametrize("width", [390, 1280])
def test_the_report_is_read_by_all_and_needs_no_network(
    browser: Browser, page_file: Path, shoot: Callable[..., Path], width: int
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900}, offline=True)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_file.as_uri())
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    found = Axe().run(page, options=RULES)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    shown = page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    assert shown
    shoot(page, f"report-{width}")
    context.close()


def test_every_station_that_is_named_leads_to_its_page(browser: Browser, page_file: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.click(f".work a[href='#s-{STATION}']")
    expect(page.locator(f"#s-{STATION}")).to_be_visible()
    assert page.locator(f"#s-{STATION} figure img").count() >= 5
    context.close()
