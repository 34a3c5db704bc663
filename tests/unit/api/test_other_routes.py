"""Findings, suppressions, load, feeds, profiles, accounts, tokens and oneself over HTTP."""

from types import SimpleNamespace

import pytest
from api_room import HOST, NOW_S, WORDS, sign_in, verdict
from fastapi.testclient import TestClient

from steadyhead.api.app import make_app
from steadyhead.desk.views import ProofView
from steadyhead.errors import LearningError
from steadyhead.store.tables import FeedRow, RefusedRow

DAY_S = 86_400
AGAIN = {"own_password": WORDS}


@pytest.fixture
def viewer(as_role):
    return as_role("viewer")


@pytest.fixture
def operator(as_role):
    return as_role("operator")


@pytest.fixture
def engineer(as_role):
    return as_role("engineer")


@pytest.fixture
def administrator(as_role):
    return as_role("administrator")


def told(answer, status):
    assert answer.status_code == status, answer.text
    return answer.json()


# ---- findings -----------------------------------------------------------------------------------------


def test_a_finding_with_a_cause_of_the_list(operator, viewer, made):
    alert = made.room.desk.raised(verdict())
    key = alert.likely_causes[0].key
    asked = {
        "station": "elm_street", "condition": "drift", "alert_id": alert.alert_id, "cause_key": key,
        "done": "spring renewed", "repaired_at": "2025-10-17T05:30:00Z",
    }  # fmt: skip
    shown = told(operator.post("/api/v1/findings", json=asked), 201)
    assert (shown["who"], shown["cause_text"], shown["repaired_at"]) == (
        "olaf",
        alert.likely_causes[0].text,
        "2025-10-17T05:30:00Z",
    )
    for query in ("", "?station=elm_street", f"?alert_id={alert.alert_id}", "?condition=drift"):
        assert [f["id"] for f in told(viewer.get(f"/api/v1/findings{query}"), 200)["items"]] == [shown["id"]]
    assert told(viewer.get("/api/v1/findings?condition=creep"), 200)["items"] == []


@pytest.mark.parametrize(
    ("changed", "status", "detail"),
    [
        ({"text": ""}, 422, "what was found is missing"),
        ({"cause_key": "rust"}, 422, '"rust" is no cause of drift; use one of'),
        ({"condition": "rust"}, 422, "body.condition: Input should be 'drift'"),
        ({"station": "elm"}, 404, "no station elm"),
        ({"alert_id": "0123456789abcdef"}, 404, "no alert 0123456789abcdef"),
        ({"repaired_at": "2026-01-01T00:00:00Z"}, 422, "lies in the future"),
        ({"repaired_at": "2025-13-01T00:00:00Z"}, 422, "body.repaired_at"),
        ({"who": "somebody else"}, 422, "body.who: Extra inputs are not permitted"),
    ],
)
def test_a_finding_that_does_not_fit_says_why(operator, made, changed, status, detail):
    asked = {"station": "elm_street", "condition": "drift", "text": "grit in the pilot", **changed}
    assert detail in told(operator.post("/api/v1/findings", json=asked), status)["detail"]


def test_a_repair_and_its_proof(operator, engineer, made, monkeypatch):
    asked = {"station": "elm_street", "condition": "drift", "text": "grit in the pilot"}
    number = told(operator.post("/api/v1/findings", json=asked), 201)["id"]
    path = f"/api/v1/findings/{number}"
    repaired = {"repaired_at": "2025-10-17T04:00:00Z", "done": "cleaned"}
    assert told(operator.post(f"{path}/repair", json=repaired), 200)["done"] == "cleaned"
    without = told(engineer.post(f"{path}/proofs"), 409)
    assert without["type"] == "urn:steadyhead:problem:no-profile"
    assert "run: steadyhead learn elm_street" in without["detail"]
    given = {}
    profile = SimpleNamespace(version="abc", to_s=NOW_S - DAY_S)  # learned before the repair
    monkeypatch.setattr("steadyhead.api.proving.load_profile", lambda *_: profile)
    monkeypatch.setattr(
        made.archive, "read", lambda name, *span: given.update(name=name, span=span) or "readings"
    )
    proof = ProofView(
        1, number, "elm_street", NOW_S, "ella", "not_yet", {"set_kpa": 400.0}, ("Set is held.",)
    )
    monkeypatch.setattr(made.room.desk, "prove", lambda *all_of_it: given.update(desk=all_of_it) or proof)
    shown = told(engineer.post(f"{path}/proofs"), 201)
    assert (shown["result"], shown["sentences"]) == ("not_yet", ["Set is held."])
    assert given["desk"] == (number, "ella", "readings", profile)
    # By hand: 28 days before the repair, which is where this finding begins without an alert, until now.
    assert given["span"] == (NOW_S - 2 * 3600 - 28 * DAY_S, NOW_S)


def test_a_finding_that_is_not_there(operator, engineer):
    repaired = {"repaired_at": "2025-10-17T04:00:00Z"}
    assert "no finding 7" in told(operator.post("/api/v1/findings/7/repair", json=repaired), 404)["detail"]
    assert "no finding 7" in told(engineer.post("/api/v1/findings/7/proofs"), 404)["detail"]


# ---- suppressions -------------------------------------------------------------------------------------


def test_suppress_and_release(engineer, viewer, made):
    made.room.desk.raised(verdict())
    asked = {
        "zone": "low_town",
        "condition": "drift",
        "why": "main being flushed",
        "until": "2025-10-17T12:00:00Z",
    }
    shown = told(engineer.post("/api/v1/suppressions", json=asked), 201)
    assert (shown["who"], shown["until"], shown["station"]) == ("ella", "2025-10-17T12:00:00Z", None)
    held = told(viewer.get("/api/v1/alerts"), 200)["items"][0]
    assert held["alert"]["state"] == "suppressed_by_design"
    assert held["held_why"] == "Suppressed by design by ella: main being flushed"
    released = told(engineer.post(f"/api/v1/suppressions/{shown['id']}/release", json={"why": "done"}), 200)
    assert released["released_at"] == "2025-10-17T06:00:00Z"
    assert told(viewer.get("/api/v1/suppressions"), 200)["items"] == []
    assert len(told(viewer.get("/api/v1/suppressions?all=true"), 200)["items"]) == 1


@pytest.mark.parametrize(
    ("asked", "status", "detail"),
    [
        ({"why": "abc"}, 422, "all left out would silence everything"),
        ({"station": "elm", "why": "abc"}, 404, 'no station "elm"'),
        ({"condition": "rust", "why": "abc"}, 422, "body.condition"),
        ({"station": "elm_street"}, 422, "body.why: Field required"),
        ({"station": "elm_street", "why": "abc", "until": "2020-01-01T00:00:00Z"}, 422, "2020-01-01"),
    ],
)
def test_a_suppression_that_does_not_fit_says_why(engineer, asked, status, detail):
    assert detail in told(engineer.post("/api/v1/suppressions", json=asked), status)["detail"]


def test_a_suppression_that_is_not_there(engineer):
    assert "no suppression 7" in told(engineer.post("/api/v1/suppressions/7/release", json={}), 404)["detail"]


# ---- load and feeds -----------------------------------------------------------------------------------


def test_the_load_of_a_span(viewer, made):
    for n in range(3):
        made.room.desk.raised(verdict("elm_street", ("drift", "creep", "hunting")[n], NOW_S - 1800 + n))
    shown = told(viewer.get(f"/api/v1/load?from={NOW_S - 3600}&to={NOW_S}"), 200)
    assert (shown["calls"], sum(shown["per_period"]), len(shown["per_period"])) == (3, 3, 6)
    assert (shown["from"], shown["to"]) == ("2025-10-17T05:00:00Z", "2025-10-17T06:00:00Z")
    assert all(target["source"] for target in shown["targets"])
    usual = told(viewer.get("/api/v1/load"), 200)
    assert usual["from"] == "2025-10-10T06:00:00Z"


@pytest.mark.parametrize("query", ["from=1760680801&to=1760680800", "from=2020-01-01T00:00:00Z"])
def test_a_span_that_is_empty_or_too_long(viewer, query):
    problem = told(viewer.get(f"/api/v1/load?{query}"), 422)
    assert problem["errors"][0] == {
        "field": "query.from",
        "message": "must lie before `to`, at most 400 days",
    }


def test_feeds_and_what_was_refused(viewer, made):
    with made.database.session() as db:
        db.add(
            FeedRow(
                source="push:h", kind="json", state="ok", last_ok_s=NOW_S, last_error=None, position={},
                accepted=5, refused=2, late=1,
            )
        )  # fmt: skip
        for n in range(3):
            db.add(
                RefusedRow(
                    source="push:h", station="elm_street" if n else None, tag=None, reason=f"r{n}", n=n,
                    first_s=NOW_S - 60, last_s=NOW_S + n, example="x",
                )
            )  # fmt: skip
    shown = told(viewer.get("/api/v1/feeds"), 200)
    assert shown["run"]["backlog_items"] == 3
    assert (shown["items"][0]["source"], shown["items"][0]["last_ok_at"]) == (
        "push:h",
        "2025-10-17T06:00:00Z",
    )
    refused = told(viewer.get("/api/v1/feeds/refused"), 200)["items"]
    assert [item["reason"] for item in refused] == ["r2", "r1", "r0"]
    for query, wanted in (("station=elm_street", 2), ("source=other", 0), ("limit=1", 1)):
        assert len(told(viewer.get(f"/api/v1/feeds/refused?{query}"), 200)["items"]) == wanted


# ---- profiles -----------------------------------------------------------------------------------------


def test_which_profile_each_station_has(viewer):
    shown = told(viewer.get("/api/v1/profiles?limit=2"), 200)
    assert [(i["station"], i["version"], i["can_learn"]) for i in shown["items"]] == [
        ("elm_street", "abc", True),
        ("mill_weir", None, False),
    ]
    assert shown["next"] == "mill_weir"


def test_a_profile_that_is_not_there(viewer):
    problem = told(viewer.get("/api/v1/profiles/mill_weir"), 409)
    assert "there is no profile of mill_weir" in problem["detail"]
    assert problem["what_to_do"] == "Learn the station first."


def test_learning_is_passed_on_and_told(engineer, made, monkeypatch):
    monkeypatch.setattr(
        "steadyhead.api.profiles.ProfileWords.of",
        lambda profile, room: {
            "version": profile.version, "learned_from": None, "learned_to": None, "facts": [], "withheld": [],
            "remarks": [],
        },
    )  # fmt: skip
    made.runner.learn_answer = SimpleNamespace(
        profile=SimpleNamespace(version="new"), replaced=SimpleNamespace(version="old"),
        changes=(("Set pressure", "58 psi", "60 psi"),),
    )  # fmt: skip
    span = {"from": "2025-09-01T00:00:00Z", "to": "2025-10-01T00:00:00Z"}
    shown = told(engineer.post("/api/v1/profiles/elm_street", json=span), 200)
    assert made.runner.learned == [("elm_street", 1756684800, 1759276800, "ella")]
    assert (shown["profile"]["version"], shown["replaced"]) == ("new", "old")
    assert shown["changes"] == [{"name": "Set pressure", "before": "58 psi", "after": "60 psi"}]


def test_learning_that_cannot_be_says_why(engineer, made):
    made.runner.learn_answer = LearningError("elm_street: 3 days of readings, wanted 14")
    problem = told(engineer.post("/api/v1/profiles/elm_street", json={}), 409)
    assert (problem["type"], problem["detail"]) == (
        "urn:steadyhead:problem:cannot-learn",
        "elm_street: 3 days of readings, wanted 14",
    )
    span = {"from": "2025-10-01T00:00:00Z", "to": "2025-09-01T00:00:00Z"}
    problem = told(engineer.post("/api/v1/profiles/elm_street", json=span), 422)
    assert problem["errors"][0]["field"] == "body.from"
    assert 'no station "elm"' in told(engineer.post("/api/v1/profiles/elm", json={}), 404)["detail"]


def test_one_is_learned_at_a_time(engineer, made, monkeypatch):
    seen = []

    def learn(*_, **_who):
        seen.append(engineer.post("/api/v1/profiles/mill_weir", json={}))
        raise LearningError("elm_street: too little")

    monkeypatch.setattr(made.runner, "learn", learn)
    told(engineer.post("/api/v1/profiles/elm_street", json={}), 409)
    assert "another station is being learned" in told(seen[0], 409)["detail"]


# ---- accounts, tokens, oneself ------------------------------------------------------------------------


def test_accounts_are_made_changed_and_listed(administrator):
    made_one = {
        "name": "newone", "role": "viewer", "password": "seven boats in the harbour", "own_password": WORDS,
    }  # fmt: skip
    shown = told(administrator.post("/api/v1/accounts", json=made_one), 201)
    assert (shown["name"], shown["role"], shown["is_disabled"]) == ("newone", "viewer", False)
    path = "/api/v1/accounts/newone"
    assert told(administrator.patch(path, json={**AGAIN, "role": "engineer"}), 200)["role"] == "engineer"
    assert told(administrator.patch(path, json={**AGAIN, "is_disabled": True}), 200)["is_disabled"] is True
    assert told(administrator.patch(path, json={**AGAIN, "is_disabled": False}), 200)["is_disabled"] is False
    assert told(administrator.patch(path, json=AGAIN), 200)["role"] == "engineer"
    names = [item["name"] for item in told(administrator.get("/api/v1/accounts"), 200)["items"]]
    assert names == ["adam", "ella", "newone", "olaf", "vera"]
    listed = administrator.get("/api/v1/accounts").text
    assert "seven boats" not in listed
    assert "argon2" not in listed


@pytest.mark.parametrize(
    ("changed", "detail"),
    [
        ({"name": "vera"}, 'there is an account "vera" already'),
        ({"name": "a b"}, "cannot name an account"),
        ({"name": "Engine"}, "stands in the audit for what no person did"),
        ({"password": "short"}, "wanted 12 or more"),
        ({"role": "boss"}, "body.role"),
    ],
)
def test_an_account_that_does_not_fit_says_why(administrator, changed, detail):
    asked = {
        "name": "newone", "role": "viewer", "password": "seven boats in the harbour", **AGAIN, **changed,
    }  # fmt: skip
    assert detail in told(administrator.post("/api/v1/accounts", json=asked), 422)["detail"]


def test_the_last_administrator_cannot_lock_everybody_out(administrator):
    for asked in ({**AGAIN, "is_disabled": True}, {**AGAIN, "role": "viewer"}):
        problem = told(administrator.patch("/api/v1/accounts/adam", json=asked), 422)
        assert "only administrator left" in problem["detail"]


def test_accounts_are_managed_only_by_who_gives_the_own_password_again(administrator, made):
    asked = {"name": "newone", "role": "viewer", "password": "seven boats in the harbour"}
    assert "body.own_password" in told(administrator.post("/api/v1/accounts", json=asked), 422)["detail"]
    wrong = {**asked, "own_password": "some wrong words"}
    told(administrator.post("/api/v1/accounts", json=wrong), 401)
    wrong = {"role": "engineer", "own_password": "no"}
    told(administrator.patch("/api/v1/accounts/vera", json=wrong), 401)
    views = {view.name: view for view in made.room.accounts.accounts()}
    assert "newone" not in views
    assert (views["vera"].role, views["adam"].failed) == ("viewer", 2)


def test_one_sees_ones_sessions_and_ends_one(as_person, made):
    here, there, other = as_person("vera"), as_person("vera"), as_person("olaf")
    items = told(here.get("/api/v1/me/sessions"), 200)["items"]
    assert sorted(item["is_this"] for item in items) == [False, True]
    assert all(item["expires_at"] == "2025-10-17T18:00:00Z" for item in items)  # by hand: 12 hours from 06:00
    number = next(item["number"] for item in items if not item["is_this"])
    path = f"/api/v1/me/sessions/{number}"
    told(other.delete(path), 404)
    assert there.get("/api/v1/me").status_code == 200
    assert here.delete(path).status_code == 204
    assert there.get("/api/v1/me").status_code == 401
    assert here.get("/api/v1/me").status_code == 200
    assert "may be over already" in told(here.delete(path), 404)["detail"]
    assert [item["is_this"] for item in told(here.get("/api/v1/me/sessions"), 200)["items"]] == [True]


def test_the_page_of_oneself_lists_sessions_ends_one_and_changes_the_password(made):
    with TestClient(make_app(made.room), base_url=HOST, client=("127.0.0.1", 50001)) as client:
        away = made.room.accounts.login("vera", WORDS)
        sign_in(client, "vera")
        page = client.get("/me").text
        assert "after 30 minutes of rest" in page
        assert page.count('/end"') == 1
        action = page.split('action="/me/sessions/')[1].split('"')[0]
        csrf = page.split('name="csrf" value="')[1].split('"')[0]
        client.post(f"/me/sessions/{action}", data={"csrf": csrf})
        assert made.room.accounts.who(away) is None
        asked = {"csrf": csrf, "old": WORDS, "new": "seven boats in the harbour"}
        gone = client.post("/me/password", data=asked, follow_redirects=False)
        assert (gone.status_code, gone.headers["location"]) == (303, "/login?said=password")
        assert client.get("/me", follow_redirects=False).status_code == 303, "signed out everywhere"
        assert sign_in(client, "vera", "seven boats in the harbour").status_code == 303


def test_a_token_is_shown_once_and_revoked(administrator, anybody):
    asked = {**AGAIN, "name": "historian", "scope": "read", "days": 30}
    shown = told(administrator.post("/api/v1/tokens", json=asked), 201)
    assert shown["expires_at"] == "2025-11-16T06:00:00Z"
    head = {"Authorization": f"Bearer {shown['secret']}"}
    assert anybody.get("/api/v1/me", headers=head).json()["name"] == "historian"
    listed = administrator.get("/api/v1/tokens")
    assert shown["secret"] not in listed.text
    assert listed.json()["items"][0]["used_at"] == "2025-10-17T06:00:00Z"
    assert told(administrator.delete(f"/api/v1/tokens/{shown['id']}"), 200)["revoked_at"]
    assert anybody.get("/api/v1/me", headers=head).status_code == 401
    assert told(administrator.delete("/api/v1/tokens/99"), 404)["detail"].startswith("there is no token 99")


@pytest.mark.parametrize("days", [0, -1, 4000, "long"])
def test_a_token_of_an_odd_length_is_refused(administrator, days):
    problem = told(
        administrator.post("/api/v1/tokens", json={**AGAIN, "name": "h", "scope": "read", "days": days}), 422
    )
    assert problem["errors"][0]["field"] == "body.days"


def test_oneself(viewer, as_token):
    me = told(viewer.get("/api/v1/me"), 200)
    assert (me["name"], me["role"], me["scope"], me["may"]) == (
        "vera",
        "viewer",
        None,
        ["enter", "set_up_factor", "read", "self"],
    )
    assert len(me["csrf_token"]) == 64
    program = told(as_token("write_readings").get("/api/v1/me"), 200)
    assert (program["role"], program["scope"], program["csrf_token"]) == (None, "write_readings", None)


def test_changing_one_s_password(viewer, as_person):
    new = "seven boats in the harbour"
    wrong = told(viewer.post("/api/v1/me/password", json={"old": "not the old one", "new": new}), 401)
    assert wrong["type"] == "urn:steadyhead:problem:sign-in-refused"
    weak = told(viewer.post("/api/v1/me/password", json={"old": WORDS, "new": "short"}), 422)
    assert "wanted 12 or more" in weak["detail"]
    assert viewer.post("/api/v1/me/password", json={"old": WORDS, "new": new}).status_code == 204
    assert viewer.get("/api/v1/me").status_code == 401
    with pytest.raises(AssertionError):
        as_person("vera")  # whose words are the old ones
