"""What a person reads of the own account after a sign-in."""

from steadyhead.access.notices import Happened, Notices
from steadyhead.web.arrivals import sentences

NOW_S = 1_760_000_000  # 2025-10-09 08:53:20 UTC


def told(**found):
    usual = {"before": None, "failed": None, "n_failed": 0, "change": None, "is_cut": False}
    return sentences(Notices(**{**usual, **found}), "kim", "UTC", NOW_S)


def in_full(**found):
    return [
        " ".join(part for part in (one.before, one.at and one.at.text, one.after) if part)
        for one in told(**found)
    ]


def test_a_first_sign_in():
    made = Happened(NOW_S - 60, "", "root", "the account was made")
    assert in_full(change=made) == [
        "You have not signed in before.",
        "Last change of the account: the account was made, 08:52 UTC by root.",
    ]


def test_failed_attempts_stand_out():
    before = Happened(NOW_S - 3600, "10.0.0.1", "kim", "signed in")
    failed = Happened(NOW_S - 60, "10.0.0.9", "kim", "sign-in failed")
    assert in_full(before=before, failed=failed, n_failed=3) == [
        "Last sign-in before this one: 07:53 UTC from 10.0.0.1.",
        "Since then 3 attempts failed, the last 08:52 UTC from 10.0.0.9.",
    ]
    assert [one.is_odd for one in told(before=before, failed=failed, n_failed=3)] == [False, True]
    assert in_full(before=before, failed=failed, n_failed=1)[1].startswith("Since then 1 attempt failed")


def test_what_cannot_be_known_is_not_claimed():
    failed = Happened(NOW_S - 60, "", "kim", "sign-in failed")
    assert in_full(failed=failed, n_failed=500, is_cut=True) == [
        "500 or more attempts failed, the last 08:52 UTC from an address that was not kept."
    ]


def test_who_made_a_change():
    for who, words in (("kim", "by you."), ("command line", "on the machine, by the command line.")):
        change = Happened(NOW_S - 60, "", who, "the password was changed")
        assert in_full(change=change)[-1].endswith(f"the password was changed, 08:52 UTC {words}")
