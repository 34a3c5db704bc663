"""What the pages say. The sentences are our own, so these tests guard them; times are checked by hand."""

import pytest

from steadyhead.alerts.lifecycle import STATES
from steadyhead.alerts.model import PRIORITIES
from steadyhead.diagnosis.causes import TRAITS
from steadyhead.types import CONDITIONS
from steadyhead.units import UNIT_SYSTEMS
from steadyhead.web.moments import from_local_input, local_input_text, moment
from steadyhead.web.words import (
    CONDITION_WORDS,
    PRIORITY_WORDS,
    STATE_WORDS,
    ago_text,
    clock_text,
    headline,
    needed_text,
    place_text,
    short_clock_text,
    sure_words,
)

KPA, PSI = UNIT_SYSTEMS["kpa_lps"], UNIT_SYSTEMS["psi_gpm"]
SPRING_S = 1_743_296_400  # 2025-03-30 01:00 UTC: clocks in Europe go from 02:00 to 03:00 (by hand)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_has_a_headline_even_without_any_number(condition):
    said = headline(condition, {}, {}, KPA)
    assert said
    assert said[0].islower()  # it follows the station's name
    assert "None" not in said
    assert "nan" not in said
    assert "  " not in said


def test_words_exist_for_all_conditions_states_and_priorities():
    assert set(CONDITION_WORDS) == set(CONDITIONS)
    assert set(STATE_WORDS) == set(STATES)
    assert set(PRIORITY_WORDS) == set(PRIORITIES)


def test_water_that_enters_past_a_valve_is_asked_for_with_what_is_missing():
    asked = "is a bypass or boundary valve open?"
    working = headline("unfamiliar", {"flow_missing_lps": 2.0}, {"fed": "elsewhere"}, KPA)
    assert working == f"2.0 L/s is missing at every hour: {asked}"
    shut = headline("unfamiliar", {"way_share": 0.8}, {"fed": "elsewhere"}, KPA)
    assert shut == f"shut, and yet the district fills: {asked}"
    assert asked not in headline("unfamiliar", {"distance_ratio": 2.0}, {"fed": "as_ever"}, KPA)


@pytest.mark.parametrize("kind", TRAITS["kind"])
def test_every_kind_of_sensor_fault_is_said_in_its_own_words(kind):
    general = headline("sensor_fault", {}, {}, KPA)
    assert headline("sensor_fault", {}, {"kind": kind}, KPA) != general


@pytest.mark.parametrize(
    ("condition", "magnitude", "units", "said"),
    [
        ("drift", {"departure_kpa": -42.0}, KPA, "outlet has drifted 42 kPa too low"),
        # 42 kPa / 6.894757 kPa per psi (NIST SP 811) = 6.09 psi
        ("drift", {"departure_kpa": 42.0}, PSI, "outlet has drifted 6.1 psi too high"),
        ("set_changed", {"step_kpa": -30.0}, KPA, "set pressure went down 30 kPa"),
        (
            "hunting",
            {"swing_kpa": 9.0, "period_s": 118.0},
            KPA,
            "outlet swings 9 kPa up and down every 118 s",
        ),
        ("telemetry_loss", {"silent_s": 7200.0}, KPA, "no readings for 2 h"),
    ],
)
def test_headlines_carry_size_direction_and_unit(condition, magnitude, units, said):
    assert headline(condition, magnitude, {}, units) == said


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("larch_street", "Larch Street"),
        ("gorge-road", "Gorge Road"),
        ("PRV-014", "PRV-014"),
        ("prv_12", "prv_12"),
    ],
)
def test_names_made_of_words_are_shown_as_words_and_codes_as_they_are(name, said):
    assert place_text(name) == said


def test_times_carry_the_clock_of_the_station():
    assert clock_text(SPRING_S - 1, "Europe/Oslo") == "Sun 30 Mar 2025 01:59 CET"
    assert clock_text(SPRING_S, "Europe/Oslo") == "Sun 30 Mar 2025 03:00 CEST"
    assert clock_text(SPRING_S, "America/Sao_Paulo").endswith("UTC-03")  # a zone without a name of its own


def test_short_times_leave_out_only_what_is_plain():
    now_s = SPRING_S + 3600
    assert short_clock_text(SPRING_S, "Europe/Oslo", now_s) == "03:00 CEST"
    assert short_clock_text(SPRING_S, "Europe/Oslo", now_s + 86_400) == "Sun 30 Mar 03:00 CEST"
    assert short_clock_text(SPRING_S, "Europe/Oslo", now_s + 300 * 86_400) == "Sun 30 Mar 2025 03:00 CEST"


def test_a_moment_has_the_same_time_in_all_its_forms():
    found = moment(SPRING_S, "Europe/Oslo", SPRING_S + 90)
    assert found.iso == "2025-03-30T01:00:00Z"
    assert found.full == "Sun 30 Mar 2025 03:00 CEST (Europe/Oslo)"
    assert found.ago == "2 min ago"


@pytest.mark.parametrize(
    ("gap_s", "said"),
    [
        (0, "just now"),
        (45, "45 s ago"),
        (600, "10 min ago"),
        (3 * 3600, "3 h ago"),
        (5 * 86_400, "5 days ago"),
        (-7200, "in 2 h"),
    ],
)
def test_ages_have_one_unit_and_no_decimals(gap_s, said):
    assert ago_text(1_000_000_000, 1_000_000_000 + gap_s) == said


def test_a_time_typed_at_the_stations_clock_is_that_time():
    assert from_local_input("2025-03-30T03:00", "Europe/Oslo") == SPRING_S
    assert (
        from_local_input(local_input_text(SPRING_S, "Australia/Adelaide"), "Australia/Adelaide") == SPRING_S
    )
    assert from_local_input("tomorrow", "Europe/Oslo") is None


@pytest.mark.parametrize(
    ("confidence", "said"),
    [
        (0.99, "very sure (over 98 %)"),
        (0.84, "fairly sure (84 %)"),
        (0.6, "more likely than not (60 %)"),
        (0.3, "a guess (30 %)"),
    ],
)
def test_sureness_is_said_in_a_word_and_a_figure(confidence, said):
    assert sure_words(confidence) == said


@pytest.mark.parametrize(
    ("n", "said"),
    [(0, "No station needs a person"), (1, "1 station needs a person"), (3, "3 stations need a person")],
)
def test_the_first_sentence_counts_stations(n, said):
    assert needed_text(n) == said
