"""docs/registry.md names every setting, reason and unit there is."""

import re
import typing
from pathlib import Path

import pydantic

from steadyhead import units
from steadyhead.config.model import ROLES, Registry
from steadyhead.config.source import DEFAULT_BAD_VALUES
from steadyhead.readings.rejects import REASONS

DOC = (Path(__file__).parents[3] / "docs" / "registry.md").read_text(encoding="utf-8")


def models_below(annotation):
    """All registry models that an annotation mentions, and those below them."""
    if isinstance(annotation, type) and issubclass(annotation, pydantic.BaseModel):
        yield annotation
        for field in annotation.model_fields.values():
            yield from models_below(field.annotation)
    for part in typing.get_args(annotation):
        yield from models_below(part)


def test_every_setting_has_its_row():
    settings = {
        field.alias or name for model in models_below(Registry) for name, field in model.model_fields.items()
    }
    assert len(settings) > 50  # the walk found the models
    documented = set(re.findall(r"^\| `(\w+)` \|", DOC, flags=re.MULTILINE))
    assert settings - documented == set()
    assert documented - settings - set(REASONS) - {"defaults"} == set()


def test_every_reason_unit_role_and_default_mark_is_named():
    for reason in REASONS:
        assert f"| `{reason}` |" in DOC
    for name in [*units.names(), *units.UNIT_SYSTEMS, *ROLES]:
        assert f"`{name}`" in DOC
    row = re.search(r"^\| `default_bad_values` \|(.*)\|$", DOC, flags=re.MULTILINE)[1]
    assert sorted(float(text) for text in re.findall(r"-?\d+(?:\.\d+)?", row)) == sorted(DEFAULT_BAD_VALUES)
