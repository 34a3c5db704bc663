"""Findings, proofs, load and lists on the desk, on both databases."""

from __future__ import annotations

import numpy as np
import pytest
from desk_bench import DAY, HOUR, NOON, Bench, verdict

from steadyhead.desk.proof import LEAST_AFTER_H
from steadyhead.desk.views import AlertQuery, NewFinding
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular

# ---- findings


def test_a_finding_from_the_cause_list_is_kept_with_its_text(bench: Bench) -> None:
    alert_id = bench.raised()
    new = NewFinding("elm", "drift", alert_id, "air_in_chamber", "bubbles at the bleed", "bled it", NOON - 60)
    made = bench.desk.record_finding(new, "tom")
    assert (made.who, made.at_s, made.repaired_s, made.done) == ("tom", NOON, NOON - 60, "bled it")
    assert made.cause_text == "Air in the chamber or the pilot circuit"
    assert bench.desk.findings("elm") == [made]
    assert bench.desk.findings("oak") == bench.desk.findings(condition="creep") == []
    assert bench.desk.findings(alert_id=alert_id) == [made]
    line = bench.desk.history(alert_id)[0]
    assert (line.what, line.who, line.why) == ("finding_recorded", "tom", "bubbles at the bleed")
    assert bench.desk.history(station="elm")[0] == line


def test_a_finding_in_free_text_needs_no_cause_and_no_alert(bench: Bench) -> None:
    made = bench.desk.record_finding(NewFinding("elm", "creep", text="A stone in the seat"), "tom")
    assert (made.cause_key, made.cause_text, made.alert_id, made.repaired_s) == (None, None, None, None)
    bench.now += HOUR
    later = bench.desk.record_repair(made.id, "tom", NOON + 60, "took it out")
    assert (later.repaired_s, later.done) == (NOON + 60, "took it out")
    assert bench.desk.record_repair(made.id, "tom", NOON + 120).done == "took it out"
    told = [(h.what, h.details.get("before_s")) for h in bench.desk.history(station="elm")]
    assert told == [("repair_recorded", NOON + 60), ("repair_recorded", None), ("finding_recorded", None)]


@pytest.mark.parametrize(
    ("new", "error", "words"),
    [
        (NewFinding("elm", "drift"), DeskError, "what was found is empty"),
        (NewFinding("elm", "drift", cause_key="gremlins"), DeskError, '"gremlins" is no cause of drift'),
        (NewFinding("elm", "drifting", text="x"), DeskError, "did you mean drift?"),  # type: ignore[arg-type]
        (NewFinding("ash", "drift", text="x"), NotFoundError, "no station ash in the registry"),
        (NewFinding("elm", "drift", "none", text="x"), NotFoundError, "there is no alert none"),
        (NewFinding("elm", "drift", text="x", repaired_s=NOON + 1), DeskError, "lies in the future"),
    ],
)  # fmt: skip
def test_a_finding_that_does_not_fit_is_refused_in_words(bench: Bench, new, error, words: str) -> None:
    with pytest.raises(error) as told:
        bench.desk.record_finding(new, "tom")
    assert words in str(told.value)
    assert bench.desk.findings() == []


def test_a_finding_of_another_station_than_its_alert_is_refused(bench: Bench) -> None:
    alert_id = bench.raised("elm")
    with pytest.raises(DeskError, match="is drift at elm, the finding is of drift at oak"):
        bench.desk.record_finding(NewFinding("oak", "drift", alert_id, text="x"), "tom")


def test_findings_move_the_causes_of_the_next_alert(bench: Bench) -> None:
    first = bench.raised("elm")
    before = bench.desk.alert(first).alert.likely_causes
    assert before[0].key == "set_changed_by_hand"
    for _ in range(30):
        bench.desk.record_finding(NewFinding("elm", "drift", first, "air_in_chamber"), "tom")
    after = bench.desk.alert(bench.raised("oak")).alert.likely_causes
    assert after[0].key == "air_in_chamber"
    assert after[0].likelihood == pytest.approx((20 * 0.1 + 30) / 50, abs=1e-3)  # by hand
    assert sum(cause.likelihood for cause in after) <= 1.0 + 1e-2
    assert {c.key for c in after} == {c.key for c in before}
    assert bench.desk.alert(first).alert.likely_causes == before  # until its figures are next refreshed
    bench.desk.updated(verdict("elm", updated_s=NOON))
    assert bench.desk.alert(first).alert.likely_causes[0].key == "air_in_chamber"


# ---- proofs


def log(station: str, outlet_off_kpa: float, from_s: int, to_s: int) -> Readings:
    """A plain made-up station: daily rhythm of flow, linear droop, noise."""
    rng = np.random.default_rng(1)
    times = np.arange(from_s, to_s, 60)
    flow = 10 + 5 * np.sin((times % DAY / 3600 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, len(times))
    outlet = (
        400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, len(times)) + outlet_off_kpa * (times < NOON - 2 * DAY)
    )
    inlet = 650 + rng.normal(0, 1.0, len(times))
    return regular(station, from_s, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(log("elm", 0.0, NOON - 20 * DAY, NOON - 12 * DAY), Known())


START = NOON - 4 * DAY


def test_a_repair_is_proved_and_the_answer_is_kept(bench: Bench, profile: Profile) -> None:
    alert_id = bench.raised("elm", raised_s=START + HOUR)
    new = NewFinding("elm", "drift", alert_id, text="spring", repaired_s=NOON - 2 * DAY)
    made = bench.desk.record_finding(new, "tom")
    proof = bench.desk.prove(made.id, "eva", log("elm", -20.0, START, NOON), profile)
    assert (proof.result, proof.who, proof.made_s, proof.finding_id) == ("pass", "eva", NOON, made.id)
    assert proof.numbers["hours_after"] > LEAST_AFTER_H
    assert proof.numbers["figures"]["departure_kpa"]["before"] == pytest.approx(-20.0, abs=1.0)
    found = bench.desk.findings("elm")[0]
    assert found.proofs == (proof,)
    line = bench.desk.history(alert_id)[0]
    assert (line.what, line.details["result"], line.details["proof_id"]) == (
        "repair_proved",
        "pass",
        proof.id,
    )


def test_a_second_look_is_kept_beside_the_first(bench: Bench, profile: Profile) -> None:
    made = bench.desk.record_finding(NewFinding("elm", "drift", text="x", repaired_s=NOON - 2 * DAY), "tom")
    whole = log("elm", -20.0, START, NOON)
    bench.desk.prove(made.id, "eva", whole.between(START, NOON - 2 * DAY + 10 * HOUR), profile)
    bench.desk.prove(made.id, "eva", whole, profile)
    assert [proof.result for proof in bench.desk.findings("elm")[0].proofs] == ["pass", "cannot_tell"]


def test_a_proof_needs_a_repair_and_the_right_station(bench: Bench, profile: Profile) -> None:
    made = bench.desk.record_finding(NewFinding("elm", "drift", text="x"), "tom")
    readings = log("elm", 0.0, START, NOON)
    with pytest.raises(DeskError, match="has no time of repair; record the repair first"):
        bench.desk.prove(made.id, "eva", readings, profile)
    bench.desk.record_repair(made.id, "tom", NOON - DAY)
    with pytest.raises(DeskError, match="the readings are of oak, the finding is of elm"):
        bench.desk.prove(made.id, "eva", log("oak", 0.0, START, NOON), profile)
    with pytest.raises(NotFoundError, match="there is no finding 99"):
        bench.desk.prove(99, "eva", readings, profile)


# ---- alarm load


def test_the_load_counts_calls_and_nothing_that_was_held_back(bench: Bench) -> None:
    bench.desk.out_of_service("oak", "ada", "overhaul")
    bench.raised("elm", "drift", raised_s=NOON - HOUR)
    bench.raised("elm", "failure_to_close", raised_s=NOON - HOUR + 60)
    bench.raised("oak", "drift", raised_s=NOON - HOUR)
    load = bench.desk.load(NOON - DAY, NOON)
    assert (load.calls, load.peak, load.peak_s) == (2, 2.0, NOON - HOUR)
    assert load.mean == pytest.approx(2 / 144)
    assert [(f.station, f.condition) for f in load.top] == [("elm", "drift"), ("elm", "failure_to_close")]
    high = bench.desk._office.knowledge.entries["failure_to_close"].priority
    assert load.priorities[high].calls == 1
    bench.desk.return_to_service("oak", "ada")
    assert bench.desk.load(NOON, NOON + 600).calls == 1  # it calls when its station is back


def test_stale_is_what_has_stood_for_a_day_at_the_end_of_the_span(bench: Bench) -> None:
    old = bench.raised("elm", "drift", raised_s=NOON - 3 * DAY)
    gone = bench.raised("elm", "creep", raised_s=NOON - 3 * DAY)
    bench.raised("oak", "drift", raised_s=NOON - DAY + 60)
    away = bench.raised("fir", "drift", raised_s=NOON - 3 * DAY)
    bench.desk.cleared(gone, NOON - DAY)
    bench.desk.shelve(away, "ada", "known", NOON + HOUR)
    stale = bench.desk.load(NOON - DAY, NOON).stale
    assert [(s.alert_id, s.standing_s) for s in stale] == [(old, 3 * DAY)]
    earlier = bench.desk.load(NOON - 2 * DAY, NOON - DAY - HOUR).stale
    assert {s.alert_id for s in earlier} == {old, gone}


@pytest.mark.parametrize("span", [(NOON, NOON), (NOON, NOON - 1), (NOON - 401 * DAY, NOON)])
def test_a_span_that_is_empty_or_too_long_is_refused(bench: Bench, span: tuple[int, int]) -> None:
    with pytest.raises(DeskError, match="give one longer than 0 and up to 400"):
        bench.desk.load(*span)


# ---- lists


def filled(bench: Bench) -> list[str]:
    conditions = ["drift", "creep", "failure_to_close", "telemetry_loss", "unfamiliar", "hunting"]
    made = [
        bench.raised(station, condition, raised_s=NOON - HOUR * (1 + n % 3))
        for n, (station, condition) in enumerate((s, c) for s in ("elm", "oak", "fir") for c in conditions)
    ]
    bench.desk.acknowledge(made[0], "ada")
    bench.desk.shelve(made[1], "ada", "later", NOON + HOUR)
    bench.desk.cleared(made[2], NOON)
    return made


@pytest.mark.parametrize("sort", ["worst", "newest"])
@pytest.mark.parametrize("limit", [1, 4, 18, 50])
def test_pages_hold_every_alert_once_and_in_order(bench: Bench, sort, limit: int) -> None:
    made, seen, after = filled(bench), [], None
    for _ in range(len(made)):
        page = bench.desk.alerts(AlertQuery(sort=sort, limit=limit, after=after))
        assert page.total == len(made)
        seen += page.items
        after = page.next
        if after is None:
            break
    assert sorted(v.alert.alert_id for v in seen) == sorted(made)
    keys = [(v.rank if sort == "worst" else 0, v.raised_s, v.alert.alert_id) for v in seen]
    assert keys == sorted(keys, reverse=True)


def test_filters_let_through_what_they_say(bench: Bench) -> None:
    made = filled(bench)
    everything = bench.desk.alerts(AlertQuery(limit=500)).items

    def ids(**query: object) -> set[str]:
        page = bench.desk.alerts(AlertQuery(limit=500, **query))
        assert page.total == len(page.items)
        return {view.alert.alert_id for view in page.items}

    def wanted(test) -> set[str]:
        found = {view.alert.alert_id for view in everything if test(view)}
        assert 0 < len(found) < len(made)
        return found

    assert ids(zone="north") == wanted(lambda v: v.zone == "north")
    assert ids(station="fir") == wanted(lambda v: v.alert.station == "fir")
    assert ids(condition="drift") == wanted(lambda v: v.alert.condition == "drift")
    assert ids(state="shelved") == wanted(lambda v: v.alert.state == "shelved") == {made[1]}
    assert ids(priority="high") == wanted(lambda v: v.alert.priority == "high")
    assert ids(standing=True) == wanted(lambda v: v.is_standing) == set(made) - {made[1]}
    assert ids(zone="north", condition="creep", priority="low") == set()


def test_a_page_after_a_change_neither_repeats_nor_loses_what_did_not_change(bench: Bench) -> None:
    made = filled(bench)
    first = bench.desk.alerts(AlertQuery(sort="newest", limit=5))
    bench.raised("elm", "inlet_starved", raised_s=NOON)  # newer than all
    rest = bench.desk.alerts(AlertQuery(sort="newest", limit=500, after=first.next)).items
    assert sorted(v.alert.alert_id for v in (*first.items, *rest)) == sorted(made)


@pytest.mark.parametrize("after", ["x", "bm9wZQ", "Z2FyYmFnZXx8fA"])
def test_a_wrong_place_in_the_list_is_refused(bench: Bench, after: str) -> None:
    with pytest.raises(DeskError, match="take it from `next` of the page before"):
        bench.desk.alerts(AlertQuery(after=after))


def test_a_place_of_another_order_and_a_wrong_limit_are_refused(bench: Bench) -> None:
    filled(bench)
    place = bench.desk.alerts(AlertQuery(sort="newest", limit=1)).next
    with pytest.raises(DeskError, match="belongs to a list sorted by newest"):
        bench.desk.alerts(AlertQuery(sort="worst", after=place))
    with pytest.raises(DeskError, match="limit is 501; give 1 to 500"):
        bench.desk.alerts(AlertQuery(limit=501))


def test_counts_say_where_a_person_is_needed(bench: Bench) -> None:
    made = filled(bench)
    counts = bench.desk.counts()
    assert (counts.total.standing, counts.total.held, counts.total.unacknowledged) == (17, 1, 16)
    elm = counts.by_station["elm"]
    assert (elm.standing, elm.held, elm.unacknowledged) == (5, 1, 4)
    assert counts.by_zone["north"].standing == 11
    assert set(counts.by_zone) == {"north"}
    first = next(v for v in bench.desk.alerts().items if v.alert.station == "elm")
    assert (elm.worst_alert, elm.worst_condition) == (first.alert.alert_id, first.alert.condition)
    assert elm.worst == "high"
    assert made[2] != elm.worst_alert  # high, but over: what still holds goes first
