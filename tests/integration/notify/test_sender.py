"""The sender with real receivers, on both databases; the clocks are set by hand."""

import json
import logging
import time
from contextlib import contextmanager

import pytest
from sqlalchemy import select, update

from steadyhead.desk.desk import Desk
from steadyhead.errors import DatabaseError
from steadyhead.notify import outbox
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.plan import Plan
from steadyhead.notify.sender import Sender, wait_s
from steadyhead.notify.settings import NotifySettings, Trying
from steadyhead.notify.state import channel_states, undelivered
from steadyhead.store.tables import OutboxRow

from .messages import KNOWLEDGE, RAISED_S, REGISTRY, STATIONS, verdict
from .receivers import HttpReceiver, answer, hang


class Now:
    def __init__(self):
        self.at_s = float(RAISED_S + 10)

    def __call__(self) -> float:
        return self.at_s


class Place:
    """Desk, outbox and sender on one database."""

    def __init__(self, database, settings: NotifySettings):
        self.now = Now()
        self.database = database
        self.settings = settings
        plan = Plan(settings, REGISTRY, KNOWLEDGE, self.now)
        self.desk = Desk(database, KNOWLEDGE, REGISTRY, self.now, (plan.hook,))
        self.sender = self.new_sender()

    def new_sender(self, **more) -> Sender:
        return Sender(self.settings, self.database, self.now, steady=self.now, **more)

    def look(self, after_s: float = 0.0) -> None:
        self.now.at_s += after_s
        self.sender.look()

    def rows(self) -> list[OutboxRow]:
        with self.database.reading() as session:
            return list(session.scalars(select(OutboxRow).order_by(OutboxRow.id)))

    def state(self, channel: str):
        with self.database.reading() as session:
            names = tuple(self.settings.channels)
            return {s.channel: s for s in channel_states(session, int(self.now()), names)}[channel]


@pytest.fixture
def place(database):
    def make(receiver: HttpReceiver, rules=({"channels": "desk"},), hook=(), **more) -> Place:
        hook = {"url": receiver.url, "timeout_s": 2, **dict(hook)}
        made = {"web_hooks": {"desk": hook, "phone": hook}, "rules": list(rules), **more}
        return Place(database, NotifySettings.model_validate(made))

    return make


def told(receiver: HttpReceiver) -> list[tuple[str, str]]:
    posts = [json.loads(request.body) for request in receiver.requests]
    return [(c["change"], c["alert"]["station"]) for post in posts for c in post["changes"]]


def keys(receiver: HttpReceiver) -> list[str]:
    return [request.headers["Idempotency-Key"] for request in receiver.requests]


def test_a_message_is_sent_once_and_recorded(place):
    with HttpReceiver() as receiver:
        here = place(receiver)
        here.desk.raised(verdict("elm"))
        for _ in range(5):
            here.look(100)
        assert (here.state("desk").sent, here.state("desk").waiting) == (1, 0)
        here.sender = here.new_sender()  # as after a restart
        here.look(100_000)
    assert told(receiver) == [("raised", "elm")]
    (row,) = here.rows()
    assert (row.sent_s, row.tries, row.last_error) == (RAISED_S + 110, 1, None)
    assert here.state("desk").sent == 0  # more than a day ago


def test_what_fails_hangs_and_redirects_is_tried_again_with_growing_waits_until_taken(place):
    behaviour = [answer(500), hang(3), answer(302, Location="/x"), answer(503), answer(204)]
    with HttpReceiver(behaviour) as receiver:
        here = place(receiver, hook={"timeout_s": 0.5})
        here.desk.raised(verdict("elm"))
        began = here.now()
        tried_after = []
        for _ in range(300):
            seen = len(receiver.requests)
            here.sender.look()
            if len(receiver.requests) > seen:
                tried_after.append(here.now() - began)
            here.now.at_s += 1
    # first_wait_s 10, doubling: 10, 20, 40, 80 after each failure; by hand
    assert tried_after == [0, 10, 30, 70, 150]
    assert len(set(keys(receiver))) == 1
    (row,) = here.rows()
    assert (row.tries, row.last_error) == (5, None)
    assert row.sent_s is not None


def test_waits_double_up_to_the_longest():
    trying = Trying(first_wait_s=10, longest_wait_s=900)
    # 10, 20, 40, 80, 160, 320, 640, then 900; by hand
    assert [wait_s(trying, n) for n in (1, 2, 3, 7, 8, 9, 5000)] == [10, 20, 40, 640, 900, 900, 900]


def test_a_restart_does_not_shorten_a_wait(place):
    with HttpReceiver([answer(500)]) as receiver:
        here = place(receiver)
        here.desk.raised(verdict("elm"))
        here.look()
        for _ in range(9):
            here.sender = here.new_sender()
            here.look(1)
        assert len(receiver.requests) == 1
        here.sender = here.new_sender()
        here.look(1)
    assert len(receiver.requests) == 2


def test_the_wait_a_receiver_asks_for_is_kept(place):
    with HttpReceiver([answer(429, Retry_After="300"), answer(200)]) as receiver:
        here = place(receiver)
        here.desk.raised(verdict("elm"))
        here.look()
        here.look(299)
        assert len(receiver.requests) == 1
        here.look(2)
    assert len(receiver.requests) == 2


def test_trying_ends_and_the_message_is_shown_counted_and_kept(place, caplog):
    with HttpReceiver([answer(500, "out of paper")]) as receiver:
        here = place(receiver, trying={"give_up_after_h": 1, "longest_wait_s": 600})
        here.desk.raised(verdict("elm"))
        for _ in range(200):
            here.look(60)
    (row,) = here.rows()
    assert row.sent_s is None
    assert 3600 <= row.gave_up_s - row.made_s <= 3600 + 600 + 60
    assert row.tries == len(receiver.requests)
    assert 'answered 500 Internal Server Error: "out of paper"' in row.last_error
    state = here.state("desk")
    assert (state.gave_up, state.waiting, state.last_error) == (1, 0, row.last_error)
    with here.database.reading() as session:
        (lost,) = undelivered(session)
    assert (lost.station, lost.change, lost.channel, lost.why) == ("elm", "raised", "desk", row.last_error)
    assert "gave up" in caplog.text


def test_a_clear_is_not_told_before_the_raise(place):
    with HttpReceiver([answer(500), answer(200)]) as receiver:
        here = place(receiver)
        alert = here.desk.raised(verdict("elm"))
        here.look()
        here.desk.cleared(alert.alert_id, RAISED_S + 60)
        here.look()
        here.look(5)
        assert told(receiver) == [("raised", "elm")]
        here.look(10)
        here.look(1)
    assert told(receiver) == [("raised", "elm"), ("raised", "elm"), ("cleared", "elm")]


def test_one_message_a_receiver_cannot_take_does_not_hold_up_the_others(place):
    def refuse_elm(handler):
        is_elm = json.loads(receiver.requests[-1].body)["changes"][0]["alert"]["station"] == "elm"
        answer(400 if is_elm else 200)(handler)

    with HttpReceiver([refuse_elm]) as receiver:
        here = place(receiver)
        for name in ("elm", "oak", "ash"):
            here.desk.raised(verdict(name))
        for _ in range(8):
            here.look(10)
    sent = {row.payload["alert"]["station"] for row in here.rows() if row.sent_s is not None}
    assert sent == {"oak", "ash"}
    assert here.state("desk").failing == 1


def test_a_channel_that_hangs_holds_up_no_other(database):
    with HttpReceiver([hang(4)]) as slow, HttpReceiver() as quick:
        settings = NotifySettings.model_validate(
            {
                "web_hooks": {"slow": {"url": slow.url, "timeout_s": 3}, "quick": {"url": quick.url}},
                "rules": [{"channels": ["slow", "quick"]}],
            }
        )
        here = Place(database, settings)
        sender = here.new_sender(look_every_s=0.05)
        sender.start()
        here.desk.raised(verdict("elm"))
        assert wait_until(lambda: len(slow.requests) == 1 and len(quick.requests) == 1, 2.5)
        here.desk.raised(verdict("oak"))
        assert wait_until(lambda: len(quick.requests) == 2, 2.5)
        assert len(slow.requests) == 1
        sender.stop(patience_s=6)


def wait_until(holds, patience_s: float) -> bool:
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        if holds():
            return True
        time.sleep(0.02)
    return False


def test_an_escalation_goes_out_when_nobody_acknowledges(place):
    rules = [{"channels": "desk"}, {"channels": "phone", "changes": "not_acknowledged", "after_min": 15}]
    with HttpReceiver() as receiver:
        here = place(receiver, rules)
        first, second = here.desk.raised(verdict("elm")), here.desk.raised(verdict("oak"))
        here.look()
        here.desk.acknowledge(second.alert_id, "park")
        here.look(899)
        assert told(receiver) == [("raised", "elm"), ("raised", "oak")]
        here.desk.updated(verdict("elm", updated_s=RAISED_S + 60, evidence=("It has grown.",)))
        here.look(1)
        here.look(3600)
    assert told(receiver)[2:] == [("not_acknowledged", "elm")]
    latest = json.loads(receiver.requests[-1].body)["changes"][0]["alert"]
    assert latest["evidence"] == ["It has grown."]  # the alert as it is when nobody has come
    assert first.alert_id == latest["alert_id"]


def test_an_acknowledgement_while_the_outbox_could_not_be_changed_still_stops_an_escalation(place):
    """The row is looked at again when it is due: here it was not withdrawn, as by an older version."""
    rules = [{"channels": "phone", "changes": "not_acknowledged", "after_min": 15}]
    with HttpReceiver() as receiver:
        here = place(receiver, rules)
        alert = here.desk.raised(verdict("elm"))
        Desk(here.database, KNOWLEDGE, REGISTRY, here.now).acknowledge(alert.alert_id, "park")  # no hook
        assert len(here.rows()) == 1
        here.look(901)
    assert receiver.requests == []
    assert here.rows() == []


FLOOD = {"gather_over": 3, "list_at_most": 5}


def raise_many(here: Place, names) -> None:
    for name in names:
        here.desk.raised(verdict(name))


def test_a_few_come_one_by_one(place):
    with HttpReceiver() as receiver:
        here = place(receiver, hook=FLOOD)
        raise_many(here, STATIONS[:3])
        here.look()
    assert len(receiver.requests) == 3


def test_a_flood_becomes_one_message_and_one_a_minute_after_that(place):
    with HttpReceiver() as receiver:
        here = place(receiver, hook=FLOOD)
        raise_many(here, STATIONS[:6])
        here.look()
        assert [len(json.loads(request.body)["changes"]) for request in receiver.requests] == [6]
        here.look(5)
        for n, name in enumerate(STATIONS[6:12]):
            here.desk.raised(verdict(name))
            here.look(5 if n else 1)
        for _ in range(30):
            here.look(5)
        counts = [len(json.loads(request.body)["changes"]) for request in receiver.requests]
    assert sum(counts) == 12
    assert len(counts) <= 5
    members = [row for row in here.rows() if row.change != outbox.GATHERED]
    assert len(members) == 12
    assert all(row.sent_s is not None for row in members)
    assert here.state("desk").sent == 12


def test_a_gathered_message_is_the_same_at_every_try_even_after_a_restart(place):
    with HttpReceiver([answer(500), answer(500), answer(200)]) as receiver:
        here = place(receiver, hook=FLOOD)
        raise_many(here, STATIONS[:6])
        here.look()
        assert here.state("desk").failing == 6
        here.sender = here.new_sender()
        here.look(15)
        raise_many(here, STATIONS[6:7])
        here.look(60)
    first, again, last, *_ = receiver.requests
    assert first.body == again.body == last.body
    assert len(set(keys(receiver)[:3])) == 1
    assert here.state("desk").sent == 7


def test_a_gathered_message_that_is_given_up_gives_up_all_it_holds(place):
    with HttpReceiver([answer(500)]) as receiver:
        here = place(receiver, hook=FLOOD, trying={"give_up_after_h": 1})
        raise_many(here, STATIONS[:6])
        for _ in range(80):
            here.look(60)
    assert here.state("desk").gave_up == 6
    with here.database.reading() as session:
        assert {lost.station for lost in undelivered(session)} == set(STATIONS[:6])


def test_a_success_that_cannot_be_recorded_is_recorded_later_and_not_sent_again(place, monkeypatch):
    with HttpReceiver() as receiver:
        here = place(receiver)
        raise_many(here, ("elm",))
        real, is_gone = here.database.session, []

        @contextmanager
        def session():
            if receiver.requests and not is_gone:
                raise DatabaseError("gone")
            with real() as opened:
                yield opened

        monkeypatch.setattr(here.database, "session", session)
        for _ in range(10):
            here.look(200)  # far beyond the time for which the row was claimed
        assert len(receiver.requests) == 1
        is_gone.append("no more")
        here.look(1)
        here.look(100_000)
    assert told(receiver) == [("raised", "elm")]
    assert here.rows()[0].sent_s == RAISED_S + 210  # when it was taken


def test_two_services_on_one_database_do_not_send_the_same(place):
    with HttpReceiver([hang(1)]) as receiver:
        here = place(receiver, hook={"timeout_s": 2})
        here.desk.raised(verdict("elm"))
        with here.database.session() as session:
            taken = outbox.claim(session, 1, int(here.now()), lease_s=60)
        assert taken is not None
        here.look(59)
        assert receiver.requests == []
        here.look(2)  # the other has died with it
        assert len(receiver.requests) == 1
    assert here.rows()[0].tries == 2


def test_messages_of_a_channel_that_was_removed_are_not_forgotten(place):
    with HttpReceiver() as receiver:
        here = place(receiver, trying={"give_up_after_h": 1})
        here.desk.raised(verdict("elm"))
        with here.database.session() as session:
            session.execute(update(OutboxRow).values(channel="old_desk"))
        here.look()
        (row,) = here.rows()
        assert "there is no channel old_desk in the settings any more" in row.last_error
        for _ in range(80):
            here.look(60)
    assert here.state("old_desk").gave_up == 1
    assert here.state("desk").sent == 0


def test_a_defect_in_a_channel_loses_nothing_and_its_text_is_not_kept(place):
    class Broken:
        def send(self, message, manner):
            raise ZeroDivisionError("secret-word")

    with HttpReceiver() as receiver:
        here = place(receiver)
        here.desk.raised(verdict("elm"))
        here.sender = here.new_sender(open_sending=lambda _: Broken())
        here.look()
        (row,) = here.rows()
        assert row.last_error == "a defect in the channel (ZeroDivisionError)"
        here.sender = here.new_sender()
        here.look(11)
    assert told(receiver) == [("raised", "elm")]


def test_no_secret_reaches_log_or_outbox(place, root_log, monkeypatch):
    monkeypatch.setenv("KEY", "secret-key")
    monkeypatch.setenv("TOKEN", "Bearer secret-token")
    with HttpReceiver() as receiver:
        monkeypatch.setenv("HOOK_URL", f"{receiver.url}/secret-path")
        receiver.then = [answer(403, "secret-token is wrong for /hook/secret-path"), answer(200)]
        here = place(
            receiver,
            hook={
                "url": None,
                "url_from": {"env": "HOOK_URL"},
                "sign_with": {"env": "KEY"},
                "headers": [{"name": "Authorization", "from": {"env": "TOKEN"}}],
            },
        )
        here.desk.raised(verdict("elm"))
        here.look()
        (row,) = here.rows()
        kept = f"{row.payload} {row.last_error}"
        here.look(11)
    logging.getLogger("steadyhead").debug("the log is kept")
    assert receiver.requests[0].path == "/hook/secret-path"
    assert "try 1 failed" in root_log()
    assert "answered 403" in kept
    for secret in ("secret-key", "secret-token", "secret-path"):
        assert secret not in kept
        assert secret not in root_log()


def test_people_who_were_served_are_remembered_over_a_restart(database):
    """A mail server that refuses one of two addresses; the rest of it is in test_email.py."""
    seen = []

    class OneOfTwo:
        def send(self, message, manner):
            seen.append(message.done)
            if not message.done:
                raise NotTakenError("b refused", done=("a@example.org",))

    hook = {"url": "http://127.0.0.1:9/"}
    here = Place(
        database,
        NotifySettings.model_validate({"web_hooks": {"desk": hook}, "rules": [{"channels": "desk"}]}),
    )
    here.desk.raised(verdict("elm"))
    here.sender = here.new_sender(open_sending=lambda _: OneOfTwo())
    here.look()
    here.sender = here.new_sender(open_sending=lambda _: OneOfTwo())
    here.look(11)
    assert seen == [(), ("a@example.org",)]
    assert here.state("desk").sent == 1
