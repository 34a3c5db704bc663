"""The docs cannot rot: every command, option, condition, field, setting and link in them is looked up."""

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from steadyhead.alerts.jsonlines import schema
from steadyhead.cli import COMMANDS, commands
from steadyhead.config.model import Settings
from steadyhead.diagnosis import tell_other, tell_sensor, tell_valve
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.report.words import PHRASES
from steadyhead.types import CONDITIONS

from .running import ROOT

PAGES = [
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "sample_logs/README.md")),
    *sorted((ROOT / "docs").glob("*.md")),
]
UNIT = re.compile(r"_(kpa|lps|m3h|s|share|ratio)\Z")
COMMAND_PAGE = (ROOT / "docs" / "commands.md").read_text()
CONDITION_PAGE = (ROOT / "docs" / "conditions.md").read_text()


def command(name: str) -> click.Command:
    found = commands.get_command(click.Context(commands), name)
    assert found is not None
    return found


def parameters(found: click.Command) -> list[click.Parameter]:
    """Of the command and of those below it."""
    below = found.commands.values() if isinstance(found, click.Group) else ()
    return [*found.params, *(one for other in below for one in parameters(other))]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_of_commands_says_what_the_command_itself_says(name):
    assert command(name).get_short_help_str(limit=200) == COMMANDS[name]


def test_help_loads_no_library_that_takes_seconds():
    code = """
import sys
from steadyhead.cli import main
try:
    main(["--help"])
except SystemExit:
    heavy = ("numba", "numpy", "pandas", "scipy", "sklearn", "fastapi")
    print([name for name in heavy if name in sys.modules])
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines()[-1] == "[]"
    assert "Run the live service" in ran.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_in_the_docs(name):
    assert f"steadyhead {name}" in (ROOT / "README.md").read_text()
    section = COMMAND_PAGE[COMMAND_PAGE.index(f"## steadyhead {name}") :]
    section = section[: section.find("\n## ", 1)] if "\n## " in section[1:] else section
    for parameter in parameters(command(name)):
        if isinstance(parameter, click.Option):
            assert f"`{parameter.opts[0]}" in section, parameter.opts


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_has_a_help_text(name):
    for parameter in parameters(command(name)):
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.opts


def test_every_option_the_docs_speak_of_exists():
    known = {o for name in COMMANDS for p in parameters(command(name)) for o in p.opts} | {
        "--version",
        "--help",
    }
    for page in PAGES:
        text = page.read_text()
        for line in text.splitlines():
            if "steadyhead" in line or line.startswith("| `--"):
                for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", line):
                    assert option in known or "docker" in line or "mail" in line, f"{page.name}: {option}"


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_is_in_the_docs_under_the_title_people_see(condition):
    assert f"`{condition}`" in CONDITION_PAGE
    assert f"**{load_knowledge().entries[condition].title}**" in CONDITION_PAGE


def test_every_field_of_an_alert_is_in_the_docs():
    page = (ROOT / "docs" / "alerts.md").read_text()
    for field in schema()["required"]:
        assert f"| `{field}` |" in page


def test_every_figure_of_a_magnitude_has_words_and_is_in_the_docs():
    """Figures are the keys that end in a unit, in the dictionaries of the modules that tell of conditions."""
    page = (ROOT / "docs" / "alerts.md").read_text()
    figures: set[str] = set()
    for module in (tell_valve, tell_other, tell_sensor):
        for node in ast.walk(ast.parse(Path(module.__file__).read_text())):
            keys = node.keys if isinstance(node, ast.Dict) else []
            if isinstance(node, ast.Subscript) and ast.unparse(node.value) == "magnitude":
                keys = [node.slice]
            figures |= {
                key.value for key in keys if isinstance(key, ast.Constant) and UNIT.search(str(key.value))
            }
    assert len(figures) > 15
    assert figures <= set(PHRASES)
    assert [name for name in sorted(PHRASES) if f"`{name}`" not in page] == []


def test_every_setting_is_in_the_docs():
    page = (ROOT / "docs" / "registry.md").read_text()
    for setting in Settings.model_fields:
        assert f"`{setting}`" in page


def test_every_job_of_the_makefile_is_in_its_help():
    makefile = (ROOT / "Makefile").read_text()
    jobs = re.search(r"^\.PHONY: (.*)$", makefile, re.MULTILINE)
    assert jobs is not None
    for job in jobs[1].split():
        assert job == "help" or f'@echo "make {job} ' in makefile, job


def test_every_library_is_given_a_reason():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    text = (ROOT / "DEVELOPERS.md").read_text()
    reasons = text[text.index("## Why each library is there") : text.index("## Rules of the house")]
    named = {name for row in re.findall(r"^\| (.+?) \|", reasons, re.MULTILINE) for name in row.split(", ")}
    for wanted in settings["project"]["dependencies"] + settings["project"]["optional-dependencies"]["dev"]:
        assert re.split(r"[<>=~[]", wanted)[0] in named, wanted


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text()):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), f"{page.name}: {target}"
