"""Who is told, and when. Expected answers are by hand, from the settings above each test."""

from datetime import UTC, datetime

import pytest

from steadyhead.notify.routing import Happening, Route, routes
from steadyhead.notify.settings import NotifySettings


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


NOON = at("2025-06-04 12:00")  # a Wednesday
NIGHT = at("2025-06-04 23:30")
MORNING = at("2025-06-05 06:00")


def settings(rules: list[dict], **more) -> NotifySettings:
    hook = {"url": "http://127.0.0.1:9/"}
    channels = {"desk": hook, "phone": hook, "mail": hook}
    return NotifySettings.model_validate({"web_hooks": channels, "rules": rules, **more})


def told(chosen: NotifySettings, at_s: int = NOON, **differs) -> dict[str, int]:
    usual = {
        "change": "raised",
        "priority": "medium",
        "condition": "drift",
        "station": "elm",
        "zone": "north",
    }
    return {
        route.channel: route.due_s for route in routes(chosen, Happening(**{**usual, **differs}, at_s=at_s))
    }


def test_nobody_is_told_without_a_rule():
    assert told(settings([])) == {}


@pytest.mark.parametrize(
    ("rule", "matching", "other"),
    [
        ({"at_least": "medium"}, {"priority": "high"}, {"priority": "low"}),
        ({"conditions": ["drift", "creep"]}, {"condition": "creep"}, {"condition": "hunting"}),
        ({"zones": "north"}, {"zone": "north"}, {"zone": None}),
        ({"stations": ["elm", "oak"]}, {"station": "oak"}, {"station": "ash"}),
        ({"changes": "cleared"}, {"change": "cleared"}, {"change": "raised"}),
        ({"hours": {"days": "mon-fri", "from": "07:00", "to": "18:00"}}, {}, {"at_s": NIGHT}),
    ],
)
def test_a_rule_speaks_of_what_it_names_and_of_nothing_else(rule, matching, other):
    chosen = settings([{"channels": "desk", **rule}])
    assert "desk" in told(chosen, **matching)
    assert told(chosen, **other) == {}


def test_people_are_reached_by_all_their_channels_by_name_or_role():
    people = {
        "park": {"role": "engineer", "channels": ["phone", "mail"]},
        "silva": {"role": "operator", "channels": ["desk"]},
    }
    assert set(told(settings([{"people": "park"}], people=people))) == {"phone", "mail"}
    assert set(told(settings([{"roles": ["operator", "engineer"]}], people=people))) == {
        "desk",
        "phone",
        "mail",
    }
    assert set(told(settings([{"roles": "operator"}], people=people))) == {"desk"}


def test_several_rules_to_one_channel_make_one_message():
    chosen = settings([{"channels": "desk"}, {"channels": ["desk", "mail"], "at_least": "medium"}])
    assert routes(chosen, Happening("raised", "high", "drift", "elm", None, NOON)) == (
        Route("desk", NOON),
        Route("mail", NOON),
    )


def person(then: str, lets_through: str = "high") -> dict:
    quiet = {"from": "22:00", "to": "06:00", "then": then, "lets_through": lets_through}
    return {"park": {"channels": ["phone"], "quiet": quiet}}


def test_quiet_hours_delay_until_they_are_over():
    chosen = settings([{"people": "park"}], people=person("delay"))
    assert told(chosen, NIGHT) == {"phone": MORNING}
    assert told(chosen, NOON) == {"phone": NOON}


def test_quiet_hours_drop_where_they_are_set_to():
    chosen = settings([{"people": "park"}], people=person("drop"))
    assert told(chosen, NIGHT) == {}
    assert told(chosen, NOON) == {"phone": NOON}


def test_high_priority_is_let_through_unless_told_otherwise():
    assert told(settings([{"people": "park"}], people=person("drop")), NIGHT, priority="high") == {
        "phone": NIGHT
    }
    none = settings([{"people": "park"}], people=person("delay", "none"))
    assert told(none, NIGHT, priority="high") == {"phone": MORNING}
    low = settings([{"people": "park"}], people=person("delay", "low"))
    assert told(low, NIGHT, priority="low") == {"phone": NIGHT}


def test_a_channel_that_is_reached_in_two_ways_is_told_by_the_earlier():
    chosen = settings([{"people": "park"}, {"channels": "phone"}], people=person("drop"))
    assert told(chosen, NIGHT) == {"phone": NIGHT}


def test_quiet_hours_of_person_and_channel_both_hold():
    quiet = {"from": "05:00", "to": "08:00"}
    chosen = settings(
        [{"people": "park"}],
        people=person("delay"),
        web_hooks={"phone": {"url": "http://127.0.0.1:9/", "quiet": quiet}},
    )
    assert told(chosen, NIGHT) == {"phone": at("2025-06-05 08:00")}


def test_an_escalation_is_due_when_its_time_is_up_by_the_hours_of_that_moment():
    rules = [
        {"channels": "phone", "changes": "not_acknowledged", "after_min": 15},
        {"channels": "phone", "changes": "not_acknowledged", "after_min": 60, "at_least": "high"},
        {
            "channels": "mail",
            "changes": "not_acknowledged",
            "after_min": 30,
            "hours": {"from": "12:20", "to": "13:00"},
        },
    ]
    happening = Happening("not_acknowledged", "high", "drift", "elm", None, NOON)
    assert routes(settings(rules), happening) == (
        Route("phone", NOON + 900, 15),
        Route("phone", NOON + 3600, 60),
        Route("mail", NOON + 1800, 30),
    )


def test_hours_go_by_the_clock_of_the_settings():
    rule = {"channels": "desk", "hours": {"from": "07:00", "to": "18:00"}}
    assert told(settings([rule]), at("2025-06-04 17:30")) != {}
    assert told(settings([rule], time_zone="Europe/Paris"), at("2025-06-04 17:30")) == {}
