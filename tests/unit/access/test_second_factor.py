"""Codes against the published vectors, and what is refused."""

import base64

import pyotp
import pytest

from steadyhead.access.second_factor import PERIOD_S, address, in_groups, new_secret, step_of

# RFC 6238, appendix B, SHA-1: the ASCII secret "12345678901234567890", eight digits, steps of 30 s from 0.
RFC_SECRET = base64.b32encode(b"12345678901234567890").decode()
RFC_CODES = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]
# RFC 4226, appendix D: the same secret, six digits, counters 0 to 9.
COUNTER_CODES = [
    "755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489",
]  # fmt: skip


@pytest.mark.parametrize(("now_s", "code"), RFC_CODES)
def test_the_codes_of_the_standard_are_taken_at_their_time(now_s, code):
    assert step_of(RFC_SECRET, code, now_s, digits=8) == now_s // 30
    assert step_of(RFC_SECRET, code, now_s + 90, digits=8) is None


@pytest.mark.parametrize(("counter", "code"), list(enumerate(COUNTER_CODES))[1:])
def test_six_digits_as_the_standard_below_has_them(counter, code):
    assert step_of(RFC_SECRET, code, counter * PERIOD_S + 12) == counter


@pytest.mark.parametrize(
    ("after_s", "is_taken"), [(-60, False), (-30, True), (0, True), (30, True), (60, False)]
)
def test_a_clock_that_is_off_by_one_step_is_borne(after_s, is_taken):
    secret, now_s = new_secret(), 1_760_000_010
    code = pyotp.TOTP(secret).at(now_s + after_s)
    assert (step_of(secret, code, now_s) is not None) is is_taken


def test_no_code_is_taken_twice_nor_an_older_one_after_it():
    secret, now_s = new_secret(), 1_760_000_010
    codes = pyotp.TOTP(secret)
    used = step_of(secret, codes.at(now_s), now_s)
    assert step_of(secret, codes.at(now_s), now_s, used) is None
    assert step_of(secret, codes.at(now_s - 30), now_s, used) is None
    assert step_of(secret, codes.at(now_s + 30), now_s, used) == used + 1


@pytest.mark.parametrize("code", ["", "12345", "1234567", "12345a", "١٢٣٤٥٦", "-12345", "12 34"])
def test_what_is_no_code_is_refused(code):
    assert step_of(RFC_SECRET, code, 59) is None


def test_a_code_may_be_typed_in_groups():
    assert step_of(RFC_SECRET, " 287 082 ", 45) == 1


def test_secrets_differ_and_are_long_enough():
    secrets = {new_secret() for _ in range(20)}
    assert len(secrets) == 20
    assert all(len(base64.b32decode(one)) == 20 for one in secrets)
    assert in_groups("ABCDEFGHIJ") == "ABCD EFGH IJ"


def test_an_app_gets_name_and_secret():
    found = pyotp.parse_uri(address(RFC_SECRET, "kim@works"))
    assert (found.secret, found.name, found.issuer, found.digits) == (
        RFC_SECRET,
        "kim@works",
        "Steadyhead",
        6,
    )
