"""An alert's life as people and engine drive it, on both databases.

Transitions: IEC 62682 / ISA-18.2, from memory; ``tests/unit/alerts/test_lifecycle.py`` holds the table.
"""

from __future__ import annotations

import json
import threading

import jsonschema
import pytest
from desk_bench import DAY, HOUR, NOON, Bench, registry, verdict

from steadyhead.alerts.jsonlines import schema, to_json
from steadyhead.alerts.model import Renaming
from steadyhead.alerts.model import alert_id as name_of
from steadyhead.desk.desk import Desk
from steadyhead.desk.guard import GUARDS
from steadyhead.desk.views import AlertQuery
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import DatabaseError, DeskError, NotFoundError
from steadyhead.store import database as database_module
from steadyhead.store.tables import CounterRow


def test_the_usual_life_raised_acknowledged_cleared(bench: Bench) -> None:
    alert_id = bench.raised()
    assert bench.state(alert_id) == "active_unacknowledged"
    view = bench.desk.acknowledge(alert_id, "ada", "on my way")
    assert (view.alert.state, view.acknowledged_by, view.acknowledged_s) == (
        "active_acknowledged",
        "ada",
        NOON,
    )
    bench.desk.cleared(alert_id, NOON + HOUR)
    view = bench.desk.alert(alert_id)
    assert (view.alert.state, view.ended_s, view.is_true, view.is_standing) == (
        "normal",
        NOON + HOUR,
        False,
        False,
    )


def test_cleared_before_anybody_saw_it_waits_for_a_person(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.cleared(alert_id, NOON)
    assert bench.state(alert_id) == "returned_unacknowledged"
    assert bench.desk.alerts(AlertQuery(standing=True)).total == 1
    bench.desk.acknowledge(alert_id, "ada")
    assert bench.state(alert_id) == "normal"
    assert bench.desk.alerts(AlertQuery(standing=True)).total == 0


def test_the_audit_says_who_when_and_why_newest_first(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.now += 60
    bench.desk.acknowledge(alert_id, "ada", "gauge first")
    bench.now += 60
    bench.desk.shelve(alert_id, "bob", "crew on site", NOON + HOUR)
    bench.now = NOON + HOUR
    assert bench.desk.tick(bench.now) == 1
    told = [(h.at_s, h.who, h.what, h.why, h.from_state, h.to_state) for h in bench.desk.history(alert_id)]
    assert told == [
        (NOON + HOUR, "clock", "unshelve", "its time is over", "shelved", "active_unacknowledged"),
        (NOON + 120, "bob", "shelve", "crew on site", "active_acknowledged", "shelved"),
        (NOON + 60, "ada", "acknowledge", "gauge first", "active_unacknowledged", "active_acknowledged"),
        (NOON, "engine", "condition_true", "", "normal", "active_unacknowledged"),
    ]
    assert [h.sentence for h in bench.desk.history(alert_id)][:2] == [
        "The clock took it from the shelf: its time is over",
        "bob shelved it: crew on site",
    ]


def test_what_goes_out_follows_the_schema_in_every_state(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.shelve(alert_id, "bob", "crew on site", NOON + HOUR)
    alert = bench.desk.alert(alert_id).alert
    jsonschema.validate(json.loads(to_json(alert)), schema())
    assert alert.state == "shelved"
    bench.desk.cleared(alert_id, NOON + 60)
    alert = bench.desk.alert(alert_id).alert
    jsonschema.validate(json.loads(to_json(alert)), schema())
    assert alert.ended_at is not None


def test_priority_is_that_of_the_knowledge_file(bench: Bench) -> None:
    knowledge = bench.desk._office.knowledge
    for condition in ("drift", "failure_to_close", "unfamiliar"):
        view = bench.desk.alert(bench.raised(condition=condition))
        assert view.alert.priority == knowledge.entries[condition].priority
        assert view.title == knowledge.entries[condition].title


# ---- shelving


def test_shelved_does_not_stand_and_comes_back_when_its_time_is_over(bench: Bench) -> None:
    alert_id = bench.raised()
    view = bench.desk.shelve(alert_id, "ada", "waiting for a part", NOON + 2 * HOUR)
    assert (view.shelved_until_s, view.shelve_why) == (NOON + 2 * HOUR, "waiting for a part")
    assert view.held_why == "Shelved: waiting for a part"
    assert not view.is_standing
    assert bench.desk.tick(NOON + 2 * HOUR - 1) == 0
    bench.now = NOON + 2 * HOUR
    bench.changes.clear()
    assert bench.desk.tick(bench.now) == 1
    assert bench.state(alert_id) == "active_unacknowledged"
    assert [(c.kind, c.is_call) for c in bench.changes] == [("unshelved", True)]
    assert bench.desk.alert(alert_id).shelved_until_s is None


def test_what_clears_on_the_shelf_is_over_when_it_comes_down(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.shelve(alert_id, "ada", "waiting", NOON + HOUR)
    bench.desk.cleared(alert_id, NOON + 60)
    assert bench.state(alert_id) == "shelved"
    bench.desk.unshelve(alert_id, "ada")
    assert bench.state(alert_id) == "normal"


@pytest.mark.parametrize("until_s", [NOON, NOON - 1, NOON + 8 * DAY])
def test_shelving_needs_an_end_within_a_week(bench: Bench, until_s: int) -> None:
    alert_id = bench.raised()
    with pytest.raises(DeskError, match="give a time within the next 7 days"):
        bench.desk.shelve(alert_id, "ada", "waiting", until_s)
    assert bench.state(alert_id) == "active_unacknowledged"


def test_shelving_needs_a_reason(bench: Bench) -> None:
    with pytest.raises(DeskError, match="the reason for shelving is empty"):
        bench.desk.shelve(bench.raised(), "ada", "  ", NOON + HOUR)


def test_a_note_that_is_too_long_is_refused(bench: Bench) -> None:
    with pytest.raises(DeskError, match="has 2001 characters, 2000 are the most"):
        bench.desk.acknowledge(bench.raised(), "ada", "x" * 2001)


# ---- suppression by design and stations out of service


def test_a_suppression_holds_what_matches_and_what_comes_later(bench: Bench) -> None:
    before, other = bench.raised("elm", "telemetry_loss"), bench.raised("fir", "telemetry_loss")
    made = bench.desk.suppress("eva", "radio mast down", zone="north", condition="telemetry_loss")
    later = bench.raised("oak", "telemetry_loss")
    assert [bench.state(i) for i in (before, later, other)] == [
        "suppressed_by_design", "suppressed_by_design", "active_unacknowledged",
    ]  # fmt: skip
    assert bench.desk.alert(later).held_why == "Suppressed by design by eva: radio mast down"
    assert [c.is_call for c in bench.changes if c.alert.alert_id == later] == [False, False]
    bench.desk.cleared(before, NOON)
    bench.desk.release(made, "eva", "mast is up")
    assert (bench.state(before), bench.state(later)) == ("normal", "active_unacknowledged")
    assert bench.desk.suppressions() == []
    assert [s.id for s in bench.desk.suppressions(all_of_them=True)] == [made]


def test_a_suppression_ends_by_itself_at_its_time(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.suppress("eva", "works", station="elm", until_s=NOON + HOUR)
    bench.now = NOON + HOUR
    assert bench.desk.tick(bench.now) == 1
    assert bench.state(alert_id) == "active_unacknowledged"


def test_released_from_one_suppression_it_stays_under_another(bench: Bench) -> None:
    alert_id = bench.raised()
    first = bench.desk.suppress("eva", "works", station="elm")
    second = bench.desk.suppress("eva", "mast", zone="north")
    bench.desk.release(first, "eva")
    assert bench.state(alert_id) == "suppressed_by_design"
    bench.desk.release(second, "eva")
    assert bench.state(alert_id) == "active_unacknowledged"


def test_a_station_out_of_service_holds_all_its_alerts(bench: Bench) -> None:
    before = bench.raised("elm", "drift")
    bench.desk.out_of_service("elm", "ada", "valve being overhauled")
    later = bench.raised("elm", "failure_to_open")
    assert {bench.state(before), bench.state(later)} == {"out_of_service"}
    assert bench.desk.counts().out_of_service == {"elm"}
    assert [o.why for o in bench.desk.outages()] == ["valve being overhauled"]
    bench.desk.cleared(before, NOON)
    bench.desk.return_to_service("elm", "ada")
    assert (bench.state(before), bench.state(later)) == ("normal", "active_unacknowledged")
    assert bench.desk.outages() == []


def test_an_outage_ends_by_itself_at_its_time(bench: Bench) -> None:
    bench.desk.out_of_service("elm", "ada", "overhaul", NOON + HOUR)
    assert bench.desk.tick(NOON + HOUR) == 1
    assert bench.desk.outages() == []
    assert bench.desk.history(station="elm")[0].who == "clock"


def test_off_the_shelf_it_goes_where_its_station_is_without_a_call(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.shelve(alert_id, "ada", "waiting", NOON + HOUR)
    bench.desk.out_of_service("elm", "ada", "overhaul")
    assert bench.state(alert_id) == "shelved"
    bench.changes.clear()
    bench.desk.unshelve(alert_id, "ada")
    assert bench.state(alert_id) == "out_of_service"
    assert not any(change.is_call for change in bench.changes)


@pytest.mark.parametrize(
    ("ask", "error", "words"),
    [
        (lambda d: d.suppress("eva", "why"), DeskError, "it would hide everything"),
        (lambda d: d.suppress("eva", "", station="elm"), DeskError, "the reason for suppressing is empty"),
        (
            lambda d: d.suppress("eva", "why", station="elmo"),
            NotFoundError,
            'no station "elmo". did you mean elm?',
        ),
        (lambda d: d.suppress("eva", "why", zone="south"), NotFoundError, 'there is no zone "south"'),
        (lambda d: d.suppress("eva", "why", condition="drifty"), NotFoundError, "did you mean drift?"),
        (lambda d: d.suppress("eva", "w", station="elm", until_s=NOON), DeskError, "is not after now"),
        (lambda d: d.release(99, "eva"), NotFoundError, "there is no suppression 99"),
        (lambda d: d.out_of_service("ash", "eva", "why"), NotFoundError, 'there is no station "ash"'),
        (lambda d: d.return_to_service("elm", "eva"), DeskError, "elm is in service already"),
        (lambda d: d.acknowledge("none", "eva"), NotFoundError, "there is no alert none"),
        (lambda d: d.alert("none"), NotFoundError, "there is no alert none"),
        (lambda d: d.raised(verdict("ash")), NotFoundError, "no station ash in the registry"),
        (lambda d: d.cleared("none", NOON), NotFoundError, "was cleared but never raised"),
        (lambda d: d.history(), DeskError, "give an alert or a station"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(bench: Bench, ask, error, words: str) -> None:
    with pytest.raises(error) as told:
        ask(bench.desk)
    assert words in str(told.value)


def test_a_second_person_is_told_that_the_first_was_faster(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.acknowledge(alert_id, "ada")
    with pytest.raises(DeskError, match="it is active acknowledged by ada; read it again"):
        bench.desk.acknowledge(alert_id, "bob")
    assert bench.desk.alert(alert_id).may == ("shelve",)


def test_what_is_over_cannot_be_shelved(bench: Bench) -> None:
    alert_id = bench.raised()
    bench.desk.acknowledge(alert_id, "ada")
    bench.desk.cleared(alert_id, NOON)
    with pytest.raises(DeskError, match="is over; there is nothing to shelve"):
        bench.desk.shelve(alert_id, "ada", "why", NOON + HOUR)
    assert bench.desk.alert(alert_id).may == ()


# ---- replays and the re-raise guard


def dump(bench: Bench) -> list[object]:
    views = bench.desk.alerts(AlertQuery(limit=500)).items
    return [views, [bench.desk.history(v.alert.alert_id) for v in views], bench.desk.counts()]


def test_a_replay_of_raise_and_clear_changes_nothing(bench: Bench) -> None:
    first = verdict()
    assert bench.desk.raised(first) is not None
    once = dump(bench)
    assert bench.desk.raised(first) is None
    assert dump(bench) == once
    alert_id = once[0][0].alert.alert_id
    bench.desk.cleared(alert_id, NOON)
    bench.desk.acknowledge(alert_id, "ada")
    once = dump(bench)
    for _ in range(3):
        assert bench.desk.raised(first) is None
        bench.desk.updated(first)
        bench.desk.cleared(alert_id, NOON)
    assert dump(bench) == once


def test_raised_again_soon_it_is_the_same_alert(bench: Bench) -> None:
    first, second = verdict(raised_s=NOON), verdict(raised_s=NOON + 30 * HOUR)
    alert_id = bench.raised(raised_s=NOON)
    bench.desk.cleared(alert_id, NOON + HOUR)
    bench.desk.acknowledge(alert_id, "ada")
    again = bench.desk.raised(second)
    assert again is not None
    assert (again.alert_id, again.state, again.ended_at) == (alert_id, "active_unacknowledged", None)
    assert (bench.changes[-1].kind, bench.changes[-1].is_call) == ("raised_again", True)
    once = dump(bench)
    assert bench.desk.raised(first) is None
    bench.desk.cleared(alert_id, NOON + HOUR)
    assert bench.desk.raised(second) is None
    assert dump(bench) == once
    # the second raise is cleared under the id its verdict had, once
    bench.desk.cleared(name_of("elm", "drift", NOON + 30 * HOUR), NOON + 31 * HOUR)
    assert bench.state(alert_id) == "returned_unacknowledged"


def test_a_runner_may_join_episodes_itself_under_one_id(bench: Bench) -> None:
    alert_id = bench.raised(raised_s=NOON)
    bench.desk.cleared(alert_id, NOON + HOUR)
    again = verdict(raised_s=NOON, updated_s=NOON + 5 * HOUR)
    told = bench.desk.raised(again)
    assert told is not None
    assert (told.alert_id, told.state) == (alert_id, "active_unacknowledged")
    assert bench.desk.raised(again) is None
    bench.desk.cleared(alert_id, NOON + HOUR)  # a replay of the first clear
    assert bench.state(alert_id) == "active_unacknowledged"
    bench.desk.cleared(alert_id, NOON + 6 * HOUR)
    assert bench.state(alert_id) == "returned_unacknowledged"


def test_raised_again_late_it_is_a_new_alert(bench: Bench) -> None:
    alert_id = bench.raised(raised_s=NOON)
    bench.desk.cleared(alert_id, NOON + HOUR)
    late = NOON + HOUR + GUARDS["drift"].join_s
    assert bench.raised(raised_s=late) != alert_id


@pytest.mark.parametrize("condition", ["failure_to_close", "drift", "telemetry_loss"])
def test_no_chatter_a_raise_too_soon_after_the_last_call_does_not_call_again(
    bench: Bench, condition: str
) -> None:
    quiet_s = GUARDS[condition].quiet_s
    alert_id = bench.raised(condition=condition, raised_s=NOON)
    for n in range(1, 6):  # comes and goes within the quiet time
        at_s = NOON + n * quiet_s // 6
        bench.desk.cleared(alert_id, at_s - 1)
        bench.desk.raised(verdict(condition=condition, raised_s=NOON, updated_s=at_s))
    assert [c.kind for c in bench.changes].count("raised_again") == 5
    assert sum(c.is_call for c in bench.changes) == 1
    assert bench.state(alert_id) == "active_unacknowledged"  # it is on the list all the same
    bench.desk.cleared(alert_id, NOON + quiet_s - 1)
    bench.desk.raised(verdict(condition=condition, raised_s=NOON, updated_s=NOON + quiet_s))
    assert sum(c.is_call for c in bench.changes) == 2
    assert bench.desk.load(NOON - 600, NOON + DAY).calls == 2


def test_an_episode_told_when_it_is_over_is_raised_and_cleared_at_once(bench: Bench) -> None:
    over = verdict(raised_s=NOON, ended_s=NOON + HOUR, updated_s=NOON + 2 * HOUR)
    alert = bench.desk.raised(over)
    assert alert is not None
    assert alert.state == "returned_unacknowledged"
    view = bench.desk.alert(alert.alert_id)
    assert (view.raised_s, view.ended_s, view.updated_s) == (NOON, NOON + HOUR, NOON + 2 * HOUR)
    bench.desk.cleared(alert.alert_id, NOON + 2 * HOUR)
    assert len(bench.desk.history(alert.alert_id)) == 2


def test_newer_figures_replace_older_ones_and_never_the_other_way_round(bench: Bench) -> None:
    alert_id = bench.raised(raised_s=NOON)
    bench.desk.updated(verdict(raised_s=NOON, updated_s=NOON + 600, magnitude={"departure_kpa": 20.0}))
    bench.desk.updated(verdict(raised_s=NOON, updated_s=NOON + 300, magnitude={"departure_kpa": 15.0}))
    view = bench.desk.alert(alert_id)
    assert view.alert.magnitude == {"departure_kpa": 20.0}
    assert (view.updated_s, view.alert.state) == (NOON + 600, "active_unacknowledged")
    assert view.facts == {"departure_kpa": 12.0}  # what is not a finite number is left out
    assert [c.kind for c in bench.changes] == ["raised", "updated"]


def test_figures_do_not_undo_an_acknowledgement(bench: Bench) -> None:
    alert_id = bench.raised(raised_s=NOON)
    bench.desk.acknowledge(alert_id, "ada")
    bench.desk.updated(verdict(raised_s=NOON, updated_s=NOON + 600))
    view = bench.desk.alert(alert_id)
    assert (view.alert.state, view.acknowledged_by) == ("active_acknowledged", "ada")


def test_another_name_is_no_other_alert_and_calls_nobody_again(bench: Bench) -> None:
    alert_id = bench.raised(condition="drift", raised_s=NOON)
    names = (Renaming(NOON + HOUR, "drift", "set_changed"),)
    renamed = verdict(condition="set_changed", raised_s=NOON, updated_s=NOON + HOUR, names=names)
    bench.desk.updated(renamed)
    view = bench.desk.alert(alert_id)
    assert view.alert.condition == "set_changed"
    assert view.alert.alert_id == alert_id
    assert sum(change.is_call for change in bench.changes) == 1
    lines = bench.desk.history(alert_id)
    assert [line.what for line in lines].count("renamed") == 1
    assert bench.desk.alerts(AlertQuery(condition="set_changed")).total == 1
    bench.desk.cleared(renamed.alert_id, NOON + 2 * HOUR)
    assert bench.state(alert_id) == "returned_unacknowledged"


# ---- hooks and news


def test_a_hook_that_fails_undoes_the_change(bench: Bench) -> None:
    alert_id = bench.raised()

    def full(_session: object, _change: object) -> None:
        raise RuntimeError("outbox is full")

    broken = Desk(bench.database, load_knowledge(), registry(), lambda: NOON, [full])
    with pytest.raises(RuntimeError, match="outbox is full"):
        broken.acknowledge(alert_id, "ada")
    assert bench.state(alert_id) == "active_unacknowledged"
    assert len(bench.desk.history(alert_id)) == 1


def test_news_comes_after_the_commit_with_a_growing_number(bench: Bench) -> None:
    with bench.news.subscribe() as reader:
        alert_id = bench.raised()
        bench.desk.acknowledge(alert_id, "ada")
        bench.desk.out_of_service("oak", "ada", "works")
        events = [reader.get(0), reader.get(0), reader.get(0)]
    assert [(e.kind, e.subject, e.change_no) for e in events if e] == [
        ("alert", alert_id, 1), ("alert", alert_id, 2), ("station", "oak", 0),
    ]  # fmt: skip
    changed = bench.desk.alerts(AlertQuery(changed_after=1)).items
    assert [view.alert.alert_id for view in changed] == [alert_id]
    assert bench.desk.counts().change_no == 2


# ---- every row of the standard's table that a desk without latching can reach


def brought_to(bench: Bench, state: str, condition: str) -> str:
    """An alert in this state of use."""
    made = bench.raised(condition=condition)
    if state == "active_acknowledged":
        bench.desk.acknowledge(made, "ada")
    if state == "returned_unacknowledged":
        bench.desk.cleared(made, NOON - 60)
    assert bench.state(made) == state
    return made


@pytest.mark.parametrize("state", ["active_unacknowledged", "active_acknowledged", "returned_unacknowledged"])
def test_from_every_state_of_use_it_can_be_held_and_comes_back_as_the_table_has_it(
    bench: Bench, state: str
) -> None:
    # Source: IEC 62682 / ISA-18.2 state diagram, from memory; back in use it is what the condition is then
    def shelve(made: str) -> None:
        bench.desk.shelve(made, "ada", "why", NOON + HOUR)

    def suppress(_made: str) -> None:
        bench.desk.suppress("eva", "why", station="elm")

    def release(_made: str) -> None:
        bench.desk.release(bench.desk.suppressions()[0].id, "eva")

    ways = (
        (shelve, lambda made: bench.desk.unshelve(made, "ada"), "shelved"),
        (suppress, release, "suppressed_by_design"),
        (
            lambda _: bench.desk.out_of_service("elm", "ada", "why"),
            lambda _: bench.desk.return_to_service("elm", "ada"),
            "out_of_service",
        ),
    )
    for (hold, let_go, held), (condition, clears) in zip(
        [way for way in ways for _ in (0, 1)],
        [("drift", False), ("creep", True), ("hunting", False), ("unfamiliar", True), ("held_shut", False),
         ("set_changed", True)],
        strict=True,
    ):  # fmt: skip
        made = brought_to(bench, state, condition)
        hold(made)
        assert bench.state(made) == held
        holds = state != "returned_unacknowledged"
        if clears and holds:
            bench.desk.cleared(made, NOON)
            assert bench.state(made) == held
        let_go(made)
        assert bench.state(made) == ("active_unacknowledged" if holds and not clears else "normal")
        if holds and not clears:  # out of the way of the next
            bench.desk.cleared(made, NOON)


# ---- several at once, and a database that is locked


def test_of_two_people_at_once_one_acknowledges_and_one_is_told(bench: Bench) -> None:
    for n in range(5):
        made = bench.raised(condition=["drift", "creep", "hunting", "unfamiliar", "held_shut"][n])
        barrier, answers = threading.Barrier(2), []

        def acknowledge(who: str, made: str = made, barrier=barrier, answers=answers) -> None:
            barrier.wait()
            try:
                bench.desk.acknowledge(made, who)
                answers.append(None)
            except DeskError as error:
                answers.append(str(error))

        threads = [threading.Thread(target=acknowledge, args=(who,)) for who in ("ada", "bob")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
        assert sorted(answer is None for answer in answers) == [False, True]
        assert [h.what for h in bench.desk.history(made)] == ["acknowledge", "condition_true"]


def test_while_the_database_is_locked_nothing_changes_and_later_it_does(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database_module, "BUSY_S", 1)
    database = database_module.open_database(database_url)
    bench = Bench(database)
    made = bench.raised()
    with database.session() as other:
        other.get_one(CounterRow, "change", with_for_update=True)
        with pytest.raises(DatabaseError, match="locked by another program"):
            bench.desk.acknowledge(made, "ada")
        with pytest.raises(DatabaseError, match="locked by another program"):
            bench.desk.raised(verdict(condition="creep"))
        assert bench.state(made) == "active_unacknowledged"  # reading goes on
    assert len(bench.changes) == 1
    assert bench.desk.raised(verdict(condition="creep")) is not None
    assert bench.desk.acknowledge(made, "ada").alert.state == "active_acknowledged"
    database.close()
