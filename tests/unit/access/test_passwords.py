"""Passwords: what is accepted, and how they are kept."""

import argon2
import pytest

from steadyhead.access import passwords
from steadyhead.access.lockout import wait_s
from steadyhead.errors import AccessError

GOOD = "copper kettle on the hob"


@pytest.mark.parametrize(
    ("password", "told"),
    [
        ("short", "has 5 characters, wanted 12 or more"),
        ("x" * 200, "has 200 characters; 128 are the most"),
        ("aaaaaaaaaaaaaaaa", "repeats the same few characters"),
        ("ababababababab", "repeats the same few characters"),
        ("Password1234", "among the first that anybody tries"),
        ("kim.pemberton1", "little more than the account's name"),
        ("a zero \x00 in the words", "cannot be typed"),
        ("half a letter \ud800 here", "cannot be typed"),
    ],
)
def test_a_weak_password_is_refused_with_a_reason(password, told):
    with pytest.raises(AccessError, match=told) as met:
        passwords.check_new(password, "kim.pemberton")
    assert password not in str(met.value)


@pytest.mark.parametrize(
    "password", [GOOD, "пароль из слов", "kim.pemberton has a long phrase", "a1!" * 5 + "xy"]
)
def test_a_long_one_is_taken_whatever_it_is_made_of(password):
    passwords.check_new(password, "kim.pemberton")


def test_the_hash_is_argon2id_at_the_stated_cost():
    # The form of the hash is that of the argon2 reference library: independent.
    hashed = passwords.hashed(GOOD)
    found = argon2.extract_parameters(hashed)
    assert hashed.startswith("$argon2id$")
    assert (found.memory_cost, found.time_cost, found.parallelism) == (64 * 1024, 3, 1)
    assert found.salt_len >= 16
    assert GOOD not in hashed
    assert hashed != passwords.hashed(GOOD)


def test_only_the_right_password_fits():
    hashed = passwords.hashed(GOOD)
    assert passwords.is_right(hashed, GOOD)
    assert not passwords.is_right(hashed, GOOD + " ")
    assert not passwords.is_right(hashed, "x" * 10_000)
    assert not passwords.is_right("not a hash", GOOD)
    assert not passwords.is_right(hashed, GOOD + "\ud800")


def test_a_letter_typed_in_two_ways_is_one_password():
    # Unicode: "é" is one code point or two; NFC makes them one.
    assert passwords.is_right(
        passwords.hashed("caf\u00e9 caf\u00e9 caf\u00e9"), "cafe\u0301 cafe\u0301 cafe\u0301"
    )


def test_a_hash_of_lower_cost_is_outdated():
    cheap = argon2.PasswordHasher(time_cost=1, memory_cost=8 * 1024, parallelism=1).hash(GOOD)
    assert passwords.is_outdated(cheap)
    assert not passwords.is_outdated(passwords.hashed(GOOD))


def test_the_wait_grows_and_ends():
    # By hand: four free tries, then 30 s doubling to 15 minutes.
    assert [wait_s(n) for n in range(12)] == [0, 0, 0, 0, 0, 30, 60, 120, 240, 480, 900, 900]
    assert wait_s(10_000) == 900
