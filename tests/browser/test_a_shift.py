"""What an operator does in a shift, from the first look to the proved repair."""

import re
import time
from dataclasses import replace

import numpy as np
from playwright.sync_api import expect

from steadyhead import service
from steadyhead.store.profiles import load_profile

from .plant import PUSH_FROM_S, PUSHED

NIGHT_S = 1_761_498_000  # 2025-10-26 17:00 UTC: past midnight at the station, on its first night of creep
AFTER_S = NIGHT_S + 12 * 3600
FAULT_S, REPAIRED_S = 1_761_609_600, 1_761_868_800  # 2025-10-28 and 2025-10-31, both 00:00 UTC


def test_a_new_operator_sees_at_once_which_station_needs_a_person(sign_in, shoot):
    page = sign_in()
    expect(page.locator("h1")).to_have_text(re.compile(r"^\d+ stations need a person$"))
    first = page.locator(".alert").first
    expect(first).to_contain_text("Quarry Hill")
    expect(first).to_contain_text("outlet sags")
    expect(first).to_contain_text("High")
    expect(first).to_contain_text("sure")
    assert first.bounding_box()["y"] < 400  # in sight without scrolling
    shoot(page, "alerts-light")


def test_an_alert_appears_from_pushed_readings_without_moving_what_is_read(desk, sign_in, shoot):
    page = sign_in()
    desk.push(PUSH_FROM_S, NIGHT_S - 6 * 3600)
    desk.wait_judged(NIGHT_S - 7 * 3600)
    assert page.locator("#news").is_hidden()
    link = page.locator(".alert a").nth(1)
    link.focus()
    before = page.locator(".alert").nth(1).bounding_box()
    n_before = page.locator(".alert").count()
    desk.push(NIGHT_S - 6 * 3600, AFTER_S)
    expect(page.locator("#news-text")).to_have_text(re.compile(r"^1 new alert: 1 (high|medium|low)$"))
    expect(page.locator("#news-list")).to_contain_text(
        re.compile(r"(High|Medium|Low): Gorge Road, creep when closed, raised .* ago")
    )
    expect(page.locator("#spoken")).to_contain_text("New alert. Gorge Road: outlet climbs")
    assert page.evaluate("document.activeElement === document.querySelectorAll('.alert a')[1]")
    assert page.locator(".alert").count() == n_before
    after = page.locator(".alert").nth(1).bounding_box()
    assert after == before
    shoot(page, "alerts-one-new", whole=False)
    page.click("#news-show")
    expect(page.locator(".alert", has_text="Gorge Road")).to_have_count(1)
    expect(page.locator("#news")).to_be_hidden()
    expect(page.locator("h1")).to_be_focused()


def test_two_clicks_lead_from_the_list_to_plot_evidence_and_checks(desk, sign_in, shoot):
    page = sign_in("egon")
    page.click(".alert:has-text('Quarry Hill') a")
    expect(page.locator("#series")).to_have_attribute("data-drawn", re.compile(r"^[1-9]\d\d+$"))
    expect(page.locator(".evidence").first).to_contain_text("below")
    expect(page.locator(".checks li").first).to_contain_text("Look at the inlet")
    expect(page.locator(".cautions").first).to_contain_text("licensed")
    expect(page.locator(".likely li").first).to_be_visible()
    expect(page.locator("[data-kind=droop]")).to_have_attribute("data-drawn", re.compile(r"[1-9]"))
    shoot(page, "alert-light")


def test_acknowledging_with_a_note_keeps_it_in_the_list_with_the_name(desk, sign_in):
    page = sign_in(path=f"/alerts/{desk.alerts['harbour_west']}")
    page.fill("#ack-note", "Anna was there on Sunday, asking her")
    page.click("button:has-text('Acknowledge')")
    expect(page.locator(".notice[role=status]")).to_have_text("Acknowledged.")
    expect(page.locator(".story")).to_contain_text(
        "olga acknowledged it: Anna was there on Sunday, asking her"
    )
    page.goto("/")
    known = page.locator("section", has=page.locator("#g-known"))
    expect(known.locator(".alert", has_text="Harbour West")).to_contain_text("Acknowledged by olga")


def test_shelving_needs_a_reason_and_says_until_when(desk, sign_in, shoot):
    page = sign_in(path=f"/alerts/{desk.alerts['cannery_road']}")
    page.click("summary:has-text('Shelve')")
    page.select_option("#shelve-until", label="4 hours from now")
    page.click("button:has-text('Shelve')")
    assert page.evaluate("document.querySelector('#shelve-why').validity.valueMissing")
    page.fill("#shelve-why", "Crew is on its way")
    page.click("button:has-text('Shelve')")
    expect(page.locator(".facts")).to_contain_text("Shelved")
    expect(page.locator(".facts")).to_contain_text(re.compile(r"until \d\d:\d\d C[SD]T: Crew is on its way"))
    shoot(page, "alert-shelved", whole=False)
    page.click("button:has-text('Take off the shelf now')")
    expect(page.locator(".facts")).to_contain_text("Not acknowledged")


def test_what_was_found_is_recorded_and_the_repair_is_judged_with_numbers(desk, sign_in, shoot):
    page = sign_in("egon", path=f"/alerts/{desk.alerts['quarry_hill']}")
    page.click("summary:has-text('Record what was found')")
    page.check("label.option:has-text('line valve at the station is part shut') input")
    page.fill("#found-text", "Downstream line valve eleven turns open of nineteen")
    page.fill("#found-done", "Opened fully")
    page.check("label.option:has-text('It is repaired') input")
    page.fill("#found-at", "2025-10-30T10:00")
    page.click("button:has-text('Record')")
    found = page.locator("#findings article").first
    expect(found).to_contain_text("line valve at the station is part shut")
    expect(found).to_contain_text("repaired Thu 30 Oct 10:00 CDT")
    found.locator("button:has-text('Prove the repair')").click()
    proof = page.locator("#findings .proof").first
    # the simulated fault goes on after that day, so the repair cannot have worked
    expect(proof).to_contain_text("Not yet")
    expect(proof).to_contain_text(re.compile(r"\d bar"))
    [kept] = desk.room.desk.findings("quarry_hill")
    assert kept.proofs[0].result == "not_yet"
    for sentence in kept.proofs[0].sentences:
        expect(proof).to_contain_text(sentence)
    proof.scroll_into_view_if_needed()
    shoot(page, "alert-repair-not-yet", whole=False)


def test_a_repair_that_holds_is_told_as_one_with_numbers(desk, sign_in, shoot):
    """Three days the outlet of Chapel Green stood 30 kPa low; since the repair it reads as it always has."""
    alert_id = fault_that_was_repaired(desk, "chapel_green")
    page = sign_in("egon", path=f"/alerts/{alert_id}")
    page.click("summary:has-text('Record what was found')")
    page.check("input[name=cause] >> nth=0")
    page.fill("#found-done", "Pilot set back to its number and sealed")
    page.check("label.option:has-text('It is repaired') input")
    page.fill("#found-at", "2025-10-31T00:00")
    page.click("button:has-text('Record')")
    found = page.locator("#findings article").first
    expect(found).to_contain_text("repaired Fri 31 Oct 00:00 GMT")
    found.locator("button:has-text('Prove the repair')").click()
    proof = page.locator("#findings .proof").first
    expect(proof).to_contain_text("The repair holds")
    expect(proof).to_contain_text(re.compile(r"before and \d+ % of the hours after"))
    [kept] = desk.room.desk.findings("chapel_green")
    assert kept.proofs[0].result == "pass"
    figures = kept.proofs[0].numbers["figures"]
    assert abs(figures["departure_kpa"]["before"]) > 25  # by hand: 30 kPa were taken off
    assert abs(figures["departure_kpa"]["after"]) < 5
    assert figures["held_share"]["before"] < 0.2 < 0.95 <= figures["held_share"]["after"]
    told = page.locator(".story")
    expect(told).to_contain_text("egon compared before and after the repair: The repair holds")
    expect(told).not_to_contain_text("not yet", ignore_case=True)
    proof.scroll_into_view_if_needed()
    shoot(page, "alert-repair-holds", whole=False)


def fault_that_was_repaired(desk, name):
    """Three days of a lower outlet in the archive, and the alert that the engine makes of them; its id."""
    log = desk.logs[name]
    inside = (log.times_s >= FAULT_S) & (log.times_s < REPAIRED_S)
    faulty = replace(log, outlet_kpa=np.where(inside, log.outlet_kpa - 30.0, log.outlet_kpa))
    desk.room.archive.append(faulty.between(FAULT_S, REPAIRED_S))
    desk.room.archive.flush()
    profile = load_profile(desk.room.profiles, name, log.step_s)
    found = [
        verdict
        for verdict in service.scan_station(faulty, profile, desk.room.registry.settings.units)
        if FAULT_S <= verdict.raised_s < REPAIRED_S
    ]
    assert [verdict.condition for verdict in found] == ["set_changed"]
    alert = desk.room.desk.raised(found[0])
    assert alert is not None
    return alert.alert_id


def test_the_feeds_page_counts_what_was_pushed_and_names_what_was_refused(desk, sign_in, shoot):
    desk.push(AFTER_S, AFTER_S + 600)
    wrong = [{"station": "gorge_rode", "time": AFTER_S, "values": {"outlet": 440.0}}]
    assert desk.send(wrong).json()["refused"]
    page = sign_in()
    feed = page.locator("section:has(#h-feeds) tbody tr", has_text="logger")
    refused = page.locator("section:has(#h-refused) tbody tr", has_text="no such station")
    end = time.monotonic() + 15
    while time.monotonic() < end and not (feed.count() and refused.count()):
        page.goto("/feeds")
    expect(feed).to_contain_text("readings come in")
    expect(refused).to_contain_text("gorge_rode")
    expect(page.locator(".facts")).to_contain_text("answers")
    expect(page.locator("section:has(#h-silent)")).to_contain_text("have never sent anything")
    shoot(page, "feeds-light")


def test_out_of_service_quiets_the_station_until_it_is_returned(desk, sign_in):
    page = sign_in(path="/stations/larch_street")
    page.click("summary:has-text('Take out of service')")
    page.fill("#out-why", "Transmitter is being changed")
    page.click("button:has-text('Take out of service')")
    expect(page.locator("#main")).to_contain_text("Out of service since")
    page.goto("/stations?q=larch")
    expect(page.locator(".fleet tbody")).to_contain_text("out of service")
    page.goto("/stations/larch_street")
    page.click("button:has-text('Return to service')")
    expect(page.locator("#main")).to_contain_text("In service: its alerts call people.")


def test_the_pushed_station_shows_its_closed_nights(desk, sign_in, shoot):
    page = sign_in(path=f"/stations/{PUSHED}")
    page.click("button:has-text('Month')")  # its readings stop a week before now
    expect(page.locator("[data-kind=nights]")).to_have_attribute("data-drawn", re.compile(r"[1-9]"))
    shoot(page, "station-light")


def test_learning_again_keeps_the_old_profile_and_says_what_differs(desk, sign_in):
    page = sign_in("egon", path="/stations/chapel_green")
    old = desk.room.runner.stations(["chapel_green"])["chapel_green"].profile_version
    page.click("summary:has-text('Learn again')")
    page.fill("#learn-from", "2025-10-06T00:00")
    page.fill("#learn-to", "2025-10-27T00:00")
    page.click("button:has-text('Learn from these days')")
    expect(page.locator(".notice[role=status]")).to_contain_text("The new profile is in use")
    page.click("summary:has-text('Profiles before this one (1)')")
    kept = page.locator("#learned details", has_text=f"Profile {old}")
    expect(kept.locator("tr", has_text="Learned from")).to_contain_text("29 Sep 2025")
    expect(kept.locator("tr", has_text="Learned from")).to_contain_text("06 Oct 2025")


def test_a_span_too_short_to_learn_from_is_refused_in_words(sign_in):
    page = sign_in("egon", path="/stations/larch_street")
    page.click("summary:has-text('Learn again')")
    page.fill("#learn-from", "2025-10-26T00:00")
    page.fill("#learn-to", "2025-10-27T00:00")
    page.click("button:has-text('Learn from these days')")
    expect(page.locator("h1")).to_have_text("Too little to learn from")
    expect(page.locator("main")).to_contain_text("What to do:")
