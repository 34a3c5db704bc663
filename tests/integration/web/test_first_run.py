"""A service that nobody has used yet tells what to do first; one that is in trouble says so in words."""

import re

import pytest
from fastapi.testclient import TestClient

from steadyhead.api.app import make_app
from steadyhead.config import parse_registry
from steadyhead.errors import DatabaseError
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings

REGISTRY = """
utility: Marrow Vale Water
stations:
  elm_street:
    time_zone: Europe/Oslo
    step_s: 60
    tags: {outlet: {tag: PT2, unit: kPa}}
    sources: [{path: elm_street.csv}]
"""
WORDS = "copper kettle on the hob"


@pytest.fixture
def room(tmp_path):
    settings = RoomSettings(
        data_folder=tmp_path / "data", profiles=tmp_path / "profiles", watch_folders=False
    )
    return open_room(settings, parse_registry(REGISTRY, "stations.yaml"))


@pytest.fixture
def client(room):
    with TestClient(make_app(room)) as found:
        yield found


def sign_in(client, name):
    form = client.get("/login").text
    csrf = re.search(r'name="csrf" value="([^"]+)"', form).group(1)
    answer = client.post(
        "/login", data={"csrf": csrf, "name": name, "password": WORDS, "next": "/"}, follow_redirects=False
    )
    assert answer.status_code == 303


def test_the_sign_in_form_says_how_to_make_the_first_account_and_then_no_more(room, client):
    assert "steadyhead account add NAME --role administrator" in client.get("/login").text
    room.accounts.create("ada", "administrator", WORDS)
    assert "account add" not in client.get("/login").text


def test_a_desk_that_never_saw_a_reading_lists_the_first_steps(room, client):
    room.accounts.create("ada", "administrator", WORDS)
    sign_in(client, "ada")
    page = client.get("/").text
    assert "No station needs a person" in page
    assert "No readings have come in yet, so nothing can be judged." in page
    assert "First steps" in page


def test_a_page_asked_for_without_a_session_leads_to_the_form_and_back(client):
    answer = client.get("/stations?q=elm", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/login?next=%2Fstations%3Fq%3Delm"


def test_a_database_that_is_lost_is_said_in_words_on_a_whole_page(room, client, monkeypatch):
    room.accounts.create("ada", "administrator", WORDS)
    sign_in(client, "ada")

    def lost(*_, **__):
        raise DatabaseError("the database file is locked by another program; end it")

    monkeypatch.setattr(type(room.desk), "alerts", lost)
    monkeypatch.setattr(type(room.desk), "counts", lost)
    answer = client.get("/")
    assert answer.status_code == 503
    assert "<h1>Database not available</h1>" in answer.text
    assert "The database file is locked by another program; end it" in answer.text
    assert "Readings are still taken in" in answer.text


def test_every_page_carries_the_strict_policy(client):
    policy = client.get("/login").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
