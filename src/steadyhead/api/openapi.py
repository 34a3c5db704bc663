"""The OpenAPI document: as the routes say, with the alert's published schema and what each route demands."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import iter_route_contexts

from steadyhead.access.actor import OF_SCOPE, Act, who_may
from steadyhead.alerts.jsonlines import schema as alert_schema
from steadyhead.api.problems import Problem
from steadyhead.config.model import ROLES

REF = "#/components/schemas/"
TAGS = [
    {"name": "alerts", "description": "What needs a person, and what people do with it."},
    {"name": "stations", "description": "The fleet, each station, its plots, and taking it out of service."},
    {"name": "findings", "description": "What was found, what was repaired, and whether the repair holds."},
    {"name": "suppressions", "description": "Alerts that are expected and must call nobody."},
    {"name": "readings", "description": "Readings in, from programs."},
    {"name": "feeds", "description": "Where readings come from, and what was refused."},
    {
        "name": "notifications",
        "description": "Messages to people and programs: what waits, what was given up.",
    },
    {"name": "profiles", "description": "What was learned as normal."},
    {"name": "load", "description": "Whether the alerts are more than people can take."},
    {"name": "reports", "description": "The weekly report: ask for one, follow it, fetch it."},
    {"name": "live", "description": "What changes, as it changes."},
    {"name": "me", "description": "Who asks."},
    {"name": "accounts", "description": "People."},
    {"name": "tokens", "description": "Programs."},
    {"name": "health", "description": "Whether the service works."},
]
ABOUT = """Alerts, stations and readings of a utility's pressure-reducing valve stations.

Steadyhead only reads: nothing here reaches a controller. What it says are hints to look at a station, and
take the place of no local code, no licence and no safe practice.

Pressures are gauge, in kPa; flows in L/s; the unit is the last part of a name. Times are RFC 3339 in UTC, or
seconds since 1970-01-01 UTC where a name ends in `_s`. Every refusal is a problem (RFC 9457) with `detail`
and `what_to_do`. Programs send `Authorization: Bearer <token>`; browsers a session cookie and, to change
something, the header `X-CSRF-Token`."""


def build(app: FastAPI, version: str) -> dict[str, Any]:
    """The document of an application."""
    document = get_openapi(
        title="Steadyhead", version=version, summary="Watches pressure-reducing valve stations",
        description=ABOUT, routes=app.routes, tags=TAGS,
    )  # fmt: skip
    components = document.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    problem = Problem.model_json_schema(ref_template=REF + "{model}")
    schemas.update(problem.pop("$defs", {}))
    schemas["Problem"] = problem
    schemas.update(_alert_components())
    schemas["ReadingItems"] = _reading_items()
    components["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "A token made by an administrator."},
        "session": {"type": "apiKey", "in": "cookie", "name": "steadyhead_session"},
        "csrf": {"type": "apiKey", "in": "header", "name": "X-CSRF-Token"},
    }
    for path, method, act in guarded(app):
        operation = document["paths"].get(path, {}).get(method.lower())
        if operation is not None:
            operation["security"] = _security(act, method)
            told = operation.get("description", "")
            operation["description"] = f"{told}\n\nTakes {who_may(act)}.".strip()
    _settle(document)
    return document


def guarded(app: FastAPI) -> Iterator[tuple[str, str, Act]]:
    """Path, method and act of every route that carries a guard."""
    for context in iter_route_contexts(app.routes):
        act = act_of(context)
        if act is not None:
            for method in sorted(getattr(context, "methods", None) or ()):
                yield str(context.path), method, act


def patterns(app: FastAPI) -> dict[Any, str]:
    """Address pattern of every route, by the function that answers there."""
    return {
        context.endpoint: str(context.path)
        for context in iter_route_contexts(app.routes)
        if getattr(context, "endpoint", None) is not None
    }


def act_of(route: Any) -> Act | None:
    """What a route demands; None if it has no guard."""
    dependant = getattr(route, "dependant", None)
    waiting = [] if dependant is None else [dependant]
    while waiting:
        found = waiting.pop()
        act = getattr(found.call, "act", None)
        if isinstance(act, Act):
            return act
        waiting.extend(found.dependencies)
    return None


def _security(act: Act, method: str) -> list[dict[str, list[str]]]:
    ways: list[dict[str, list[str]]] = []
    if any(act in acts for acts in OF_SCOPE.values()):
        ways.append({"token": []})
    if act is not Act.WRITE_READINGS:
        ways.append({"session": []} if method == "GET" else {"session": [], "csrf": []})
    return ways


def _alert_components() -> dict[str, Any]:
    """The published schema of an alert as components: its ``$defs`` become neighbours of it."""
    whole = alert_schema()
    defs = whole.pop("$defs", {})
    for key in ("$schema", "$id"):
        whole.pop(key, None)
    found = {"Alert": whole, **{f"Alert_{name}": value for name, value in defs.items()}}
    for value in found.values():
        _rename(value)
    return found


def _rename(node: Any) -> None:
    if isinstance(node, dict):
        ref = node.get("$ref")
        if isinstance(ref, str) and ref.startswith("#/$defs/"):
            node["$ref"] = f"{REF}Alert_{ref.removeprefix('#/$defs/')}"
        for value in node.values():
            _rename(value)
    elif isinstance(node, list):
        for value in node:
            _rename(value)


def _settle(node: Any) -> None:
    """Put components in the place of marks that the models left for them."""
    if isinstance(node, dict):
        name = node.pop("x-component", None)
        if name is not None:
            node.clear()
            node["$ref"] = REF + name
        for value in node.values():
            _settle(value)
    elif isinstance(node, list):
        for value in node:
            _settle(value)


def _reading_items() -> dict[str, Any]:
    time = {
        "description": "RFC 3339 with an offset, or seconds since 1970-01-01 UTC.",
        "anyOf": [{"type": "string"}, {"type": "number"}],
    }
    one = {
        "type": "object",
        "description": "One value, or several of one moment.",
        "required": ["station", "time"],
        "properties": {
            "station": {"type": "string", "description": "Name in the registry."},
            "time": time,
            "role": {"enum": list(ROLES)},
            "tag": {
                "type": "string",
                "description": "Name of the tag in the registry, in place of the role.",
            },
            "value": {"type": ["number", "string"], "description": "In the tag's unit."},
            "values": {"type": "object", "description": "Value by role.", "additionalProperties": True},
            "unit": {"type": "string", "description": "Where it is not the tag's own.", "examples": ["psi"]},
            "quality": {"description": "As the source says it.", "examples": ["good"]},
        },
    }
    return {
        "description": "One item, or a list of them.",
        "anyOf": [one, {"type": "array", "items": one}],
    }
