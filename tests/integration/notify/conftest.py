"""Fixtures of the notification tests."""

import io
import logging

import pytest


@pytest.fixture
def root_log():
    """What the root logger is handed at its most talkative, as a function that gives the text so far."""
    names = ("", "apprise", "urllib3", "requests", "steadyhead")
    before = {name: logging.getLogger(name).level for name in names}
    kept = io.StringIO()
    handler = logging.StreamHandler(kept)
    logging.getLogger().addHandler(handler)
    for name in names:
        logging.getLogger(name).setLevel(1)
    yield kept.getvalue
    logging.getLogger().removeHandler(handler)
    for name, level in before.items():
        logging.getLogger(name).setLevel(level)
