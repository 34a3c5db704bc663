"""The audit in words, and its replay."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from steadyhead.alerts.lifecycle import EVENTS
from steadyhead.desk.audit import replay, sentence


@dataclass
class Line:
    who: str
    what: str
    subject: str = "a1"
    subject_kind: str = "alert"
    why: str = ""
    details: dict[str, Any] = field(default_factory=dict)


def test_a_line_says_who_did_what_and_why() -> None:
    assert sentence(Line("ada", "acknowledge", why="gauge first")) == "ada acknowledged it: gauge first"
    assert sentence(Line("engine", "condition_true")) == "The engine raised it."
    assert sentence(Line("clock", "unshelve", why="its time is over")) == (
        "The clock took it from the shelf: its time is over"
    )
    made = Line(
        "eva", "suppression_made", "3", "suppression", "mast", {"zone": "north", "condition": "creep"}
    )
    assert sentence(made) == "eva suppressed by design: zone north, condition creep: mast"
    proved = Line("eva", "repair_proved", "3", "finding", "", {"result": "not_yet"})
    assert sentence(proved) == "eva compared before and after the repair: not yet."


def test_a_word_of_another_writer_is_shown_as_it_is() -> None:
    assert sentence(Line("root", "account_disabled", "bob", "account", "left")) == (
        "root: account disabled (account bob): left"
    )


@pytest.mark.parametrize("event", EVENTS)
def test_every_event_of_the_lifecycle_has_its_sentence(event: str) -> None:
    assert "{" not in sentence(Line("ada", event))
    assert "(alert" not in sentence(Line("ada", event))  # the form for words not known


def test_what_a_person_writes_is_not_taken_for_a_form() -> None:
    assert sentence(Line("{why}", "acknowledge", why="{who} {}")) == "{why} acknowledged it: {who} {}"


def test_the_replay_follows_the_transition_table() -> None:
    # from memory: IEC 62682 / ISA-18.2; one path through most of the states
    yes, no = {"is_true": True}, {"is_true": False}
    lines = [
        Line("engine", "condition_true", details=yes),
        Line("ada", "finding_recorded", "7", "finding"),
        Line("ada", "acknowledge", details=yes),
        Line("ada", "shelve", details=yes),
        Line("clock", "unshelve", details=yes),
        Line("engine", "condition_true", "b2", details=yes),
        Line("engine", "condition_clear", details=no),
    ]
    assert replay(lines) == {"a1": "returned_unacknowledged", "b2": "active_unacknowledged"}
    assert replay(lines[:4]) == {"a1": "shelved"}
    assert replay([]) == {}
