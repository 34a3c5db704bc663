"""An engineer asks for the report of last week on the page, sees how far it is, and reads it."""

from types import SimpleNamespace

import pytest
from playwright.sync_api import expect

from .conftest import wait_until
from .plant import PUSHED, SHOWN

MADE_WITHIN_MS = 240_000  # it has the lowest priority, and the machine may be busy with others


@pytest.fixture(autouse=True)
def few_stations(desk, monkeypatch):
    """The stations that have readings: a page of a thousand rows shows nothing more, and takes longer."""
    room = desk.room
    stations = {name: room.registry.stations[name] for name in (*SHOWN, PUSHED)}
    few = SimpleNamespace(
        settings=room.settings,
        registry=room.registry.model_copy(update={"stations": stations}),
        archive=room.archive,
        database=room.database,
    )
    monkeypatch.setattr(room.reporter, "_room", few)


def test_an_engineer_asks_for_a_report_watches_it_and_reads_it(desk, sign_in, shoot):
    page = sign_in("egon")
    page.click("nav >> text=Reports")
    expect(page.locator("#report-list")).to_contain_text("There is no report yet.")
    expect(page.locator("#f-week")).to_have_value("2025-W44")  # the clock says Monday of week 45
    page.click("text=Make the report")
    expect(page.locator("h1")).to_have_text("The week is not complete")  # on the clock of most of these
    page.goto("/reports")
    page.check("text=Even if the week is not complete")
    page.click("text=Make the report")
    expect(page.locator("[role=status]", has_text="Asked for.")).to_be_visible()
    row = page.locator("#report-list tbody tr", has_text="2025-W44")
    expect(row).to_contain_text("egon")
    expect(row.locator("[data-name=State]")).to_contain_text(r"being made")
    shoot(page, "reports-being-made")
    expect(row.locator("[data-name=State]")).to_have_text("ready not complete", timeout=MADE_WITHIN_MS)
    assert page.locator("#report-list").get_attribute("data-watch") is None  # nothing is asked any more
    shoot(page, "reports-ready")
    with page.expect_download() as saved:
        row.locator("a", has_text="CSV").click()
    assert saved.value.suggested_filename == "steadyhead-2025-W44.csv"
    row.locator("a", has_text="HTML").click()
    expect(page.locator("h1")).to_have_text("Valve stations, week 2025-W44")
    wait_until(page, "getComputedStyle(document.querySelector('.work')).tableLayout === 'fixed'")
    wait_until(page, "[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    page.click(".work a[href^='#s-']")
    assert page.evaluate("location.hash").startswith("#s-")
    shoot(page, "report-served")


def test_who_may_not_ask_is_told_who_may(sign_in):
    page = sign_in("olga", path="/reports")
    expect(page.locator("main")).to_contain_text("An engineer or an administrator can ask for a report.")
    assert page.locator("text=Make the report").count() == 0


def test_what_cannot_be_made_is_said_on_a_page(sign_in):
    page = sign_in("egon", path="/reports")
    page.select_option("#f-week", "2025-W23")
    page.click("text=Make the report")
    expect(page.locator("h1")).to_have_text("No readings in that week")
    expect(page.locator("main")).to_contain_text("2025-W23: no station has a reading in that week")
