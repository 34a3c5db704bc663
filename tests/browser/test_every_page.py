"""Every page, light and dark, wide and narrow: WCAG 2.2 AA by axe-core, nothing wider than the window."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from .conftest import wait_until

PAGES = {
    "alerts": "/",
    "alerts-over": "/?state=over",
    "alert": "/alerts/{quarry_hill}",
    "sheet": "/alerts/{quarry_hill}/sheet",
    "stations": "/stations",
    "stations-by-zone": "/stations?sort=zone",
    "station": "/stations/quarry_hill",
    "station-without-meter": "/stations/chapel_green",
    "station-without-readings": "/stations/reach_0007",
    "held": "/held",
    "load": "/load?days=30",
    "feeds": "/feeds",
    "reports": "/reports",
    "me": "/me",
    "password": "/me/password",
    "second-factor": "/me/second-factor",
    "help": "/help",
    "patterns": "/patterns",
    "not-found": "/nothing-here",
}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
# Thousands of dots and lines without text, inside an image that has a name: axe would look at each.
WITHOUT_DOTS = {"exclude": [[".scatterlayer"]]}
CHARTED = ("alert", "station", "station-without-meter")


def settle(page, name):
    """Wait until the charts of a page are drawn."""
    if name in CHARTED:
        wait_until(page, "Number(document.querySelector('#series')?.dataset.drawn) > 100")
        wait_until(
            page,
            "[...document.querySelectorAll('[data-chart=figure]')].every(f => f.dataset.drawn !== undefined)",
        )


def complaints(page):
    found = Axe().run(page, context=WITHOUT_DOTS, options=RULES).response["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found]


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize(("look", "width"), [("light", 1280), ("dark", 360)])
def test_a_page_keeps_the_rules_and_fits_the_window(desk, sign_in, shoot, name, look, width):
    page = sign_in("egon", width=width, height=800, look=look, path=PAGES[name].format(**desk.alerts))
    settle(page, name)
    assert complaints(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    shoot(page, f"{name}-{look}-{width}")


def test_the_head_of_the_page_takes_one_line(sign_in):
    page = sign_in("egon", width=1280)
    page.goto("/load")  # with the widest of the names of pages in bold
    height = "document.querySelector('header.top').offsetHeight"
    one_line = page.evaluate(height)
    longest = "Readings up to Wed 29 Oct 2025 23:59 ACDT"  # of another year
    page.evaluate("words => document.getElementById('live').textContent = words", longest)
    assert page.evaluate(height) == one_line < 60
    page.evaluate("document.querySelector('.top .who').textContent = 'someone.with.a.long.name@works'")
    assert page.evaluate(height) == one_line


@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_sign_in_form_keeps_the_rules(desk, browser, shoot, look):
    context = browser.new_context(base_url=desk.url, color_scheme=look)
    page = context.new_page()
    page.goto("/stations")
    assert page.url.endswith("/login?next=%2Fstations")
    assert complaints(page) == []
    shoot(page, f"login-{look}")
    context.close()


def test_the_wall_shows_few_large_words(desk, sign_in, shoot):
    page = sign_in(width=1920, height=1080, path="/?wall=1")
    assert complaints(page) == []
    sizes = page.evaluate(
        """[...document.querySelectorAll('.call, .alert .where, .alert .said')]
           .map(e => parseFloat(getComputedStyle(e).fontSize))"""
    )
    # ISO 9241-303 asks for characters of 16' of arc at least, 20' to 22' preferred (from memory): at 3 m that
    # is 14 mm at least. On a screen 1920 px and 1.2 m wide 14 mm are 22 px of height, so about 31 px of size.
    assert min(sizes) >= 31
    assert page.locator("nav, .filters").first.is_hidden()
    shoot(page, "wall-light", whole=False)


def test_the_wall_takes_in_what_changes_by_itself(desk, sign_in):
    page = sign_in(width=1920, height=1080, path="/?wall=1")
    shown = page.locator(".alert", has_text="Cannery Road")
    expect(shown).to_have_count(1)
    alert = desk.alerts["cannery_road"]
    desk.room.desk.shelve(alert, "olga", "Crew is on its way", int(desk.room.clock()) + 3600)
    expect(shown).to_have_count(0)
    desk.room.desk.unshelve(alert, "olga")
    expect(shown).to_have_count(1)


def test_light_or_dark_can_be_chosen_and_stays(sign_in):
    page = sign_in(look="light")
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    light = page.evaluate(ground)
    page.select_option("#look", "dark")
    dark = page.evaluate(ground)
    assert dark != light
    page.goto("/stations")
    assert page.evaluate(ground) == dark


def test_colour_is_kept_for_what_is_wrong(sign_in):
    page = sign_in()
    page.goto("/stations?q=reach_00")  # nothing is wrong there: grey in grey
    coloured = page.evaluate(
        """[...document.querySelectorAll('main *')].flatMap(e => { const s = getComputedStyle(e);
             return [s.color, s.backgroundColor, s.fill, s.stroke]; })
           .map(c => (c.match(/[\\d.]+/g) || []).map(Number))
           .filter(c => c.length >= 3 && (c[3] ?? 1) > 0).map(c => c.slice(0, 3))
           .filter(c => Math.max(...c) - Math.min(...c) > 24).length"""
    )
    assert coloured == 0


def test_times_name_their_zone_and_numbers_their_unit(desk, sign_in):
    page = sign_in()
    for text in page.locator(".alert .when time").all_text_contents():
        assert re.search(r"\d\d:\d\d (?:[A-Z]{3,4}|UTC[+-]?\d*)$", text), text
    page.goto(f"/alerts/{desk.alerts['quarry_hill']}")
    assert re.search(r"\d\.\d\d bar low", page.locator(".facts").text_content())
