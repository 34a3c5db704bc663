"""From the desk to the outbox, on both databases: messages stand or fall with the change they tell of."""

from dataclasses import replace

import pytest
from sqlalchemy import select

from steadyhead.desk.desk import Desk
from steadyhead.errors import NotifyError
from steadyhead.notify import outbox
from steadyhead.notify.plan import Plan
from steadyhead.notify.settings import NotifySettings
from steadyhead.store.tables import AlertRow, OutboxRow

from .messages import KNOWLEDGE, RAISED_S, REGISTRY, verdict

HOOK = {"url": "http://127.0.0.1:9/"}


class Now:
    """A clock that is set by hand."""

    def __init__(self, at_s: float = RAISED_S + 10):
        self.at_s = at_s

    def __call__(self) -> float:
        return self.at_s


def settings(rules: list[dict], **more) -> NotifySettings:
    channels = {"web_hooks": {"desk": HOOK, "phone": HOOK}}
    return NotifySettings.model_validate({**channels, "rules": rules, **more})


@pytest.fixture
def now():
    return Now()


@pytest.fixture
def desk_with(database, now):
    def make(rules: list[dict], *more_hooks, knowledge=KNOWLEDGE, **more) -> Desk:
        plan = Plan(settings(rules, **more), REGISTRY, knowledge, now)
        return Desk(database, knowledge, REGISTRY, now, (plan.hook, *more_hooks))

    return make


def rows(database) -> list[OutboxRow]:
    with database.reading() as session:
        return list(session.scalars(select(OutboxRow).order_by(OutboxRow.id)))


def changes(database) -> list[tuple[str, str]]:
    return [(row.change, row.channel) for row in rows(database)]


TWICE = [{"channels": "desk"}, {"channels": "phone", "changes": "not_acknowledged", "after_min": 15}]


def test_a_raise_writes_its_message_with_the_whole_alert(database, desk_with, now):
    alert = desk_with(TWICE).raised(verdict("elm"))
    told, later = rows(database)
    assert (told.change, told.channel, told.due_s, told.tries) == ("raised", "desk", now.at_s, 0)
    assert told.payload["alert"]["alert_id"] == alert.alert_id
    assert told.payload["alert"]["state"] == "active_unacknowledged"
    assert told.payload["title"] == "Outlet has drifted from set"
    assert told.payload["time_zone"] == "Europe/London"
    assert (later.change, later.channel, later.due_s) == ("not_acknowledged", "phone", now.at_s + 900)


def test_a_replay_writes_nothing_more(database, desk_with):
    desk = desk_with(TWICE)
    desk.raised(verdict("elm"))
    assert desk.raised(verdict("elm")) is None
    assert len(rows(database)) == 2


def test_what_undoes_the_change_undoes_its_message(database, desk_with):
    def refuse(session, change):
        raise RuntimeError("the transaction ends here")

    desk = desk_with(TWICE, refuse)
    with pytest.raises(RuntimeError, match="ends here"):
        desk.raised(verdict("elm"))
    assert rows(database) == []
    with database.reading() as session:
        assert session.scalar(select(AlertRow)) is None


def test_a_clear_is_told_to_those_who_were_told_and_to_nobody_else(database, desk_with):
    desk = desk_with(
        [{"channels": "desk", "changes": ["raised", "cleared"]}, {"channels": "phone", "changes": "cleared"}]
    )
    alert = desk.raised(verdict("elm"))
    desk.cleared(alert.alert_id, RAISED_S + 600)
    assert changes(database) == [("raised", "desk"), ("cleared", "desk")]
    told = rows(database)[1].payload["alert"]
    assert told["state"] == "returned_unacknowledged"
    assert told["ended_at"] == "2025-06-04T01:30:00Z"  # RAISED_S + 600 s, by date -u


@pytest.mark.parametrize("act", ["acknowledge", "shelve", "clear", "out_of_service", "suppress"])
def test_an_escalation_is_withdrawn_when_somebody_takes_care_or_it_is_over(database, desk_with, now, act):
    desk = desk_with([TWICE[1]])
    alert = desk.raised(verdict("elm"))
    assert changes(database) == [("not_acknowledged", "phone")]
    {
        "acknowledge": lambda: desk.acknowledge(alert.alert_id, "park"),
        "shelve": lambda: desk.shelve(alert.alert_id, "park", "known", int(now()) + 3600),
        "clear": lambda: desk.cleared(alert.alert_id, RAISED_S + 60),
        "out_of_service": lambda: desk.out_of_service("elm", "park", "works"),
        "suppress": lambda: desk.suppress("park", "works", station="elm"),
    }[act]()
    assert rows(database) == []


def test_an_alert_that_comes_back_from_the_shelf_calls_again(database, desk_with, now):
    desk = desk_with(TWICE)
    alert = desk.raised(verdict("elm"))
    desk.shelve(alert.alert_id, "park", "known", int(now()) + 3600)
    now.at_s += 3601
    desk.tick(now())
    assert changes(database) == [("raised", "desk"), ("raised", "desk"), ("not_acknowledged", "phone")]
    assert rows(database)[2].due_s == now.at_s + 900


def test_what_is_held_back_is_not_told(database, desk_with):
    desk = desk_with(TWICE)
    desk.out_of_service("elm", "park", "works")
    desk.raised(verdict("elm"))
    assert rows(database) == []


def test_an_alert_of_long_ago_is_no_news(database, desk_with, now):
    now.at_s = RAISED_S + 25 * 3600
    desk = desk_with(TWICE)
    alert = desk.raised(verdict("elm"))
    desk.cleared(alert.alert_id, RAISED_S + 600)
    assert rows(database) == []


def more_urgent(priority: str):
    entries = {**KNOWLEDGE.entries}
    entries["drift"] = entries["drift"].model_copy(update={"priority": priority})
    return replace(KNOWLEDGE, entries=entries)


def test_a_higher_priority_is_told_once_for_each_it_reaches(database, desk_with, now):
    rules = [{"channels": "desk"}, {"channels": "phone", "changes": "priority_raised", "at_least": "high"}]
    desk_with(rules).raised(verdict("elm"))
    assert changes(database) == [("raised", "desk")]
    raised_to_high = desk_with(rules, knowledge=more_urgent("high"))  # as after a change of causes.yaml
    for n in (60, 120, 180):
        raised_to_high.updated(verdict("elm", updated_s=RAISED_S + n))
    assert changes(database)[1:] == [("priority_raised", "desk"), ("priority_raised", "phone")]
    assert rows(database)[1].payload["alert"]["priority"] == "high"


def test_a_lower_or_equal_priority_is_not_told(database, desk_with):
    desk_with(TWICE).raised(verdict("elm"))
    for priority in ("medium", "low"):
        desk_with(TWICE, knowledge=more_urgent(priority)).updated(verdict("elm", updated_s=RAISED_S + 60))
    assert [change for change, _ in changes(database)] == ["raised", "not_acknowledged"]


def test_what_quiet_hours_put_off_goes_with_what_breaks_them(database, desk_with, now):
    """02:20 in London: medium waits for the morning; high does not, and takes what came before along."""
    quiet = {"from": "22:00", "to": "06:00", "time_zone": "Europe/London"}
    people = {"park": {"channels": ["phone"], "quiet": quiet}}
    rules = [{"people": "park"}]
    desk_with(rules, people=people).raised(verdict("elm"))
    assert rows(database)[0].due_s == RAISED_S - 80 * 60 + 5 * 3600  # 05:00 UTC that day
    now.at_s += 60
    desk_with(rules, people=people, knowledge=more_urgent("high")).updated(
        verdict("elm", updated_s=RAISED_S + 60)
    )
    assert [(row.change, row.due_s) for row in rows(database)] == [
        ("raised", now.at_s),
        ("priority_raised", now.at_s),
    ]


def test_a_rule_about_a_station_or_zone_that_is_not_there_is_told_at_the_start(now):
    rules = [{"channels": "desk", "stations": ["elm", "elmm"], "zones": "nowhere"}]
    with pytest.raises(NotifyError) as caught:
        Plan(settings(rules), REGISTRY, KNOWLEDGE, now)
    assert str(caught.value).splitlines() == [
        'notify.rules[0].stations: "elmm" is no station of the registry; did you mean elm?',
        'notify.rules[0].zones: "nowhere" is no zone of the registry; mend the name, or add it there',
    ]


def test_no_secret_is_kept_in_the_outbox(database, desk_with, monkeypatch):
    monkeypatch.setenv("KEY", "secret-of-the-hook")
    hook = {
        **HOOK,
        "sign_with": {"env": "KEY"},
        "headers": [{"name": "Authorization", "from": {"env": "KEY"}}],
    }
    desk_with(TWICE, web_hooks={"desk": hook, "phone": HOOK}).raised(verdict("elm"))
    for row in rows(database):
        assert "secret" not in f"{row.key} {row.payload} {row.channel}"
        assert row.due_s < outbox.HELD_S
