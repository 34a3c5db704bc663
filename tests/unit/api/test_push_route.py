"""Readings pushed over HTTP: kinds, packing, limits, and answers item by item."""

import gzip
import json
import zlib

import pytest

from steadyhead.api.body import gunzip
from steadyhead.api.problems import ProblemError
from steadyhead.errors import IntakeError, JournalError
from steadyhead.live.intake import PushAnswer, Refused

PATH = "/api/v1/readings"
ITEMS = [{"station": "elm_street", "role": "outlet", "time": 1760680800, "value": 400.0}]
LINE = "prv,station=elm_street outlet=400 1760680800000000000"
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def access():
    return {"max_body_mb": 0.01}  # 10,485 bytes


@pytest.fixture
def historian(as_token):
    return as_token("write_readings")


def problem(answer, status, kind):
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"] == f"urn:steadyhead:problem:{kind}"
    return answer.json()


def test_json_goes_to_the_intake_as_it_came(historian, made):
    answer = historian.post(PATH, json=ITEMS)
    assert answer.status_code == 200
    assert answer.json() == {"accepted": 2, "late": 0, "refused": 0, "refused_items": []}
    kind, body, source = made.intake.given[0]
    assert (kind, json.loads(body), source) == ("json", ITEMS, "push:program write_readings")


@pytest.mark.parametrize(
    "kind", ["text/plain", "text/plain; charset=utf-8", "application/vnd.influx.line-protocol"]
)
def test_line_protocol_goes_by_its_content_type(historian, made, kind):
    answer = historian.post(f"{PATH}?precision=s", content=LINE, headers={"Content-Type": kind})
    assert answer.status_code == 200
    assert made.intake.given == [("lines s", LINE.encode(), "push:program write_readings")]


def test_gzip_is_unpacked(historian, made):
    packed = gzip.compress(json.dumps(ITEMS).encode())
    assert (
        historian.post(PATH, content=packed, headers={**JSON, "Content-Encoding": "gzip"}).status_code == 200
    )
    assert json.loads(made.intake.given[0][1]) == ITEMS


def test_the_good_ones_are_kept_and_the_answer_says_what_was_refused(historian, made):
    made.intake.answer = PushAnswer(3, 1, [Refused(2, "value", '"high" is no number; send a number')])
    answer = historian.post(PATH, json=ITEMS)
    assert answer.status_code == 200
    assert answer.json() == {
        "accepted": 3,
        "late": 1,
        "refused": 1,
        "refused_items": [{"index": 2, "where": "value", "reason": '"high" is no number; send a number'}],
    }


def test_many_refused_are_counted_and_the_first_are_listed(historian, made):
    made.intake.answer = PushAnswer(1, 0, [Refused(n, "time", "ahead of the clock") for n in range(1000)])
    answer = historian.post(PATH, json=ITEMS).json()
    assert (answer["refused"], len(answer["refused_items"])) == (1000, 200)


def test_422_only_if_nothing_was_kept(historian, made):
    made.intake.answer = PushAnswer(0, 0, [Refused(0, "station", 'there is no station "elm"; mend the name')])
    told = problem(historian.post(PATH, json=ITEMS), 422, "nothing-accepted")
    assert (
        told["detail"]
        == 'the only one was refused, item 0, station: there is no station "elm"; mend the name'
    )
    assert told["refused_items"][0]["index"] == 0
    made.intake.answer = PushAnswer(0, 5, [Refused(0, "station", "there is no such station")])
    assert historian.post(PATH, json=ITEMS).status_code == 200  # late ones are kept too


def test_a_body_that_is_no_batch_at_all(historian, made):
    made.intake.answer = IntakeError(
        "the body is not JSON: Expecting value at character 0; send a list of items"
    )
    told = problem(historian.post(PATH, content=b"{", headers=JSON), 400, "unreadable-body")
    assert told["detail"].startswith("the body is not JSON")


def test_a_full_disk_says_keep_it_and_come_again(historian, made):
    made.intake.answer = JournalError("data/journal.db: the disk is full; free space on it")
    answer = historian.post(PATH, json=ITEMS)
    told = problem(answer, 503, "readings-not-accepted")
    assert told["what_to_do"] == "Keep the batch and send it again later; none of it was taken."
    assert answer.headers["retry-after"] == "10"


@pytest.mark.parametrize(
    ("headers", "told"),
    [
        ({"Content-Type": "text/csv"}, 'the content type "text/csv" is not known; send application/json, or'),
        ({}, 'the content type "" is not known'),
        ({**JSON, "Content-Encoding": "br"}, 'the content encoding "br" is not known; use gzip or none'),
    ],
)
def test_an_unknown_type_or_packing(historian, made, headers, told):
    answer = historian.post(PATH, content=b"x", headers=headers)
    assert told in problem(answer, 415, "unsupported-media-type")["detail"]
    assert made.intake.given == []


@pytest.mark.parametrize(
    ("packed", "told"),
    [
        (b"this is not gzip", "the body is said to be gzip and is not"),
        (gzip.compress(b"x" * 500, mtime=0)[:-9], "the gzip body is cut short; send all of it"),
        (gzip.compress(b"[]", mtime=0) + b"rubbish", "the body is said to be gzip and is not"),
    ],
)
def test_broken_gzip(historian, packed, told):
    answer = historian.post(PATH, content=packed, headers={**JSON, "Content-Encoding": "gzip"})
    assert told in problem(answer, 400, "unreadable-body")["detail"]


def test_a_gzip_bomb_is_cut_off_at_the_limit(historian, made):
    bomb = gzip.compress(b"0" * 8_000_000)
    assert len(bomb) < 10_485  # it gets past the limit on what is sent
    answer = historian.post(PATH, content=bomb, headers={**JSON, "Content-Encoding": "gzip"})
    told = problem(answer, 413, "body-too-large")
    assert told["detail"] == "unpacked, the body has more than 10,485 bytes; send it in smaller parts"
    assert made.intake.given == []


def test_a_bomb_of_many_members_is_cut_off_too():
    member = gzip.compress(b"0" * 1000)
    assert gunzip(member * 3, 3000) == b"0" * 3000
    with pytest.raises(ProblemError, match="more than 2,999 bytes"):
        gunzip(member * 1000, 2999)


def test_unpacking_never_holds_much_more_than_the_limit(monkeypatch):
    asked = []
    real = zlib.decompressobj

    class Watched:
        def __init__(self, bits):
            self.inner = real(bits)

        def decompress(self, data, most):
            asked.append(most)
            return self.inner.decompress(data, most)

    monkeypatch.setattr(zlib, "decompressobj", Watched)
    with pytest.raises(ProblemError, match="more than 100 bytes"):
        gunzip(gzip.compress(b"0" * 10_000_000), 100)
    assert asked == [101]


def test_an_oversized_body_is_refused_by_its_declared_length(historian, made):
    answer = historian.post(PATH, content=b"x" * 20_000, headers=JSON)
    assert problem(answer, 413, "body-too-large")["detail"] == (
        "the body has more than 10,485 bytes, which is the most that is taken here"
    )
    assert made.intake.given == []


def test_an_oversized_body_without_a_length_is_cut_off_while_it_is_read(historian, made):
    def chunks():
        for _ in range(100):
            yield b"x" * 1000

    answer = historian.post(PATH, content=chunks(), headers=JSON)
    problem(answer, 413, "body-too-large")
    assert made.intake.given == []


@pytest.mark.parametrize("is_declared", [True, False])
def test_other_routes_have_a_limit_of_their_own(as_role, is_declared):
    client = as_role("engineer")
    body = b"x" * 300_000
    sent = body if is_declared else iter([body[:150_000], body[150_000:]])
    answer = client.post("/api/v1/suppressions", content=sent, headers=JSON)
    told = problem(answer, 413, "body-too-large")
    assert told["detail"].startswith("the body has more than 262,144 bytes")


def test_the_scheme_that_line_protocol_programs_send_is_taken(historian, made):
    historian.headers["Authorization"] = historian.headers["Authorization"].replace("Bearer", "Token")
    assert historian.post(PATH, json=ITEMS).status_code == 200


def test_expired_revoked_and_unknown_tokens_are_told_apart(historian, made):
    made.clock.now_s += 366 * 86400
    told = problem(historian.post(PATH, json=ITEMS), 401, "not-signed-in")
    assert (
        told["detail"]
        == 'the token "program write_readings" ended on 2026-10-17, 06:00 UTC; ask for a new one'
    )
    made.clock.now_s -= 366 * 86400
    made.room.accounts.tokens.revoke(1, "adam")
    told = problem(historian.post(PATH, json=ITEMS), 401, "not-signed-in")
    assert told["detail"].startswith('the token "program write_readings" was revoked on')
    historian.headers["Authorization"] = "Bearer sth_" + "x" * 43
    told = problem(historian.post(PATH, json=ITEMS), 401, "not-signed-in")
    assert told["detail"] == "the token is not known; check that all of it was copied, or ask for a new one"
    historian.headers["Authorization"] = "Basic a2ltOmtpbQ=="
    told = problem(historian.post(PATH, json=ITEMS), 401, "not-signed-in")
    assert told["detail"] == 'the scheme "Basic" of Authorization is not known; use Bearer'
    assert made.intake.given == []


def test_a_person_cannot_push_readings_even_with_every_right(as_role):
    answer = as_role("administrator").post(PATH, json=ITEMS)
    assert answer.status_code == 403
    assert "that takes a token of scope write_readings" in answer.json()["detail"]


def test_a_token_is_not_taken_from_the_address(anybody, made):
    secret = made.room.accounts.make_token("p", "write_readings", "adam").secret
    assert anybody.post(f"{PATH}?token={secret}", json=ITEMS).status_code == 401
