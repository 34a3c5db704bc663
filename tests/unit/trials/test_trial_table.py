"""The table and the page say what the scores say."""

from __future__ import annotations

import pytest
from outcomes import BEGINS_S, HEALTHY, alert, outcome, truth

from steadyhead.trials.evaluate import Measured, noticed_of, noticed_text
from steadyhead.trials.page import BY_HAND, by_hand, page
from steadyhead.trials.score import score
from steadyhead.trials.table import rows, summary

HOUR = 3600.0


@pytest.fixture(scope="module")
def outcomes():
    return [
        outcome("healthy", HEALTHY),
        outcome("fault", truth("drift"), alert("drift", HOUR, departure=0.02)),
        outcome("fault", truth("hunting", period_s=60.0), alert("creep", HOUR)),
        outcome("fault", truth("creep", "mild", night_ends_s=BEGINS_S + HOUR)),
        outcome("lookalike", truth("set_changed"), alert("set_changed", HOUR)),
    ]


def test_a_figure_meets_its_target_or_says_it_does_not(outcomes):
    table = {what: (text, met) for what, _, text, met in rows(score(outcomes))}
    assert table["clear faults found"] == ("100.0 % (2/2; 16 to 100)", True)
    assert table["clear faults named right"][1] is False
    assert table["mild faults found"][1] is False
    assert table["drift: median departure when raised"] == ("2.0 % (1)", True)


def test_a_figure_without_any_case_is_not_called_met():
    # One look-alike: quiet healthy time before it, not called one of the four, one state rightly healthy.
    judged = {
        "false alerts per station-year",
        "look-alikes called one of the four",
        "macro F1 over all states",
    }
    assert {what for what, _, _, met in rows(score([outcome("lookalike", HEALTHY)])) if met is True} == judged


def test_the_summary_names_every_mistake(outcomes):
    assert "hunting -> creep 1" in summary("made", score(outcomes))


def test_noticing_ignores_names(outcomes):
    noticed = noticed_of("anything", 0.1, outcomes)
    assert (noticed.clear.hits, noticed.mild.hits, noticed.lookalikes.hits) == (2, 0, 1)
    assert noticed.delay_h == pytest.approx((HOUR - 600) / HOUR)
    assert "anything" in noticed_text([noticed])


def test_the_page_holds_the_table_with_misses_in_bold_and_the_definitions(outcomes):
    made = [
        Measured(
            name,
            [o.case for o in outcomes],
            score(outcomes),
            [noticed_of("Steadyhead", float("nan"), outcomes)],
        )
        for name in ("development", "evaluation")
    ]
    facts = {
        "date": "2026-01-01",
        "plant": "0",
        "versions": "numpy",
        "development size": "5",
        "evaluation size": "5",
    }
    text = page(made, facts)
    for what, *_ in rows(made[0].scores):
        assert f"| {what} |" in text
    assert "| clear faults named right | 95 % | **50.0 % (1/2; 1 to 99)**" in text
    assert "is *found* if any alert" in text
    assert "nan" not in text.split("## Details")[0].split("| Steadyhead |")[1]


def test_what_a_person_wrote_below_the_figures_is_kept(outcomes):
    made = [Measured(n, [], score(outcomes), []) for n in ("development", "evaluation")]
    facts = {"date": "", "plant": "", "versions": "", "development size": "", "evaluation size": ""}
    first = page(made, facts, f"{BY_HAND}\n\nCreep, at times.\n")
    again = page(made, facts, by_hand(first))
    assert again == first
    assert again.endswith("Creep, at times.\n")
    assert by_hand("no such part") == ""
