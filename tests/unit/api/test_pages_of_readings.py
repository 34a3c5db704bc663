"""What the pages say of stations whose readings have stopped."""

from dataclasses import replace

import pytest
from api_room import HOST, NOW_S, sign_in
from fastapi.testclient import TestClient

from steadyhead.api.app import make_app


@pytest.fixture
def client(made):
    with TestClient(make_app(made.room), base_url=HOST, client=("127.0.0.1", 50001)) as found:
        sign_in(found, "vera")
        yield found


def test_the_feeds_page_names_stations_that_have_stopped(client, made, monkeypatch):
    names = list(made.runner.stations())
    seen = dict.fromkeys(names, NOW_S - 60)
    monkeypatch.setattr(made.runner, "last_seen", lambda: dict(seen))

    def page():
        made.clock.now_s += 11  # what was worked out is kept for ten seconds
        return client.get("/feeds").text

    assert "Readings come in from every station" in page()
    seen[names[0]] = NOW_S - 7200
    told = page()
    assert "Readings come in; 1 station is behind" in told
    assert f'href="/stations/{names[0]}"' in told
    seen[names[1]] = None
    assert "1 station has never sent anything" in page()
    for name in names[2:]:
        seen[name] = NOW_S - 7200
    assert f"No readings come in: {len(names) - 1} station" in page()


def test_what_a_station_did_when_last_heard_is_not_told_as_of_now(client, made):
    assert "not heard now" not in client.get("/stations").text
    for view in made.runner.stations().values():
        assert view.behind_s == 60.0
    late = {name: made.runner._view(name) for name in made.runner.names}
    made.runner.stations = lambda names=None: {
        name: replace(view, behind_s=7200.0) for name, view in late.items() if names is None or name in names
    }
    assert "not heard now" in client.get("/stations").text
    assert "is not heard now" in client.get("/stations/elm_street").text


def test_stations_are_ordered_by_their_last_reading(client, made, monkeypatch):
    names = sorted(made.runner.stations())
    seen = {name: NOW_S - 60 * n for n, name in enumerate(names)} | {names[0]: None}
    monkeypatch.setattr(made.runner, "last_seen", lambda: seen)
    page = client.get("/stations?sort=age").text
    places = [page.index(f'href="/stations/{name}"') for name in [names[0], *reversed(names[1:])]]
    assert places == sorted(places)
