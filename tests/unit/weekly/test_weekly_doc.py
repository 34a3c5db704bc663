"""docs/report.md names every figure and every setting."""

from pathlib import Path

from steadyhead.weekly.definitions import DEFINITIONS
from steadyhead.weekly.settings import ReportSettings

PAGE = (Path(__file__).parents[3] / "docs" / "report.md").read_text(encoding="utf-8")


def test_every_figure_is_in_the_doc():
    assert [key for key in DEFINITIONS if f"`{key}`" not in PAGE] == []


def test_every_setting_is_in_the_doc_with_its_usual_value():
    for name, field in ReportSettings.model_fields.items():
        row = next(line for line in PAGE.splitlines() if line.startswith("| `") and f"`{name}`" in line)
        shown = {True: "true", False: "false"}.get(field.default, str(field.default))
        assert shown in row, name
