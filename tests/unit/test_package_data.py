"""What is not Python is installed too: an installed package is otherwise without its pages."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "steadyhead"
MADE_BY_RUNNING = {".py", ".pyc", ".nbi", ".nbc"}


def test_every_file_of_the_package_is_installed():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    patterns = settings["tool"]["setuptools"]["package-data"]["steadyhead"]
    installed = {path for pattern in patterns for path in PACKAGE.glob(pattern)}
    there = {path for path in PACKAGE.rglob("*") if path.is_file() and path.suffix not in MADE_BY_RUNNING}
    assert there - installed == set()
    assert PACKAGE / "alerts" / "schema.json" in there
