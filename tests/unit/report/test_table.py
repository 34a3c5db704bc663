from __future__ import annotations

import dataclasses
import io

import pytest
from rich.console import Console

from steadyhead.alerts.model import Alert, Cause, DataWindow, FieldCheck, Runner, utc
from steadyhead.diagnosis.causes import applies, load_knowledge
from steadyhead.report.table import alert_detail, alert_table, quiet_line, worst_first
from steadyhead.report.words import magnitude_text, sizes, sure_text, time_text
from steadyhead.types import CONDITIONS
from steadyhead.units import UNIT_SYSTEMS

KNOWLEDGE = load_knowledge()
KPA, PSI = UNIT_SYSTEMS["kpa_lps"], UNIT_SYSTEMS["psi_gpm"]
ZONES = {"mill_lane": "Europe/London", "elm": "America/Chicago"}


def an_alert(**changes) -> Alert:
    alert = Alert(
        alert_id="0123456789abcdef",
        station="mill_lane",
        condition="drift",
        state="active_unacknowledged",
        priority="medium",
        began_at=utc(1_709_000_000),
        raised_at=utc(1_709_270_400),
        updated_at=utc(1_709_280_000),
        ended_at=None,
        confidence=0.84,
        runners_up=(Runner("set_changed", 0.1),),
        magnitude={"departure_kpa": -42.0, "departure_share": -0.108},
        evidence=("Outlet 348 kPa where 390 kPa was learned.",),
        likely_causes=(Cause("transmitter_offset", "The transmitter has moved", 0.22),),
        field_checks=(
            FieldCheck(
                1, "Compare with a gauge.", "It may be the transmitter.", None, "free", ("Mind the hole.",)
            ),
            FieldCheck(
                2, "Turn the pilot.", None, "A quarter turn.", "cheap", ("Mind the hole.", "Go slowly.")
            ),
        ),
        profile_version="ab12",
        data_window=DataWindow(utc(1_708_900_000), utc(1_709_280_000)),
    )
    return dataclasses.replace(alert, **changes)


def show(what, width=80, *, colour=False) -> str:
    page = io.StringIO()
    Console(
        file=page, width=width, force_terminal=colour, color_system="truecolor" if colour else None
    ).print(what)
    return page.getvalue()


def words_of(text: str) -> str:
    return " ".join(text.split())


def test_the_table_holds_what_the_reader_must_know():
    text = show(alert_table([an_alert()], KNOWLEDGE, KPA, ZONES))
    for words in (
        "mill_lane", "medium priority", "84 % sure", "Tue 27 Feb 02:13", "raised Fri 01 Mar 05:20", "goes on",
        "Check first: Compare with a gauge.",
    ):  # fmt: skip
        assert words in text, words
    assert "Outlet has drifted" in words_of(text)


@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize(
    "station", ["x", "a_station_with_a_name_that_is_far_too_long_for_any_column_of_a_table"]
)
def test_table_and_detail_fit_eighty_columns(condition, station):
    traits = {"direction": "down", "kind": "stuck", "resolved": "no"}
    entry = KNOWLEDGE.entries[condition]
    checks = [check for check in entry.checks if applies(check.when, traits)]
    long_hint = (
        "Inlet 512 kPa is 122 kPa above the set of 390 kPa; the valve needs about 70 kPa: enough. " * 3
    )
    alert = an_alert(
        station=station,
        condition=condition,
        ended_at=utc(1_709_300_000),
        field_checks=tuple(
            FieldCheck(n, check.text, check.why, long_hint, check.effort, KNOWLEDGE.cautions_of(check))
            for n, check in enumerate(checks, start=1)
        ),
        likely_causes=tuple(
            Cause(c.key, c.text, c.likelihood) for c in entry.causes if applies(c.when, traits)
        ),
    )
    text = show(alert_table([alert], KNOWLEDGE, KPA, ZONES)) + show(alert_detail(alert, KNOWLEDGE, KPA))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "…" not in text
    for check in alert.field_checks:
        assert check.text in words_of(text)


def test_nothing_is_said_by_colour_alone():
    alerts = [
        an_alert(),
        an_alert(priority="high", condition="failure_to_open"),
        an_alert(ended_at=utc(1_709_300_000)),
    ]
    what = alert_table(alerts, KNOWLEDGE, KPA, ZONES)
    coloured, plain = show(what, colour=True), show(what)
    assert "\x1b[" in coloured
    assert "\x1b[" not in plain
    for words in ("high priority", "medium priority", "goes on", "ended Fri 01 Mar 13:33"):
        assert words in plain


def test_times_are_those_of_the_stations_own_clock():
    # by hand: 05:20Z is 23:20 of the evening before in Chicago, six hours behind in winter
    text = show(alert_table([an_alert(station="elm")], KNOWLEDGE, KPA, ZONES))
    assert "raised Thu 29 Feb 23:20" in text
    assert time_text(utc(1_709_270_400), "UTC") == "Fri 01 Mar 05:20"


def test_lasting_alerts_of_high_priority_come_first():
    high = an_alert(priority="high", station="b")
    low = an_alert(priority="low", station="c")
    over = an_alert(priority="high", station="a", ended_at=utc(1_709_300_000))
    assert worst_first([low, over, high]) == [high, low, over]
    text = show(alert_table([low, over, high], KNOWLEDGE, KPA, ZONES))
    assert text.index("b  ") < text.index("c  ") < text.index("a  ")


def test_no_alerts_is_said_in_words():
    assert show(alert_table([], KNOWLEDGE, KPA, ZONES)).strip() == "No alerts."
    assert quiet_line(["b", "a"], []) == "Nothing to report: a, b."
    assert quiet_line(["mill_lane", "a"], [an_alert()]) == "Nothing to report: a."
    assert quiet_line(["mill_lane"], [an_alert()]) == "Every station scanned has an alert."


def test_the_detail_prints_each_caution_once_before_the_checks_and_refers_to_it():
    text = show(alert_detail(an_alert(), KNOWLEDGE, KPA, "Europe/London"))
    assert text.count("Mind the hole.") == 1
    assert text.index("Mind the hole.") < text.index("Compare with a gauge.")
    assert "[look; mind a]" in text
    assert "[small job; mind a, b]" in text
    assert "Here: A quarter turn." in text
    assert "It could also be: set pressure was changed (10 %)." in words_of(text)
    assert "22 % The transmitter has moved" in text
    assert "When raised: outlet 42 kPa low (11 % of set)." in words_of(text)


def test_a_detail_with_nothing_but_the_condition_is_still_readable():
    bare = an_alert(
        evidence=(),
        likely_causes=(),
        field_checks=(),
        magnitude={},
        runners_up=(),
        ended_at=utc(1_709_300_000),
    )
    text = words_of(show(alert_detail(bare, KNOWLEDGE, KPA, "UTC")))
    assert "ended Fri 01 Mar 13:33" in text
    assert "could also be" not in text


@pytest.mark.parametrize(
    ("name", "value", "units", "words"),
    [
        ("departure_kpa", -42.0, KPA, "outlet 42 kPa low"),
        ("departure_kpa", 42.0, PSI, "outlet 6.1 psi high"),  # by hand: 42/6.894757
        ("departure_share", -0.108, KPA, "outlet 11 % of set low"),
        ("step_kpa", 40.0, KPA, "outlet stepped up by 40 kPa"),
        ("differential_kpa", -12.0, KPA, "inlet 12 kPa below the outlet"),
        ("rate_kpa_per_day", -6.0, KPA, "rate -6 kPa a day"),
        ("swing_kpa", 61.2, KPA, "outlet swings 61 kPa peak to peak"),
        ("period_s", 145.0, KPA, "a swing every 2.4 min"),
        ("way_share", 0.31, KPA, "31 % of the way from lock-up to inlet pressure"),
        ("way_share", 0.084, KPA, "8.4 % of the way from lock-up to inlet pressure"),
        ("kv_m3h", 61.0, KPA, "Kv 61"),
        ("kv_m3h", 61.0, PSI, "Cv 70.5"),  # by hand: 61 * 1.15609923
        ("flow_over_lps", 8.0, PSI, "127 gpm more flow than usual at that hour"),  # by hand: 8/0.0630901964
        ("flow_missing_lps", 5.0, KPA, "5.0 L/s less flow than usual at every hour"),
        ("distance_ratio", 3.24, KPA, "unlike any hour learned, 3.2 times the limit"),
        ("count", 3.0, KPA, "count 3"),
    ],
)
def test_magnitudes_are_said_with_their_unit(name, value, units, words):
    assert magnitude_text(name, value, units) == words


def test_a_pressure_and_its_share_of_set_are_said_as_one():
    said = sizes({"departure_kpa": -42.0, "departure_share": -0.108, "period_s": 145.0}, KPA)
    assert said == ["outlet 42 kPa low (11 % of set)", "a swing every 2.4 min"]
    # of creep the share comes first and is of another whole: both are said
    said = sizes({"way_share": 0.058, "rise_kpa": 18.6}, KPA)
    assert said == ["5.8 % of the way from lock-up to inlet pressure", "outlet 19 kPa above lock-up"]
    assert sizes({"departure_share": 0.02}, KPA) == ["outlet 2.0 % of set high"]


def test_the_hour_that_comes_twice_says_which_pass_is_meant():
    # by hand: London goes back at 01:00Z on 27 October 2024
    assert time_text(utc(1_729_987_800), "Europe/London") == "Sun 27 Oct 01:10 BST"
    assert time_text(utc(1_729_991_400), "Europe/London") == "Sun 27 Oct 01:10 GMT"
    assert time_text(utc(1_729_995_000), "Europe/London", with_year=True) == "Sun 27 Oct 2024 02:10"


def test_what_no_cause_accounts_for_is_shown_too():
    text = words_of(show(alert_detail(an_alert(), KNOWLEDGE, KPA)))
    assert "22 % The transmitter has moved 78 % Something else" in text
    whole = an_alert(likely_causes=(Cause("one", "The only one", 1.0),))
    assert "Something else" not in show(alert_detail(whole, KNOWLEDGE, KPA))


@pytest.mark.parametrize(
    ("share", "words"), [(0.84, "84 % sure"), (0.999, "over 98 % sure"), (0.5, "50 % sure")]
)
def test_sureness_never_claims_more_than_it_can(share, words):
    assert sure_text(share) == words
