"""docs/notifications.md cannot rot: its example is read as settings, and every key stands in it."""

import re
from pathlib import Path
from typing import get_args

import pytest

from steadyhead.config.marked_yaml import parse_marked
from steadyhead.notify.channel_settings import Channel, Email, Quiet, Service, WebHook
from steadyhead.notify.channels.web_hook import body
from steadyhead.notify.hours import Hours
from steadyhead.notify.message import Item, Message
from steadyhead.notify.settings import Change, NotifySettings, Person, Rule, Trying
from steadyhead.notify.words import Manner

PAGE = (Path(__file__).parents[3] / "docs" / "notifications.md").read_text()
MODELS = (NotifySettings, Channel, WebHook, Email, Service, Quiet, Hours, Person, Rule, Trying)


def test_the_example_is_read_as_settings():
    example = PAGE[PAGE.index("    notify:") : PAGE.index("Try each channel")]
    example = "\n".join(line[4:] for line in example.splitlines())
    settings = NotifySettings.model_validate(parse_marked(example, "docs").data["notify"])
    assert list(settings.channels) == ["control_room", "duty_mail", "park_phone"]
    assert len(settings.rules) == 3


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_key_is_in_the_docs(model):
    for name, field in model.model_fields.items():
        key = field.alias or name
        assert f"`{key}`" in PAGE or f"{key}:" in PAGE, key


def test_every_change_is_in_the_docs():
    for change in get_args(Change):
        assert f"| `{change}` |" in PAGE


@pytest.mark.parametrize(
    ("settings", "key"),
    [
        (Trying(), "first_wait_s"), (Trying(), "longest_wait_s"), (Trying(), "give_up_after_h"),
        (NotifySettings(), "not_older_than_h"), (NotifySettings(), "time_zone"),
        (NotifySettings(), "with_checks"), (Channel(), "gather_over"), (Channel(), "list_at_most"),
        (Channel(), "timeout_s"),
    ],
)  # fmt: skip
def test_the_usual_value_the_docs_state_is_the_one_in_use(settings, key):
    value = getattr(settings, key)
    written = (
        str(value).lower() if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else value
    )
    assert f"| `{key}` | {written} |" in PAGE


def test_every_field_of_the_web_hooks_body_is_in_the_docs():
    item = Item("k", "raised", 1, {"alert_id": "a"}, "t", None, "UTC", ())
    posted = body(Message("k", 1, (item,)), Manner(None, with_checks=True, list_at_most=1)).decode()
    for key in re.findall(r'"(\w+)":', posted.replace('"alert":{"alert_id":"a"}', '"alert":{}')):
        assert f"`{key}`" in PAGE or f"`changes[].{key}`" in PAGE, key


def test_every_header_is_in_the_docs():
    for header in ("Idempotency-Key", "Steadyhead-Time", "Steadyhead-Signature"):
        assert f"| `{header}` |" in PAGE
