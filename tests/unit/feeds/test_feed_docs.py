"""Every setting of every feed has a row in its page and the other way, and errors quoted there exist."""

import re
from pathlib import Path

import pytest
import yaml

from steadyhead.config.marked_yaml import parse_marked
from steadyhead.feeds.mapping import Mapping, TagRule
from steadyhead.feeds.settings import KINDS, read_feeds
from steadyhead.outward.settings import InfluxOut, MqttOut, OutSettings

ROOT = Path(__file__).parents[3]
DOCS = ROOT / "docs" / "feeds"
SOURCES = {
    "sql": ["feeds/sql.py"], "mqtt": ["feeds/mqtt.py"], "opcua": ["feeds/opcua.py"],
    "influxdb": ["feeds/influxdb.py"], "files": ["feeds/object_files.py"],
    "alerts_out": ["outward/sender.py"],
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


@pytest.mark.parametrize(("name", "model"), [("mqtt", MqttOut), ("influxdb", InfluxOut)])
def test_every_setting_of_alerts_out_is_in_its_page(name, model):
    text = (DOCS / "alerts_out.md").read_text()
    assert sorted(table(text, f"| key of `{name}` | meaning |")) == sorted(model.model_fields)


@pytest.mark.parametrize("page", SOURCES)
def test_errors_in_a_page_are_errors_of_its_code(page):
    code = "".join((ROOT / "src" / "steadyhead" / path).read_text() for path in SOURCES[page])
    phrases = table((DOCS / f"{page}.md").read_text(), "| says | remedy |")
    assert len(phrases) >= 5
    assert [phrase for phrase in phrases if phrase not in code] == []


@pytest.mark.parametrize("page", [*KINDS, "alerts_out"])
def test_the_example_of_a_page_loads(page):
    example = re.search(
        r"```yaml\n# config/service.yaml\n(.*?)```", (DOCS / f"{page}.md").read_text(), re.DOTALL
    )[1]
    if page == "alerts_out":
        assert OutSettings.model_validate(yaml.safe_load(example)["alerts_out"]).mqtt is not None
        return
    feeds, mistakes = read_feeds(parse_marked(example, "service.yaml"))
    assert mistakes == []
    assert [feed.kind for feed in feeds.values()] == [page]


def test_the_example_of_the_mapping_loads():
    example = re.search(r"```yaml\n(.*?)```", (DOCS / "mapping.md").read_text(), re.DOTALL)[1]
    assert len(Mapping.model_validate(yaml.safe_load(example)).tags) == 4


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
