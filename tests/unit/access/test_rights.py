"""Who may do what. Expected rights by hand, from the project's own description of the roles."""

import pytest

from steadyhead.access.actor import (
    IN_WORDS,
    LEAST_ROLE,
    OF_SCOPE,
    ROLES,
    SCOPES,
    Act,
    Actor,
    may,
    who_may,
)

VIEWER = {Act.ENTER, Act.SET_UP_FACTOR, Act.READ, Act.SELF}
OPERATOR = VIEWER | {Act.ACKNOWLEDGE, Act.SHELVE, Act.RECORD_FINDING, Act.TAKE_OUT_OF_SERVICE}
ENGINEER = OPERATOR | {Act.SUPPRESS, Act.PROVE, Act.LEARN, Act.REPORT}
ADMINISTRATOR = ENGINEER | {Act.ACCOUNTS, Act.TOKENS}


@pytest.mark.parametrize(
    ("role", "acts"),
    [("viewer", VIEWER), ("operator", OPERATOR), ("engineer", ENGINEER), ("administrator", ADMINISTRATOR)],
)
def test_a_role_may_do_just_this(role, acts):
    assert {act for act in Act if may(Actor("kim", role=role), act)} == acts


@pytest.mark.parametrize(
    ("scope", "acts"),
    [
        ("read", {Act.ENTER, Act.READ, Act.SELF}),
        ("write_readings", {Act.ENTER, Act.WRITE_READINGS, Act.SELF}),
    ],
)
def test_a_token_may_do_just_this(scope, acts):
    assert {act for act in Act if may(Actor("historian", scope=scope), act)} == acts


@pytest.mark.parametrize("role", ROLES)
def test_who_owes_something_may_see_to_that_and_nothing_else(role):
    new = Actor("kim", role=role, owes="own_password")
    assert {act for act in Act if may(new, act)} == {Act.ENTER}
    bare = Actor("kim", role=role, owes="second_factor")
    assert {act for act in Act if may(bare, act)} == {Act.ENTER, Act.SET_UP_FACTOR}


def test_every_act_has_words_and_somebody_who_may_do_it():
    for act in Act:
        assert IN_WORDS[act]
        assert act in LEAST_ROLE or any(act in OF_SCOPE[scope] for scope in SCOPES)


def test_a_refusal_names_who_may():
    assert who_may(Act.SUPPRESS) == "the role engineer or administrator"
    assert who_may(Act.WRITE_READINGS) == "a token of scope write_readings"
    assert (
        who_may(Act.READ)
        == "the role viewer or operator or engineer or administrator, or a token of scope read"
    )


@pytest.mark.parametrize(("role", "scope"), [(None, None), ("viewer", "read")])
def test_an_actor_is_a_person_or_a_program(role, scope):
    with pytest.raises(ValueError, match="either a role or a scope"):
        Actor("kim", role=role, scope=scope)


def test_an_account_and_a_token_of_one_name_are_told_apart():
    assert Actor("kim", role="viewer").key != Actor("kim", scope="read").key


def test_roles_stand_from_least_to_most():
    assert ROLES == ("viewer", "operator", "engineer", "administrator")
