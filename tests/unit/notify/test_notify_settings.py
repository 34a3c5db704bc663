"""Mistakes in the settings are told with their place; what could leak or lead astray is refused."""

import re

import pytest
from pydantic import ValidationError

from steadyhead.config.load import model_mistakes
from steadyhead.config.marked_yaml import parse_marked
from steadyhead.notify.settings import NotifySettings

WHOLE = """
public_url: https://steadyhead.example.org
time_zone: Europe/London
web_hooks:
  control_room:
    url: https://scada.example.org/alerts
    sign_with: {file: hook.key}
    headers: [{name: Authorization, from: {env: HOOK_TOKEN}}]
emails:
  duty_mail:
    host: mail.example.org
    user: steadyhead
    password: {file: mail.password}
    from: Steadyhead <steadyhead@example.org>
    to: duty@example.org
services:
  duty_phone:
    url_from: {file: /etc/steadyhead/phone.url}
people:
  park:
    role: engineer
    channels: [duty_mail, duty_phone]
    quiet: {from: "22:00", to: "06:00"}
rules:
  - channels: control_room
  - people: park
    at_least: medium
    hours: {days: mon-fri, from: "07:00", to: "18:00"}
  - people: park
    changes: not_acknowledged
    after_min: 15
"""


def mistakes(text: str) -> list[str]:
    marked = parse_marked(text, "service.yaml")
    try:
        NotifySettings.model_validate(marked.data)
    except ValidationError as exc:
        return [str(mistake) for mistake in model_mistakes(exc, NotifySettings, marked)]
    return []


def test_settings_as_the_docs_show_them_are_accepted():
    assert mistakes(WHOLE) == []
    settings = NotifySettings.model_validate(parse_marked(WHOLE, "x").data)
    assert list(settings.channels) == ["control_room", "duty_mail", "duty_phone"]
    assert settings.emails["duty_mail"].port_number() == 587


def test_files_are_looked_for_beside_the_settings(tmp_path):
    settings = NotifySettings.model_validate(parse_marked(WHOLE, "x").data).beside(tmp_path)
    assert settings.web_hooks["control_room"].sign_with.file == tmp_path / "hook.key"
    assert settings.emails["duty_mail"].password.file == tmp_path / "mail.password"
    assert str(settings.services["duty_phone"].url_from.file) == "/etc/steadyhead/phone.url"
    assert settings.people == NotifySettings.model_validate(parse_marked(WHOLE, "x").data).people


@pytest.mark.parametrize(
    ("was", "becomes", "line", "told"),
    [
        ("people: park\n    at", "people: perk\n    at", 26, "no person of that name.*did you mean park"),
        ("channels: control_room", "channels: controlroom", 25, "did you mean control_room"),
        ("[duty_mail, duty_phone]", "[duty_mail, mobile]", 22, "no channel of that name"),
        ("    after_min: 15\n", "", 29, "belong together"),
        ("  - channels: control_room\n", "  - at_least: high\n", 25, "names nobody to tell"),
        ("https://scada.example.org/alerts", "https://me:pw@scada.example.org/", 6, "name or password"),
        ("https://scada.example.org/alerts", "file:///etc/passwd", 6, "not an http or https URL"),
        ("https://scada.example.org/alerts", "https://[scada", 6, "not a URL"),
        ("name: Authorization", "name: Host", 8, "cannot be set"),
        ("    password: {file: mail.password}\n", "", 12, "needs a password"),
        ("    user: steadyhead\n", "    user: steadyhead\n    security: none\n", 13, "travel in clear"),
        ("to: duty@example.org", "to: duty", 15, "not an e-mail address"),
        ("control_room:", "Control Room:", 5, "is not a name"),
        ('{from: "22:00", to: "06:00"}', "{days: daily}", 23, "lasts the whole week"),
        ("at_least: medium", "at_least: urgent", 27, "use one of low, medium, high"),
        ("host: mail", "hots: mail", 11, "did you mean host"),
        ("services:\n  duty_phone:", "services:\n  duty_mail:", 17, "name of another channel"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_line(was, becomes, line, told):
    assert WHOLE.count(was) >= 1
    found = mistakes(WHOLE.replace(was, becomes))
    assert any(text.startswith(f"{line} ") and re.search(told, text) for text in found), found


def test_a_secret_cannot_be_written_into_the_settings():
    url = WHOLE.replace("url_from: {file: /etc/steadyhead/phone.url}", "url: json://key@x")
    assert any('"url" is not a known key' in text for text in mistakes(url))
    password = WHOLE.replace("password: {file: mail.password}", "password: hunter2")
    found = mistakes(password)
    assert found == [
        "13 emails.duty_mail.password: stands here itself; keep it elsewhere and give file: or env:"
    ]
