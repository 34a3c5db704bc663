"""The OpenAPI document reads well and is true: every operation is told, every answer follows its schema."""

import json
import re

import jsonschema
import pytest
from api_room import verdict

from steadyhead.alerts.jsonlines import schema
from steadyhead.api import openapi

LONGEST_SUMMARY = 50


@pytest.fixture
def document(app):
    return app.openapi()


def operations(document):
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield f"{method.upper()} {path}", operation


def test_there_is_enough_to_look_at(document):
    assert document["openapi"].startswith("3.1")
    assert len(list(operations(document))) > 30


def test_every_operation_has_a_tag_a_summary_and_a_description(document):
    known = {tag["name"] for tag in document["tags"]}
    for name, operation in operations(document):
        assert len(operation["tags"]) >= 1, name
        assert set(operation["tags"]) <= known, name
        assert operation["summary"][0].isupper(), name
        assert not operation["summary"].endswith("."), name
        assert len(operation["summary"]) <= LONGEST_SUMMARY, name
        assert len(operation["description"]) > 20, name


def test_no_summary_is_used_twice(document):
    summaries = [operation["summary"] for _, operation in operations(document)]
    assert len(set(summaries)) == len(summaries)


def test_every_guarded_operation_says_who_may_and_how(app, document):
    guarded = list(openapi.guarded(app))
    assert len(guarded) > 30
    for path, method, act in guarded:
        operation = document["paths"].get(path, {}).get(method.lower())
        if operation is None:  # the document itself
            continue
        assert operation["security"], path
        assert f"Takes {openapi.who_may(act)}." in operation["description"]
        cookies = [way for way in operation["security"] if "session" in way]
        assert all(("csrf" in way) == (method != "GET") for way in cookies), path


def test_every_refusal_is_a_problem_with_an_example(document):
    for name, operation in operations(document):
        if name.endswith(("/healthz", "/readyz", "/metrics")):
            continue
        refusals = {status: answer for status, answer in operation["responses"].items() if status >= "400"}
        assert {"401", "403", "422", "429"} <= set(refusals), name
        for status, answer in refusals.items():
            content = answer["content"]["application/problem+json"]
            assert content["schema"] == {"$ref": "#/components/schemas/Problem"}, name
            assert content["example"]["status"] == int(status), name
            assert content["example"]["what_to_do"], name


def test_every_query_parameter_and_every_field_of_a_body_has_a_type(document):
    for name, operation in operations(document):
        for parameter in operation.get("parameters", []):
            told = json.dumps(parameter["schema"])
            assert any(word in told for word in ('"type"', "$ref", "enum", "const")), (
                name,
                parameter["name"],
            )


def test_every_reference_leads_somewhere(document):
    names = set(document["components"]["schemas"])
    for ref in re.findall(r'"\$ref": "([^"]+)"', json.dumps(document)):
        assert ref.startswith("#/components/schemas/"), ref
        assert ref.rpartition("/")[2] in names, ref
    assert "x-component" not in json.dumps(document)


def test_every_schema_has_words(document):
    bare = [
        name
        for name, found in document["components"]["schemas"].items()
        if "description" not in found and not name.startswith("Alert_")
    ]
    assert bare == []


def test_the_alert_in_the_document_is_the_published_one(document):
    told = json.dumps(document["components"]["schemas"]["Alert"])
    published = schema()
    assert set(document["components"]["schemas"]["Alert"]["properties"]) == set(published["properties"])
    assert published["properties"]["confidence"]["description"] in told


def resolved(document, node):
    """A JSON Schema of its own: references are looked up in the document."""
    return {**node, "components": document["components"]}


@pytest.mark.parametrize(
    ("path", "url"),
    [
        ("/api/v1/alerts", "/api/v1/alerts"),
        ("/api/v1/stations", "/api/v1/stations"),
        ("/api/v1/stations/{name}", "/api/v1/stations/elm_street"),
        ("/api/v1/stations/{name}/series", "/api/v1/stations/elm_street/series"),
        ("/api/v1/stations/{name}/figures", "/api/v1/stations/elm_street/figures"),
        ("/api/v1/load", "/api/v1/load"),
        ("/api/v1/feeds", "/api/v1/feeds"),
        ("/api/v1/profiles", "/api/v1/profiles"),
        ("/api/v1/me", "/api/v1/me"),
    ],
)
def test_answers_follow_the_document(made, document, as_role, path, url):
    """Independent: jsonschema judges the answer by the published schema."""
    made.room.desk.raised(verdict())
    answer = as_role("viewer").get(url)
    assert answer.status_code == 200
    told = document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator(resolved(document, told)).validate(answer.json())


def test_a_problem_follows_the_document(document, as_role):
    answer = as_role("viewer").get("/api/v1/alerts?limit=0")
    told = document["components"]["schemas"]["Problem"]
    jsonschema.Draft202012Validator(resolved(document, told)).validate(answer.json())


def test_the_document_is_served_to_whoever_has_access(as_token, anybody, document):
    for scope in ("read", "write_readings"):
        assert as_token(scope).get("/api/v1/openapi.json").json() == document
    assert anybody.get("/api/v1/openapi.json").status_code == 401


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json"])
def test_the_library_s_own_pages_are_off(anybody, path):
    assert anybody.get(path).status_code == 404
