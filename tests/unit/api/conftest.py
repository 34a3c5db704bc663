"""An application over a room of stand-ins, and clients that are signed in as each role."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from api_room import HOST, PEOPLE, RoomForTests, make_room, sign_in, template
from fastapi.testclient import TestClient

from steadyhead.access import passwords
from steadyhead.api.app import make_app
from steadyhead.api.seam import PlainPages

CHEAP = (("MEMORY_KIB", 64), ("PASSES", 1))


@pytest.fixture(autouse=True)
def _cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Real argon2id at a lower cost, since every test signs in."""
    for name, value in CHEAP:
        monkeypatch.setattr(passwords, name, value)


@pytest.fixture(scope="session")
def made_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        for name, value in CHEAP:
            patch.setattr(passwords, name, value)
        return template(tmp_path_factory.mktemp("template"))


@pytest.fixture
def access() -> dict[str, float]:
    """Settings of access that a test may override."""
    return {}


@pytest.fixture
def made(tmp_path: Path, made_database: Path, access: dict[str, float]) -> Iterator[RoomForTests]:
    found = make_room(tmp_path, made_database, **access)
    yield found
    found.database.close()


@pytest.fixture
def app(made: RoomForTests):
    return make_app(made.room, PlainPages())


@pytest.fixture
def anybody(app) -> Iterator[TestClient]:
    """A client that is not signed in; its lifespan runs the application's."""
    with TestClient(app, base_url=HOST, client=("127.0.0.1", 50000), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def as_person(app, anybody) -> Callable[[str], TestClient]:
    """A client signed in as an account, that sends the CSRF token by itself."""

    def made_client(name: str) -> TestClient:
        client = TestClient(app, base_url=HOST, client=("127.0.0.1", 50001), raise_server_exceptions=False)
        assert sign_in(client, name).status_code == 303
        client.headers["X-CSRF-Token"] = client.get("/api/v1/me").json()["csrf_token"]
        return client

    return made_client


@pytest.fixture
def as_role(as_person) -> Callable[[str], TestClient]:
    names = {role: name for name, role in PEOPLE.items()}
    return lambda role: as_person(names[role])


@pytest.fixture
def as_token(app, anybody, made: RoomForTests) -> Callable[[str], TestClient]:
    """A client with a token of a scope."""

    def made_client(scope: str) -> TestClient:
        secret = made.room.accounts.make_token(f"program {scope}", scope, "adam").secret
        client = TestClient(app, base_url=HOST, client=("127.0.0.1", 50002), raise_server_exceptions=False)
        client.headers["Authorization"] = f"Bearer {secret}"
        return client

    return made_client
