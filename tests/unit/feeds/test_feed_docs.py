"""Every setting of every feed has a row in its page and the other way, and errors quoted there exist."""

import ast
import re
from pathlib import Path

import pytest
import yaml

from steadyhead.config.marked_yaml import parse_marked
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import Mapping, TagRule
from steadyhead.feeds.settings import KINDS, read_feeds
from steadyhead.outward.settings import InfluxOut, MqttOut, OpcUaOut, OutSettings

ROOT = Path(__file__).parents[3]
DOCS = ROOT / "docs" / "feeds"
LINK = "feeds/mqtt_link.py"
SOURCES = {
    "sql": ["feeds/sql.py"], "mqtt": ["feeds/mqtt.py", LINK, "feeds/mqtt_messages.py"],
    "opcua": ["feeds/opcua.py", "feeds/opcua_session.py"],
    "influxdb": ["feeds/influxdb.py"], "files": ["feeds/object_files.py"],
    "alerts_out": [f"outward/{name}.py" for name in ("mqtt", "influx", "opcua", "opcua_door")] + [LINK],
    "README": ["feeds/settings.py", "feeds/mapper.py", "cli/feed.py"],
}  # fmt: skip


def table(text, heading):
    """First cells, in code marks, of the table with this heading."""
    start = text.index(heading)
    rows = text[start:].split("\n\n")[0].splitlines()[2:]
    return [re.match(r"\| `([^`]+)`", row)[1] for row in rows]


@pytest.mark.parametrize("kind", KINDS)
def test_every_setting_of_a_feed_is_in_its_page(kind):
    assert sorted(table((DOCS / f"{kind}.md").read_text(), "| key | meaning |")) == sorted(
        KINDS[kind].model_fields
    )


def test_every_key_of_a_mapping_is_in_its_page():
    file, pattern = (DOCS / "mapping.md").read_text().split("## A pattern")
    assert sorted(table(file, "| key | meaning |")) == sorted(Mapping.model_fields)
    assert sorted(table(pattern, "| key | meaning |")) == sorted(TagRule.model_fields)


@pytest.mark.parametrize(("name", "model"), [("mqtt", MqttOut), ("influxdb", InfluxOut), ("opcua", OpcUaOut)])
def test_every_setting_of_alerts_out_is_in_its_page(name, model):
    text = (DOCS / "alerts_out.md").read_text()
    assert sorted(table(text, f"| key of `{name}` | meaning |")) == sorted(model.model_fields)


def raised(path):
    """The words of each FeedError made in a module, with "..." for what is filled in."""
    for node in ast.walk(ast.parse((ROOT / "src" / "steadyhead" / path).read_text())):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "FeedError" and node.args:
            parts = [one for one in ast.walk(node.args[0]) if isinstance(one, ast.Constant)]
            parts.sort(key=lambda one: (one.lineno, one.col_offset))
            yield "".join(one.value if isinstance(one.value, str) else "" for one in parts)


@pytest.mark.parametrize("page", SOURCES)
def test_every_error_of_a_feed_is_in_its_page_with_its_remedy_and_the_other_way(page):
    texts = [text for path in SOURCES[page] for text in raised(path)]
    code = "".join((ROOT / "src" / "steadyhead" / path).read_text() for path in SOURCES[page])
    phrases = table((DOCS / f"{page}.md").read_text(), "| says | remedy |")
    assert len(phrases) >= 5
    assert [phrase for phrase in phrases if phrase not in code and not any(phrase in t for t in texts)] == []
    # a text of nothing but what another error said is that error
    untold = [text for text in texts if len(text) > 15 and not any(phrase in text for phrase in phrases)]
    assert untold == []


@pytest.mark.parametrize("page", [*KINDS, "alerts_out"])
def test_the_example_of_a_page_loads(page):
    examples = re.findall(
        r"```yaml\n# config/service.yaml\n(.*?)```", (DOCS / f"{page}.md").read_text(), re.DOTALL
    )
    if page == "alerts_out":
        (example,) = examples
        out = OutSettings.model_validate(yaml.safe_load(example)["alerts_out"])
        assert None not in (out.mqtt, out.influxdb, out.opcua)
        return
    assert len(examples) == (2 if page == "mqtt" else 1)
    for example in examples:
        feeds, mistakes = read_feeds(parse_marked(example, "service.yaml"))
        assert mistakes == []
        assert [feed.kind for feed in feeds.values()] == [page]


@pytest.mark.parametrize(
    ("page", "n_tags", "tag"),
    [
        ("mapping", 4, "WW.elm_street.PT2"),
        ("influxdb", 3, "telemetry.elm_street.PT2"),
        ("mqtt", 3, "Marrow/edge1/elm_street/POUT"),
    ],
)
def test_the_mapping_of_a_page_loads_and_finds_its_outlet(page, n_tags, tag):
    blocks = re.findall(r"```yaml\n(.*?)```", (DOCS / f"{page}.md").read_text(), re.DOTALL)
    (example,) = [block for block in blocks if "\ntags:" in block]
    mapping = Mapping.model_validate(yaml.safe_load(example))
    assert len(mapping.tags) == n_tags
    placed = Mapper(mapping).place(tag)
    assert (placed.station, placed.role) == ("elm_street", "outlet")


def test_the_checks_in_the_page_are_the_kinds_of_findings():
    from typing import get_args

    from steadyhead.feeds.check.findings import Kind

    text = (DOCS / "check.md").read_text()
    told = set(
        re.findall(
            r"`([a-z_]+)`", "".join(row.split("|")[1] for row in text.splitlines() if row.startswith("| `"))
        )
    )
    assert told == set(get_args(Kind))
