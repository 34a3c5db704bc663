"""Charts: points are drawn, zoom asks the server anew, and the same figures stand in a table."""

import re
import time
from datetime import datetime
from itertools import pairwise

import pytest
from playwright.sync_api import expect

from .conftest import wait_until

OUTLET = "#series .scatterlayer path.js-line"


def spans_asked(page):
    """Spans and points of the requests for series, as they were asked."""
    asked = []

    def note(request):
        found = re.search(r"/series\?from=(\d+)&to=(\d+)&points=(\d+)", request.url)
        if found:
            asked.append(tuple(int(part) for part in found.groups()))

    page.on("request", note)
    return asked


@pytest.fixture
def station(sign_in):
    page = sign_in()
    asked = spans_asked(page)
    page.goto("/stations/quarry_hill")
    expect(page.locator("#series")).to_have_attribute("data-drawn", re.compile(r"^\d{3,}$"))
    return page, asked


def points_of_longest_line(page):
    lengths = page.eval_on_selector_all(
        OUTLET, "paths => paths.map(p => (p.getAttribute('d').match(/[MLHVC]/g) || []).length)"
    )
    return max(lengths)


def test_outlet_inlet_flow_and_band_are_drawn_with_their_points(station):
    page, _ = station
    assert points_of_longest_line(page) > 300
    assert page.locator("#series .scatterlayer .trace").count() >= 5  # band, expected, outlet, inlet, flow
    titles = page.locator("#series .ytitle, #series .y2title, #series .y3title").all_text_contents()
    assert [title.split(",")[0] for title in titles] == ["Outlet", "Inlet", "Flow"]


def test_the_alert_is_marked_over_the_readings(station):
    page, _ = station
    page.click("button[data-span='0']")
    expect(
        page.locator("#series .infolayer .annotation-text", has_text="Does not open enough")
    ).to_be_visible()


def test_a_shorter_span_is_asked_of_the_server_and_shows_more(station):
    page, asked = station
    page.click("button:has-text('6 hours')")
    expect(page.locator("#series figcaption")).to_contain_text("one for each 1 min")
    from_s, to_s, _points = asked[-1]
    assert to_s - from_s == pytest.approx(6 * 3600, abs=2)  # whole seconds, and the clock goes on meanwhile
    expect(page.locator("button:has-text('6 hours')")).to_have_attribute("aria-pressed", "true")


def test_from_years_to_minutes_every_answer_is_small_and_quick(station):
    page, asked = station
    slowest = 0.0
    for name in ("Year", "All", "Month", "Week", "Day", "6 hours"):
        started = time.monotonic()
        with page.expect_response(re.compile("/series")) as answer:
            page.click(f".range button:has-text('{name}')")
        body = answer.value.json()
        assert len(body["times_s"]) <= asked[-1][2] <= 1600
        wait_until(page, "!document.querySelector('#series').classList.contains('busy')")
        slowest = max(slowest, time.monotonic() - started)
    assert (
        slowest < 3.0
    )  # guard: common practice is that people wait a second; the machine of the tests is busy


def test_dragging_over_a_stretch_zooms_into_it(station):
    page, asked = station
    before = asked[-1]
    box = page.locator("#series .nsewdrag").first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, middle, steps=6)
    with page.expect_request(re.compile("/series")):
        page.mouse.up()
    wide = before[1] - before[0]
    assert abs((asked[-1][1] - asked[-1][0]) - 0.2 * wide) < 0.02 * wide
    assert (
        abs(asked[-1][0] - (before[0] + 0.4 * wide)) < 0.02 * wide
    )  # also proves the clock is put back right


def test_the_table_tells_what_the_chart_draws(station):
    page, _ = station
    page.click("button:has-text('6 hours')")
    expect(page.locator("#series figcaption")).to_contain_text("each 1 min")
    page.locator("summary", has_text="The same as a table").first.click()
    rows = page.locator("#series-table tbody tr")
    assert 20 <= rows.count() <= 48
    cells = rows.first.locator("td, th").all_text_contents()
    assert re.match(r"\w{3} \d\d \w{3} \d{4} \d\d:\d\d$", cells[0]), cells
    assert all(re.fullmatch(r"-?\d+\.\d+", cell) for cell in cells[1:]), cells
    # the chart's own first outlet, from what the server gave
    drawn = page.evaluate(
        "document.querySelector('#series .chart-box').data.find(t => t.name === 'outlet').y[0]"
    )
    assert abs(float(cells[1]) - drawn) < 0.001


def test_a_chart_follows_light_and_dark(station):
    page, _ = station
    colour = f"[...document.querySelectorAll('{OUTLET}')].at(-1).style.stroke"  # the flow, drawn last
    light = page.evaluate(colour)
    page.select_option("#look", "dark")
    wait_until(page, f"{colour} !== '{light}'")


def test_figures_say_why_they_are_not_drawn(sign_in):
    page = sign_in(path="/stations/quarry_hill")
    nights = page.locator("[data-kind=nights]")
    expect(nights.locator("figcaption")).to_have_text(re.compile("flow never stopped"))
    expect(page.locator("[data-kind=droop]")).to_have_attribute("data-drawn", "3")
    expect(page.locator("[data-kind=swing] figcaption")).to_contain_text("strongest swing")


def test_a_chart_that_cannot_be_had_says_so_and_the_page_goes_on(desk, sign_in):
    page = sign_in()
    page.route("**/series?*", lambda route: route.fulfill(status=503, json={"detail": "the archive is away"}))
    page.goto("/stations/quarry_hill")
    expect(page.locator("#series figcaption")).to_contain_text("the archive is away")
    expect(page.locator("#learned")).to_contain_text("Set pressure")


def test_the_hour_that_comes_twice_in_autumn_is_drawn_twice_and_not_over_itself(station):
    """By hand: Chicago's clocks go from 02:00 CDT back to 01:00 CST on 2 November 2025, 07:00 UTC."""
    page, asked = station
    n = len(asked)
    page.click("[data-for=series] button[data-span='86400']")
    wait_until_asked(page, asked, n)
    for _ in range(12):
        if asked[-1][0] < 1_762_066_800 - 6 * 3600 and asked[-1][1] > 1_762_066_800 + 6 * 3600:
            break
        n = len(asked)
        page.click("[data-for=series] button[data-move='1']")
        wait_until_asked(page, asked, n)
    expect(page.locator("#series figcaption")).to_contain_text(
        "The clock goes back in this span; the axis stays on CDT, so that the hour that comes twice"
    )
    times = page.evaluate(
        "document.querySelector('#series .chart-box').data.find((t) => t.name === 'outlet').x"
    )
    assert len(times) > 100
    assert all(before < after for before, after in pairwise(times)), "time only goes on"
    steps = {
        (datetime.fromisoformat(b) - datetime.fromisoformat(a)).total_seconds() for a, b in pairwise(times)
    }
    assert len(steps) == 1, "no hour is missing and none is squeezed"
    rows = page.locator("#series-table tbody th")  # written after the chart is drawn
    for zone in ("CDT", "CST"):
        twice = rows.filter(has_text=re.compile(rf"Sun 02 Nov 2025 01:\d\d {zone}"))
        expect(twice).not_to_have_count(0)


def wait_until_asked(page, asked, n):
    end = time.monotonic() + 20
    while len(asked) <= n:
        assert time.monotonic() < end
        page.wait_for_timeout(50)
    page.wait_for_timeout(300)
