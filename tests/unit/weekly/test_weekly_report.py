"""The whole report of hand-made fleets: what a person reads, and that hard weeks do not break it."""

import csv
import io
import json
import re
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from markupsafe import escape
from pypdf import PdfReader
from weekly_hands import (
    INLET_KPA,
    SET_KPA,
    WEEK,
    HandSource,
    line_of,
    one_week,
    profile,
    rows_of,
    station,
    verdict,
)

from steadyhead.errors import OutputError, ReportError
from steadyhead.units import UNIT_SYSTEMS
from steadyhead.weekly import write
from steadyhead.weekly.definitions import DEFINITIONS
from steadyhead.weekly.first_page import MOST_JOBS, MOST_LINES
from steadyhead.weekly.material import Material
from steadyhead.weekly.model import Outage, Repair
from steadyhead.weekly.render import to_html, to_pdf
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.view import context
from steadyhead.weekly.week import Week
from steadyhead.weekly.words import Words
from steadyhead.weekly.write import make_report

QUICK = ReportSettings(has_pdf=False)
STEP = 300
N5 = 5 * 2016  # rows of five weeks


def day_flow(n: int = N5) -> np.ndarray:
    return 6.0 - 4.0 * np.cos(np.arange(n) * STEP / 86400 * 2 * np.pi)


def sound(
    name: str = "elm", seed: int = 1, *, outlet=None, time_zone: str = "UTC", week: Week = WEEK, **more
) -> Material:
    """A sound station over five weeks at 5 min."""
    n = rows_of(week, time_zone, STEP, 5)[1]
    noise = np.random.default_rng(seed).normal(0.0, 1.0, n)
    outlet = SET_KPA + noise if outlet is None else outlet
    where = station(name, time_zone, STEP)
    readings = one_week(
        outlet, flow=day_flow(n), step_s=STEP, weeks=5, name=name, time_zone=time_zone, week=week
    )
    known = profile(name, time_zone, STEP)
    return Material(**{"station": where, "readings": readings, "profile": known, **more})


def report(tmp_path, *materials, week: Week = WEEK, settings=QUICK, units="kpa_lps", **more):
    source = HandSource(list(materials), units)
    written = make_report(source, week, tmp_path / "out", settings, made_s=0, **more)
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    return written.fleet, html, json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))


class Seen(HTMLParser):
    """Pictures, header cells, tables and sections of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def of(self, tag: str) -> list[dict]:
        return [attrs for name, attrs in self.tags if name == tag]


def test_every_figure_has_its_definition_with_formula_unit_and_limits(tmp_path):
    fleet, html, document = report(tmp_path, sound())
    met = {row["figure"] for row in document["figures"] if row["station"]} - {"trend", "leaves_band"}
    assert met == set(DEFINITIONS)
    assert [figure.key for figure in fleet.stations[0].figures] == list(DEFINITIONS)
    for defined in DEFINITIONS.values():
        assert len(defined.formula) > 30, defined.key
        assert len(defined.validity) > 10, defined.key
        assert defined.source, defined.key
        assert escape(defined.name) in html
        assert defined.unit, defined.key
    terms = {term["name"] for term in document["terms"]}
    assert {"Trend", "Forecast", "Alarm load", "Learned band", "Week"} <= terms


def test_a_quiet_fleet_needs_nothing_and_no_page(tmp_path):
    fleet, html, _ = report(tmp_path, sound("elm", 1), sound("oak", 2))
    assert (fleet.work, fleet.worse, fleet.pages) == ((), (), ())
    assert "Nothing stands out" in html


def test_a_named_station_gets_a_page_with_all_pictures(tmp_path):
    fleet, html, _ = report(tmp_path, sound(), pages_for=("elm",))
    assert fleet.pages == ("elm",)
    for title in ("The week", "Drift", "Droop", "Kv envelope", "Oscillation map"):
        assert f">{title}</h3>" in html


def test_a_standing_alert_leads_the_list_with_reason_benefit_and_effort(tmp_path):
    to_s = WEEK.bounds_s("UTC")[1]
    outlet = np.full(N5, SET_KPA)
    outlet[-600:] += 40.0
    where = station("oak", step_s=STEP)
    found = line_of(verdict("oak", "drift", to_s - 600 * STEP), where)
    fleet, html, _ = report(tmp_path, sound("elm"), sound("oak", outlet=outlet, alerts=(found,)))
    first = fleet.work[0]
    assert (first.station, first.order) == ("oak", 1)
    # source: Water Loss Control, power law with N1 = 1: 1 - 400/440 = 9.1 %
    assert "About 9.1 % less leakage" in first.benefit
    assert first.effort == "visit"
    assert "oak" in fleet.pages
    assert "First check" in html
    assert "local rules, licensed people" in html


def test_an_alert_counts_as_it_stood_at_the_end_of_the_week(tmp_path):
    to_s = WEEK.bounds_s("UTC")[1]
    later = line_of(verdict("elm", "drift", to_s - 7200, to_s + 7200), station(step_s=STEP))
    not_yet = line_of(verdict("elm", "creep", to_s + 3600), station(step_s=STEP))
    fleet, _, _ = report(tmp_path, sound(alerts=(later, not_yet)))
    assert [(line.alert.condition, line.stands) for line in fleet.stations[0].alerts] == [("drift", True)]


def test_what_got_worse_and_better_is_told_apart_from_what_weeks_do_by_themselves(tmp_path):
    noise = np.random.default_rng(3).normal(0, 1.0, N5)
    worse = SET_KPA + noise
    worse[-2016:] += np.random.default_rng(4).normal(0, 6.0, 2016)
    better = SET_KPA + np.random.default_rng(5).normal(0, 6.0, N5)
    better[-2016:] = SET_KPA + noise[-2016:]
    fleet, _, _ = report(tmp_path, sound("elm"), sound("oak", outlet=worse), sound("ash", outlet=better))
    assert {moved.station for moved in fleet.worse} == {"oak"}
    assert {moved.station for moved in fleet.better} == {"ash"}
    assert "scatter" in {moved.figure.key for moved in fleet.worse}


def test_a_slow_drift_is_foretold_and_planned_before_any_alert(tmp_path):
    rng = np.random.default_rng(6)
    outlet = SET_KPA + 0.25 * np.arange(N5) * STEP / 86400 + rng.normal(0, 1.0, N5)  # band 12, now at 8.75
    fleet, html, document = report(tmp_path, sound(outlet=outlet))
    ahead = fleet.stations[0].forecast
    assert ahead.days == pytest.approx((12.0 - 8.75) / 0.25, rel=0.1)  # by hand: 13 days
    assert ahead.earliest_days < ahead.days < ahead.latest_days
    assert "leaves its band" in fleet.work[0].reason
    row = next(r for r in document["figures"] if r["figure"] == "leaves_band")
    assert row["low"] < row["value"] < row["high"]
    assert "leaves its band at its upper edge" in html


def test_a_week_with_gaps_is_read_from_what_is_there(tmp_path):
    outlet = SET_KPA + np.random.default_rng(1).normal(0, 1.0, N5)
    outlet[-2016:-1200] = np.nan
    outlet[-900:-850] = np.nan
    fleet, _, _ = report(tmp_path, sound(outlet=outlet))
    figures = fleet.stations[0].by_key
    assert figures["completeness"].value == pytest.approx(1 - 866 / 2016)
    assert figures["completeness"].change == "worse"
    assert figures["departure_mean"].value == pytest.approx(0.8, abs=0.05)  # mean of |N(0, 1)| is 0.798


@pytest.mark.parametrize("text", ["2025-W13", "2025-W43", "2025-W44"])
@pytest.mark.parametrize("zone", ["Europe/Oslo", "America/Chicago"])
def test_weeks_of_a_clock_change_are_complete_and_whole(tmp_path, text, zone):
    fleet, html, _ = report(
        tmp_path, sound(time_zone=zone, week=Week.parse(text)), week=Week.parse(text), pages_for=("elm",)
    )
    figures = fleet.stations[0].by_key
    assert fleet.is_complete
    assert figures["completeness"].value == pytest.approx(1.0)
    assert figures["night_flow"].note == "from 7 nights"
    assert figures["sigma_hours"].why_not is None
    assert fleet.stations[0].trend.days == 35
    assert "This week is not complete" not in html


def test_a_station_without_a_meter_says_what_that_costs_and_makes_up_nothing(tmp_path):
    where = station(step_s=STEP, roles=("inlet", "outlet"))
    readings = one_week(SET_KPA + np.random.default_rng(1).normal(0, 1, N5), flow=None, step_s=STEP, weeks=5)
    bare = Material(where, readings, profile(step_s=STEP, has_flow=False))
    fleet, html, _ = report(tmp_path, bare, pages_for=("elm",))
    figures = fleet.stations[0].by_key
    assert figures["departure_mean"].value == pytest.approx(0.8, abs=0.05)
    for key in ("droop", "kv_reserve", "night_flow", "creep_way", "lock_up_rise"):
        assert (figures[key].value, "no flow is measured" in figures[key].why_not) == (None, True)
    assert "no flow is measured" in html
    assert ">Droop</h3>" not in html


def test_a_new_station_has_the_figures_that_need_no_profile_and_a_job_to_learn(tmp_path):
    fleet, html, _ = report(tmp_path, sound("elm"), sound("new", profile=None))
    figures = fleet.stations[1].by_key
    assert figures["departure_mean"].why_not == "nothing was learned of this station yet"
    assert figures["alerts_raised"].value is None
    assert figures["night_flow"].value == pytest.approx(2.9, abs=0.5)
    assert figures["completeness"].value == pytest.approx(1.0)
    assert [item.what for item in fleet.work] == ["Learn what is normal"]
    assert "nothing was learned of this station yet" in html


def test_a_station_out_of_service_is_no_work_and_is_said_to_be_out(tmp_path):
    to_s = WEEK.bounds_s("UTC")[1]
    alert = line_of(verdict("oak", "failure_to_close", to_s - 9000), station("oak", step_s=STEP))
    out = sound("oak", outage=Outage(to_s - 86400, None, "ada", "rebuilt"), alerts=(alert,))
    fleet, html, document = report(tmp_path, sound("elm"), out)
    assert fleet.work == ()
    assert "out of service since" in html
    assert "rebuilt" in html
    assert document["stations"][1]["out_of_service"] == "rebuilt"
    assert {figure.change for figure in fleet.stations[1].figures} == {"unknown"}


def test_a_silent_station_is_not_judged_and_the_others_are(tmp_path):
    fleet, _, _ = report(tmp_path, sound("elm"), sound("mute", readings=None))
    mute = fleet.stations[1]
    assert mute.why_not == "there are no readings of the outlet in the week"
    assert mute.by_key["completeness"].value == 0.0
    assert mute.by_key["departure_mean"].value is None
    assert [item.station for item in fleet.work] == ["mute"]


def test_work_is_listed_with_what_came_of_it(tmp_path):
    to_s = WEEK.bounds_s("UTC")[1]
    done = Repair("elm", "Hunts", to_s - 3 * 86400, "Air in the chamber. Bled it.", "pass", ("It holds.",))
    open_ = Repair("oak", "Creeps when closed", to_s - 2 * 86400, "Seat cleaned.", "unproved", ())
    fleet, html, _ = report(tmp_path, sound("elm", repairs=(done,)), sound("oak", repairs=(open_,)))
    assert "Air in the chamber. Bled it." in html
    assert "It holds." in html
    assert [item.what for item in fleet.work] == ["Prove the repair"]
    assert fleet.stations[0].trend.why_not == "3 days with a level, 10 are needed"


def test_an_incomplete_week_is_marked_and_measured_over_what_has_passed(tmp_path):
    material = sound()
    half = material.readings.rows(0, N5 - 1008)
    from dataclasses import replace

    fleet, html, document = report(tmp_path, replace(material, readings=half))
    assert not fleet.is_complete
    assert document["is_complete"] is False
    assert "This week is not complete" in html
    figure = fleet.stations[0].by_key["completeness"]
    assert figure.value == pytest.approx(1.0, abs=0.001)
    assert figure.change == "alike"


def test_a_week_without_data_is_refused_and_leaves_nothing(tmp_path):
    with pytest.raises(
        ReportError, match=r"2024-W01: no station has a reading in that week; readings go from"
    ):
        report(tmp_path, sound(), week=Week(2024, 1))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_refused_before_the_work(tmp_path):
    (tmp_path / "out").write_text("a file")
    source = HandSource([sound()])
    with pytest.raises(OutputError, match="cannot be written"):
        make_report(source, WEEK, tmp_path / "out", QUICK)
    assert source.extent.first_s is None


def test_a_disk_that_fills_leaves_the_old_report_whole(tmp_path, monkeypatch):
    report(tmp_path, sound())
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    real = write.write_atomically

    def full(path, content):
        if path.name == "report.json":
            raise OutputError(f"{path}: cannot be written (No space left on device)")
        real(path, content)

    monkeypatch.setattr(write, "write_atomically", full)
    with pytest.raises(OutputError):
        report(tmp_path, sound(seed=9))
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before


def test_the_same_inputs_give_the_same_bytes(tmp_path):
    settings = ReportSettings()
    kept = []
    for name in ("a", "b"):
        make_report(HandSource([sound()]), WEEK, tmp_path / name, settings, made_s=86400, pages_for=("elm",))
        kept.append({path.name: path.read_bytes() for path in sorted((tmp_path / name).iterdir())})
    assert kept[0] == kept[1]
    assert set(kept[0]) == {"report.html", "report.pdf", "figures.csv", "report.json"}


def test_the_time_stamp_is_that_of_the_environment(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    assert write.stamp_s() == 1_700_000_000
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "soon")
    with pytest.raises(OutputError, match="SOURCE_DATE_EPOCH"):
        write.stamp_s()


def test_the_page_stands_alone_and_can_be_read_without_eyes(tmp_path):
    _, html, _ = report(tmp_path, sound(), pages_for=("elm",))
    seen = Seen(html)
    assert seen.of("html")[0]["lang"] == "en"
    pictures = seen.of("img")
    assert len(pictures) >= 6
    assert all(p["src"].startswith("data:image/svg+xml;base64,") and len(p["alt"]) > 10 for p in pictures)
    assert all("scope" in cell for cell in seen.of("th"))
    assert not seen.of("script")
    assert not seen.of("link")
    assert "http://" not in html.replace("http://www.w3.org", "")
    assert "https://" not in html
    levels = [int(tag[1]) for tag, _ in seen.tags if tag in ("h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = [attrs["id"] for _, attrs in seen.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in seen.tags:
        if attrs.get("href", "").startswith("#"):
            assert attrs["href"][1:] in ids


def test_units_and_the_language_of_dates_are_those_configured(tmp_path):
    settings = ReportSettings(has_pdf=False, date_language="de")
    _, html, document = report(tmp_path, sound(), units="psi_gpm", settings=settings, pages_for=("elm",))
    assert "12.05.2025" in html
    assert 'lang="de"' in html  # source: CLDR, as babel has it
    units = {row["unit"] for row in document["figures"]}
    assert {"psi", "gpm"} <= units
    assert "kPa" not in units
    # source: 1 psi is 6.894757 kPa (NIST SP 811)
    row = next(r for r in document["figures"] if r["figure"] == "departure_mean")
    assert row["value"] == pytest.approx(0.798 / 6.894757, abs=0.011)


def test_csv_and_json_hold_the_same_figures(tmp_path):
    _, _, document = report(tmp_path, sound(), sound("new", profile=None))
    text = (tmp_path / "out" / "figures.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(document["figures"])
    for row, item in zip(rows, document["figures"], strict=True):
        assert row == {name: "" if value is None else str(value) for name, value in item.items()}


def test_names_and_notes_of_people_cannot_break_the_page(tmp_path):
    evil = Repair(
        "elm", "<b>x</b>", WEEK.bounds_s("UTC")[1] - 86400, "<script>alert(1)</script>", "unproved", ()
    )
    _, html, _ = report(tmp_path, sound(repairs=(evil,)))
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_the_inlet_of_the_profile_is_not_needed(tmp_path):
    where = station(step_s=STEP, roles=("outlet",))
    readings = one_week(SET_KPA + np.zeros(N5), inlet=None, flow=None, step_s=STEP, weeks=5)
    fleet, _, _ = report(
        tmp_path, Material(where, readings, profile(step_s=STEP, has_flow=False, has_inlet=False))
    )
    figures = fleet.stations[0].by_key
    assert figures["inlet_share"].why_not == figures["sigma_hours"].why_not == "no inlet is measured"
    assert figures["departure_mean"].value == pytest.approx(0.0)
    assert INLET_KPA > SET_KPA


def test_nothing_is_called_better_while_an_alert_stands(tmp_path):
    calm = SET_KPA + np.random.default_rng(5).normal(0, 6.0, N5)
    calm[-2016:] = SET_KPA + np.random.default_rng(6).normal(0, 1.0, 2016)
    to_s = WEEK.bounds_s("UTC")[1]
    alert = line_of(verdict("elm", "failure_to_open", to_s - 9000), station(step_s=STEP))
    assert report(tmp_path, sound(outlet=calm))[0].better != ()
    assert report(tmp_path, sound(outlet=calm, alerts=(alert,)))[0].better == ()


def test_a_week_in_which_the_record_began_is_not_counted_among_the_weeks_before(tmp_path):
    from dataclasses import replace

    material = sound()
    later = material.readings.rows(1000, N5)
    fleet, _, _ = report(tmp_path, replace(material, readings=later))
    figures = fleet.stations[0].by_key
    assert figures["completeness"].before == (None, 1.0, 1.0, 1.0)
    assert figures["sigma_hours"].before[0] is None
    assert figures["departure_mean"].before[0] == pytest.approx(0.8, abs=0.05)


def test_long_lists_are_cut_on_the_first_page_and_go_on_behind(tmp_path):
    fleet, html, document = report(tmp_path, *(sound(f"new{n}", n, profile=None) for n in range(18)))
    assert len(fleet.work) == len(document["work"]) == 18
    first, _, rest = html.partition('<section id="more-work"')
    shown = first.count(">Learn what is normal</span>")
    assert 3 <= shown <= MOST_JOBS
    assert rest.count(">Learn what is normal</span>") == 18 - shown
    assert f"{18 - shown} more jobs" in first
    assert first.count("</b> nothing was learned of this station yet") == MOST_LINES
    assert f"{18 - MOST_LINES} more stations" in first


def pdf_pages(path):
    """Independent: pypdf reads what WeasyPrint wrote."""
    return [page.extract_text() for page in PdfReader(path).pages]


def test_the_first_page_stays_one_page_in_a_fleet_with_every_trouble(tmp_path):
    """Thirty stations with long names, three alerts each, an incomplete week, and work that was recorded."""
    rng = np.random.default_rng(5)
    end_s = WEEK.bounds_s("UTC")[1] - 3 * 86400
    made = []
    for n in range(30):
        name = f"north_reservoir_road_{n:02d}"
        where = station(name, step_s=STEP)
        outlet = SET_KPA + rng.normal(0.0, 1.0, N5)
        outlet[-2016:] += 60.0
        outlet[-3 * 288 :] = np.nan
        lines = tuple(
            line_of(verdict(name, kind, end_s - 86400), where)
            for kind in ("failure_to_close", "creep", "hunting", "drift")[n % 2 :]
        )
        work = (
            Repair(
                name, "Outlet has drifted from set", end_s - 9 * 86400, "Strainer cleaned. " * 9, "pass", ()
            ),
        )
        outage = Outage(end_s, None, "bo", "the pilot is being rebuilt in the workshop") if n > 20 else None
        made.append(sound(name, n, outlet=outlet, alerts=lines, repairs=work, outage=outage))
    fleet, _, _ = report(tmp_path, *made)
    assert not fleet.is_complete
    assert min(len(fleet.work), len(fleet.worse)) > 20
    words = Words.of(UNIT_SYSTEMS["kpa_lps"], "en-GB")
    shown = context(fleet, {}, words, {}, 0)  # without the stations' own pages, which take the longest
    first, second, *_ = pdf_pages(io.BytesIO(to_pdf(to_html(shown))))
    for heading in ("What to do this week", "What got worse", "What got better", "What could not be judged"):
        assert heading in first, heading
        assert "in full, page" in first
    assert first.count("in full, page") == 4
    assert "What else to do" in second
    assert "What else to do" not in first
    for row in re.findall(r"in full, page (\d+)", first):
        assert int(row) >= 2
