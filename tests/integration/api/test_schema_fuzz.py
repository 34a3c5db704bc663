"""schemathesis sends what the OpenAPI allows and what it does not, to the API over a real room, on
SQLite and on PostgreSQL.

Independent: schemathesis reads our document and judges our answers by it.
"""

import json
import random
import time
from collections import Counter

import hypothesis
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given
from running_room import WORDS, opened
from schemathesis import GenerationMode
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.python import asgi
from schemathesis.specs.openapi import checks

from steadyhead.access.secrets import csrf_of
from steadyhead.alerts.model import Verdict
from steadyhead.api.app import make_app

EXAMPLES = 6  # of each operation, of each kind
MOST_S = 60
KINDS = [GenerationMode.POSITIVE, GenerationMode.NEGATIVE]
CHECKS = [
    schemathesis.checks.not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
    checks.negative_data_rejection,
]
LEFT_OUT = {
    "GET /api/v1/events": "a stream that does not end; see test_events.py",
    "POST /api/v1/me/password": "would end the session that all other operations use",
}


def verdict(condition, raised_s):
    return Verdict(
        station="elm_street", condition=condition, confidence=0.8, runners_up=(), magnitude={},
        evidence=("The outlet is 9 kPa above what was learned.",), began_s=raised_s - 60, raised_s=raised_s,
        ended_s=None, updated_s=raised_s, profile_version="abc", window_s=(raised_s - 3600, raised_s),
    )  # fmt: skip


@pytest.fixture
def room(tmp_path, database_url):
    often = ("logins", "requests", "push", "address_requests")
    plenty = {f"{what}_per_minute": 10**6 for what in often}
    found = opened(tmp_path, access=plenty, database_url=database_url)
    found.accounts.create("adam", "administrator", WORDS)
    now_s = int(time.time())
    for n, condition in enumerate(("drift", "creep", "hunting")):
        found.desk.raised(verdict(condition, now_s - 600 * n))
    return found


@pytest.fixture
def client(room):
    app = make_app(room)
    with asgi.get_client(app) as found:
        yield found
    asgi.shutdown_lifespans()


@pytest.fixture
def session(room):
    return room.accounts.login("adam", WORDS)


@pytest.fixture
def document(client):
    # our own session and token are sent; made-up ones are tested in tests/unit/api
    config = schemathesis.Config.from_dict({"generation": {"with-security-parameters": False}})
    found = schemathesis.openapi.from_dict(client.app.openapi(), config=config)
    found.app = client.app
    return found


def send_many(operation, kind, headers, cookies, client, statuses):
    """Send examples of one operation; raises what the checks find."""

    @hypothesis.settings(
        max_examples=EXAMPLES, deadline=None, database=None, derandomize=True, print_blob=False,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(kind, headers=dict(headers), cookies=dict(cookies)))
    def send(case):
        case.headers.update(headers)
        case.cookies.update(cookies)
        own = case.body.get("own_password") if isinstance(case.body, dict) else None
        if isinstance(own, str) and 1 <= len(own) <= 200:  # what the document allows is made the right one
            case.body["own_password"] = WORDS
        answer = case.call(session=client)
        statuses[answer.status_code] += 1
        assert answer.status_code not in (401, 403, 429), answer.text  # the fuzz itself must get in
        case.validate_response(answer, checks=CHECKS)

    send()


def test_every_operation_answers_as_the_document_says(client, room, session, document):
    token = room.accounts.make_token("fuzz", "write_readings", "adam").secret
    started = time.monotonic()
    wrong, statuses = [], Counter()
    for result in document.get_all_operations():
        operation = result.ok()
        name = operation.label
        if name in LEFT_OUT:
            continue
        headers = {"X-CSRF-Token": csrf_of(session)}
        cookies = {"steadyhead_session": session}
        if name == "POST /api/v1/readings":
            headers, cookies = {"Authorization": f"Bearer {token}"}, {}
        for kind in KINDS:
            try:
                send_many(operation, kind, headers, cookies, client, statuses)
            except hypothesis.errors.Unsatisfiable:
                assert kind is GenerationMode.NEGATIVE, name  # nothing about such an operation can be wrong
            except (AssertionError, FailureGroup, Failure) as exc:  # all are tried before one verdict
                wrong.append(f"{name} ({kind.value}): {exc}")
    assert wrong == [], "\n\n".join(wrong)
    assert sum(statuses.values()) > 200
    assert {200, 201, 404, 422} <= set(statuses)
    assert time.monotonic() - started < MOST_S


def test_rubbish_to_the_readings_is_never_an_unexpected_error(client, room):
    """Bodies that no schema would make: cut, nested, mixed, wrong text."""
    token = room.accounts.make_token("rubbish", "write_readings", "adam").secret
    head = {"Authorization": f"Bearer {token}"}
    draw = random.Random(5)
    good = json.dumps([{"station": "elm_street", "role": "outlet", "time": int(time.time()), "value": 400.0}])
    line = f"prv,station=elm_street outlet=400 {int(time.time())}000000000\n"
    seen = set()
    for n in range(300):
        kind, text = ("application/json", good) if n % 2 else ("text/plain", line)
        body = bytearray(text.encode())
        for _ in range(draw.randint(1, 6)):
            at = draw.randrange(len(body))
            change = draw.choice(("flip", "cut", "repeat", "null"))
            if change == "flip":
                body[at] = draw.randrange(256)
            elif change == "cut":
                del body[at : at + draw.randint(1, 9)]
            elif change == "repeat":
                body[at:at] = body[at : at + 30] * draw.randint(1, 40)
            else:
                body[at:at] = b"\x00"
            if not body:
                body = bytearray(b" ")
        answer = client.post("/api/v1/readings", data=bytes(body), headers={**head, "Content-Type": kind})
        seen.add(answer.status_code)
        assert answer.status_code in (200, 400, 422), (bytes(body), answer.text)
        if answer.status_code != 200:
            assert answer.json()["detail"]
            assert answer.json()["what_to_do"]
    assert {200, 400, 422} == seen
