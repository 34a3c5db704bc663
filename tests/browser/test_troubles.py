"""What the pages say when the service itself is in trouble, and when its news stop."""

from dataclasses import replace

import pytest
from playwright.sync_api import expect

from .plant import password


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
        told = page.locator("#troubles")
        expect(told).to_contain_text("The database cannot be reached. It has been locked for 40 s.")
        expect(told).to_contain_text("Readings are still taken in")
    page.goto("/feeds")
    expect(page.locator("h1")).to_have_text("Readings are in trouble")
    shoot(page, "feeds-database-gone", whole=False)


def test_an_open_page_hears_of_the_trouble_and_of_its_end_without_being_loaded_anew(
    desk, sign_in, monkeypatch
):
    page = sign_in()
    told = page.locator("#troubles")
    with monkeypatch.context() as patch:
        status = desk.room.runner.status
        patch.setattr(type(desk.room.runner), "status", lambda _: replace(status(), database_ok=False))
        expect(told).to_contain_text("The database cannot be reached.", timeout=10_000)
    expect(told).not_to_contain_text("The database cannot be reached.", timeout=10_000)


@pytest.mark.parametrize("path", ["/", "/stations", "/stations/larch_street", "/feeds", "/help", "/?wall=1"])
def test_a_service_that_is_gone_is_said_on_every_page_with_the_time_of_its_last_word(sign_in, path):
    page = sign_in(path=path)
    told = page.locator("#troubles")
    page.route("**/now*", lambda route: route.abort())
    expect(told).to_contain_text("The service does not answer.", timeout=20_000)
    expect(told).to_contain_text("Last word at")
    assert "service-gone" in page.evaluate("document.body.className")
    page.unroute("**/now*")
    expect(told).not_to_contain_text("The service does not answer.", timeout=10_000)


def test_a_session_that_is_over_is_said_and_signing_in_leads_back_with_the_note(flood, sign_in):
    """The note was typed before the session ended, and is sent after it: it must not be lost."""
    (alert_id,) = flood(300, 1)
    page = sign_in(path=f"/alerts/{alert_id}")
    page.context.clear_cookies()
    expect(page.locator("#troubles")).to_contain_text("Your session is over.", timeout=10_000)
    page.fill("#ack-note", "Crew looks at the neighbour first")
    page.click("button:has-text('Acknowledge')")
    page.fill("#name", "olga")
    page.fill("#password", password("olga"))
    page.press("#password", "Enter")
    expect(page.locator("h1")).to_contain_text("reach_0300")
    expect(page.locator("#ack-note")).to_have_value("Crew looks at the neighbour first")


def test_no_readings_are_said_on_every_page_until_they_come_again(desk, sign_in, monkeypatch):
    """Every station has been silent for an hour; one reading of now ends that."""
    was = {name: at_s and at_s - 3600 for name, at_s in desk.room.runner.last_seen().items()}
    monkeypatch.setattr(type(desk.room.runner), "last_seen", lambda _: was)
    page = sign_in(path="/stations/chapel_green")
    told = page.locator("#troubles")
    expect(told).to_contain_text("No readings come in.")
    expect(page.locator(".facts .old").first).to_contain_text("old")
    expect(page.locator("h1")).not_to_contain_text("holds its set")
    expect(page.locator("h1")).to_contain_text("not heard now")
    now = {**was, "larch_street": int(desk.room.clock())}
    with monkeypatch.context() as patch:
        patch.setattr(type(desk.room.runner), "last_seen", lambda _: now)
        expect(told).not_to_contain_text("No readings come in.", timeout=10_000)
    expect(told).to_contain_text("No readings come in.", timeout=30_000)
