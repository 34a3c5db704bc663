"""docs/api.md and docs/security.md name every route, problem, metric, role and setting there is."""

import re
from pathlib import Path

from fastapi.routing import iter_route_contexts

from steadyhead.access.actor import ROLES, SCOPES
from steadyhead.access.settings import AccessSettings
from steadyhead.api import problems

ROOT = Path(__file__).parents[3]
API = (ROOT / "docs" / "api.md").read_text()
SECURITY = (ROOT / "docs" / "security.md").read_text()


def test_every_route_is_in_the_docs_and_no_other(app):
    there = {
        f"{method} {route.path}"
        for route in iter_route_contexts(app.routes)
        for method in getattr(route, "methods", None) or ()
        if method != "HEAD" and route.path not in ("/login", "/logout")
    }
    told = set(re.findall(r"^\| `((?:GET|POST|PATCH|DELETE) [^`]+)` \|", API, re.MULTILINE))
    assert len(told) > 40
    assert told == there


def test_every_problem_is_in_the_docs_with_its_status():
    kinds = {kind for kind in vars(problems).values() if isinstance(kind, problems.Kind)}
    kinds |= set(problems.OF_ERROR.values())
    rows = re.findall(r"^\| (`[a-z`, -]+`) \| (\d{3}) \|", API, re.MULTILINE)
    told = {(slug, int(status)) for slugs, status in rows for slug in re.findall(r"`([a-z-]+)`", slugs)}
    assert told == {(kind.slug, kind.status) for kind in kinds if kind is not problems.OTHER}


def test_every_metric_is_in_the_docs(anybody):
    text = anybody.get("/metrics").text
    for name in set(re.findall(r"^# TYPE (\S+) ", text, re.MULTILINE)):
        if not name.endswith("_created"):
            assert f"`{name}`" in API, name


def test_every_role_scope_and_setting_is_in_the_docs():
    for role in ROLES:
        assert f"| {role} |" in SECURITY
    for scope in SCOPES:
        assert f"| `{scope}` |" in SECURITY
    for name in ("session_hours", "idle_minutes", "max_body_mb", "cookie_secure", "behind_proxy"):
        assert name in AccessSettings.model_fields
        assert f"`{name}" in SECURITY


def test_the_figures_in_the_docs_are_the_ones_that_hold():
    usual = AccessSettings()
    assert (
        f"by address {usual.address_requests_per_minute:,}, by person or program {usual.requests_per_minute}"
        in SECURITY
    )
    assert (
        f"batches of readings {usual.push_per_minute:,} a minute; {usual.streams_per_actor} event streams"
        in SECURITY
    )
    assert f"{usual.logins_per_minute} attempts a minute" in SECURITY
    assert f"end after {usual.session_hours:.0f} hours" in SECURITY
    assert f"readings {usual.max_body_mb:.0f} MiB" in SECURITY
