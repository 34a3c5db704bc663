"""Stations over HTTP: the fleet, one of them, its plots, and out of service."""

import numpy as np
import pytest
from api_room import NOW_S, verdict

from steadyhead import service
from steadyhead.api import series as series_module
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular
from steadyhead.store.profiles import save_profile

DAY_S = 86_400
START_S = (NOW_S // DAY_S - 12) * DAY_S


@pytest.fixture(scope="module")
def log():
    """Twelve plain days: a daily rhythm of flow, a linear droop, noise; the last one an hour's dip."""
    rng = np.random.default_rng(3)
    n = (NOW_S - START_S) // 60
    hour = (np.arange(n) * 60 % DAY_S) / 3600
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    outlet[-100] = 250.0
    return regular("elm_street", START_S, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile(log):
    return learn(log.between(START_S, START_S + 9 * DAY_S), Known())


@pytest.fixture
def viewer(as_role):
    return as_role("viewer")


@pytest.fixture
def learned(made, log, profile):
    made.archive.held["elm_street"] = log
    save_profile(made.room.profiles, profile)
    return made


def at(time_s):
    return str(int(time_s))


def test_the_fleet_in_pages(viewer, made):
    made.room.desk.raised(verdict("mill_weir"))
    first = viewer.get("/api/v1/stations?limit=2")
    page = first.json()
    assert [item["name"] for item in page["items"]] == ["elm_street", "mill_weir"]
    assert (page["next"], page["total"]) == ("mill_weir", 3)
    assert page["items"][1]["alerts"]["standing"] == 1
    assert page["items"][0]["words"] == "regulating"
    assert page["items"][1]["learning"] == "learning: needs 12 more days"
    rest = viewer.get(first.links["next"]["url"])
    assert [item["name"] for item in rest.json()["items"]] == ["quarry_hill"]
    assert "next" not in rest.links


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("zone=low_town", ["elm_street", "mill_weir"]),
        ("standing=true", ["mill_weir"]),
        ("zone=high_town&standing=true", []),
    ],
)
def test_the_fleet_filtered(viewer, made, query, names):
    made.room.desk.raised(verdict("mill_weir"))
    page = viewer.get(f"/api/v1/stations?{query}").json()
    assert [item["name"] for item in page["items"]] == names
    assert page["total"] == len(names)


def test_a_station_in_words(viewer, learned, profile):
    shown = viewer.get("/api/v1/stations/elm_street").json()
    assert shown["time_zone"] == "UTC"
    assert shown["profile"]["version"] == profile.version
    assert "psi" in next(f["text"] for f in shown["profile"]["facts"] if f["name"] == "Set pressure")
    assert shown["out_of_service"] is None
    assert viewer.get("/api/v1/stations/mill_weir").json()["profile"] is None


# ---- series -------------------------------------------------------------------------------------------


def test_no_peak_is_lost_however_few_points(viewer, learned, log):
    for points in (10, 50, 1000):
        answer = viewer.get(f"/api/v1/stations/elm_street/series?from={START_S}&points={points}").json()
        outlet = answer["channels"]["outlet_kpa"]
        assert len(answer["times_s"]) <= points
        assert min(v for v in outlet["low"] if v is not None) == 250.0
        assert max(v for v in outlet["high"] if v is not None) == pytest.approx(
            np.nanmax(log.outlet_kpa), abs=1e-3
        )


def test_without_a_span_it_shows_the_last_day(viewer, learned):
    answer = viewer.get("/api/v1/stations/elm_street/series").json()
    assert (answer["from"], answer["to"]) == ("2025-10-16T06:00:00Z", "2025-10-17T06:00:00Z")


def test_the_band_of_full_readings_is_the_one_that_evidence_plots_draw(viewer, learned, log, profile):
    from_s = NOW_S - 3600
    answer = viewer.get(f"/api/v1/stations/elm_street/series?from={from_s}&to={NOW_S}&points=60").json()
    readings = log.between(from_s, NOW_S)
    band = service.band(readings, profile)
    at_row = dict(zip(readings.times_s.tolist(), band.expected_kpa, strict=True))
    assert answer["band"]["source"] == "readings"
    compared = 0
    for end, expected in zip(answer["times_s"], answer["band"]["expected_kpa"], strict=True):
        if expected is not None and end in at_row:
            assert expected == pytest.approx(at_row[end], abs=1e-3)
            compared += 1
    assert compared > 50


def test_a_bucket_of_the_band_holds_the_lowest_and_highest_of_its_rows(learned, log, profile):
    rows = log.between(NOW_S - 7200, NOW_S)
    band = service.band(rows, profile)
    ends = np.array([NOW_S - 3660, NOW_S - 60])
    found = series_module.on_buckets(band, rows.times_s, ends, "readings")
    for k, (first, last) in enumerate([(NOW_S - 7200, NOW_S - 3660), (NOW_S - 3600, NOW_S - 60)]):
        inside = (rows.times_s >= first) & (rows.times_s <= last)
        assert found.low_kpa[k] == np.nanmin(band.low_kpa[inside])
        assert found.high_kpa[k] == np.nanmax(band.high_kpa[inside])
        assert found.expected_kpa[k] == pytest.approx(np.nanmean(band.expected_kpa[inside]))


def test_a_long_span_takes_the_band_from_means_and_is_near_the_exact_one(viewer, learned, monkeypatch):
    url = f"/api/v1/stations/elm_street/series?from={START_S + DAY_S}&to={NOW_S}&points=200"
    exact = viewer.get(url).json()["band"]
    before = learned.archive.read_rows
    monkeypatch.setattr(series_module, "MOST_BAND_ROWS", 2000)
    means = viewer.get(url).json()["band"]
    assert learned.archive.read_rows == before  # the readings themselves were not touched
    assert (exact["source"], means["source"]) == ("readings", "means")
    pairs = [
        (a, b)
        for a, b in zip(exact["expected_kpa"], means["expected_kpa"], strict=True)
        if a is not None and b is not None
    ]
    assert len(pairs) > 190
    # Guard: flow moves by about 1 L/s within a bucket of 80 min, which droop turns into 0.4 kPa.
    assert max(abs(a - b) for a, b in pairs) < 1.0


def test_thinned_readings_still_have_a_band(viewer, learned):
    learned.archive.is_thinned = True
    answer = viewer.get(f"/api/v1/stations/elm_street/series?from={START_S}&to={NOW_S}").json()
    assert answer["is_thinned"] is True
    assert answer["band"]["source"] == "means"


def test_the_alerts_of_the_span_are_marked(viewer, learned):
    desk = learned.room.desk
    inside = desk.raised(verdict(raised_s=NOW_S - 3600))
    gone = desk.raised(verdict(condition="creep", raised_s=NOW_S - 5 * DAY_S))
    desk.cleared(gone.alert_id, NOW_S - 4 * DAY_S)
    desk.raised(verdict("mill_weir"))
    marks = viewer.get("/api/v1/stations/elm_street/series").json()
    assert [mark["alert_id"] for mark in marks["alerts"]] == [inside.alert_id]
    assert marks["alerts"][0]["raised_s"] == NOW_S - 3600
    assert marks["alerts_are_all"] is True
    longer = viewer.get(f"/api/v1/stations/elm_street/series?from={NOW_S - 6 * DAY_S}").json()
    assert [mark["alert_id"] for mark in longer["alerts"]] == [inside.alert_id, gone.alert_id]


def test_display_units_can_be_multiplied_by(viewer, learned):
    shown = viewer.get("/api/v1/stations/elm_street/series").json()["display"]
    # NIST SP 811: 1 psi is 6.894757 kPa; 1 US gallon is 3.785412 L.
    assert shown["pressure"] == "psi"
    assert 100 * shown["pressure_per_kpa"] == pytest.approx(100 / 6.894757)
    assert shown["flow_per_lps"] == pytest.approx(60 / 3.785412, rel=1e-6)


def test_a_station_without_readings_or_profile_answers_emptily(viewer):
    answer = viewer.get("/api/v1/stations/mill_weir/series").json()
    assert answer["band"] is None
    assert answer["profile_version"] is None
    assert set(answer["channels"]) == {"outlet_kpa"}
    assert set(answer["channels"]["outlet_kpa"]["mean"]) == {None}


@pytest.mark.parametrize(
    ("query", "field", "told"),
    [
        ("points=9", "query.points", "greater than or equal to 10"),
        ("points=4001", "query.points", "less than or equal to 4000"),
        ("from=soon", "query.from", "valid datetime"),
        ("from=2025-10-17", "query.from", "timezone"),
        ("from=2025-10-17T06:00:00Z&to=2025-10-17T05:00:00Z", "query.from", "is not before `to`"),
        ("from=2031-01-01T00:00:00Z", "query.from", "after the last reading"),
        ("from=1969-01-01T00:00:00Z", "query.from", "not between 1970 and 2100"),
    ],
)
@pytest.mark.parametrize("what", ["series", "figures"])
def test_a_wrong_span_names_its_field(viewer, learned, what, query, field, told):
    if what == "figures" and "points" in query:
        query = query.replace("points", "from").replace("=9", "=x").replace("=4001", "=y")
        field, told = "query.from", "valid datetime"
    answer = viewer.get(f"/api/v1/stations/elm_street/{what}?{query}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field
    assert told in answer.json()["errors"][0]["message"]


def test_a_hundred_years_cost_no_more_than_a_day(viewer, learned):
    answer = viewer.get(
        "/api/v1/stations/elm_street/series?from=1990-01-01T00:00:00Z&to=2090-01-01T00:00:00Z&points=100"
    )
    assert answer.status_code == 200
    assert learned.archive.read_rows == 0


# ---- figures ------------------------------------------------------------------------------------------


def test_figures_of_a_station(viewer, learned, profile):
    answer = viewer.get("/api/v1/stations/elm_street/figures").json()
    assert answer["is_shortened"] is False
    assert len(answer["droop"]["flow_lps"]) == 1500
    assert answer["droop"]["learned_flow_lps"] == pytest.approx(profile.droop.flow_lps, abs=1e-3)
    assert answer["closed"]["why_not"] == "In this span the flow never stopped for 20 minutes or more."
    assert answer["oscillation"]["shortest_s"] == 120


def test_figures_of_a_long_span_use_the_latest_readings(viewer, learned, monkeypatch):
    monkeypatch.setattr("steadyhead.api.figures.MOST_ROWS", 1000)
    answer = viewer.get("/api/v1/stations/elm_street/figures").json()
    assert answer["is_shortened"] is True
    assert answer["from"] == "2025-10-16T13:20:00Z"  # 1000 minutes before 06:00
    assert learned.archive.read_rows == 1000


def test_figures_without_a_meter_say_why_there_are_none(viewer, made):
    made.archive.held["mill_weir"] = regular("mill_weir", START_S, 60, np.full(500, 400.0))
    answer = viewer.get(f"/api/v1/stations/mill_weir/figures?from={START_S}&to={START_S + DAY_S}").json()
    assert answer["droop"]["why_not"].startswith("No flow was measured")
    assert answer["closed"]["why_not"].startswith("No flow was measured")


# ---- out of service, history --------------------------------------------------------------------------


def test_out_of_service_and_back(as_role, viewer, made):
    operator = as_role("operator")
    path = "/api/v1/stations/elm_street"
    asked = {"why": "valve being overhauled", "until": "2025-10-18T06:00:00Z"}
    shown = operator.post(f"{path}/out-of-service", json=asked).json()
    assert shown["is_out_of_service"] is True
    assert shown["out_of_service"] == {
        "station": "elm_street",
        "since": "2025-10-17T06:00:00Z",
        "until": "2025-10-18T06:00:00Z",
        "who": "olaf",
        "why": "valve being overhauled",
    }
    assert [o["station"] for o in viewer.get("/api/v1/outages").json()["items"]] == ["elm_street"]
    assert operator.post(f"{path}/return-to-service", json={}).json()["is_out_of_service"] is False
    assert operator.post(f"{path}/return-to-service", json={}).status_code == 409
    told = viewer.get(f"{path}/history").json()["items"]
    assert [line["who"] for line in told] == ["olaf", "olaf"]
    assert told[1]["why"] == "valve being overhauled"


@pytest.mark.parametrize("what", ["", "/series", "/figures", "/history"])
def test_an_unknown_station_is_said_to_be_unknown(viewer, what):
    answer = viewer.get(f"/api/v1/stations/elm{what}")
    assert answer.status_code == 404
    assert answer.json()["detail"] == (
        'there is no station "elm" in the registry; list them with GET /api/v1/stations'
    )
