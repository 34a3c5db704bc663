"""Subjects and lists; expected words by hand."""

import pytest

from steadyhead.notify.message import Message, worst_first
from steadyhead.notify.words import Manner, as_text, blocks, subject

from .messages import RAISED_S, item_of, message_of


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("raised", "elm: Outlet has drifted from set, medium priority"),
        ("cleared", "Over: elm: Outlet has drifted from set, medium priority"),
        ("priority_raised", "Now more urgent: elm: Outlet has drifted from set, medium priority"),
        ("not_acknowledged", "Nobody has acknowledged: elm: Outlet has drifted from set, medium priority"),
    ],
)
def test_the_subject_says_what_has_happened(change, words):
    assert subject(message_of("elm", change=change)) == words


def test_the_worst_comes_first_in_a_list_and_in_its_subject():
    items = (
        item_of("elm", "cleared"),
        item_of("oak", "raised"),
        item_of("ash", "raised", "failure_to_close"),
    )
    assert items[2].priority == "high"
    assert [item.station for item in worst_first(items)] == ["ash", "oak", "elm"]
    message = Message("k", RAISED_S, items)
    assert subject(message).startswith("3 changes of alerts (1 high, 2 medium priority); worst: ash:")
    text = as_text(blocks(message, Manner(None, with_checks=True, list_at_most=2)))
    assert text.index("- ash:") < text.index("- oak:")
    assert "elm" not in text
    assert "And 1 more (1 medium priority) that are not listed here." in text


def test_what_is_over_has_an_end_and_no_checks():
    message = message_of("elm", change="cleared", ended_s=RAISED_S + 3600, updated_s=RAISED_S + 3600)
    text = as_text(blocks(message, Manner(None, with_checks=True, list_at_most=5)))
    assert "over Wed 04 Jun 03:20 (Europe/London)" in text  # 02:20 UTC
    assert "WHAT TO CHECK" not in text
