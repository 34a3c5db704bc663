"""What the pages say when the service itself is in trouble, and when its news stop."""

from dataclasses import replace

import pytest
from playwright.sync_api import expect

from .conftest import wait_until


@pytest.fixture
def lost_database(desk, monkeypatch):
    status = desk.room.runner.status
    monkeypatch.setattr(
        type(desk.room.runner),
        "status",
        lambda _: replace(status(), database_ok=False, database_words="It has been locked for 40 s."),
    )


def test_every_page_says_at_its_top_that_the_database_is_gone(desk, sign_in, shoot, lost_database):
    page = sign_in()
    for path in ("/", "/stations", "/feeds", "/help"):
        page.goto(path)
        told = page.locator("[role=alert]")
        expect(told).to_contain_text("The database cannot be reached. It has been locked for 40 s.")
        expect(told).to_contain_text("Readings are still taken in")
    page.goto("/feeds")
    expect(page.locator("h1")).to_have_text("Readings are in trouble")
    shoot(page, "feeds-database-gone", whole=False)


def test_an_open_page_hears_of_the_trouble_without_being_loaded_anew(desk, sign_in, monkeypatch):
    page = sign_in()
    page.clock.install()
    page.goto("/")
    status = desk.room.runner.status
    monkeypatch.setattr(type(desk.room.runner), "status", lambda _: replace(status(), database_ok=False))
    page.clock.run_for(61_000)
    expect(page.locator("#news-text")).to_have_text("The database cannot be reached.")


def test_lost_news_are_said_where_the_freshness_stands(desk, sign_in):
    page = sign_in()
    page.route("**/api/v1/events*", lambda route: route.abort())
    page.clock.install()
    page.goto("/")
    wait_until(page, "document.body.dataset.live === 'off'")  # only then is there a timer to let run
    page.clock.run_for(9_000)
    expect(page.locator("#live")).to_have_text("Live news stopped; trying again")
